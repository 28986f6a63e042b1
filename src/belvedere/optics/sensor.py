"""The sensor: its size in millimetres and in pixels, lying and upright."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.optics.focal import FILM_DIAGONAL_MM
from belvedere.optics.positive import need_positive

SQUARE_WITHIN = 0.02
"""Pixels count as square up to this relative difference: data sheets round to a tenth of a millimetre."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """The part of the sensor that makes the picture, the camera lying (landscape).

    Parameters
    ----------
    width_mm, height_mm : float
        Millimetres, finite, > 0, width >= height.
    width_px, height_px : int
        Pixels, >= 1, width >= height; square pixels within 2 %.

    Raises
    ------
    PlanError
        If any of this does not hold.
    """

    width_mm: float
    height_mm: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        for what, mm in (("width", self.width_mm), ("height", self.height_mm)):
            need_positive(f"the sensor's {what}", mm, "mm")
        for what, px in (("width", self.width_px), ("height", self.height_px)):
            if px != int(need_positive(f"the sensor's {what}", px, "pixels")):
                raise PlanError(f"the sensor's {what} must be a whole number of pixels, not {px:g}")
        if self.width_mm < self.height_mm or self.width_px < self.height_px:
            raise PlanError(
                f"a sensor of {self.width_mm:g} x {self.height_mm:g} mm and "
                f"{self.width_px} x {self.height_px} pixels stands upright",
                "give it lying, the longer side first; how the camera is held is said apart",
            )
        across, down = self.width_mm / self.width_px, self.height_mm / self.height_px
        if abs(math.log(across / down)) > SQUARE_WITHIN:
            fitting = self.width_mm * self.height_px / self.width_px
            raise PlanError(
                f"{self.width_mm:g} x {self.height_mm:g} mm and {self.width_px} x {self.height_px} pixels do "
                f"not have one shape: a pixel would be {across * 1e3:.2f} by {down * 1e3:.2f} micrometres",
                f"with these pixels {self.width_mm:g} mm across go with {fitting:.1f} mm down",
            )

    @property
    def pixel_pitch_mm(self) -> float:
        """Distance of neighbouring pixels in mm, the mean (geometric) of across and down."""
        return math.sqrt(self.width_mm / self.width_px * self.height_mm / self.height_px)

    @property
    def diagonal_mm(self) -> float:
        """Diagonal in mm."""
        return math.hypot(self.width_mm, self.height_mm)

    @property
    def megapixels(self) -> float:
        """Millions of pixels of one frame."""
        return self.width_px * self.height_px / 1e6

    def upright(self) -> tuple[float, float, int, int]:
        """(width mm, height mm, width px, height px) of the frame with the camera upright (portrait)."""
        return self.height_mm, self.width_mm, self.height_px, self.width_px

    def landscape(self) -> tuple[float, float, int, int]:
        """(width mm, height mm, width px, height px) of the frame with the camera lying (landscape)."""
        return self.width_mm, self.height_mm, self.width_px, self.height_px

    def focal_px(self, focal_mm: float) -> float:
        """Focal length in px of a lens of `focal_mm`; a PlanError where that is not above 0."""
        return need_positive("the focal length", focal_mm, "mm") / self.pixel_pitch_mm


def sensor_from_crop(crop_factor: float, width_px: int, height_px: int) -> Sensor:
    """The sensor of this many pixels whose diagonal is that of 35-mm film over `crop_factor`.

    Parameters
    ----------
    crop_factor : float
        Diagonal of 24 x 36 mm over the sensor's diagonal, > 0.
    width_px, height_px : int
        Pixels in either order; the longer side becomes the width.

    Raises
    ------
    PlanError
        If a value is not above 0.

    References
    ----------
    CIPA DCG-001, guideline for noting digital camera specifications: compares diagonals (cited from memory).
    """
    need_positive("the crop factor", crop_factor)
    long, short = max(width_px, height_px), min(width_px, height_px)
    need_positive("a side of the sensor", short, "pixels")
    pitch = FILM_DIAGONAL_MM / crop_factor / math.hypot(long, short)
    return Sensor(long * pitch, short * pitch, long, short)

"""What a photographer shot: exposures with their metadata, and frames made of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from math import log2
from pathlib import Path
from typing import Literal

Light = Literal["screen", "scene"]
"""How a file is decoded: "screen" as its picture is meant to look, in sRGB or its own profile; "scene" as the
light that a raw file holds, in the camera's own colour, white balance undone, coded by sRGB's curve."""

MERGED_CURVE = (4.0, 0.917775427223693, 0.08222457277630701, 0.004837461300309598, 0.029863722771862094)
"""(g, a, b, c, d): (a x + b)^g from d on, c x below: how the light of merged exposures is coded in 16 bits.

Shaped like sRGB's curve, but a step at black is 2^-23.7 of white and not 2^-19.7: with 1 at white of the
shortest exposure that stays below the noise of exposures 8 EV longer, where sRGB's cost 0.3 EV of range
(measured). Below 2^-12.8 codes go with light, so that interpolating noise bends nothing; and what the middle
exposures show keeps codes that features are found in. The exponent is our choice; the rest makes the parts
meet smoothly."""


@dataclass(frozen=True, slots=True)
class Metadata:
    """What an exposure's file says of itself. Everything a file may leave out is None.

    Parameters
    ----------
    stored_width, stored_height : int
        Size in px as stored, before Exif Orientation.
    orientation : int
        Exif Orientation 1 to 8; 1 where the file says nothing or nonsense.
    bits : int
        Bits a sample: 8 or 16.
    make, model, lens, serial : str or None
        Camera and lens as tagged, blanks stripped.
    focal_mm, focal_35mm : float or None
        Focal length, and its 35-mm equivalent, mm.
    focal_plane_px_per_mm : float or None
        Sensor resolution along the stored width, px/mm, of the file's own pixels as far as the tags tell.
    exposure_s, f_number, iso : float or None
        Exposure settings.
    taken : datetime or None
        Moment of exposure with sub-seconds, camera clock, no zone.
    roll_deg, pitch_deg : float or None
        Level as the camera measured it: roll turns x towards y, pitch is positive up.
    color_space : int or None
        Exif ColorSpace (1 sRGB, 2 wide gamut by custom, 65535 uncalibrated).
    profile : bytes or None
        Embedded ICC profile.
    white_balance_auto, exposure_auto : bool or None
        Whether the camera chose white balance, and time or aperture, by itself.
    exposure_bias_ev : float or None
        Exposure compensation as set, EV.
    subject_distance_m : float or None
        Distance the lens was focused at, m; `math.inf` where the camera says infinity.
    curve : tuple of float or None
        Of pixels that are not coded as the file tells: see `MERGED_CURVE`.
    """

    stored_width: int
    stored_height: int
    orientation: int = 1
    bits: int = 8
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    serial: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    focal_plane_px_per_mm: float | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    taken: datetime | None = None
    roll_deg: float | None = None
    pitch_deg: float | None = None
    color_space: int | None = None
    profile: bytes | None = None
    white_balance_auto: bool | None = None
    exposure_auto: bool | None = None
    exposure_bias_ev: float | None = None
    subject_distance_m: float | None = None
    curve: tuple[float, ...] | None = None

    @property
    def width(self) -> int:
        """Width as displayed, px."""
        return self.stored_height if self.orientation >= 5 else self.stored_width

    @property
    def height(self) -> int:
        """Height as displayed, px."""
        return self.stored_width if self.orientation >= 5 else self.stored_height

    @property
    def exposure_ev(self) -> float | None:
        """log2 of the light the settings gather, t ISO / N^2, up to the camera's constant; None if unknown.

        One stop more light is +1.
        """
        if not self.exposure_s or not self.iso:
            return None
        aperture = self.f_number**2 if self.f_number else 1.0
        return log2(self.exposure_s * self.iso / aperture)


@dataclass(frozen=True, slots=True)
class Exposure:
    """One file of a pose, and how it is to be decoded ("scene" only where it is a raw file).

    `contrast` is the camera's own curve on top of the profile's (`response_curve`), which is undone where
    exposures are merged: empty where there is none, None where it is not known.
    """

    file: Path
    metadata: Metadata
    light: Light = "screen"
    contrast: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """A direction: one or more exposures of one pose, and the photographer's optional mask.

    The first exposure gives the frame its name. Several are merged (`capture.merge_bracket`): the frame's
    light is 1 at white of the shortest. `mask` is a PNG of the frame as displayed: 0 never, 255 prefer.
    """

    exposures: tuple[Exposure, ...]
    mask: Path | None = None

    @property
    def file(self) -> Path:
        return self.exposures[0].file

    @property
    def metadata(self) -> Metadata:
        """Of the frame's pixels: of several exposures the first's, with the shortest's settings, coded by a
        curve of their own in 16 bits."""
        first = self.exposures[0].metadata
        if len(self.exposures) == 1:
            return first
        shortest = self.shortest.metadata
        return replace(
            first,
            bits=16,
            curve=MERGED_CURVE,
            exposure_s=shortest.exposure_s,
            f_number=shortest.f_number,
            iso=shortest.iso,
        )

    @property
    def shortest(self) -> Exposure:
        """The exposure whose settings take least light; the first where a file does not tell."""
        told = [exposure.metadata.exposure_ev for exposure in self.exposures]
        known = [ev for ev in told if ev is not None]
        if len(known) < len(told):
            return self.exposures[0]
        return self.exposures[known.index(min(known))]

    @property
    def name(self) -> str:
        return self.file.name

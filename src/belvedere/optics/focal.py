"""Focal length in px from what a file's tags say: every candidate, its evidence, and how far to trust it.

Tags contradict the pictures in real sets. The focal-plane resolution may still describe a picture from
which this one was reduced, and a 35-mm equivalent is a rounded number; so nothing is thrown away here, each
candidate carries a relative sigma, and the pictures decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Evidence = Literal["focal-plane-resolution", "35-mm-equivalent"]

# Diagonal of the 24 x 36 mm picture of 35-mm film.
FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)

# Widths of sensors that pictures are taken with, mm: below are industrial sensors, above are scanning backs
# and aerial cameras (common practice, no published source).
SENSOR_WIDTH_MM = (2.0, 120.0)

# Engraved against true focal length at the focus in use (common practice, no published source).
_RATED_SIGMA = 0.02
# Two tags that agree within this describe one picture: three sigmas of rated, rounded and off-aspect values.
_AGREEMENT = 0.10


@dataclass(frozen=True, slots=True)
class FocalCandidate:
    """One focal length that the tags allow.

    Parameters
    ----------
    focal_px : float
        Focal length in px of the stored picture, > 0. The same as displayed: pixels are square.
    sigma : float
        Relative 1-sigma of `focal_px`; inf where the tags cannot be right.
    evidence : str
        Which tags it comes from.
    sensor_width_mm : float
        Extent on the sensor, in mm, of the picture's stored width, that the tags imply; NaN without a focal
        length in mm.
    doubt : str or None
        Why the sigma is wider than the tags' own, one sentence; None if nothing speaks against it.
    """

    focal_px: float
    sigma: float
    evidence: Evidence
    sensor_width_mm: float
    doubt: str | None = None


def focal_candidates(
    stored_width: int,
    stored_height: int,
    *,
    focal_mm: float | None = None,
    focal_35mm: float | None = None,
    focal_plane_px_per_mm: float | None = None,
) -> tuple[FocalCandidate, ...]:
    """Every focal length in px that the tags give, the most certain first.

    Parameters
    ----------
    stored_width, stored_height : int
        Size of the picture in px, >= 1.
    focal_mm, focal_35mm : float or None
        Focal length, and the one that gives the same angle of view on 35-mm film, mm.
    focal_plane_px_per_mm : float or None
        Sensor resolution, px/mm.

    Returns
    -------
    candidates : tuple of FocalCandidate
        None, one or two. Where the two contradict each other, each has a sigma that reaches the other and
        both carry a doubt. Values that are not finite and positive count as absent.

    Raises
    ------
    ValueError
        If the size is not positive.

    References
    ----------
    CIPA DC-008 (Exif), tags FocalLength 0x920A, FocalPlaneXResolution 0xA20E, FocalLengthIn35mmFilm 0xA405.
    CIPA DCG-001, guideline for noting digital camera specifications: the 35-mm equivalent compares diagonals
    (cited from memory); some cameras compare widths, which the sigma covers.
    """
    if stored_width < 1 or stored_height < 1:
        raise ValueError(f"a picture needs at least 1 x 1 px, got {stored_width} x {stored_height}")
    focal_mm, focal_35mm = _positive(focal_mm), _positive(focal_35mm)
    px_per_mm = _positive(focal_plane_px_per_mm)
    found: list[FocalCandidate] = []
    if focal_mm is not None and px_per_mm is not None:
        found.append(_from_focal_plane(stored_width, focal_mm, px_per_mm))
    if focal_35mm is not None:
        found.append(_from_35mm(stored_width, stored_height, focal_35mm, focal_mm))
    if len(found) == 2 and all(math.isfinite(c.sigma) for c in found):
        found = _contradict(found[0], found[1])
    return tuple(sorted(found, key=lambda c: c.sigma))


def best_focal(candidates: tuple[FocalCandidate, ...]) -> FocalCandidate | None:
    """The most certain candidate, or None if no tag can be right."""
    usable = [c for c in candidates if math.isfinite(c.sigma)]
    return min(usable, key=lambda c: c.sigma) if usable else None


def focal_px_from_35mm(width: int, height: int, focal_35mm: float) -> float:
    """Focal length in px of a picture with the same diagonal angle of view as `focal_35mm` on 35-mm film."""
    return focal_35mm * math.hypot(width, height) / FILM_DIAGONAL_MM


def is_plausible_sensor(width_mm: float) -> bool:
    """Whether pictures are taken with sensors of this width, mm."""
    return SENSOR_WIDTH_MM[0] <= width_mm <= SENSOR_WIDTH_MM[1]


def _positive(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) and value > 0.0 else None


def _from_focal_plane(stored_width: int, focal_mm: float, px_per_mm: float) -> FocalCandidate:
    sensor_width = stored_width / px_per_mm
    sigma = math.hypot(_RATED_SIGMA, _rounding_sigma(focal_mm))
    return _doubt_sensor(
        FocalCandidate(focal_mm * px_per_mm, sigma, "focal-plane-resolution", sensor_width), "focal-plane"
    )


def _from_35mm(width: int, height: int, focal_35mm: float, focal_mm: float | None) -> FocalCandidate:
    focal_px = focal_px_from_35mm(width, height, focal_35mm)
    # The same tag read as a comparison of widths (36 mm along the long side) instead of diagonals.
    by_width = focal_35mm * max(width, height) / 36.0
    aspect = abs(math.log(by_width / focal_px)) / math.sqrt(3.0)
    sigma = math.hypot(_RATED_SIGMA, _rounding_sigma(focal_35mm), aspect)
    sensor_width = width * focal_mm / focal_px if focal_mm is not None else math.nan
    return _doubt_sensor(FocalCandidate(focal_px, sigma, "35-mm-equivalent", sensor_width), "35-mm")


def _rounding_sigma(millimetres: float) -> float:
    """Relative sigma of a value rounded to whole millimetres; 0 where it is given finer."""
    return 1.0 / math.sqrt(12.0) / millimetres if millimetres == round(millimetres) else 0.0


def _doubt_sensor(candidate: FocalCandidate, tag: str) -> FocalCandidate:
    width = candidate.sensor_width_mm
    if math.isnan(width) or is_plausible_sensor(width):
        return candidate
    return FocalCandidate(
        candidate.focal_px,
        math.inf,
        candidate.evidence,
        width,
        f"the {tag} tag would mean a sensor {width:.3g} mm wide",
    )


def _contradict(plane: FocalCandidate, film: FocalCandidate) -> list[FocalCandidate]:
    """Widen both where they disagree: reduced pictures mislead the first, cropped ones the second.

    A picture reduced after the exposure is the commoner of the two (common practice, no published source), so
    the 35-mm equivalent stays the more certain.
    """
    gap = abs(math.log(plane.focal_px / film.focal_px))
    if gap <= _AGREEMENT:
        return [plane, film]
    doubt = (
        f"focal length and focal-plane resolution say {plane.focal_px:.0f} px, the 35-mm equivalent says "
        f"{film.focal_px:.0f} px; the picture was reduced or cropped, or a tag is wrong"
    )
    return [
        FocalCandidate(c.focal_px, math.hypot(c.sigma, gap * share), c.evidence, c.sensor_width_mm, doubt)
        for c, share in ((plane, 1.0), (film, 0.5))
    ]

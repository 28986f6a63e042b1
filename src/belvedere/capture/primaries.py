"""Which colours a set's numbers mean, and how frames of another profile come into the set's own.

References
----------
IEC 61966-2-1:1999 (sRGB primaries
and white D65); CIPA DC-009 (DCF 2.0), optional colour space.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.camera_colour import CameraColour
from belvedere.capture.frame import Frame, Metadata
from belvedere.capture.icc import adaptation_to_d50, matrix_profile, read_profile
from belvedere.capture.transfer import SRGB_CURVE, WIDE_CURVE, Transfer, read_transfer

_D65_XY = (0.3127, 0.3290)
_SRGB_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
_WIDE_XY = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))

_SAME_PRIMARIES = 2e-3  # largest difference of two matrices' entries that is only rounding or adaptation


@dataclass(frozen=True)
class CommonProfile:
    """The profile a set is worked and delivered in.

    Parameters
    ----------
    name : str
        For people.
    profile : bytes
        The ICC profile to embed in what is made.
    transfer : Transfer
        Its curve, for encoding.
    to_common : tuple of (ndarray of shape (3, 3), float64, or None)
        For each frame, what takes its linear RGB to the common primaries; None where nothing is to be done.
    carried : tuple of bool
        For each frame, whether it carries this very profile, or tags that stand for it.
    notices : tuple of str
        What a person should know, one sentence each.
    colour : CameraColour or None
        In scene light: the camera whose colour the primaries are, and the set's neutral.
    """

    name: str
    profile: bytes
    transfer: Transfer
    to_common: tuple[NDArray[np.float64] | None, ...]
    carried: tuple[bool, ...]
    notices: tuple[str, ...]
    colour: CameraColour | None = None


@dataclass(frozen=True)
class _Colours:
    """A frame's own profile, or the one its tags stand for; `matrix` None where its primaries are unknown."""

    name: str
    profile: bytes
    matrix: NDArray[np.float64] | None


def profile_name(metadata: Metadata) -> str:
    """The name of a file's colours, for people: its profile's description, or what its tags stand for."""
    return _colours(metadata.profile, metadata.color_space).name


def same_primaries(a: Metadata, b: Metadata) -> bool:
    """Whether equal linear RGB means equal colours in two files, as far as their profiles tell."""
    ours = _colours(a.profile, a.color_space)
    theirs = _colours(b.profile, b.color_space)
    return ours.profile == theirs.profile or _matrices_agree(ours.matrix, theirs.matrix)


def common_profile(frames: Sequence[Frame]) -> CommonProfile:
    """Choose the profile that most frames carry (of equals, the one met first), and bring the others into it.

    Raises
    ------
    ValueError
        If there are no frames.
    """
    if not frames:
        raise ValueError("expected at least one frame")
    colours = [_colours(frame.metadata.profile, frame.metadata.color_space) for frame in frames]
    votes = Counter(c.profile for c in colours)
    chosen_bytes = max(votes, key=lambda profile: votes[profile])  # a Counter keeps the order of first sight
    first = next(i for i, c in enumerate(colours) if c.profile == chosen_bytes)
    chosen = colours[first]
    to_common: list[NDArray[np.float64] | None] = []
    converted: Counter[str] = Counter()
    left: dict[str, list[str]] = {}
    for frame, own in zip(frames, colours, strict=True):
        matrix = None
        if own.profile != chosen.profile and not _matrices_agree(own.matrix, chosen.matrix):
            if own.matrix is not None and chosen.matrix is not None:
                matrix = np.asarray(np.linalg.solve(chosen.matrix, own.matrix), np.float64)
                converted[own.name] += 1
            else:
                left.setdefault(own.name if own.matrix is None else chosen.name, []).append(frame.name)
        to_common.append(matrix)
    return CommonProfile(
        name=chosen.name,
        profile=chosen.profile,
        transfer=read_transfer(Metadata(stored_width=1, stored_height=1, profile=chosen.profile)),
        to_common=tuple(to_common),
        carried=tuple(own.profile == chosen.profile for own in colours),
        notices=(
            *(_converted(count, name, chosen.name) for name, count in converted.items()),
            *(_left(names, name) for name, names in left.items()),
        ),
    )


def _converted(count: int, own: str, common: str) -> str:
    carry = "1 frame carries" if count == 1 else f"{count} frames carry"
    return f"{carry} another colour profile, “{own}”; converted to “{common}”"


def _left(names: Sequence[str], unknown: str) -> str:
    why = f"because “{unknown}” is not understood; colours may differ"
    return f"{_listed(names)}: colours left as they are, {why}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def _matrices_agree(a: NDArray[np.float64] | None, b: NDArray[np.float64] | None) -> bool:
    return a is not None and b is not None and float(np.max(np.abs(a - b))) <= _SAME_PRIMARIES


@cache
def _colours(profile: bytes | None, color_space: int | None) -> _Colours:
    """A file's colours from its embedded profile and Exif ColorSpace."""
    read = read_profile(profile) if profile else None
    if read is not None and profile is not None and read.space == "RGB":
        return _Colours(read.name, profile, read.matrix if read.curves else None)
    if read is None and color_space == 2:
        return _Colours("DCF optional", wide_profile(), _primaries_matrix(_WIDE_XY)[0])
    return _Colours("sRGB", srgb_profile(), _primaries_matrix(_SRGB_XY)[0])


@cache
def srgb_profile() -> bytes:
    """An ICC profile of sRGB (IEC 61966-2-1), the same bytes on every machine and day."""
    matrix, adaptation = _primaries_matrix(_SRGB_XY)
    return matrix_profile("sRGB (IEC 61966-2-1)", matrix, SRGB_CURVE, adaptation)


def linear_profile(profile: bytes, headroom: float = 1.0) -> bytes | None:
    """An ICC profile of linear samples in a profile's primaries; None where these are not told by a matrix.

    Parameters
    ----------
    headroom : float
        Light that the largest code stands for, 1 being the profile's white.
    """
    read = read_profile(profile)
    if read is None or read.matrix is None or not read.curves:
        return None
    return matrix_profile(f"{read.name}, linear", read.matrix * headroom, (1.0,), np.eye(3))


@cache
def wide_profile() -> bytes:
    """An ICC profile of the optional colour space of CIPA DC-009, likewise."""
    matrix, adaptation = _primaries_matrix(_WIDE_XY)
    return matrix_profile("DCF optional colour space (CIPA DC-009)", matrix, WIDE_CURVE, adaptation)


def _primaries_matrix(
    primaries_xy: tuple[tuple[float, float], ...],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(linear RGB to XYZ relative to D50, adaptation D65 to D50) of primaries under D65; (3, 3) each."""

    def xyz(x: float, y: float) -> NDArray[np.float64]:
        return np.array([x / y, 1.0, (1.0 - x - y) / y])

    columns = np.column_stack([xyz(*xy) for xy in primaries_xy])
    white = xyz(*_D65_XY)
    to_xyz = columns * np.linalg.solve(columns, white)
    adaptation = adaptation_to_d50(white)
    return adaptation @ to_xyz, adaptation

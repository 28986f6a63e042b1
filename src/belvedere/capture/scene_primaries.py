"""The colours of a set worked in scene light: those of the camera that took its first frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.camera_colour import (
    CameraColour,
    camera_from_camera,
    read_camera_colour,
    scene_profile,
)
from belvedere.capture.containers import container_of
from belvedere.capture.frame import Frame
from belvedere.capture.primaries import CommonProfile
from belvedere.capture.transfer import SRGB_CURVE, Transfer, curve_table
from belvedere.errors import UnreadableFile

_OTHER_WORLD = (
    "sees no white where the set's first camera does; leave out the file, or the other camera's, with --as"
)
_SAME = 1e-3  # largest difference of two bodies' matrices that is only rounding


def is_raw_frame(frame: Frame) -> bool:
    """Whether every exposure of a frame is a raw file.

    Raises
    ------
    UnreadableFile
        If a file cannot be read.
    """
    return all(container_of(exposure.file) == "raw" for exposure in frame.exposures)


def in_scene_light(frame: Frame) -> Frame:
    """The frame, its exposures to be decoded in scene light."""
    return replace(frame, exposures=tuple(replace(e, light="scene") for e in frame.exposures))


def scene_primaries(frames: Sequence[Frame], first: int = 0) -> CommonProfile:
    """The camera's colour that a set in scene light is worked in, and how other bodies' come into it.

    Parameters
    ----------
    frames : sequence of Frame
        All in scene light.
    first : int
        The frame whose body and neutral are the set's: white balance is recorded once, whatever a camera
        thought of each frame by itself.

    Returns
    -------
    CommonProfile
        With `colour`; the profile is that of linear samples, 1 the camera's white level. Frames of another
        make or model are taken through CIE XYZ.

    Raises
    ------
    UnreadableFile
        If nothing is known of a camera's colours.
    """
    colour = read_camera_colour(frames[first].file)
    own: dict[tuple[str | None, ...], tuple[CameraColour, NDArray[np.float64] | None]] = {
        _body(frames[first]): (colour, None)
    }
    brought: Counter[str] = Counter()
    for frame in frames:
        body = _body(frame)
        if body not in own:
            other = read_camera_colour(frame.file)
            matrix = camera_from_camera(colour, other)
            if not (np.linalg.solve(matrix, colour.neutral) > 0.0).all():
                raise UnreadableFile(frame.file, _OTHER_WORLD)
            same = float(np.max(np.abs(matrix - np.eye(3)))) <= _SAME
            own[body] = (other, None if same else matrix)
        if own[body][1] is not None:
            brought[own[body][0].model] += 1
    return CommonProfile(
        name=f"{colour.model}, linear camera colour",
        profile=scene_profile(colour),
        transfer=Transfer("color-space", curve_table(SRGB_CURVE).astype(np.float32)),
        to_common=tuple(own[_body(frame)][1] for frame in frames),
        carried=(True,) * len(frames),
        notices=tuple(
            f"{'1 frame was' if count == 1 else f'{count} frames were'} taken by another camera, {model}; "
            f"brought into the colours of {colour.model} by what their makers say of both"
            for model, count in brought.items()
        ),
        colour=colour,
    )


def _body(frame: Frame) -> tuple[str | None, ...]:
    metadata = frame.metadata
    return metadata.make, metadata.model, metadata.serial

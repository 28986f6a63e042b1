"""In which light a set is worked: as its files are meant to look, or as the raw files hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from belvedere.capture.camera_colour import read_camera_colour
from belvedere.capture.frame import Frame
from belvedere.capture.gather import Gathered
from belvedere.capture.primaries import common_profile, linear_profile
from belvedere.capture.scene_primaries import in_scene_light, is_raw_frame
from belvedere.errors import BelvedereError, UnreadableFile
from belvedere.pipeline.options import StitchOptions


def is_in_scene_light(frames: Sequence[Frame]) -> bool:
    """Whether a set is worked in scene light."""
    return bool(frames) and all(e.light == "scene" for frame in frames for e in frame.exposures)


def in_light(options: StitchOptions, gathered: Gathered) -> tuple[StitchOptions, Gathered]:
    """Set a run up for the light that its kind of picture needs, before any pixel is decoded.

    A linear picture of raw files is worked in scene light, where no response is unknown. A linear TIFF of
    other pictures, or of raw files among others, holds the light their profiles tell of.

    Raises
    ------
    BelvedereError
        If this kind of picture cannot be made of these frames.
    """
    if options.kind == "picture":
        return options, gathered
    if options.kind == "linear-tiff" and options.float_brackets:
        bracketed = any(len(frame.exposures) > 1 for frame in gathered.frames)
        options = replace(options, bits=32 if bracketed else options.bits)
    raw = [is_raw_frame(frame) for frame in gathered.frames]
    other = [frame for frame, is_raw in zip(gathered.frames, raw, strict=True) if not is_raw]
    if not other:
        _check_colours(gathered.frames)
        frames = tuple(in_scene_light(frame) for frame in gathered.frames)
        tone = replace(options.tone, estimate_response=False)
        return replace(options, tone=tone), replace(gathered, frames=frames)
    if options.kind == "linear-dng":
        raise BelvedereError(
            f"{_listed(other)}, and a linear DNG holds the light of raw files alone. "
            "Give only raw files, or make a linear TIFF with --as linear-tiff"
        )
    if linear_profile(common_profile(gathered.frames).profile) is None:
        raise BelvedereError(
            f"{_listed(other)}, and the colour profile there has no linear form. "
            "Convert the frames to sRGB first, or leave out --as"
        )
    said = (
        f"{_listed(other)}: the light is what the frames' profiles tell, in their colours, and not a "
        "camera's own"
    )
    return options, replace(gathered, notices=(*gathered.notices, said))


def _check_colours(frames: tuple[Frame, ...]) -> None:
    """Raise BelvedereError where nothing is known of a body's colours."""
    bodies = {(f.metadata.make, f.metadata.model): f for f in reversed(frames)}
    for frame in bodies.values():
        try:
            read_camera_colour(frame.file)
        except UnreadableFile as error:
            raise BelvedereError(str(error)) from error


def _listed(frames: list[Frame]) -> str:
    more = f" and {len(frames) - 1} more are no raw files" if len(frames) > 1 else " is no raw file"
    return frames[0].name + more

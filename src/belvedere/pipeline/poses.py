"""Poses of several exposures: put together from files before anything is decoded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from belvedere.capture.bracketed_frames import find_poses, with_poses
from belvedere.capture.found_files import file_identity, stem_key
from belvedere.capture.frame import Frame
from belvedere.capture.gather import Gathered


def in_poses(gathered: Gathered, poses: Sequence[Sequence[Path]], *, find: bool) -> Gathered:
    """What was gathered, with the exposures of each pose as one frame.

    Parameters
    ----------
    gathered : Gathered
        A file that cannot be read is missing from its pose, which goes on without it.
    poses : sequence of sequence of Path
        Files of each pose, the first gives the frame its name. Where files other than these were gathered
        (raw files in place of pictures) they are known by their names without suffix.
    find : bool
        Whether, where no poses are told, stepped exposures are looked for among the frames.
    """
    if not poses:
        found = find_poses(gathered.frames) if find else []
        return replace(gathered, frames=with_poses(gathered.frames, found)) if found else gathered
    itself = {file_identity(f.file): k for k, f in enumerate(gathered.frames)}
    named = {stem_key(f.file): k for k, f in enumerate(gathered.frames)}
    told = [[itself.get(file_identity(file), named.get(stem_key(file))) for file in pose] for pose in poses]
    known = [tuple(k for k in pose if k is not None) for pose in told]
    return replace(gathered, frames=with_poses(gathered.frames, [pose for pose in known if len(pose) > 1]))


@dataclass(frozen=True, slots=True)
class FirstExposures:
    """A set of which the first exposure of every pose is looked at.

    Parameters
    ----------
    frames : tuple of Frame
        One exposure each.
    counts : tuple of int
        How many exposures each pose has.
    """

    frames: tuple[Frame, ...]
    counts: tuple[int, ...]


def first_exposures(frames: Sequence[Frame]) -> FirstExposures:
    """The first exposures of stepped poses, where frames are such; all frames where not."""
    posed = with_poses(frames, find_poses(frames))
    return FirstExposures(
        tuple(Frame(f.exposures[:1], f.mask) for f in posed), tuple(len(f.exposures) for f in posed)
    )

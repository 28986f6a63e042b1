"""The contrast curve of each camera of a set, from a few poses that were shot with stepped exposures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from belvedere.capture.camera_curve import PairOfCodes, estimate_camera_curve
from belvedere.capture.compare_exposures import paired_codes
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.merge_bracket import is_linear, light_table, spooled
from belvedere.capture.merge_exposures import Codes
from belvedere.capture.transfer import read_transfer

POSES = 4
"""Most poses of a camera that are looked at, spread over the set; our choice."""

Body = tuple[str | None, str | None, str | None, bytes | None, int | None]
"""Make, model, serial number, and what tells the curve below: profile and colour space."""


def body_of(metadata: Metadata) -> Body:
    """What frames of one curve share."""
    return metadata.make, metadata.model, metadata.serial, metadata.profile, metadata.color_space


def poses_to_look_at(frames: Sequence[Frame]) -> dict[Body, tuple[int, ...]]:
    """Which frames tell the curve of each camera: of several exposures, not raw, spread over the set."""
    found: dict[Body, list[int]] = {}
    for k, frame in enumerate(frames):
        if len(frame.exposures) > 1 and frame.exposures[0].contrast is None:
            found.setdefault(body_of(frame.exposures[0].metadata), []).append(k)
    spread = {}
    for body, own in found.items():
        count = min(POSES, len(own))
        chosen = tuple(own[(2 * n + 1) * len(own) // (2 * count)] for n in range(count))
        if not is_linear(frames[own[0]].exposures[0]):
            spread[body] = chosen
    return spread


def estimate_contrast(
    frames: Sequence[Frame], scratch: Path, decode: Callable[[Exposure], Codes]
) -> tuple[float, ...] | None:
    """The curve of one camera from some of its poses; see `camera_curve.estimate_camera_curve`.

    Parameters
    ----------
    frames : sequence of Frame
        Of several exposures each, all of one body.
    scratch : Path
        Folder for decoded exposures, which are removed again.
    decode : callable
        Gives an exposure's codes; raises UnreadableFile.
    """
    to_linear = read_transfer(frames[0].exposures[0].metadata).to_linear
    pairs: list[PairOfCodes] = []
    for frame in frames:
        with ExitStack() as stack:
            spools, _ = spooled(frame, scratch, decode, stack)
            if len(spools) > 1:
                pairs += paired_codes(spools, light_table(to_linear, spools[0].dtype), to_linear)
    return estimate_camera_curve(pairs, to_linear)


def with_contrast(frames: Sequence[Frame], found: dict[Body, tuple[float, ...]]) -> tuple[Frame, ...]:
    """Frames whose exposures carry the curve of their camera."""
    out = []
    for frame in frames:
        contrast = found.get(body_of(frame.exposures[0].metadata))
        if contrast is None or len(frame.exposures) < 2:
            out.append(frame)
        else:
            exposures = tuple(replace(e, contrast=contrast) for e in frame.exposures)
            out.append(replace(frame, exposures=exposures))
    return tuple(out)

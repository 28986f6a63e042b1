"""What of a person's options, and of the frames' light, can change each stage's result."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from belvedere.capture.digest import file_sha256
from belvedere.capture.frame import Frame
from belvedere.pipeline.light import is_in_scene_light
from belvedere.pipeline.options import StitchOptions


def options_by_stage(options: StitchOptions, frames: Sequence[Frame]) -> dict[str, Any]:
    """For `stages.stage_keys`: plain data and frozen dataclasses by stage.

    Parameters
    ----------
    options : StitchOptions
    frames : sequence of Frame
        That can be read; their masks are hashed.
    """
    by_stage: dict[str, Any] = {
        "alignment": options.align,
        "tone": options.tone,
        "plate": [options.layout, options.resolution_share],
        "seams": [options.seams, [file_sha256(f.mask) if f.mask else None for f in frames]],
        "picture": [options.bits, options.pixels_per_inch, options.out.name],
    }
    if is_in_scene_light(frames):
        by_stage["frames"] = "scene light"
    if options.kind != "picture":
        by_stage["plate"].append(options.kind == "linear-dng")
        by_stage["picture"].append(options.kind)
    return by_stage

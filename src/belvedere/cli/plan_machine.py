"""What stitching the planned frames would take of this machine."""

from __future__ import annotations

import shutil
from pathlib import Path

from belvedere.pipeline.budget import default_ceiling
from belvedere.pipeline.scratch_estimate import estimate_scratch
from belvedere.plan.number_words import bytes_words
from belvedere.plan.shoot_plan import ShootPlan

_BITS = 16  # of a raw file, once decoded


def machine_words(plan: ShootPlan) -> tuple[str, ...]:
    """Memory and space on disk that `stitch` would take here, in sentences."""
    frame = (*plan.frame_px, _BITS)
    scratch = estimate_scratch((frame for _ in range(plan.frames)), plan.width_px * plan.height_px)
    free = shutil.disk_usage(Path.cwd()).free
    needed = scratch.work_bytes + scratch.picture_bytes
    text = (
        f"Stitched here, from raw files: about {bytes_words(scratch.work_bytes)} in the work folder "
        f"meanwhile, and {bytes_words(scratch.picture_bytes)} for the picture; {bytes_words(free)} are free "
        "on this disk."
    )
    if needed > free:
        text += " That is too little: give `stitch` a work folder on another disk."
    return (text, f"Memory stays within {bytes_words(default_ceiling())}, or what --memory of `stitch` says.")

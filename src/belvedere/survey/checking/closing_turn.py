"""Whether a full turn with a gap would close without it, were the focal length as tagged."""

from __future__ import annotations

import math
from collections.abc import Sequence

from belvedere.capture.frame import Frame
from belvedere.optics.focal import best_focal, focal_candidates
from belvedere.survey.checking.head_grid import HeadGrid
from belvedere.survey.checking.neighbours import SharedStep

_AGREES = 0.03  # relative, of a focal length; an engraved one is within 2 % (common practice, no source)
_WHOLE_TURN = 1e-6  # rad


def closes_by_tag(frames: Sequence[Frame], grid: HeadGrid, shared: SharedStep) -> float | None:
    """What two frames at a gap would share if the tags were right and the turn went on in its usual step.

    Where details were matched nowhere in it, the gap is what the frames all round leave over; a focal length
    found too long makes all their steps too small, and the sum of it looks like a missing frame.

    Returns
    -------
    float or None
        Share of a frame; None where the gap is not the only one of a full turn, or the turn does not close
        with the tagged focal length in usual steps, or the pictures bear the tag out.
    """
    row = grid.rows[shared.step.row]
    total = math.fsum(step.turn for step in row.steps)
    gaps = sum(step.missing > 0 for step in row.steps)
    if gaps != 1 or abs(total - 2.0 * math.pi) > _WHOLE_TURN or not math.isfinite(row.step):
        return None
    metadata, camera = frames[shared.a].metadata, grid.cameras[shared.a]
    tagged = best_focal(
        focal_candidates(
            metadata.stored_width,
            metadata.stored_height,
            focal_mm=metadata.focal_mm,
            focal_35mm=metadata.focal_35mm,
            focal_plane_px_per_mm=metadata.focal_plane_px_per_mm,
        )
    )
    if tagged is None or not math.isfinite(tagged.sigma):
        return None
    wider = 2.0 * math.pi / (total - shared.step.turn + row.step)  # every step, were the gap a usual one
    meant = camera.focal_px / wider
    off = abs(math.log(camera.focal_px / tagged.focal_px))
    if abs(math.log(meant / tagged.focal_px)) > _AGREES or off < _AGREES:
        return None
    share = 1.0 - 2.0 * math.tan(wider * row.step / 2.0) * meant / camera.width
    return share if share > 0.0 else None

"""What is said of the photographer's word once the frames are placed: where it could not be followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from belvedere.align.alignment import Alignment
from belvedere.align.hand_ties import misses_by_hand
from belvedere.align.said import Said

_MISSES = 5.0  # px by which a tie point set by hand may miss; common practice, no published source


def with_answer(alignment: Alignment, said: Said, names: Sequence[str]) -> Alignment:
    """The alignment, with a doubt where tie points set by hand miss, and a reason where a frame was not kept.

    Parameters
    ----------
    names : sequence of str
        Names of the frames, for the sentences.
    """
    frames = list(alignment.frames)
    for ties in said.ties:
        a, b = frames[ties.a].camera, frames[ties.b].camera
        if a is None or b is None:
            continue
        miss = misses_by_hand(ties, a, b).max()
        if miss > _MISSES:
            by = f"by up to {miss:.0f} px" if miss < float("inf") else "altogether"
            for me, other in ((ties.a, ties.b), (ties.b, ties.a)):
                doubt = f"the tie points set by hand between it and {names[other]} miss one another {by}"
                frames[me] = replace(frames[me], doubt=doubt)
    for i in sorted(said.keep - said.left_out):
        if not frames[i].used:
            remedy = "to keep it, set two or more tie points by hand"
            frames[i] = replace(frames[i], reason=f"{frames[i].reason}; {remedy}")
    return replace(alignment, frames=tuple(frames))

"""Whether the people who walked through a set show whole in the picture or not at all, counted by truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from belvedere.demo.walkers import walker_mask
from benchmarks.picture_made import Made

_LEAST_PX = 20  # of a figure on a frame
_SHARE = 0.005  # of a figure's pixels may lie on the other side of a seam that runs along its outline


@dataclass(frozen=True, slots=True)
class Counted:
    """Appearances of walkers in frames: shown whole, hidden, cut; and which ones are cut."""

    whole: int
    hidden: int
    cut: int
    which: tuple[str, ...]


def count_walkers(made: Made) -> Counted:
    """Count, for every frame, whether the picture takes a walker's own pixels from it.

    Whose pixels they are, the demo tells by its own drawing (`walker_mask`); to which place of the plate
    they belong, the solved cameras. A figure that the frame's border cuts must not be shown at all.
    """
    whole = hidden = 0
    which = []
    for i, camera in made.cameras.items():
        mask = walker_mask(made.truth.frames[i])
        for walker in made.truth.frames[i].walkers:
            v, u = np.nonzero(mask == walker.walker + 1)
            if len(u) < _LEAST_PX:
                continue
            points = made.plate.points(camera.rays(np.stack([u, v], axis=-1).astype(np.float64)))
            at = np.rint(points).astype(int)
            x0, y0 = np.maximum(at.min(axis=0), 0)
            x1, y1 = np.minimum(at.max(axis=0) + 1, [made.plate.width, made.plate.height])
            inside = ((at >= [x0, y0]) & (at < [x1, y1])).all(axis=1)
            own = made.owners(x0, y0, x1 - x0, y1 - y0)
            taken = np.zeros(len(at), dtype=bool)
            taken[inside] = own[at[inside, 1] - y0, at[inside, 0] - x0] == i
            share = float(taken.mean())
            if share <= _SHARE:
                hidden += 1
            elif share >= 1.0 - _SHARE and walker.whole:
                whole += 1
            else:
                at_border = "" if walker.whole else ", at the border"
                which.append(f"walker {walker.walker} in frame {i}: {100 * share:.0f} % shown{at_border}")
    return Counted(whole, hidden, len(which), tuple(which))

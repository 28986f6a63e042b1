"""What a person should know of the tone, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from belvedere.tone.groups import Groups
from belvedere.tone.samples import PairSamples
from belvedere.tone.solve import Unknowns

_GAIN_EV = 0.15  # further from the exposure settings than this is worth a word
_WHITE_EV = 0.1  # a white balance further from the set's usual one than this is worth a word
_STEP_EV = 0.05  # a step left in an overlap larger than this is worth a word
_NAMED = 4  # frames named one by one at most


def tone_notices(
    names: Sequence[str],
    groups: Groups,
    samples: PairSamples,
    unknowns: Unknowns,
    steps: Sequence[tuple[int, int, float]],
    with_curve: Sequence[bool],
    *,
    scene_light: bool = False,
) -> tuple[str, ...]:
    """Sentences on gains against settings, white balance, frames nothing connects, steps left, curves.

    In scene light no camera balanced white: where it differs, the light itself did.
    """
    own = [names[i] for i in groups.used]
    out: list[str] = []
    out += _gain_notices(own, groups, unknowns)
    white = unknowns.white - np.median(unknowns.white, axis=0) if own else unknowns.white
    changed = np.flatnonzero(np.abs(white).max(axis=1, initial=0.0) > _WHITE_EV)
    if changed.size:
        worst = float(np.abs(white).max())
        what = "colour of the light" if scene_light else "white balance"
        out.append(
            f"the {what} of {_listed([own[i] for i in changed])} differs from the other frames' "
            f"(red or blue by up to {worst:.2f} EV); it was evened out"
        )
    if len(own) > 1:
        met = np.zeros(len(own), dtype=bool)
        met[samples.a], met[samples.b] = True, True
        alone = [own[i] for i in np.flatnonzero(~met)]
        if alone:
            known = bool(np.isfinite(groups.exposure_ev).any())
            source = "the exposure settings" if known else "the other frames' mean"
            out.append(
                f"{_listed(alone)}: no usable common light with another frame (clipped, too dark or too "
                f"little overlap); brightness was taken from {source}"
            )
        for part in _apart(len(own), samples):
            known = bool(np.isfinite(groups.exposure_ev[part]).all())
            source = "the exposure settings" if known else "the mean of either"
            out.append(
                f"{_listed([own[i] for i in part])}: no common light with the rest; how bright they are "
                f"against it was taken from {source}"
            )
    left = sorted((s for s in steps if abs(s[2]) > _STEP_EV), key=lambda s: -abs(s[2]))
    if left:
        a, b, ev = left[0]
        more = f" and {len(left) - 1} more pairs" if len(left) > 1 else ""
        out.append(
            f"{names[a]} and {names[b]}{more} still differ in brightness where they overlap, by "
            f"{abs(ev):.2f} EV at worst: something there moved or changed its light"
        )
    if any(with_curve):
        out.append("the camera's own contrast curve was estimated from the overlaps and undone")
    return tuple(out)


def _gain_notices(own: Sequence[str], groups: Groups, unknowns: Unknowns) -> list[str]:
    """One sentence where gains contradict what the settings say."""
    off = gain_off_settings(groups, unknowns)
    strange = [int(i) for i in np.flatnonzero(np.abs(np.nan_to_num(off)) > _GAIN_EV)]
    if not strange:
        return []
    if len(strange) <= _NAMED:
        parts = [
            f"{own[i]} is {abs(off[i]):.1f} EV {'brighter' if off[i] > 0 else 'darker'}" for i in strange
        ]
        return [f"{', '.join(parts)} than the exposure settings say; it was evened out"]
    worst = int(np.nanargmax(np.abs(off)))
    return [
        f"{len(strange)} of {len(own)} frames are brighter or darker than their exposure settings say, "
        f"{own[worst]} by {abs(off[worst]):.1f} EV; they were evened out"
    ]


def gain_off_settings(groups: Groups, unknowns: Unknowns) -> NDArray[np.float64]:
    """Each used frame's gain over what its settings say, EV, about its body's median; NaN where unknown."""
    off = unknowns.gain - groups.exposure_ev
    for body in np.unique(groups.body):
        mine = (groups.body == body) & np.isfinite(off)
        if mine.any():
            off[mine] -= np.median(off[mine])
    return np.asarray(off)


def _apart(count: int, samples: PairSamples) -> list[NDArray[np.int64]]:
    """Groups of two frames or more that have no light in common with the largest group, in frame order."""
    met = coo_matrix((np.ones(len(samples.a)), (samples.a, samples.b)), shape=(count, count))
    number, label = connected_components(met, directed=False)
    size = np.bincount(label, minlength=number)
    return [np.flatnonzero(label == k) for k in range(number) if size[k] > 1 and k != int(np.argmax(size))]


def _listed(names: Sequence[str]) -> str:
    """Names joined for reading, the rest counted."""
    if len(names) <= _NAMED:
        return ", ".join(names)
    return f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"

"""Which frames share a vignetting and a response, and what their exposure settings say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.capture.frame import Frame
from belvedere.capture.lens_shown import shown_by
from belvedere.optics.lens_fit import FallFit
from belvedere.optics.lens_list import Shown


@dataclass(frozen=True, slots=True)
class Groups:
    """Sharing among the used frames, by place in `used`.

    Parameters
    ----------
    used : tuple of int
        Frame indices.
    vignetting : ndarray of int64, shape (n,)
        Vignetting group of each used frame: lens group and aperture.
    body : ndarray of int64, shape (n,)
        Body of each used frame: what makes the constant in its exposure settings its own.
    response : ndarray of int64, shape (n,)
        Response of each used frame: body and transfer.
    exposure_ev : ndarray of shape (n,), float64
        log2 of the light the settings gather, mean 0 over frames that have them; NaN where unknown.
    fall : ndarray of shape (groups, 3)
        Where each vignetting group starts from.
    """

    used: tuple[int, ...]
    vignetting: NDArray[np.int64]
    body: NDArray[np.int64]
    response: NDArray[np.int64]
    exposure_ev: NDArray[np.float64]
    fall: NDArray[np.float64]


def group_tone(
    frames: Sequence[Frame],
    alignment: Alignment,
    tables: Sequence[NDArray[np.float32]],
    lens_starts: Sequence[tuple[Shown, FallFit]] = (),
) -> Groups:
    """Sort the used frames; groups are numbered in order of first appearance.

    Vignetting starts at none where `lens_starts` knows nothing of a group's first frame.
    """
    known_lenses = dict(lens_starts)
    used = alignment.used
    metadata = [frames[i].metadata for i in used]
    bodies = [(m.make, m.model, m.serial) for m in metadata]
    lenses = [(alignment.frames[i].lens, m.f_number) for i, m in zip(used, metadata, strict=True)]
    responses = [(body, tables[i].tobytes()) for body, i in zip(bodies, used, strict=True)]
    known = [m.exposure_ev for m in metadata]
    # An exposure without an f-number cannot be set beside one that has it: the commoner kind counts.
    with_stop = [m.f_number is not None for m, ev in zip(metadata, known, strict=True) if ev is not None]
    stops_count = 2 * sum(with_stop) >= len(with_stop)
    ev = np.array(
        [
            v if v is not None and (m.f_number is not None) == stops_count else np.nan
            for m, v in zip(metadata, known, strict=True)
        ],
        dtype=np.float64,
    )
    if np.isfinite(ev).any():
        ev -= np.nanmean(ev)
    vignetting = _numbered(lenses)
    fall = np.zeros((int(vignetting.max(initial=-1)) + 1, 3))
    for g in range(len(fall)):
        start = known_lenses.get(shown_by(metadata[int(np.argmax(vignetting == g))], with_stop=True))
        if start is not None:
            fall[g] = start.coefficients
    return Groups(used, vignetting, _numbered(bodies), _numbered(responses), ev, fall)


def _numbered(keys: Sequence[Any]) -> NDArray[np.int64]:
    """The number of each key, counted in order of first appearance."""
    numbers: dict[Any, int] = {}
    return np.array([numbers.setdefault(k, len(numbers)) for k in keys], dtype=np.int64)

"""What the exposures of one pose have to do with each other: which show the same, how far they are moved and
stepped, how noisy they are. Measured in bands of rows spread over the frame."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.camera_curve import PairOfCodes
from belvedere.capture.exposure_noise import USUAL_READ, NoiseModel, PairedLight, estimate_noise
from belvedere.capture.exposure_shift import Shift, measure_shift
from belvedere.capture.exposure_steps import Step, measure_step
from belvedere.capture.merge_exposures import fade, neighbourhood
from belvedere.capture.moved_regions import BLOCK_PX, Squares, squares_of
from belvedere.capture.spooled_codes import SpooledCodes

OTHER_SCENE = "shows something else than the other exposures of its pose, so it is not merged with them"

_BAND_ROWS, _BANDS = 256, 3
_MOST_PIXELS = 300_000  # that tell noise, of a pair
_MOST_SQUARES = 200_000  # that tell a step
_FEWEST_SQUARES = 40  # that tell whether two show the same
_DARKEST = 0.004
_APART_EV, _APART_SHARE = 0.15, 0.6  # median deviations from which two do not show the same
_WHOLE_SHIFT_PX = 0.5
_EDGES = 0.95  # quantile
_CLIPPED = 0.985  # of the codes: white, as in the tone room
_SURE_PX = 0.1  # one sigma of a shift that was measured
_SMOOTH_SHARE = 0.5  # of the squares, those of least gradient, tell noise
_MOST_FACTOR = float(BLOCK_PX**2)


@dataclass(frozen=True, slots=True)
class Compared:
    """What was found; exposures are numbered as they were given.

    Parameters
    ----------
    order : tuple of int
        Exposures that show the same, from less to more light.
    exposures : dict of int to ndarray of shape (3,)
        Light each of them took in r, g, b; green of the first is 1.
    noise : dict of int to NoiseModel
        Each at its own sensitivity.
    offsets : dict of int to (int, int)
        Whole px by which a detail lies further right and lower than in the first.
    why_not : dict of int to str
        Exposures that are left out.
    wrong_settings : frozenset of int
        Exposures whose settings the pixels contradict.
    bent_ev : float
        See `exposure_steps.Step`, of the pair where it is largest.
    shift_px, left_px, sigma_px : float
        Largest shift against the first; what is left after whole px; one sigma of where details lie.
    """

    order: tuple[int, ...]
    exposures: dict[int, NDArray[np.float64]]
    noise: dict[int, NoiseModel]
    offsets: dict[int, tuple[int, int]]
    why_not: dict[int, str]
    wrong_settings: frozenset[int] = frozenset()
    bent_ev: float = 0.0
    shift_px: float = 0.0
    left_px: float = 0.0
    sigma_px: float = _SURE_PX


def compare_exposures(
    spools: Sequence[SpooledCodes],
    light_of_codes: NDArray[np.float32],
    quantisation: NDArray[np.float64],
    *,
    balance: bool = False,
) -> Compared:
    """Compare exposures of one pose.

    Parameters
    ----------
    spools : sequence of SpooledCodes
        One or more, of one size and depth.
    light_of_codes, quantisation : ndarray
        See `merge_exposures`.
    balance : bool
        Whether their white balance may differ.
    """
    bands = _Bands(spools, light_of_codes)
    by_light = sorted(range(len(spools)), key=lambda k: (_told(spools, k), bands.mean(k), k))
    groups: list[list[_Link]] = []
    for k in by_light:
        for group in groups:
            link = _linked(bands, group[-1].exposure, k, group[-1].at, balance)
            if link is not None:
                group.append(link)
                break
        else:
            groups.append([_Link(k)])
    chain = max(groups, key=lambda g: (len(g), any(spools[link.exposure].number == 0 for link in g)))
    why_not = {link.exposure: OTHER_SCENE for group in groups if group is not chain for link in group}
    return _chained(chain, bands, quantisation, why_not)


def _told(spools: Sequence[SpooledCodes], k: int) -> float:
    """Stops by the settings, where all tell them: what comes first in the order."""
    told = [s.ev for s in spools if s.ev is not None]
    return told[k] if len(told) == len(spools) else 0.0


@dataclass(frozen=True, slots=True)
class _Link:
    """An exposure, how it stands to the one before it in its chain, and where it lies, px."""

    exposure: int
    before: int | None = None
    step: Step | None = None
    at: tuple[float, float] = (0.0, 0.0)
    sigma_px: float = 0.0


def _linked(bands: _Bands, shorter: int, longer: int, at: tuple[float, float], balance: bool) -> _Link | None:
    """The longer exposure as it stands to the shorter, which lies at `at`; None if they show two scenes."""
    told = bands.spools[longer].ev, bands.spools[shorter].ev
    settings = told[0] - told[1] if told[0] is not None and told[1] is not None else None
    offset = _whole(at)
    a, b = bands.squares(longer, offset), bands.squares(shorter, offset)
    first = _step(a, b, settings, False)
    ratio = 2.0 ** first.ev[1]
    noise_light = 4.0 * math.sqrt(USUAL_READ) * max(ratio, 1.0)
    back = measure_shift(bands.green(longer, offset), bands.green(shorter, offset), ratio, noise_light)
    found = Shift(-back.x, -back.y, back.scatter_px)
    here = _moved_to(offset, found) if found.is_known else at
    if _whole(here) != offset:
        moved = bands.squares(longer, _whole(here))
        # A scene that repeats, fading, looks the same moved by its period at another step.
        repeats = _step(moved, b, settings, False).settings_are_wrong and not first.settings_are_wrong
        if repeats or _unlike(moved, b) >= _unlike(a, b):
            here, found = at, Shift()
        else:
            a = moved
    if not _shows_the_same(a, b):
        return None
    return _Link(
        longer, shorter, _step(a, b, settings, balance), here, found.scatter_px if found.is_known else 0.0
    )


def _moved_to(offset: tuple[int, int], found: Shift) -> tuple[float, float]:
    return offset[0] + found.x, offset[1] + found.y


def _whole(at: tuple[float, float]) -> tuple[int, int]:
    """Whole px; what is moved less than half a px is left where it is."""
    return (round(at[0]) if abs(at[0]) >= _WHOLE_SHIFT_PX else 0), (
        round(at[1]) if abs(at[1]) >= _WHOLE_SHIFT_PX else 0
    )


def _step(longer: Squares, shorter: Squares, settings_ev: float | None, balance: bool) -> Step:
    fit = (longer.unclipped > 0.99) & (shorter.unclipped > 0.99)
    a, b = longer.light[fit], shorter.light[fit]
    every = max(1, -(-len(a) // _MOST_SQUARES))
    return measure_step(a[::every], b[::every], settings_ev, balance=balance)


def _shows_the_same(a: Squares, b: Squares) -> bool:
    """Whether light goes up and down alike; also where too little can be compared, or all is even."""
    fit = (a.unclipped > 0.99) & (b.unclipped > 0.99)
    fit &= np.minimum(a.light[..., 1], b.light[..., 1]) > _DARKEST
    if np.count_nonzero(fit) < _FEWEST_SQUARES:
        return True
    one, other = np.log2(a.light[fit][:, 1]), np.log2(b.light[fit][:, 1])
    apart, own = _deviation(one - other), max(_deviation(one), _deviation(other))
    return bool(apart < _APART_EV or apart < _APART_SHARE * own)


def _unlike(a: Squares, b: Squares) -> float:
    """How far two lie apart where they lie far apart, EV: what edges show that do not meet."""
    fit = (a.unclipped > 0.99) & (b.unclipped > 0.99)
    fit &= np.minimum(a.light[..., 1], b.light[..., 1]) > _DARKEST
    if not fit.any():
        return 0.0
    off = np.log2(a.light[fit][:, 1] / b.light[fit][:, 1])
    return float(np.quantile(np.abs(off - np.median(off)), _EDGES))


def _deviation(values: NDArray[np.floating]) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _chained(
    chain: Sequence[_Link], bands: _Bands, quantisation: NDArray[np.float64], why_not: dict[int, str]
) -> Compared:
    """The exposures of a chain on one scale."""
    ev = {chain[0].exposure: np.zeros(3)}
    at = {link.exposure: link.at for link in chain}
    wrong: set[int] = set()
    bent = 0.0
    for link in chain[1:]:
        assert link.before is not None
        assert link.step is not None
        ev[link.exposure] = ev[link.before] + np.array(link.step.ev)
        if link.step.settings_are_wrong:
            wrong.add(link.exposure)
        if abs(link.step.by_brightness_ev) > abs(bent):
            bent = link.step.by_brightness_ev
    order = tuple(sorted(ev, key=lambda k: (ev[k][1], k)))
    first = order[0]
    offsets = {k: _whole((at[k][0] - at[first][0], at[k][1] - at[first][1])) for k in order}
    rest = [
        math.hypot(at[k][0] - at[first][0] - offsets[k][0], at[k][1] - at[first][1] - offsets[k][1])
        for k in order
    ]
    exposures = {k: np.exp2(ev[k] - ev[first][1]) for k in order}
    left = max(rest)
    sensitivities = {k: _sensitivity(bands.spools, k, first) for k in order}
    base = _noise(order, exposures, offsets, sensitivities, bands, quantisation)
    return Compared(
        order=order,
        exposures=exposures,
        noise={k: base.at_sensitivity(sensitivities[k]) for k in order},
        offsets=offsets,
        why_not=why_not,
        wrong_settings=frozenset(wrong),
        bent_ev=bent,
        shift_px=max(math.hypot(at[k][0] - at[first][0], at[k][1] - at[first][1]) for k in order),
        left_px=left,
        sigma_px=math.hypot(_SURE_PX, 0.5 * left),
    )


def _sensitivity(spools: Sequence[SpooledCodes], k: int, first: int) -> float:
    a, b = spools[k].iso, spools[first].iso
    return a / b if a and b else 1.0


def _noise(
    order: Sequence[int],
    exposures: dict[int, NDArray[np.float64]],
    offsets: dict[int, tuple[int, int]],
    sensitivities: dict[int, float],
    bands: _Bands,
    quantisation: NDArray[np.float64],
) -> NoiseModel:
    """The model at the first's sensitivity."""
    pairs, squares = [], []
    for shorter, longer in itertools.pairwise(order):
        a, b = bands.squares(longer, offsets[longer]), bands.squares(shorter, offsets[shorter])
        smooth = _smooth(a, b)
        ratio = float(exposures[longer][1] / exposures[shorter][1])
        sensitivity = sensitivities[longer], sensitivities[shorter]
        y, x = bands.pixels(longer, offsets[longer], smooth), bands.pixels(shorter, offsets[shorter], smooth)
        x = x * (exposures[longer] / exposures[shorter] / ratio).astype(np.float32)  # balance
        pairs.append(PairedLight(y, x, ratio, sensitivity))
        means = PairedLight(a.light[smooth], b.light[smooth], ratio, sensitivity)
        squares.append(means)
    model = estimate_noise(pairs, quantisation)
    return replace(model, block_factor=_block_factor(squares, model)) if model.measured else model


def _smooth(a: Squares, b: Squares) -> NDArray[np.bool_]:
    """Squares free of white, of least gradient for their light."""
    fit: NDArray[np.bool_] = (a.unclipped > 0.99) & (b.unclipped > 0.99) & (b.light.min(axis=-1) > 0.0)
    if not fit.any():
        return fit
    steep = a.gradient / np.maximum(a.light[..., 1], 1e-4)
    return np.asarray(fit & (steep <= np.quantile(steep[fit], _SMOOTH_SHARE)))


def _block_factor(squares: Sequence[PairedLight], model: NoiseModel) -> float:
    """How much the means of squares scatter over what single px would let expect, as variance."""
    spreads = []
    for pair in squares:
        r = pair.ratio
        long_model, short_model = (model.at_sensitivity(s) for s in pair.sensitivity)
        for c in range(3):
            y = 0.5 * (pair.longer[:, c].astype(np.float64) + r * pair.shorter[:, c])
            variance = long_model.photon[c] * y + long_model.read[c]
            variance += r * r * (short_model.photon[c] * y / r + short_model.read[c])
            if y.size >= _FEWEST_SQUARES:
                off = (pair.longer[:, c] - r * pair.shorter[:, c]) / np.sqrt(variance / BLOCK_PX**2)
                spreads.append((1.4826 * _deviation(off)) ** 2)
    return float(np.clip(np.median(spreads), 1.0, _MOST_FACTOR)) if spreads else 1.0


def paired_codes(
    spools: Sequence[SpooledCodes], light_of_codes: NDArray[np.float32], to_linear: NDArray[np.float32]
) -> list[PairOfCodes]:
    """Codes of the same even places of neighbouring exposures, for `camera_curve`; none without settings.

    Parameters
    ----------
    spools : sequence of SpooledCodes
    light_of_codes : ndarray
        By the profile's curve.
    to_linear : ndarray of shape (1025,)
        That curve.
    """
    if any(spool.ev is None for spool in spools):
        return []
    below_white = (np.arange(light_of_codes.size) < _CLIPPED * light_of_codes.size).astype(np.float32)
    bands = _Bands(spools, light_of_codes, below_white)
    order = sorted(range(len(spools)), key=lambda k: (spools[k].ev or 0.0, k))
    knots, table = np.linspace(0.0, 1.0, to_linear.size), np.maximum.accumulate(to_linear.astype(np.float64))
    pairs = []
    offset = (0, 0)
    for shorter, longer in itertools.pairwise(order):
        step = (spools[longer].ev or 0.0) - (spools[shorter].ev or 0.0)
        noise_light = 4.0 * math.sqrt(USUAL_READ) * max(2.0**step, 1.0)
        back = measure_shift(
            bands.green(longer, offset), bands.green(shorter, offset), 2.0**step, noise_light
        )
        b = bands.squares(shorter, offset)
        if back.is_known:
            offset = _whole((offset[0] - back.x, offset[1] - back.y))
        a = bands.squares(longer, offset)
        smooth = _smooth(a, b)
        codes = [np.interp(s.light[smooth][:, 1].astype(np.float64), table, knots) for s in (a, b)]
        pairs.append(PairOfCodes(codes[0], codes[1], step))
    return pairs


class _Bands:
    """Bands of rows of the exposures, the same in all."""

    def __init__(
        self,
        spools: Sequence[SpooledCodes],
        light_of_codes: NDArray[np.float32],
        say: NDArray[np.float32] | None = None,
    ) -> None:
        self.spools = spools
        self._light = light_of_codes
        self._say = fade(light_of_codes) if say is None else say
        self._rows = _band_rows(spools[0].shape[0])

    def _codes(self, k: int, offset: tuple[int, int]) -> list[NDArray[np.uint8] | NDArray[np.uint16]]:
        return [self.spools[k].rows(y0, y1, offset) for y0, y1 in self._rows]

    def mean(self, k: int) -> float:
        """Mean light of the bands."""
        return float(
            np.mean([self._light[codes[::4, ::4]].mean(dtype=np.float64) for codes in self._codes(k, (0, 0))])
        )

    def green(self, k: int, offset: tuple[int, int]) -> NDArray[np.float32]:
        """Green light, (bands, rows, width)."""
        return np.stack([self._light[codes[..., 1]] for codes in self._codes(k, offset)])

    def squares(self, k: int, offset: tuple[int, int]) -> Squares:
        """Squares of all bands, one below the other."""
        found = []
        for codes in self._codes(k, offset):
            found.append(squares_of(self._light[codes], self._say[neighbourhood(codes)]))
        return Squares(
            np.concatenate([s.light for s in found]),
            np.concatenate([s.gradient for s in found]),
            np.concatenate([s.unclipped for s in found]),
        )

    def pixels(self, k: int, offset: tuple[int, int], squares: NDArray[np.bool_]) -> NDArray[np.float32]:
        """Light of the px of some squares, (n, 3), thinned evenly."""
        out = []
        first = 0
        every = max(1, -(-int(squares.sum()) * BLOCK_PX**2 // _MOST_PIXELS))
        for codes in self._codes(k, offset):
            rows, columns = codes.shape[0] // BLOCK_PX, codes.shape[1] // BLOCK_PX
            own = squares[first : first + rows]
            first += rows
            whole = codes[: rows * BLOCK_PX, : columns * BLOCK_PX]
            picked = whole.reshape(rows, BLOCK_PX, columns, BLOCK_PX, 3).transpose(0, 2, 1, 3, 4)[own]
            out.append(self._light[picked.reshape(-1, 3)])
        return np.concatenate(out)[::every]


def _band_rows(height: int) -> list[tuple[int, int]]:
    """Bands spread over the height; all of it where it is small."""
    usable = height - height % BLOCK_PX or height
    if height <= _BAND_ROWS * _BANDS:
        return [(0, usable)]
    room = height - _BAND_ROWS
    return [(y, y + _BAND_ROWS) for y in (room * (2 * n + 1) // (2 * _BANDS) for n in range(_BANDS))]

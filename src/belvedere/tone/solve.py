"""Gain, white balance, vignetting and response in one robust adjustment of log2 light.

What frame b shows over frame a in one direction and channel should be
(gain_b + wb_b - gain_a - wb_a) + log2 V_b(q_b) - log2 V_a(q_a) - (curve_b(c_b) - curve_a(c_a)), all log2.
Gauss-Newton with weights renewed at every step; a direction's three channels are believed or doubted
together (Tukey's biweight; A. E. Beaton, J. W. Tukey, Technometrics 16 (1974)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import splu

from belvedere.capture.response_curve import PARAMETERS, add_at_codes, at_codes, curve_prior, curve_table
from belvedere.tone.groups import Groups
from belvedere.tone.medians import medians
from belvedere.tone.samples import PairSamples
from belvedere.tone.vignetting import LEAST_SHARE, relative_illumination

_PAIR_EV = 0.003  # what any pair may be wrong by however many samples it has
_WHITE_EV = 0.01  # prior scale (Cauchy) of a frame's white balance about 1
_SETTINGS_EV = 0.05  # prior scale (Cauchy) of gain about the exposure settings
_UNKNOWN_EV = 1.0  # prior sigma of gain where the settings are unknown
_BODY_EV = 0.5  # prior sigma of the constant of one body's settings
_VIGNETTING = (0.5, 0.5, 0.5)  # prior sigmas of (a1, a2, a3) about where they start
_ROUNDS = 30
_GENTLE_ROUNDS = 5  # with Cauchy weights, before Tukey's
_DENSE = 1500  # unknowns up to which the normal equations are solved as a full matrix

LN2 = math.log(2.0)


@dataclass(frozen=True, slots=True)
class Unknowns:
    """What is solved for; gains and white balance in log2, about no particular zero until `centred`.

    Parameters
    ----------
    gain : ndarray of shape (n,)
    white : ndarray of shape (n, 2)
        Of red and blue; green is 0.
    body : ndarray of shape (bodies,)
        Constant of each body's exposure settings.
    vignetting : ndarray of shape (groups, 3)
    curve : ndarray of shape (responses, PARAMETERS)
    """

    gain: NDArray[np.float64]
    white: NDArray[np.float64]
    body: NDArray[np.float64]
    vignetting: NDArray[np.float64]
    curve: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Solution:
    """The unknowns, what they leave (3, n) (EV, b over a), and the belief (n,), 0 to 1, in each direction."""

    unknowns: Unknowns
    residual: NDArray[np.float64]
    belief: NDArray[np.float64]
    rounds: int


def solve_tone(
    samples: PairSamples,
    groups: Groups,
    tables: list[NDArray[np.float32]],
    *,
    with_curve: tuple[bool, ...],
    powers: tuple[float, ...] = (),
    stiffness: float = 1.0,
) -> Solution:
    """Adjust all unknowns to the samples and the priors.

    Parameters
    ----------
    samples : PairSamples
        With `a`, `b` as places in `groups.used`.
    tables : list of ndarray of shape (1025,)
        One code-to-light table for each response.
    with_curve : tuple of bool
        For each response, whether its curve is estimated.
    powers : tuple of float
        For each response, the power (see `response.power_row`) its curve is held at; () is 0 for all.
    stiffness : float
        Factor on the precision of the curves' priors.
    """
    system = _System(samples, groups, tables, with_curve, powers or (0.0,) * len(tables), stiffness)
    unknowns = system.start()
    residual = system.residual(unknowns)
    unknowns = system.frommedians(unknowns, residual)
    belief = np.ones(samples.q_a.size)
    rounds = 0
    for rounds in range(1, _ROUNDS + 1):
        residual = system.residual(unknowns)
        weight, belief = system.weights(residual, gentle=rounds <= _GENTLE_ROUNDS)
        new = system.step(unknowns, residual, weight)
        moved = max(
            float(np.max(np.abs(new.gain - unknowns.gain), initial=0.0)),
            float(np.max(np.abs(new.white - unknowns.white), initial=0.0)),
            float(np.max(np.abs(new.vignetting - unknowns.vignetting), initial=0.0)) / 10.0,
            float(np.max(np.abs(new.curve - unknowns.curve), initial=0.0)) / 10.0,
        )
        unknowns = new
        if rounds > _GENTLE_ROUNDS + 1 and moved < 2e-5:
            break
    return Solution(unknowns, system.residual(unknowns), belief, rounds)


class _System:
    """The normal equations of one problem: what does not change from step to step is made once."""

    def __init__(
        self,
        samples: PairSamples,
        groups: Groups,
        tables: list[NDArray[np.float32]],
        with_curve: tuple[bool, ...],
        powers: tuple[float, ...],
        stiffness: float,
    ) -> None:
        self.samples, self.groups = samples, groups
        self.frames = len(groups.used)
        self.bodies = int(groups.body.max(initial=-1)) + 1
        self.lenses = int(groups.vignetting.max(initial=-1)) + 1
        self.pair_of = samples.pair_of
        self.lens_a = groups.vignetting[samples.a][self.pair_of] if samples.a.size else np.zeros(0, np.int64)
        self.lens_b = groups.vignetting[samples.b][self.pair_of] if samples.a.size else np.zeros(0, np.int64)
        self.curves = tuple(i for i, w in enumerate(with_curve) if w)
        self.responses = len(with_curve)
        self.curve_prior = np.zeros((len(self.curves) * PARAMETERS,) * 2)
        self.curve_pull = np.zeros(len(self.curves) * PARAMETERS)
        for place, response in enumerate(self.curves):
            own = slice(place * PARAMETERS, (place + 1) * PARAMETERS)
            self.curve_prior[own, own], self.curve_pull[own] = curve_prior(
                tables[response], powers[response], stiffness
            )
        self.tables = tables

    def light(self, unknowns: Unknowns) -> NDArray[np.float64]:
        """log2 light (responses, 1025) at codes 0, 1/1024, ..., 1 by the present curves."""
        with np.errstate(divide="ignore"):
            plain = np.log2(np.maximum(np.stack(self.tables).astype(np.float64), 1e-12))
        return np.asarray(plain + unknowns.curve @ curve_table().T)

    def _curve_step(self, unknowns: Unknowns) -> NDArray[np.float64]:
        """Part (3, n) of the observed step that the curves take away."""
        s = self.samples
        out = np.zeros_like(s.step)
        table = curve_table()
        for response in self.curves:
            bend = np.ascontiguousarray(table @ unknowns.curve[response][:, None])
            for frame, codes, sign in ((s.a, s.code_a, 1.0), (s.b, s.code_b, -1.0)):
                factor = np.where(self.groups.response[frame] == response, sign, 0.0)[self.pair_of]
                for k in range(3):
                    add_at_codes(bend, codes[k], factor, out[k][:, None])
        return out

    def _curve_rows(self, unknowns: Unknowns, residual: NDArray[np.float64], k: int) -> NDArray[np.float64]:
        """Derivatives (n, curves * PARAMETERS) of channel k's expected step by the curve parameters.

        They are taken at the codes both frames should show, not at those they do: derivatives at noisy
        codes go with the noise of the residuals and pull every curve towards one that sees no differences
        (errors in variables; W. A. Fuller, Measurement Error Models (1987), 1.1).
        """
        s = self.samples
        if not self.curves:
            return np.zeros((s.q_a.size, 0))
        rows = np.zeros((len(self.curves), s.q_a.size, PARAMETERS))
        table, light = curve_table(), self.light(unknowns)
        for frame, codes, sign in ((s.a, s.code_a, 1.0), (s.b, s.code_b, -1.0)):
            own = self.groups.response[frame][self.pair_of]
            for place, response in enumerate(self.curves):
                factor = np.where(own == response, sign, 0.0)
                slope = np.maximum(np.gradient(light[response], 1.0 / 1024.0), 0.5)
                expected = codes[k] + 0.5 * sign * residual[k] / at_codes(slope[:, None], codes[k])[:, 0]
                add_at_codes(table, expected, factor, rows[place])
        return np.concatenate(list(rows), axis=1)

    def start(self) -> Unknowns:
        """Exposure settings, the groups' own start of vignetting, the profile curve."""
        return Unknowns(
            np.nan_to_num(self.groups.exposure_ev),
            np.zeros((self.frames, 2)),
            np.zeros(self.bodies),
            self.groups.fall.copy(),
            np.zeros((self.responses, PARAMETERS)),
        )

    def residual(self, unknowns: Unknowns) -> NDArray[np.float64]:
        """Observed minus expected step, (3, n) EV; 0 where a channel has no say."""
        s = self.samples
        if s.a.size == 0:
            return np.zeros((3, 0))
        fall = np.log2(relative_illumination(unknowns.vignetting[self.lens_b], s.q_b))
        fall -= np.log2(relative_illumination(unknowns.vignetting[self.lens_a], s.q_a))
        white = np.stack([unknowns.white[:, 0], np.zeros(self.frames), unknowns.white[:, 1]])
        own = unknowns.gain + white
        between = (own[:, s.b] - own[:, s.a])[:, self.pair_of]
        out = s.step - between - fall
        if self.curves:
            out -= self._curve_step(unknowns)
        return np.where(np.isfinite(s.variance), out, 0.0)

    def weights(
        self, residual: NDArray[np.float64], *, gentle: bool
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Weights (3, n) of the samples and the belief (n,) in each."""
        s = self.samples
        precision = 1.0 / s.variance
        valid = np.maximum((precision > 0.0).sum(axis=0), 1)
        size = np.sqrt(np.sum(residual**2 * precision, axis=0) / valid)
        scale = medians(size, s.first) / 0.888  # median of the root mean square of three unit normals
        scale = np.maximum(np.maximum(scale, np.median(scale) if scale.size else 1.0), 1e-3)
        u = size / scale[self.pair_of]
        belief = 1.0 / (1.0 + (u / 2.0) ** 2) if gentle else np.maximum(1.0 - (u / 4.0) ** 2, 0.0) ** 2
        weight = precision * (belief / scale[self.pair_of] ** 2)
        if s.a.size:
            total = np.add.reduceat(weight, s.first[:-1], axis=1)
            weight *= (1.0 / (1.0 + _PAIR_EV**2 * total))[:, self.pair_of]
        return weight, belief

    def frommedians(self, unknowns: Unknowns, residual: NDArray[np.float64]) -> Unknowns:
        """Gains and white balance from the median step of each pair and channel, all else held."""
        s = self.samples
        if s.a.size == 0:
            return unknowns
        middle = np.zeros((3, s.a.size))
        precision = np.zeros((3, s.a.size))
        for k in range(3):
            valid = np.isfinite(s.variance[k])
            counts = np.add.reduceat(valid.astype(np.int64), s.first[:-1])
            starts = np.concatenate([[0], np.cumsum(counts)])
            middle[k] = medians(residual[k, valid], starts)
            precision[k] = np.where(counts > 0, 1.0 / 0.01**2, 0.0)
        a_frames, b_frames = self._frame_normals(unknowns, precision, precision * middle)
        return self._moved(unknowns, _solved(a_frames, b_frames), np.zeros(self._shared_size))

    @property
    def _frame_size(self) -> int:
        return 3 * self.frames + self.bodies

    @property
    def _shared_size(self) -> int:
        return 3 * self.lenses + self.curve_prior.shape[0]

    def step(
        self, unknowns: Unknowns, residual: NDArray[np.float64], weight: NDArray[np.float64]
    ) -> Unknowns:
        """One Gauss-Newton step; the shared unknowns are solved after the frames are eliminated."""
        s = self.samples
        pairs = s.a.size
        shared, pull = self._shared_prior(unknowns)
        cross = np.zeros((3, pairs, self._shared_size))
        total, moment = np.zeros((3, pairs)), np.zeros((3, pairs))
        if pairs:
            falling = self._fall_rows(unknowns)
            for k in range(3):
                rows = np.concatenate([falling, self._curve_rows(unknowns, residual, k)], axis=1)
                weighted = rows * weight[k][:, None]
                shared += weighted.T @ rows
                pull += weighted.T @ residual[k]
                cross[k] = np.add.reduceat(weighted, s.first[:-1], axis=0)
                total[k] = np.add.reduceat(weight[k], s.first[:-1])
                moment[k] = np.add.reduceat(weight[k] * residual[k], s.first[:-1])
        normals, right = self._frame_normals(unknowns, total, moment)
        between = np.zeros((self._frame_size, self._shared_size))
        for k, place in ((0, 1), (1, None), (2, 2)):
            self._scatter(between, s.b, place, cross[k])
            self._scatter(between, s.a, place, -cross[k])
        eliminated = _solved(normals, np.concatenate([right[:, None], between], axis=1))
        reduced = shared - between.T @ eliminated[:, 1:]
        across = np.asarray(np.linalg.solve(reduced, pull - between.T @ eliminated[:, 0]), dtype=np.float64)
        return self._moved(unknowns, eliminated[:, 0] - eliminated[:, 1:] @ across, across)

    def _scatter(
        self, out: NDArray[np.float64], frame: NDArray[np.int64], place: int | None, rows: NDArray[np.float64]
    ) -> None:
        """Add each pair's rows to the gain of its frame, and to its red (1) or blue (2) balance."""
        np.add.at(out, frame, rows)
        if place is not None:
            np.add.at(out, frame + place * self.frames, rows)

    def _fall_rows(self, unknowns: Unknowns) -> NDArray[np.float64]:
        """Derivatives (n, 3 groups) of the expected step by the vignetting coefficients."""
        s = self.samples
        rows = np.zeros((s.q_a.size, self.lenses, 3))
        each = np.arange(s.q_a.size)
        for lens, q, sign in ((self.lens_a, s.q_a, -1.0), (self.lens_b, s.q_b, 1.0)):
            scale = sign / (LN2 * relative_illumination(unknowns.vignetting[lens], q))
            rows[each, lens] += np.stack([q, q * q, q * q * q], axis=-1) * scale[:, None]
        return rows.reshape(s.q_a.size, -1)

    def _frame_normals(
        self, unknowns: Unknowns, total: NDArray[np.float64], moment: NDArray[np.float64]
    ) -> tuple[csc_matrix, NDArray[np.float64]]:
        """Normal matrix and right side of gain, red, blue (3 n) and bodies, from sums by channel and pair."""
        s, n, g = self.samples, self.frames, self.groups
        right = np.zeros(self._frame_size)
        entries: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]] = []
        for k in range(3):
            offsets = [0] if k == 1 else [0, n if k == 0 else 2 * n]
            for down in offsets:
                np.add.at(right, s.b + down, moment[k])
                np.add.at(right, s.a + down, -moment[k])
                for along in offsets:
                    entries.append((s.a + down, s.a + along, total[k]))
                    entries.append((s.b + down, s.b + along, total[k]))
                    entries.append((s.a + down, s.b + along, -total[k]))
                    entries.append((s.b + down, s.a + along, -total[k]))
        frame, body = np.arange(n), 3 * n + g.body
        known = np.isfinite(g.exposure_ev)
        off = np.where(known, unknowns.gain - np.nan_to_num(g.exposure_ev) - unknowns.body[g.body], 0.0)
        hold = np.where(known, 1.0 / (_SETTINGS_EV**2 + off**2), 0.0)
        loose = np.where(known, 1e-6, 1.0 / _UNKNOWN_EV**2)
        np.add.at(right, frame, -hold * off - loose * unknowns.gain)
        np.add.at(right, body, hold * off)
        entries += [(frame, frame, hold + loose), (body, body, hold)]
        entries += [(frame, body, -hold), (body, frame, -hold)]
        own = 3 * n + np.arange(self.bodies)
        entries.append((own, own, np.full(self.bodies, 1.0 / _BODY_EV**2)))
        right[own] -= unknowns.body / _BODY_EV**2
        for place in (0, 1):
            at = frame + (place + 1) * n
            white = unknowns.white[:, place]
            strength = 1.0 / (_WHITE_EV**2 + white**2)
            entries.append((at, at, strength))
            right[at] -= strength * white
        row = np.concatenate([e[0] for e in entries])
        column = np.concatenate([e[1] for e in entries])
        value = np.concatenate([e[2] for e in entries])
        size = self._frame_size
        return csc_matrix(coo_matrix((value, (row, column)), shape=(size, size))), right

    def _shared_prior(self, unknowns: Unknowns) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Prior precision of vignetting and curves, and its pull towards their means."""
        fall = np.tile(1.0 / np.square(_VIGNETTING), self.lenses)
        matrix = np.zeros((self._shared_size,) * 2)
        cut = 3 * self.lenses
        matrix[:cut, :cut] = np.diag(fall)
        matrix[cut:, cut:] = self.curve_prior
        off = unknowns.vignetting - self.groups.fall
        now = np.concatenate([off.ravel(), unknowns.curve[list(self.curves)].ravel()])
        pull = -matrix @ now
        pull[cut:] += self.curve_pull
        return matrix, pull

    def _moved(
        self, unknowns: Unknowns, frames: NDArray[np.float64], shared: NDArray[np.float64]
    ) -> Unknowns:
        """The unknowns after a step; vignetting moves only so far that no corner goes dark."""
        n, cut = self.frames, 3 * self.lenses
        fall = shared[:cut].reshape(-1, 3)
        q = np.linspace(0.0, 1.0, 21)
        share = 1.0
        while share > 0.01:
            there = unknowns.vignetting + share * fall
            least = 1.0 + q * (there[:, :1] + q * (there[:, 1:2] + q * there[:, 2:3]))
            if not least.size or float(least.min()) > LEAST_SHARE:
                break
            share /= 2.0
        curve = unknowns.curve.copy()
        curve[list(self.curves)] += shared[cut:].reshape(-1, PARAMETERS)
        return replace(
            unknowns,
            gain=unknowns.gain + frames[:n],
            white=unknowns.white + np.stack([frames[n : 2 * n], frames[2 * n : 3 * n]], axis=-1),
            body=unknowns.body + frames[3 * n :],
            vignetting=unknowns.vignetting + share * fall,
            curve=curve,
        )


def _solved(matrix: csc_matrix, right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solve the symmetric positive system, as a full matrix while it is small."""
    if matrix.shape[0] <= _DENSE:
        return np.asarray(np.linalg.solve(matrix.toarray(), right))
    return np.asarray(splu(matrix, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(right))

"""Whether all frames got the same light: gains measured in the overlaps against what the tags explain."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import listed
from belvedere.survey.checking.head_grid import HeadGrid, head_grid

WRONG_EV = 0.5
"""From here a frame is to be shot again; common practice, no published source."""
_WORTH_EV = 0.25  # from here a deviation is worth a word; common practice, no published source
_TOLD_EV = 0.2  # by which gain and tags may differ and still tell of the same
_DRIFT_EV = 1.0  # of gains along the set, from which the light itself changed; common practice, no source
_MANY = 0.34  # share of frames from which it is no single frame's fault
_NEIGHBOURS = 4
_WHITE_EV = 0.15  # red or blue against green; common practice, no published source


def examine_exposure(checked: Checked) -> tuple[Finding, ...]:
    """Look for frames brighter or darker than their neighbours, and say whether the tags explain it.

    The gain of a frame is what overlaps show (`Tone`); where there is none, what the tags say stands for it.

    Returns
    -------
    tuple of Finding
        "exposure": a frame more than 0.5 EV off is to be shot again, lesser deviations are risks; `off_ev` is
        against the neighbours, `told_ev` what of it the tags tell. "settings": a white balance that differs
        is a risk.

    References
    ----------
    APEX (ANSI PH2.5; Exif 3.0, annex C): the light that settings gather is log2(t S / N^2) + constant.
    """
    frames = checked.frames
    told = np.array([_ev_of(f) for f in frames])
    gain = _gains(checked)
    if not np.isfinite(gain).any() and not np.isfinite(told).any():
        return ()
    measured = np.isfinite(gain)
    both = measured & np.isfinite(told)
    constant = float(np.median(gain[both] - told[both])) if both.any() else 0.0
    level = np.where(measured, gain, told + constant)
    near = _near(checked)
    off = _against_near(level, near)
    told_off = _against_near(told, near)
    odd = [i for i in range(len(frames)) if abs(off[i]) > _WORTH_EV]
    found: list[Finding] = []
    if len(odd) > _MANY * len(frames) and len(odd) > 2:
        found.append(_unlocked(frames, odd, off, told_off))
    else:
        for i in odd:
            tags = float(told_off[i]) if math.isfinite(told[i]) else math.nan
            found.append(_one(frames, i, float(off[i]), tags, bool(measured[i])))
    return (*found, *_drift(frames, level, odd), *_white(checked, near))


def _ev_of(frame: Frame) -> float:
    ev = frame.metadata.exposure_ev
    return math.nan if ev is None else ev


def _gains(checked: Checked) -> NDArray[np.float64]:
    """log2 of the gains, NaN where unknown."""
    out = np.full(len(checked.frames), math.nan)
    if checked.tone is not None:
        for i, own in enumerate(checked.tone.frames):
            if own is not None and own.gain > 0.0:
                out[i] = math.log2(own.gain)
    return out


def _near(checked: Checked) -> list[tuple[int, ...]]:
    """The frames that stand nearest to every frame; in order of shooting where a frame is not placed."""
    count = len(checked.frames)
    grid = head_grid(checked.alignment) if checked.alignment.used else None
    out = []
    for i in range(count):
        if grid is not None and i in grid.cameras:
            out.append(_nearest(grid, i))
        else:
            out.append(tuple(k for k in range(i - 2, i + 3) if k != i and 0 <= k < count))
    return out


def _nearest(grid: HeadGrid, frame: int) -> tuple[int, ...]:
    axis = grid.cameras[frame].rotation[2]
    apart = sorted((-float(axis @ c.rotation[2]), i) for i, c in grid.cameras.items() if i != frame)
    return tuple(i for _, i in apart[:_NEIGHBOURS])


def _against_near(level: NDArray[np.float64], near: Sequence[Sequence[int]]) -> NDArray[np.float64]:
    """What every frame is off: against its neighbours, the whole set or its trend, whichever is least.

    A frame beside a wrong one differs from it, but not from the set; in light that changes along the set
    every frame differs from the set, but not from its neighbours.
    """
    if not np.isfinite(level).any():
        return np.zeros(len(level))
    whole = np.nan_to_num(level - float(np.nanmedian(level)))
    whole = np.where(np.abs(_off_trend(level)) < np.abs(whole), _off_trend(level), whole)
    out = np.zeros(len(level))
    for i, others in enumerate(near):
        known = [float(level[k]) for k in others if math.isfinite(level[k])]
        if not math.isfinite(level[i]) or not known:
            continue
        local = float(level[i]) - float(np.median(known))
        out[i] = math.copysign(min(abs(local), abs(whole[i])), local)
    return out


def _off_trend(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """What is left beside a straight change in the order shot (median slope: Theil 1950, Sen 1968)."""
    known = np.flatnonzero(np.isfinite(level))
    if len(known) < 5:
        return np.nan_to_num(level - float(np.nanmedian(level)))
    a, b = np.triu_indices(len(known), 1)
    slope = float(np.median((level[known[b]] - level[known[a]]) / (known[b] - known[a])))
    left = level - slope * np.arange(len(level))
    return np.nan_to_num(left - float(np.median(left[known])))


def _one(frames: Sequence[Frame], i: int, off: float, told: float, measured: bool) -> Finding:
    grave: Grave = "reshoot" if abs(off) > WRONG_EV else "risk"
    way = "brighter" if off > 0.0 else "darker"
    if not measured:
        why = "by its tags alone; lock the exposure"
    elif not math.isfinite(told):
        why = "and no tag tells why; lock the exposure"
    elif abs(told - off) <= _TOLD_EV:
        why = "as its tags say; lock the exposure"
    elif abs(told) > _TOLD_EV:
        why = f"though its tags say {told:+.1f} EV; look at lens, filter and shutter"
    else:
        why = (
            "though its tags say the same exposure; look for a filter, flare, a cloud's shadow, the aperture"
        )
    end = "; shoot it again" if grave == "reshoot" else "; it is evened out"
    known = {"told_ev": told} if math.isfinite(told) else {}
    words = f"{listed(frames, [i])} is {abs(off):.1f} EV {way} than its neighbours, {why}{end}"
    return Finding("exposure", grave, (i,), words, {"off_ev": off} | known)


def _unlocked(
    frames: Sequence[Frame], odd: Sequence[int], off: NDArray[np.float64], told: NDArray[np.float64]
) -> Finding:
    worst = max(odd, key=lambda i: abs(off[i]))
    grave: Grave = "reshoot" if abs(off[worst]) > WRONG_EV else "risk"
    by_tags = sum(abs(told[i] - off[i]) <= _TOLD_EV for i in odd)
    why = "as the tags say" if 2 * by_tags > len(odd) else "which the tags do not explain"
    words = (
        f"exposure was not locked: {listed(frames, odd)} differ from their neighbours, {why}, by up to "
        f"{abs(off[worst]):.1f} EV ({frames[worst].name}); set the camera to manual exposure"
        + (" and shoot the set again" if grave == "reshoot" else "")
    )
    numbers = {"off_ev": float(off[worst]), "told_ev": float(told[worst]), "count": float(len(odd))}
    return Finding("exposure", grave, tuple(odd), words, numbers)


def _drift(frames: Sequence[Frame], level: NDArray[np.float64], odd: Sequence[int]) -> list[Finding]:
    """Light that changed smoothly along the set."""
    plain = np.array([v for i, v in enumerate(level) if math.isfinite(v) and i not in odd])
    if len(plain) < 4 or float(np.ptp(plain)) < _DRIFT_EV:
        return []
    spread = float(np.ptp(plain))
    words = (
        f"brightness changes along the set by {spread:.1f} EV without a step: the light changed or the "
        "camera followed it; it is evened out, but noise and clipped parts stay"
    )
    return [Finding("exposure", "risk", tuple(range(len(frames))), words, {"spread_ev": spread})]


def _white(checked: Checked, near: Sequence[Sequence[int]]) -> list[Finding]:
    """Frames whose white balance differs from their neighbours'."""
    if checked.tone is None:
        return []
    white = np.full((len(checked.frames), 2), math.nan)
    for i, own in enumerate(checked.tone.frames):
        if own is not None:
            red, green, blue = own.white_balance
            white[i] = math.log2(red / green), math.log2(blue / green)
    red_off, blue_off = (_against_near(white[:, k], near) for k in (0, 1))
    found = []
    for i in range(len(checked.frames)):
        red, blue = float(red_off[i]), float(blue_off[i])
        if max(abs(red), abs(blue)) <= _WHITE_EV:
            continue
        tint = "warmer" if red > blue else "colder"
        words = (
            f"{listed(checked.frames, [i])} is {tint} than its neighbours (red {red:+.2f} EV, blue "
            f"{blue:+.2f} EV against green); it is evened out; set one white balance by hand"
        )
        found.append(Finding("settings", "risk", (i,), words, {"red_ev": red, "blue_ev": blue}))
    return found

"""Whether the camera was set the same for every frame, by the tags of the files."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from typing import TypeVar

from belvedere.capture.frame import Frame, Metadata
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import listed

# Steps smaller than these are rounding of the tags; common practice, no published source.
_SAME_EV = 0.15  # cameras step by thirds
_SAME_SHARE = 0.01
_MIXED = 0.2  # share of frames from which another orientation is taken to be meant

_CIRCLE_SHARE = 1.0 / 1500.0  # circle of confusion over the sensor's diagonal; common practice, no source
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)

_T = TypeVar("_T", bound=Hashable)


def examine_settings(checked: Checked) -> tuple[Finding, ...]:
    """Look for frames taken with other settings than most, and for what was left to the camera.

    What a file does not tell is passed over. How much light the settings make of it all is
    `check_exposure.examine_exposure`'s to say.

    Returns
    -------
    tuple of Finding
        "settings": another focal length is to be shot again, other deviations are risks; what the camera
        chose by itself for the whole set without harm, and exposure times that differ, are notes.

    References
    ----------
    CIPA DC-008 (Exif 3.0), 4.6.6: ExposureTime, FNumber, PhotographicSensitivity, FocalLength,
    SubjectDistance, ExposureMode, WhiteBalance; 4.6.5: Orientation.
    """
    frames = checked.frames
    return (
        *_another_camera(frames),
        *_off(frames, "focal length", lambda m: m.focal_mm, _mm, _by_share, "reshoot", _ZOOM),
        *_off(frames, "focal length", _focal_35mm_alone, _mm, _by_share, "reshoot", _ZOOM),
        *_refocused(frames),
        *_off(frames, "aperture", lambda m: m.f_number, lambda v: f"f/{v:g}", _by_ev_of_stop, "risk", _STOP),
        *_off(frames, "ISO", lambda m: m.iso, lambda v: f"{v:.0f}", _by_ev, "risk", _ISO),
        *_off(frames, "exposure time", lambda m: m.exposure_s, seconds_words, _by_ev, "note", _TIME),
        *_left_to_camera(frames, "white balance", lambda m: m.white_balance_auto, _WHITE),
        *_left_to_camera(frames, "exposure", lambda m: m.exposure_auto, _MANUAL),
        *_orientation(frames),
        *_exposures(frames),
    )


_ZOOM = "tape or lock the zoom ring and shoot it again"
_STOP = "lock the aperture: depth of field and the darkening of the corners change with it"
_ISO = "lock the ISO: noise changes with it"
_TIME = "lock the exposure time: set the camera to manual exposure"
_FOCUS = "set focus to manual once it is found"
_WHITE = "set one white balance by hand"
_MANUAL = "set the camera to manual exposure"


def seconds_words(seconds: float) -> str:
    """An exposure time as photographers write it."""
    if seconds >= 0.4:
        return f"{seconds:g} s"
    return f"1/{round(1.0 / seconds)} s"


def _mm(value: float) -> str:
    return f"{value:g} mm"


def _by_share(a: float, b: float) -> bool:
    return abs(a - b) <= _SAME_SHARE * max(a, b)


def _by_ev(a: float, b: float) -> bool:
    """Whether two times or sensitivities gather the same light (APEX: Tv, Sv are log2)."""
    return abs(math.log2(a / b)) <= _SAME_EV


def _by_ev_of_stop(a: float, b: float) -> bool:
    """Whether two f-numbers gather the same light (APEX: Av = 2 log2 N)."""
    return 2.0 * abs(math.log2(a / b)) <= _SAME_EV


def _focal_35mm_alone(m: Metadata) -> float | None:
    return m.focal_35mm if m.focal_mm is None else None


def _off(
    frames: Sequence[Frame],
    name: str,
    read: Callable[[Metadata], float | None],
    words: Callable[[float], str],
    same: Callable[[float, float], bool],
    grave: Grave,
    hint: str,
) -> list[Finding]:
    """Frames whose value differs from the most frequent one, one finding for every other value."""
    told = [(i, v) for i, v in enumerate(read(f.metadata) for f in frames) if v is not None and v > 0.0]
    groups = _grouped(told, same)
    if len(groups) < 2:
        return []
    usual, others = groups[0], groups[1:]
    if len(others) > 3:
        return [_scattered(frames, name, words, groups, grave, hint)]
    found = []
    for value, own in others:
        sentence = (
            f"{name}: {listed(frames, own)} {'has' if len(own) == 1 else 'have'} {words(value)}, "
            f"{len(usual[1])} frames {words(usual[0])}; {hint}"
        )
        found.append(Finding("settings", grave, own, sentence, {"value": value, "usual": usual[0]}))
    return found


def _scattered(
    frames: Sequence[Frame],
    name: str,
    words: Callable[[float], str],
    groups: Sequence[tuple[float, tuple[int, ...]]],
    grave: Grave,
    hint: str,
) -> Finding:
    """Many values: one sentence for all."""
    values = sorted(value for value, _ in groups)
    others = tuple(sorted(i for _, own in groups[1:] for i in own))
    sentence = (
        f"{name} was not locked: {words(values[0])} to {words(values[-1])}, {len(groups)} different values; "
        f"{listed(frames, others)} differ from the most frequent, {words(groups[0][0])}; {hint}"
    )
    return Finding("settings", grave, others, sentence, {"least": values[0], "most": values[-1]})


def _grouped(
    told: Sequence[tuple[int, float]], same: Callable[[float, float], bool]
) -> list[tuple[float, tuple[int, ...]]]:
    """Values with their frames: the most frequent first, of equals the one told first."""
    groups: list[tuple[float, list[int]]] = []
    for i, value in told:
        for usual, own in groups:
            if same(value, usual):
                own.append(i)
                break
        else:
            groups.append((value, [i]))
    order = sorted(range(len(groups)), key=lambda k: (-len(groups[k][1]), k))
    return [(groups[k][0], tuple(groups[k][1])) for k in order]


def _commonest(values: Sequence[_T]) -> _T:
    """The most frequent value; of equals the one told first."""
    return max(values, key=lambda v: (values.count(v), -values.index(v)))


def _another_camera(frames: Sequence[Frame]) -> list[Finding]:
    found = []
    bodies = [(f.metadata.make, f.metadata.model, f.metadata.serial) for f in frames]
    for name, told in (("camera", bodies), ("lens", [f.metadata.lens for f in frames])):
        known = [v for v in told if v and any(v)]
        if len(set(known)) < 2:
            continue
        usual = _commonest(known)
        own = tuple(i for i, v in enumerate(told) if v in known and v != usual)
        words = f"another {name} took {listed(frames, own)}; one {name} for the whole set joins best"
        found.append(Finding("settings", "risk", own, words))
    return found


def _refocused(frames: Sequence[Frame]) -> list[Finding]:
    """Focus distances that differ by more than depth of focus forgives.

    A lens of focal length f set from distance a to distance b moves its image by f^2 |1/a - 1/b|; through
    f-number N that blurs a point to a circle of f^2 |1/a - 1/b| / N (thin lens, distances much greater
    than f).
    """
    told = [
        (i, 0.0 if math.isinf(d) else 1.0 / d)
        for i, d in enumerate(f.metadata.subject_distance_m for f in frames)
        if d is not None and d > 0.0
    ]
    groups = _grouped(told, lambda a, b: abs(a - b) <= _forgiven(frames[told[0][0]].metadata))
    if len(groups) < 2:
        return []
    usual = groups[0]
    found = []
    for near, own in groups[1:4]:
        words = (
            f"focus distance: {listed(frames, own)} {'has' if len(own) == 1 else 'have'} {_metres(near)}, "
            f"{len(usual[1])} frames {_metres(usual[0])}; {_FOCUS}"
        )
        numbers = {"dioptre": near, "usual_dioptre": usual[0]}
        found.append(Finding("settings", "risk", own, words, numbers))
    return found


def _forgiven(m: Metadata) -> float:
    """Change of 1 / distance, 1/m, that blurs by no more than a circle of confusion."""
    if not m.focal_mm:
        return 0.1
    crop = m.focal_35mm / m.focal_mm if m.focal_35mm else 1.0
    circle = _FULL_FRAME_DIAGONAL_MM / crop * _CIRCLE_SHARE
    return max(circle * (m.f_number or 8.0) / m.focal_mm**2 * 1000.0, 1e-4)


def _metres(dioptre: float) -> str:
    return "infinity" if dioptre <= 1e-9 else f"{1.0 / dioptre:.3g} m"


def _left_to_camera(
    frames: Sequence[Frame], name: str, read: Callable[[Metadata], bool | None], hint: str
) -> list[Finding]:
    """What the camera chose by itself, in some frames or in all."""
    told = {i: v for i, v in enumerate(read(f.metadata) for f in frames) if v is not None}
    auto = tuple(i for i, v in told.items() if v)
    if not auto:
        return []
    if len(auto) == len(told):
        words = f"{name} was left to the camera in every frame, which may choose anew each time; {hint}"
        return [Finding("settings", "note", auto, words)]
    by_hand = tuple(i for i, v in told.items() if not v)
    if len(auto) <= len(by_hand):
        words = f"{name}: {listed(frames, auto)} left to the camera, the others set by hand; {hint}"
        return [Finding("settings", "risk", auto, words)]
    words = f"{name}: {listed(frames, by_hand)} set by hand, the others left to the camera; {hint}"
    return [Finding("settings", "risk", by_hand, words)]


def _orientation(frames: Sequence[Frame]) -> list[Finding]:
    """Few frames held the other way round: upright among level ones, or level among upright ones."""
    upright = [f.metadata.height > f.metadata.width for f in frames]
    usual = 2 * sum(upright) >= len(upright)
    own = tuple(i for i, u in enumerate(upright) if u != usual)
    if not own or len(own) > _MIXED * len(frames):
        return []
    words = (
        f"orientation: {listed(frames, own)} {'is' if len(own) == 1 else 'are'} "
        f"{'across' if usual else 'upright'}, the others {'upright' if usual else 'across'}; the picture "
        "uses them, its edge may be ragged there"
    )
    return [Finding("settings", "risk", own, words)]


def _exposures(frames: Sequence[Frame]) -> list[Finding]:
    """Directions with fewer or more exposures than the others."""
    counts = [len(f.exposures) for f in frames]
    usual = _commonest(counts)
    own = tuple(i for i, n in enumerate(counts) if n != usual)
    if not own:
        return []
    less = any(counts[i] < usual for i in own)
    words = (
        f"exposures: {listed(frames, own)} {'has' if len(own) == 1 else 'have'} "
        f"{', '.join(str(n) for n in sorted({counts[i] for i in own}))}, the others {usual}"
        + ("; shoot the bracket there again" if less else "")
    )
    return [Finding("settings", "reshoot" if less else "note", own, words)]

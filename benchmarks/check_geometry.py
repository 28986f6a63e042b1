"""What a check finds from alignment, tone and tags: each fault, and nothing on clean sets."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.demo.faults import Fault
from belvedere.demo.truth import Truth
from belvedere.survey.checking.check_ends import examine_ends
from belvedere.survey.checking.check_exposure import examine_exposure
from belvedere.survey.checking.check_overlap import USUAL_LEAST, examine_overlap
from belvedere.survey.checking.check_settings import examine_settings
from belvedere.survey.checking.check_tilt import examine_tilt
from belvedere.survey.checking.check_unmatched import examine_unmatched
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.head_grid import head_grid
from belvedere.survey.checking.neighbours import neighbouring_rows, shared_steps
from benchmarks.sets import Setting, seeds
from benchmarks.solved import align, measure_tone, opened
from benchmarks.table import Figure, not_measured

_SEEDS = 8
_MEGAPIXELS = 0.4

CLEAN: dict[str, tuple[str, dict[str, Any]]] = {
    "a row at 50 mm": ("row", {}),
    "a row of 17 at 150 mm": ("row", {"columns": 17, "focal_mm": 150.0}),
    "3 x 5": ("rows-3x5", {}),
    "a full turn": ("full-turn", {}),
    "mixed orientations": ("mixed-orientations", {}),
}
"""Sets without a fault: scatter of 0.25 degrees, a head 3 degrees out of level."""

ROW = ("row", {"columns": 9})
GRID = ("rows-3x5", {})


@dataclass(frozen=True, slots=True)
class Case:
    """A set with one fault, and what finds it.

    Parameters
    ----------
    set_name, changes
        As `demo.sets.set_spec` takes them.
    is_found : callable
        Whether the findings name the fault.
    allowed : tuple of str
        Kinds, besides, that the fault brings about.
    """

    set_name: str
    changes: dict[str, Any]
    is_found: Callable[[tuple[Finding, ...]], bool]
    allowed: tuple[str, ...] = ()


def cases(seed: int) -> Iterator[tuple[str, Case]]:
    """Every kind of fault, in a frame that follows from the seed."""
    frame = 1 + seed % 7  # within the row of 9
    side = -1.0 if seed % 2 else 1.0

    def one(kind: str, number: int, *graves: str) -> Callable[[tuple[Finding, ...]], bool]:
        def found(findings: tuple[Finding, ...]) -> bool:
            own = [f for f in findings if f.kind == kind]
            return [f.frames for f in own] == [(number,)] and all(f.grave in graves for f in own)

        return found

    def missing(a: int) -> Callable[[tuple[Finding, ...]], bool]:
        def found(findings: tuple[Finding, ...]) -> bool:
            own = [f for f in findings if f.kind == "missing" and f.grave == "reshoot"]
            return len(own) == 1 and own[0].frames == (a, a + 1) and own[0].numbers.get("count") == 1.0

        return found

    def tilt(findings: tuple[Finding, ...]) -> bool:
        own = [f for f in findings if f.kind == "tilt"]
        return len(own) == 1 and abs(own[0].numbers.get("climb_deg", 0.0) - 3.0) < 1.0

    def thin(findings: tuple[Finding, ...]) -> bool:
        own = [f for f in findings if f.kind == "overlap" and f.grave == "reshoot"]
        return len(own) == 1 and set(own[0].frames) == {frame, frame + 1}

    end = (0, 4) if seed % 2 else (2, 0)

    def ragged(findings: tuple[Finding, ...]) -> bool:
        own = [f for f in findings if f.kind == "missing"]
        return len(own) == 1 and own[0].numbers.get("row") == float(end[0])

    name, row = ROW
    yield "roll of 4 degrees", _case(name, row, Fault(frame, roll_deg=4.0 * side), one("roll", frame, "risk"))
    yield (
        "0.7 EV off, told by no tag",
        _case(name, row, Fault(frame, untold_ev=0.7 * side), one("exposure", frame, "reshoot")),
    )
    yield (
        "0.7 EV off, told",
        _case(name, row, Fault(frame, exposure_ev=0.7 * side), one("exposure", frame, "reshoot")),
    )
    where = min(max(frame, 2), 6)
    yield "frame missing in a row", Case(name, {**row, "omit": ((0, where),)}, missing(where - 1))
    place = (seed % 3, 1 + seed % 3)
    before = place[0] * 5 + place[1] - 1
    yield "frame missing in 3 x 5", Case(GRID[0], {"omit": (place,)}, missing(before))
    yield "frame missing at an end of 3 x 5", Case(GRID[0], {"omit": (end,)}, ragged)
    turned = tuple(Fault(i, yaw_deg=6.0) for i in range(frame + 1, 9))
    yield "a step of 6 degrees too much", Case(name, {**row, "faults": turned}, thin)
    yield "row climbing 3 degrees", Case(name, {**row, "tilt_drift_deg": 3.0}, tilt, ("level",))


def _case(
    name: str, changes: dict[str, Any], fault: Fault, found: Callable[[tuple[Finding, ...]], bool]
) -> Case:
    return Case(name, {**changes, "faults": (fault,)}, found)


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    yield from _clean(setting)
    yield from _faults(setting)


def checked_of(setting: Setting, name: str, *, seed: int, **changes: Any) -> tuple[Truth, Checked]:
    """A demo set rendered, read, aligned and its tone measured; the pixels are gone afterwards."""
    megapixels = min(setting.megapixels, _MEGAPIXELS)
    folder = setting.rendered(name, megapixels=megapixels, seed=seed, **changes)
    with opened(folder, setting.room("check-geometry")) as shot:
        alignment = align(shot.source, shot.frames)
        tone = measure_tone(shot.source, shot.frames, alignment)
        return shot.truth, Checked(shot.frames, shot.source, alignment, tone)


def findings_of(checked: Checked) -> tuple[Finding, ...]:
    """What all examiners of this group find."""
    return (
        *examine_overlap(checked),
        *examine_unmatched(checked),
        *examine_ends(checked),
        *examine_tilt(checked),
        *examine_settings(checked),
        *examine_exposure(checked),
    )


def _clean(setting: Setting) -> Iterator[Figure]:
    errors: list[float] = []
    invented: list[str] = []
    levels = told = sets = 0
    for name, (base, changes) in CLEAN.items():
        for seed in seeds(setting, _SEEDS):
            known, checked = checked_of(setting, base, seed=seed, **changes)
            sets += 1
            errors += overlap_errors(known, checked)
            for finding in findings_of(checked):
                if finding.kind == "level":
                    levels += finding.grave == "risk"
                    told += 1
                elif finding.grave != "note" and not _is_true_overlap(known, finding):
                    invented.append(f"{name}, seed {seed}: {finding.words}")
    worst = max(errors, key=abs) if errors else math.nan
    note = f"{len(errors)} pairs in {sets} sets, RMS {100 * float(np.sqrt(np.mean(np.square(errors)))):.2f}"
    yield Figure("overlap of neighbours: worst error", 100 * abs(worst), "points", 2.0, note=note)
    yield Figure(
        f"clean sets: findings invented in {sets}", len(invented), "", 0, "==", note="; ".join(invented)[:200]
    )
    yield Figure(f"clean sets: of {sets} say something of the level", told, "", sets, "==")
    yield Figure(f"clean sets: of {sets} see the head's 3 degrees as a risk", levels, note="else: a note")


def _faults(setting: Setting) -> Iterator[Figure]:
    count: dict[str, list[int]] = {}
    missed: dict[str, list[str]] = {}
    invented: list[str] = []
    for seed in seeds(setting, _SEEDS):
        for name, case in cases(seed):
            _, checked = checked_of(setting, case.set_name, seed=seed, **case.changes)
            findings = findings_of(checked)
            tally = count.setdefault(name, [0, 0])
            tally[0] += case.is_found(findings)
            tally[1] += 1
            if not case.is_found(findings):
                missed.setdefault(name, []).append(f"seed {seed}")
            kinds = ("missing", "roll", "exposure", "tilt", "ends", "stray")
            right = {
                "roll": "roll",
                "0.7": "exposure",
                "frame": "missing",
                "row": "tilt",
                "a": "overlap",
            }.get(name.split()[0])
            for finding in findings:
                if finding.kind in kinds and finding.kind != right and finding.kind not in case.allowed:
                    invented.append(f"{name}, seed {seed}: {finding.words}")
    for name, (found, of) in count.items():
        yield Figure(f"{name}: found in {of}", found, "", of, "==", note=", ".join(missed.get(name, [])))
    if not count:
        yield not_measured("faults", "no seeds")
    total = sum(of for _, of in count.values())
    yield Figure(
        f"sets with one fault: others invented in {total}",
        len(invented),
        "",
        0,
        "==",
        note="; ".join(invented)[:200],
    )


def overlap_errors(known: Truth, checked: Checked) -> list[float]:
    """Measured less true share, for all neighbours in rows and from row to row."""
    grid = head_grid(checked.alignment)
    pairs = [(s.a, s.b, s.overlap) for s in shared_steps(grid)]
    pairs += [(a, b, share) for a, b, share, _ in neighbouring_rows(grid)]
    return [share - true_share(known, a, b) for a, b, share in pairs]


def true_share(known: Truth, a: int, b: int) -> float:
    """Share of the first frame's area that the second sees too, by 128 x 128 rays of the true cameras."""
    first, second = (known.frames[i].camera for i in sorted((a, b)))
    return overlap_fraction(first.rays(frame_grid(first, 128)), second)


def _is_true_overlap(known: Truth, finding: Finding) -> bool:
    """Whether an overlap said to be small is small in truth."""
    if finding.kind != "overlap" or len(finding.frames) != 2:
        return False
    return true_share(known, *finding.frames) < USUAL_LEAST

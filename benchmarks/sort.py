"""Cards sorted: simulated ones over seeds against their truth, and what a frame costs in time and memory."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from belvedere.capture.card import Card, Shot, read_card
from belvedere.capture.frame import Exposure, Metadata
from belvedere.demo.card_truth import CardTruth
from belvedere.demo.cards import CARDS, write_card
from belvedere.survey.sorting.look import Depth, Look, glance_at, look_at
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard
from benchmarks.sets import Setting, seeds
from benchmarks.table import Figure

_SEEDS = 4
_MEGAPIXELS = 0.4
_FULL = 24.0
_MANY = 5000
_NOON = datetime(2031, 5, 4, 12)


@dataclass(slots=True)
class Tally:
    """What was right and wrong over all cards."""

    cards: int = 0
    exact: int = 0
    series: int = 0
    partition: int = 0
    rows: int = 0
    missing: int = 0
    brackets: int = 0
    markers: int = 0
    found: int = 0
    false: int = 0
    frames: int = 0
    wrong: list[str] = field(default_factory=list)
    sure_right: list[float] = field(default_factory=list)
    sure_wrong: list[float] = field(default_factory=list)


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    tally = Tally()
    folder = setting.folder / "work" / "sort"
    for name in CARDS:
        for seed in seeds(setting, _SEEDS):
            shutil.rmtree(folder, ignore_errors=True)
            truth = write_card(name, folder, megapixels=_MEGAPIXELS, seed=seed)
            card = read_card(folder)
            _count(tally, f"{name} {seed}", truth, sort_card(card, looks_of(card)))
    shutil.rmtree(folder, ignore_errors=True)
    note = f"{tally.frames} frames of {tally.cards} cards"
    yield Figure(
        "cards sorted exactly as shot", tally.exact, "", tally.cards, "==", "; ".join(tally.wrong[:6])
    )
    yield Figure("series: right frames", tally.partition, "", tally.series, "==", note)
    yield Figure("series: right rows", tally.rows, "", tally.series, "==")
    yield Figure("series: right missing places", tally.missing, "", tally.series, "==")
    yield Figure("series: right brackets", tally.brackets, "", tally.series, "==")
    recall = tally.found / max(1, tally.markers)
    precision = tally.found / max(1, tally.found + tally.false)
    yield Figure("markers: recall", recall, "", 1.0, "==", f"{tally.found} of {tally.markers}")
    yield Figure("markers: precision", precision, "", 1.0, "==", f"{tally.false} false")
    least = min(tally.sure_right, default=float("nan"))
    yield Figure("least confidence of a right series", least)
    yield Figure("greatest confidence of a wrong one", max(tally.sure_wrong, default=0.0))
    yield from _cost(setting)
    yield from _many(setting)


def looks_of(card: Card) -> Callable[[int, Depth], Look | None]:
    """How shots on disk are looked at."""

    def look(i: int, depth: Depth) -> Look | None:
        exposure = card.shots[i].exposure
        glance = glance_at(exposure, depth)
        return None if glance is None else look_at(glance, exposure.metadata, depth)

    return look


def _count(tally: Tally, words: str, truth: CardTruth, found: SortedCard) -> None:
    got = {s.frames: s for s in found.series}
    wrong = []
    for true in truth.series:
        series = got.pop(true.frames, None)
        right = series is not None
        rows = series is not None and series.rows == true.rows
        missing = series is not None and sorted(series.missing) == sorted(true.missing)
        brackets = series is not None and series.brackets == true.brackets
        tally.partition += right
        tally.rows += rows
        tally.missing += missing
        tally.brackets += brackets
        if series is not None:
            (tally.sure_right if rows and missing else tally.sure_wrong).append(series.confidence)
        if not (rows and missing and brackets):
            wrong.append(f"{true.name}")
    tally.sure_wrong += [s.confidence for s in got.values()]
    markers, strays = {m.file for m in found.markers}, {s.file for s in found.strays}
    tally.found += len(markers & set(truth.markers))
    tally.false += len(markers - set(truth.markers))
    tally.markers += len(truth.markers)
    tally.series += len(truth.series)
    tally.frames += len(truth.seconds)
    tally.cards += 1
    wrong += sorted(f.rpartition("/")[2] for f in markers ^ set(truth.markers))
    exact = not wrong and not got and strays == set(truth.strays)
    tally.exact += exact
    if not exact:
        tally.wrong.append(f"{words}: {', '.join(wrong) or 'strays'}")


def _cost(setting: Setting) -> Iterator[Figure]:
    """Time of looking at frames of full size, and of all that is decided."""
    folder = setting.folder / "work" / "sort-full"
    shutil.rmtree(folder, ignore_errors=True)
    write_card("gaps", folder, megapixels=_FULL)
    began = time.perf_counter()
    card = read_card(folder)
    read_s = (time.perf_counter() - began) / len(card.shots)
    see = looks_of(card)
    took: dict[str, list[float]] = {"embedded": [], "reduced": [], "close": []}
    spent = 0.0

    def look(i: int, depth: Depth) -> Look | None:
        nonlocal spent
        start = time.perf_counter()
        found = see(i, depth)
        took[depth].append(time.perf_counter() - start)
        spent += took[depth][-1]
        return found

    for depth in took:
        look(0, depth)  # type: ignore[arg-type]
        took[depth].clear()
    sort_card(card, look)
    spent, start = 0.0, time.perf_counter()
    sort_card(card, look)
    rest = (time.perf_counter() - start - spent) / len(card.shots)
    for i in range(4):
        look(i, "close")
    note = f"JPEGs of {_FULL:g} megapixels, one frame at a time"
    first = read_s + float(np.median(took["embedded"]))
    yield Figure("a frame's headers and embedded picture", 1e3 * first, "ms", 50.0, "<=", note)
    yield Figure("a second look", 1e3 * float(np.median(took["reduced"])), "ms", 250.0, "<=", note)
    yield Figure(
        "a close look, of few frames", 1e3 * float(np.median(took["close"])), "ms", 250.0, "<=", note
    )
    yield Figure("all decisions, a frame", 1e3 * rest, "ms", note=note)
    shutil.rmtree(folder, ignore_errors=True)


def _many(setting: Setting) -> Iterator[Figure]:
    """Time and memory of a card of 5,000 shots whose looks come from one small card, over and over."""
    folder = setting.folder / "work" / "sort-many"
    shutil.rmtree(folder, ignore_errors=True)
    write_card("five-series", folder, megapixels=_MEGAPIXELS)
    # memory is measured in a process that has done nothing else
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        seconds, grown_mb, series = apart.submit(_sort_many, folder).result()
    yield Figure(f"{_MANY} shots: all decisions, a frame", 1e3 * seconds / _MANY, "ms", 50.0)
    note = f"{series} series"
    yield Figure(f"{_MANY} shots: memory more at the peak", grown_mb, "MB", 600.0, "<=", note)
    shutil.rmtree(folder, ignore_errors=True)


def _sort_many(folder: Path) -> tuple[float, float, int]:
    """Processor time in s, growth of memory in MB, and series found, of many shots made of a small card."""
    small = read_card(folder)
    see = looks_of(small)
    looks = [_first_enough(see, i) for i in range(len(small.shots))]
    count = len(small.shots)
    shots = []
    for n in range(_MANY):
        metadata = small.shots[n % count].exposure.metadata
        taken = (metadata.taken or _NOON) + timedelta(days=n // count)
        shots.append(_renamed(small.shots[n % count], n, replace(metadata, taken=taken)))
    before, most = _resident_mb(), 0.0

    def watched(function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        nonlocal most
        yield from map(function, jobs)
        most = max(most, _resident_mb())

    start = time.process_time()
    found = sort_card(Card(folder, tuple(shots)), lambda i, depth: _copied(looks[i % count]), run=watched)
    return time.process_time() - start, most - before, len(found.series)


def _first_enough(see: Callable[[int, Depth], Look | None], i: int) -> Look | None:
    look = see(i, "embedded")
    return look if look is not None and look.enough else see(i, "reduced")


def _copied(look: Look | None) -> Look | None:
    """A look with memory of its own."""
    return None if look is None else replace(look, points=look.points.copy(), codes=look.codes.copy())


def _renamed(shot: Shot, n: int, metadata: Metadata) -> Shot:
    place = f"DCIM/{100 + n // 9999:03d}MANYS/MANY{n % 9999 + 1:04d}.JPG"
    return Shot(Exposure(Path(place), metadata), None, place, n % 9999 + 1)


def _resident_mb() -> float:
    """Memory this process holds, MB."""
    return float(psutil.Process().memory_info().rss) / 1e6

"""A sorted card against the truth of a simulated one: every difference in words."""

from __future__ import annotations

from belvedere.demo.card_truth import CardTruth
from belvedere.survey.sorting.sorted_card import SortedCard


def differences(truth: CardTruth, found: SortedCard) -> list[str]:
    """What differs: partition, rows, missing places, brackets, twins, markers and strays."""
    out = []
    got = {series.frames: series for series in found.series}
    for true in truth.series:
        series = got.pop(true.frames, None)
        if series is None:
            out.append(f"{true.name}: is no series")
            continue
        for key in ("rows", "brackets", "twins", "orientation", "focal_mm"):
            if getattr(series, key) != getattr(true, key):
                out.append(f"{true.name}: {key} {getattr(series, key)}, are {getattr(true, key)}")
        if sorted(series.missing) != sorted(true.missing):
            out.append(f"{true.name}: missing {series.missing}, are {true.missing}")
    out += [f"{series.name}: {len(series.frames)} frames are no series" for series in got.values()]
    for what, true_files, entries in (
        ("marker", set(truth.markers), found.markers),
        ("stray", set(truth.strays), found.strays),
    ):
        files = {entry.file for entry in entries}
        out += [f"{file}: {what} not found" for file in sorted(true_files - files)]
        out += [f"{file}: no {what}" for file in sorted(files - true_files)]
    return out

"""What the series of a card are called."""

from __future__ import annotations

from collections.abc import Sequence

from belvedere.capture.card import Shot
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.word_applied import Found


def name_series(found: Sequence[Found], shots: Sequence[Shot], word: SeriesWord) -> list[str]:
    """Names fit for folders: the photographer's, or number and focal length; no two alike but for case.

    Where one made here is taken, it gives way: the photographer's stand as they are.
    """
    said: dict[int, str] = {}
    for file, name in word.names.items():
        for k, f in enumerate(found):
            if any(shots[i].place == file for i in f.shots):
                said[k] = name
    taken = {name.casefold() for name in said.values()}
    out: list[str] = []
    for k, f in enumerate(found):
        focal = shots[f.poses[0][0]].exposure.metadata.focal_mm
        name = said.get(k) or (f"{k + 1:02d}-{focal:.3g}mm" if focal else f"{k + 1:02d}")
        while k not in said and name.casefold() in taken:
            name += "-again"
        taken.add(name.casefold())
        out.append(name)
    return out

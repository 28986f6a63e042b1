"""Figures with their bars, and the table they are printed in."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

_WIDTHS = (11, 58, 12, 14, 12)
HOLDS, SHORT, NONE, MISSING = "holds", "FALLS SHORT", "-", "NOT MEASURED"


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number and what it has to be.

    Parameters
    ----------
    name : str
        What was measured, on which set.
    value : float
        NaN: could not be measured; `note` then says why.
    unit : str
        Unit, "" for a count or a ratio.
    bar : float or tuple of 2 float or None
        What it is held against; a pair is a closed interval; None: told for information.
    sense : "<=", ">=" or "=="
        How `value` must stand to `bar`.
    note : str
        What a reader should know beside it.
    """

    name: str
    value: float
    unit: str = ""
    bar: float | tuple[float, float] | None = None
    sense: Literal["<=", ">=", "=="] = "<="
    note: str = ""

    @property
    def outcome(self) -> str:
        """Whether the bar holds, by the value alone."""
        if not math.isfinite(self.value):
            return MISSING
        if self.bar is None:
            return NONE
        if isinstance(self.bar, tuple):
            holds = self.bar[0] <= self.value <= self.bar[1]
        elif self.sense == "<=":
            holds = self.value <= self.bar
        elif self.sense == ">=":
            holds = self.value >= self.bar
        else:
            holds = self.value == self.bar
        return HOLDS if holds else SHORT

    @property
    def bar_words(self) -> str:
        """The bar as printed."""
        if self.bar is None:
            return ""
        if isinstance(self.bar, tuple):
            return f"{self.bar[0]:g} to {self.bar[1]:g}"
        return f"{self.sense} {self.bar:g}"


def not_measured(name: str, why: object) -> Figure:
    """A figure that could not be measured."""
    return Figure(name, math.nan, note=" ".join(str(why).split())[:200])


def head() -> str:
    """The table's first two lines."""
    return _line("group", "figure", "measured", "bar", "outcome", "") + "\n" + "-" * (sum(_WIDTHS) + 4)


def row(group: str, figure: Figure) -> str:
    """One line of the table."""
    unit = f" {figure.unit}" if figure.unit else ""
    measured = f"{figure.value:.4g}{unit}" if math.isfinite(figure.value) else "?"
    return _line(group, figure.name, measured, figure.bar_words, figure.outcome, figure.note)


def closing(figures: Iterable[Figure]) -> str:
    """How many bars hold."""
    outcomes = [f.outcome for f in figures]
    parts = [f"{outcomes.count(HOLDS)} bars hold", f"{outcomes.count(SHORT)} fall short"]
    if MISSING in outcomes:
        parts.append(f"{outcomes.count(MISSING)} not measured")
    return ", ".join(parts)


def _line(*cells: str) -> str:
    *fixed, note = cells
    text = " ".join(cell.ljust(width) for cell, width in zip(fixed, _WIDTHS, strict=True))
    return f"{text} {note}".rstrip()


def append_lines(path: Path, run: dict[str, Any], group: str, figures: Iterable[Figure]) -> None:
    """Add one JSON line a figure to a file: the run it belongs to, and all that is known of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as file:
        for figure in figures:
            entry = {**run, "group": group, **asdict(figure), "outcome": figure.outcome}
            if not math.isfinite(figure.value):
                entry["value"] = None
            file.write(json.dumps(entry, allow_nan=False) + "\n")

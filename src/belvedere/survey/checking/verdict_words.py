"""A verdict as plain text for the person at the tripod: one line first, then what stands behind it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.verdict import NeighbourOverlap, Verdict

_LISTED = 8  # findings of one gravity told one by one
_TITLES = (("reshoot", "Shoot again too:"), ("risk", "May show in the picture:"), ("note", "Good to know:"))


def verdict_words(verdict: Verdict, *, width: int = 100) -> str:
    """A verdict for a terminal.

    Parameters
    ----------
    verdict : Verdict
    width : int
        Columns of the terminal; the map and names longer than that stand out of it, nothing is cut off.

    Returns
    -------
    str
        The headline, what else to shoot again, risks, notes, overlaps of neighbours, and the map. No line
        feed at the end.
    """
    parts = ["\n".join(_wrapped(verdict.headline, width, "", ""))]
    for grave, title in _TITLES:
        found = verdict.grave(grave)
        told = found[1:] if grave == "reshoot" and verdict.answer == "reshoot" else found
        if told:
            parts.append("\n".join(_listed(title, told, width)))
    if verdict.overlaps:
        parts.append("\n".join(_overlaps(verdict, width)))
    if verdict.coverage:
        parts.append("\n".join(verdict.coverage))
    return "\n\n".join(parts)


def _wrapped(text: str, width: int, first: str, later: str) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _listed(title: str, findings: Sequence[Finding], width: int) -> Iterator[str]:
    yield title
    for finding in findings[:_LISTED]:
        yield from _wrapped(f"- {finding.words}", width, "  ", "    ")
    if len(findings) > _LISTED:
        yield f"  - and {len(findings) - _LISTED} more, which --json lists"


def _overlaps(verdict: Verdict, width: int) -> Iterator[str]:
    """Chains of frame numbers with the overlaps between them, then what rows share."""
    yield "Frames as seen from left to right, overlaps in % between them:"
    several = len(verdict.rows) > 1
    for number in range(len(verdict.rows)):
        own = [s for s in verdict.overlaps if s.across == "row" and s.row == number]
        chain = _chain(own) if own else "  ".join(str(i + 1) for i in verdict.rows[number])
        name = f"row {number + 1}  " if several else ""
        yield from _wrapped(chain, width, f"  {name}", " " * (2 + len(name)))
    row_of = {i: r for r, row in enumerate(verdict.rows) for i in row}
    for upper in range(len(verdict.rows) - 1):
        between = {upper, upper + 1}
        shares = [
            100.0 * s.overlap_fraction
            for s in verdict.overlaps
            if s.across == "rows" and {row_of[s.a], row_of[s.b]} == between
        ]
        if shares:
            low, high = f"{min(shares):.0f}", f"{max(shares):.0f}"
            spread = f"{low} %" if low == high else f"{low} to {high} %"
            yield f"  rows {upper + 1} and {upper + 2} share {spread} of a frame's height"


def _chain(steps: Sequence[NeighbourOverlap]) -> str:
    """Frame numbers, counted from 1, with overlaps: `1 -37- 2 -34- 3`."""
    parts: list[str] = []
    last: int | None = None
    for step in steps:
        if step.a != last:
            parts.append(("  " if parts else "") + str(step.a + 1))
        parts.append(f"-{100.0 * step.overlap_fraction:.0f}- {step.b + 1}")
        last = step.b
    return " ".join(parts)

"""A verdict for machines: schema `belvedere.check/1`."""

from __future__ import annotations

from typing import Literal

import msgspec

from belvedere.survey.checking.finding import Grave, Kind
from belvedere.survey.checking.verdict import Answer, Verdict

SCHEMA = "belvedere.check/1"


class FindingEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One thing found; `frames` are indices into the document's frames, from 0."""

    kind: Kind
    grave: Grave
    frames: tuple[int, ...]
    words: str
    numbers: dict[str, float | None]


class OverlapEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What two neighbours share; see `NeighbourOverlap`."""

    a: int
    b: int
    across: Literal["row", "rows"]
    row: int
    overlap_fraction: float


class CheckDocument(msgspec.Struct, frozen=True, kw_only=True):
    """A verdict.

    Parameters
    ----------
    answer : "complete", "reshoot" or "unusable"
    exit_code : int
        0, 3 or 2.
    headline : str
    frames : tuple of str
        In the order shot, by their path under the folder that holds them all.
    findings : tuple of FindingEntry
        The most important first.
    rows : tuple of tuple of int
        Placed frames from the top row, from left to right.
    overlaps : tuple of OverlapEntry
    coverage_map : tuple of str
    wide_deg, tall_deg : float or None
    """

    schema: Literal["belvedere.check/1"] = "belvedere.check/1"
    answer: Answer
    exit_code: int
    headline: str
    frames: tuple[str, ...]
    findings: tuple[FindingEntry, ...]
    rows: tuple[tuple[int, ...], ...]
    overlaps: tuple[OverlapEntry, ...]
    coverage_map: tuple[str, ...]
    wide_deg: float | None
    tall_deg: float | None


def check_document(verdict: Verdict) -> CheckDocument:
    """A verdict as a document."""
    return CheckDocument(
        answer=verdict.answer,
        exit_code=verdict.exit_code,
        headline=_whole(verdict.headline),
        frames=tuple(_whole(name) for name in verdict.frames),
        findings=tuple(
            FindingEntry(
                kind=f.kind, grave=f.grave, frames=f.frames, words=_whole(f.words), numbers=dict(f.numbers)
            )
            for f in verdict.findings
        ),
        rows=verdict.rows,
        overlaps=tuple(
            OverlapEntry(a=s.a, b=s.b, across=s.across, row=s.row, overlap_fraction=s.overlap_fraction)
            for s in verdict.overlaps
        ),
        coverage_map=verdict.coverage,
        wide_deg=verdict.wide_deg,
        tall_deg=verdict.tall_deg,
    )


def check_bytes(verdict: Verdict, *, indented: bool = True) -> bytes:
    """A verdict as JSON (RFC 8259), on one line or indented, without a line feed at the end."""
    line = msgspec.json.encode(check_document(verdict))
    return msgspec.json.format(line, indent=2) if indented else line


def _whole(text: str) -> str:
    """Text that UTF-8 can hold: bytes of a file's name that are none become replacement characters."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")

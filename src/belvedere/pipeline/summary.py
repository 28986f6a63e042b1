"""A report in plain words on one screen: the answer first, then what needs a look, then the numbers."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path, PurePosixPath

from belvedere.compose.finished_file import disk_space
from belvedere.compose.plate_view import field_of_view_deg
from belvedere.compose.report import OverlapReport, PictureReport, PlateReport, Report, report_path
from belvedere.pipeline.bracket_notices import exposures_words

LINES = 24
COLUMNS = 80
_PRINT_PPI = 300.0
_LABEL = 10
_OVER_WHITE_SHOWN = 0.0005
_MOVED_SHOWN = 0.0005

_LEVEL_FROM = {
    "person": "from the points you gave",
    "tags": "from the camera's own level",
    "sea-horizon": "from the sea horizon",
    "verticals": "from upright lines in the scene",
    "pan-axis": "from the pan axis",
}
_HEAD_STAYS = "a head out of level stays in the picture"

Entry = tuple[str, Sequence[str]]
"""A label and its items, most important first."""


def summary(report: Report, picture: Path) -> str:
    """What became of a set of frames, for the person who shot it.

    Parameters
    ----------
    report : Report
        Of the picture.
    picture : Path
        Where the picture was written; the report lies beside it.

    Returns
    -------
    text : str
        At most 24 lines of at most 80 columns (a path or name longer than that is not broken); the first
        line is the answer. No newline at the end. What does not fit is counted and stands in the report.
    """
    rest = f"listed in {report_path(picture).name}"
    facts = _facts(report, picture)
    looks = [entry for entry in _needs_a_look(report) if entry[1]]
    for items, lines_each in ((6, 2), (4, 2), (3, 2), (2, 2), (2, 1), (1, 1)):
        lines = [_answer(report, picture)]
        for label, texts in looks:
            lines += _entry_lines(label, _some(texts, items, rest), lines_each)
        for label, texts in facts:
            lines += _entry_lines(label, texts, 2)
        if len(lines) <= LINES:
            break
    return "\n".join(lines[:LINES])


def worst_overlap(report: Report) -> OverlapReport | None:
    """The overlap of used frames whose tie points disagree most; None where there are none."""
    used = set(report.used)
    measured = [o for o in report.quality.overlaps if o.rms_px is not None and {o.a, o.b} <= used]
    return max(measured, key=lambda o: (o.rms_px or 0.0, -o.a, -o.b), default=None)


def _answer(report: Report, picture: Path) -> str:
    used, total = len(report.used), len(report.frames)
    if report.exit_code == 0:
        whole = "its one frame is in it" if total == 1 else f"all {total} frames are in it"
        return f"{picture.name} is ready: {whole}, none in doubt."
    said = []
    if report.left_out:
        said.append(f"{len(report.left_out)} left out")
    if report.in_doubt:
        said.append(f"{len(report.in_doubt)} in doubt")
    if report.unreadable:
        said.append(f"{len(report.unreadable)} that cannot be read")
    if report.coverage.holes and not said:
        holes = len(report.coverage.holes)
        said.append("1 hole" if holes == 1 else f"{holes} holes")
    return f"{picture.name} is ready, with {used} of {_frames(total)}: {', '.join(said)}."


def _needs_a_look(report: Report) -> list[Entry]:
    name = _names(report)
    return [
        ("left out", _grouped((name(i), report.frames[i].reason or "") for i in report.left_out)),
        ("unread", _grouped((PurePosixPath(u.file).name, u.why) for u in report.unreadable)),
        ("in doubt", _grouped((name(i), report.frames[i].doubt or "") for i in report.in_doubt)),
        ("elsewhere", _other_blocks(report)),
        ("by grid", _placed_by_grid(report)),
        ("holes", _holes(report)),
        ("note", [*_over_white(report), *report.notices]),
    ]


def _facts(report: Report, picture: Path) -> list[Entry]:
    plate = report.plate
    wide, high = field_of_view_deg(plate)
    why = f": {plate.why}" if plate.why else ""
    bits = f", {report.picture.bits} bits" if report.picture else ""
    bits += ", floating point" if report.picture and report.picture.bits == 32 else ""
    inches = (plate.width / _PRINT_PPI, plate.height / _PRINT_PPI)
    size = " x ".join(_length(2.54 * side) for side in inches)
    inch_size = " x ".join(_length(side) for side in inches)
    on_disk = report.picture.file_bytes if report.picture else None
    facts: list[Entry] = [
        ("view", [f"{wide:.1f}° wide, {high:.1f}° high, {plate.projection}{why}"]),
        ("pixels", [f"{plate.width:,} x {plate.height:,}, {_megapixels(plate)}{bits}"]),
        ("light", _light(report.picture)),
        ("exposures", _exposures(report)),
        ("print", [f"{size} cm ({inch_size} in) at {_PRINT_PPI:.0f} pixels per inch"]),
        ("level", [_level(report)]),
        ("your word", [report.word.words] if report.word else []),
        ("overlaps", [_overlaps(report)]),
        ("covered", [f"{_percent(report.coverage.covered_fraction)} of the sheet"]),
        (
            "time",
            [f"{_duration(report.timing.total_s)}, {report.timing.peak_rss_mb:,.0f} MB of memory at most"],
        ),
        ("file", [str(picture) + (f" ({disk_space(on_disk)})" if on_disk else "")]),
    ]
    return facts


def _exposures(report: Report) -> list[str]:
    """How many exposures were merged, and how much of them moved."""
    told = exposures_words([len(f.exposures) for f in report.frames])
    if told is None:
        return []
    moved = [f.merge.moved_fraction for f in report.frames if f.merge is not None]
    share = sum(moved) / max(len(moved), 1)
    from_one = f"; {_percent(share)} moved and comes from one exposure" if share >= _MOVED_SHOWN else ""
    return [f"{told} merged{from_one}"]


def _light(picture: PictureReport | None) -> list[str]:
    """What a picture holds that is made to be developed."""
    if picture is None or picture.kind == "picture":
        return []
    if picture.camera is None:
        text = "linear, in the colours of the frames' profiles"
    else:
        text = f"linear, the camera's own ({picture.camera.model}); white balance is yours to set"
    if picture.bits == 16 and picture.headroom is not None:
        text += f"; holds {math.log2(picture.headroom):.1f} EV above the frames' white"
    return [text]


def _level(report: Report) -> str:
    level = report.level
    text = (level.words or _LEVEL_FROM[level.source]).rstrip(".")
    sigma = f"{level.sigma_deg:.2f}°"
    if sigma not in text:
        text += f", known to {sigma} (one sigma)"
    if level.source == "pan-axis" and _HEAD_STAYS not in text:
        text += f"; {_HEAD_STAYS}"
    return text


def _overlaps(report: Report) -> str:
    worst = worst_overlap(report)
    if worst is None:
        return "none measured"
    name = _names(report)
    rms = report.quality.tie_point_rms_px
    whole = f"{rms:.2f} px RMS in all; " if rms is not None else ""
    step = f", tone step {abs(worst.tone_step_ev):.3f} EV" if worst.tone_step_ev is not None else ""
    pair = f"{name(worst.a)} and {name(worst.b)}"
    return f"{whole}worst {worst.rms_px:.2f} px, {pair} ({worst.tie_points:,} tie points{step})"


def _other_blocks(report: Report) -> list[str]:
    shown = set(report.used)
    found = []
    for block in report.components[1:]:
        if len(block.frames) > 1 and not shown.issuperset(block.frames):
            text = f"{len(block.frames)} frames hang together but meet this picture nowhere"
            if block.command and len(block.command) <= COLUMNS - _LABEL - 2:
                text += f". To make them:\n{block.command}"
            elif block.command:  # half a command would help nobody
                text += "; how to make them stands in the report"
            found.append(text)
    return found


def _placed_by_grid(report: Report) -> list[str]:
    grid = [f for f in report.frames if f.used and f.placed_by == "grid" and not f.doubt]
    if not grid:
        return []
    sigmas = [f.placement_sigma_px for f in grid if f.placement_sigma_px is not None]
    sure = f", one sigma {max(sigmas):.1f} px at most" if sigmas else ""
    return [f"{_frames(len(grid))} placed by the steps of the turn{sure}"]


def _holes(report: Report) -> list[str]:
    texts = []
    for hole in report.coverage.holes:
        cell = ""
        if hole.row is not None and hole.column is not None:
            cell = f"row {hole.row + 1}, column {hole.column + 1}, "
        texts.append(f"{cell}yaw {hole.yaw_deg:.1f}°, pitch {hole.pitch_deg:.1f}°: no frame shows this place")
    return texts


def _over_white(report: Report) -> list[str]:
    share = report.picture.over_white_fraction if report.picture else None
    if share is None or share < _OVER_WHITE_SHOWN:
        return []
    return [f"{_percent(share)} of the picture is brighter than the file's white and shows as white"]


def _grouped(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """(name, why) as lines of text, names with the same why together, most frames first."""
    by_why: dict[str, list[str]] = {}
    for name, why in pairs:
        by_why.setdefault(why, []).append(name)
    order = sorted(by_why.items(), key=lambda item: -len(item[1]))
    return [f"{_listing(names)}: {why}" for why, names in order]


def _listing(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{names[0]}, {names[1]} and {len(names) - 2} more"


def _some(texts: Sequence[str], most: int, rest: str) -> list[str]:
    """The first `most` texts, then how many more there are and where."""
    if len(texts) <= most:
        return list(texts)
    return [*texts[:most], f"and {len(texts) - most} more, {rest}"]


def _entry_lines(label: str, texts: Sequence[str], lines_each: int) -> list[str]:
    """An entry under its label, each paragraph of each text on at most so many lines."""
    lines = []
    for i, text in enumerate(texts):
        parts = [
            part
            for paragraph in text.split("\n")
            for part in textwrap.wrap(
                paragraph,
                COLUMNS - _LABEL - 2,
                break_long_words=False,
                break_on_hyphens=False,
                max_lines=lines_each,
            )
        ]
        for j, part in enumerate(parts or [""]):
            lines.append(f"  {label if i == j == 0 else '':<{_LABEL}}{part}")
    return lines


def _names(report: Report) -> Callable[[int], str]:
    """Frame index to the shortest name that tells it from the others."""
    short = [PurePosixPath(frame.file).name for frame in report.frames]
    counts = Counter(short)
    return lambda i: short[i] if counts[short[i]] == 1 else report.frames[i].file


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count:,} frames"


def _length(value: float) -> str:
    return f"{value:.1f}" if value < 20 else f"{value:,.0f}"


def _megapixels(plate: PlateReport) -> str:
    size = plate.width * plate.height / 1e6
    return f"{size / 1000:.2f} gigapixels" if size >= 1000 else f"{size:.3g} megapixels"


def _percent(fraction: float) -> str:
    """Never rounded up to 100 % or down to 0 %."""
    if 0.9995 <= fraction < 1.0:
        return "over 99.9 %"
    return "100 %" if fraction == 1.0 else f"{100 * fraction:.1f} %"


def _duration(seconds: float) -> str:
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    if seconds < 599.5:
        return f"{round(seconds) // 60} min {round(seconds) % 60:02} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02} min"

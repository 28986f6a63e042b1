"""Whether all rows of a set begin and end together."""

from __future__ import annotations

import math

from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import degrees, frame_words
from belvedere.survey.checking.head_grid import head_grid
from belvedere.survey.checking.missing_frames import missing_at_ends, rows_with_ends, shortfall
from belvedere.survey.checking.neighbours import half_width

_RAGGED = 0.3  # of a step, by which a row may end early unsaid; common practice, no published source


def examine_ends(checked: Checked) -> tuple[Finding, ...]:
    """Look for rows that end earlier than the others by other than whole missing frames.

    Frames missing at an end, one or two, are `check_overlap.examine_overlap`'s to say. A picture is cropped
    to what all rows show, or its corners are filled.

    Returns
    -------
    tuple of Finding
        "ends": a risk. `short_deg` is the yaw that the row lacks.
    """
    if not checked.alignment.used:
        return ()
    grid = head_grid(checked.alignment)
    said = {(m.row, m.end) for m in missing_at_ends(grid)}
    found: list[Finding] = []
    for number in rows_with_ends(grid):
        row = grid.rows[number]
        for end in ("left", "right"):
            short = shortfall(grid, row, end)
            near = row.places[0 if end == "left" else -1].frames[0]
            usual = row.step if math.isfinite(row.step) else 4.0 / 3.0 * half_width(grid, near)
            if (number, end) in said or short < _RAGGED * usual:
                continue
            frames = round(short / usual)
            more = f" (about {frames} frames)" if frames > 1 else ""
            words = (
                f"row {number + 1} ends {degrees(short)} before the others on the {end}{more}: the picture "
                f"is cropped there or its corner filled, unless you add a frame {degrees(short)} {end} of "
                f"{frame_words(checked.frames, near)}"
            )
            numbers = {"row": float(number), "short_deg": math.degrees(short)}
            found.append(Finding("ends", "risk", (near,), words, numbers))
    return tuple(found)

"""The manual's table of readers, held against what the libraries here do with the files made today."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from benchmarks.deliver_readers import NOT_TRIED, READERS, Made, cells_of, outcome, table
from tests.browser import browser_page, find_browser

_MANUAL = Path(__file__).parents[1] / "docs" / "readers.md"


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_the_manual_tells_what_readers_do(tmp_path: Path) -> None:
    """Where it does not: python -m benchmarks.deliver_readers --write docs/readers.md."""
    told = cells_of(_MANUAL.read_text(encoding="utf-8"))
    browser = find_browser() if sys.platform.startswith("linux") else None
    if browser is None:
        found = table(tmp_path, None)
        assert [row[:-1] for row in found] == [row[:-1] for row in told]
        return
    with browser_page(browser, tmp_path / "browser") as page:
        assert table(tmp_path, page) == told


def test_other_pixels_are_told_apart(tmp_path: Path) -> None:
    """The comparison itself can fail: one code off, another size, an error."""
    codes = np.full((4, 5, 3), 40_000, np.uint16)
    made = Made("TIFF", tmp_path / "a.tif", codes)
    off = codes.copy()
    off[2, 2, 1] += 1
    assert outcome(made, lambda file: codes) == "16 bits"
    assert outcome(made, lambda file: (codes >> 8).astype(np.uint8)) == "8 bits"
    assert outcome(made, lambda file: off) == "differs"
    assert outcome(made, lambda file: (codes >> 9).astype(np.uint8)) == "differs"
    assert outcome(made, lambda file: codes[:3]) == "differs"
    assert outcome(made, lambda file: READERS["LibRaw"][1](file)) == "no"
    assert NOT_TRIED not in {"no", "differs"}

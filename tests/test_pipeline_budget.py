"""The memory ceiling and the remaining time."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.errors import BelvedereError
from belvedere.pipeline.budget import BASE_BYTES, GIB, MIB, default_ceiling, parse_bytes, share_out
from belvedere.pipeline.progress import Pace, Progress, in_words


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("1GiB", 2**30),
        ("1 gib", 2**30),
        ("800MB", 800_000_000),
        ("800m", 800_000_000),
        ("1.5GiB", 3 * 2**29),
        ("1,5G", 1_500_000_000),
        ("2TiB", 2**41),
        ("1048576", 2**20),
        ("64KiB", 65536),
    ],
)
def test_sizes_are_read_as_people_write_them(text: str, size: int) -> None:
    assert parse_bytes(text) == size


@pytest.mark.parametrize("text", ["", "GiB", "0", "-1GiB", "1XiB", "1 Gi B", "1e9", "nan", "iB", "0.0001"])
def test_what_is_no_size_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no size"):
        parse_bytes(text)


def test_the_default_is_a_quarter_and_at_most_four_gib() -> None:
    assert default_ceiling(8 * GIB) == 2 * GIB
    assert default_ceiling(64 * GIB) == 4 * GIB


@given(st.integers(600 * MIB, 8 * GIB), st.integers(1 * MIB, 900 * MIB), st.integers(1, 64))
def test_the_shares_stay_under_the_ceiling(ceiling: int, frame: int, threads: int) -> None:
    budget = share_out(ceiling, frame, threads)
    free = ceiling - BASE_BYTES
    assert min(budget.decoders, budget.aligners, budget.workers) >= 1
    assert max(budget.decoders, budget.aligners, budget.workers) <= threads
    assert budget.block % 512 == 0
    rendering = budget.workers * 75 * (budget.block + 128) ** 2
    assert rendering + budget.cache_bytes <= free
    assert budget.aligners == 1 or budget.aligners * 235 * MIB <= free
    decoding = budget.decoders * 2.7 * frame
    assert decoding - budget.short_bytes <= free + budget.decoders
    assert (budget.short_bytes == 0) == (2.7 * frame < free + 1)


def test_a_ceiling_below_the_program_itself_is_refused_with_what_would_do() -> None:
    with pytest.raises(BelvedereError, match=r"too low.*--memory 600MiB"):
        share_out(300 * MIB, MIB, 2)
    share_out(600 * MIB, MIB, 2)


def test_remaining_time_is_exact_where_the_expectation_is_right_up_to_speed() -> None:
    pace = Pace({"a": 10.0, "b": 20.0, "c": 30.0})
    assert pace.remaining("a", 0.0, 0.0) is None
    # this machine is twice as slow as expected
    assert pace.remaining("a", 0.5, 10.0) == pytest.approx(10.0 + 2 * 50.0)
    pace.finish("a", 20.0)
    assert pace.remaining("b", 0.0, 0.0) == pytest.approx(2 * 50.0)
    assert pace.remaining("b", 0.5, 20.0) == pytest.approx(20.0 + 2 * 30.0)
    pace.finish("b", 40.0)
    assert pace.remaining("c", 0.75, 45.0) == pytest.approx(15.0)


@given(st.floats(0.0, 1.0), st.floats(0.001, 1e5))
def test_remaining_time_is_never_negative(share: float, seconds: float) -> None:
    left = Pace({"a": 1.0, "b": 2.0}).remaining("a", share, seconds)
    assert left is None or left >= 0.0


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.1, "1 s"), (7.4, "7 s"), (12.0, "10 s"), (58.0, "1 min"), (600.0, "10 min"), (5000.0, "1 h 25 min")],
)
def test_durations_in_words(seconds: float, words: str) -> None:
    assert in_words(seconds) == words


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def told(stream: io.StringIO, shown: bool | None) -> str:
    now = 0.0
    progress = Progress(stream, shown, lambda: now)
    progress.expect({"frames": 1.0, "alignment": 3.0})
    progress.begin("frames")
    for step in range(1, 5):
        now += 1.0
        progress.advance(step / 4)
    progress.finish()
    progress.begin("alignment")
    progress.close()
    return stream.getvalue()


def test_nothing_is_said_where_nobody_looks_unless_asked() -> None:
    assert told(io.StringIO(), None) == ""
    assert told(_Terminal(), False) == ""
    asked = told(io.StringIO(), True)
    assert "\r" not in asked
    assert asked.splitlines()[-1] == "aligning: 0 %, about 10 s left"


def test_a_terminal_gets_one_line_that_is_cleared_at_the_end() -> None:
    text = told(_Terminal(), None)
    assert "\n" not in text
    assert "reading frames: 50 %, about 15 s left" in text
    assert text.endswith("\r")
    assert text.split("\r")[-2].strip() == ""

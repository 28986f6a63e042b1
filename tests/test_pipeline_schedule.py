"""Jobs over threads: order, bound, first error, an end to it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from belvedere.pipeline.schedule import Threads


@given(st.lists(st.integers(0, 20), max_size=30), st.integers(1, 4), st.integers(0, 3))
@settings(max_examples=40, deadline=None)
def test_results_come_in_order_for_every_number_of_threads(jobs: list[int], count: int, more: int) -> None:
    def slow_where_small(job: int) -> int:
        time.sleep((20 - job) * 2e-5)
        return job * job

    assert list(Threads(count, count + more)(slow_where_small, jobs)) == [j * j for j in jobs]


def test_no_more_jobs_are_begun_than_allowed() -> None:
    begun, taken = 0, 0
    most = 0
    lock = threading.Lock()

    def work(job: int) -> int:
        nonlocal begun, most
        with lock:
            begun += 1
            most = max(most, begun - taken)
        return job

    for _ in Threads(3, 4)(work, range(60)):
        time.sleep(0.001)
        with lock:
            taken += 1
    # the result in hand counts neither as taken nor as ahead
    assert most <= 5


@pytest.mark.parametrize("count", [1, 2, 4])
def test_the_first_error_in_the_order_of_jobs_wins_and_later_jobs_are_not_begun(count: int) -> None:
    begun = []

    def work(job: int) -> int:
        begun.append(job)
        if job == 3:
            time.sleep(0.05)
            raise ValueError("third")
        if job == 4:
            raise ValueError("fourth")
        return job

    got: list[int] = []
    with pytest.raises(ValueError, match="third"):
        got.extend(Threads(count)(work, range(1000)))
    assert got == [0, 1, 2]
    assert max(begun) < 20


def test_jobs_are_drawn_only_as_they_are_needed() -> None:
    drawn = []

    def jobs() -> Iterator[int]:
        for i in range(1000):
            drawn.append(i)
            yield i

    results = Threads(2, 3)(lambda job: job, jobs())
    assert next(results) == 0
    assert len(drawn) <= 4


def test_leaving_early_ends_the_threads() -> None:
    before = threading.active_count()
    results = Threads(3)(lambda job: time.sleep(0.01), range(1000))
    next(results)
    results.close()  # type: ignore[attr-defined]
    assert threading.active_count() == before


def test_one_thread_is_a_plain_loop() -> None:
    assert set(Threads(1)(lambda _: threading.get_ident(), range(3))) == {threading.get_ident()}


@pytest.mark.parametrize(("count", "ahead"), [(0, None), (3, 2)])
def test_nonsense_is_refused(count: int, ahead: int | None) -> None:
    with pytest.raises(ValueError, match="expected count"):
        Threads(count, ahead)

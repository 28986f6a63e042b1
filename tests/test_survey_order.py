"""One sequence a body: by clock, by counter where the clock is missing or wrong."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from belvedere.capture.card import Shot, counter_of
from belvedere.capture.frame import Exposure, Metadata
from belvedere.survey.sorting.order import order_shots

NOON = datetime(2031, 5, 4, 12)


def shot(place: str, seconds: float | None, serial: str | None = "0417") -> Shot:
    taken = None if seconds is None else NOON + timedelta(seconds=seconds)
    metadata = Metadata(600, 400, make="Quenlith", model="Q24", serial=serial, taken=taken)
    return Shot(Exposure(Path(place), metadata), None, place, counter_of(Path(place).stem))


def ordered(shots: list[Shot]) -> list[list[str]]:
    return [[shots[i].place for i in sequence.order] for sequence in order_shots(shots)]


def test_a_counter_that_runs_over_goes_on_in_one_folder() -> None:
    places = [f"DCIM/100QUENL/VH_{n:04d}.JPG" for n in (9997, 9998, 9999, 1, 2)]
    shots = [shot(p, None) for p in sorted(places)]
    assert ordered(shots) == [places]


def test_a_counter_that_runs_over_goes_on_in_the_next_folder() -> None:
    places = ["DCIM/100QUENL/VH_9999.JPG", "DCIM/101QUENL/VH_0001.JPG", "DCIM/101QUENL/VH_0002.JPG"]
    assert ordered([shot(p, None) for p in reversed(places)]) == [places]


def test_the_clock_is_followed_and_the_counter_breaks_ties() -> None:
    shots = [shot("A/VH_0003.JPG", 5), shot("A/VH_0002.JPG", 5), shot("B/VH_0001.JPG", 1)]
    assert ordered(shots) == [["B/VH_0001.JPG", "A/VH_0002.JPG", "A/VH_0003.JPG"]]


def test_a_clock_that_was_set_back_gives_way_to_the_counter_and_is_told() -> None:
    times = (0, 4, 8, -1e6, -1e6 + 4)
    shots = [shot(f"A/VH_{n:04d}.JPG", t) for n, t in enumerate(times, start=7)]
    (sequence,) = order_shots(shots)
    assert sequence.order == (0, 1, 2, 3, 4)
    assert sequence.notice is not None
    assert sequence.notice.startswith("A/VH_0010.JPG")


def test_names_given_by_a_person_do_not_outweigh_the_clock() -> None:
    shots = [shot(f"A/ridge{n}.jpg", -1e5 * n) for n in (1, 2, 3)]
    assert ordered(shots) == [["A/ridge3.jpg", "A/ridge2.jpg", "A/ridge1.jpg"]]


def test_one_frame_without_a_time_makes_the_counter_decide() -> None:
    shots = [shot("A/VH_0001.JPG", 90), shot("A/VH_0002.JPG", None), shot("A/VH_0003.JPG", 10)]
    (sequence,) = order_shots(shots)
    assert sequence.order == (0, 1, 2)
    assert sequence.notice is not None
    assert sequence.seconds[1] is None


def test_clocks_of_two_bodies_are_never_compared() -> None:
    shots = [
        shot("A/VH_0001.JPG", 0),
        shot("A/VH_0002.JPG", 4, "88"),
        shot("A/VH_0003.JPG", 8),
        shot("A/VH_0004.JPG", -9000, "88"),
    ]
    assert ordered(shots) == [
        ["A/VH_0001.JPG", "A/VH_0003.JPG"],
        ["A/VH_0004.JPG", "A/VH_0002.JPG"],
    ] or ordered(shots)[1] == ["A/VH_0002.JPG", "A/VH_0004.JPG"]

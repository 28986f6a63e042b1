"""The cards: every file in one place as the truth says, times and counters as a camera writes them."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path, PurePosixPath

import numpy as np
import pytest
from PIL import Image

from belvedere.demo.card_plan import CardShot, plan_card
from belvedere.demo.card_truth import CardTruth, picture_of, read_card_truth
from belvedere.demo.cards import CARDS, card_truth, write_card
from belvedere.demo.exif import STARTED
from belvedere.geometry.rotation import yaw_pitch_roll

SMALL = 0.03
EXIF_IFD = 0x8769


def planned(name: str, seed: int = 0) -> tuple[CardShot, ...]:
    return plan_card(CARDS[name], megapixels=SMALL, seed=seed)


def pictures_of(known: CardTruth) -> list[str]:
    """Every picture the truth places, as often as it does."""
    placed = [*known.markers, *known.strays]
    for s in known.series:
        placed += [f for pose in s.brackets for f in pose] if s.brackets else list(s.frames)
    return placed


@pytest.mark.parametrize("name", sorted(CARDS))
@pytest.mark.parametrize("seed", [0, 7])
def test_every_file_is_in_exactly_one_place(name: str, seed: int) -> None:
    known = card_truth(name, megapixels=SMALL, seed=seed)
    files = [picture_of(CARDS[name], s) for s in planned(name, seed)]
    assert len(files) == len(set(files))
    assert sorted(pictures_of(known)) == sorted(files) == sorted(known.seconds)
    for s in known.series:
        assert sorted(f for row in s.rows for f in row) == sorted(s.frames)
        assert s.frames == tuple(sorted(s.frames, key=lambda f: known.seconds[f]))
        if s.brackets:
            assert tuple(pose[0] for pose in s.brackets) == s.frames
            assert len({len(pose) for pose in s.brackets}) == 1
        assert set(s.twins) == {f for f in known.twins if f in (*s.frames, *sum(s.brackets, ()))}


@pytest.mark.parametrize("name", sorted(CARDS))
def test_rows_lie_as_seen(name: str) -> None:
    known = card_truth(name, megapixels=SMALL)
    looks = {
        picture_of(CARDS[name], s): yaw_pitch_roll(s.shot.camera.rotation.T)[:2]
        for s in planned(name)
        if s.what == "frame"
    }
    for s in known.series:
        for row in s.rows:
            assert all(np.sin(looks[b][0] - looks[a][0]) > 0 for a, b in pairwise(row))
        assert all(
            np.mean([looks[f][1] for f in above]) > np.mean([looks[f][1] for f in below]) + 0.05
            for above, below in pairwise(s.rows)
        )


@pytest.mark.parametrize("name", sorted(CARDS))
def test_time_runs_on_and_counters_count(name: str) -> None:
    shots = planned(name)
    for roll in {s.roll for s in shots}:
        own = [s for s in shots if s.roll == roll]
        gaps = np.diff([s.seconds for s in own])
        assert gaps.min() > 0.3
        numbers = [int(s.place[-4:]) for s in own]
        assert all(b == a % 9999 + 1 for a, b in pairwise(numbers))
        for a, b in pairwise(own):
            if a.what == b.what == "frame" and (a.part, a.shot.row) == (b.part, b.shot.row):
                assert b.seconds - a.seconds < 9.0
            elif a.part != b.part and a.what == b.what == "frame":
                assert b.seconds - a.seconds > 9.0


def test_five_series_are_as_told() -> None:
    known = card_truth("five-series", megapixels=SMALL)
    assert [(s.name, s.focal_mm, [len(row) for row in s.rows]) for s in known.series] == [
        ("wide", 24.0, [5]),
        ("normal", 50.0, [7]),
        ("moderate", 70.0, [11]),
        ("grid", 85.0, [5, 5, 5]),
        ("long", 150.0, [9]),
    ]
    assert len(known.strays) == 3
    assert set(known.markers.values()) == {"hand"}
    order = sorted(known.seconds, key=known.seconds.__getitem__)
    assert order == sorted(order)  # the new folder after the wrap keeps names in the order shot
    wrapped = next(s for s in known.series if s.name == "normal").frames
    assert [PurePosixPath(f).name for f in wrapped if "9999" in f or "0001" in f] == [
        "VH_9999.JPG",
        "VH_0001.JPG",
    ]
    assert {PurePosixPath(f).parts[1] for f in wrapped} == {"100QUENL", "101QUENL"}
    grid = next(s for s in known.series if s.name == "grid")
    for above, below in pairwise(grid.rows):
        between = order[order.index(above[-1]) + 1 : order.index(below[0])]
        assert len(between) == 1
        assert between[0] in known.markers


def test_orders_brackets_and_gaps_are_as_told() -> None:
    by_name = {s.name: s for s in card_truth("serpentine", megapixels=SMALL).series}
    snake = by_name["snake"]
    assert snake.frames[:5] == snake.rows[0]
    assert snake.frames[5:10] == snake.rows[1][::-1]
    upwards = by_name["upwards"]
    assert upwards.frames[:5] == upwards.rows[2]
    leftwards = by_name["leftwards"]
    assert leftwards.frames == (*leftwards.rows[1][::-1], *leftwards.rows[0])
    brackets = card_truth("brackets", megapixels=SMALL)
    assert [len(s.brackets) for s in brackets.series] == [6, 0]
    assert list(brackets.strays.values()) == ["a pose shot once more"]
    (hole,) = card_truth("gaps", megapixels=SMALL).series
    assert hole.missing == ((1, 3),)
    assert [len(row) for row in hole.rows] == [6, 5]


def test_two_bodies_shoot_at_the_same_time_by_clocks_that_disagree() -> None:
    shots = planned("two-bodies")
    order = [s.roll for s in sorted(shots, key=lambda s: s.seconds)]
    assert sum(a != b for a, b in pairwise(order)) > 10
    clocks = {s.roll: s.spec.body.clock_s for s in shots}
    assert abs(clocks[0] - clocks[1]) > 3600.0  # type: ignore[operator]
    names = [PurePosixPath(s.place).name for s in shots]
    assert len(set(names)) < len(names)  # the same names in two folders


def test_a_written_card_is_its_truth(tmp_path: Path) -> None:
    known = write_card("twins", tmp_path, megapixels=SMALL, seed=3)
    assert (
        read_card_truth(tmp_path / "card-truth.json")
        == known
        == card_truth("twins", megapixels=SMALL, seed=3)
    )
    found = {p.relative_to(tmp_path).as_posix() for p in (tmp_path / "DCIM").rglob("*") if p.is_file()}
    assert found == {*pictures_of(known), *known.twins.values(), *known.sidecars}
    assert set(known.twins) == set(pictures_of(known))
    for file, seconds in known.seconds.items():
        with Image.open(tmp_path / file) as picture:
            picture.load()
            exif = picture.getexif()
        taken = STARTED + timedelta(seconds=seconds)
        assert exif.get_ifd(EXIF_IFD)[0x9003] == taken.strftime("%Y:%m:%d %H:%M:%S")


def test_a_clock_that_is_missing_or_wrong_shows_in_exif(tmp_path: Path) -> None:
    write_card("no-clock", tmp_path / "none", megapixels=SMALL)
    known = write_card("two-bodies", tmp_path / "two", megapixels=SMALL)
    for file in (tmp_path / "none" / "DCIM").rglob("*.JPG"):
        with Image.open(file) as picture:
            exif = picture.getexif()
        assert 0x0132 not in exif
        assert not {0x9003, 0x9004} & set(exif.get_ifd(EXIF_IFD))
    ahead = {}
    for file, seconds in known.seconds.items():
        with Image.open(tmp_path / "two" / file) as picture:
            detail = picture.getexif().get_ifd(EXIF_IFD)
        wrong = (STARTED + timedelta(seconds=seconds)).strftime("%Y:%m:%d %H:%M:%S") != detail[0x9003]
        ahead.setdefault(detail[0xA431], set()).add(wrong)
    assert ahead == {"0417": {False}, "88-1190": {True}}


def test_same_seed_same_bytes_and_another_seed_another_card(tmp_path: Path) -> None:
    for folder, seed in (("a", 2), ("b", 2), ("c", 3)):
        write_card("raw-only", tmp_path / folder, megapixels=SMALL, seed=seed)
    names = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a" / "DCIM").rglob("*.DNG"))
    assert len(names) == 7
    for name in names:
        a, b, c = ((tmp_path / folder / name).read_bytes() for folder in "abc")
        assert a == b
        assert a != c


def test_a_card_that_does_not_exist_is_named_with_those_that_do(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="five-series"):
        write_card("nothing", tmp_path)
    assert not list(tmp_path.iterdir())

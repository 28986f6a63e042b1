"""Seams cut on a coarse grid and refined in a band, square by square, shown on small plates."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.compose import seam_refine, seams
from belvedere.compose.layout import LayoutOptions, choose_plate
from belvedere.compose.seam_cost import DISAGREEMENT_UNIT, KEPT, Candidates
from belvedere.compose.seam_owner import MARGIN_PX
from belvedere.compose.seams import Seams, estimate_seams, owners, seam_steps
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.pipeline.schedule import Threads
from compose_scene import Disc, camera, shoot

PAIR = [camera(-14), camera(14)]
GRID = [camera(y, p, r) for p, r in ((13, 1), (-13, -1)) for y in (-28, 0, 28)]
RING = [camera(y, 2 * math.sin(y), 1.0) for y in range(0, 360, 36)]


@pytest.fixture
def large(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small plates are handled as large ones: a coarse grid four times as coarse, squares of 64 nodes."""
    monkeypatch.setattr(seams, "seam_steps", lambda plate: (8, 2))
    monkeypatch.setattr(seam_refine, "SQUARE", 64)
    monkeypatch.setattr(seam_refine, "_HALO", 32)


def rooms(plate: Plate, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """How far inside each frame every plate pixel lies (px; -1 off the frame)."""
    out = np.full((len(cameras), plate.height, plate.width), -1.0)
    for k, c in enumerate(cameras):
        p, seen = c.project(directions(plate))
        u, v = p[..., 0], p[..., 1]
        inside = np.minimum(np.minimum(u + 0.5, c.width - 0.5 - u), np.minimum(v + 0.5, c.height - 0.5 - v))
        out[k][seen] = inside[seen]
    return out


def whole(found: Seams, plate: Plate, cameras: Sequence[Camera]) -> NDArray[np.int16]:
    return owners(found, plate, cameras, 0, 0, plate.width, plate.height)


def directions(plate: Plate) -> NDArray[np.float64]:
    y, x = np.mgrid[0 : plate.height, 0 : plate.width]
    return plate.directions(np.stack([x, y], axis=-1))


@pytest.mark.usefixtures("large")
def test_where_nothing_shows_the_seam_is_the_line_of_equal_distance() -> None:
    source, lights = shoot(PAIR, noise=0.003)
    plate, _ = choose_plate(PAIR)
    found = estimate_seams(source, PAIR, lights, plate)
    assert found.step == 2
    own = whole(found, plate, PAIR)
    middle = own[plate.height // 6 : -plate.height // 6]
    border = (middle == 1).argmax(axis=1)
    assert np.abs(border - (plate.width - 1) / 2).max() <= found.step + 0.5
    assert (np.diff(middle[:, 1:-1], axis=1) != 0).sum(axis=1).max() == 1


@pytest.mark.usefixtures("large")
@pytest.mark.parametrize("yaw", [-13.0, -4.0, 0.0, 3.0, 9.0])
@pytest.mark.parametrize("radius", [0.4, 1.0, 2.5])
def test_a_thing_that_moved_goes_whole_to_one_frame(yaw: float, radius: float) -> None:
    """Also one smaller than the coarse grid's step, which only the fine grid sees, on the seam's own line."""
    disc = Disc(yaw, 1.0, radius, (0,))
    source, lights = shoot(PAIR, [disc], noise=0.003)
    plate, _ = choose_plate(PAIR)
    own = whole(estimate_seams(source, PAIR, lights, plate), plate, PAIR)
    assert len(np.unique(own[disc.holds(directions(plate), 0.1)])) == 1


@pytest.mark.usefixtures("large")
def test_things_all_over_a_grid_are_never_cut_where_squares_meet() -> None:
    rng = np.random.default_rng(4)
    plate, _ = choose_plate(GRID)
    assert plate.width > 2 * 64 * 2
    rays = directions(plate)
    room = rooms(plate, GRID)
    discs = [
        Disc(y, p, rng.uniform(0.4, 1.6), (int(rng.integers(6)),), tuple(rng.uniform(0.0, 1.0, 3)))
        for y, p in rng.uniform((-45, -25), (45, 25), (60, 2))
    ]
    source, lights = shoot(GRID, discs, noise=0.003)
    own = whole(estimate_seams(source, GRID, lights, plate), plate, GRID)
    seen = 0
    for disc in discs:
        near = disc.holds(rays, 0.1) & (room[disc.frames[0]] > 0)
        if not near.any():
            continue
        alone = not any(o is not disc and np.any(o.holds(rays, 0.6) & disc.holds(rays, 0.6)) for o in discs)
        if alone and (room[:, near].min(axis=1) > 2 * MARGIN_PX).any():  # some frame has all of the place
            seen += 1
            assert len(np.unique(own[near])) == 1, disc
    assert seen > 12


@pytest.mark.usefixtures("large")
def test_refined_seams_lie_where_those_cut_as_a_whole_do() -> None:
    source, lights = shoot(GRID, noise=0.003)
    plate, _ = choose_plate(GRID)
    refined = estimate_seams(source, GRID, lights, plate)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(seams, "seam_steps", lambda plate: (2, 2))
        at_once = estimate_seams(source, GRID, lights, plate)
    assert (refined.labels == at_once.labels).mean() > 0.995
    assert ((refined.labels >= 0) == (at_once.labels >= 0)).mean() > 0.998


@pytest.mark.usefixtures("large")
def test_a_full_turn_is_refined_across_the_wrap_and_for_any_schedule() -> None:
    discs = [Disc(y + 16, 3, 1.2, (y // 36,)) for y in range(0, 360, 36)]
    source, lights = shoot(RING, discs, noise=0.003)
    for centre in (0.0, math.radians(16.0 + 180.0)):
        plate, _ = choose_plate(RING, LayoutOptions(centre_yaw=centre))
        assert plate.wraps
        found = estimate_seams(source, RING, lights, plate)
        own = whole(found, plate, RING)
        for disc in discs:
            assert len(np.unique(own[disc.holds(directions(plate), 0.1)])) == 1, disc
        again = estimate_seams(source, RING, lights, plate, run=Threads(3))
        np.testing.assert_array_equal(again.tiles, found.tiles)
        assert again.crossed_fraction == found.crossed_fraction


def test_a_thing_that_leans_over_where_squares_meet_goes_on_as_it_began(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its upper part lies more in frame 0, its lower part in frame 1; what is decided first holds."""
    monkeypatch.setattr(seam_refine, "SQUARE", 64)
    monkeypatch.setattr(seam_refine, "_HALO", 2)
    height, width, middle = 128, 80, 40
    y, x = np.mgrid[:height, :width]
    thing = (np.abs(y - 64) < 20) & (np.abs(x - middle - (y - 64) // 2) < 4)
    merits = np.zeros((height, width, KEPT), np.uint8)
    merits[..., 0], merits[..., 1] = 100 + np.abs(x - middle), 100
    frames = np.full((height, width, KEPT), -1, np.int16)
    frames[..., 0], frames[..., 1] = x >= middle, x < middle
    disagreement = np.where(thing, int(0.3 / DISAGREEMENT_UNIT), 0).astype(np.uint16)
    slope = np.zeros((height, width), np.uint8)

    def start(box: tuple[int, int, int, int]) -> NDArray[np.int16]:
        columns = np.arange(box[0], box[2])[None, :] >= middle
        return np.repeat(columns, box[3] - box[1], axis=0).astype(np.int16)

    def gather(box: tuple[int, int, int, int]) -> Candidates:
        here = (slice(box[1], box[3]), slice(box[0], box[2]))
        return Candidates(frames[here], merits[here], disagreement[here], slope[here])

    bands = [b for b, _ in seam_refine.refine((height, width), False, 16, start, gather, 0.012)]
    labels = np.concatenate(bands)
    assert labels.shape == (height, width)
    assert np.unique(labels[thing]).tolist() == [0]


def test_a_large_plate_is_cut_on_two_grids() -> None:
    plate = Plate("equirectangular", 52_000, 30_000, 30_000.0, (26_000.0, 15_000.0))
    assert seam_steps(plate) == (32, 8)

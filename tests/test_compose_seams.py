"""Seams on small invented sets: nothing that moved is cut, everything covered is owned, for every tiling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from belvedere.compose.layout import LayoutOptions, choose_plate
from belvedere.compose.owners_at import owners_at
from belvedere.compose.sample import sample
from belvedere.compose.seam_cost import DISAGREEMENT_UNIT, KEPT, Candidates
from belvedere.compose.seam_cut import _sorted_edges, _unite, cut
from belvedere.compose.seam_owner import MARGIN_PX
from belvedere.compose.seams import Seams, estimate_seams, grid_shape, owners, seam_steps, seams_of
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from compose_scene import HEIGHT, WIDTH, Disc, camera, shoot

PAIR = [camera(-14), camera(14)]
GRID = [camera(y, p, r) for p, r in ((13, 1), (-13, -1)) for y in (-28, 0, 28)]
RING = [camera(y, 2 * math.sin(y), 1.0) for y in range(0, 360, 36)]
POLAR = [camera(y, 40) for y in range(0, 360, 40)] + [camera(0, 90)]


def whole(seams: Seams, plate: Plate, cameras: Sequence[Camera]) -> NDArray[np.int16]:
    return owners(seams, plate, cameras, 0, 0, plate.width, plate.height)


def directions(plate: Plate) -> NDArray[np.float64]:
    y, x = np.mgrid[0 : plate.height, 0 : plate.width]
    return plate.directions(np.stack([x, y], axis=-1))


def rooms(plate: Plate, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """How far inside each frame every plate pixel lies (px; -1 off the frame), by the geometry room."""
    out = np.full((len(cameras), plate.height, plate.width), -1.0)
    rays = directions(plate)
    for k, c in enumerate(cameras):
        p, seen = c.project(rays)
        u, v = p[..., 0], p[..., 1]
        inside = np.minimum(np.minimum(u + 0.5, c.width - 0.5 - u), np.minimum(v + 0.5, c.height - 0.5 - v))
        out[k][seen] = inside[seen]
    return out


def test_where_nothing_shows_the_seam_is_the_line_of_equal_distance() -> None:
    source, lights = shoot(PAIR, noise=0.003)
    plate, _ = choose_plate(PAIR)
    seams = estimate_seams(source, PAIR, lights, plate)
    own = whole(seams, plate, PAIR)
    assert seams.crossed_fraction == 0.0
    middle = own[plate.height // 6 : -plate.height // 6]
    border = (middle == 1).argmax(axis=1)
    assert np.abs(border - (plate.width - 1) / 2).max() <= seams.step + 0.5
    assert (np.diff(middle[:, 1:-1], axis=1) != 0).sum(axis=1).max() == 1


@pytest.mark.parametrize("yaw", [-14.0, -10.0, -4.0, 0.0, 3.0, 9.0, 13.0, 15.0])
@pytest.mark.parametrize("shown", [0, 1])
def test_a_thing_that_moved_goes_whole_to_one_frame(yaw: float, shown: int) -> None:
    """Also where one frame's border (at -14.6 and 14.6 degrees on the equator) cuts it."""
    disc = Disc(yaw, 1.0, 2.5, (shown,))
    source, lights = shoot(PAIR, [disc], noise=0.003)
    plate, _ = choose_plate(PAIR)
    own = whole(estimate_seams(source, PAIR, lights, plate), plate, PAIR)
    there = np.unique(own[disc.holds(directions(plate), 0.3)])
    assert len(there) == 1
    if abs(yaw) > 12.5:  # cut by the border of one frame: the other has all of the place
        assert there[0] == (0 if yaw < 0 else 1)


def test_things_all_over_a_grid_are_never_cut() -> None:
    rng = np.random.default_rng(4)
    plate, _ = choose_plate(GRID)
    rays = directions(plate)
    room = rooms(plate, GRID)
    discs = [
        Disc(y, p, rng.uniform(0.8, 2.0), (int(rng.integers(6)),), tuple(rng.uniform(0.0, 1.0, 3)))
        for y, p in rng.uniform((-45, -25), (45, 25), (40, 2))
    ]
    source, lights = shoot(GRID, discs, noise=0.003)
    seams = estimate_seams(source, GRID, lights, plate)
    own = whole(seams, plate, GRID)
    seen = 0
    for disc in discs:
        near = disc.holds(rays, 0.3) & (room[disc.frames[0]] > 0)
        if not near.any():
            continue
        alone = not any(o is not disc and np.any(o.holds(rays, 0.6) & disc.holds(rays, 0.6)) for o in discs)
        if alone and (room[:, near].min(axis=1) > 2 * MARGIN_PX).any():  # some frame has all of the place
            seen += 1
            assert len(np.unique(own[near])) == 1
    assert seen > 8


def test_a_seam_keeps_out_of_differences_where_there_is_a_free_way() -> None:
    discs = [Disc(y, p, 3.0, (0,)) for y, p in ((-2, 12), (4, 4), (-4, -4), (2, -12))]
    source, lights = shoot(PAIR, discs, noise=0.003)
    plate, _ = choose_plate(PAIR)
    seams = estimate_seams(source, PAIR, lights, plate)
    assert seams.crossed_fraction == 0.0


def test_a_bar_across_the_overlap_is_crossed_where_it_is_weakest() -> None:
    """A row of discs from border to border has to be cut; the faint one in the middle is."""
    discs = [Disc(y, 0.0, 1.6, (0,), (0.9, 0.1, 0.1)) for y in np.arange(-18, 18.1, 1.5) if abs(y - 4) > 2]
    discs += [Disc(4.0, 0.0, 2.2, (0,), (0.42, 0.38, 0.34))]
    source, lights = shoot(PAIR, discs, noise=0.001)
    plate, _ = choose_plate(PAIR)
    own = whole(estimate_seams(source, PAIR, lights, plate), plate, PAIR)
    line = own[round(plate.centre[1])]
    x = plate.points(plate.directions([[0.0, plate.centre[1]]]))[0, 0]
    assert x == pytest.approx(0.0)
    at = np.flatnonzero((line[:-1] == 0) & (line[1:] == 1))
    assert ((line[:-1] == 1) & (line[1:] == 0)).sum() == 0
    assert len(at) == 1
    ray = plate.directions([[float(at[0]), plate.centre[1]]])[0]
    assert math.degrees(math.atan2(ray[0], ray[2])) == pytest.approx(4.0, abs=2.7)


def test_noise_makes_no_islands() -> None:
    source, lights = shoot(GRID, noise=0.02)
    plate, _ = choose_plate(GRID)
    seams = estimate_seams(source, GRID, lights, plate)
    patches = sum(ndimage.label(seams.labels == k)[1] for k in range(len(GRID)))
    assert patches == len(GRID)


def test_gains_are_no_differences() -> None:
    gains = [1.0, 0.6, 1.4, 0.8, 1.0, 1.2]
    plate, _ = choose_plate(GRID)
    plain = estimate_seams(*shoot(GRID)[:1], GRID, shoot(GRID)[1], plate)
    source, lights = shoot(GRID, gains=gains)
    seams = estimate_seams(source, GRID, lights, plate)
    assert (seams.labels == plain.labels).mean() > 0.999


@pytest.mark.parametrize(
    ("cameras", "options"),
    [
        (PAIR, LayoutOptions()),
        (GRID, LayoutOptions("stereographic")),
        (RING, LayoutOptions()),
        (POLAR, LayoutOptions()),
        ([camera(-30), camera(30)], LayoutOptions()),
        ([camera(0, k1=-0.08), camera(20, 5, 8, k1=-0.08)], LayoutOptions("rectilinear")),
        ([camera(0), camera(5, focal=700.0)], LayoutOptions("cylindrical")),
    ],
)
def test_every_covered_pixel_is_owned_by_a_frame_that_covers_it(
    cameras: list[Camera], options: LayoutOptions
) -> None:
    source, lights = shoot(cameras, noise=0.003)
    plate, _ = choose_plate(cameras, options)
    own = whole(estimate_seams(source, cameras, lights, plate), plate, cameras)
    covers = np.stack(
        [
            sample(source, k, 0, c, lights[k], plate, 1, 0, 0, plate.width, plate.height).coverage > 0
            for k, c in enumerate(cameras)
        ]
    )
    np.testing.assert_array_equal(own >= 0, covers.any(axis=0))
    for k in range(len(cameras)):
        assert covers[k][own == k].all()
    # close to a frame's border only where no frame has more room
    room = rooms(plate, cameras)
    mine = np.take_along_axis(room, np.maximum(own, 0)[None].astype(int), axis=0)[0]
    poor = (own >= 0) & (mine < MARGIN_PX - 1e-6)
    assert (mine[poor] >= room.max(axis=0)[poor] - 1e-6).all()


def test_a_full_turn_closes() -> None:
    disc = Disc(180.0 - 18.0, 0.0, 2.5, (4,))
    source, lights = shoot(RING, [disc], noise=0.003)
    for centre in (0.0, math.radians(-18.0), math.radians(disc.yaw + 180.0), math.radians(disc.yaw + 181.0)):
        plate, _ = choose_plate(RING, LayoutOptions(centre_yaw=centre))
        assert plate.wraps
        seams = estimate_seams(source, RING, lights, plate)
        assert seams.labels.shape == grid_shape(plate, seams.step)
        assert seams.labels.shape[1] * seams.step == plate.width
        own = whole(seams, plate, RING)
        assert len(np.unique(own[disc.holds(directions(plate), 0.3)])) == 1
        past = owners(seams, plate, RING, plate.width - 50, 0, 100, plate.height)
        np.testing.assert_array_equal(past, np.concatenate([own[:, -50:], own[:, :50]], axis=1))


RING_SCENE = shoot(RING, [Disc(y + 16, 3, 3, (y // 36,)) for y in range(0, 360, 36)], noise=0.003)
RING_PLATE = choose_plate(RING)[0]
RING_SEAMS = estimate_seams(RING_SCENE[0], RING, RING_SCENE[1], RING_PLATE)
RING_OWNERS = whole(RING_SEAMS, RING_PLATE, RING)


@settings(max_examples=80, deadline=None)
@given(
    x0=st.integers(-RING_PLATE.width, RING_PLATE.width),
    y0=st.integers(0, RING_PLATE.height - 1),
    width=st.integers(1, 300),
    height=st.integers(1, 200),
)
def test_owners_do_not_depend_on_the_tile(x0: int, y0: int, width: int, height: int) -> None:
    height = min(height, RING_PLATE.height - y0)
    tile = owners(RING_SEAMS, RING_PLATE, RING, x0, y0, width, height)
    columns = np.arange(x0, x0 + width) % RING_PLATE.width
    np.testing.assert_array_equal(tile, RING_OWNERS[y0 : y0 + height][:, columns])


@pytest.mark.parametrize("step", [1, 2, 8])
def test_owners_may_be_told_by_numbers_of_a_larger_set(step: int) -> None:
    numbers = np.array([3, 4, 7, 8, 9, 11, 12, 20, 21, 300], np.int16)
    asked = (-40, 3, 150, 20, step)
    plain = owners_at(RING_SEAMS, RING_PLATE, RING)(*asked)
    told = owners_at(RING_SEAMS, RING_PLATE, RING, numbers)(*asked)
    np.testing.assert_array_equal(told, np.where(plain >= 0, numbers[plain], -1))
    assert len(np.unique(plain)) > 1


def test_same_input_same_labels() -> None:
    again = estimate_seams(RING_SCENE[0], RING, RING_SCENE[1], RING_PLATE)
    np.testing.assert_array_equal(again.labels, RING_SEAMS.labels)
    assert again.crossed_fraction == RING_SEAMS.crossed_fraction


def test_masks_are_heard() -> None:
    """0 keeps a frame out where another covers the place, and only there; 255 brings it in."""
    source, lights = shoot(PAIR)
    plate, _ = choose_plate(PAIR)
    never = np.full((HEIGHT, WIDTH), 128, np.uint8)
    never[:, : WIDTH // 2] = 0  # left half of the right frame
    own = whole(estimate_seams(source, PAIR, lights, plate, masks=[None, never]), plate, PAIR)
    both = (rooms(plate, PAIR) > 2 * MARGIN_PX).all(axis=0)
    p, _ = PAIR[1].project(directions(plate))
    assert (own[both & (p[..., 0] < WIDTH / 2 - 8)] == 0).all()
    assert (own[rooms(plate, PAIR)[1] > 0] >= 0).all()
    prefer = np.full((HEIGHT, WIDTH), 255, np.uint8)
    own = whole(estimate_seams(source, PAIR, lights, plate, masks=[None, prefer]), plate, PAIR)
    assert (own[both] == 1).all()


def test_frame_numbers_may_differ_from_camera_order() -> None:
    cameras = [PAIR[1], PAIR[0]]
    source, lights = shoot(PAIR, [Disc(0, 0, 2, (0,))], noise=0.003)
    plate, _ = choose_plate(PAIR)
    seams = estimate_seams(source, cameras, lights[::-1], plate, frames=[1, 0])
    straight = estimate_seams(source, PAIR, lights, plate)
    assert ((1 - seams.labels)[seams.labels >= 0] == straight.labels[seams.labels >= 0]).mean() > 0.99


def test_grid_is_a_function_of_the_plate_alone() -> None:
    def plate(width: int, height: int, wraps: bool = False) -> Plate:
        return Plate("cylindrical", width, height, width / (2 * math.pi), (0.0, 0.0), wraps=wraps)

    assert seam_steps(plate(12_000, 8_000)) == (8, 8)
    assert seam_steps(plate(400, 300)) == (2, 2)
    assert seam_steps(plate(52_000, 30_000)) == (32, 8)
    assert seam_steps(plate(200_000, 60_000)) == (64, 8)
    assert seam_steps(plate(64 * 3125, 60_000, wraps=True)) == (64, 8)
    for width, height in ((12_000, 8_000), (12_001, 8_009), (1, 1)):
        step = seam_steps(plate(width, height))[1]
        rows, columns = grid_shape(plate(width, height), step)
        assert (rows - 1) * step >= height - 1 > (rows - 2) * step
        assert (columns - 1) * step >= width - 1 > (columns - 2) * step


def test_what_is_cut_as_a_whole_is_bounded() -> None:
    for megapixels in (1, 100, 1_500, 10_000, 30_000):
        side = round(math.sqrt(megapixels * 1e6))
        rows, columns = grid_shape(
            Plate("cylindrical", side, side, side / 3.0, (0.0, 0.0)),
            seam_steps(Plate("cylindrical", side, side, side / 3.0, (0.0, 0.0)))[0],
        )
        assert rows * columns <= 4_010_000


@given(st.integers(1, 200), st.integers(1, 300), st.integers(0, 100))
def test_packed_labels_come_back(rows: int, columns: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = rng.integers(-1, 300, (rows, columns)).astype(np.int16)
    seams = seams_of(8, [labels[y : y + 64] for y in range(0, rows, 64)])
    np.testing.assert_array_equal(seams.labels, labels)
    i, j = rng.integers(0, columns, 9), rng.integers(0, rows, 7)
    np.testing.assert_array_equal(seams.nodes(j, i), labels[np.ix_(j, i)])
    assert seams.owned_fraction == (labels >= 0).mean()


def plain_kruskal(
    weights: NDArray[np.uint8], frames: NDArray[np.int16], wraps: bool
) -> tuple[NDArray[np.int64], list[set[int]]]:
    """The rule of `seam_cut._unite` in plain Python: component of every node, and its possible frames."""
    rows, columns = weights.shape
    edges = []
    for j in range(rows):
        for i in range(columns):
            if i + 1 < columns or wraps:
                edges.append(((j, i), (j, (i + 1) % columns), 0))
            if j + 1 < rows:
                edges.append(((j, i), (j + 1, i), 1))
    heavy = [(-int(max(weights[a], weights[b])), a, k, b) for a, b, k in edges]
    name = {(j, i): j * columns + i for j in range(rows) for i in range(columns)}
    sets = {name[n]: {int(f) for f in frames[n] if f >= 0} for n in name}
    for weight, a, _, b in sorted(heavy):
        one, other = name[a], name[b]
        if weight == 0 or one == other or not sets[one] & sets[other]:
            continue
        sets[one] &= sets[other]
        name = {n: one if c == other else c for n, c in name.items()}
    where = np.array([[name[j, i] for i in range(columns)] for j in range(rows)])
    return where, [sets[c] for c in where.ravel()]


@pytest.mark.parametrize("wraps", [False, True])
def test_forest_agrees_with_a_plain_kruskal(wraps: bool) -> None:
    rng = np.random.default_rng(8)
    for _ in range(5):
        shape = (7, 9)
        weights = rng.integers(0, 6, shape).astype(np.uint8)
        frames = np.full((*shape, KEPT), -1, np.int16)
        for n in np.ndindex(shape):
            count = int(rng.integers(0, 4))
            frames[n][:count] = rng.permutation(4)[:count]
        parent = np.arange(63, dtype=np.int32)
        sets = frames.reshape(-1, KEPT).copy()
        _unite(_sorted_edges(weights, wraps), shape[1], shape[0], sets, parent)

        def root(p: int, parent: NDArray[np.int32] = parent) -> int:
            while parent[p] != p:
                p = int(parent[p])
            return p

        where, possible = plain_kruskal(weights, frames, wraps)
        ours = np.array([root(p) for p in range(63)])
        pairs = set(zip(ours.tolist(), where.ravel().tolist(), strict=True))
        assert len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})
        for p in range(63):
            assert {int(f) for f in sets[ours[p]] if f >= 0} == possible[p]


def test_components_are_not_cut_by_tidying_up() -> None:
    """Random differences: neighbours that one frame could own together are never parted when both differ."""
    rng = np.random.default_rng(2)
    shape = (60, 90)
    frames = np.full((*shape, KEPT), -1, np.int16)
    frames[:, :60, 0] = 0
    frames[:, 30:60, 1] = 1
    frames[:, 60:, 0] = 1
    merits = np.full((*shape, KEPT), 100, np.uint8)
    blobs = ndimage.maximum_filter(rng.random(shape) > 0.995, 5)
    disagreement = np.where(blobs & (frames[..., 1] >= 0), int(0.3 / DISAGREEMENT_UNIT), 0).astype(np.uint16)
    labels, _ = cut(Candidates(frames, merits, disagreement, np.zeros(shape, np.uint8)), False, 0.012)
    things, count = ndimage.label(disagreement > 0)
    across = 0
    for k in range(1, count + 1):
        columns = np.flatnonzero((things == k).any(axis=0))
        if columns[0] > 33 and columns[-1] < 56:
            across += 1
            assert len(np.unique(labels[things == k])) == 1
    assert across > 3


def test_seams_between_rows_cross_at_corners_only() -> None:
    """Four frames meet: each owns one quarter."""
    cameras = [camera(y, p) for p in (10, -10) for y in (-14, 14)]
    source, lights = shoot(cameras, noise=0.002)
    plate, _ = choose_plate(cameras)
    own = whole(estimate_seams(source, cameras, lights, plate), plate, cameras)
    h, w = own.shape
    quarters = [
        own[h // 4, w // 4],
        own[h // 4, 3 * w // 4],
        own[3 * h // 4, w // 4],
        own[3 * h // 4, 3 * w // 4],
    ]
    assert quarters == [0, 1, 2, 3]
    for a, b in pairwise(quarters):
        assert a != b

"""The spline against the plain formula, known answers, and equal bits for every tiling."""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose._pyramid import correct, reduce_labels, reduce_masks
from belvedere.compose.blend import blend_levels, boxes_around, frame_level, render_tile
from belvedere.compose.light import FrameLight, plain_light
from belvedere.compose.piece import Piece
from belvedere.compose.sample import sample
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix

FOCAL = 180.0


def camera(yaw: float, pitch: float = 0.0, roll: float = 0.0, width: int = 200, height: int = 150) -> Camera:
    pose = pose_matrix(yaw, pitch, roll)
    centre = ((width - 1) / 2, (height - 1) / 2)
    return Camera(width, height, FOCAL, centre, (-0.03, 0.0, 0.0), quaternion_from_matrix(pose.T))


def smooth_noise(seed: int, height: int = 150, width: int = 200) -> NDArray[np.uint8]:
    rng = np.random.default_rng(seed)
    waves = np.zeros((height, width, 3))
    y, x = np.mgrid[:height, :width]
    for _ in range(6):
        fx, fy, phase = rng.uniform(-0.1, 0.1), rng.uniform(-0.1, 0.1), rng.uniform(0, 6)
        waves += np.cos(2 * np.pi * (fx * x + fy * y) + phase)[..., None] * rng.uniform(5, 20, 3)
    return np.clip(110 + waves + rng.normal(0, 8, waves.shape), 0, 255).astype(np.uint8)


class Scene:
    """Frames in a row on a plate, each pixel owned by the nearest covering camera along a wavy seam."""

    def __init__(
        self,
        plate: Plate,
        cameras: list[Camera],
        pictures: list[NDArray[np.uint8]],
        lights: list[FrameLight] | None = None,
    ) -> None:
        self.plate, self.cameras = plate, cameras
        self.source = FramesInMemory(pictures)
        self.lights = lights or [plain_light(c) for c in cameras]
        x, y = np.meshgrid(np.arange(plate.width, dtype=float), np.arange(plate.height, dtype=float))
        directions = plate.directions(np.stack([x, y], axis=-1))
        score = []
        for c in cameras:
            points, seen = c.project(directions)
            away = np.abs(points[..., 0] - c.principal_point[0] + 9 * np.sin(y / 11)) + 0.3 * np.abs(
                points[..., 1] - c.principal_point[1]
            )
            score.append(np.where(seen, away, np.inf))
        self.owners = np.argmin(score, axis=0).astype(np.int16)
        self.owners[np.isinf(np.min(score, axis=0))] = -1

    def owners_at(self, x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        assert x0 >= 0
        assert y0 >= 0
        out = self.owners[::step, ::step][y0 : y0 + height, x0 : x0 + width]
        assert out.shape == (height, width)
        return out

    def render(self, levels: int, x0: int, y0: int, w: int, h: int, base_level: int = 0) -> Piece:
        return render_tile(
            self.source,
            self.cameras,
            self.lights,
            self.plate,
            self.owners_at,
            levels,
            x0,
            y0,
            w,
            h,
            base_level=base_level,
        )

    def whole(self, levels: int, base_level: int = 0) -> Piece:
        step = 2**base_level
        return self.render(
            levels, 0, 0, -(-self.plate.width // step), -(-self.plate.height // step), base_level
        )


def row(pictures: list[NDArray[np.uint8]] | None = None) -> Scene:
    plate = Plate("cylindrical", 480, 220, FOCAL, (210.3, 108.2), (0.0, 0.02, 0.01))
    cameras = [camera(-0.62, 0.02, 0.03), camera(0.0, -0.03, -0.02), camera(0.6, 0.04, 0.01)]
    return Scene(plate, cameras, pictures or [smooth_noise(i) for i in range(3)])


@cache
def row_and_picture() -> tuple[Scene, Piece]:
    scene = row()
    return scene, scene.whole(4)


def full_turn(count: int = 9, offset: float = 0.0) -> Scene:
    width = 1152
    s = width / (2 * math.pi)
    plate = Plate("equirectangular", width, 200, s, (0.0, 100.0), (offset, 0.0, 0.0), wraps=True)
    cameras = [camera(2 * math.pi * i / count) for i in range(count)]
    return Scene(plate, cameras, [smooth_noise(10 + i) for i in range(count)])


def same(a: Piece, b: Piece) -> bool:
    return all(
        x.tobytes() == y.tobytes()
        for x, y in ((a.colour, b.colour), (a.coverage, b.coverage), (a.valid, b.valid))
    )


def cut(piece: Piece, x0: int, y0: int, width: int, height: int) -> Piece:
    ys, xs = slice(y0, y0 + height), slice(x0, x0 + width)
    return Piece(piece.colour[ys, xs], piece.coverage[ys, xs], piece.valid[ys, xs])


KERNEL = np.array([1, 4, 6, 4, 1]) / 16.0


def plain_reduce(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Binomial reduction of an array that starts at sample -2 n of its grid to one that starts at -n."""
    for axis in (0, 1):
        padded = np.pad(a, [(2, 2) if k == axis else (0, 0) for k in range(a.ndim)])
        n = a.shape[axis]
        a = sum(k * np.take(padded, np.arange(i, i + n, 2), axis) for i, k in enumerate(KERNEL))
    return a


def plain_expand(a: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Binomial expansion, the same anchoring."""
    for axis in (0, 1):
        size = list(a.shape)
        size[axis] = shape[axis]
        sparse = np.zeros(size)
        index = [slice(None)] * a.ndim
        index[axis] = slice(None, None, 2)
        sparse[tuple(index)] = np.take(a, np.arange(-(-shape[axis] // 2)), axis)
        padded = np.pad(sparse, [(2, 2) if k == axis else (0, 0) for k in range(a.ndim)])
        a = sum(2 * k * np.take(padded, np.arange(i, i + shape[axis]), axis) for i, k in enumerate(KERNEL))
    return a


def plain_carry(d: NDArray[np.float64], covered: NDArray[np.bool_], weight: NDArray[np.float64]) -> None:
    """Corrections just outside a frame: the mean of those beside it, inside."""
    known = covered & (weight > 0)
    total, count = np.zeros_like(d), np.zeros(d.shape[:2])
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            total += np.roll(np.where(known[..., None], d, 0), (dy, dx), (0, 1))
            count += np.roll(known, (dy, dx), (0, 1))
    fill = ~covered & (weight > 0) & (count > 0)
    d[fill] = (total / np.maximum(count, 1)[..., None])[fill]


def plain_spline(scene: Scene, levels: int, *, carried: bool) -> NDArray[np.float64]:
    """The spline in float64 over the plate and a wide rim.

    carried: by corrections, as blend.py says. Not carried: as Burt and Adelson state it,
    sum over l of expand^l(sum over f of w_l (G_l - expand(G_{l+1}))).
    """
    rim = 8 * 2**levels
    plate = scene.plate
    h, w = plate.height + 2 * rim, plate.width + 2 * rim
    owners = np.full((h, w), -1)
    owners[rim:-rim, rim:-rim] = scene.owners
    count = len(scene.cameras)
    masks = [[(owners == f).astype(float) for f in range(count)]]
    for _ in range(levels):
        masks.append([plain_reduce(m) for m in masks[-1]])
    drawn, covers = [], []
    for level in range(levels + 1):
        hl, wl = masks[level][0].shape
        at = (-rim >> level, -rim >> level, wl, hl)
        pieces = []
        for f, (c, light) in enumerate(zip(scene.cameras, scene.lights, strict=True)):
            own = min(level, scene.source.levels(f) - 1)
            pieces.append(sample(scene.source, f, own, c, light, plate, 2**level, *at, smooth=level > 0))
        drawn.append([np.sqrt(p.colour.astype(float)) for p in pieces])
        covers.append([p.coverage > 0 for p in pieces])
    picture = np.zeros((*masks[levels][0].shape, 3))
    extra = [picture] * count
    wanted = (np.array(masks[levels]) > 0).sum(axis=0) > 1  # samples that two frames reach
    for level in range(levels, -1, -1):
        shape = masks[level][0].shape
        if level < levels:
            extra = [plain_expand(d, shape) for d in extra]
            wanted = plain_expand(wanted.astype(float), shape) > 0
        picture_above, picture, total = picture, np.zeros((*shape, 3)), np.zeros(shape)
        for f in range(count):
            weight = masks[level][f] * covers[level][f]
            band = drawn[level][f] + extra[f]
            if not carried and level < levels:
                band = drawn[level][f] - plain_expand(drawn[level + 1][f], shape)
            picture += weight[..., None] * band
            total += weight
        picture /= np.maximum(total, 1e-300)[..., None]
        if carried:
            for f in range(count):
                more = np.where(covers[level][f][..., None], picture - drawn[level][f], extra[f])
                extra[f] = np.where((masks[level][f] > 0)[..., None], more, 0.0)
                plain_carry(extra[f], covers[level][f], masks[level][f] * wanted)
        elif level < levels:
            picture += plain_expand(picture_above, shape)
    return (np.maximum(picture, 0) ** 2)[rim:-rim, rim:-rim]


def test_reduction_and_expansion_are_the_binomial_ones() -> None:
    """Against cv2.pyrDown and cv2.pyrUp of OpenCV, away from the border, where the rules differ."""
    rng = np.random.default_rng(3)
    labels = rng.integers(0, 3, (2 * 20 + 3, 2 * 30 + 3)).astype(np.int16)
    once = reduce_labels(labels, np.array([2, 1], np.int16))
    for mask, frame in zip(once, (2, 1), strict=True):
        expected = cv2.pyrDown((labels == frame).astype(np.float64))
        np.testing.assert_array_equal(mask / 256.0, expected[1:-1, 1:-1])
    masks = rng.random((1, 43, 63)).astype(np.float32)
    np.testing.assert_allclose(
        reduce_masks(masks)[0] / 256.0, cv2.pyrDown(masks[0].astype(float))[1:-1, 1:-1], rtol=1e-6
    )
    above = rng.random((1, 12, 14, 3)).astype(np.float32)
    colour = np.zeros((16, 20, 3), np.float32)
    x, y = 6, 10  # the fine grid's first sample; the coarse one starts two samples before it
    ones = np.ones((16, 20), bool)
    labels, place = np.full((16, 20), 3, np.int16), np.array([-1, -1, -1, 0], np.int16)
    correct(colour, labels, place, ones, ones, above, x, y, x // 2 - 2, y // 2 - 2)
    expanded = cv2.pyrUp(above[0].astype(float))[4:20, 4:24]
    np.testing.assert_allclose(np.sqrt(colour), expanded, rtol=1e-5)


def test_it_is_the_plain_spline() -> None:
    scene = row()
    piece = scene.whole(3)
    expected = plain_spline(scene, 3, carried=True)
    covered = scene.owners >= 0
    np.testing.assert_array_equal(piece.coverage > 0, covered)
    np.testing.assert_allclose(piece.colour[covered], expected[covered], atol=3e-6)
    hard = scene.whole(0)
    assert np.abs(hard.colour - piece.colour).max() > 0.05  # it does something


def test_away_from_borders_it_is_burt_and_adelsons() -> None:
    scene = row()
    piece = scene.whole(2)
    expected = plain_spline(scene, 2, carried=False)
    x, y = np.meshgrid(np.arange(480.0), np.arange(220.0))
    directions = scene.plate.directions(np.stack([x, y], axis=-1))
    inside = np.zeros((220, 480), bool)
    seen = np.array([c.project(directions)[1] for c in scene.cameras])
    reach = 4 * 2**2 + 2  # every frame that covers anything so near covers all of it
    for j in range(reach, 220 - reach):
        for i in range(reach, 480 - reach):
            near = seen[:, j - reach : j + reach + 1, i - reach : i + reach + 1].reshape(3, -1)
            inside[j, i] = (near.all(axis=1) | ~near.any(axis=1)).all() and scene.owners[j, i] >= 0
    joined = np.abs(piece.colour - scene.whole(0).colour).max(axis=-1) > 0.01
    assert (inside & joined).sum() > 300
    np.testing.assert_allclose(piece.colour[inside], expected[inside], atol=3e-6)


@settings(max_examples=25, deadline=None)
@given(x0=st.integers(0, 440), y0=st.integers(0, 200), width=st.integers(1, 150), height=st.integers(1, 90))
def test_any_tile_has_the_same_bits(x0: int, y0: int, width: int, height: int) -> None:
    scene, whole = row_and_picture()
    width, height = min(width, 480 - x0), min(height, 220 - y0)
    assert same(scene.render(4, x0, y0, width, height), cut(whole, x0, y0, width, height))


def test_far_from_the_seams_the_picture_is_the_frame_to_the_last_bit() -> None:
    scene = row()
    levels = 2
    piece = scene.whole(levels)
    whole = [
        sample(scene.source, f, 0, c, scene.lights[f], scene.plate, 1, 0, 0, 480, 220)
        for f, c in enumerate(scene.cameras)
    ]
    reach = 4 * 2**levels
    for x in range(reach, 480 - reach, 5):
        for y in range(reach, 220 - reach, 5):
            near = scene.owners[y - reach : y + reach + 1, x - reach : x + reach + 1]
            owners = set(np.unique(near).tolist()) - {-1}
            if len(owners) == 1 and scene.owners[y, x] >= 0:
                np.testing.assert_array_equal(piece.colour[y, x], whole[owners.pop()].colour[y, x])


def test_equal_frames_give_the_single_frame() -> None:
    scene = row([smooth_noise(0)] * 3)
    twin = Scene(scene.plate, [scene.cameras[1]] * 2, [smooth_noise(0)] * 2)
    twin.owners = np.where(np.arange(480)[None, :] < 200, 0, 1).astype(np.int16).repeat(220, axis=0)
    single = sample(twin.source, 0, 0, twin.cameras[0], twin.lights[0], twin.plate, 1, 0, 0, 480, 220)
    piece = twin.whole(4)
    covered = single.coverage > 0
    np.testing.assert_array_equal(piece.colour[covered], single.colour[covered])
    assert not piece.colour[~covered].any()


def test_constants_meet_in_a_smooth_monotone_slope() -> None:
    plate = Plate("cylindrical", 400, 120, FOCAL, (200.0, 60.0))
    cameras = [camera(-0.1), camera(0.1)]
    pictures = [np.full((150, 200, 3), value, np.uint8) for value in (80, 120)]
    scene = Scene(plate, cameras, pictures)
    scene.owners = np.where(np.arange(400)[None, :] < 200, 0, 1).astype(np.int16).repeat(120, axis=0)
    line = scene.whole(4).colour[60, 140:260, 1].astype(float)
    assert line[0] == pytest.approx(80 / 255)
    assert line[-1] == pytest.approx(120 / 255)
    step = np.diff(line)
    assert step.min() >= -1e-7
    assert step.max() < 0.05 * (line[-1] - line[0])


def test_a_full_turn_wraps() -> None:
    scene = full_turn()
    piece = scene.whole(4)
    assert same(scene.render(4, -64, 0, 128, 200), scene.render(4, 1152 - 64, 0, 128, 200))
    across = scene.render(4, 1152 - 64, 0, 128, 200)
    assert same(cut(across, 0, 0, 64, 200), cut(piece, 1152 - 64, 0, 64, 200))
    assert same(cut(across, 64, 0, 64, 200), cut(piece, 0, 0, 64, 200))


def test_half_a_turn_rolls_the_picture() -> None:
    a, b = full_turn().whole(4), full_turn(offset=math.pi).whole(4)
    rolled = np.roll(a.colour, 576, axis=1)
    # positions differ in the last bit of float64: a few round to the next 1/1024 px, or the seam moves by one
    difference = np.abs(rolled - b.colour).max(axis=-1)
    assert (difference > 2e-3).mean() < 1e-3
    assert np.median(difference) < 1e-6


def test_a_frame_over_a_pole() -> None:
    s = 1152 / (2 * math.pi)
    plate = Plate("equirectangular", 1152, 330, s, (0.0, 288.0), wraps=True)
    cameras = [camera(2 * math.pi * i / 9, 0.55) for i in range(9)] + [camera(0.4, 1.5)]
    scene = Scene(plate, cameras, [smooth_noise(i) for i in range(10)])
    piece = scene.whole(4)
    assert (scene.owners[0] == 9).all() or (scene.owners[5] == 9).all()
    np.testing.assert_array_equal(piece.coverage > 0, scene.owners >= 0)
    assert np.isfinite(piece.colour).all()
    covered = scene.owners >= 0
    np.testing.assert_allclose(
        piece.colour[covered].mean(axis=0), scene.whole(0).colour[covered].mean(axis=0), rtol=0.02
    )
    assert same(scene.render(4, 300, 0, 200, 100), cut(piece, 300, 0, 200, 100))


@pytest.mark.parametrize("base", [1, 2, 5])
def test_a_small_copy_shows_the_same_picture(base: int) -> None:
    scene = row()
    full, small = scene.whole(4), scene.whole(4, base)
    step = 2**base
    assert small.colour.shape == (-(-220 // step), -(-480 // step), 3)
    np.testing.assert_array_equal(small.coverage > 0, scene.owners[::step, ::step] >= 0)
    assert same(scene.render(4, 3, 2, 9, 4, base), cut(small, 3, 2, 9, 4))
    if base < 4:
        inner = small.coverage > 0
        blurred = full.colour.copy()
        for _ in range(base):  # what the frames' own levels did, roughly
            blurred = plain_reduce(blurred.astype(float))[
                : -(-blurred.shape[0] // 2), : -(-blurred.shape[1] // 2)
            ]
        deep = inner & (np.pad(inner, 4)[8:, 4:-4] & np.pad(inner, 4)[:-8, 4:-4])
        deep &= np.pad(inner, 4)[4:-4, 8:] & np.pad(inner, 4)[4:-4, :-8]
        assert np.median(np.abs(blurred - small.colour)[deep]) < 0.02


def test_pixels_without_owner_stay_empty() -> None:
    scene = row()
    scene.owners[50:70, 100:300] = -1
    piece = scene.whole(4)
    hole = np.s_[50:70, 100:300]
    assert not piece.coverage[hole].any()
    assert not piece.colour[hole].any()
    assert not piece.valid[hole].any()


def test_an_owner_without_camera_is_an_error() -> None:
    scene = row()
    scene.cameras[1] = None  # type: ignore[call-overload]
    with pytest.raises(ValueError, match="frame 1 owns plate pixels"):
        scene.whole(2)


def test_a_wrapping_plate_must_divide() -> None:
    scene = full_turn()
    with pytest.raises(ValueError, match="divisible by 256"):
        scene.whole(8)


def test_levels_follow_the_overlap() -> None:
    plate = Plate("cylindrical", 480, 220, FOCAL, (210.0, 108.0))
    assert blend_levels(plate, [camera(0.0)]) == 0
    assert blend_levels(plate, [camera(0.0), None, camera(0.55)]) == 3  # about 90 px of overlap
    assert blend_levels(plate, [camera(0.0), camera(0.3)]) == 4
    large = Plate("cylindrical", 20000, 9000, FOCAL * 40, (10000.0, 4000.0))
    assert blend_levels(large, [camera(0.0), camera(0.55)]) == 6
    s = 24 * 46 / (2 * math.pi)
    turn = Plate("cylindrical", 24 * 46, 220, s, (0.0, 108.0), wraps=True)
    assert blend_levels(turn, [camera(0.0), camera(0.3)]) == 4


def test_coarse_plates_draw_from_coarse_levels() -> None:
    levels = [
        frame_level(camera(0.0), Plate("cylindrical", 9, 9, FOCAL * s, (0.0, 0.0)), 2)
        for s in (2.0, 1.0, 0.85, 0.64, 0.6, 0.32, 0.3)
    ]
    assert levels == [2, 2, 2, 2, 3, 3, 4]


def test_boxes_hold_every_pixel_and_little_else() -> None:
    y, x = np.mgrid[:500, :700]
    mask = np.abs(x - y - 30 * np.sin(y / 40)) < 20
    hit = np.zeros(mask.shape, int)
    for box in boxes_around(mask):
        hit[box.y0 : box.y1, box.x0 : box.x1] += 1
    assert (hit[mask] == 1).all()
    assert hit.max() == 1
    assert hit.sum() < 3 * mask.sum()
    assert boxes_around(np.zeros((5, 5), bool)) == []

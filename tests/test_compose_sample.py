"""The sampler against a plain reference, known answers, and its promise of equal bits for every tiling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.kernel import energy_kept, kernel_table, lanczos3_taps, step_overshoot
from belvedere.compose.light import FrameLight, frame_light, plain_light
from belvedere.compose.piece import Piece
from belvedere.compose.sample import plate_columns, sample
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import PROJECTIONS, Plate, Projection
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix
from belvedere.tone.tone import FrameTone, Response, Tone

WIDTH, HEIGHT, FOCAL = 160, 120, 150.0


def camera(
    yaw: float = 0.0,
    pitch: float = 0.0,
    roll: float = 0.0,
    distortion: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Camera:
    return Camera(
        WIDTH,
        HEIGHT,
        FOCAL,
        ((WIDTH - 1) / 2, (HEIGHT - 1) / 2),
        distortion,
        quaternion_from_matrix(pose_matrix(yaw, pitch, roll).T),
    )


def facing_plate() -> Plate:
    """The rectilinear plate whose pixels are those of `camera()`."""
    return Plate("rectilinear", WIDTH, HEIGHT, FOCAL, ((WIDTH - 1) / 2, (HEIGHT - 1) / 2))


def noise(seed: int, dtype: type = np.uint8, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    rng = np.random.default_rng(seed)
    return rng.integers(0, np.iinfo(dtype).max, (height, width, 3), dtype=dtype, endpoint=True)


def plain_sample(
    codes: NDArray[np.uint8], cam: Camera, light: FrameLight, plate: Plate, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """The same rule in float64 NumPy, pixel by pixel, over the geometry room's own functions."""
    where, seen = cam.project(plate.directions(points))
    white = np.iinfo(codes.dtype).max
    table = kernel_table().astype(float)
    out = np.full((*points.shape[:-1], 3), np.nan)
    for index in np.ndindex(points.shape[:-1]):
        if not seen[index]:
            continue
        u, v = (math.floor(t * 1024 + 0.5) for t in where[index])
        xs = np.clip((u >> 10) + np.arange(-2, 4), 0, codes.shape[1] - 1)
        ys = np.clip((v >> 10) + np.arange(-2, 4), 0, codes.shape[0] - 1)
        block = codes[np.ix_(ys, xs)].astype(float) / white
        code = np.clip(np.einsum("j,jic,i->c", table[v & 1023], block, table[u & 1023]), 0.0, 1.0)
        linear = np.interp(code, np.arange(1025) / 1024, light.to_linear)
        r = np.hypot(u / 1024 - light.principal_point[0], v / 1024 - light.principal_point[1])
        q = (r / light.half_diagonal_px) ** 2
        fall = 1 + q * (light.vignetting[0] + q * (light.vignetting[1] + q * light.vignetting[2]))
        t = np.clip((code.max() - 0.96) / 0.035, 0, 1)
        factor = np.array(light.factor)
        out[index] = linear * (factor + t * (factor[1] - factor)) / fall
    return out, seen


def same(a: Piece, b: Piece) -> bool:
    return all(
        x.tobytes() == y.tobytes()
        for x, y in ((a.colour, b.colour), (a.coverage, b.coverage), (a.valid, b.valid))
    )


def cut(piece: Piece, x0: int, y0: int, width: int, height: int) -> Piece:
    ys, xs = slice(y0, y0 + height), slice(x0, x0 + width)
    return Piece(piece.colour[ys, xs], piece.coverage[ys, xs], piece.valid[ys, xs])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_identity_returns_the_source(dtype: type) -> None:
    codes = noise(1, dtype)
    cam = camera()
    piece = sample(
        FramesInMemory([codes]), 0, 0, cam, plain_light(cam), facing_plate(), 1, 0, 0, WIDTH, HEIGHT
    )
    np.testing.assert_allclose(piece.colour, codes / np.iinfo(dtype).max, atol=3e-7)
    assert piece.coverage.min() == 1.0
    assert piece.valid.all()


def test_sub_pixel_shift_is_true() -> None:
    """A sinusoid of 0.2 cycles/px drawn 2.4 px to the side is that sinusoid, 2.4 px to the side."""
    x = np.arange(WIDTH)
    wave = lambda p: 0.5 + 0.3 * np.cos(2 * np.pi * 0.2 * p)  # noqa: E731
    codes = np.repeat(np.rint(wave(x)[None, :, None] * 65535), HEIGHT, axis=0).repeat(3, axis=2)
    cam = camera()
    plate = Plate("rectilinear", WIDTH, HEIGHT, FOCAL, ((WIDTH - 1) / 2 - 2.4, (HEIGHT - 1) / 2))
    source = FramesInMemory([codes.astype(np.uint16)])
    piece = sample(source, 0, 0, cam, plain_light(cam), plate, 1, 10, 10, 100, 50)
    expected = np.broadcast_to(wave(x[10:110] + 2.4)[None, :, None], piece.colour.shape)
    # 0.3 x the kernel's own error at this frequency (below 3 %) + 2 pi 0.2 x 0.3 x half a step of 1/1024 px
    np.testing.assert_allclose(piece.colour, expected, atol=0.01)


@pytest.mark.parametrize("projection", PROJECTIONS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_every_projection_agrees_with_the_plain_rule(projection: Projection, dtype: type) -> None:
    codes = noise(2, dtype)
    cam = camera(0.7, 0.2, 0.1, (-0.06, 0.01, 0.002))
    plate = Plate(projection, 300, 240, 140.0, (80.3, 110.7), (0.2, 0.05, -0.03), d=0.8)
    light = FrameLight(
        (np.linspace(0, 1, 1025) ** 2.2).astype(np.float32),
        (1.1, 0.9, 1.3),
        (-0.3, 0.1, -0.05),
        cam.principal_point,
        cam.half_diagonal_px,
    )
    x, y = np.meshgrid(np.arange(0, 300, 7), np.arange(0, 240, 7))
    points = np.stack([x, y], axis=-1).astype(float)
    expected, seen = plain_sample(codes, cam, light, plate, points)
    piece = sample(FramesInMemory([codes]), 0, 0, cam, light, plate, 1, 0, 0, 300, 240)
    assert 100 < seen.sum() < seen.size
    np.testing.assert_array_equal(piece.coverage[::7, ::7] > 0, seen)
    x, y = np.meshgrid(np.arange(300), np.arange(240))
    _, covered = cam.project(plate.directions(np.stack([x, y], axis=-1)))
    np.testing.assert_array_equal(piece.coverage > 0, covered)
    difference = np.abs(piece.colour[::7, ::7][seen] - expected[seen])
    # a position on the edge of two steps of 1/1024 px may round either way; nothing else may differ
    assert np.quantile(difference, 0.99) < 2e-6
    assert difference.max() < 0.02


def test_levels_lie_where_the_scaled_camera_has_them() -> None:
    """A ramp is the same ramp at every level."""
    ramp = np.arange(WIDTH)[None, :, None] * 300 + np.arange(HEIGHT)[:, None, None] * 100
    codes = np.repeat(ramp, 3, axis=2).astype(np.uint16)
    cam, plate, source = camera(), facing_plate(), FramesInMemory([codes])
    for level in range(source.levels(0)):
        step = 2**level
        w, h = WIDTH // step, HEIGHT // step
        piece = sample(source, 0, level, cam, plain_light(cam), plate, step, 0, 0, w, h)
        inner = slice(3, -3)
        expected = ramp[::step, ::step][:h, :w][inner, inner] / 65535
        np.testing.assert_allclose(piece.colour[inner, inner, 1], expected[..., 0], atol=3e-5)


@settings(max_examples=25, deadline=None)
@given(
    x0=st.integers(-20, 250),
    y0=st.integers(-20, 200),
    width=st.integers(1, 70),
    height=st.integers(1, 40),
    projection=st.sampled_from(PROJECTIONS),
)
def test_any_tile_has_the_same_bits(
    x0: int, y0: int, width: int, height: int, projection: Projection
) -> None:
    codes = noise(3)
    cam = camera(0.7, 0.2, 0.1, (-0.06, 0.01, 0.002))
    plate = Plate(projection, 300, 240, 140.0, (80.3, 110.7), (0.2, 0.05, -0.03))
    source = FramesInMemory([codes])
    whole = sample(source, 0, 0, cam, plain_light(cam), plate, 1, -20, -20, 350, 270)
    tile = sample(source, 0, 0, cam, plain_light(cam), plate, 1, x0, y0, width, height)
    assert same(tile, cut(whole, x0 + 20, y0 + 20, width, height))


def test_beyond_the_border_and_behind_the_camera() -> None:
    codes = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
    cam = camera()
    width = 600
    plate = Plate("equirectangular", width, 300, width / (2 * math.pi), (300.0, 150.0), wraps=True)
    piece = sample(FramesInMemory([codes]), 0, 0, cam, plain_light(cam), plate, 1, 0, 0, width, 300)
    assert piece.valid[150, 300]
    assert piece.coverage[150, 300] == 1
    assert piece.valid[150, 400]  # beside the frame: its border carried outwards
    assert piece.coverage[150, 400] == 0
    np.testing.assert_allclose(piece.colour[piece.valid], 128 / 255, rtol=1e-6)
    assert not piece.valid[150, 10]
    assert (piece.colour[~piece.valid] == 0).all()
    assert (piece.coverage[~piece.valid] == 0).all()


def test_nothing_is_drawn_beyond_the_growth_of_the_distortion() -> None:
    cam = camera(distortion=(-0.9, 0.0, 0.0))
    plate = Plate("rectilinear", 900, 120, FOCAL, (450.0, 59.5))
    piece = sample(FramesInMemory([noise(4)]), 0, 0, cam, plain_light(cam), plate, 1, 0, 0, 900, 120)
    x = np.flatnonzero(piece.valid[60])
    assert (x.max() - 450.0) / FOCAL <= cam.radius_limit
    assert (x.max() + 1 - 450.0) / FOCAL > cam.radius_limit * 0.99


def test_a_plate_that_wraps_counts_columns_modulo_its_width() -> None:
    width = 512
    plate = Plate("cylindrical", width, 200, width / (2 * math.pi), (0.0, 100.0), wraps=True)
    cam = camera(0.1)
    source = FramesInMemory([noise(5)])
    a = sample(source, 0, 0, cam, plain_light(cam), plate, 1, -40, 0, 120, 200)
    b = sample(source, 0, 0, cam, plain_light(cam), plate, 1, width - 40, 0, 120, 200)
    assert same(a, b)
    here, further = plate_columns(plate, 1, -40, 99), plate_columns(plate, 1, width - 40, 99)
    np.testing.assert_array_equal(here, further)
    assert a.coverage[100, 20] == a.coverage[100, 60] == 1.0


def test_clipped_samples_stay_neutral_and_grey_ones_are_corrected() -> None:
    cam = camera()
    tone = Tone(
        (FrameTone(2.0, (1.3, 1.0, 0.7), (0.0, 0.0, 0.0), 0),),
        (Response("color-space", np.linspace(0, 1, 1025, dtype=np.float32)),),
        (),
    )
    codes = np.full((HEIGHT, WIDTH, 3), 255, np.uint8)
    codes[:, : WIDTH // 2] = (130, 100, 70)
    piece = sample(
        FramesInMemory([codes]), 0, 0, cam, frame_light(tone, cam, 0), facing_plate(), 1, 0, 0, WIDTH, HEIGHT
    )
    np.testing.assert_allclose(piece.colour[:, -20:], 0.5, rtol=1e-5)
    np.testing.assert_allclose(piece.colour[:, :20], 100 / 255 / 2, rtol=1e-5)


def test_displacement_moves_the_picture() -> None:
    cam, source = camera(), FramesInMemory([noise(6)])
    grid = np.zeros((3, 4, 2))
    grid[..., 0] = 2.0
    moved = sample(
        source, 0, 0, cam, plain_light(cam), facing_plate(), 1, 0, 0, WIDTH, HEIGHT, displacement=grid
    )
    still = sample(source, 0, 0, cam, plain_light(cam), facing_plate(), 1, 2, 0, WIDTH, HEIGHT)
    np.testing.assert_array_equal(moved.colour[:, :150], still.colour[:, :150])


def test_kernel_keeps_fine_detail_without_sharpening() -> None:
    """The band of the picture's promise: 0.95 to 1.04 of the energy at 0.25 to 0.40 cycles/px."""
    table = kernel_table()
    np.testing.assert_array_equal(table.sum(axis=1), 1.0)
    np.testing.assert_array_equal(table[0], [0, 0, 1, 0, 0, 0])
    np.testing.assert_array_equal(table[-1], [0, 0, 0, 1, 0, 0])
    np.testing.assert_array_equal(table, table[::-1, ::-1])
    for share in energy_kept(table):
        assert 0.97 < share < 1.02
    assert step_overshoot(table) < 0.13
    lanczos = np.array([lanczos3_taps(i / 1024) for i in range(1025)])
    assert energy_kept(lanczos)[0] < 0.95  # why the plain windowed sinc would not do


def test_kernel_keeps_the_energy_of_rotated_noise() -> None:
    """Band-limited noise through a rotated, barely enlarging view: measured on the picture itself."""
    size = 256
    rng = np.random.default_rng(7)
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size)))
    band = np.fft.ifft2(np.fft.fft2(rng.standard_normal((size, size))) * ((f > 0.25) & (f < 0.40))).real
    band *= 0.08 / band.std()
    codes = np.rint((0.5 + band)[..., None].repeat(3, axis=2) * 65535).clip(0, 65535).astype(np.uint16)
    half = (size - 1) / 2
    cam = Camera(
        size, size, 2000.0, (half, half), (0.0, 0.0, 0.0), quaternion_from_matrix(pose_matrix(0, 0, 0.2).T)
    )
    plate = Plate("rectilinear", size, size, 2000.0, (half, half))
    piece = sample(FramesInMemory([codes]), 0, 0, cam, plain_light(cam), plate, 1, 48, 48, 160, 160)
    assert 0.95 < np.var(piece.colour[..., 1]) / np.var(band[48:208, 48:208]) < 1.04

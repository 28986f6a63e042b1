"""Scene light drawn and coded: clipped places come out neutral, and nothing is lost above white."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.encode_linear import LinearEncoder
from belvedere.compose.encode_screen import ScreenEncoder
from belvedere.compose.headroom import headroom_for
from belvedere.compose.light import FrameLight
from belvedere.compose.picture_format import PictureFormat
from belvedere.compose.piece import Piece
from belvedere.compose.sample import sample
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import bound_bytes, decode_tile, encode_tile
from belvedere.geometry.plate import Plate
from compose_scene import camera

NEUTRAL = (0.5, 1.0, 0.625)
PLATE = Plate("rectilinear", 40, 30, 220.0, (19.5, 14.5))
MATRIX = np.array([[1.1, -0.1, 0.05], [0.02, 0.9, 0.08], [0.0, -0.05, 1.2]])


def light(**changes: object) -> FrameLight:
    values: dict[str, object] = {
        "to_linear": np.linspace(0.0, 1.0, 1025, dtype=np.float32),
        "factor": (1.0, 1.0, 1.0),
        "vignetting": (0.0, 0.0, 0.0),
        "principal_point": (119.5, 89.5),
        "half_diagonal_px": 150.0,
        "neutral": NEUTRAL,
    }
    return FrameLight(**(values | changes))  # type: ignore[arg-type]


def drawn(colour: tuple[float, float, float], how: FrameLight) -> NDArray[np.float32]:
    """A frame of one colour (linear codes), as it is on the plate."""
    frame = np.broadcast_to(np.rint(np.minimum(colour, 1.0) * np.float64(65535)), (180, 240, 3))
    piece = sample(FramesInMemory([frame.astype(np.uint16)]), 0, 0, camera(0.0), how, PLATE, 1, 0, 0, 40, 30)
    return np.asarray(piece.colour[15, 20])


@pytest.mark.parametrize("level", [1.05, 1.3, 1.55, 1.9])
def test_white_beyond_one_channel_keeps_its_colour_and_its_brightness(level: float) -> None:
    """At 1.05 green clips alone, at 1.9 blue too (1.19); red, at 0.95, tells how bright it is until 1.82."""
    found = drawn((NEUTRAL[0] * level, NEUTRAL[1] * level, NEUTRAL[2] * level), light())
    np.testing.assert_allclose(found / np.array(NEUTRAL), level, rtol=1e-4)


def test_all_channels_clipped_are_white_at_the_least_it_can_be() -> None:
    found = drawn((1.0, 1.0, 1.0), light())
    np.testing.assert_allclose(found / np.array(NEUTRAL), 2.0, rtol=1e-5)


def test_colours_below_white_are_left_alone_and_the_way_to_white_is_smooth() -> None:
    np.testing.assert_allclose(drawn((0.1, 0.9, 0.2), light()), (0.1, 0.9, 0.2), atol=2e-5)
    greens = np.linspace(0.9, 1.0, 41)
    shown = np.array([drawn((0.3, g, 0.5), light()) for g in greens])
    assert (np.diff(shown[:, 0]) >= -1e-6).all()
    assert np.abs(np.diff(shown, axis=0)).max() < 0.05
    np.testing.assert_allclose(shown[-1] / np.array(NEUTRAL), 1.0, atol=1e-5)


def test_neutral_stays_neutral_through_a_matrix_gain_and_vignetting() -> None:
    own = np.linalg.solve(MATRIX, NEUTRAL)
    how = light(to_common=MATRIX.astype(np.float32), factor=(0.9, 0.8, 0.7), vignetting=(-0.3, 0.0, 0.0))
    for level in (1.2 / own.max(), 3.0 / own.max()):
        found = drawn(tuple(own * level), how)
        balanced = found / np.array(NEUTRAL)
        np.testing.assert_allclose(balanced, balanced[1], rtol=1e-4)


def test_without_a_neutral_nothing_has_changed() -> None:
    plain = light(neutral=None, factor=(0.5, 1.0, 2.0))
    np.testing.assert_allclose(drawn((0.3, 1.0, 0.5), plain), (0.3, 1.0, 0.5), atol=1e-5)


def test_headroom_is_enough_and_no_more_than_it_must_be() -> None:
    cam = camera(0.0)
    assert headroom_for([cam], [light(neutral=None)]) == 1.0
    fallen = light(vignetting=(-0.5, 0.0, 0.0), factor=(1.0, 1.25, 1.0))
    # clipped everywhere: twice the neutral; the corners half as bright; darker by 1/1.25
    q = (cam.width / 2) ** 2 + (cam.height / 2) ** 2
    wanted = 2.0 * 1.25 / (1.0 - 0.5 * q / cam.half_diagonal_px**2)
    found = headroom_for([cam, cam], [light(), fallen])
    assert wanted <= found < wanted * 1.008
    assert (np.log2(found) * 100) % 1 == pytest.approx(0.0, abs=1e-6)


def piece_of(colour: NDArray[np.float32]) -> Piece:
    coverage = np.ones(colour.shape[:2], np.float32)
    coverage[:, :3], coverage[:, 3] = 0.0, 0.5
    return Piece(colour, coverage, coverage > 0.0)


def test_codes_are_light_over_headroom() -> None:
    rng = np.random.default_rng(3)
    colour = rng.uniform(-0.05, 4.5, (20, 30, 3)).astype(np.float32)
    found = LinearEncoder(4.0).encode(piece_of(colour))
    wanted = np.floor(np.clip(colour / 4.0 * 65535.0 + 0.5, 0.0, 65535.0))
    assert np.abs(found.codes[:, 3:, :3] - wanted[:, 3:]).max() <= 1
    assert not found.codes[:, :3].any()
    assert found.codes[0, 3:5, 3].tolist() == [32768, 65535]
    assert found.covered == 20 * 27
    assert found.over_white == int((colour[:, 3:] > 4.0).any(axis=-1).sum())


def test_floating_point_holds_nothing_back() -> None:
    colour = np.random.default_rng(3).uniform(-0.05, 9.0, (20, 30, 3)).astype(np.float32)
    found = LinearEncoder(bits=32).encode(piece_of(colour))
    assert found.codes.dtype == np.float32
    assert np.array_equal(found.codes[:, 3:, :3], colour[:, 3:])
    assert not found.codes[:, :3].any()
    assert found.codes[0, 3, 3] == 0.5
    assert found.over_white == 0


def test_a_screen_sees_it_through_the_matrix_by_its_own_curve() -> None:
    colour = np.full((4, 8, 3), (0.1, 0.2, 0.3), np.float32)
    identity = ScreenEncoder(tuple(map(tuple, np.eye(3).tolist())))
    wanted = np.rint(255.0 * (1.055 * np.array([0.1, 0.2, 0.3]) ** (1 / 2.4) - 0.055))
    assert identity.encode(piece_of(colour)).codes[0, 5, :3].tolist() == wanted.tolist()
    bright = ScreenEncoder(tuple(map(tuple, (np.eye(3) * 6.0).tolist()))).encode(piece_of(colour))
    assert bright.codes[0, 5, 1:3].tolist() == [255, 255]
    assert bright.over_white == 4 * 5


@pytest.mark.parametrize("big", [False, True])
def test_a_picture_of_floats_reads_back_in_other_libraries(tmp_path: Path, big: bool) -> None:
    rng = np.random.default_rng(5)
    samples = (rng.gamma(1.0, 0.5, (70, 100, 4)) * (1.0, 1.0, 1.0, 0.0) + (0, 0, 0, 1)).astype(np.float32)
    form = PictureFormat(100, 70, 32, tile=64, big=big)
    with TiledTiff(tmp_path / "a.tif", form) as tiff:
        for column, row in list(tiff.missing()):
            tile = samples[row * 64 : row * 64 + 64, column * 64 : column * 64 + 64]
            coded = encode_tile(tile, 64)
            assert len(coded) <= bound_bytes(64, 32)
            back = decode_tile(coded, 64, 4, 32)
            assert np.array_equal(back[: tile.shape[0], : tile.shape[1]], tile)
            tiff.put(column, row, coded)
    with tifffile.TiffFile(tmp_path / "a.tif") as read:
        assert read.is_bigtiff == big
        assert np.array_equal(read.asarray(), samples)
    if not big:
        seen = cv2.imread(str(tmp_path / "a.tif"), cv2.IMREAD_UNCHANGED)
        assert seen is not None
        assert np.array_equal(seen[..., :3][..., ::-1], samples[..., :3])

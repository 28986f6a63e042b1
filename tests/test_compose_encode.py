"""Codes out of light: the exact inverse of the response, nothing hidden."""

from __future__ import annotations

import numpy as np
import pytest

from belvedere.compose.encode import Encoder
from belvedere.compose.piece import Piece

CODE = np.arange(1025) / 1024
CURVES = {
    "linear": CODE.astype(np.float32),
    # IEC 61966-2-1
    "srgb": np.where(CODE <= 0.04045, CODE / 12.92, ((CODE + 0.055) / 1.055) ** 2.4).astype(np.float32),
    "power": (CODE**2.2).astype(np.float32),
}


def piece_of(light: np.ndarray, coverage: float = 1.0) -> Piece:
    colour = np.repeat(light.astype(np.float32).reshape(1, -1, 1), 3, axis=2)
    n = light.size
    return Piece(colour, np.full((1, n), coverage, np.float32), np.ones((1, n), bool))


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("bits", [8, 16])
def test_codes_come_back(name: str, bits: int) -> None:
    white = 2**bits - 1
    codes = np.arange(white + 1)
    light = np.interp(codes / white, CODE, CURVES[name].astype(float))
    back = Encoder(CURVES[name], bits).encode(piece_of(light)).codes[0, :, 1]
    np.testing.assert_array_equal(back, codes)


@pytest.mark.parametrize("name", CURVES)
def test_any_light_is_encoded_as_the_plain_inverse_has_it(name: str) -> None:
    light = np.concatenate([np.random.default_rng(1).random(5000), CURVES[name], [1e-9, 1e-6, 1e-4]])
    codes = Encoder(CURVES[name], 16).encode(piece_of(light)).codes[0, :, 0].astype(float)
    plain = np.interp(light.astype(np.float32), CURVES[name].astype(float), CODE) * 65535
    assert np.abs(codes - plain).max() <= 0.5 + 1e-3


def test_light_over_white_is_counted_and_nothing_below_is_touched() -> None:
    light = np.array([0.0, 0.5, 0.999999, 1.0, 1.000001, 7.0, -0.1])
    encoded = Encoder(CURVES["linear"], 16).encode(piece_of(light))
    assert (encoded.covered, encoded.over_white) == (7, 2)
    assert encoded.codes[0, :, 2].tolist() == [0, 32768, 65535, 65535, 65535, 65535, 0]


def test_uncovered_pixels_are_all_zero() -> None:
    encoded = Encoder(CURVES["srgb"], 8).encode(piece_of(np.full(4, 0.3), coverage=0.0))
    assert (encoded.covered, encoded.over_white) == (0, 0)
    assert not encoded.codes.any()


def test_a_table_that_falls_is_refused() -> None:
    with pytest.raises(ValueError, match="1025 values that rise"):
        Encoder(CURVES["linear"][::-1].copy())


def test_flat_stretches_of_a_response_do_not_divide_by_zero() -> None:
    table = np.maximum(CURVES["linear"] - 0.1, 0.0) / np.float32(0.9)
    table[-1] = 1.0
    codes = Encoder(table.astype(np.float32), 16).encode(piece_of(np.array([0.0, 1e-7, 0.5]))).codes[0, :, 0]
    assert codes[0] == 0
    assert 6400 < codes[1] < 6700
    assert abs(int(codes[2]) - 0.55 * 65535) < 2

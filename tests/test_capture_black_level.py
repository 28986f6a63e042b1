"""Black and white of raw files in scene light, and what is lost where noise goes below black."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from belvedere.capture.raw import develop_scene

SCALE = 65535.0


def write_dng(file: Path, codes: NDArray[Any], black: tuple[int, ...], white: int) -> Path:
    """A colour filter array, RGGB, of a camera whose white is grey as shot."""
    levels: list[tuple[Any, ...]] = [(50714, 4, len(black), black if len(black) > 1 else black[0], False)]
    if len(black) == 4:
        levels.append((50713, 3, 2, (2, 2), False))  # BlackLevelRepeatDim
    matrix = (32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570)  # XYZ to sRGB, IEC 61966-2-1
    tifffile.imwrite(
        file, codes.astype(np.uint16), photometric=32803, planarconfig=None, metadata=None,
        rowsperstrip=len(codes),
        extratags=[
            (50706, 1, 4, bytes([1, 4, 0, 0]), False), (33421, 3, 2, (2, 2), False),
            (33422, 1, 4, bytes([0, 1, 1, 2]), False), (50710, 1, 3, bytes([0, 1, 2]), False),
            (50711, 3, 1, 1, False), *levels, (50717, 4, 1, white, False),
            (50721, 10, 9, tuple(p for v in matrix for p in (v, 10000)), False),
            (50728, 5, 3, (1, 1, 1, 1, 1, 1), False),
        ],
    )  # fmt: skip
    return file


def test_every_place_of_the_pattern_has_its_own_black(tmp_path: Path) -> None:
    black = (500, 520, 540, 560)
    codes = np.zeros((80, 120))
    for k, (y, x) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        codes[y::2, x::2] = black[k] + 3000
    light = develop_scene(write_dng(tmp_path / "a.dng", codes, black, 15871))[10:70, 10:110] / SCALE
    assert np.ptp(light) < 2e-3
    assert light.mean() == pytest.approx(3000 / (15871 - 530), rel=3e-3)


@pytest.mark.parametrize("white", [4095, 15871, 65535])
def test_the_white_level_is_the_file_s_own(tmp_path: Path, white: int) -> None:
    codes = np.full((80, 120), 200 + 0.6 * (white - 200))
    codes[:40] = white
    light = develop_scene(write_dng(tmp_path / "a.dng", codes, (200,), white)) / SCALE
    assert light[60, 60] == pytest.approx([0.6] * 3, abs=1e-3)
    assert (light[20, 60] >= 65534 / SCALE).all()


@pytest.mark.parametrize("sigma", [3.0, 12.0, 48.0])
def test_what_noise_below_black_adds_to_shadows(tmp_path: Path, sigma: float) -> None:
    """LibRaw cuts at black: two fifths of the noise are added at no light, nothing from three sigmas on.

    The mean of a unit normal cut at 0 is 1 / sqrt(2 pi) = 0.399. A change here is a change in deep shadows.
    """
    rng = np.random.default_rng(1)
    noise = sigma * rng.standard_normal((400, 600))
    for light, least, most in ((0.0, 0.36, 0.50), (1.0, 0.03, 0.14), (3.0, -0.06, 0.03)):
        codes = np.rint(512.0 + light * sigma + noise)
        seen = develop_scene(write_dng(tmp_path / "a.dng", codes, (512,), 15871))[8:-8, 8:-8]
        mean = seen.mean(axis=(0, 1)) / SCALE * (15871 - 512)
        added = (mean - light * sigma) / sigma
        assert (added > least).all()
        assert (added < most).all()

"""Sharpening for the print: the gain its model asks for, no halo past its bound, bare paper left alone."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from belvedere.deliver.print_sharpening import (
    HALO,
    HALO_ON_PAPER,
    MOST_GAIN,
    NO_SHARPENING,
    SPREAD_MM,
    Sharpening,
    print_sharpening,
    sharpen,
)
from belvedere.errors import PlanError


def _lines(light: NDArray[np.float64]) -> NDArray[np.float32]:
    """Grey light as lines, covered all over."""
    out = np.ones((*light.shape, 4), np.float32)
    out[..., :3] = light[..., None]
    return out


def _sharpened(light: NDArray[np.float64], kernel: Sharpening) -> NDArray[np.float64]:
    r = kernel.reach
    return sharpen(_lines(light), kernel)[..., 0].astype(np.float64)[:, r:-r] if r else light


@pytest.mark.parametrize("spread", SPREAD_MM.values())
@pytest.mark.parametrize(("ppi", "distance"), [(300.0, 0.5), (300.0, 0.8), (200.0, 0.5), (720.0, 0.5)])
def test_the_papers_loss_is_made_up_where_the_eye_still_sees(
    ppi: float, distance: float, spread: float
) -> None:
    """A faint wave of the model's frequency comes out higher, by what the paper will take of it."""
    kernel = print_sharpening(ppi, distance, spread)
    assert kernel.gain == pytest.approx(min(1.0 / kernel.paper_contrast, MOST_GAIN))
    k = kernel.cycles_per_mm * 25.4 / ppi
    wave = np.cos(2.0 * np.pi * k * np.arange(4000))
    light = np.tile(0.5 + 0.01 * wave, (2 * kernel.reach + 1, 1))

    def height(bound: float) -> float:
        out, r = _sharpened(light, replace(kernel, halo=bound))[0] - 0.5, kernel.reach
        turning = np.exp(2j * np.pi * k * np.arange(r, 4000 - r))
        return float(2.0 * np.abs(np.mean(out * turning)) / 0.01)

    assert height(10.0) == pytest.approx(kernel.gain, rel=0.01)
    assert height(kernel.halo) > 1.0 + 0.25 * (kernel.gain - 1.0)  # a crest may meet the bound


def test_the_model_in_numbers() -> None:
    """At 0.5 m normal sight resolves 0.1454 mm, 3.44 cycles/mm, of which gloss leaves 0.81."""
    kernel = print_sharpening(300.0, 0.5, 0.030)
    assert kernel.cycles_per_mm == pytest.approx(1.0 / (2.0 * 2.0 * 500.0 * math.tan(math.pi / 21_600)))
    assert kernel.paper_contrast == pytest.approx(0.810, abs=0.001)


def test_from_far_off_there_is_nothing_to_do() -> None:
    assert print_sharpening(300.0, 5.0).amount == 0.0
    assert print_sharpening(300.0, 5.0).reach == 0


@pytest.mark.parametrize("spread", SPREAD_MM.values())
@pytest.mark.parametrize("blur", [0.0, 0.8, 2.0])
@pytest.mark.parametrize("tilt", [0.0, 0.3, 1.0])
def test_an_edge_overshoots_by_no_more_than_the_bound(spread: float, blur: float, tilt: float) -> None:
    kernel = print_sharpening(300.0, 0.5, spread)
    x = np.arange(-40, 40) + tilt * np.arange(-20, 20)[:, None]
    edge = (x > 0).astype(float) if blur == 0.0 else 0.5 + 0.5 * np.tanh(x / blur)
    light = 0.1 + 0.6 * edge
    out = _sharpened(light, kernel)
    assert kernel.halo <= HALO
    assert out.max() <= 0.7 + kernel.halo * 0.6 + 1e-6
    assert out.min() >= 0.1 - kernel.halo * 0.6 - 1e-6
    if blur:  # and it does get steeper
        r = kernel.reach
        assert np.abs(np.diff(out, axis=1)).max() > 1.02 * np.abs(np.diff(light[r:-r, r:-r], axis=1)).max()


@pytest.mark.parametrize("spread", SPREAD_MM.values())
@pytest.mark.parametrize("ppi", [200.0, 300.0, 360.0, 720.0])
@pytest.mark.parametrize("distance", [0.3, 0.5, 1.0])
def test_on_paper_hardly_a_halo_is_left(ppi: float, distance: float, spread: float) -> None:
    """The sharpened edge, spread by the paper of the model: SciPy's Gaussian on a grid 8 times as fine."""
    kernel = print_sharpening(ppi, distance, spread)
    for blur, phase in product((0.01, 0.5, 0.8, 1.2), (0.0, 0.25, 0.5)):
        edge = 0.2 + 0.5 * (0.5 + 0.5 * np.tanh((np.arange(-30, 30) + phase) / blur))
        out = _sharpened(np.tile(edge, (2 * kernel.reach + 1, 1)), kernel)[0]
        paper = gaussian_filter1d(np.repeat(out, 8), spread / 25.4 * ppi * 8)[80:-80]
        assert paper.max() <= 0.7 + HALO_ON_PAPER * 0.5
        assert paper.min() >= 0.2 - HALO_ON_PAPER * 0.5


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 1000), ppi=st.floats(60, 720), distance=st.floats(0.2, 3.0))
def test_every_pixel_stays_within_its_surroundings(seed: int, ppi: float, distance: float) -> None:
    kernel = print_sharpening(ppi, distance, 0.06)
    r = kernel.reach
    light = np.random.default_rng(seed).random((2 * r + 6, 2 * r + 9)).astype(np.float32).astype(float)
    out = sharpen(_lines(light), kernel)[..., 0]
    padded = np.pad(light, 1, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).reshape(*light.shape, 9)
    low, high = around.min(-1), around.max(-1)
    spare = kernel.halo * (high - low) + 1e-6
    rows = slice(r, len(light) - r)
    assert (out <= (high + spare)[rows]).all()
    assert (out >= (low - spare)[rows]).all()


def test_flat_light_stays_and_off_is_off() -> None:
    flat = np.full((20, 30), 0.3)
    assert sharpen(_lines(flat), print_sharpening(300.0)) == pytest.approx(_lines(flat)[2:-2], abs=1e-6)
    lines = _lines(np.random.default_rng(1).random((9, 9)))
    assert sharpen(lines, NO_SHARPENING) is lines


def test_beside_bare_paper_light_stays() -> None:
    kernel = print_sharpening(300.0, 0.5, 0.06)
    lines = _lines(np.random.default_rng(2).random((25, 60)))
    lines[:, 30:, 3] = 0.0
    lines[:, 30:, :3] = 1.0
    out, r = sharpen(lines, kernel), kernel.reach
    np.testing.assert_array_equal(out[:, 30 - r :], lines[r:-r, 30 - r :])
    assert np.abs(out[:, : 30 - r, 0] - lines[r:-r, : 30 - r, 0]).max() > 0.01


def test_rows_in_parts_are_the_rows() -> None:
    kernel = print_sharpening(200.0, 0.6, 0.06)
    lines, r = _lines(np.random.default_rng(3).random((40, 33))), kernel.reach
    whole = sharpen(lines, kernel)
    np.testing.assert_array_equal(sharpen(lines[10 : 20 + 2 * r], kernel), whole[10:20])


@pytest.mark.parametrize("bad", [{"distance_m": 0.0}, {"spread_mm": -1.0}, {"spread_mm": 30.0}])
def test_what_makes_no_sense_is_said(bad: dict[str, float]) -> None:
    with pytest.raises(PlanError):
        print_sharpening(300.0, **bad)

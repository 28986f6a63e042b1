"""Merging exposures: light comes back unbiased and as free of noise as it can be, from arrays alone."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.capture.exposure_noise import (
    USUAL_NOISE,
    NoiseModel,
    PairedLight,
    estimate_noise,
    quantisation_table,
)
from belvedere.capture.exposure_shift import measure_shift
from belvedere.capture.exposure_steps import measure_step, on_step, taken_ev
from belvedere.capture.frame import MERGED_CURVE, Metadata
from belvedere.capture.merge_exposures import codes_of_light, merge_exposures
from belvedere.capture.transfer import curve_table

LIGHT = np.linspace(0.0, 1.0, 65536, dtype=np.float32)
NONE = quantisation_table(LIGHT)
PHOTON, READ = 1.0 / 40000.0, (8.0 / 40000.0) ** 2
NOISE = NoiseModel((PHOTON,) * 3, (READ,) * 3)


def exposed(light: NDArray[np.float64], step: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """16-bit linear codes of an exposure of `step`, with the noise of NOISE."""
    y = light * step
    y = y + rng.standard_normal(y.shape) * np.sqrt(PHOTON * y + READ)
    return np.rint(np.clip(y, 0.0, 1.0) * 65535.0).astype(np.uint16)


def bracket(light: NDArray[np.float64], steps: list[float], seed: int = 1) -> NDArray[np.uint16]:
    rng = np.random.default_rng(seed)
    return np.stack([exposed(light, step, rng) for step in steps])


def merged(codes: NDArray[np.uint16], steps: list[float], noise: NoiseModel = NOISE) -> NDArray[np.float32]:
    exposures = np.repeat(np.array(steps)[:, None], 3, axis=1)
    return merge_exposures(codes, LIGHT, exposures, [noise] * len(steps), NONE)


def test_light_is_unbiased_and_its_noise_the_least_there_can_be_in_every_tone() -> None:
    """Bound: variance 1 / sum of e^2 / (photon x e + read) over exposures free of white (Cramer, Rao)."""
    steps = [1.0, 4.0, 16.0]
    tones = np.geomspace(2e-4, 0.9, 40)
    light = np.repeat(np.repeat(tones[:, None], 30, axis=0), 300, axis=1)[..., None].repeat(3, axis=2)
    found = merged(bracket(light, steps), steps).reshape(40, 30, 300, 3)[:, 3:-3]
    for tone, patch in zip(tones, found, strict=True):
        free = [e for e in steps if tone * e < 0.78 or e == 1.0]
        fading = [e for e in steps if 0.78 <= tone * e < 0.97 and e != 1.0]
        best = 1.0 / math.sqrt(sum(e**2 / (PHOTON * tone * e + READ) for e in free))
        assert patch.mean() == pytest.approx(tone, abs=5.0 * best / math.sqrt(patch.size) + 3e-4 * tone)
        if not fading:
            assert patch.std() == pytest.approx(best, rel=0.03)


def test_light_beyond_every_exposure_is_the_shortest_s_white_and_no_longer_one_bends_it() -> None:
    light = np.full((40, 40, 3), 3.0)
    assert merged(bracket(light, [1.0, 4.0]), [1.0, 4.0]).min() > 0.99
    light[:] = (0.9, 0.2, 0.05)  # red clips in the longer: its other channels have no say there either
    found = merged(bracket(light, [1.0, 4.0]), [1.0, 4.0])
    alone = bracket(light, [1.0])[0] / 65535.0
    np.testing.assert_allclose(found, alone, atol=1e-5)


def test_a_place_that_is_chosen_comes_from_its_exposure_and_fades_into_the_rest() -> None:
    codes = bracket(np.full((20, 60, 3), 0.1), [1.0, 4.0])
    codes[1, :, 30:] = 13107  # 0.2 at white 1: 0.05 in the merged scale, where the other says 0.1
    chosen = np.zeros((2, 20, 60), np.float32)
    chosen[0] = np.clip((np.arange(60) - 25) / 10.0, 0.0, 1.0)
    exposures = np.array([[1.0] * 3, [4.0] * 3])
    found = merge_exposures(codes, LIGHT, exposures, [NOISE] * 2, NONE, chosen)
    assert found[:, 40:].mean() == pytest.approx(0.1, rel=2e-3)
    assert found[:, :25].mean() == pytest.approx(0.1, rel=2e-3)
    assert merge_exposures(codes, LIGHT, exposures, [NOISE] * 2, NONE)[:, 40:].mean() < 0.06


@settings(max_examples=40, deadline=None)
@given(
    tone=st.floats(1e-4, 1.0),
    steps=st.lists(st.floats(0.5, 3.0), min_size=1, max_size=4),
    photon=st.floats(1e-6, 1e-2),
    read=st.floats(1e-12, 1e-4),
)
def test_without_noise_light_comes_back_whatever_the_model(
    tone: float, steps: list[float], photon: float, read: float
) -> None:
    factors = [1.0, *np.exp2(np.cumsum(steps))]
    clean = np.stack([np.full((6, 6, 3), min(tone * e, 1.0)) for e in factors])
    codes = np.rint(clean * 65535.0).astype(np.uint16)
    found = merged(codes, factors, NoiseModel((photon,) * 3, (read,) * 3))
    assert found.mean() == pytest.approx(tone, abs=1.0 / 65535.0)


def test_codes_are_the_inverse_of_their_curve() -> None:
    table = curve_table(MERGED_CURVE).astype(np.float32)
    light = np.geomspace(1e-7, 1.0, 999).astype(np.float32).reshape(1, 333, 3)
    back = np.interp(codes_of_light(light, table) / 65535.0, np.linspace(0.0, 1.0, 1025), table)
    step = np.maximum(7.5e-8, 4.0 * light**0.75 / 65535.0)
    assert (np.abs(back - light) < step).all()
    assert (np.diff(curve_table(MERGED_CURVE)) > 0.0).all()
    assert codes_of_light(np.full((1, 1, 3), 1.7, np.float32), table).min() == 65535


def test_noise_is_found_from_what_sets_two_exposures_apart_whatever_the_texture() -> None:
    rng = np.random.default_rng(3)
    light = rng.random((600, 500, 1)) ** 4 * np.ones(3) * 0.18
    light[:60] *= 1e-2
    codes = bracket(light, [1.0, 4.0])
    codes[1, 100:140] = codes[1, 300:340]  # something moved
    pair = PairedLight(LIGHT[codes[1]].reshape(-1, 3), LIGHT[codes[0]].reshape(-1, 3), 4.0)
    found = estimate_noise([pair], NONE)
    assert found.measured
    assert found.photon == pytest.approx((PHOTON,) * 3, rel=0.1)
    assert found.read == pytest.approx((READ,) * 3, rel=0.15)
    few = PairedLight(pair.longer[:50], pair.shorter[:50], 4.0)
    assert estimate_noise([few], NONE) == USUAL_NOISE


@pytest.mark.parametrize(
    ("mark", "step"),
    [
        (1 / 30, -5), (1 / 60, -6), (1 / 125, -7), (1 / 8, -3), (1 / 15, -4), (30, 5), (15, 4),
        (1 / 6, -8 / 3), (1 / 13, -11 / 3), (1 / 320, -25 / 3), (0.3, -5 / 3), (1 / 90, -6.5), (0.7, -0.5),
    ],
)  # fmt: skip
def test_marks_of_exposure_times_stand_for_thirds_or_halves_of_stops(mark: float, step: float) -> None:
    """The usual rows of marks, from memory."""
    assert on_step(math.log2(mark)) == pytest.approx(step)


def test_f_numbers_and_sensitivities_count_too() -> None:
    def ev(seconds: float, f_number: float | None, iso: float) -> float | None:
        return taken_ev(Metadata(1, 1, exposure_s=seconds, f_number=f_number, iso=iso))

    assert ev(1 / 30, 11.0, 200.0) == pytest.approx(-5.0 + 1.0 - 7.0)
    assert ev(1 / 32, 5.6, 125.0) == pytest.approx(-5.0 + 1 / 3 - 5.0)
    assert taken_ev(Metadata(1, 1, exposure_s=0.1)) is None


def squares(ratio: float, n: int = 900, seed: int = 5) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    rng = np.random.default_rng(seed)
    short = rng.uniform(0.01, 0.15, (n, 1)) * np.ones(3)
    noisy = short * (1.0 + 0.02 * rng.standard_normal((n, 3)))
    return (short * ratio).astype(np.float32), noisy.astype(np.float32)


def test_the_pixels_refine_the_step_and_what_moved_does_not_bend_it() -> None:
    longer, shorter = squares(3.9)
    longer[:200] *= 0.3
    found = measure_step(longer, shorter, 2.0)
    assert found.ev[1] == pytest.approx(math.log2(3.9), abs=0.01)
    assert not found.settings_are_wrong


def test_settings_that_cannot_be_right_give_way_to_the_pixels() -> None:
    longer, shorter = squares(4.0)
    found = measure_step(longer, shorter, 0.0)
    assert found.settings_are_wrong
    assert found.ev[1] == pytest.approx(2.0, abs=0.01)


def test_settings_are_all_there_is_where_nothing_can_be_compared() -> None:
    dark = np.full((500, 3), 1e-4, np.float32)
    assert measure_step(dark, dark, 6.0).ev == (6.0, 6.0, 6.0)


def test_a_white_balance_that_changed_gives_each_channel_its_step() -> None:
    longer, shorter = squares(4.0)
    longer[:, 0] *= 1.1
    found = measure_step(longer, shorter, 2.0, balance=True)
    assert found.ev[0] - found.ev[1] == pytest.approx(math.log2(1.1), abs=0.01)


@pytest.mark.parametrize(("x", "y"), [(0, 0), (3, -2), (-11, 5)])
def test_a_shift_between_exposures_is_found(x: int, y: int) -> None:
    rng = np.random.default_rng(8)
    scene = cv2.GaussianBlur(rng.random((700, 900)).astype(np.float32), (0, 0), 2.0)
    scene = (scene - scene.min()) / np.ptp(scene) * 0.2
    first = scene[100:612, 100:740] * 4.0
    second = scene[100 - y : 612 - y, 100 - x : 740 - x]
    noisy = [
        np.clip(a + rng.standard_normal(a.shape) * np.sqrt(PHOTON * a + READ), 0, 1) for a in (first, second)
    ]
    found = measure_shift(noisy[0][None].astype(np.float32), noisy[1][None].astype(np.float32), 4.0, 1e-3)
    assert (found.x, found.y) == pytest.approx((x, y), abs=0.08)
    blank = np.full((1, 300, 300), 0.1, np.float32)
    assert not measure_shift(blank, blank, 1.0, 1e-3).is_known

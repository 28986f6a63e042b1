"""The parts of tone: lattice, windows, responses, normal equations, document."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import belvedere.tone.solve as solve
from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.response_curve import PARAMETERS, curve_table, is_plausible, power_row, whole_curve
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.tone.groups import Groups
from belvedere.tone.lattice import directions_near, lattice_for
from belvedere.tone.medians import medians
from belvedere.tone.options import ToneOptions
from belvedere.tone.samples import draw_samples, sample_frame
from tone_sets import ToneSet, encode, gain_error, srgb_table, tone_of


def looking(yaw, pitch, roll=0.0, focal=300.0):
    plain = Camera(300, 200, focal, (150.0, 99.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    return plain.with_rotation(pose_matrix(yaw, pitch, roll).T)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-4.0, 4.0),
    st.floats(-np.pi / 2, np.pi / 2),
    st.floats(-3.0, 3.0),
    st.sampled_from([120.0, 900.0]),
)
def test_no_direction_a_frame_sees_is_missed(yaw, pitch, roll, focal):
    camera = looking(yaw, pitch, roll, focal)
    lattice = lattice_for([camera], 60 if focal > 500 else 300)
    rings = np.arange(lattice.rings)
    ring = np.repeat(rings, lattice.counts)
    k = np.arange(ring.size) - lattice.first[ring]
    p = -np.pi / 2 + (ring + 0.5) * np.pi / lattice.rings
    y = -np.pi + (k + 0.5) * 2 * np.pi / lattice.counts[ring]
    every = np.stack([np.cos(p) * np.sin(y), -np.sin(p), np.cos(p) * np.cos(y)], axis=-1)
    ids, directions = directions_near(lattice, camera)
    assert (np.diff(ids) > 0).all()
    np.testing.assert_allclose(directions, every[ids], atol=1e-12)
    missed = np.setdiff1d(np.flatnonzero(camera.project(every)[1]), ids)
    assert missed.size <= 1  # at most one that grazes the border between two positions looked at


def test_a_frame_gets_about_the_directions_asked_for():
    camera = looking(0.3, 0.2)
    ids, directions = directions_near(lattice_for([camera], 2000), camera)
    assert 1700 < camera.project(directions)[1].sum() < 2300
    assert ids.size < 2 * 2000


def test_windows_read_light_where_the_camera_looks():
    camera = looking(0.0, 0.0)
    v, u = np.mgrid[0:200, 0:300]
    light = (0.2 + 0.001 * u + 0.0005 * v)[..., None] * [1.0, 0.9, 0.8]
    pixels = np.rint(light * 65535).astype(np.uint16)
    lattice = lattice_for([camera], 1000)
    ids, directions = directions_near(lattice, camera)
    straight = np.linspace(0, 1, 1025, dtype=np.float32)
    source = FramesInMemory([pixels])
    found = sample_frame(source, 0, camera, straight, 0.0, ids, directions, ToneOptions(level_pixels=60_000))
    at = camera.project(directions[np.isin(ids, found.ids)])[0]
    truth = (0.2 + 0.001 * at[:, 0] + 0.0005 * at[:, 1])[:, None] * [1.0, 0.9, 0.8]
    np.testing.assert_allclose(np.exp2(found.light), truth, atol=2e-5)
    np.testing.assert_allclose(found.code, truth, atol=2e-5)
    coarse = sample_frame(source, 0, camera, straight, 0.0, ids, directions, ToneOptions(level_pixels=4000))
    at = camera.project(directions[np.isin(ids, coarse.ids)])[0]
    truth = (0.2 + 0.001 * at[:, 0] + 0.0005 * at[:, 1])[:, None] * [1.0, 0.9, 0.8]
    np.testing.assert_allclose(np.exp2(coarse.light), truth, atol=4e-5)


def test_one_clipped_pixel_silences_its_surroundings():
    camera = looking(0.0, 0.0)
    pixels = np.full((200, 300, 3), 30000, np.uint16)
    pixels[100, 150, 1] = 65535
    ids, directions = directions_near(lattice_for([camera], 4000), camera)
    straight = np.linspace(0, 1, 1025, dtype=np.float32)
    found = sample_frame(
        FramesInMemory([pixels]), 0, camera, straight, 0.0, ids, directions, ToneOptions(level_pixels=60_000)
    )
    at = camera.project(directions[np.isin(ids, found.ids)])[0]
    assert np.abs(at - [150, 100]).max(axis=1).min() > 1.9


@pytest.mark.parametrize("contrast", [0.2, 0.5, 0.8])
def test_few_parameters_hold_contrast_curves(contrast):
    codes = np.linspace(0, 1, 1025)
    fine = np.linspace(0, 1, 200001)
    true = np.interp(codes, encode(fine, contrast), fine)
    seen = (codes > 0.04) & (codes < 0.985)
    bend = np.log2(true[seen] / srgb_table()[seen])
    parameters = np.linalg.lstsq(curve_table()[seen], bend, rcond=None)[0]
    assert np.sqrt(np.mean((curve_table()[seen] @ parameters - bend) ** 2)) < 0.01
    assert is_plausible(srgb_table(), parameters)
    assert whole_curve(srgb_table(), parameters)[-1] == pytest.approx(1.0)


def test_power_row_reads_a_power():
    codes = np.linspace(0, 1, 1025)
    table = (codes**2.2).astype(np.float32)
    seen = codes > 0.04
    parameters = np.linalg.lstsq(curve_table()[seen], 0.15 * 2.2 * np.log2(codes[seen]), rcond=None)[0]
    assert power_row(table) @ parameters == pytest.approx(0.15, abs=0.005)


def test_medians_of_runs():
    values = np.array([3.0, 1.0, 2.0, 10.0, 20.0, 7.0])
    np.testing.assert_array_equal(medians(values, np.array([0, 3, 3, 5, 6])), [2.0, 0.0, 15.0, 7.0])


def prepared(made):
    n = made.rows * made.columns
    samples = draw_samples(
        FramesInMemory(made.frames()),
        made.cameras(),
        [srgb_table()] * n,
        [0.0] * n,
        ToneOptions(directions_per_frame=1500, level_pixels=60_000),
    )
    zero = np.zeros(n, np.int64)
    return samples, Groups(tuple(range(n)), zero, zero, zero, np.zeros(n), np.zeros((1, 3)))


def test_sparse_and_full_normal_equations_agree(monkeypatch):
    made = ToneSet(columns=4, gain_ev=(0.0, 0.2, -0.1, 0.3))
    samples, groups = prepared(made)
    full = solve.solve_tone(samples, groups, [srgb_table()], with_curve=(True,))
    monkeypatch.setattr(solve, "_DENSE", 0)
    sparse = solve.solve_tone(samples, groups, [srgb_table()], with_curve=(True,))
    np.testing.assert_allclose(sparse.unknowns.gain, full.unknowns.gain, atol=1e-7)
    np.testing.assert_allclose(sparse.unknowns.vignetting, full.unknowns.vignetting, atol=1e-6)


def test_noise_does_not_flatten_the_response():
    made = ToneSet(columns=3, rows=2, noise=0.03, gain_ev=(0.0, 0.3, -0.3, 0.1, -0.2, 0.2))
    samples, groups = prepared(made)
    groups = replace(groups, exposure_ev=made.of(made.gain_ev))
    found = solve.solve_tone(samples, groups, [srgb_table()], with_curve=(True,))
    bend = curve_table()[103:980] @ found.unknowns.curve[0]
    # The true curve is the profile's: no bend. Slopes taken at the noisy codes give far more.
    assert np.abs(bend).max() < 0.08
    assert found.unknowns.curve.shape == (1, PARAMETERS)


def test_few_noisy_samples_do_not_pass_for_a_curve():
    gains = tuple(np.random.default_rng(5).normal(0.0, 0.1, 20))
    made = ToneSet(columns=5, rows=4, width=150, height=210, noise=0.02, gain_ev=gains, level_pixels=30_000)
    tone = tone_of(made, options=ToneOptions(directions_per_frame=250, level_pixels=made.level_pixels))
    assert tone.responses[0].known_from == "color-space"
    assert gain_error(made, tone) < 0.02

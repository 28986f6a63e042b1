"""Tone of a set whose frames carry other profiles: what is found is of the common primaries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.transfer import Transfer, curve_table
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.lattice import directions_near, lattice_for
from belvedere.tone.options import ToneOptions
from belvedere.tone.samples import sample_frame
from belvedere.tone.tone import Tone
from other_profiles import EG_432, OP_RGB, SRGB, Space, between
from tone_sets import ToneSet, alignment_of, gain_error, red_error, srgb_table

DRIFT = (0.0, 0.3, -0.3, 0.5, -0.2, 0.1)
MIXED = (SRGB, EG_432, SRGB, OP_RGB, SRGB, EG_432)
MADE = ToneSet(columns=6, bits=16, gain_ev=DRIFT, told_ev=DRIFT, noise=0.002)


def tone_of_mixed(made: ToneSet, spaces: tuple[Space, ...], *, converted: bool = True) -> Tone:
    """Frames as cameras would have written them in these spaces, the contrast curve last, and their tone."""
    frames = []
    for codes, space in zip(replace(made, contrast=0.0).frames(), spaces, strict=True):
        c = space.encode(SRGB.linear(codes / 65535.0) @ between(SRGB, space).T)
        c = c + made.contrast * (2 * c - 1) * c * (1 - c)
        frames.append(np.rint(c * 65535.0).astype(np.uint16))
    tables = [
        curve_table(space.curve).astype(np.float32) if space is OP_RGB else srgb_table() for space in spaces
    ]
    return estimate_tone(
        FramesInMemory(frames),
        made.metadata(),
        alignment_of(list(made.cameras())),
        [Transfer("profile", table) for table in tables],
        ToneOptions(directions_per_frame=3000, level_pixels=made.level_pixels),
        [None if space is SRGB or not converted else between(space, SRGB) for space in spaces],
    )


def test_other_primaries_cost_nothing() -> None:
    tone = tone_of_mixed(MADE, MIXED)
    assert gain_error(MADE, tone) < 0.0005
    assert red_error(MADE, tone) < 0.0005
    assert max(abs(step) for _, _, step in tone.steps) < 0.0005
    assert {response.known_from for response in tone.responses} == {"profile"}
    assert [own is not None and own.to_common is None for own in tone.frames] == [s is SRGB for s in MIXED]
    unlike = tone_of_mixed(MADE, MIXED, converted=False)
    assert red_error(MADE, unlike) > 0.05  # what it was without the matrices


def test_a_curve_is_found_through_the_matrices() -> None:
    """Six frames of smooth light: the curve takes its codes from what the product stands for."""
    made = replace(MADE, contrast=0.5)
    tone = tone_of_mixed(made, MIXED)
    assert {response.known_from for response in tone.responses} == {"overlaps"}
    assert gain_error(made, tone) < 0.02
    assert red_error(made, tone) < 0.005


def sampled(pixels: np.ndarray, matrix: np.ndarray):
    plain = Camera(300, 200, 300.0, (150.0, 99.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    camera = plain.with_rotation(pose_matrix(0.0, 0.0, 0.0).T)
    ids, directions = directions_near(lattice_for([camera], 1000), camera)
    straight = np.linspace(0, 1, 1025, dtype=np.float32)
    options = ToneOptions(level_pixels=60_000)
    return sample_frame(FramesInMemory([pixels]), 0, camera, straight, 0.0, ids, directions, options, matrix)


def test_light_is_the_product() -> None:
    pixels = np.full((200, 300, 3), (20000, 30000, 10000), np.uint16)
    matrix = between(OP_RGB, SRGB)
    found = sampled(pixels, matrix)
    truth = matrix @ (np.array([20000, 30000, 10000]) / 65535)
    np.testing.assert_allclose(np.exp2(found.light), np.tile(truth, (found.ids.size, 1)), rtol=1e-6)
    np.testing.assert_allclose(found.code, np.tile(truth, (found.ids.size, 1)), atol=1e-6)


@pytest.mark.parametrize(
    ("codes", "silent"),
    [
        ((12000, 60000, 20000), (True, False, False)),  # its red is below 0 in the common primaries
        ((30000, 30000, 500), (False, False, True)),  # blue is crushed, and goes into no other channel
        ((30000, 500, 30000), (True, True, True)),  # green is crushed, and goes into all
    ],
)
def test_light_that_says_nothing_is_left_out(
    codes: tuple[int, int, int], silent: tuple[bool, bool, bool]
) -> None:
    found = sampled(np.full((200, 300, 3), codes, np.uint16), between(OP_RGB, SRGB))
    assert found.ids.size == 0 or tuple(np.isnan(found.light).all(axis=0)) == silent
    assert (found.ids.size == 0) == all(silent)

"""Tone against truth: gain, white balance, vignetting and response of small sets made for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.transfer import Transfer
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.options import ToneOptions
from tone_sets import (
    ToneSet,
    alignment_of,
    encode,
    gain_error,
    local_steps,
    red_error,
    srgb_table,
    tone_of,
    vignetting_error,
)

DRIFT = (0.0, 0.13, -0.21, 0.08, 0.17, -0.1)


def largest_step(tone):
    return max(abs(s[2]) for s in tone.steps)


@pytest.mark.parametrize("bits", [8, 16])
def test_known_response(bits):
    made = ToneSet(columns=3, rows=2, gain_ev=DRIFT, bits=bits)
    shot = made.frames()
    tone = tone_of(made, frames=shot)
    assert gain_error(made, tone) < 0.005  # the bar is 0.02 EV
    assert vignetting_error(made, tone) < 0.01  # the bar is 2 %
    assert red_error(made, tone) < 0.005
    assert tone.responses[0].known_from == "color-space"
    np.testing.assert_array_equal(tone.responses[0].to_linear, srgb_table())
    assert np.abs(local_steps(made, tone, shot)).max() < 0.02
    assert np.prod([f.gain for f in tone.frames]) == pytest.approx(1.0)
    assert np.prod([f.white_balance for f in tone.frames], axis=0) == pytest.approx([1.0, 1.0, 1.0])


def test_frames_without_vignetting_get_none():
    made = ToneSet(vignetting=(0.0, 0.0, 0.0))
    assert vignetting_error(made, tone_of(made)) < 0.005


@pytest.mark.parametrize("told", [(0.0, 1.0, 0.0, -1.0), (None,)])
def test_exposure_steps_of_one_stop(told):
    made = ToneSet(gain_ev=(0.0, 1.0, 0.0, -1.0), told_ev=told, brightness=0.2)
    tone = tone_of(made)
    assert gain_error(made, tone) < 0.01
    assert largest_step(tone) < 0.01
    assert not tone.notices


def test_settings_that_do_not_tell_the_light_are_named():
    made = ToneSet(gain_ev=(0.0, 0.0, 0.6, 0.0))
    tone = tone_of(made)
    assert gain_error(made, tone) < 0.01
    assert len(tone.notices) == 1
    assert "frame-2.jpg is 0.6 EV brighter" in tone.notices[0]


def test_white_balance_steps():
    made = ToneSet(columns=5, red_ev=(0.0, 0.0, 0.2, 0.0, -0.04))
    tone = tone_of(made)
    assert red_error(made, tone) < 0.01
    assert gain_error(made, tone) < 0.005
    assert any("white balance of frame-2.jpg" in n for n in tone.notices)


def test_equal_white_balance_stays_equal():
    tone = tone_of(ToneSet(columns=5))
    assert np.abs(np.log2([f.white_balance for f in tone.frames])).max() < 0.003


def test_clipped_light_has_no_say():
    made = ToneSet(gain_ev=DRIFT, columns=4, brightness=1.1)
    shot = made.frames()
    clipped = np.mean([(f == 255).any(axis=-1).mean() for f in shot])
    assert clipped > 0.3
    tone = tone_of(made, frames=shot)
    assert gain_error(made, tone) < 0.01
    assert vignetting_error(made, tone) < 0.02


def test_a_bright_thing_that_came_into_an_overlap():
    made = ToneSet(columns=3, gain_ev=DRIFT, brightness=0.15)
    middle = made.cameras()[1].rays([[made.width * 0.85, made.height * 0.5]])[0]
    yaw, pitch = float(np.arctan2(middle[0], middle[2])), float(np.arcsin(-middle[1]))
    tone = tone_of(replace(made, blobs={1: (yaw, pitch)}))
    assert gain_error(made, tone) < 0.01
    assert vignetting_error(made, tone) < 0.02


@pytest.mark.parametrize("told", [(0.0,), (0.0, 0.33, -0.33, 0.0)])
@pytest.mark.parametrize("contrast", [0.3, 0.6])
def test_unknown_contrast_curve_leaves_no_step(contrast, told):
    gains = told if len(told) > 1 else (0.0,)
    made = ToneSet(columns=4, rows=2, contrast=contrast, gain_ev=gains, told_ev=told)
    shot = made.frames()
    tone = tone_of(made, frames=shot)
    assert largest_step(tone) < 0.01  # the bar is 0.03 EV
    assert np.abs(local_steps(made, tone, shot)).max() < 0.04
    response = tone.responses[0]
    assert (np.diff(response.to_linear) >= 0).all()
    assert response.to_linear[0] == 0.0
    assert response.to_linear[-1] == 1.0
    if len(told) > 1:  # settings that differ tell the power, and so the true curve
        assert response.known_from == "overlaps"
        codes = np.linspace(0.1, 0.9, 9)
        light = np.interp(codes, np.linspace(0, 1, 1025), response.to_linear)
        # up to the power, which the settings leave to a few per cent
        fine = np.linspace(0, 1, 20001)
        true = np.interp(codes, encode(fine, contrast), fine)
        assert np.abs(np.log2(light / true)).max() < 0.12
        assert gain_error(made, tone) < 0.02


def test_curve_is_not_estimated_when_told_not_to():
    made = ToneSet(columns=3, contrast=0.6, gain_ev=(0.0, 0.5, -0.5), told_ev=(0.0, 0.5, -0.5))
    options = ToneOptions(directions_per_frame=3000, level_pixels=60_000, estimate_response=False)
    tone = tone_of(made, options=options)
    assert tone.responses[0].known_from == "color-space"
    assert tone.responses[0].curve == ()


def test_order_of_frames_does_not_matter():
    made = ToneSet(columns=3, rows=2, gain_ev=DRIFT, red_ev=(0.0, 0.02, 0.0, -0.03, 0.0, 0.0))
    shot = made.frames()
    plain = tone_of(made, frames=shot)
    order = [4, 1, 5, 0, 3, 2]
    other = tone_of(made, order, shot)
    for place, i in enumerate(order):
        assert other.frames[place].gain == pytest.approx(plain.frames[i].gain, abs=1e-6)
        assert other.frames[place].white_balance == pytest.approx(plain.frames[i].white_balance, abs=1e-6)
        assert other.frames[place].vignetting == pytest.approx(plain.frames[i].vignetting, abs=1e-5)
    steps = {tuple(sorted((order[a], order[b]))): abs(ev) for a, b, ev in other.steps}
    for a, b, ev in plain.steps:
        assert steps[(a, b)] == pytest.approx(abs(ev), abs=1e-6)


def test_same_input_same_bits():
    made = ToneSet(columns=3, gain_ev=DRIFT, contrast=0.5)
    shot = made.frames()
    assert repr(tone_of(made, frames=shot).frames) == repr(tone_of(made, frames=shot).frames)


def test_all_dark_frames_keep_their_settings():
    made = ToneSet(columns=3, told_ev=(0.0, 1.0, -1.0))
    dark = [np.zeros((made.height, made.width, 3), np.uint8)] * 3
    tone = tone_of(made, frames=dark)
    assert np.log2([f.gain for f in tone.frames]) == pytest.approx([0.0, 1.0, -1.0], abs=1e-3)
    assert [f.vignetting for f in tone.frames] == [(0.0, 0.0, 0.0)] * 3
    assert tone.steps == ()
    assert any("no usable common light" in n for n in tone.notices)


def test_a_blown_frame_keeps_its_settings_beside_connected_ones():
    made = ToneSet(columns=4, gain_ev=(0.0, 0.3, 0.0, 0.0), told_ev=(0.0, 0.3, 0.0, 1.0))
    shot = made.frames()
    shot[3] = np.full_like(shot[3], 255)
    tone = tone_of(made, frames=shot)
    gains = np.log2([f.gain for f in tone.frames])
    assert gains - gains[0] == pytest.approx([0.0, 0.3, 0.0, 1.0], abs=0.02)
    assert any(n.startswith("frame-3.jpg: no usable") for n in tone.notices)


def test_two_groups_with_no_common_light_are_told():
    made = ToneSet(
        columns=5, told_ev=(0.0, 0.0, 0.0, 0.5, 0.5), gain_ev=(0.0, 0.0, 0.0, 0.5, 0.5), unused=(2,)
    )
    tone = tone_of(made)
    gains = np.log2([f.gain for f in tone.frames if f is not None])
    assert gains - gains[0] == pytest.approx([0.0, 0.0, 0.5, 0.5], abs=0.02)
    assert [n for n in tone.notices if "no common light" in n] == [
        "frame-3.jpg, frame-4.jpg: no common light with the rest; how bright they are against it was taken "
        "from the exposure settings"
    ]


def test_one_frame_alone():
    made = ToneSet(columns=1)
    tone = tone_of(made)
    assert tone.frames[0].gain == 1.0
    assert tone.frames[0].white_balance == (1.0, 1.0, 1.0)
    assert tone.steps == ()
    assert tone.notices == ()


def test_frames_not_used_have_no_tone():
    made = ToneSet(columns=4, gain_ev=DRIFT, unused=(0,))
    tone = tone_of(made)
    assert tone.frames[0] is None
    assert gain_error(made, tone) < 0.005
    assert all(0 not in s[:2] for s in tone.steps)


def test_no_frame_used_at_all():
    tone = tone_of(ToneSet(columns=2, unused=(0, 1)))
    assert tone.frames == (None, None)
    assert tone.steps == ()


def test_whole_level_0_of_a_large_frame_is_never_read():
    class Watched(FramesInMemory):
        def whole(self, frame, level):
            assert level > 0
            return super().whole(frame, level)

        def window(self, frame, level, x0, y0, x1, y1):
            raise AssertionError("windows are not needed")

    made = ToneSet(columns=2)
    cameras = made.cameras()
    tone = estimate_tone(
        Watched(made.frames()),
        made.metadata(),
        alignment_of(list(cameras)),
        [Transfer("color-space", srgb_table())] * 2,
        ToneOptions(level_pixels=40_000),
    )
    assert gain_error(made, tone) < 0.01


def test_numbers_must_agree():
    made = ToneSet(columns=2)
    with pytest.raises(ValueError, match="2 frames, 1 placements"):
        estimate_tone(
            FramesInMemory(made.frames()),
            made.metadata(),
            alignment_of([None]),
            [Transfer("color-space", srgb_table())] * 2,
        )

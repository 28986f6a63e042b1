"""What pixels tell of a set: each fault found where it is, none invented."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment, Placement
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.blur import disc_kernel, motion_kernel
from belvedere.demo.faults import Fault
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.survey.checking.check_clipping import examine_clipping
from belvedere.survey.checking.check_featureless import examine_featureless
from belvedere.survey.checking.check_pixels import examine_pixels
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.overlap_field import OverlapField
from belvedere.survey.checking.turn_fit import fit_turn
from belvedere.survey.checking.window_sharpness import WINDOW_PX, blur_px, window_sharpness
from checked_sets import checked_set, of_kind
from pixel_sets import pixel_set


@pytest.mark.parametrize(
    ("name", "changes"),
    [("row", {"columns": 4}), ("near-ground", {"columns": 4, "pupil_offset_mm": 0.0})],
)
def test_nothing_is_invented_on_clean_sets(name: str, changes: dict[str, float]) -> None:
    found = examine_pixels(pixel_set(name, seed=3, **changes), nearest_ground_m=2.5)
    assert [f.words for f in found] == []


def test_shake_is_found_with_its_direction() -> None:
    checked = pixel_set("row", columns=4, seed=1, faults=(Fault(2, motion_px=3.0, motion_deg=-60.0),))
    (found,) = examine_pixels(checked)
    assert (found.kind, found.grave, found.frames) == ("sharpness", "reshoot", (2,))
    assert found.numbers["angle_deg"] == pytest.approx(-60.0, abs=10.0)
    assert found.numbers["blur_px"] == pytest.approx(3.0, abs=1.0)
    assert "camera moved" in found.words


def test_a_refocused_frame_is_found_once() -> None:
    checked = pixel_set("row", columns=4, seed=2, faults=(Fault(1, defocus_px=5.0, focal_factor=1.012),))
    known = checked.alignment.frames[0].camera
    places = [
        replace(p, camera=replace(p.camera, focal_px=known.focal_px)) if p.camera and known else p
        for p in checked.alignment.frames
    ]
    blind = replace(checked, alignment=replace(checked.alignment, frames=tuple(places)))
    (found,) = examine_pixels(blind)
    assert (found.kind, found.grave, found.frames) == ("focus", "reshoot", (1,))
    assert found.numbers["focal_factor"] == pytest.approx(1.012, abs=0.002)
    assert "refocused" in found.words


def test_the_entrance_pupil_is_found() -> None:
    (found,) = examine_pixels(pixel_set("near-ground", columns=5, seed=1), nearest_ground_m=2.5)
    assert (found.kind, found.grave) == ("parallax", "risk")
    assert found.numbers["offset_mm"] == pytest.approx(60.0, rel=0.25)
    assert "slide the camera back" in found.words


def test_two_walkers_are_found_and_nobody_else() -> None:
    found = examine_pixels(pixel_set("walkers", columns=4, seed=1, walkers=2))
    assert [(f.kind, f.frames) for f in found] == [("moving", (0, 1)), ("moving", (1, 2))]


def test_clouds_are_called_clouds() -> None:
    found = examine_pixels(pixel_set("cloud-drift", rows=1, columns=4, pitch_deg=0.0, seed=1))
    moving = of_kind(found, "moving")
    assert len(moving) == len(found) == 1
    assert "sky" in moving[0].words
    assert moving[0].numbers["sky_px"] > 2.0


def _one_over_f(rng: np.random.Generator, size: int) -> NDArray[np.float32]:
    """Grey noise whose amplitude falls as 1 / frequency."""
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size)))
    frequency[0, 0] = 1.0
    wave = np.fft.fft2(rng.normal(size=(size, size))) / frequency
    image = np.real(np.fft.ifft2(wave))
    return np.asarray(128.0 + 30.0 * image / image.std(), dtype=np.float32)


def test_blur_is_measured_against_the_same_detail() -> None:
    rng = np.random.default_rng(5)
    losses: dict[str, list[NDArray[np.float64]]] = {"motion": [], "disc": []}
    for _ in range(12):
        sharp = _one_over_f(rng, WINDOW_PX + 20)
        for kind, kernel in (("motion", motion_kernel(3.0, 0.0)), ("disc", disc_kernel(4.0))):
            soft = 0.6 * cv2.filter2D(sharp, -1, kernel) + 20.0  # darker too: gain must not matter
            pair = []
            for image in (sharp, soft):
                noisy = image[10:-10, 10:-10] + rng.normal(0.0, 0.8, (WINDOW_PX, WINDOW_PX))
                pair.append(window_sharpness(np.asarray(noisy, dtype=np.float32))[0])
            losses[kind].append(pair[0] - pair[1])
    along, across = (float(np.mean([loss[k] for loss in losses["motion"]])) for k in (0, 2))
    assert blur_px(along, "motion") == pytest.approx(3.0, abs=0.5)
    assert across < 0.3 * along
    whole = float(np.mean([loss.mean() for loss in losses["disc"]]))
    assert blur_px(whole, "disc") == pytest.approx(4.0, abs=0.7)


def test_noise_alone_is_not_trusted() -> None:
    rng = np.random.default_rng(6)
    flat = rng.normal(128.0, 2.0, (WINDOW_PX, WINDOW_PX)).astype(np.float32)
    assert window_sharpness(flat)[1] < 0.2


def _turning(
    count: int, factors: dict[int, float], ratio: float
) -> tuple[dict[int, Camera], list[OverlapField]]:
    """Cameras as believed; details as seen with other focal lengths and the pupil `ratio` heights off."""
    rng = np.random.default_rng(7)
    believed = {
        i: Camera(600, 900, 900.0, (299.5, 449.5), (-0.05, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)).with_rotation(
            pose_matrix(0.38 * i, math.radians(-10.0), 0.0).T
        )
        for i in range(count)
    }
    fields = []
    for a in range(count - 1):
        pair = []
        points = rng.uniform((380.0, 20.0), (590.0, 880.0), (150, 2))
        rays = believed[a].rays(points)
        away = np.where(rays[:, 1] > 0.1, 1.0 / np.maximum(rays[:, 1], 0.1), 1e6)
        for i in (a, a + 1):
            camera = replace(believed[i], focal_px=900.0 * factors.get(i, 1.0))
            seen, _ = camera.project(rays * away[:, None] - ratio * camera.rotation[2])
            pair.append(seen + rng.normal(0.0, 0.1, seen.shape))
        keep = np.isfinite(pair[0]).all(axis=1) & np.isfinite(pair[1]).all(axis=1)
        n = int(keep.sum())
        fields.append(OverlapField(a, a + 1, pair[0][keep], pair[1][keep], np.full(n, 0.15), np.ones(n), n))
    return believed, fields


def test_focal_length_and_pupil_are_told_apart() -> None:
    for ratio in (0.0, 0.04, -0.04):
        cameras, fields = _turning(6, {2: 1.01}, ratio)
        fit = fit_turn(cameras, dict.fromkeys(cameras, 0), fields)
        assert fit is not None
        assert fit.pupil == pytest.approx(
            ratio, abs=max(0.006, 4.0 * fit.pupil_sigma if ratio == 0.0 else 0.0)
        )
        near = fit.focal[2] - (fit.focal[1] + fit.focal[3]) / 2.0
        assert near == pytest.approx(math.log(1.01), abs=0.001)


def test_clipped_highlights_are_counted_once_over_the_set() -> None:
    checked = checked_set("row", columns=3)
    frames = []
    for place in checked.alignment.frames:
        assert place.camera is not None
        pixels = np.full((place.camera.height, place.camera.width, 3), 120, np.uint8)
        pixels[: place.camera.height // 4] = 255
        frames.append(pixels)
    (found,) = examine_clipping(replace(checked, source=FramesInMemory(frames)))
    assert (found.kind, found.grave, found.frames) == ("clipping", "risk", (0, 1, 2))
    assert found.numbers["clipped_fraction"] == pytest.approx(0.25, abs=0.01)
    for pixels in frames:
        pixels[: len(pixels) // 4] = 120
    third = frames[0].shape[1] // 3  # the overlap of two neighbours
    frames[0][:, -third:], frames[1][:, :third] = 255, 255
    (found,) = examine_clipping(replace(checked, source=FramesInMemory(frames)))
    assert found.numbers["clipped_fraction"] == pytest.approx((1.0 / 3.0) / (3.0 - 2.0 / 3.0), abs=0.02)
    frames[0][:, -third:], frames[1][:, :third] = 120, 120
    frames[1][100:108, 100:108] = 255
    assert examine_clipping(replace(checked, source=FramesInMemory(frames))) == ()
    frames[1][100:140, 100:140] = 255
    (found,) = examine_clipping(replace(checked, source=FramesInMemory(frames)))
    assert (found.grave, found.frames) == ("note", (1,))
    assert "sun" in found.words


def test_plain_frames_are_named_with_what_would_make_them_safe() -> None:
    checked = checked_set("row", columns=3, pitch_deg=25.0)
    rng = np.random.default_rng(8)
    frames, places = [], list(checked.alignment.frames)
    for place in places:
        assert place.camera is not None
        frames.append(rng.integers(0, 255, (place.camera.height, place.camera.width, 3)).astype(np.uint8))
    frames[1][:] = 128
    source = FramesInMemory(frames)
    places[1] = replace(places[1], placed_by="grid", placement_sigma_px=7.0)
    by_turn = _with(checked, source, places)
    (found,) = examine_featureless(by_turn)
    assert (found.grave, found.frames, found.numbers["sigma_px"]) == ("risk", (1,), 7.0)
    assert "lower, so that it shows some skyline" in found.words
    places[1] = Placement(0, None, reason="it shares nothing with the others")
    (found,) = examine_featureless(_with(checked, source, places))
    assert (found.grave, found.frames) == ("reshoot", (1,))


def _with(checked: Checked, source: FramesInMemory, places: list[Placement]) -> Checked:
    alignment: Alignment = replace(checked.alignment, frames=tuple(places))
    return replace(checked, source=source, alignment=alignment)

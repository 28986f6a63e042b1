"""The named sets: files, Exif, determinism, and what each set promises."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from belvedere.demo.poses import plan_shots
from belvedere.demo.render import render_frame, render_frames, truth, write_set
from belvedere.demo.sets import SETS, render_set, set_spec
from belvedere.demo.truth import read_truth
from belvedere.demo.walkers import walker_mask
from belvedere.geometry.rotation import direction, yaw_pitch_roll

SMALL = 0.1
EXIF_IFD = 0x8769


@pytest.mark.parametrize("name", sorted(SETS))
def test_every_set_can_be_planned_and_has_a_truth(name: str) -> None:
    known = truth(set_spec(name, megapixels=SMALL, seed=3))
    assert known.name == name
    assert len(known.cameras) == len(known.files) == len(set(known.files))
    gains = [known.frames[i].gain for i in known.belonging]
    assert np.mean(np.log(gains)) == pytest.approx(0.0, abs=1e-12)


def test_a_set_that_does_not_exist_is_named_with_those_that_do(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="rows-3x5"):
        render_set("nowhere", tmp_path)


def test_same_seed_same_bits_and_another_seed_another_place() -> None:
    spec = set_spec("walkers", megapixels=SMALL, columns=2, walkers=3, seed=5)
    first, again = render_frames(spec), render_frames(spec)
    other = render_frames(set_spec("walkers", megapixels=SMALL, columns=2, walkers=3, seed=6))
    for a, b, c in zip(first, again, other, strict=True):
        np.testing.assert_array_equal(a, b)
        assert np.mean(a != c) > 0.5


@pytest.mark.parametrize("bits", [8, 16])
def test_frames_are_stored_as_the_sensor_lies_with_real_exif(tmp_path: Path, bits: int) -> None:
    spec = set_spec("mixed-orientations", megapixels=SMALL, columns=3)
    spec = replace(spec, bits=bits, profile=True, exposure_ev=(0.0, 1.0, 0.0))  # type: ignore[arg-type]
    known = write_set(spec, tmp_path)
    assert read_truth(tmp_path) == known
    seen = render_frames(spec)
    for i, name in enumerate(known.files):
        with Image.open(tmp_path / name) as picture:
            exif = picture.getexif()
            detail = exif.get_ifd(EXIF_IFD)
            upright = np.asarray(ImageOps.exif_transpose(picture)) if bits == 8 else None
            assert picture.info["icc_profile"]
        camera = known.cameras[i]
        assert exif[0x0112] == (1, 6, 8)[i]
        assert (exif[0x010F], exif[0x0110]) == (spec.body.make, spec.body.model)
        assert float(detail[0x920A]) == 50.0
        assert detail[0xA405] == 50
        assert detail[0xA001] == 1
        assert detail[0xA434] == spec.lens.model
        per_mm = float(detail[0xA20E]) / 10.0
        assert float(detail[0x920A]) * per_mm == pytest.approx(camera.focal_px, rel=1e-4)
        assert float(detail[0x829A]) == pytest.approx((2.0 if i == 1 else 1.0) / 250.0)
        assert datetime.strptime(detail[0x9003], "%Y:%m:%d %H:%M:%S") >= datetime(2024, 1, 1)
        assert detail[0x9291].isdigit()
        if upright is not None:
            assert upright.shape == seen[i].shape == (camera.height, camera.width, 3)
            assert np.mean(np.abs(upright.astype(float) - seen[i])) < 2.0  # what JPEG takes


def test_without_exif_frames_lie_as_displayed(tmp_path: Path) -> None:
    known = render_set("row", tmp_path, megapixels=SMALL, columns=1, exif=False)
    with Image.open(tmp_path / known.files[0]) as picture:
        assert not picture.getexif()
        assert picture.size == (known.cameras[0].width, known.cameras[0].height)


def test_the_pan_axis_leans_as_told() -> None:
    known = truth(set_spec("row", megapixels=SMALL, scatter_deg=0.0))
    up = np.array(known.pan_axis)
    assert np.degrees(np.arccos(-up[1])) == pytest.approx(3.0)
    assert np.degrees(np.arctan2(up[0], up[2])) == pytest.approx(40.0)
    # every camera's sight line keeps its angle to the axis
    heights = [np.dot(c.rotation.T @ np.array([0, 0, 1.0]), up) for c in known.cameras]
    np.testing.assert_allclose(heights, heights[0], atol=1e-12)


def test_the_principal_point_follows_the_sensor_through_orientation() -> None:
    known = truth(set_spec("mixed-orientations", megapixels=SMALL))
    offsets = [
        (c.principal_point[0] - (c.width - 1) / 2, c.principal_point[1] - (c.height - 1) / 2)
        for c in known.cameras[:3]
    ]
    (x, y), six, eight = offsets
    assert six == pytest.approx((-y, x))
    assert eight == pytest.approx((y, -x))


def test_blocks_beside_the_gap_meet_nowhere() -> None:
    known = truth(set_spec("gap", megapixels=SMALL))
    left, right = known.frames[3].camera, known.frames[4].camera
    u, v = np.meshgrid(np.linspace(0, left.width, 40), np.linspace(0, left.height, 40))
    assert not right.project(left.rays(np.stack([u, v], axis=-1)))[1].any()
    assert known.frames[4].column == known.frames[3].column + 2


def test_the_full_turn_closes() -> None:
    known = truth(set_spec("full-turn", megapixels=SMALL, scatter_deg=0.0, tilt_deg=0.0))
    yaws = np.unwrap([yaw_pitch_roll(c.rotation.T)[0] for c in known.cameras])
    np.testing.assert_allclose(np.diff(yaws), 2 * np.pi / 12)


def test_the_top_row_shows_a_strip_of_land_and_plain_sky() -> None:
    spec = set_spec("plain-top-row", megapixels=0.3, columns=1)
    spec = replace(spec, body=replace(spec.body, full_well=0.0))
    frame = render_frame(spec, plan_shots(spec)[0]).astype(float)
    middle = frame[:, frame.shape[1] // 2 - 20 : frame.shape[1] // 2 + 20]
    busy = np.abs(np.diff(middle, axis=1)).max(axis=(1, 2)) > 3.0
    strip = 1.0 - np.argmax(busy) / len(busy)
    assert 0.14 < strip < 0.22
    assert not busy[: int(0.75 * len(busy))].any()


def test_clipped_sky_is_clipped_and_the_land_is_not() -> None:
    frame = render_frames(set_spec("clipped-sky", megapixels=SMALL, columns=1))[0]
    white = np.all(frame >= 254, axis=-1)
    assert white[: frame.shape[0] // 3].mean() > 0.1
    assert white[frame.shape[0] // 2 :].mean() < 0.02


def test_clouds_drift_while_the_land_stays() -> None:
    spec = set_spec("cloud-drift", megapixels=SMALL, columns=1, rows=1, scatter_deg=0.0)
    spec = replace(spec, columns=2, step_deg=0.0, body=replace(spec.body, full_well=0.0))
    a, b = (f.astype(float) for f in render_frames(spec))
    third = len(a) // 3
    assert np.abs(a[:third] - b[:third]).mean() > 0.5
    assert np.abs(a[-third:] - b[-third:]).max() == 0.0


def test_the_stray_shows_something_else() -> None:
    spec = set_spec("stray", megapixels=SMALL)
    known = truth(spec)
    assert [i for i, f in enumerate(known.frames) if not f.belongs] == [4]
    shots = plan_shots(spec)
    as_if = replace(shots[4], belongs=True)
    assert np.mean(np.abs(render_frame(spec, shots[4]).astype(float) - render_frame(spec, as_if))) > 10


def test_twenty_walkers_stand_in_overlaps_at_different_places() -> None:
    spec = set_spec("walkers", megapixels=1.5, seed=2)
    known = truth(spec)
    whole: dict[int, list[int]] = {}
    for i, frame in enumerate(known.frames):
        for w in frame.walkers:
            if w.whole:
                whole.setdefault(w.walker, []).append(i)
    assert sorted(whole) == list(range(20))
    assert sum(len(frames) >= 2 for frames in whole.values()) >= 15
    for frame in known.frames:
        boxes = np.array([w.box for w in frame.walkers])
        for k, box in enumerate(boxes):
            others = np.delete(boxes, k, axis=0)
            apart = (others[:, 0] > box[2]) | (others[:, 2] < box[0])
            apart |= (others[:, 1] > box[3]) | (others[:, 3] < box[1])
            assert apart.all()


def test_walker_mask_marks_exactly_what_walkers_change() -> None:
    spec = set_spec("walkers", megapixels=0.4, columns=2, walkers=4, seed=2)
    spec = replace(spec, body=replace(spec.body, full_well=0.0))
    known = truth(spec)
    shots = plan_shots(spec)
    frame = render_frame(spec, shots[0]).astype(int)
    empty = render_frame(replace(spec, walkers=0), shots[0]).astype(int)
    mask = walker_mask(known.frames[0])
    changed = np.abs(frame - empty).max(axis=-1) > 0
    assert mask.any()
    assert changed[mask > 0].mean() > 0.98
    assert changed.sum() < 3.0 * (mask > 0).sum()
    for w in known.frames[0].walkers:
        y, x = np.nonzero(mask == w.walker + 1)
        if len(y):
            assert x.min() >= w.box[0] - 1
            assert x.max() <= w.box[2] + 1
            assert y.min() >= w.box[1] - 1
            assert y.max() <= w.box[3] + 1


def test_walls_are_plumb() -> None:
    # The facade's windows repeat: the same row of codes comes back after a period along the wall.
    spec = set_spec("repeated-texture", megapixels=0.5, columns=1, scatter_deg=0.0, tilt_deg=0.0, yaw_deg=0.0)
    lens = replace(spec.lens, distortion=(0.0, 0.0, 0.0), vignetting=(0.0, 0.0, 0.0))
    spec = replace(spec, lens=lens, body=replace(spec.body, full_well=0.0))
    (frame,), camera = render_frames(spec), truth(spec).cameras[0]
    period = 0.052
    columns = []
    for k in (-2, -1, 0, 1):
        at, _ = camera.project(direction(np.arctan(period * (k + 0.5)), 0.0))
        u = int(np.rint(at[0]))
        v0, _ = camera.project(direction(0.0, np.arctan(-0.11)))
        v1, _ = camera.project(direction(0.0, np.arctan(0.20)))
        columns.append(frame[int(v1[1]) : int(v0[1]), u - 1 : u + 2].astype(float).mean(axis=(1, 2)))
    for other in columns[1:]:
        assert np.corrcoef(columns[0], other)[0, 1] > 0.9

"""Raw files stitched to light: the scene's own, and neutral where it clipped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import Image

from belvedere.cli.main import run
from belvedere.compose.report import Report, read_report, report_path
from belvedere.demo import dng as demo_dng
from belvedere.demo.dng import camera_from_srgb
from belvedere.demo.poses import Shot, plan_shots
from belvedere.demo.render import light_of, write_exposure, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from linear_sets import SPEC, dng_light, headroom, shoot, stitch_dng

OTHER_FILTERS = np.array([[0.70, -0.15, -0.06], [-0.45, 1.25, 0.22], [-0.08, 0.20, 0.62]])


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shoot(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="module")
def dng(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stitch_dng(card, tmp_path_factory.mktemp("dng") / "row.dng", "--tile", "512")


def directions(report: Report) -> NDArray[np.float64]:
    p = report.plate
    yaw, pitch, roll = np.radians(p.yaw_pitch_roll_deg).tolist()
    more: dict[str, Any] = {} if p.d is None else {"d": p.d}
    plate = Plate(p.projection, p.width, p.height, p.pixels_per_radian, p.centre, (yaw, pitch, roll), **more)
    y, x = np.mgrid[0 : p.height, 0 : p.width].astype(float)
    return plate.directions(np.stack([x, y], axis=-1))


def seen_by(
    report: Report, spec: SetSpec, index: int, shot: Shot, rays: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """A frame's true camera light on the plate, what of it is over white (0 to 1), and where it is smooth."""
    frame = report.frames[index]
    assert frame.focal_px is not None
    assert frame.principal_point is not None
    assert frame.distortion is not None
    assert frame.rotation_wxyz is not None
    solved = Camera(
        frame.width,
        frame.height,
        frame.focal_px,
        frame.principal_point,
        frame.distortion,
        frame.rotation_wxyz,
    )
    at, seen = solved.project(rays)
    light = light_of(spec, shot) @ camera_from_srgb().T
    h, w = light.shape[:2]
    cx, cy = shot.camera.principal_point
    q = (
        (np.arange(w) - cx)[None, :] ** 2 + (np.arange(h) - cy)[:, None] ** 2
    ) / shot.camera.half_diagonal_px**2
    a1, a2, a3 = shot.exposing.vignetting
    level = shot.exposing.factors[1] * (1.0 + q * (a1 + q * (a2 + q * a3)))
    over = (light * level[..., None] > 0.93).any(axis=-1)  # the camera's white and the way to it, and noise
    maps = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    true = cv2.remap(light.astype(np.float32), *maps, cv2.INTER_CUBIC).astype(float)
    clipped = cv2.remap(over.astype(np.float32), *maps, cv2.INTER_LINEAR).astype(float)
    rough = np.abs(cv2.blur(true, (7, 7)) - true).max(axis=-1) / (true.max(axis=-1) + 0.02)
    inside = seen & (at > 6.0).all(axis=-1) & (at[..., 0] < w - 7) & (at[..., 1] < h - 7)
    return true, clipped, inside & (cv2.dilate(rough, np.ones((7, 7))) < 0.08)


def test_the_light_is_the_scene_s_own(dng: Path) -> None:
    """Up to one factor for the whole, which the mean of the gains leaves open."""
    report = read_report(report_path(dng))
    light, rays = dng_light(dng), directions(report)
    ratios, never, always = [], np.ones(light.shape[:2], bool), np.ones(light.shape[:2], bool)
    views = [seen_by(report, SPEC, i, shot, rays) for i, shot in enumerate(plan_shots(SPEC))]
    for _, clipped, smooth in views:
        never &= (cv2.dilate(clipped, np.ones((7, 7))) == 0.0) | ~smooth
        always &= (cv2.erode(clipped, np.ones((7, 7))) == 1.0) | ~smooth
    for true, _, smooth in views:
        where = smooth & never
        assert where.sum() > 3000
        ratios.append(light[where] / true[where])
    middle = np.median(np.concatenate(ratios), axis=0)
    np.testing.assert_allclose(middle / middle[1], 1.0, atol=0.003)
    for ratio in ratios:
        np.testing.assert_allclose(np.median(ratio, axis=0) / middle, 1.0, atol=0.005)
        assert (np.percentile(np.abs(ratio / middle - 1.0), 68, axis=0) < 0.02).all()  # noise, mostly
    # over white: neutral, and about as bright as the scene's white seen through the channels left
    neutral = np.array(report.picture.camera.neutral)  # type: ignore[union-attr]
    for true, _, smooth in views:
        where = smooth & always
        if where.sum() < 300:
            continue
        balanced = light[where] / neutral
        assert np.abs(np.median(balanced, axis=0) / np.median(balanced[:, 1]) - 1.0).max() < 0.003
        assert 0.9 < np.median(balanced[:, 1] / (true[where] / neutral).max(axis=-1)) / middle[1] < 1.02


def test_one_white_for_the_whole_set_and_none_undone_twice(dng: Path) -> None:
    report = read_report(report_path(dng))
    picture = report.picture
    assert picture is not None
    assert picture.camera is not None
    assert picture.kind == "linear-dng"
    assert picture.camera.model == SPEC.body.model
    first = plan_shots(SPEC)[0]
    neutral = camera_from_srgb().sum(axis=1) / np.array(first.white_balance)
    np.testing.assert_allclose(picture.camera.neutral, neutral / neutral.max(), atol=1e-5)
    for frame in report.frames:
        np.testing.assert_allclose(frame.white_balance, (1.0, 1.0, 1.0), atol=0.004)
    assert not any("white balance" in notice for notice in report.notices)
    assert picture.over_white_fraction == 0.0


def test_two_bodies_see_the_same_light(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The middle frame by a body of other filters: brought into the first one's colour."""
    card, spec = tmp_path / "card", replace(SPEC, brightness=0.8, drift_ev=(0.0,), white_balance_sigma=0.0)
    known = write_set(spec, card)
    shot = plan_shots(spec)[1]
    other = replace(spec, body=replace(spec.body, make="Brevalin", model="Brevalin C5"))
    with monkeypatch.context() as patch:
        patch.setattr(demo_dng, "CAMERA_FROM_XYZ", OTHER_FILTERS)
        write_exposure(other, shot, light_of(spec, shot), card / known.files[1])
    out = tmp_path / "row.dng"
    assert (
        run(["stitch", str(card), "--as", "linear-dng", "--out", str(out), "--quiet"]) == 3
    )  # widths in doubt
    report = read_report(report_path(out))
    assert [n for n in report.notices if "1 frame was taken by another camera, Brevalin C5" in n]
    light, rays = dng_light(out), directions(report)
    for index, taken in enumerate(plan_shots(spec)):
        true, clipped, smooth = seen_by(report, spec, index, taken, rays)
        where = smooth & (cv2.dilate(clipped, np.ones((7, 7))) == 0.0)
        ratio = np.median(light[where] / true[where], axis=0)
        np.testing.assert_allclose(ratio / ratio[1], 1.0, atol=0.01)


def test_light_that_changed_its_colour_is_called_so(tmp_path: Path) -> None:
    card = tmp_path / "card"
    spec = replace(SPEC, brightness=0.8, drift_ev=(0.0,), white_balance_sigma=0.0)
    known, shot = write_set(spec, card), plan_shots(spec)[1]
    warmer = light_of(spec, shot) * np.array([1.15, 1.0, 0.85], np.float32)
    write_exposure(spec, shot, warmer, card / known.files[1])
    report = read_report(report_path(stitch_dng(card, tmp_path / "row.dng")))
    said = [n for n in report.notices if n.startswith(f"the colour of the light of {known.files[1]} differs")]
    assert len(said) == 1
    red, _, blue = report.frames[1].white_balance or (0.0, 0.0, 0.0)
    others = report.frames[0].white_balance or (0.0, 0.0, 0.0)
    assert red / others[0] > 1.08
    assert blue / others[2] < 0.93


def test_pictures_with_profiles_give_the_light_these_tell_of(tmp_path: Path) -> None:
    card = tmp_path / "card"
    write_set(set_spec("row", megapixels=0.3, columns=2), card)
    for name, more in (("seen", []), ("light", ["--as", "linear-tiff"])):
        assert run(["stitch", str(card), "--out", str(tmp_path / f"{name}.tif"), "--quiet", *more]) == 0
    seen, linear = (tifffile.imread(tmp_path / f"{n}.tif") / 65535.0 for n in ("seen", "light"))
    light = linear[..., :3] * (headroom(tmp_path / "light.tif") or 0.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055)
    whole = (seen[..., 3] == 1.0) & (seen[..., :3].max(axis=-1) < 0.999)
    assert np.abs(np.minimum(coded, 1.0) - seen[..., :3])[whole].max() < 2e-3
    report = read_report(report_path(tmp_path / "light.tif"))
    assert report.picture is not None
    assert report.picture.camera is None
    assert any("no raw file" in notice for notice in report.notices)


def test_a_small_copy_is_balanced_as_shot(card: Path, tmp_path: Path) -> None:
    out = tmp_path / "row.dng"
    command = ["stitch", str(card), "--as", "linear-dng", "--preview", "--out", str(out), "--quiet"]
    assert run(command) == 0
    assert not out.exists()
    small = np.asarray(Image.open(tmp_path / "row.preview.jpg")).astype(float)
    with rawpy.imread(str(sorted(card.glob("*.DNG"))[0])) as raw:
        one = raw.postprocess(no_auto_bright=True, use_camera_wb=True, adjust_maximum_thr=0.0).astype(float)
    part = small[:, : small.shape[1] // 4]
    colour = part[part.min(axis=-1) < 250].mean(axis=0) - one[one.min(axis=-1) < 250].mean(axis=0)
    assert np.abs(colour).max() < 25.0

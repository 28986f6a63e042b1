"""Raw files in scene light: the camera's own colour comes back, and what its tags say of it is understood."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.capture.camera_colour import (
    CameraColour,
    camera_from_camera,
    camera_from_xyz,
    read_camera_colour,
    scene_profile,
    white_xyz,
    xyz_d50_from_camera,
)
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.gather import gather
from belvedere.capture.icc import read_profile
from belvedere.capture.metadata import read_metadata
from belvedere.capture.primaries import linear_profile, srgb_profile
from belvedere.capture.raw import develop_scene
from belvedere.capture.scene_primaries import in_scene_light, scene_primaries
from belvedere.errors import UnreadableFile
from dng_files import write_dng as write_linear_dng

DATA = Path(__file__).parents[2] / "shared" / "data" / "raw"
BLACK, WHITE = 512, 15871
MATRIX = np.array([[0.92, -0.32, -0.11], [-0.38, 1.27, 0.12], [-0.05, 0.19, 0.56]])
OTHER = np.array([[0.70, -0.15, -0.06], [-0.45, 1.25, 0.22], [-0.08, 0.20, 0.62]])
NEUTRAL = (0.5, 1.0, 0.7)
# Camera light of four patches; the last but one is over white in green, the last everywhere.
PATCHES = np.array([[(0.2, 0.5, 0.1), (0.004, 0.002, 0.003)], [(0.6, 1.3, 0.8), (1.5, 1.5, 1.5)]])


SIX_BY_SIX = np.array(
    [[1, 2, 1, 1, 0, 1], [0, 1, 0, 2, 1, 2], [1, 2, 1, 1, 0, 1],
     [1, 0, 1, 1, 2, 1], [2, 1, 2, 0, 1, 0], [1, 0, 1, 1, 2, 1]]
)  # fmt: skip


def rationals(values: Any) -> tuple[int, ...]:
    return tuple(p for v in np.ravel(values) for p in (round(float(v) * 1e6), 1000000))


def write_dng(
    file: Path,
    patches: NDArray[np.float64] = PATCHES,
    *,
    matrix: NDArray[np.float64] = MATRIX,
    neutral: tuple[float, float, float] = NEUTRAL,
    model: str = "Quenlith Q24",
    pattern: NDArray[np.int64] | None = None,
    size: tuple[int, int] = (96, 144),
    more: tuple[tuple[Any, ...], ...] = (),
) -> Path:
    """A filter array of camera light, by another library."""
    cells = np.array([[0, 1], [1, 2]]) if pattern is None else pattern
    h, w = size
    light = np.repeat(np.repeat(patches, h // 2, axis=0), w // 2, axis=1)
    rows, columns = np.mgrid[0:h, 0:w]
    channel = cells[rows % len(cells), columns % len(cells)]
    values = np.take_along_axis(light, channel[..., None], axis=2)[..., 0]
    codes = np.rint(BLACK + np.clip(values, 0.0, 1.0) * (WHITE - BLACK)).astype(np.uint16)
    tifffile.imwrite(
        file, codes, photometric=32803, planarconfig=None, metadata=None, rowsperstrip=h, software=False,
        extratags=[
            (272, 2, 0, model, True), (50706, 1, 4, bytes([1, 4, 0, 0]), True), (50708, 2, 0, model, True),
            (33421, 3, 2, cells.shape, True), (33422, 1, cells.size, bytes(cells.ravel().tolist()), True),
            (50710, 1, 3, bytes([0, 1, 2]), True), (50711, 3, 1, 1, True), (50714, 3, 1, BLACK, True),
            (50717, 4, 1, WHITE, True), (50721, 10, 9, rationals(matrix), True), (50778, 3, 1, 21, True),
            (50728, 5, 3, rationals(neutral), True), *more,
        ],
    )  # fmt: skip
    return file


def middles(picture: NDArray[Any]) -> NDArray[np.float64]:
    h, w = picture.shape[:2]
    return np.array([[picture[y, x] for x in (w // 4, 3 * w // 4)] for y in (h // 4, 3 * h // 4)], float)


def test_camera_light_comes_back_and_clips_only_where_the_sensor_did(tmp_path: Path) -> None:
    found = middles(develop_scene(write_dng(tmp_path / "a.dng"))) / 65535.0
    np.testing.assert_allclose(found, np.minimum(PATCHES, 1.0), atol=1e-4)


def test_shadows_have_no_colour_of_their_own(tmp_path: Path) -> None:
    """Greys of a few steps of the sensor: cut fractions darken no channel by more than half of 1 / 65535."""
    off = []
    for steps in range(20, 44, 3):
        grey = np.full((2, 2, 3), steps / (WHITE - BLACK))
        found = middles(develop_scene(write_dng(tmp_path / f"{steps}.dng", grey)))
        off.append((found - grey * 65535.0).mean(axis=(0, 1)))
    assert np.abs(np.mean(off, axis=0)).max() < 0.7


def test_a_camera_s_white_balance_leaves_the_light_as_it_is(tmp_path: Path) -> None:
    one = develop_scene(write_dng(tmp_path / "a.dng"))
    two = develop_scene(write_dng(tmp_path / "b.dng", neutral=(0.9, 1.0, 0.4)))
    np.testing.assert_allclose(middles(one), middles(two), atol=3.0)


def test_a_filter_array_of_six_by_six_comes_back_too(tmp_path: Path) -> None:
    """An array as in bodies without the square of four; 0 red, 1 green, 2 blue."""
    file = write_dng(tmp_path / "a.dng", pattern=SIX_BY_SIX, size=(540, 600))  # LibRaw wants 512 px at least
    found = middles(develop_scene(file)) / 65535.0
    np.testing.assert_allclose(found, np.minimum(PATCHES, 1.0), atol=2e-4)


def test_the_same_light_on_every_run(tmp_path: Path) -> None:
    """Noise through an array of six by six, which LibRaw's own threads do not give back twice alike."""
    file = write_dng(tmp_path / "a.dng", pattern=SIX_BY_SIX, size=(1040, 1040))
    with tifffile.TiffFile(file, mode="r+b") as tiff:
        tiff.filehandle.seek(tiff.pages[0].dataoffsets[0])
        noise = np.random.default_rng(0).integers(600, 15000, (1040, 1040), dtype=np.uint16)
        tiff.filehandle.write(noise.tobytes())
    with ThreadPoolExecutor(2) as pool:
        first, *others = pool.map(develop_scene, [file] * 3)
    assert all(np.array_equal(first, other) for other in others)


def test_codes_of_scene_light_step_finely_in_shadows(tmp_path: Path) -> None:
    file = write_dng(tmp_path / "a.dng")
    exposure = Exposure(file, read_metadata(file), "scene")
    codes = middles(decode(exposure)) / 65535.0
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    np.testing.assert_allclose(light, middles(develop_scene(file)) / 65535.0, atol=2e-5)
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg")
    picture = Exposure(tmp_path / "a.jpg", read_metadata(tmp_path / "a.jpg"), "scene")
    with pytest.raises(UnreadableFile, match="no raw file"):
        decode(picture)


def test_a_sensor_without_colours_is_refused_in_a_sentence(tmp_path: Path) -> None:
    file = tmp_path / "m.dng"
    tags = [(50706, 1, 4, bytes([1, 4, 0, 0]), True), (50717, 4, 1, WHITE, True)]
    tifffile.imwrite(file, np.full((96, 144), 3000, np.uint16), photometric=1, metadata=None, extratags=tags)
    with tifffile.TiffFile(file, mode="r+b") as tiff:
        tiff.pages[0].tags[262].overwrite(34892)  # LinearRaw of one sample
    with pytest.raises(UnreadableFile, match="without colour filters"):
        develop_scene(file)


def test_colours_are_read_from_the_tags(tmp_path: Path) -> None:
    calibration = np.diag([1.02, 1.0, 0.97])
    more = (
        (50722, 10, 9, rationals(OTHER), True), (50779, 3, 1, 17, True),
        (50723, 10, 9, rationals(calibration), True), (50730, 10, 1, (1, 2), True),
    )  # fmt: skip
    colour = read_camera_colour(write_dng(tmp_path / "a.dng", more=more))
    assert colour.model == "Quenlith Q24"
    assert colour.neutral == NEUTRAL
    assert colour.baseline_ev == 0.5
    assert [number for number, _ in colour.matrices] == [21, 17]
    np.testing.assert_allclose(colour.matrices[0][1], calibration @ MATRIX, atol=1e-6)
    np.testing.assert_allclose(colour.matrices[1][1], OTHER, atol=1e-6)


def test_forward_matrices_are_kept_where_they_can_be_true(tmp_path: Path) -> None:
    forward = np.array([[0.60, 0.28, 0.0842], [0.24, 0.82, -0.06], [0.01, -0.12, 0.9349]])  # rows sum to D50
    second = ((50722, 10, 9, rationals(OTHER), True), (50779, 3, 1, 17, True))
    one = read_camera_colour(write_dng(tmp_path / "a.dng", more=((50964, 10, 9, rationals(forward), True),)))
    np.testing.assert_allclose(one.forward, [forward], atol=1e-6)
    found = xyz_d50_from_camera(one)
    np.testing.assert_allclose(found, forward / np.array(NEUTRAL), atol=1e-6)
    np.testing.assert_allclose(found @ np.array(NEUTRAL), (0.9642, 1.0, 0.8249), atol=1e-3)
    wrong = (50964, 10, 9, rationals(forward * 1.1), True)
    assert read_camera_colour(write_dng(tmp_path / "b.dng", more=(wrong,))).forward == ()
    lonely = (*second, (50964, 10, 9, rationals(forward), True))
    assert read_camera_colour(write_dng(tmp_path / "c.dng", more=lonely)).forward == ()


def test_what_a_linear_dng_says_of_its_colours_is_read_back(tmp_path: Path) -> None:
    forward = tuple(map(tuple, np.array([[0.60, 0.28, 0.0842], [0.24, 0.82, -0.06], [0.01, -0.12, 0.9349]])))
    file = tmp_path / "a.dng"
    codes = np.full((40, 60, 3), (9000, 20000, 14000), np.uint16)
    write_linear_dng(file, codes, baseline_ev=0.25, forward=(forward,))
    colour = read_camera_colour(file)
    np.testing.assert_allclose(colour.forward, [forward], atol=1e-6)
    np.testing.assert_allclose(colour.matrices[0][1], MATRIX, atol=1e-6)
    assert colour.baseline_ev == pytest.approx(0.25)
    light = develop_scene(file)
    assert np.abs(light.astype(float) - codes).max() <= 2.0


def test_a_white_point_in_place_of_a_neutral(tmp_path: Path) -> None:
    """D65 (0.3127, 0.3290), a light between the two whose matrices are the same."""
    file = tmp_path / "a.dng"
    write_dng(file)
    with tifffile.TiffFile(file, mode="r+b") as tiff:
        tag = tiff.pages[0].tags[50728]
        tiff.filehandle.seek(tag.offset)
        tiff.filehandle.write(
            (50729).to_bytes(2, "little") + (5).to_bytes(2, "little") + (2).to_bytes(4, "little")
        )
        tiff.filehandle.seek(tag.valueoffset)
        tiff.filehandle.write(np.array([3127, 10000, 3290, 10000], "<u4").tobytes())
    found = np.array(read_camera_colour(file).neutral)
    wanted = MATRIX @ np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    np.testing.assert_allclose(found, wanted / wanted.max(), atol=1e-6)


def test_the_neutral_is_white_whatever_the_matrices() -> None:
    rows = tuple(tuple(row) for row in MATRIX.tolist())
    others = tuple(tuple(row) for row in OTHER.tolist())
    for matrices in (((21, rows),), ((17, others), (21, rows))):
        for neutral in (NEUTRAL, (0.8, 1.0, 0.35), (0.45, 1.0, 0.95)):
            colour = CameraColour("Q", matrices, neutral)  # type: ignore[arg-type]
            white = white_xyz(colour)
            np.testing.assert_allclose(camera_from_xyz(colour) @ white, neutral, atol=1e-6)
            np.testing.assert_allclose(
                xyz_d50_from_camera(colour) @ np.array(neutral), (0.9642, 1.0, 0.8249), atol=2e-4
            )


@pytest.mark.parametrize("neutral", [(1.0, 0.3, 0.95), (0.2, 1.0, 0.03), (1.0, 0.05, 0.02), (0.02, 0.1, 1.0)])
def test_a_white_that_is_no_light_s_is_balanced_channel_by_channel(neutral: tuple[float, ...]) -> None:
    """White set by hand on foliage, or a sensor converted to infrared."""
    colour = CameraColour("Q", ((21, tuple(map(tuple, MATRIX.tolist()))),), neutral)  # type: ignore[arg-type]
    np.testing.assert_allclose(
        xyz_d50_from_camera(colour) @ np.array(neutral), (0.9642, 1.0, 0.8249), atol=2e-3
    )
    read = read_profile(scene_profile(colour))
    assert read is not None
    greys = np.asarray(read.matrix) @ (np.array(neutral)[:, None] * np.eye(3))
    assert greys[1].max() < 1.6  # no channel tells of more light than three whites have
    assert greys[1].min() > -0.6


def test_two_matrices_are_mixed_by_the_light() -> None:
    """Under each of its illuminants a camera's matrix is the one that was measured there."""
    warm, cool = OTHER, MATRIX
    matrices = ((17, tuple(map(tuple, warm.tolist()))), (21, tuple(map(tuple, cool.tolist()))))
    for matrix, white in ((warm, (1.0985, 1.0, 0.3558)), (cool, (0.9505, 1.0, 1.089))):  # CIE A, D65
        neutral = matrix @ np.array(white)
        colour = CameraColour("Q", matrices, tuple(neutral / neutral.max()))  # type: ignore[arg-type]
        found = camera_from_xyz(colour)
        np.testing.assert_allclose(found, matrix / neutral.max(), atol=0.01)


def test_the_profile_shows_the_neutral_as_white_in_another_library() -> None:
    colour = CameraColour("Q", ((21, tuple(map(tuple, MATRIX.tolist()))),), NEUTRAL)  # type: ignore[arg-type]
    profile = ImageCms.ImageCmsProfile(io.BytesIO(scene_profile(colour)))
    assert "linear camera colour" in ImageCms.getProfileDescription(profile)
    codes = np.rint(np.array(NEUTRAL) * 0.2140 * 255.0)  # sRGB code 127.5
    picture = Image.fromarray(np.full((4, 4, 3), codes, np.uint8))
    shown = ImageCms.profileToProfile(picture, profile, ImageCms.createProfile("sRGB"), outputMode="RGB")
    assert np.abs(np.asarray(shown)[0, 0].astype(float) - 127.5).max() < 3.0  # 8-bit linear codes step so
    # headroom: the same light in codes a fourth as large
    roomy = read_profile(scene_profile(colour, 4.0))
    plain = read_profile(scene_profile(colour))
    assert roomy is not None
    assert plain is not None
    np.testing.assert_allclose(roomy.matrix, 4.0 * plain.matrix, atol=1e-4)  # type: ignore[operator,arg-type]


def test_a_linear_profile_has_the_same_primaries() -> None:
    linear, srgb = read_profile(linear_profile(srgb_profile()) or b""), read_profile(srgb_profile())
    assert linear is not None
    assert srgb is not None
    np.testing.assert_allclose(linear.matrix, srgb.matrix, atol=2e-5)  # type: ignore[arg-type]
    np.testing.assert_allclose(linear.curves[0], np.linspace(0.0, 1.0, 1025), atol=1e-6)
    assert linear_profile(b"no profile") is None


def test_two_bodies_agree_on_what_they_see(tmp_path: Path) -> None:
    """A colour seen by one body, brought into another's, is what that one sees of it, up to exposure."""
    xyz = np.array([[0.3, 0.2, 0.1], [0.1, 0.3, 0.4], [0.95, 1.0, 1.089]])
    files = []
    for name, matrix in (("a", MATRIX), ("b", OTHER)):
        neutral = matrix @ xyz[2]
        neutral /= neutral.max()
        files.append(
            write_dng(tmp_path / f"{name}.dng", matrix=matrix, neutral=tuple(neutral), model=f"Body {name}")
        )
    one, two = (read_camera_colour(f) for f in files)
    by_one, by_two = camera_from_xyz(one) @ xyz.T, camera_from_xyz(two) @ xyz.T
    np.testing.assert_allclose(camera_from_camera(one, two) @ by_two, by_one, atol=1e-4)
    frames = [Frame((Exposure(f, read_metadata(f)),)) for f in (files[0], files[1], files[0])]
    common = scene_primaries([in_scene_light(f) for f in frames])
    assert common.colour == one
    assert [m is None for m in common.to_common] == [True, False, True]
    assert len(common.notices) == 1
    assert "Body b" in common.notices[0]
    first = scene_primaries([in_scene_light(f) for f in frames], 1)
    assert first.colour == two


def test_a_raw_file_is_taken_before_its_picture_where_light_is_wanted(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng")
    Image.new("RGB", (144, 96)).save(tmp_path / "a.jpg")
    Image.new("RGB", (144, 96)).save(tmp_path / "b.jpg")
    found = gather([tmp_path], raw_first=True)
    assert [f.name for f in found.frames] == ["a.dng", "b.jpg"]
    assert any("a.jpg" in n and "passed over for the raw file" in n for n in found.notices)


@pytest.mark.parametrize(
    ("name", "model", "neutral"),
    [
        # multipliers as LibRaw reads them: 1964, 1015, 1544; 1679, 1036, 1663
        ("CRW_0117.CRW", "Canon PowerShot S40", (1015 / 1964, 1.0, 1015 / 1544)),
        ("CRW_0313.CRW", "Canon PowerShot G2", (1036 / 1679, 1.0, 1036 / 1663)),
    ],
)
def test_real_cameras_are_known(name: str, model: str, neutral: tuple[float, ...]) -> None:
    file = DATA / "raw" / name
    if not file.is_file():
        pytest.skip("the shared raw files are not on this machine")
    colour = read_camera_colour(file)
    assert colour.model == model
    np.testing.assert_allclose(colour.neutral, neutral, atol=1e-6)
    light = develop_scene(file)
    assert light.dtype == np.uint16
    assert light.shape == (1720, 2312, 3)
    grey = light.reshape(-1, 3).mean(axis=0) / np.array(neutral)
    assert grey.max() / grey.min() < 2.0  # balanced, an outdoor picture is grey on the whole, roughly


def test_a_camera_nothing_is_known_of_is_refused_in_a_sentence() -> None:
    file = DATA / "raw" / "DC0012L.KDC"
    if not file.is_file():
        pytest.skip("the shared raw files are not on this machine")
    with pytest.raises(UnreadableFile, match="tells nothing of its camera's colours"):
        read_camera_colour(file)

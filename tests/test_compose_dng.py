"""A linear DNG holds the light exactly and tells what it means, by three libraries that are not ours."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import simplejpeg
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from belvedere.capture.metadata import read_metadata
from belvedere.compose.dng_limits import CLASSIC_LIMIT, fits_dng, largest_share
from belvedere.compose.dng_preview import encode_dng_preview
from belvedere.compose.dng_tile import bound_dng_bytes, decode_dng_tile, encode_dng_tile
from belvedere.compose.exif_block import ExifValues
from belvedere.compose.picture_xmp import picture_xmp
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.xmp import COMPOSITE_CAPTURE, IPTC_EXTENSION, OWN, XMP, xmp_value
from belvedere.compose.xmp import EXIF as EXIF_NAMES
from belvedere.geometry.plate import Plate
from dng_files import D65, INCANDESCENT, MATRIX, NEUTRAL, dng_form, noise, places, put_tile, write_dng

# IEC 61966-2-1 (1999).
XYZ_FROM_SRGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
TAKEN = datetime(2024, 5, 6, 7, 8, 9)
EXIF = ExifValues(
    make="Arbor", model="M1", lens="Arbor 50 mm", focal_mm=50.0, exposure_s=0.004, f_number=8.0, iso=200.0,
    taken=TAKEN, frames=9, frames_used=8,
)  # fmt: skip
_AS_IT_IS = {"gamma": (1, 1), "no_auto_bright": True, "output_bps": 16, "adjust_maximum_thr": 0.0}


def developed_by_libraw(path: Path, **how: Any) -> NDArray[np.float64]:
    """Linear light, 1.0 = white."""
    with rawpy.imread(str(path)) as raw:
        return np.asarray(raw.postprocess(**(_AS_IT_IS | how)), np.float64) / 65535.0


@settings(deadline=None, max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(width=st.integers(22, 90), height=st.integers(22, 90), tile=st.sampled_from([16, 32, 64]))
def test_libraw_and_tifffile_read_every_sample_as_it_was(
    tmp_path: Path, width: int, height: int, tile: int
) -> None:
    codes = noise(height, width, seed=width * 100 + height)
    path = tmp_path / f"{width}x{height}.dng"
    form = write_dng(path, codes, largest_tile=tile)
    assert path.stat().st_size <= form.most_bytes
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible[..., :3], codes)
        assert set(raw.black_level_per_channel) == {0}
        assert raw.white_level == 65535
        assert raw.sizes.flip == 0
        assert (raw.sizes.width, raw.sizes.height) == (width, height)
        assert (raw.sizes.top_margin, raw.sizes.left_margin) == (0, 0)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0].pages[0]
        assert np.array_equal(page.asarray(), codes)


@pytest.mark.parametrize("size", [(1, 1), (1, 40), (40, 1), (513, 512), (511, 1025)])
def test_sizes_at_the_edges_of_tiles(tmp_path: Path, size: tuple[int, int]) -> None:
    """LibRaw opens nothing smaller than 22 px; the file is right all the same."""
    width, height = size
    codes = noise(height, width)
    path = tmp_path / "a.dng"
    write_dng(path, codes)
    with tifffile.TiffFile(path) as tiff:
        assert np.array_equal(np.asarray(tiff.pages[0].pages[0].asarray()).reshape(codes.shape), codes)
    if fits_dng(width, height):
        with rawpy.imread(str(path)) as raw:
            assert np.array_equal(raw.raw_image[..., :3], codes)
    else:
        with pytest.raises(rawpy.LibRawFileUnsupportedError):
            rawpy.imread(str(path))


def test_libraw_develops_the_colours_that_the_matrix_says(tmp_path: Path) -> None:
    """sRGB light -> the camera's colour by the matrix, balance undone -> LibRaw -> the same sRGB light."""
    patches = np.array([(0.4, 0.4, 0.4), (0.3, 0.12, 0.08), (0.1, 0.3, 0.12), (0.08, 0.1, 0.4)])
    to_camera = np.asarray(MATRIX) @ XYZ_FROM_SRGB
    to_camera *= np.asarray(NEUTRAL)[:, None] / to_camera.sum(axis=1, keepdims=True)  # white: the neutral
    camera = patches @ to_camera.T
    light = np.repeat(np.repeat(camera.reshape(2, 2, 3), 32, axis=0), 32, axis=1)
    write_dng(tmp_path / "a.dng", np.rint(light * 65535.0).astype(np.uint16))
    shown = developed_by_libraw(tmp_path / "a.dng", use_camera_wb=True)
    np.testing.assert_allclose(shown[16::32, 16::32].reshape(4, 3), patches, atol=3e-4)


def test_libraw_sets_another_white_balance(tmp_path: Path) -> None:
    """What is set for white comes out white: the balance as shot was left undone."""
    lamp = np.array([0.9, 0.6, 0.3])
    codes = np.rint(np.broadcast_to(lamp * 0.5 * 65535.0, (32, 32, 3))).astype(np.uint16)
    write_dng(tmp_path / "a.dng", codes)
    multipliers = [float(lamp.min() / v) for v in lamp]
    shown = developed_by_libraw(tmp_path / "a.dng", user_wb=[*multipliers, multipliers[1]])[16, 16]
    assert np.ptp(shown) / shown.mean() < 1e-3
    as_shot = developed_by_libraw(tmp_path / "a.dng", use_camera_wb=True)[16, 16]
    assert np.ptp(as_shot) / as_shot.mean() > 0.3


def test_the_tags_are_there_and_mean_what_they_should(tmp_path: Path) -> None:
    warm = tuple(tuple(v * 1.1 for v in row) for row in MATRIX)
    write_dng(
        tmp_path / "a.dng", noise(40, 70), matrices=((INCANDESCENT, warm), (D65, MATRIX)), headroom=2.0**1.25,
        baseline_ev=-0.75, xmp=b"<x/>", software="Belvedere 1",
    )  # fmt: skip
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        assert not tiff.is_bigtiff
        first, picture = tiff.pages[0], tiff.pages[0].pages[0]
        tags = {tag.code: tag.value for tag in first.tags}
        inner = {tag.code: tag.value for tag in picture.tags}
    assert tuple(tags[50706]) == (1, 4, 0, 0)
    assert tuple(tags[50707]) <= (1, 4, 0, 0)
    assert tags[50708] == "Arbor M1"
    assert (tags[50778], tags[50779]) == (INCANDESCENT, D65)
    for number, matrix in ((50721, warm), (50722, MATRIX)):
        values = np.array(tags[number], np.float64).reshape(3, 3, 2)
        np.testing.assert_allclose(values[..., 0] / values[..., 1], matrix, atol=1e-6)
    neutral = np.array(tags[50728], np.float64).reshape(3, 2)
    np.testing.assert_allclose(neutral[:, 0] / neutral[:, 1], NEUTRAL, atol=1e-6)
    assert tags[50730][0] / tags[50730][1] == pytest.approx(1.25 - 0.75, abs=1e-6)
    assert tags[274] == 1
    assert bytes(tags[700]) == b"<x/>"
    assert tags[305] == "Belvedere 1"
    assert (tags[254], inner[254]) == (1, 0)
    assert inner[262] == 34892
    assert inner[258] == (16, 16, 16)
    assert inner[50829] == (0, 0, 40, 70)
    assert inner[50719] == (0, 0)
    assert inner[50720] == (70, 40)
    assert inner[50714] == (0, 0, 0)
    assert inner[50717] == (65535, 65535, 65535)


def test_exif_comes_back_by_other_libraries_and_by_ours(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, noise(40, 70), exif=EXIF)
    with rawpy.imread(str(path)) as raw:
        other, lens = raw.other, raw.lens
        assert (other.iso_speed, other.aperture, other.focal_length) == (200.0, 8.0, 50.0)
        assert other.shutter_speed == pytest.approx(0.004)
        assert other.timestamp.replace(tzinfo=None) == TAKEN
        assert lens.model == "Arbor 50 mm"
    with Image.open(path) as image:
        found = image.getexif()
        inner = found.get_ifd(0x8769)
    assert (found[271], found[272]) == ("Arbor", "M1")
    assert inner[0x9003] == "2024:05:06 07:08:09"
    assert (inner[0x829A], inner[0x829D], inner[0x8827]) == (1 / 250, 8.0, 200)
    assert inner[0xA434] == "Arbor 50 mm"
    assert inner[0xA461] == (9, 8)
    own = read_metadata(path)
    assert (own.make, own.model, own.lens, own.focal_mm, own.taken) == ("Arbor", "M1", EXIF.lens, 50.0, TAKEN)
    assert (own.width, own.height) == (70, 40)


def test_xmp_tells_of_a_composite_and_how_much_of_the_world_it_shows(tmp_path: Path) -> None:
    plate = Plate("equirectangular", 1000, 400, 1000 / np.pi, (500.0, 200.0))
    packet = picture_xmp(EXIF, plate, "Belvedere 1")
    write_dng(tmp_path / "a.dng", noise(40, 70), exif=EXIF, xmp=packet)
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        found = bytes(tiff.pages[0].tags[700].value)
    assert xmp_value(found, IPTC_EXTENSION, "DigitalSourceType") == COMPOSITE_CAPTURE
    assert float(xmp_value(found, OWN, "fieldOfViewHorizontal") or 0) == pytest.approx(180.0, abs=1e-3)
    assert xmp_value(found, XMP, "CreateDate") == "2024-05-06T07:08:09"
    assert xmp_value(found, EXIF_NAMES, "FocalLength") == "50/1"
    assert picture_xmp(EXIF, plate, "Belvedere 1") == packet


def test_the_preview_is_what_other_readers_show(tmp_path: Path) -> None:
    ramp = np.repeat(np.linspace(0, 255, 60).astype(np.uint8)[None, :, None], 40, axis=0).repeat(3, axis=2)
    preview = encode_dng_preview(ramp)
    write_dng(tmp_path / "a.dng", noise(30, 30), preview=preview)  # the picture is smaller
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert raw.sizes.raw_width == 30
        thumb = simplejpeg.decode_jpeg(raw.extract_thumb().data)
    assert np.abs(thumb.astype(int) - ramp).max() <= 6
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        assert np.abs(tiff.pages[0].asarray().astype(int) - ramp).max() <= 6


def test_tiles_come_back_and_keep_within_their_bound() -> None:
    steps = np.cumsum(np.full((64, 64, 3), 32767, np.uint16), axis=1, dtype=np.uint16)
    steps += np.cumsum(np.full((64, 1, 1), 32767, np.uint16), axis=0, dtype=np.uint16)
    for codes in (noise(64, 64), steps, np.zeros((64, 64, 3), np.uint16), noise(3, 64), noise(64, 1)):
        coded = encode_dng_tile(codes, 64)
        assert len(coded) <= bound_dng_bytes(64)
        whole = decode_dng_tile(coded)
        assert whole.shape == (64, 64, 3)
        assert np.array_equal(whole[: codes.shape[0], : codes.shape[1]], codes)
        assert encode_dng_tile(codes.copy(), 64) == coded
    with pytest.raises(ValueError, match="damaged"):
        decode_dng_tile(coded[: len(coded) // 2][:40])


@pytest.mark.parametrize("shape", [(65, 64, 3), (64, 64, 4), (64, 64), (0, 4, 3)])
def test_what_is_no_tile_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="a tile needs"):
        encode_dng_tile(np.zeros(shape, np.uint16), 64)


def test_a_file_cut_short_is_refused_by_libraw(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", noise(300, 300), largest_tile=64)
    whole = (tmp_path / "a.dng").read_bytes()
    for share in (0.02, 0.5, 0.9):
        (tmp_path / "b.dng").write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(rawpy.LibRawError), rawpy.imread(str(tmp_path / "b.dng")) as raw:
            raw.raw_image.sum()


def test_an_unfinished_file_is_none_and_a_resumed_one_has_the_same_bytes(tmp_path: Path) -> None:
    codes, journal = noise(150, 200), tmp_path / "tiles"
    form = write_dng(tmp_path / "a.dng", codes, largest_tile=64, exif=EXIF)
    file = TiledTiff(tmp_path / "b.dng", form, journal=journal, key="k")
    for column, row in places(form)[:5]:
        put_tile(file, codes, column, row)
    file.abort()
    assert not (tmp_path / "b.dng").exists()
    with TiledTiff.resume(tmp_path / "b.dng", form, journal=journal, key="k") as file:
        assert len(file.missing()) == form.tiles - 10
        for column, row in places(form)[5:]:
            put_tile(file, codes, column, row)
    assert (tmp_path / "b.dng").read_bytes() == (tmp_path / "a.dng").read_bytes()


def test_another_neutral_or_preview_is_another_file() -> None:
    base = dng_form(100, 100)
    other = encode_dng_preview(np.full((8, 12, 3), 90, np.uint8))
    for form in (
        dng_form(100, 100, neutral=(0.5, 1.0, 0.7)),
        dng_form(100, 100, preview=other),
        dng_form(100, 100, headroom=1.5),
        dng_form(100, 101),
    ):
        assert form.identity("k") != base.identity("k")
    assert base.identity("k") != base.identity("l")
    assert base.identity("k") == dng_form(100, 100).identity("k")


def test_what_is_covered_is_a_mask_beside_the_picture(tmp_path: Path) -> None:
    codes = noise(150, 200)
    coverage = np.full((150, 200), 65535, np.uint16)
    coverage[:40], coverage[140:, 150:], coverage[60, 60] = 0, 32768, 1
    codes[:40] = 0
    write_dng(tmp_path / "a.dng", codes, coverage, largest_tile=64)
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        picture, mask = tiff.pages[0].pages[0], tiff.pages[0].pages[1]
        assert (mask.tags[254].value, mask.tags[262].value) == (4, 4)
        found = mask.asarray()
        assert np.array_equal(picture.asarray(), codes)
    assert found.dtype == np.uint8
    assert (found[:40] == 0).all()
    assert (found[140:, 150:] == 128).all()
    assert found[60, 60] == 1
    assert (found[41:60] == 255).all()
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image[..., :3], codes)
    assert read_metadata(tmp_path / "a.dng").width == 200


def test_the_head_is_as_long_as_it_was_said() -> None:
    for width in (1, 64, 65, 640):
        form = dng_form(width, 70, largest_tile=64, exif=EXIF, xmp=b"x" * 33)
        at = np.arange(form.tiles, dtype=np.uint64) * 1000 + form.head_length
        assert len(form.head(at, at)) == form.head_length
        assert form.head_length % 8 == 0


@pytest.mark.parametrize(
    "wrong",
    [
        {"neutral": (0.0, 1.0, 1.0)},
        {"headroom": float("nan")},
        {"baseline_ev": float("inf")},
        {"matrices": ()},
        {"largest_tile": 100},
    ],
)
def test_what_cannot_be_written_is_refused_at_once(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"a DNG|a tile"):
        dng_form(100, 100, **wrong)


def test_a_file_that_could_pass_4_gib_is_refused() -> None:
    with pytest.raises(ValueError, match="4 GiB"):
        dng_form(30_000, 30_000)


def test_limits_are_libraw_s_and_the_file_s() -> None:
    """The figures are those LibRaw opened and refused when tried."""
    for size in ((22, 22), (64_000, 4186), (16_384, 16_376), (4194, 63_992)):
        assert fits_dng(*size)
        assert dng_form(*size).most_bytes < CLASSIC_LIMIT
    for size in ((21, 100), (100, 21), (64_001, 22), (22, 64_001), (64_000, 4187), (16_384, 16_377), (0, 0)):
        assert not fits_dng(*size)


@settings(deadline=None)
@given(width=st.integers(22, 400_000), height=st.integers(22, 100_000))
def test_the_largest_share_fits_and_the_next_does_not(width: int, height: int) -> None:
    def size_at(share: float) -> tuple[int, int]:
        return -(-int(width * share * 1000) // 1000), -(-int(height * share * 1000) // 1000)

    share = largest_share(size_at)
    if share is None:
        assert min(size_at(1.0)) < 64_000
        return
    assert fits_dng(*size_at(share))
    assert share == 1.0 or not fits_dng(*size_at(round(share * 1000 + 1) / 1000))


def test_libraw_s_limits_of_sides_are_still_these(tmp_path: Path) -> None:
    """Every tile of these files is the same one, so that they are small."""
    tile = encode_dng_tile(np.full((512, 512, 3), 1000, np.uint16))
    for size, opens in (((64_000, 22), True), ((64_001, 22), False), ((22, 22), True), ((21, 22), False)):
        form = dng_form(*size)
        at = np.full(form.tiles, form.head_length, np.uint64)
        lengths = np.full(form.tiles, len(tile), np.uint64)
        path = tmp_path / f"{size[0]}.dng"
        path.write_bytes(form.head(at, lengths) + tile)
        if opens:
            with rawpy.imread(str(path)) as raw:
                assert (raw.raw_image[..., :3] == 1000).all()
        else:
            with pytest.raises(rawpy.LibRawError):
                rawpy.imread(str(path))


def test_too_many_px_are_refused_by_libraw_before_they_are_read(tmp_path: Path) -> None:
    form = dng_form(64_000, 4187)
    tile = encode_dng_tile(np.zeros((512, 512, 3), np.uint16))
    at = np.full(form.tiles, form.head_length, np.uint64)
    path = tmp_path / "a.dng"
    path.write_bytes(form.head(at, np.full(form.tiles, len(tile), np.uint64)) + tile)
    with rawpy.imread(str(path)) as raw, pytest.raises(rawpy.LibRawTooBigError):
        raw.unpack()


@pytest.mark.parametrize("reader", ["pillow", "opencv"])
def test_plain_readers_show_the_preview(tmp_path: Path, reader: str) -> None:
    write_dng(tmp_path / "a.dng", noise(40, 70))
    code = {
        "pillow": "from PIL import Image; a = Image.open(p); print([*a.size, a.getpixel((3, 3))[0]])",
        "opencv": "import cv2; a = cv2.imread(p); print([a.shape[1], a.shape[0], int(a[3, 3, 0])])",
    }[reader]
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; p = sys.argv[1]; {code}", str(tmp_path / "a.dng")],
        capture_output=True,
        text=True,
        check=True,
    )
    width, height, grey = json.loads(done.stdout)
    assert (width, height) == (12, 8)
    assert abs(grey - 128) <= 2

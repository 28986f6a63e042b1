"""Reading a picture to deliver: every kind of TIFF, PNG and JPEG, in any rectangle, or a plain sentence."""

from __future__ import annotations

import io
import os
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from belvedere.capture.primaries import srgb_profile
from belvedere.compose.ifd import ascii_tag, short_tag
from belvedere.compose.report import report_path, write_report
from belvedere.deliver import tiff_samples, whole_samples
from belvedere.deliver.picture import open_picture
from belvedere.deliver.tag_block import TagBlock, block_bytes, read_tag_block
from belvedere.errors import UnreadableFile
from kept_sets import report_of, smooth_picture, stitched, write_sources

RGBA = smooth_picture(150, 201)
RGB = np.ascontiguousarray(RGBA[..., :3])


def check_reads(path: Path, wanted: NDArray[Any], **how: Any) -> None:
    height, width = wanted.shape[:2]
    with open_picture(path, workers=2, **how) as picture:
        assert (picture.width, picture.height) == (width, height)
        assert picture.has_coverage is (wanted.shape[2] == 4)
        assert picture.bits == wanted.dtype.itemsize * 8
        whole = picture.read(0, 0, width, height)
        assert whole.dtype == wanted.dtype
        assert np.array_equal(whole, wanted)
        assert np.array_equal(picture.read(37, 21, 101, 90), wanted[21:90, 37:101])
        assert np.array_equal(np.concatenate([rows for _, rows in picture.bands(33)]), wanted)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("tile", [None, (64, 32)])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_every_layout_of_tiff_is_read(tmp_path: Path, order: str, tile: Any, planar: str) -> None:
    codecs = [(None, False), ("adobe_deflate", True), ("lzw", True), ("lzw", False), ("packbits", False)]
    for k, (compression, predictor) in enumerate([*codecs, ("zstd", True)]):
        for big in (False, True):
            path = tmp_path / f"{k}{big}.tif"
            tifffile.imwrite(
                path,
                RGBA if planar == "contig" else np.moveaxis(RGBA, 2, 0),
                byteorder=order,
                compression=compression,
                predictor=predictor,
                tile=tile,
                rowsperstrip=None if tile else 40,
                planarconfig=planar,
                bigtiff=big,
                photometric="rgb",
                extrasamples=["unassalpha"],
            )
            check_reads(path, RGBA)


def test_grey_palette_and_8_bits_come_as_three_channels(tmp_path: Path) -> None:
    grey = RGB[..., 0]
    three = np.repeat(grey[..., None], 3, axis=2)
    tifffile.imwrite(tmp_path / "black.tif", grey, photometric="minisblack")
    check_reads(tmp_path / "black.tif", three)
    tifffile.imwrite(tmp_path / "white.tif", grey, photometric="miniswhite")
    check_reads(tmp_path / "white.tif", 65535 - three)
    tifffile.imwrite(
        tmp_path / "alpha.tif", RGBA[..., [0, 3]], photometric="minisblack", extrasamples=["unassalpha"]
    )
    check_reads(tmp_path / "alpha.tif", np.concatenate([three, RGBA[..., 3:]], axis=2))
    index = (grey >> 8).astype(np.uint8)
    table = np.random.default_rng(0).integers(0, 65536, (3, 256)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "palette.tif", index, photometric="palette", colormap=table)
    check_reads(tmp_path / "palette.tif", (table.T[index] >> 8).astype(np.uint8))
    tifffile.imwrite(tmp_path / "eight.tif", (RGB >> 8).astype(np.uint8), photometric="rgb")
    check_reads(tmp_path / "eight.tif", (RGB >> 8).astype(np.uint8))


def test_associated_alpha_is_divided_out(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    alpha = rng.integers(1, 256, (40, 50, 1)).astype(np.float64)
    colour = rng.integers(0, 256, (40, 50, 3)) / 255.0
    stored = np.concatenate([np.rint(colour * alpha), alpha], axis=2).astype(np.uint8)
    stored[:5] = 0
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", extrasamples=["assocalpha"])
    with open_picture(tmp_path / "a.tif") as picture:
        found = picture.read(0, 0, 50, 40)
    assert np.array_equal(found[..., 3], stored[..., 3])
    assert not found[:5].any()
    off = np.abs(found[5:, :, :3] / 255.0 - colour[5:])
    assert (off <= (0.5 / alpha[5:] + 0.5 / 255 + 1e-9)).all()  # half a code of either file


def test_an_extra_sample_that_is_no_coverage_is_left_out(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "x.tif", RGBA, photometric="rgb", extrasamples=["unspecified"])
    check_reads(tmp_path / "x.tif", RGB)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_as_another_library_does(tmp_path: Path, orientation: int) -> None:
    eight = (RGB >> 8).astype(np.uint8)
    tag = [(274, 3, 1, orientation, True)]
    tifffile.imwrite(tmp_path / "o.tif", eight, photometric="rgb", tile=(64, 64), extratags=tag)
    image = Image.fromarray(eight)
    image.getexif()[274] = orientation
    turned = {
        2: 0,
        3: 3,
        4: 1,
        5: 5,
        6: 4,
        7: 6,
        8: 2,
    }  # PIL.Image.Transpose, as ImageOps.exif_transpose maps
    wanted = image if orientation == 1 else image.transpose(Image.Transpose(turned[orientation]))
    check_reads(tmp_path / "o.tif", np.asarray(wanted))


def test_jpeg_inside_tiff_is_what_another_reader_sees(tmp_path: Path) -> None:
    eight = (RGB >> 8).astype(np.uint8)
    tifffile.imwrite(tmp_path / "j.tif", eight, photometric="rgb", compression="jpeg", tile=(64, 64))
    check_reads(tmp_path / "j.tif", np.asarray(tifffile.imread(tmp_path / "j.tif")))


def test_png_and_jpeg_come_with_what_they_carry(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "deep.png"), RGBA[..., [2, 1, 0, 3]])
    check_reads(tmp_path / "deep.png", RGBA)
    image = Image.fromarray((RGB >> 8).astype(np.uint8))
    exif = image.getexif()
    exif[271], exif[274] = "Bodymaker", 6
    exif.get_ifd(0x8769)[0xA434] = "Lens 85 mm"
    exif.get_ifd(0x8825)[1] = "N"
    image.save(
        tmp_path / "p.jpg", exif=exif, dpi=(240, 240), quality=95, xmp=b"<x/>", icc_profile=srgb_profile()
    )
    with open_picture(tmp_path / "p.jpg") as picture:
        assert (picture.width, picture.height, picture.bits) == (150, 201, 8)
        assert picture.pixels_per_inch == pytest.approx(240.0)
        assert picture.xmp == b"<x/>"
        assert picture.icc == srgb_profile()
        assert (picture.metadata.make, picture.metadata.lens) == ("Bodymaker", "Lens 85 mm")
        assert picture.tags.gps == (ascii_tag(1, "N"),)
    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:com.adobe.xmp", "<y/>", zip=True)
    image.save(tmp_path / "p.png", pnginfo=text, dpi=(300, 300), exif=exif)
    with open_picture(tmp_path / "p.png") as picture:
        assert picture.xmp == b"<y/>"
        assert picture.pixels_per_inch == pytest.approx(300.0, abs=0.01)
        assert picture.metadata.make == "Bodymaker"


def test_tags_come_back_from_either_byte_order() -> None:
    exif = Image.Exif()
    exif.endian = ">"
    exif[271], exif[315] = "Bodymaker", "A. Name"
    exif.get_ifd(0x8769)[0x829A] = 0.004
    exif.get_ifd(0x8769)[0x927C] = b"a maker's own"
    exif.get_ifd(0x8825)[2] = (1.0, 2.0, 3.5)
    data = exif.tobytes()[6:]
    assert data[:2] == b"MM"
    block = read_tag_block(io.BytesIO(data))
    again = read_tag_block(io.BytesIO(block_bytes(block)))
    assert again == block
    seen = Image.Exif()
    seen.load(block_bytes(block))
    assert (seen[271], seen[315]) == ("Bodymaker", "A. Name")
    assert float(seen.get_ifd(0x8769)[0x829A]) == pytest.approx(0.004)
    assert [float(v) for v in seen.get_ifd(0x8825)[2]] == [1.0, 2.0, 3.5]
    assert 0x927C not in seen.get_ifd(0x8769)


def test_damaged_tags_are_left_out_and_never_an_error() -> None:
    whole = block_bytes(
        TagBlock((ascii_tag(271, "Bodymaker"), short_tag(274, 1)), (ascii_tag(0xA434, "L" * 99),))
    )
    for cut in range(len(whole)):
        read_tag_block(io.BytesIO(whole[:cut]))
    rng = np.random.default_rng(0)
    for _ in range(500):
        spoilt = bytearray(whole)
        for at in rng.integers(0, len(whole), 3):
            spoilt[at] = int(rng.integers(0, 256))
        read_tag_block(io.BytesIO(bytes(spoilt)))


def test_the_report_is_found_or_its_absence_said(tmp_path: Path) -> None:
    path, _ = stitched(tmp_path)
    with open_picture(path) as picture:
        assert picture.report is not None
        assert picture.notices == ()
        assert picture.pixels_per_inch == 300.0
    write_report(report_of(path, 10, 20, write_sources(tmp_path / "card")), report_path(path))
    with open_picture(path) as picture:
        assert picture.report is None
        assert "tells of another picture" in picture.notices[0]
    report_path(path).write_bytes(b"{")
    with open_picture(path) as picture:
        assert "cut short" in picture.notices[0]
    report_path(path).unlink()
    with open_picture(path) as picture:
        assert "is not there" in picture.notices[0]


def test_threads_read_the_same_through_a_small_cache(tmp_path: Path) -> None:
    path, codes = stitched(tmp_path)
    with open_picture(path, workers=2, cache_bytes=300_000) as picture, ThreadPoolExecutor(4) as pool:
        boxes = [
            (x, y, min(700, x + 90), min(300, y + 70)) for y in range(0, 300, 50) for x in range(0, 700, 60)
        ]
        for box, found in zip(boxes, pool.map(lambda b: picture.read(*b), boxes), strict=True):
            assert np.array_equal(found, codes[box[1] : box[3], box[0] : box[2]])
        for bad in ((0, 0, 701, 10), (-1, 0, 5, 5), (5, 5, 5, 9)):
            with pytest.raises(ValueError, match="no rectangle"):
                picture.read(*bad)


@pytest.mark.skipif(os.name != "posix", reason="elsewhere an open file cannot be deleted")
def test_a_picture_deleted_midway_is_read_to_its_end(tmp_path: Path) -> None:
    path, codes = stitched(tmp_path)
    with open_picture(path) as picture:
        picture.read(0, 0, 10, 10)
        path.unlink()
        assert np.array_equal(picture.read(0, 0, 700, 300), codes)


def test_bad_pictures_are_told_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, _ = stitched(tmp_path)
    data = path.read_bytes()
    cut = tmp_path / "cut.tif"
    cut.write_bytes(data[: len(data) * 2 // 3])
    (tmp_path / "words.tif").write_text("no picture")
    (tmp_path / "empty.tif").touch()
    tifffile.imwrite(tmp_path / "float.tif", RGB.astype(np.float32), photometric="rgb")
    for name, why in (
        ("cut.tif", "cut short"),
        ("words.tif", "not a picture"),
        ("empty.tif", "empty"),
        ("nothing.tif", "not there"),
        ("float.tif", "floating-point"),
    ):
        with pytest.raises(UnreadableFile, match=why):
            open_picture(tmp_path / name)
    with open_picture(path) as picture:  # cut short while it is read
        with path.open("r+b") as stream:
            stream.truncate(len(data) // 2)
        with pytest.raises(UnreadableFile, match="cut short"):
            picture.read(0, 0, 700, 300)
    spoilt = bytearray(data)
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        at, count = tiff.pages[0].dataoffsets[3], tiff.pages[0].databytecounts[3]
    spoilt[at : at + count] = zlib.compress(b"too little")[:count].ljust(count, b"\0")
    path.write_bytes(bytes(spoilt))
    with open_picture(path) as picture, pytest.raises(UnreadableFile, match="damaged"):
        picture.read(0, 0, 700, 300)


def test_what_cannot_be_read_in_pieces_is_refused_beforehand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tifffile.imwrite(tmp_path / "s.tif", RGB, photometric="rgb", compression="lzw", rowsperstrip=150)
    cv2.imwrite(str(tmp_path / "w.png"), RGB)
    monkeypatch.setattr(tiff_samples, "LARGEST_SEGMENT_BYTES", 100_000)
    monkeypatch.setattr(whole_samples, "MOST_BYTES", 100_000)
    for name in ("s.tif", "w.png"):
        with pytest.raises(UnreadableFile, match="save it as a tiled TIFF"):
            open_picture(tmp_path / name)

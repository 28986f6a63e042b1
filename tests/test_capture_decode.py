"""Pixels come out as the file has them: depth, orientation once, and nothing missing filled in."""

from __future__ import annotations

import io
import itertools
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from belvedere.capture.decode import decode, turn
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile
from belvedere.geometry.orientation import displayed

DATA = Path(__file__).parents[2] / "shared" / "data"
HEIGHT, WIDTH = 75, 101


def noise(dtype: type, channels: int = 3) -> np.ndarray:
    top = np.iinfo(dtype).max + 1
    return np.random.default_rng(5).integers(0, top, (HEIGHT, WIDTH, channels)).astype(dtype)


def smooth() -> np.ndarray:
    return cv2.GaussianBlur(noise(np.uint8), (0, 0), 3)


def read(file: Path) -> np.ndarray:
    return decode(Exposure(file, read_metadata(file)))


def write_png(file: Path, pixels: np.ndarray) -> None:
    order = {1: None, 3: cv2.COLOR_RGB2BGR, 4: cv2.COLOR_RGBA2BGRA}[pixels.shape[2]]
    assert cv2.imwrite(str(file), pixels if order is None else cv2.cvtColor(pixels, order))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_comes_out_as_opencv_wrote_it(tmp_path: Path, dtype: type) -> None:
    file = tmp_path / "a.png"
    for channels in (1, 3, 4):
        pixels = noise(dtype, channels)
        write_png(file, pixels)
        found = read(file)
        assert found.dtype == dtype
        assert found.flags.c_contiguous
        np.testing.assert_array_equal(found, np.repeat(pixels, 3, 2) if channels == 1 else pixels[..., :3])


def test_png_palette_bilevel_and_alpha_equal_pillows(tmp_path: Path) -> None:
    file = tmp_path / "a.png"
    for mode, options in (
        ("P", {"bits": 4}),
        ("1", {}),
        ("LA", {}),
        ("RGBA", {}),
        ("P", {"transparency": 0}),
    ):
        image = Image.fromarray(smooth())
        image = image.quantize(16) if mode == "P" else image.convert(mode)
        image.save(file, **options)
        expected = image.convert("L").convert("RGB") if mode == "LA" else image.convert("RGB")
        assert read_metadata(file).bits == 8
        np.testing.assert_array_equal(read(file), np.asarray(expected), err_msg=mode)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("compression", [None, "deflate", "lzw", "packbits", "zstd"])
def test_tiff_of_every_layout_is_exact(tmp_path: Path, dtype: type, compression: str | None) -> None:
    """Strips and tiles, planes, byte orders, BigTIFF, predictor; as tifffile writes them."""
    file, pixels = tmp_path / "a.tif", noise(dtype)
    for tile, big, planes, predictor, order in itertools.product(
        (None, (32, 48)), (False, True), ("contig", "separate"), (None, 2), ("<", ">")
    ):
        if predictor and compression in (None, "packbits"):
            continue
        tifffile.imwrite(
            file,
            pixels if planes == "contig" else np.ascontiguousarray(pixels.transpose(2, 0, 1)),
            photometric="rgb",
            planarconfig=planes,
            compression=compression,
            predictor=predictor or False,
            tile=tile,
            bigtiff=big,
            byteorder=order,
            rowsperstrip=None if tile else 17,
        )
        found = read(file)
        assert found.dtype == dtype
        np.testing.assert_array_equal(found, pixels)


def test_tiff_grey_alpha_and_pillows_own(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    grey = noise(np.uint16, 1)
    for photometric, expected in (("minisblack", grey), ("miniswhite", 65535 - grey)):
        tifffile.imwrite(file, grey[..., 0], photometric=photometric)
        np.testing.assert_array_equal(read(file), np.repeat(expected, 3, 2))
    four = noise(np.uint16, 4)
    tifffile.imwrite(file, four, photometric="rgb", extrasamples=[2])
    np.testing.assert_array_equal(read(file), four[..., :3])
    for mode in ("RGB", "L", "P"):
        image = Image.fromarray(smooth()).convert(mode)
        image.save(file, compression="tiff_lzw")
        np.testing.assert_array_equal(read(file), np.asarray(image.convert("RGB")), err_msg=mode)
    Image.fromarray(smooth()).save(file, compression="jpeg", quality=95)
    assert np.abs(read(file).astype(int) - np.asarray(Image.open(file))).max() <= 2


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": 0}, {"restart_marker_rows": 1}]
)
def test_jpeg_equals_pillows_within_two_codes(tmp_path: Path, options: dict[str, int]) -> None:
    file = tmp_path / "a.jpg"
    for mode in ("RGB", "L"):
        Image.fromarray(smooth()).convert(mode).save(file, quality=92, **options)
        difference = read(file).astype(int) - np.asarray(Image.open(file).convert("RGB"))
        assert np.abs(difference).max() <= 2


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_orientation_is_applied_exactly_once(tmp_path: Path, orientation: int, suffix: str) -> None:
    """Against Pillow's ImageOps.exif_transpose."""
    file = tmp_path / f"a{suffix}"
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(smooth()).save(file, exif=exif)
    metadata = read_metadata(file)
    assert metadata.orientation == orientation
    found = read(file)
    assert found.shape == (metadata.height, metadata.width, 3)
    assert found.flags.c_contiguous
    expected = np.asarray(ImageOps.exif_transpose(Image.open(file)))
    assert np.abs(found.astype(int) - expected).max() <= (2 if suffix == ".jpg" else 0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turning_keeps_to_the_houses_convention(orientation: int) -> None:
    for pixels in (noise(np.uint8), noise(np.uint16)):
        np.testing.assert_array_equal(turn(pixels, orientation), displayed(pixels, orientation))


def test_the_eight_real_orientations() -> None:
    files = sorted((DATA / "raw" / "orientation").glob("portrait_*.jpg"))
    if not files:
        pytest.skip("the shared photographs are not on this machine")
    seen = set()
    for file in files:
        seen.add(read_metadata(file).orientation)
        expected = np.asarray(ImageOps.exif_transpose(Image.open(file)).convert("RGB"))
        found = read(file)
        assert found.shape == (600, 450, 3)  # the same upright portrait eight times
        assert np.abs(found.astype(int) - expected).max() <= 2
    assert seen == set(range(1, 9))


def encoded(kind: str) -> bytes:
    stream = io.BytesIO()
    image = Image.fromarray(smooth() if kind == "jpg" else noise(np.uint8))
    options = {"tif": {"compression": "tiff_deflate"}}.get(kind, {})
    image.save(stream, {"jpg": "JPEG", "tif": "TIFF", "png": "PNG"}[kind], **options)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["jpg", "png", "tif"])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9, 0.99])
def test_a_file_cut_short_is_named_and_never_filled_in(tmp_path: Path, kind: str, share: float) -> None:
    file = tmp_path / f"cut.{kind}"
    whole = encoded(kind)
    file.write_bytes(whole[: max(4, int(len(whole) * share))])
    with pytest.raises(UnreadableFile, match=rf"cut\.{kind}: .*(again|not a picture)"):
        read(file)


def test_a_tiff_cut_short_is_seen_in_its_header(tmp_path: Path) -> None:
    """The list of strips tells, before a pixel is read."""
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, noise(np.uint16), photometric="rgb", rowsperstrip=16)
    read_metadata(file)
    file.write_bytes(file.read_bytes()[:-1])
    with pytest.raises(UnreadableFile, match="cut short"):
        read_metadata(file)


def test_a_tiff_strip_that_holds_too_little_is_an_error_though_its_length_fits(tmp_path: Path) -> None:
    """tifffile fills such a strip with zeros."""
    file = tmp_path / "short.tif"
    tifffile.imwrite(file, noise(np.uint8), photometric="rgb", compression="deflate", rowsperstrip=25)
    with tifffile.TiffFile(file) as tiff:
        offset, count = tiff.pages[0].dataoffsets[1], tiff.pages[0].databytecounts[1]
    data = bytearray(file.read_bytes())
    data[offset : offset + count] = zlib.compress(noise(np.uint8)[:20].tobytes(), 0).ljust(count, b"\0")[
        :count
    ]
    file.write_bytes(data)
    with pytest.raises(UnreadableFile, match=r"short\.tif"):
        read(file)


def test_damage_inside_a_png_is_an_error(tmp_path: Path) -> None:
    file = tmp_path / "a.png"
    data = bytearray(encoded("png"))
    data[len(data) // 2] ^= 0x55
    file.write_bytes(data)
    with pytest.raises(UnreadableFile, match="damaged"):
        read(file)


def test_filling_bytes_before_the_end_of_a_jpeg_are_harmless(tmp_path: Path) -> None:
    file, whole = tmp_path / "a.jpg", encoded("jpg")
    file.write_bytes(whole)
    expected = read(file)
    file.write_bytes(whole[:-2] + bytes(9) + whole[-2:])
    np.testing.assert_array_equal(read(file), expected)
    file.write_bytes(whole + b"what a camera keeps behind the picture")
    np.testing.assert_array_equal(read(file), expected)


@pytest.mark.parametrize("side", [65000, 20000])
@pytest.mark.parametrize("kind", ["jpg", "png", "tif"])
def test_a_declared_size_that_cannot_be_is_refused_before_memory_is_asked_for(
    tmp_path: Path, kind: str, side: int
) -> None:
    """65000 x 65000 is over any frame; 20000 x 20000 is more than the bytes can hold."""
    file, data = tmp_path / f"bomb.{kind}", bytearray(encoded(kind))
    if kind == "jpg":
        at = data.index(b"\xff\xc0") + 5
        data[at : at + 4] = struct.pack(">HH", side, side)
    elif kind == "png":
        data[16:24] = struct.pack(">II", side, side)
        data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    else:
        with tifffile.TiffFile(io.BytesIO(bytes(data))) as tiff:
            for tag in (256, 257, 278):
                at = tiff.pages[0].tags[tag].valueoffset
                size = 4 if tiff.pages[0].tags[tag].dtype == 4 else 2
                data[at : at + size] = side.to_bytes(size, "little")
    file.write_bytes(data)
    with pytest.raises(UnreadableFile, match=r"declares|again"):
        read_metadata(file)


def test_kinds_that_are_not_read_say_what_to_do(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    for kind, words in (("f4", "32-bit floating"), ("u4", "32-bit unsigned"), ("i2", "16-bit signed")):
        tifffile.imwrite(file, np.zeros((20, 20, 3), kind), photometric="rgb")
        with pytest.raises(UnreadableFile, match=f"{words}.*export"):
            read_metadata(file)
    tifffile.imwrite(file, np.zeros((20, 20, 4), "u1"), photometric="separated")
    with pytest.raises(UnreadableFile, match=r"CMYK.*export"):
        read_metadata(file)
    file = tmp_path / "a.jpg"
    Image.fromarray(smooth()).convert("CMYK").save(file)
    with pytest.raises(UnreadableFile, match=r"CMYK.*export"):
        read_metadata(file)


def test_a_file_that_changed_after_its_header_was_read(tmp_path: Path) -> None:
    file = tmp_path / "a.png"
    write_png(file, noise(np.uint8))
    with pytest.raises(UnreadableFile, match="changed"):
        decode(Exposure(file, Metadata(stored_width=WIDTH + 1, stored_height=HEIGHT)))


def test_a_reduced_copy_before_the_picture_is_not_taken_for_it(tmp_path: Path) -> None:
    file, pixels = tmp_path / "a.tif", noise(np.uint8)
    with tifffile.TiffWriter(file) as tiff:
        tiff.write(pixels[::4, ::4], photometric="rgb", subfiletype=1)
        tiff.write(pixels, photometric="rgb")
    np.testing.assert_array_equal(read(file), pixels)

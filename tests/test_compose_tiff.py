"""TIFF: what other libraries than the writer read back, at any size, in any order, after any accident."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import tracemalloc
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import pyvips
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.compose import finished_file as finished_file_module
from belvedere.compose import tiff as tiff_module
from belvedere.compose.exif_block import ExifValues
from belvedere.compose.picture_format import PictureFormat
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import bound_bytes, encode_tile
from belvedere.errors import OutputFailed

EXIF = ExifValues(
    make="Bodymaker",
    model="Body 1",
    lens="Lens 50mm f/2",
    focal_mm=50.0,
    focal_35mm=75.0,
    exposure_s=0.004,
    f_number=5.6,
    iso=100.0,
    taken=datetime(2024, 5, 6, 7, 8, 9, 250_000),
    color_space=1,
    frames=5,
    frames_used=4,
)
Picture = NDArray[Any]


@pytest.fixture(scope="module")
def icc() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def picture(height: int, width: int, bits: int, seed: int = 0) -> Picture:
    """Noise under a coverage of 1 to full; colour where coverage is 0 does not survive, so none is there."""
    rng = np.random.default_rng(seed)
    out = rng.integers(0, 2**bits, (height, width, 4)).astype(f"u{bits // 8}")
    out[..., 3] = np.where(rng.random((height, width)) < 0.5, 2**bits - 1, np.maximum(out[..., 3], 1))
    return out


def tile_of(pixels: Picture, column: int, row: int, side: int) -> Picture:
    return pixels[row * side : (row + 1) * side, column * side : (column + 1) * side]


def write(
    path: Path, pixels: Picture, order: list[tuple[int, int]] | None = None, **form: Any
) -> PictureFormat:
    height, width = pixels.shape[:2]
    form_ = PictureFormat(width, height, bits=pixels.dtype.itemsize * 8, **form)
    with TiledTiff(path, form_) as out:
        for column, row in order or out.missing():
            out.put(column, row, encode_tile(tile_of(pixels, column, row, form_.tile), form_.tile))
    return form_


def put_one_and_raise(file: TiledTiff, error: type[BaseException]) -> None:
    with file as out:
        out.put(1, 0, encode_tile(picture(16, 16, 16), 16))
        raise error


def read_tifffile(path: Path) -> Picture:
    return np.asarray(tifffile.imread(path))


def read_vips(path: Path) -> Picture:
    return np.asarray(pyvips.Image.new_from_file(str(path), revalidate=True, fail_on="error").numpy())


def read_cv2(path: Path) -> Picture:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED))[..., [2, 1, 0, 3]]


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_other_libraries_read_the_same_pixels(tmp_path: Path, bits: int, big: bool, icc: bytes) -> None:
    pixels = picture(131, 301, bits)
    path = tmp_path / "Küste am Abend.tif"
    write(path, pixels, tile=128, big=big, icc=icc, exif=EXIF)
    with tifffile.TiffFile(path) as file:
        assert file.is_bigtiff is big
    assert np.array_equal(read_tifffile(path), pixels)
    assert np.array_equal(read_vips(path), pixels)
    with Image.open(path) as image:  # Pillow keeps the upper 8 of 16 bits
        assert np.array_equal(np.asarray(image), pixels if bits == 8 else pixels >> 8)
    # OpenCV multiplies 8-bit colour by the coverage, so only full coverage compares
    seen = read_cv2(path)
    opaque = pixels[..., 3] == 2**bits - 1
    assert opaque.any()
    assert np.array_equal(seen[opaque], pixels[opaque])
    if bits == 16:
        assert np.array_equal(seen, pixels)


@pytest.mark.parametrize("big", [False, True])
def test_tags_are_read_by_other_libraries(tmp_path: Path, big: bool, icc: bytes) -> None:
    path = tmp_path / "out.tif"
    write(
        path,
        picture(20, 40, 16),
        tile=16,
        big=big,
        icc=icc,
        exif=EXIF,
        pixels_per_inch=240.5,
        description="A bay",
    )
    with tifffile.TiffFile(path) as file:
        assert len(file.pages) == 1
        tags = {tag.name: tag.value for tag in file.pages[0].tags.values()}
    assert "DateTime" not in tags
    assert tags["InterColorProfile"] == icc
    assert (tags["Compression"], tags["Predictor"], tags["PlanarConfiguration"]) == (8, 2, 1)
    assert tuple(tags["ExtraSamples"]) == (2,)
    assert tags["XResolution"] == tags["YResolution"] == (481, 2)
    assert tags["ResolutionUnit"] == 2
    assert (tags["Make"], tags["Model"], tags["Orientation"]) == ("Bodymaker", "Body 1", 1)
    assert (tags["Software"], tags["ImageDescription"]) == ("Belvedere", "A bay")
    exif = tags["ExifTag"]
    assert exif["ExposureTime"] == (1, 250)
    assert exif["FNumber"] == (28, 5)
    assert exif["DateTimeOriginal"] == "2024:05:06 07:08:09"
    with Image.open(path) as image:
        assert image.info["icc_profile"] == icc
        assert image.info["dpi"] == (240.5, 240.5)
        ifd = image.getexif().get_ifd(0x8769)
    assert ifd[0x829A] == pytest.approx(1 / 250)
    assert ifd[0x829D] == pytest.approx(5.6)
    assert (ifd[0x8827], ifd[0x920A], ifd[0xA405], ifd[0xA434]) == (100, 50.0, 75, "Lens 50mm f/2")
    assert (ifd[0x9000], ifd[0xA001], ifd[0xA002], ifd[0xA003]) == (b"0232", 1, 40, 20)
    assert (ifd[0xA460], ifd[0xA461], ifd[0x9291]) == (2, (5, 4), "25")
    vips = pyvips.Image.new_from_file(str(path), revalidate=True)
    assert vips.get("icc-profile-data") == icc
    assert vips.xres * 25.4 == pytest.approx(240.5, abs=1e-4)
    assert vips.hasalpha()


def test_a_picture_without_profile_or_exif_has_neither(tmp_path: Path) -> None:
    path = tmp_path / "out.tif"
    write(path, picture(5, 5, 8), tile=16)
    with tifffile.TiffFile(path) as file:
        assert not {34665, 34675, 271, 272, 270} & {tag.code for tag in file.pages[0].tags.values()}


def test_no_ceiling_at_32767_px(tmp_path: Path) -> None:
    for shape in ((16, 40_000), (40_000, 16)):
        pixels = picture(*shape, 16)
        path = tmp_path / f"{shape[0]}.tif"
        write(path, pixels)
        assert np.array_equal(read_tifffile(path), pixels)
        assert np.array_equal(read_vips(path), pixels)


@settings(max_examples=30, deadline=None)
@given(
    width=st.integers(1, 70),
    height=st.integers(1, 70),
    bits=st.sampled_from([8, 16]),
    tile=st.sampled_from([16, 32, 48]),
    big=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_size_comes_back(
    tmp_path_factory: pytest.TempPathFactory,
    width: int,
    height: int,
    bits: int,
    tile: int,
    big: bool,
    seed: int,
) -> None:
    path = tmp_path_factory.mktemp("size") / "out.tif"
    pixels = picture(height, width, bits, seed)
    form = write(path, pixels, tile=tile, big=big, exif=EXIF)
    assert np.array_equal(read_tifffile(path), pixels)
    assert np.array_equal(read_vips(path), pixels)
    assert path.stat().st_size <= form.most_bytes


def test_a_short_tile_is_filled_with_zeros() -> None:
    pixels = picture(10, 13, 16)
    whole = np.zeros((32, 32, 4), np.uint16)
    whole[:10, :13] = pixels
    assert encode_tile(pixels, 32) == encode_tile(whole, 32)
    # the plain way: undo deflate with another library, sum along the rows
    stored = np.frombuffer(zlib.decompress(encode_tile(pixels, 32)), "<u2").reshape(32, 32, 4)
    assert np.array_equal(np.cumsum(stored, axis=1, dtype=np.uint16), whole)


def test_colour_without_coverage_is_written_as_zero_whatever_the_tile() -> None:
    pixels = picture(32, 32, 8)
    pixels[:, :20, 3] = 0
    for tile in (16, 32):
        stored = [
            np.frombuffer(zlib.decompress(encode_tile(tile_of(pixels, c, r, tile), tile)), "u1")
            .reshape(tile, tile, 4)
            .cumsum(axis=1, dtype=np.uint8)
            for r in range(32 // tile)
            for c in range(32 // tile)
        ]
        n = 32 // tile
        seen = np.block([[[stored[r * n + c]] for c in range(n)] for r in range(n)]).reshape(32, 32, 4)
        assert not seen[:, :20].any()
        assert np.array_equal(seen[:, 20:], pixels[:, 20:])


def test_tiles_are_refused_that_do_not_fit() -> None:
    for bad in (
        np.zeros((17, 16, 4), np.uint8),
        np.zeros((16, 16, 2), np.uint8),
        np.zeros((0, 16, 4), np.uint8),
    ):
        with pytest.raises(ValueError, match="shape"):
            encode_tile(bad, 16)
    with pytest.raises(ValueError, match="uint8, uint16 or float32"):
        encode_tile(np.zeros((16, 16, 4), np.float64), 16)  # type: ignore[arg-type]


def test_noise_stays_under_the_bound() -> None:
    for bits in (8, 16):
        for tile in (16, 512):
            assert len(encode_tile(picture(tile, tile, bits), tile)) <= bound_bytes(tile, bits)


def test_empty_tiles_are_small(tmp_path: Path) -> None:
    pixels = np.zeros((1024, 2048, 4), np.uint16)
    pixels[600:700, 900:1000] = picture(100, 100, 16)
    path = tmp_path / "out.tif"
    write(path, pixels)
    assert path.stat().st_size < 130_000
    assert np.array_equal(read_vips(path), pixels)


def test_order_changes_no_pixel_and_the_same_order_no_byte(tmp_path: Path) -> None:
    pixels = picture(100, 200, 16)
    order = [(c, r) for r in range(7) for c in range(13)]
    for name, way in (("a", order), ("b", order), ("c", order[::-1])):
        write(tmp_path / f"{name}.tif", pixels, way, tile=16, exif=EXIF)
    a, b, c = (tmp_path / f"{name}.tif" for name in "abc")
    assert a.read_bytes() == b.read_bytes()
    assert np.array_equal(read_tifffile(c), pixels)
    with tifffile.TiffFile(a) as fa, tifffile.TiffFile(c) as fc:
        ta, tc = ({t.code: t.value for t in f.pages[0].tags.values() if t.code != 324} for f in (fa, fc))
    assert ta == tc


def test_big_is_decided_by_what_surely_fits() -> None:
    # just under 4 GiB of raw samples may grow past it; a bound that forgets this would be classic
    assert PictureFormat(32_768, 16_383, bits=16).is_big
    assert not PictureFormat(32_768, 15_872, bits=16).is_big
    assert PictureFormat(200_000, 100_000, bits=8).is_big
    assert not PictureFormat(100, 100).is_big
    assert PictureFormat(100, 100, big=True).is_big


def test_a_picture_beyond_4_gib_is_read_at_its_far_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Offsets over 32 bits, without writing that much: the tiles start in a hole of the file."""
    form = PictureFormat(64, 32, bits=16, tile=16, big=True)
    pixels = picture(32, 64, 16)
    path = tmp_path / "far.tif"
    with TiledTiff(path, form) as out:
        out._end += 2**32 + 2**31
        for column, row in out.missing():
            out.put(column, row, encode_tile(tile_of(pixels, column, row, 16), 16))
    assert path.stat().st_size > 2**32
    assert np.array_equal(read_tifffile(path), pixels)
    assert np.array_equal(read_vips(path), pixels)


def test_head_has_the_length_it_said() -> None:
    for big in (False, True):
        for size in ((1, 1), (16, 32), (17, 16), (200, 100)):
            for extra in ({}, {"icc": b"x" * 131, "exif": EXIF, "description": "odd"}):
                form = PictureFormat(*size, tile=16, big=big, **extra)
                tables = np.arange(form.tiles, dtype=np.uint64)
                assert len(form.head(tables, tables)) == form.head_length


def test_missing_and_repeated_tiles_are_errors(tmp_path: Path) -> None:
    path = tmp_path / "out.tif"
    out = TiledTiff(path, PictureFormat(40, 20, tile=16))
    tile = encode_tile(picture(16, 16, 16), 16)
    out.put(1, 0, tile)
    assert out.is_put(1, 0)
    with pytest.raises(ValueError, match=r"already there"):
        out.put(1, 0, tile)
    for outside in ((3, 0), (0, 2), (-1, 0)):
        with pytest.raises(ValueError, match="no tile"):
            out.put(*outside, tile)
    with pytest.raises(ValueError, match=r"5 tiles are missing, the first is \(0, 0\)"):
        out.close()
    assert names(tmp_path) == []
    with pytest.raises(ValueError, match="closed"):
        out.put(0, 0, tile)


def test_an_error_leaves_the_old_picture_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "out.tif"
    path.write_bytes(b"old")
    for error in (RuntimeError, KeyboardInterrupt):
        with pytest.raises(error):
            put_one_and_raise(TiledTiff(path, PictureFormat(40, 20, tile=16)), error)
        assert names(tmp_path) == ["out.tif"]
        assert path.read_bytes() == b"old"


def test_threads_may_put_at_once(tmp_path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    pixels = picture(256, 256, 8)
    path = tmp_path / "out.tif"
    with TiledTiff(path, PictureFormat(256, 256, bits=8, tile=16)) as out, ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda p: out.put(*p, encode_tile(tile_of(pixels, *p, 16), 16)), out.missing()))
    assert np.array_equal(read_vips(path), pixels)


def test_memory_does_not_grow_with_the_picture(tmp_path: Path) -> None:
    def peak(tiles: int) -> int:
        tile = encode_tile(picture(128, 128, 16), 128)
        tracemalloc.start()
        with TiledTiff(tmp_path / "out.tif", PictureFormat(128 * tiles, 128, tile=128)) as out:
            for column in range(tiles):
                out.put(column, 0, tile)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    small, large = peak(10), peak(200)  # the larger file has 25 MB more
    assert large - small < 190 * 200  # tables of the tiles only


@pytest.fixture
def interrupted(tmp_path: Path) -> Callable[[int], None]:
    """Write so many tiles of a picture in another process that ends without any goodbye."""

    def run(tiles: int) -> None:
        code = (
            "import os, sys; sys.path.insert(0, sys.argv[4])\n"
            "from pathlib import Path\n"
            "import test_compose_tiff as t\n"
            "pixels = t.picture(64, 64, 16)\n"
            "form = t.PictureFormat(64, 64, tile=16, exif=t.EXIF)\n"
            "out = t.TiledTiff.resume(Path(sys.argv[1]), form, journal=Path(sys.argv[2]), key='k')\n"
            "for c, r in out.missing()[: int(sys.argv[3])]:\n"
            "    out.put(c, r, t.encode_tile(t.tile_of(pixels, c, r, 16), 16))\n"
            "os._exit(9)\n"
        )
        paths = [str(tmp_path / "out.tif"), str(tmp_path / "work.journal")]
        ended = subprocess.run(
            [sys.executable, "-c", code, *paths, str(tiles), str(Path(__file__).parent)], check=False
        )
        assert ended.returncode == 9

    return run


@pytest.mark.parametrize("damage", ["none", "half a tile", "half a record", "a lost page", "no part"])
def test_a_killed_run_is_resumed_to_the_same_bytes(
    tmp_path: Path, interrupted: Callable[[int], None], damage: str
) -> None:
    pixels = picture(64, 64, 16)
    (tmp_path / "whole").mkdir()
    whole = tmp_path / "whole" / "out.tif"
    write(whole, pixels, tile=16, exif=EXIF)
    path, journal = tmp_path / "out.tif", tmp_path / "work.journal"
    interrupted(5)
    assert not path.exists()
    (part,) = tmp_path.glob(".out.tif.part-*")
    left = 5
    if damage == "half a tile":
        with part.open("ab") as file:
            file.write(b"x" * 99_999)
    elif damage == "half a record":
        journal.write_bytes(journal.read_bytes()[:-7])
        left = 4
    elif damage == "a lost page":
        form = PictureFormat(64, 64, tile=16, exif=EXIF)
        with part.open("r+b") as file:
            file.seek(form.head_length + 2 * len(encode_tile(pixels[:16, 32:48], 16)) + 50)
            file.write(bytes(64))
        left = 2
    elif damage == "no part":
        part.unlink()
        left = 0
    form = PictureFormat(64, 64, tile=16, exif=EXIF)
    with TiledTiff.resume(path, form, journal=journal, key="k") as out:
        assert len(out.missing()) == 16 - left
        for column, row in out.missing():
            out.put(column, row, encode_tile(tile_of(pixels, column, row, 16), 16))
    assert path.read_bytes() == whole.read_bytes()
    assert names(tmp_path) == ["out.tif", "whole"]


def test_a_stop_with_a_journal_keeps_the_work_and_discard_removes_it(tmp_path: Path) -> None:
    path, journal = tmp_path / "out.tif", tmp_path / "work.journal"
    form = PictureFormat(64, 64, tile=16)
    with pytest.raises(KeyboardInterrupt):
        put_one_and_raise(TiledTiff(path, form, journal=journal), KeyboardInterrupt)
    assert len(names(tmp_path)) == 2
    again = TiledTiff.resume(path, form, journal=journal)
    assert again.is_put(1, 0)
    again.discard()
    assert names(tmp_path) == []


@pytest.mark.parametrize("change", ["key", "format", "other output"])
def test_another_picture_is_not_resumed(
    tmp_path: Path, interrupted: Callable[[int], None], change: str
) -> None:
    interrupted(5)
    form = PictureFormat(64, 64, tile=16, exif=EXIF if change != "format" else None)
    path = tmp_path / ("else.tif" if change == "other output" else "out.tif")
    out = TiledTiff.resume(path, form, journal=tmp_path / "work.journal", key="k" if change != "key" else "q")
    assert len(out.missing()) == 16
    out.discard()
    left = [name for name in names(tmp_path) if "part" in name]
    assert len(left) == (1 if change == "other output" else 0)


class FullDisk:
    """A file on a disk that is full after so many bytes."""

    def __init__(self, file: Any, room: int) -> None:
        self.file, self.room = file, room

    def write(self, data: memoryview | bytes) -> int:
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = int(self.file.write(data[: self.room]))  # like the system: first a part of it
        self.room -= taken
        return taken

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


@pytest.mark.parametrize("room", [0, 300, 5000])
def test_a_disk_that_fills_up_is_named_and_left_clean(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    path = tmp_path / "out.tif"
    path.write_bytes(b"old")
    opened = tiff_module._open_part
    monkeypatch.setattr(tiff_module, "_open_part", lambda part, keep: FullDisk(opened(part, keep=keep), room))
    with pytest.raises(OutputFailed, match=r"out\.tif: the disk is full.*MB.*Free some space"):
        write(path, picture(64, 64, 16), tile=16)
    assert names(tmp_path) == ["out.tif"]
    assert path.read_bytes() == b"old"


def test_a_full_disk_with_a_journal_says_what_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = tiff_module._open_part
    monkeypatch.setattr(tiff_module, "_open_part", lambda part, keep: FullDisk(opened(part, keep=keep), 5000))
    out = TiledTiff(tmp_path / "out.tif", PictureFormat(64, 64, tile=16), journal=tmp_path / "work.journal")
    pixels = picture(16, 16, 16)
    out.put(0, 0, encode_tile(pixels, 16))
    out.put(1, 0, encode_tile(pixels, 16))
    with pytest.raises(OutputFailed, match=r"\.out\.tif\.part-\d+ keeps what is done"):
        out.put(2, 0, encode_tile(pixels, 16))
    out.abort()
    monkeypatch.undo()
    again = TiledTiff.resume(
        tmp_path / "out.tif", PictureFormat(64, 64, tile=16), journal=tmp_path / "work.journal"
    )
    assert len(again.missing()) == 14
    again.discard()


@pytest.mark.parametrize(
    ("size", "words"),
    [(1, "1 MB"), (31_400_000, "31 MB"), (1_249_000_000, "1.2 GB"), (2_500_000_000_000, "2,500 GB")],
)
def test_disk_space_in_words(size: int, words: str) -> None:
    assert finished_file_module.disk_space(size) == words


def test_a_full_disk_is_found_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiff_module, "free_bytes", lambda folder: 3_000_000_000)
    form = PictureFormat(60_000, 20_000)  # 9.6 GB of samples
    with pytest.raises(OutputFailed, match=r"needs about 7\.3 GB, 3\.0 GB is free"):
        TiledTiff(tmp_path / "out.tif", form)
    TiledTiff(tmp_path / "out.tif", form, covered_fraction=0.3).discard()
    assert names(tmp_path) == []


def test_a_disk_filling_up_during_resume_keeps_what_was_made(
    tmp_path: Path, interrupted: Callable[[int], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupted(5)
    before = names(tmp_path)
    form = PictureFormat(64, 64, tile=16, exif=EXIF)
    with monkeypatch.context() as patch:
        patch.setattr(tiff_module, "free_bytes", lambda folder: 0)
        with pytest.raises(OutputFailed, match="too full"):
            TiledTiff.resume(tmp_path / "out.tif", form, journal=tmp_path / "work.journal", key="k")
    assert names(tmp_path) == before
    out = TiledTiff.resume(tmp_path / "out.tif", form, journal=tmp_path / "work.journal", key="k")
    assert len(out.missing()) == 11
    out.discard()


def test_folders_that_cannot_be_written_to_are_named_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    form = PictureFormat(16, 16, tile=16)
    with pytest.raises(OutputFailed, match=r"there is no folder .*gone"):
        TiledTiff(tmp_path / "gone" / "out.tif", form)
    (tmp_path / "out.tif").mkdir()
    with pytest.raises(OutputFailed, match="this is a folder"):
        TiledTiff(tmp_path / "out.tif", form)

    def refused(
        *_: object, **__: object
    ) -> None:  # a superuser may write anywhere, so the refusal is made up
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(tiff_module, "_open_part", refused)
    with pytest.raises(OutputFailed, match=r"may not be written to.*Choose another folder"):
        TiledTiff(tmp_path / "a.tif", form)
    assert names(tmp_path) == ["out.tif"]
    (tmp_path / "b.tif").touch()
    with pytest.raises(OutputFailed, match=r"may not be replaced.*Close it in other programs"):
        TiledTiff(tmp_path / "b.tif", form)


def test_a_file_takes_its_name_only_when_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def stopped() -> None:
        with finished_file_module.finished_file(path) as file:
            file.write(b"new")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        stopped()
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.json"]
    with finished_file_module.finished_file(path) as file:
        file.write(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"
    assert names(tmp_path) == ["a.json"]

"""A picture to keep: what other libraries read, its tags, memory, and nothing half-done."""

from __future__ import annotations

import errno
import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
import pytest
import pyvips
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from PIL.IptcImagePlugin import getiptcinfo

from belvedere.capture.icc import read_profile
from belvedere.capture.primaries import srgb_profile
from belvedere.capture.transfer import SRGB_CURVE, curve_table
from belvedere.compose import finished_file as finished_file_module
from belvedere.compose import tiff as tiff_module
from belvedere.compose.report import read_report, report_path
from belvedere.compose.xmp import (
    COMPOSITE_CAPTURE,
    COMPOSITE_SYNTHETIC,
    IPTC_EXTENSION,
    OWN,
    XMP,
    Property,
    xmp_packet,
    xmp_value,
)
from belvedere.deliver import keep_file as keep_file_module
from belvedere.deliver.format_choice import choose_tiled, need_format
from belvedere.deliver.iptc import records_segment
from belvedere.deliver.keep import keep_picture
from belvedere.deliver.keep_file import keep_form, write_keep_file
from belvedere.deliver.keep_form import KeepForm
from belvedere.deliver.keep_manifest import manifest_path, read_keep_manifest
from belvedere.deliver.keep_tags import keep_tags
from belvedere.deliver.light_codes import LightCodes
from belvedere.deliver.picture import open_picture
from belvedere.deliver.tag_block import TagBlock
from belvedere.errors import BelvedereError, OutputFailed
from kept_sets import smooth_picture, stitched

Codes = NDArray[Any]
_MOST = {np.dtype("u1"): 255.0, np.dtype("u2"): 65535.0}


def keep(path: Path, out: Path, **how: Any) -> None:
    """Write with tiles small enough for several levels."""
    tile, big = how.pop("tile", 64), how.pop("big", None)
    with open_picture(path, workers=2) as picture:
        form = msgspec_replace(keep_form(picture, keep_tags(picture, "Belvedere")), tile=tile, big=big)
        write_keep_file(picture, out, form, **how)


def msgspec_replace(form: KeepForm, **changes: Any) -> KeepForm:
    return KeepForm(
        **{name: getattr(form, name) for name in ("width", "height", "bits", "samples", "tags")} | changes
    )


def plainly_halved(codes: Codes, levels: int, curve: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Every level's codes, not rounded, by NumPy alone: means of light over squares of the full picture."""
    most = _MOST[codes.dtype]
    at = np.linspace(0.0, 1.0, 1025)
    light = np.interp(codes[..., :3] / most, at, curve)
    alpha = codes[..., 3:] / most if codes.shape[2] == 4 else np.ones((*codes.shape[:2], 1))
    stack = np.concatenate([light * alpha, alpha], axis=2)
    found = []
    for _ in range(1, levels):
        stack = np.pad(stack, ((0, stack.shape[0] % 2), (0, stack.shape[1] % 2), (0, 0)), mode="edge")
        stack = (stack[::2, ::2] + stack[1::2, ::2] + stack[::2, 1::2] + stack[1::2, 1::2]) / 4.0
        mean = stack[..., :3] / np.maximum(stack[..., 3:], 1e-30)
        level = np.concatenate([np.interp(mean, curve, at), stack[..., 3:]], axis=2) * most
        found.append(level[..., : codes.shape[2]])
    return found


def read_levels(path: Path) -> dict[str, list[Codes]]:
    """All levels, largest first, by four libraries."""
    with tifffile.TiffFile(path) as tiff:
        seen = {"tifffile": [level.asarray() for level in tiff.series[0].levels]}
        count = len(seen["tifffile"])
        offsets = [page.offset for page in tiff.pages[0].pages or ()]
    options: dict[str, Any] = {"revalidate": True, "fail_on": "error"}
    seen["libvips"] = [
        pyvips.Image.new_from_file(str(path), subifd=k, **options).numpy() for k in range(-1, count - 1)
    ]
    seen["opencv"] = [turned(cv2.imread(str(path), cv2.IMREAD_UNCHANGED))]
    if seen["tifffile"][0].dtype == np.uint8:  # Pillow holds no 16-bit colour
        with Image.open(path) as image:
            seen["pillow"] = [np.asarray(image)]
            for offset in offsets:
                seen["pillow"].append(pillow_at(path, offset))
    return seen


def turned(bgr: Codes) -> Codes:
    return bgr[..., [2, 1, 0, 3]] if bgr.shape[2] == 4 else bgr[..., ::-1]


def pillow_at(path: Path, offset: int) -> Codes:
    """A directory as Pillow reads it, in a copy of the file whose header points there."""
    data = bytearray(path.read_bytes())
    data[4:8] = offset.to_bytes(4, "little")
    copy = path.with_suffix(".level.tif")
    copy.write_bytes(bytes(data))
    with Image.open(copy) as image:
        found = np.asarray(image)
    copy.unlink()
    return found


@pytest.mark.parametrize("coverage", [True, False])
@pytest.mark.parametrize("bits", [8, 16])
def test_every_library_reads_every_size_alike(tmp_path: Path, bits: int, coverage: bool) -> None:
    codes = smooth_picture(301, 517, bits)
    codes = codes if coverage else np.ascontiguousarray(codes[..., :3])
    path, out = tmp_path / "p.tif", tmp_path / "bay kept.tif"
    extra = {"extrasamples": ["unassalpha"]} if coverage else {}
    tifffile.imwrite(path, codes, photometric="rgb", iccprofile=srgb_profile(), tile=(64, 64), **extra)
    keep(path, out)
    seen = read_levels(out)
    levels = seen["tifffile"]
    assert [level.shape[:2] for level in levels] == [(301, 517), (151, 259), (76, 130), (38, 65), (19, 33)]
    assert np.array_equal(levels[0], codes)
    curve = read_profile(srgb_profile()).curves[0]  # type: ignore[union-attr]
    for level, wanted in zip(levels[1:], plainly_halved(codes, 5, curve), strict=True):
        covered = wanted[..., 3] >= 1.0 if coverage else np.ones(wanted.shape[:2], bool)
        # half a code of rounding, and what float32 sums cost in 16-bit codes
        assert np.abs(level[covered].astype(float) - wanted[covered]).max() <= (0.501 if bits == 8 else 0.52)
        if coverage:
            assert not level[wanted[..., 3] < 0.5].any()
    for name, found in seen.items():
        assert len(found) == (1 if name == "opencv" else 5)
        for level, wanted in zip(found, levels, strict=False):
            if (name, bits, coverage) == ("opencv", 8, True):  # it multiplies 8-bit colours by their coverage
                sure = wanted[..., 3] == 255
                level, wanted = level[sure], wanted[sure]
            assert np.array_equal(level, wanted), name


def test_one_rule_for_strips_tiles_threads_and_sizes(tmp_path: Path) -> None:
    codes = smooth_picture(301, 517)
    extra: dict[str, Any] = {"photometric": "rgb", "extrasamples": ["unassalpha"], "metadata": None}
    tifffile.imwrite(tmp_path / "a.tif", codes, tile=(64, 64), compression="adobe_deflate", **extra)
    tifffile.imwrite(tmp_path / "b.tif", codes, rowsperstrip=7, compression="lzw", predictor=True, **extra)
    tifffile.imwrite(tmp_path / "c.tif", codes, byteorder=">", bigtiff=True, **extra)
    pixels = set()
    for name in ("a", "b", "c"):
        files = set()
        for workers in (1, 3):
            keep(tmp_path / f"{name}.tif", tmp_path / "out.tif", workers=workers)
            files.add(hashlib.sha256((tmp_path / "out.tif").read_bytes()).hexdigest())
        assert len(files) == 1  # same input, same bytes, however many threads
        with tifffile.TiffFile(tmp_path / "out.tif") as tiff:
            pixels.add(
                hashlib.sha256(b"".join(k.asarray().tobytes() for k in tiff.series[0].levels)).digest()
            )
    assert len(pixels) == 1


def test_strips_are_read_in_bands_that_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    codes = smooth_picture(150, 400)
    path = tmp_path / "s.tif"
    tifffile.imwrite(
        path, codes, rowsperstrip=9, compression="lzw", photometric="rgb", extrasamples=["unassalpha"]
    )
    monkeypatch.setattr(keep_file_module, "_BAND_BYTES", 3 * 64 * 64 * 8)
    keep(path, tmp_path / "out.tif")
    assert np.array_equal(tifffile.imread(tmp_path / "out.tif"), codes)


def test_colours_under_no_coverage_are_kept(tmp_path: Path) -> None:
    codes = smooth_picture(70, 90)
    codes[codes[..., 3] == 0] = (11, 22, 33, 0)
    tifffile.imwrite(tmp_path / "p.tif", codes, photometric="rgb", extrasamples=["unassalpha"])
    keep(tmp_path / "p.tif", tmp_path / "out.tif")
    assert np.array_equal(tifffile.imread(tmp_path / "out.tif"), codes)


def tiles_of(path: Path) -> list[bytes]:
    """The encoded tiles of the largest size."""
    data = path.read_bytes()
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        return [data[o : o + n] for o, n in zip(page.dataoffsets, page.databytecounts, strict=True)]


def test_tiles_of_the_stitch_are_kept_as_they_are(tmp_path: Path) -> None:
    """Encoded by another hand at another level, they are still the same bytes; decoded, the same codes."""
    path, codes = stitched(tmp_path)
    foreign = tmp_path / "foreign.tif"
    tifffile.imwrite(
        foreign,
        codes,
        tile=(128, 128),
        compression="adobe_deflate",
        compressionargs={"level": 9},
        predictor=2,
        photometric="rgb",
        extrasamples=["unassalpha"],
        metadata=None,
    )
    for source in (path, foreign):
        keep(source, tmp_path / "k.tif", tile=128)
        assert tiles_of(tmp_path / "k.tif") == tiles_of(source)
    keep(path, tmp_path / "a.tif", tile=64)
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), codes)


@pytest.mark.parametrize(
    "given",
    [
        {"byteorder": ">"},
        {"predictor": 1},
        {"compression": "lzw"},
        {"planarconfig": "separate"},
        {"tile": (128, 64)},
        {"extrasamples": ["assocalpha"]},
        {"extratags": [(274, 3, 1, 3, True)]},
    ],
    ids=lambda given: next(iter(given)),
)
def test_tiles_of_any_other_kind_are_encoded_anew(tmp_path: Path, given: dict[str, Any]) -> None:
    codes = smooth_picture(300, 400)
    codes[codes[..., 3] < 65535] = 0
    usual: dict[str, Any] = {"tile": (128, 128), "compression": "adobe_deflate", "predictor": 2}
    usual |= {"extrasamples": ["unassalpha"], "photometric": "rgb", "metadata": None}
    stored = np.ascontiguousarray(np.moveaxis(codes, 2, 0)) if "planarconfig" in given else codes
    tifffile.imwrite(tmp_path / "p.tif", stored, **(usual | given))
    keep(tmp_path / "p.tif", tmp_path / "k.tif", tile=128)
    wanted = codes[::-1, ::-1] if "extratags" in given else codes
    assert np.array_equal(tifffile.imread(tmp_path / "k.tif"), wanted)
    assert np.array_equal(
        pyvips.Image.new_from_file(str(tmp_path / "k.tif"), revalidate=True).numpy(), wanted
    )


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("size", [(1, 1), (64, 64), (65, 1), (1, 129), (64, 65)])
def test_small_and_thin_pictures(tmp_path: Path, size: tuple[int, int], big: bool) -> None:
    codes = smooth_picture(size[1], size[0])[..., :3]
    tifffile.imwrite(tmp_path / "p.tif", codes, photometric="rgb")
    keep(tmp_path / "p.tif", tmp_path / "out.tif", big=big)
    with tifffile.TiffFile(tmp_path / "out.tif") as tiff:
        assert tiff.is_bigtiff is big
        smaller = tiff.pages[0].pages or ()  # tifffile groups no levels of so thin a picture
        levels = [page.asarray() for page in (tiff.pages[0], *smaller)]
        assert all(page.is_reduced for page in smaller)
    assert np.array_equal(levels[0].reshape(codes.shape), codes)
    assert len(levels) == 1 + sum(max(size) > 64 * 2**k for k in range(3))
    seen = pyvips.Image.new_from_file(str(tmp_path / "out.tif"), revalidate=True, fail_on="error").numpy()
    assert np.array_equal(seen.reshape(codes.shape), codes)


def test_bigtiff_only_past_4_gib() -> None:
    form = KeepForm(60_000, 20_000, 16, 4, TagBlock())
    offsets = np.full(form.tiles, form.head_length, np.uint64)
    lengths = np.full(form.tiles, 100, np.uint64)
    for last, big in ((2**32 - 101, False), (2**32 - 100, True), (2**33, True)):
        offsets[-1] = last
        head = form.head(offsets, lengths)
        assert (head[:3] == b"II+") is big
        assert len(head) <= form.head_length
    assert form.index(0, 0, form.levels - 1) == form.tiles - 1
    for bad in ((form.columns, 0, 0), (0, 0, form.levels), (-1, 0, 0)):
        with pytest.raises(ValueError, match="no tile"):
            form.index(*bad)


def test_the_format_is_known_beforehand() -> None:
    small = KeepForm(5000, 4000, 16, 4)
    middle = KeepForm(30_000, 16_000, 16, 4)
    large = KeepForm(60_000, 35_000, 16, 4)
    names = [choose_tiled(f.expected_bytes(), f.most_bytes).name for f in (small, middle, large)]
    assert names == ["TIFF", "TIFF or BigTIFF", "BigTIFF"]
    assert "past the 4 GiB" in choose_tiled(large.expected_bytes(), large.most_bytes).words
    assert need_format("JPEG", 65_500, 10).bits == 8
    with pytest.raises(OutputFailed, match=r"70,000 x 9,000.*65,535.*TIFF and BigTIFF and PNG would hold it"):
        need_format("JPEG", 70_000, 9_000)
    with pytest.raises(OutputFailed, match=r"4 GiB.*BigTIFF"):
        need_format("TIFF", 100_000, 50_000)


@given(
    bits=st.sampled_from([8, 16]),
    gammas=st.lists(st.floats(0.4, 3.0), min_size=3, max_size=3),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=25, deadline=None)
def test_codes_to_light_and_back_are_the_same(bits: int, gammas: list[float], seed: int) -> None:
    codes = np.random.default_rng(seed).integers(0, 2**bits, (20, 30, 4)).astype(f"u{bits // 8}")
    codes[..., 3] = np.maximum(codes[..., 3], 1)
    both = LightCodes([curve_table((g,)) for g in gammas], bits)
    found = both.codes(both.light(codes), 4)
    assert np.array_equal(found[..., 3], codes[..., 3])
    # steep curves squeeze the darkest codes of 16 bits closer than float32 over its coverage tells
    assert np.abs(found.astype(int) - codes).max() <= 1
    assert np.array_equal(both.codes(both.light(codes[..., :3]), 3), codes[..., :3])


def test_light_outside_the_table_is_held_and_level_curves_do_no_harm() -> None:
    both = LightCodes([np.clip(np.linspace(-0.2, 1.2, 1025), 0.0, 1.0)], 16)
    light = np.array([[[-1.0, 0.0, 0.5, 1.0], [1.0, 2.0, np.float32(1e-9), 1.0]]], np.float32)
    found = both.codes(light, 3)[0]
    assert found[0, 0] == found[0, 1] == 0
    assert abs(int(found[0, 2]) - 32768) <= 1
    assert found[1, 0] == found[1, 1]
    assert both.light(found[None].astype(np.uint16))[0, 1, 0] == 1.0
    assert curve_table(SRGB_CURVE)[0] == 0.0


def test_tags_are_carried_over_and_completed(tmp_path: Path) -> None:
    path, _ = stitched(tmp_path)
    out = tmp_path / "kept" / "bay.tif"
    out.parent.mkdir()
    keep_picture(path, out, workers=1)
    with Image.open(out) as image:  # another library than the writer
        main, exif = image.getexif(), image.getexif().get_ifd(0x8769)
        assert image.info["icc_profile"] == srgb_profile()
        assert image.info["dpi"] == (300.0, 300.0)
        packet = main[700]
    assert (main[271], main[272]) == ("Bodymaker", "Body 1")
    assert main[305].startswith("Belvedere ")
    assert (exif[0xA460], exif[0xA461]) == (2, (3, 2))  # general composite; frames, and those used
    assert (exif[0xA002], exif[0xA003]) == (700, 300)
    assert exif[0x9003] == "2024:05:06 07:08:09"
    assert (exif[0xA434], float(exif[0x920A])) == ("Lens 85 mm f/2", 85.0)  # from the report
    assert float(exif[0x829D]) == 8.0
    assert xmp_value(packet, IPTC_EXTENSION, "DigitalSourceType") == COMPOSITE_CAPTURE
    assert xmp_value(packet, XMP, "CreateDate") == "2024-05-06T07:08:09"
    assert float(xmp_value(packet, OWN, "fieldOfViewHorizontal") or 0) == pytest.approx(
        np.degrees(0.7), abs=1e-3
    )
    seen = pyvips.Image.new_from_file(str(out), revalidate=True)
    assert seen.get("xmp-data") == packet
    with open_picture(out) as again:  # and may be delivered in turn, with all that is known
        assert again.report is not None
        assert again.notices == ()
        assert (again.metadata.lens, again.metadata.focal_mm) == ("Lens 85 mm f/2", 85.0)


def test_what_was_invented_is_told(tmp_path: Path) -> None:
    path, _ = stitched(tmp_path, invented=({"plate_rect": [0, 0, 5, 5]},))
    keep_picture(path, tmp_path / "kept.tif", workers=1)
    with open_picture(tmp_path / "kept.tif") as picture:
        assert xmp_value(picture.xmp, IPTC_EXTENSION, "DigitalSourceType") == COMPOSITE_SYNTHETIC
    manifest = read_keep_manifest(manifest_path(tmp_path / "kept.tif"))
    assert manifest.digital_source_type == COMPOSITE_SYNTHETIC
    assert manifest.invented == ({"plate_rect": [0, 0, 5, 5]},)


def test_a_foreign_picture_keeps_what_it_says(tmp_path: Path) -> None:
    image = Image.fromarray(smooth_picture(80, 120, 8)[..., :3])
    exif = image.getexif()
    exif[315], exif[33432], exif[274] = "A. Name", "All rights A. Name", 1
    exif.get_ifd(0x8769)[0x829A] = 0.25
    exif.get_ifd(0x8825)[1] = "N"
    before, _ = xmp_packet(
        None, [Property(IPTC_EXTENSION, "DigitalSourceType", "x"), Property("urn:else#", "note", "kept")]
    )
    image.save(tmp_path / "f.jpg", exif=exif, xmp=before, quality=95)
    iptc = b"\x1c\x02\x78\x00\x05hello"
    tifffile.imwrite(
        tmp_path / "f.tif",
        smooth_picture(80, 120)[..., :3],
        photometric="rgb",
        extratags=[(33723, 7, len(iptc), iptc, True), (315, 2, 0, "A. Name", True)],
    )
    for name in ("f.jpg", "f.tif"):
        keep_picture(tmp_path / name, tmp_path / f"{name}.kept.tif", workers=1)
    with Image.open(tmp_path / "f.jpg.kept.tif") as kept:
        tags = kept.getexif()
        assert (tags[315], tags[33432]) == ("A. Name", "All rights A. Name")
        assert float(tags.get_ifd(0x8769)[0x829A]) == 0.25
        assert 0xA460 not in tags.get_ifd(0x8769)  # nothing is known of how it was made
        assert tags.get_ifd(0x8825)[1] == "N"
        assert xmp_value(tags[700], IPTC_EXTENSION, "DigitalSourceType") == "x"
        assert xmp_value(tags[700], "urn:else#", "note") == "kept"
        assert "dpi" not in kept.info or kept.info["dpi"] == (1, 1)  # not invented either
    with tifffile.TiffFile(tmp_path / "f.tif.kept.tif") as tiff:
        assert bytes(tiff.pages[0].tags[33723].value) == iptc
    assert not report_path(tmp_path / "f.tif.kept.tif").exists()


def test_a_jpegs_iptc_records_are_kept(tmp_path: Path) -> None:
    """Out of its APP13 segment, into tag 33723, read by Pillow in both."""
    records = b"\x1c\x02\x05\x00\x05hills" + b"\x1c\x02\x5a\x00\x07Nowhere"
    segment = records_segment(records)
    Image.fromarray(smooth_picture(40, 60, 8)[..., :3]).save(tmp_path / "f.jpg", extra=segment)
    keep(tmp_path / "f.jpg", tmp_path / "k.tif")
    for name in ("f.jpg", "k.tif"):
        with Image.open(tmp_path / name) as image:
            assert getiptcinfo(image) == {(2, 5): b"hills", (2, 90): b"Nowhere"}


def test_the_files_beside_it(tmp_path: Path) -> None:
    path, _ = stitched(tmp_path)
    out = tmp_path / "bay.keep.tif"
    manifest = keep_picture(path, out, workers=1)
    assert read_keep_manifest(manifest_path(out)) == manifest
    assert manifest.picture.sha256 == hashlib.sha256(out.read_bytes()).hexdigest()
    assert manifest.made_from.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [s.used for s in manifest.sources] == [True, True, False]
    report = read_report(report_path(out))
    assert report.picture is not None
    assert (report.picture.file, report.picture.file_bytes) == (out.name, out.stat().st_size)
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == [
        "bay.keep.manifest.json",
        "bay.keep.report.json",
        "bay.keep.tif",
        "bay.report.json",
        "bay.tif",
        "card",
    ]
    first = {p.name: p.read_bytes() for p in tmp_path.glob("bay.keep.*")}
    keep_picture(path, out, workers=2)  # made here: replaced without a word, and the same to the bit
    assert {p.name: p.read_bytes() for p in tmp_path.glob("bay.keep.*")} == first


def test_nothing_is_replaced_that_was_not_made_here(tmp_path: Path) -> None:
    path, _ = stitched(tmp_path)
    (tmp_path / "mine.tif").write_bytes(b"mine")
    (tmp_path / "folder.tif").mkdir()
    for out, why in (
        ("mine.tif", "add --replace"),
        ("bay.tif", "is the picture itself"),
        ("bay.tiff", "report would replace"),
        ("folder.tif", "is a folder"),
        ("bay.jpg", "written as TIFF"),
        ("nowhere/kept.tif", "there is no folder"),
    ):
        before = sorted(p.name for p in tmp_path.iterdir())
        with pytest.raises(OutputFailed, match=why):
            keep_picture(path, tmp_path / out, workers=1)
        assert sorted(p.name for p in tmp_path.iterdir()) == before
    assert (tmp_path / "mine.tif").read_bytes() == b"mine"
    keep_picture(path, tmp_path / "mine.tif", replace=True, workers=1)
    assert manifest_path(tmp_path / "mine.tif").exists()


@pytest.mark.parametrize("after", [0, 3, 20, 34])
def test_a_full_disk_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    path, _ = stitched(tmp_path)
    out = tmp_path / "kept.tif"
    keep(path, out)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
    written = 0
    plainly = tiff_module._write_all

    def full(file: Any, data: bytes) -> None:
        nonlocal written
        written += 1
        if written > after:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        plainly(file, data)

    monkeypatch.setattr(tiff_module, "_write_all", full)
    with pytest.raises(OutputFailed, match="the disk is full"):
        keep(path, out, workers=2)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()} == before


def test_too_little_space_is_told_before_anything_is_computed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, _ = stitched(tmp_path)
    monkeypatch.setattr(tiff_module, "free_bytes", lambda folder: 1000)
    monkeypatch.setattr(keep_file_module, "encode_tile", None)  # would fail if it came so far
    with pytest.raises(OutputFailed, match="the disk is too full"):
        keep_picture(path, tmp_path / "kept.tif", workers=1)
    assert finished_file_module.free_bytes(tmp_path) > 1000
    assert not list(tmp_path.glob(".*"))
    assert not (tmp_path / "kept.tif").exists()


@pytest.mark.parametrize("what", ["cut", "rewritten", "deleted"])
def test_a_picture_that_changes_midway(tmp_path: Path, what: str) -> None:
    path, codes = stitched(tmp_path)
    out = tmp_path / "kept.tif"
    length = path.stat().st_size

    def meddle(share: float) -> None:
        if what == "deleted":
            path.unlink(missing_ok=True)
        elif what == "cut":
            os.truncate(path, length // 3)
        else:
            os.utime(path, ns=(1, 1))

    if what == "deleted":
        keep(path, out, progress=meddle, workers=1)
        assert np.array_equal(tifffile.imread(out), codes)
        return
    with pytest.raises(BelvedereError, match=r"was changed|cut short"):
        keep(path, out, progress=meddle, workers=1)
    assert not out.exists()
    assert not list(tmp_path.glob(".*"))


def test_a_damaged_packet_is_left_out_and_said(tmp_path: Path) -> None:
    assert xmp_packet(b"<no", [Property(XMP, "CreatorTool", "B")])[1] is False
    for bad in (b'<!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>', b"\xff\xfe\x00", b"<x/>"):
        packet, kept = xmp_packet(bad, [Property(XMP, "CreatorTool", "B & <C>")])
        assert not kept
        assert xmp_value(packet, XMP, "CreatorTool") == "B & <C>"
    image = Image.fromarray(smooth_picture(20, 30, 8)[..., :3])
    image.save(tmp_path / "f.jpg", xmp=b"<no")
    with open_picture(tmp_path / "f.jpg") as picture:
        assert "damaged" in keep_tags(picture, "Belvedere").notices[0]


def test_a_packet_is_completed_and_nothing_else_in_it_touched() -> None:
    before = (
        b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
        b'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:own="urn:own#" xmp:CreatorTool="Old" xmp:Rating="4" '
        b'xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Orientation="6">'
        b"<own:list><rdf:Seq><rdf:li>a</rdf:li><rdf:li>b</rdf:li></rdf:Seq></own:list></rdf:Description>"
        b'</rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    )
    new = [Property(XMP, "CreatorTool", "New"), Property(XMP, "Rating", "1", replaces=False)]
    packet, kept = xmp_packet(before, new)
    assert kept
    assert xmp_value(packet, XMP, "CreatorTool") == "New"
    assert xmp_value(packet, XMP, "Rating") == "4"
    assert b"Orientation" not in packet
    assert b"<own:list><rdf:Seq><rdf:li>a</rdf:li><rdf:li>b</rdf:li></rdf:Seq></own:list>" in packet
    assert xmp_packet(packet, new)[0].count(b"<xmp:CreatorTool>") == 1
    assert msgspec.json.encode(xmp_value(packet, "urn:own#", "none")) == b"null"


_MEASURE = """
import sys
from pathlib import Path
from belvedere.deliver.iptc import records_segment
from belvedere.deliver.keep import keep_picture
keep_picture(Path(sys.argv[1]), Path(sys.argv[2]), workers=2, replace=True)
# not ru_maxrss: it remembers the process that began this one
print(next(line.split()[1] for line in Path("/proc/self/status").open() if line.startswith("VmHWM")))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peak memory is told in KiB on Linux alone")
def test_memory_does_not_grow_with_the_picture(tmp_path: Path) -> None:
    """13 and 52 megapixels, mostly uncovered so that deflate is quick: the samples take the same memory."""
    peaks = []
    for width, height in ((5_120, 2_560), (10_240, 5_120)):
        path = tmp_path / "p.tif"
        shown = smooth_picture(512, 512)

        def tiles(count: int, shown: Codes = shown) -> Any:
            for k in range(count):
                yield shown if k % 16 == 0 else np.zeros_like(shown)

        tifffile.imwrite(
            path,
            tiles(width // 512 * (height // 512)),
            shape=(height, width, 4),
            dtype="u2",
            tile=(512, 512),
            photometric="rgb",
            extrasamples=["unassalpha"],
            compression="adobe_deflate",
            compressionargs={"level": 1},
            predictor=2,
        )
        command = [sys.executable, "-c", _MEASURE, str(path), str(tmp_path / "out.tif")]
        run = subprocess.run(command, check=True, capture_output=True, text=True)
        peaks.append(int(run.stdout) * 1024)
    assert peaks[1] < 1 << 30
    assert peaks[1] < peaks[0] + (100 << 20)  # the pictures differ by 315 MB of samples

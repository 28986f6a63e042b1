"""Prints on disk: TIFF and PDF as other readers see them, all panels or none, the same bytes every time."""

from __future__ import annotations

import errno
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
import pypdfium2
import pytest
import pyvips
import tifffile
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import maximum_filter, minimum_filter

from belvedere.capture.primaries import srgb_profile
from belvedere.compose.report import CoverageReport, ExposureReport, report_path, write_report
from belvedere.deliver import print_file
from belvedere.deliver.paper_pdf import PaperPdf, _joined_adler
from belvedere.deliver.paper_profile import paper_profile
from belvedere.deliver.paper_size import PrintWish
from belvedere.deliver.paper_tiff import PaperTiff
from belvedere.deliver.picture import open_picture
from belvedere.deliver.print_file import make_print
from belvedere.deliver.print_plan import PaperOptions, panel_files, plan_print
from belvedere.deliver.print_words import enlarging_words, made_words, planned_words
from belvedere.deliver.tiff_samples import TiffSamples
from belvedere.errors import OutputFailed, PlanError, UnreadableFile
from tests import paper_profiles
from tests.kept_sets import report_of

_COTTON = paper_profile(paper_profiles.paper_profile(17), Path("cotton.icc"))
_PLAIN = PaperOptions(PrintWish(ppi=100.0), sharpen=False)


def _codes() -> NDArray[np.uint16]:
    y, x = np.mgrid[0:150, 0:320]
    out = np.full((150, 320, 4), 65535, np.uint16)
    out[..., 0], out[..., 1] = x * 200, y * 400
    out[..., 2] = 30000 + 20000 * np.sin(x / 9.0) * np.cos(y / 7.0)
    out[60:80, 200:240] = 0  # a hole
    return out


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    path = tmp_path / "picture.tif"
    tifffile.imwrite(
        path,
        _codes(),
        tile=(64, 64),
        compression="adobe_deflate",
        predictor=2,
        extrasamples=["unassalpha"],
        photometric="rgb",
        iccprofile=srgb_profile(),
        metadata=None,
    )
    return path


def _make(picture: Path, out: Path, options: PaperOptions, **more: Any) -> tuple[Path, ...]:
    with open_picture(picture) as opened:
        plan = plan_print(opened, out, options)
        return make_print(opened, plan, nodes=17, **more).files


def _on_white(codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
    return np.where(codes[..., 3:] > 0, codes[..., :3], np.uint16(65535))


def _rendered(file: Path, pixels_wide: int) -> NDArray[np.uint8]:
    document = pypdfium2.PdfDocument(file)
    page = document[0]
    out = np.asarray(page.render(scale=(pixels_wide - 0.01) / page.get_width()).to_pil().convert("RGB"))
    document.close()
    return out


def test_printed_pixel_for_pixel_the_codes_are_the_pictures(picture: Path, tmp_path: Path) -> None:
    (file,) = _make(picture, tmp_path / "print", _PLAIN)
    assert file.name == "print.tif"
    shown = tifffile.imread(file)
    assert np.abs(shown.astype(int) - _on_white(_codes())).max() <= 1
    assert (shown[60:80, 200:240] == 65535).all()


def test_every_reader_sees_the_same_tiff(picture: Path, tmp_path: Path) -> None:
    options = replace(_PLAIN, wish=PrintWish(ppi=100.0, bleed_mm=3.0), profile=_COTTON)
    (file,) = _make(picture, tmp_path / "p.tif", options)
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages[0]
        shown = page.asarray()
        assert not tiff.is_bigtiff
        assert page.tags[34675].value == _COTTON.data
        assert page.tags[282].value == (100, 1)
        assert page.tags[270].value == "p"
        assert shown.shape == (150 + 2 * (12 + 28), 320 + 2 * (12 + 28), 3)
    np.testing.assert_array_equal(cv2.imread(str(file), cv2.IMREAD_UNCHANGED)[..., ::-1], shown)
    np.testing.assert_array_equal(pyvips.Image.new_from_file(str(file), revalidate=True).numpy(), shown)
    with Image.open(file) as image:
        assert image.info["icc_profile"] == _COTTON.data
    assert (shown[:20, :20] == 65535).all()  # the slug is bare
    assert (shown == 0).all(axis=-1)[:, :28].any()  # and has marks


def test_a_pdf_shows_what_the_tiff_holds(picture: Path, tmp_path: Path) -> None:
    wish = PrintWish(ppi=100.0, wrap_mm=5.0, bleed_mm=3.0)
    for bits in (8, 16):
        options = replace(_PLAIN, wish=wish, bits=bits)
        (tiff,) = _make(picture, tmp_path / f"t{bits}", options)
        (pdf,) = _make(picture, tmp_path / f"p{bits}", replace(options, format="pdf"))
        held = tifffile.imread(tiff)
        held = (held >> 8).astype(np.uint8) if bits == 16 else held
        shown = _rendered(pdf, held.shape[1])
        assert shown.shape == held.shape
        inside = (slice(32, -32), slice(32, -32))  # marks are drawn as lines there, not as pixels
        assert np.abs(shown[inside].astype(int) - held[inside]).mean() < 3.0  # pdfium resamples


def test_a_pdfs_boxes_are_those_of_the_print(picture: Path, tmp_path: Path) -> None:
    options = replace(_PLAIN, wish=PrintWish(ppi=144.0, bleed_mm=3.0), format="pdf", profile=_COTTON)
    (file,) = _make(picture, tmp_path / "print", options)
    page = pypdfium2.PdfDocument(file)[0]
    slug, bleed = 40 / 2, 17 / 2  # px at 144 an inch to points
    width, height = 160 + 2 * bleed, 75 + 2 * bleed
    assert page.get_mediabox() == pytest.approx((0, 0, width + 2 * slug, height + 2 * slug))
    assert page.get_bleedbox() == pytest.approx((slug, slug, slug + width, slug + height))
    assert page.get_trimbox() == pytest.approx(
        (slug + bleed, slug + bleed, slug + bleed + 160, slug + bleed + 75)
    )
    data = file.read_bytes()
    assert b"/S /GTS_PDFX" in data  # the paper is a printer's
    assert b"/ICCBased 5 0 R" in data


@pytest.mark.parametrize("bits", [8, 16])
def test_a_large_picture_is_several_images_without_a_line_between(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bits: Any
) -> None:
    """Shown at any size as if it were one; every image holds its rows and one of the next's.

    PDFium puts each on whole pixels of the screen, so that detail moves by up to one of them.
    """
    options = replace(_PLAIN, wish=PrintWish(width_mm=200.0, ppi=100.0), format="pdf", bits=bits)
    (one,) = _make(picture, tmp_path / "one", options)
    monkeypatch.setattr(print_file, "_STRIP_BYTES", 1)  # strips of 8 rows
    monkeypatch.setattr("belvedere.deliver.paper_pdf.MOST_IMAGE_BYTES", 787 * 3 * bits // 8 * 100)
    (several,) = _make(picture, tmp_path / "several", options)
    assert several.read_bytes().count(b"/Subtype /Image") == 4  # 369 rows, 96 each
    for wide in (787, 400, 613, 1500):
        shown, wanted = _rendered(several, wide).astype(int), _rendered(one, wide).astype(int)
        least, most = minimum_filter(wanted, (3, 3, 1)), maximum_filter(wanted, (3, 3, 1))
        assert max((least - shown).max(), (shown - most).max()) <= 4, wide
        assert np.abs(shown - wanted).mean() < 1.0
    document = pypdfium2.PdfDocument(several)
    rows = [
        item.get_bitmap().height
        for item in document[0].get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_IMAGE])
    ]
    document.close()
    assert rows == [97, 97, 97, 369 - 3 * 96]


def test_a_page_too_long_for_a_pdf_has_a_larger_unit(picture: Path, tmp_path: Path) -> None:
    options = replace(_PLAIN, wish=PrintWish(width_mm=6000.0, ppi=5.0), format="pdf")
    (file,) = _make(picture, tmp_path / "print", options)
    assert b"/UserUnit 2" in file.read_bytes()
    assert pypdfium2.PdfDocument(file)[0].get_mediabox()[2] <= 14_400


def test_panels_put_together_are_the_print(picture: Path, tmp_path: Path) -> None:
    wish = PrintWish(width_mm=120.0, ppi=100.0, bleed_mm=3.0)
    options = replace(_PLAIN, wish=wish, marks=False, sharpen=True, spread_mm=0.06, profile=_COTTON)
    (whole,) = _make(picture, tmp_path / "whole", options)
    cut = replace(options, roll_mm=50.0, overlap_mm=8.0)
    with open_picture(picture) as opened:
        plan = plan_print(opened, tmp_path / "panel.tif", cut)
        files = make_print(opened, plan, nodes=17).files
    assert [f.name for f in files] == [f"panel-{k}-of-3.tif" for k in (1, 2, 3)]
    expected = tifffile.imread(whole)
    for panel, file in zip(plan.panels, files, strict=True):
        np.testing.assert_array_equal(tifffile.imread(file), expected[:, panel.image.x0 : panel.image.x1])


def test_panels_of_several_rows_put_together_are_the_print(picture: Path, tmp_path: Path) -> None:
    wish = PrintWish(width_mm=120.0, ppi=100.0, bleed_mm=3.0)
    options = replace(_PLAIN, wish=wish, sharpen=True, spread_mm=0.06)
    (whole,) = _make(picture, tmp_path / "whole", replace(options, marks=False))
    expected = tifffile.imread(whole)
    told: list[float] = []
    with open_picture(picture) as opened:
        cut = replace(options, roll_mm=55.0, longest_mm=50.0, overlap_mm=6.0)
        plan = plan_print(opened, tmp_path / "panel.tif", cut)
        files = make_print(opened, plan, progress=told.append, workers=2).files
    assert len(files) == 8
    for panel, file in zip(plan.panels, files, strict=True):
        shown, image, page = tifffile.imread(file), panel.image, panel.page
        assert shown.shape[:2] == (page.height, page.width)
        rows, columns = (slice(image.y0, image.y1), slice(image.x0, image.x1))
        slug = image.x0 - page.x0
        np.testing.assert_array_equal(shown[slug:-slug, slug:-slug], expected[rows, columns])
        around = shown.copy()
        around[slug:-slug, slug:-slug] = 65535
        assert set(np.unique(around)) == {0, 65535}  # marks and the label, or bare paper
    assert told == sorted(told)
    assert told[-1] == 1.0
    said = planned_words(plan)
    assert "8 panels, 4 across and 2 down, the sheets up to" in said
    assert "neighbours share 6 mm" in said


@pytest.mark.parametrize("kind", ["tiff", "pdf"])
def test_the_same_bytes_for_every_number_of_workers(picture: Path, tmp_path: Path, kind: Any) -> None:
    options = PaperOptions(
        PrintWish(width_mm=150.0, ppi=100.0, wrap_mm=4.0), profile=_COTTON, format=kind, spread_mm=0.06
    )
    made = []
    for workers in (1, 3, 3):
        (file,) = _make(picture, tmp_path / "print", options, workers=workers)
        made.append(file.read_bytes())
    assert made[0] == made[1] == made[2]


def test_inks_and_grey_are_written_as_such(picture: Path, tmp_path: Path) -> None:
    inks = paper_profile(bytes(pyvips.Image.profile_load("cmyk")), Path("inks.icc"))
    (tiff,) = _make(picture, tmp_path / "inks", replace(_PLAIN, profile=inks, marks=True))
    with tifffile.TiffFile(tiff) as opened:
        page = opened.pages[0]
        assert page.photometric.name == "SEPARATED"
        held = page.asarray()
        assert held.shape[-1] == 4
    assert (held[:5, :5] == 0).all()  # no ink
    assert (held[..., 3] == 65535).any()  # the marks: black ink alone
    (pdf,) = _make(picture, tmp_path / "inks", replace(_PLAIN, profile=inks, format="pdf"))
    shown = _rendered(pdf, 320)
    assert shown.shape == (150, 320, 3)
    assert (shown[62:78, 205:235] > 245).all()


def test_a_grey_picture_stays_grey(tmp_path: Path) -> None:
    path = tmp_path / "grey.tif"
    tifffile.imwrite(path, _codes()[..., 1], metadata=None)
    (file,) = _make(path, tmp_path / "print", _PLAIN)
    shown = tifffile.imread(file)
    assert np.abs(shown.astype(int) - _codes()[..., 1:2]).max() <= 1


def test_a_damaged_picture_leaves_nothing_half_written(picture: Path, tmp_path: Path) -> None:
    data = bytearray(picture.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 400] = bytes(400)
    picture.write_bytes(data)
    (tmp_path / "out").mkdir()
    with pytest.raises(UnreadableFile):
        _make(picture, tmp_path / "out" / "print", replace(_PLAIN, roll_mm=30.0))
    assert list((tmp_path / "out").iterdir()) == []


def test_a_disk_full_midway_leaves_nothing(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: PaperTiff, strip: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(PaperTiff, "put", full)
    (tmp_path / "out").mkdir()
    with pytest.raises(OutputFailed, match="the disk is full"):
        _make(picture, tmp_path / "out" / "print", _PLAIN)
    assert list((tmp_path / "out").iterdir()) == []


def test_what_does_not_fit_is_said_before(picture: Path, tmp_path: Path, monkeypatch: Any) -> None:
    with open_picture(picture) as opened:
        with pytest.raises(OutputFailed, match="this is the picture itself"):
            plan_print(opened, picture, _PLAIN)
        with pytest.raises(OutputFailed, match="there is no folder"):
            plan_print(opened, tmp_path / "none" / "p.tif", _PLAIN)
        huge = replace(_PLAIN, wish=PrintWish(width_mm=8e4, ppi=80.0), format="pdf")
        with pytest.raises(PlanError, match="a TIFF holds it; so would more panels, or 8 bits"):
            plan_print(opened, tmp_path / "p.pdf", huge)
        monkeypatch.setattr("belvedere.deliver.print_plan.free_bytes", lambda folder: 1000)
        with pytest.raises(OutputFailed, match="the disk is too full: the print needs about"):
            plan_print(opened, tmp_path / "p.tif", _PLAIN)


def test_a_pdf_that_grows_past_its_limit_is_none(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the plan foretells is what photographs usually take; noise takes more."""
    (file,) = _make(picture, tmp_path / "print", replace(_PLAIN, format="pdf"))
    with open_picture(picture) as opened:
        plan = plan_print(opened, tmp_path / "again.pdf", replace(_PLAIN, format="pdf"))
        monkeypatch.setattr("belvedere.deliver.paper_pdf.MOST_BYTES", file.stat().st_size - 1)
        with pytest.raises(PlanError, match="has grown past 10 GB"):
            make_print(opened, plan)
    assert {f.suffix for f in tmp_path.iterdir()} == {".tif", ".pdf"}
    assert not (tmp_path / "again.pdf").exists()
    monkeypatch.setattr("belvedere.deliver.paper_pdf.MOST_BYTES", file.stat().st_size)
    _make(picture, tmp_path / "again.pdf", replace(_PLAIN, format="pdf"))


def test_every_tile_is_decoded_once(picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    decoded: list[int] = []
    decode = TiffSamples._decode

    def noted(self: TiffSamples, index: int, row: int) -> NDArray[Any]:
        decoded.append(index)
        return decode(self, index, row)

    monkeypatch.setattr(TiffSamples, "_decode", noted)
    _make(picture, tmp_path / "print", replace(_PLAIN, wish=PrintWish(width_mm=50.0, bleed_mm=3.0)))
    assert sorted(decoded) == list(range(3 * 5))  # 320 x 150 px in tiles of 64


@pytest.mark.parametrize("kind", ["tiff", "pdf"])
def test_only_prints_are_replaced_unasked(picture: Path, tmp_path: Path, kind: Any) -> None:
    (file,) = _make(picture, tmp_path / "print", replace(_PLAIN, format=kind))
    assert _make(picture, file, replace(_PLAIN, format=kind)) == (file,)
    file.write_bytes(picture.read_bytes())
    with pytest.raises(OutputFailed, match="is no print made here"):
        _make(picture, file, replace(_PLAIN, format=kind))
    with open_picture(picture) as opened:
        assert plan_print(opened, file, replace(_PLAIN, format=kind), replace=True).files == (file,)


def test_the_words_tell_what_there_is(picture: Path, tmp_path: Path) -> None:
    options = PaperOptions(
        PrintWish(width_mm=300.0, ppi=100.0, wrap_mm=10.0), profile=_COTTON, roll_mm=80.0, overlap_mm=5.0
    )
    with open_picture(picture) as opened:
        plan = plan_print(opened, tmp_path / "p", options)
        made = make_print(opened, plan, nodes=17)
    said = planned_words(plan)
    assert "On paper: 300 x 141 mm" in said
    assert "10 mm to turn over the stretcher, where the picture's rim is mirrored" in said
    assert "6 panels, the sheets up to " in said
    assert "mm high; neighbours share 5 mm, cut through their middle" in said
    assert "27 pixels per printed inch; how many pixels of the frames stand behind them is not known" in said
    assert "No detail is gained" in (enlarging_words(plan) or "")
    assert "Invented cotton paper" in made_words(plan, made)
    assert "The paper cannot show" in made_words(plan, made)


def test_a_picture_fitted_into_both_sides_says_what_it_leaves(picture: Path, tmp_path: Path) -> None:
    wish = PrintWish(width_mm=200.0, height_mm=200.0, margin_mm=10.0)
    with open_picture(picture) as opened:
        said = planned_words(plan_print(opened, tmp_path / "p", PaperOptions(wish)))
        fits = planned_words(plan_print(opened, tmp_path / "p", PaperOptions(replace(wish, height_mm=None))))
    assert "10 mm of it margin on every side, the whole picture 180 x 84 mm in it" in said
    assert "whole picture" not in fits


def test_what_is_bare_in_the_picture_is_said_before(picture: Path, tmp_path: Path) -> None:
    file = ExposureReport(file="1.jpg", sha256="0" * 64)
    report = report_of(picture, 320, 150, [file] * 2, coverage=CoverageReport(covered_fraction=0.87))
    write_report(report, report_path(picture))
    with open_picture(picture) as opened:
        plan = plan_print(opened, tmp_path / "p", PaperOptions(PrintWish(ppi=100.0, bleed_mm=3.0)))
        assert plan.notices == ()
        (remark,) = plan.remarks
        assert remark.startswith(
            "13 % of the picture's rectangle was not photographed and stays bare paper, "
        )
        assert "also where it is turned over or cut; crop the picture first" in remark
        whole = msgspec.structs.replace(report, coverage=CoverageReport(covered_fraction=1.0))
    write_report(whole, report_path(picture))
    with open_picture(picture) as opened:
        assert plan_print(opened, tmp_path / "p", PaperOptions(PrintWish(ppi=100.0))).remarks == ()


def test_a_pdf_beyond_what_some_readers_count_is_said_before(picture: Path, tmp_path: Path) -> None:
    wish = PrintWish(width_mm=6e3, ppi=200.0)
    with open_picture(picture) as opened:
        pdf = plan_print(opened, tmp_path / "p", PaperOptions(wish, format="pdf"))
        tiff = plan_print(opened, tmp_path / "p", PaperOptions(wish))
    assert "is more than some readers open, which end at 2 GB" in pdf.remarks[0]
    assert tiff.remarks == ()


def test_names_of_files() -> None:
    assert panel_files(Path("a.b"), "pdf", 1) == (Path("a.b.pdf"),)
    assert panel_files(Path("x/a.TIF"), "tiff", 1) == (Path("x/a.TIF"),)
    assert panel_files(Path("a"), "tiff", 12)[1] == Path("a-02-of-12.tif")


def test_checksums_of_parts_are_joined() -> None:
    """Against zlib's own of the whole."""
    rng = np.random.default_rng(1)
    for cut in (0, 1, 70_000, 200_000):
        data = rng.bytes(200_000)
        parts = [zlib.adler32(data[:cut]), zlib.adler32(data[cut:])]
        assert _joined_adler(parts[0], parts[1], len(data) - cut) == zlib.adler32(data)


def test_both_kinds_of_sheet_are_used_alike() -> None:
    public = {name for name in vars(PaperTiff) if not name.startswith("_")}
    assert public == {name for name in vars(PaperPdf) if not name.startswith("_")}
    assert print_file.make_print is make_print

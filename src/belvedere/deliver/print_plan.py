"""What a print's files will be: worked out, and checked, before the first pixel is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tifffile import TiffFile, TiffFileError

import belvedere
from belvedere.compose.finished_file import disk_space, free_bytes, output_failed
from belvedere.deliver.colour_conversion import Intent
from belvedere.deliver.panels import Panel, cut_into_panels
from belvedere.deliver.paper_pdf import MOST_BYTES
from belvedere.deliver.paper_profile import PaperProfile
from belvedere.deliver.paper_size import PrintLayout, PrintWish, lay_out
from belvedere.deliver.picture import Picture
from belvedere.deliver.print_sharpening import (
    ARMS_LENGTH_M,
    NO_SHARPENING,
    SPREAD_MM,
    Sharpening,
    print_sharpening,
)
from belvedere.deliver.resample import Kernel
from belvedere.deliver.true_resolution import TrueResolution, true_resolution
from belvedere.errors import OutputFailed, PlanError
from belvedere.optics.file_limits import deflated_bytes

Format = Literal["tiff", "pdf"]

SOFTWARE = f"Belvedere {belvedere.__version__} (print)"
"""What made the files, as they say it themselves."""

_PDF_TAIL = 4096  # the information dictionary lies within the end of the file
_SUFFIX: dict[Format, str] = {"tiff": ".tif", "pdf": ".pdf"}
_READ_EVERYWHERE = 2**31 - 1  # places in a file that a signed number of 32 bits holds
_WHOLE = 0.995  # covered so far, nobody would see what is not
_NO_PRINT = {".png", ".jpg", ".jpeg", ".jxl", ".avif", ".webp", ".heic", ".dng", ".icc"}
_TYPICAL_RATIO = {8: 0.5, 16: 0.76}  # deflated over raw, as `compose.picture_format` has measured it


@dataclass(frozen=True)
class PaperOptions:
    """All that is asked of a print's files.

    Parameters
    ----------
    wish : PrintWish
        Size, margins, wrap, bleed.
    profile : PaperProfile or None
        Of the paper; None: the picture's own colours stay.
    intent : str
        Rendering intent.
    black_point : bool
        Black point compensation.
    roll_mm, longest_mm, overlap_mm : float or None, float or None, float
        Width of the roll; longest piece along it; picture that neighbouring panels share.
    marks : bool or None
        Trim marks; None: where something is to be cut or folded.
    sharpen : bool
        Whether to make up for what the paper takes.
    distance_m, spread_mm : float
        For the sharpening; see `print_sharpening`.
    format : str
        "tiff" or "pdf".
    bits : int
        8 or 16 a sample.
    kernel : str
        Of the resampling.
    """

    wish: PrintWish
    profile: PaperProfile | None = None
    intent: Intent = "relative"
    black_point: bool = True
    roll_mm: float | None = None
    longest_mm: float | None = None
    overlap_mm: float = 0.0
    marks: bool | None = None
    sharpen: bool = True
    distance_m: float = ARMS_LENGTH_M
    spread_mm: float = SPREAD_MM["gloss"]
    format: Format = "tiff"
    bits: Literal[8, 16] = 16
    kernel: Kernel = "lanczos3"


@dataclass(frozen=True)
class PrintPlan:
    """What will be made, known before the first pixel.

    Parameters
    ----------
    options : PaperOptions
    layout : PrintLayout
    panels : tuple of Panel
    files : tuple of Path
        One a panel.
    resolution : TrueResolution
    sharpening : Sharpening
    expected_bytes : int
        Of all files, about.
    notices : tuple of str
        What could not be known, one sentence each.
    remarks : tuple of str
        What is better known before the print is ordered, likewise.
    """

    options: PaperOptions
    layout: PrintLayout
    panels: tuple[Panel, ...]
    files: tuple[Path, ...]
    resolution: TrueResolution
    sharpening: Sharpening
    expected_bytes: int
    notices: tuple[str, ...]
    remarks: tuple[str, ...] = ()


def plan_print(picture: Picture, out: Path, options: PaperOptions, *, replace: bool = False) -> PrintPlan:
    """Work out sizes, panels, true resolution and files; reads no pixel.

    Parameters
    ----------
    picture : Picture
    out : Path
        The file; with several panels, "-1-of-3" and so on come before its suffix.
    options : PaperOptions
    replace : bool
        Whether files may be replaced that are no prints of Belvedere's.

    Raises
    ------
    PlanError
        If the print cannot be made so; says what can be.
    OutputFailed
        If a file would replace the picture, or what is no print, or the disk has too little room.
    """
    if out.suffix.lower() in _NO_PRINT:
        raise OutputFailed(f"{out}: prints are TIFF or PDF. Choose a name that ends in .tif or .pdf.")
    layout = lay_out(picture.width, picture.height, options.wish)
    cut = options.wish.wrap_mm > 0.0 or options.wish.bleed_mm > 0.0 or options.roll_mm is not None
    marks = cut if options.marks is None else options.marks
    panels = cut_into_panels(
        layout,
        roll_mm=options.roll_mm,
        longest_mm=options.longest_mm,
        overlap_mm=options.overlap_mm,
        marks=marks,
    )
    files = panel_files(out, options.format, len(panels))
    channels = 3 if options.profile is None else options.profile.channels
    ratio = _TYPICAL_RATIO[options.bits]
    sizes = [
        deflated_bytes(p.page.width, p.page.height, samples=channels, bits=options.bits, ratio=ratio)
        for p in panels
    ]
    if options.format == "pdf" and max(sizes) > MOST_BYTES:
        raise PlanError(
            f"the PDF would take about {disk_space(max(sizes))}, and a PDF's table of offsets ends at 10 GB",
            "a TIFF holds it; so would more panels" + (", or 8 bits a sample" if options.bits == 16 else ""),
        )
    for file in files:
        _check_place(file, picture.path, replace=replace)
    _check_room(files[0], sum(sizes))
    notices = list(picture.notices)
    if picture.icc is None:
        notices.append(f"{picture.path.name} has no colour profile: its numbers are taken as sRGB")
    sharpening = (
        print_sharpening(options.wish.ppi, options.distance_m, options.spread_mm)
        if options.sharpen
        else NO_SHARPENING
    )
    return PrintPlan(
        options,
        layout,
        panels,
        files,
        true_resolution(layout, picture.width, picture.height, picture.report),
        sharpening,
        sum(sizes),
        tuple(notices),
        tuple(_remarks(picture, options, max(sizes))),
    )


def _remarks(picture: Picture, options: PaperOptions, largest_bytes: int) -> Iterator[str]:
    covered = picture.report.coverage.covered_fraction if picture.report is not None else 1.0
    if covered < _WHOLE:
        wish = options.wish
        past = ", also where it is turned over or cut" if wish.wrap_mm or wish.bleed_mm else ""
        yield (
            f"{100.0 * (1.0 - covered):.0f} % of the picture's rectangle was not photographed and stays bare "
            f"paper{past}; crop the picture first if that is not wanted"
        )
    if options.format == "pdf" and largest_bytes > _READ_EVERYWHERE:
        yield (
            f"a PDF of about {disk_space(largest_bytes)} is more than some readers open, which end at 2 GB; "
            "ask the print house, or take --as tiff" + (" or --bits 8" if options.bits == 16 else "")
        )


def panel_files(out: Path, kind: Format, count: int) -> tuple[Path, ...]:
    """Names of the panels' files: `out` with the format's suffix, numbered where there are several."""
    suffix = out.suffix if out.suffix.lower() in (".tif", ".tiff", ".pdf") else _SUFFIX[kind]
    stem = out.name.removesuffix(out.suffix) if suffix == out.suffix else out.name
    if count == 1:
        return (out.with_name(stem + suffix),)
    digits = len(str(count))
    return tuple(out.with_name(f"{stem}-{k:0{digits}d}-of-{count}{suffix}") for k in range(1, count + 1))


def _check_place(file: Path, picture: Path, *, replace: bool) -> None:
    if file.exists() and file.samefile(picture):
        raise OutputFailed(f"{file}: this is the picture itself. Choose another name for the print.")
    if file.is_dir():
        raise OutputFailed(f"{file}: this is a folder. Choose a file name.")
    if file.exists() and not replace and not _is_print(file):
        raise OutputFailed(
            f"{file}: is there already and is no print made here. Choose another name, or add --replace."
        )


def _is_print(file: Path) -> bool:
    """Whether a file there names this software as the maker of prints."""
    try:
        if file.suffix.lower() == ".pdf":
            with file.open("rb") as stream:
                stream.seek(max(0, file.stat().st_size - _PDF_TAIL))
                return SOFTWARE.encode("utf-16-be").hex().upper().encode() in stream.read()
        with TiffFile(file) as tiff:
            tag = tiff.pages.first.tags.get(305)  # Software
            return tag is not None and tag.value == SOFTWARE
    except (OSError, ValueError, IndexError, TiffFileError):
        return False


def _check_room(file: Path, needed: int) -> None:
    try:
        free = free_bytes(file.absolute().parent)
    except OSError as error:
        raise output_failed(file, error) from error
    if free < needed:
        raise OutputFailed(
            f"{file}: the disk is too full: the print needs about {disk_space(needed)}, "
            f"{disk_space(free)} is free. Free some space or write to another disk."
        )

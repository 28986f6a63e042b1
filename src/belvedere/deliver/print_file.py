"""A picture made into files for the printer, one a panel, in one pass and in bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.icc import TABLE_SIZE, read_profile
from belvedere.capture.primaries import srgb_profile
from belvedere.compose.encode import Encoder
from belvedere.compose.finished_file import finished_file
from belvedere.deliver.colour_conversion import NODES, ColourConversion, colour_conversion
from belvedere.deliver.gamut_check import GamutShare, out_of_gamut
from belvedere.deliver.paper_form import PaperForm
from belvedere.deliver.paper_ink import PaperInk
from belvedere.deliver.paper_pdf import PaperPdf
from belvedere.deliver.paper_profile import PaperProfile
from belvedere.deliver.paper_size import PrintLayout
from belvedere.deliver.paper_tiff import PaperTiff
from belvedere.deliver.picture import Picture, processors
from belvedere.deliver.print_lines import PrintLines
from belvedere.deliver.print_plan import SOFTWARE, PrintPlan

_STRIP_BYTES = 12 << 20  # of light, a strip that is worked on at once
_LEAST_ROWS, _MOST_ROWS = 8, 128
_LOOKED_AT = 512  # rows and columns of the sample of colours, about

Sheet = PaperTiff | PaperPdf


@dataclass(frozen=True)
class PrintMade:
    """What was made.

    Parameters
    ----------
    files : tuple of Path
    gamut : GamutShare or None
        What the paper cannot show; None where colours were not converted.
    conversion : ColourConversion or None
    """

    files: tuple[Path, ...]
    gamut: GamutShare | None
    conversion: ColourConversion | None


def make_print(
    picture: Picture,
    plan: PrintPlan,
    *,
    workers: int | None = None,
    progress: Callable[[float], None] | None = None,
    nodes: int = NODES,
) -> PrintMade:
    """Make the files, all or none.

    Parameters
    ----------
    picture : Picture
        The one the plan is of.
    plan : PrintPlan
    workers : int, optional
        Threads; one a processor if not given. The files do not depend on it.
    progress : callable, optional
        Told the share of rows done, 0 to 1.
    nodes : int
        Of the lattice of colours.

    Raises
    ------
    UnreadableFile
        If the picture is damaged, or goes away meanwhile.
    OutputFailed
        If a file cannot be written.
    BelvedereError
        If the profiles do not go together.
    """
    options, layout = plan.options, plan.layout
    source = picture.icc if picture.icc is not None else srgb_profile()
    paper = options.profile or _own_paper(source)
    conversion = None
    if options.profile is not None and options.profile.data != source:
        conversion = colour_conversion(
            source, paper, intent=options.intent, black_point=options.black_point, nodes=nodes
        )
    curve = _whole_curve(picture.transfer.to_linear)
    gamut = None if conversion is None else out_of_gamut(_sampled(picture), conversion)
    ink = PaperInk(Encoder(curve), paper, conversion, plan.sharpening, options.bits)
    count = workers or processors()
    rows = min(max(_STRIP_BYTES // (layout.width * 16), _LEAST_ROWS), _MOST_ROWS)
    kind = PaperTiff if options.format == "tiff" else PaperPdf
    with ThreadPoolExecutor(count) as pool, ExitStack() as files:
        lines = PrintLines(picture, layout, _every_code(curve, picture.bits), pool, count, options.kernel)
        sheets: list[Sheet] = [
            kind(
                files.enter_context(finished_file(file)),
                PaperForm(panel, paper, options.bits, layout.ppi, rows, SOFTWARE, file.stem),
            )
            for file, panel in zip(plan.files, plan.panels, strict=True)
        ]
        tall = sum(row[0].last_row - row[0].first_row for row in _rows_of(sheets))
        made = 0
        for abreast in _rows_of(sheets):
            for count_done in _write(lines, ink, abreast, layout, pool, count):
                if progress is not None:
                    progress((made + count_done) / tall)
            made += abreast[0].last_row - abreast[0].first_row
        for sheet in sheets:
            sheet.close()
    return PrintMade(plan.files, gamut, conversion)


def _rows_of(sheets: list[Sheet]) -> list[list[Sheet]]:
    """The sheets that lie side by side, and so are written together, row by row."""
    return [list(row) for _, row in groupby(sheets, key=lambda sheet: sheet.form.panel.row)]


def _write(
    lines: PrintLines,
    ink: PaperInk,
    sheets: list[Sheet],
    layout: PrintLayout,
    pool: ThreadPoolExecutor,
    workers: int,
) -> Iterator[int]:
    """Every strip of sheets side by side, from the top, a few at a time in the making; tells rows done."""
    reach, form = ink.sharpening.reach, sheets[0].form
    first, last, rows, image = sheets[0].first_row, sheets[0].last_row, form.rows, form.panel.image

    def strips(light: NDArray[np.float32] | None, top: int, start: int, stop: int) -> list[bytes]:
        codes: NDArray[Any] = (
            np.empty((0, layout.width, ink.paper.channels), np.uint8 if ink.bits == 8 else np.uint16)
            if light is None
            else ink.codes(light)
        )
        return [sheet.strip(codes, top, start, stop) for sheet in sheets]

    waiting: deque[Future[list[bytes]]] = deque()

    def put() -> None:
        for sheet, strip in zip(sheets, waiting.popleft().result(), strict=True):
            sheet.put(strip)

    try:
        for start in range(first, last, rows):
            stop = min(start + rows, last)
            top, bottom = max(start, image.y0), min(stop, image.y1)
            light = lines.light(top - reach, bottom + reach) if top < bottom else None
            waiting.append(
                pool.submit(strips, light, max(top, start) if top < bottom else start, start, stop)
            )
            while len(waiting) > workers:
                put()
            yield stop - first
        while waiting:
            put()
    finally:
        for future in waiting:
            future.cancel()


def _own_paper(source: bytes) -> PaperProfile:
    """The picture's own profile as that of the print; sRGB where it is damaged."""
    read = read_profile(source)
    if read is None or read.space not in ("RGB", "GRAY"):
        return PaperProfile("sRGB", srgb_profile(), "RGB", False)
    return PaperProfile(read.name, source, read.space, source[12:16] == b"prtr")


def _whole_curve(curve: NDArray[np.float32]) -> NDArray[np.float32]:
    """The curve from 0 to 1, as the encoder wants it; a profile's curve may start a hair above 0."""
    values = curve.astype(np.float64)
    whole: NDArray[np.float32] = np.asarray((values - values[0]) / (values[-1] - values[0]), np.float32)
    whole[0], whole[-1] = 0.0, 1.0
    return whole


def _every_code(curve: NDArray[np.float32], bits: int) -> NDArray[np.float32]:
    """Linear light of every code."""
    codes = np.linspace(0.0, TABLE_SIZE - 1.0, 2**bits)
    light = np.interp(codes, np.arange(TABLE_SIZE), curve.astype(np.float64))
    return np.asarray(light, np.float32)


def _sampled(picture: Picture) -> NDArray[np.uint16]:
    """A fair sample of the picture, evenly spread squares, codes and coverage: (1, n, 4), uint16."""
    side = 32
    across_, down_ = (max(1, min(_LOOKED_AT // side, n // side)) for n in (picture.width, picture.height))
    parts = []
    for j in range(down_):
        for i in range(across_):
            x = (2 * i + 1) * picture.width // (2 * across_) - side // 2
            y = (2 * j + 1) * picture.height // (2 * down_) - side // 2
            x, y = max(x, 0), max(y, 0)
            part = picture.read(x, y, min(x + side, picture.width), min(y + side, picture.height))
            parts.append(part.reshape(-1, part.shape[-1]))
    seen = np.concatenate(parts)[None]
    scale = 257 if picture.bits == 8 else 1
    out = np.full((*seen.shape[:2], 4), 65535, np.uint16)
    out[..., : seen.shape[-1]] = seen.astype(np.uint16) * np.uint16(scale)
    return out

"""A picture to deliver: its samples in any rectangle, what it carries, and the report beside it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.containers import container_of
from belvedere.capture.exif import settings, tags_of_block
from belvedere.capture.frame import Metadata
from belvedere.capture.metadata import read_metadata
from belvedere.capture.primaries import wide_profile
from belvedere.capture.tiff_pages import frame_page, open_tiff
from belvedere.capture.transfer import Transfer, read_transfer
from belvedere.compose.report import Report, read_report, report_path
from belvedere.deliver.embedded import Embedded, jpeg_embedded, png_embedded, tiff_embedded
from belvedere.deliver.samples import Samples
from belvedere.deliver.shown_light import ShownLight, is_linear
from belvedere.deliver.tag_block import ICC, TagBlock, block_bytes
from belvedere.deliver.tiff_samples import TiffSamples
from belvedere.deliver.whole_samples import WholeSamples
from belvedere.errors import UnreadableFile
from belvedere.geometry.orientation import display_axes, displayed, is_sideways

_RAW = (
    "is a raw file or a linear DNG, which is not delivered as it is: develop it to a 16-bit TIFF with your "
    "raw software, or stitch the set with --as linear-tiff, and deliver that"
)
_FLOAT_TO_KEEP = (
    "holds floating-point light, and copies to keep have 16 bits a sample at most; "
    "keep this file itself, with its report"
)
_FLOAT_OF_WHAT = (
    "holds floating-point samples without a profile that tells what light they stand for; export it with "
    "16 bits a sample, or with a linear RGB profile"
)
_SHOWN = "the picture holds linear light: its profile's white is shown as white, and so is what is brighter"


class Picture:
    """A picture on disk, as displayed (its Orientation applied), for any number of threads.

    Made by `open_picture`.

    Attributes
    ----------
    path : Path
    width, height : int
        px as displayed.
    bits : int
        Bits a sample, 8 or 16.
    has_coverage : bool
        Whether `read` gives a fourth sample, the unassociated coverage.
    icc : bytes or None
        ICC profile of the samples.
    pixels_per_inch : float or None
        Print resolution as noted in the file.
    tags : TagBlock
        Its tags value for value: `tags.main`, `tags.exif`, `tags.gps`. Those of the main directory that tell
        of the samples' layout are among them, and so is Orientation as stored.
    xmp, iptc : bytes or None
        XMP packet; IPTC-IIM records.
    metadata : Metadata
        What the tags say of the exposure.
    report : Report or None
        The stitch's own report, where it lies beside the picture and tells of it.
    notices : tuple of str
        What could not be known, and why, one sentence each.
    step : int
        Rows that are decoded at once: reading in bands of a multiple of it, from a multiple of it, decodes
        everything once.
    in_squares : bool
        Whether reading a small square costs no more than its share; not so where strips are compressed.
    """

    def __init__(
        self,
        path: Path,
        samples: Samples,
        embedded: Embedded,
        metadata: Metadata,
        notices: tuple[str, ...] = (),
    ) -> None:
        self.path = path
        self.metadata = metadata
        self._samples = samples
        self._sideways = is_sideways(metadata.orientation)
        self.width, self.height = metadata.width, metadata.height
        self.bits, self.has_coverage = samples.bits, samples.has_coverage
        self.icc = metadata.profile
        self.pixels_per_inch = embedded.pixels_per_inch
        self.tags: TagBlock = embedded.tags
        self.xmp, self.iptc = embedded.xmp, embedded.iptc
        self.step = samples.step if metadata.orientation == 1 else 1
        self.in_squares = samples.in_squares
        self.report, others = _report_beside(path, self.width, self.height)
        self.notices = (*notices, *others)

    @property
    def channels(self) -> int:
        """Samples a pixel that `read` gives: 3, or 4 with coverage."""
        return 4 if self.has_coverage else 3

    @property
    def transfer(self) -> Transfer:
        """The curve from codes to linear light, by the profile, else by Exif ColorSpace, else sRGB's."""
        return read_transfer(self.metadata)

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """Samples of a rectangle, x1 and y1 excluded.

        Returns
        -------
        ndarray of shape (y1 - y0, x1 - x0, 3 or 4), uint8 or uint16
            Red, green, blue, and coverage where `has_coverage`; grey in three equal channels.

        Raises
        ------
        ValueError
            If the rectangle is empty or not within the picture.
        UnreadableFile
            If the file is damaged there, or has become shorter since it was opened.
        """
        if not (0 <= x0 < x1 <= self.width and 0 <= y0 < y1 <= self.height):
            raise ValueError(f"({x0}, {y0}, {x1}, {y1}) is no rectangle of {self.width} x {self.height} px")
        orientation = self.metadata.orientation
        if orientation == 1:
            return self._samples.read(x0, y0, x1, y1)
        axes = display_axes(orientation)
        flip_x, flip_y = bool(axes[0].sum() < 0), bool(axes[1].sum() < 0)
        if flip_x:
            x0, x1 = self.width - x1, self.width - x0
        if flip_y:
            y0, y1 = self.height - y1, self.height - y0
        box = (y0, x0, y1, x1) if self._sideways else (x0, y0, x1, y1)
        return np.ascontiguousarray(displayed(self._samples.read(*box), orientation))

    def encoded_tile(self, column: int, row: int, side: int) -> bytes | None:
        """A tile's bytes where the file holds it as `compose.tile_code.encode_tile` would write it, or None.

        What `read` gives of the tile has the same codes. Raises UnreadableFile as it does.
        """
        if self.metadata.orientation != 1 or not isinstance(self._samples, TiffSamples):
            return None
        return self._samples.encoded_tile(column, row, side)

    def bands(self, height: int | None = None) -> Iterator[tuple[int, NDArray[Any]]]:
        """The whole picture from the top, in bands of full width.

        Parameters
        ----------
        height : int, optional
            Rows of a band; the last may be lower. `step`, or 256 where that is less, if not given.

        Yields
        ------
        (int, ndarray of shape (h, width, 3 or 4))
            First row, and samples as `read` gives them.
        """
        rows = height or max(self.step, 256)
        for y in range(0, self.height, rows):
            yield y, self.read(0, y, self.width, min(self.height, y + rows))

    def close(self) -> None:
        """Let go of the file."""
        self._samples.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_picture(
    path: Path, *, workers: int | None = None, cache_bytes: int = 64 << 20, as_stored: bool = False
) -> Picture:
    """Open a TIFF, PNG or JPEG picture, and the report beside it.

    A TIFF, classic or Big, is read in pieces whatever its size; it stays open, and readable though it be
    deleted. PNG and JPEG are decoded whole, up to `whole_samples.MOST_BYTES`. A TIFF of linear light, in 16
    bits or in floating point, is given as `ShownLight` makes it, with the profile that goes with that.

    Parameters
    ----------
    path : Path
    workers : int, optional
        Threads that decode one large rectangle; one a processor if not given.
    cache_bytes : int
        Decoded tiles kept for the next rectangle.
    as_stored : bool
        Give codes of linear light as they are; then floating-point samples are refused.

    Raises
    ------
    UnreadableFile
        If it is missing, no such picture, cut short, too large for its kind, or of samples that are not read.
    """
    kind = container_of(path)
    if kind == "tiff":
        return _open_tiff(path, workers or processors(), cache_bytes, as_stored=as_stored)
    if kind == "raw":
        raise UnreadableFile(path, _RAW)
    if kind == "heif":
        raise UnreadableFile(path, "is a HEIF file; TIFF, PNG and JPEG pictures are delivered")
    metadata = read_metadata(path)
    read: Callable[[Path], Embedded] = png_embedded if kind == "png" else jpeg_embedded
    try:
        embedded = read(path)
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read ({error.strerror or error})") from error
    return Picture(path, WholeSamples(path, kind, metadata), embedded, metadata)


def _open_tiff(path: Path, workers: int, cache_bytes: int, *, as_stored: bool) -> Picture:
    with open_tiff(path) as tiff:
        page = frame_page(tiff, path)
        stored = TiffSamples(page, path, workers=workers, cache_bytes=cache_bytes)
        try:
            embedded = tiff_embedded(path, int(page.offset))
        except OSError as error:
            stored.close()
            raise UnreadableFile(path, f"cannot be read ({error.strerror or error})") from error
    found = embedded.tags.find(ICC)
    profile = found.data if found is not None else None
    samples: Samples = stored
    notices: tuple[str, ...] = ()
    if stored.bits == 32 and (as_stored or not is_linear(profile)):
        stored.close()
        raise UnreadableFile(path, _FLOAT_TO_KEEP if as_stored else _FLOAT_OF_WHAT)
    if stored.bits != 8 and not as_stored and profile is not None and is_linear(profile):
        samples, profile = ShownLight(stored, profile), wide_profile()
        notices = (_SHOWN,)
    tags = tags_of_block(block_bytes(embedded.tags))
    metadata = Metadata(
        stored_width=samples.width,
        stored_height=samples.height,
        bits=samples.bits,
        profile=profile,
        **settings(tags, samples.width, samples.height),
    )
    return Picture(path, samples, embedded, metadata, notices)


def processors() -> int:
    """Processors this process may run on."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


def _report_beside(path: Path, width: int, height: int) -> tuple[Report | None, tuple[str, ...]]:
    """The report of this picture, or None and why there is none that can be used."""
    beside = report_path(path)
    if not beside.exists():
        return None, (f"{beside.name} is not there: how the picture was made is not known",)
    try:
        report = read_report(beside)
    except UnreadableFile as error:
        return None, (f"{beside.name} {error.why}: how the picture was made is not known",)
    named = report.picture.file if report.picture is not None else None
    if (report.plate.width, report.plate.height) != (width, height) or named not in (None, path.name):
        return None, (f"{beside.name} tells of another picture: how this one was made is not known",)
    return report, ()

"""A print's TIFF: strips of one panel, with its marks, written from the top.

Strips and no coverage, because raster image processors of printers know those best (common practice, no
published source). Whether it must be a BigTIFF is known only when the last strip is compressed: the file
begins with 16 bytes, which hold the header of either kind, and the directory comes last.

Sources: TIFF 6.0 (Adobe, 1992), sections 2 to 8, 14 (predictor), 16 (separated colours); TIFF Technical
Note 2 and RFC 1950 for compression 8; the BigTIFF design (Aware Systems, 2007); ICC.1:2022 annex B for tag
34675.
"""

from __future__ import annotations

from typing import IO, Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from belvedere.compose.ifd import (
    Tag,
    array_tag,
    ascii_tag,
    ifd_bytes,
    long_tag,
    rational_tag,
    short_tag,
    undefined_tag,
)
from belvedere.compose.picture_format import CLASSIC_LIMIT
from belvedere.compose.tile_code import LEVEL, differences_into
from belvedere.deliver.paper_form import PaperForm

_PHOTOMETRIC = {"GRAY": 1, "RGB": 2, "CMYK": 5}


class PaperTiff:
    """One panel's file; `strip` is pure and for any thread, `put` and `close` are for one.

    Parameters
    ----------
    file : IO
        Open for writing, empty.
    form : PaperForm
    """

    def __init__(self, file: IO[bytes], form: PaperForm) -> None:
        self.form = form
        self._file = file
        self._lengths: list[int] = []
        self._end = 16
        file.write(bytes(16))

    @property
    def first_row(self) -> int:
        """The grid row of the page's first row; below 0 where there is room for marks."""
        return self.form.panel.page.y0

    @property
    def last_row(self) -> int:
        return self.form.panel.page.y1

    def strip(self, codes: NDArray[Any], top: int, start: int, stop: int) -> bytes:
        """Encode page rows start to stop (grid rows).

        Parameters
        ----------
        codes : ndarray of shape (h, grid width, channels)
            The print's rows from `top` on; those of start to stop that are in the panel's image.
        top : int
            Grid row of codes[0].
        start, stop : int
            Grid rows; what is off the image is bare paper.
        """
        paper, panel = self.form.paper, self.form.panel
        page, image = panel.page, panel.image
        full = 2**self.form.bits - 1
        rows = np.empty((stop - start, page.width, paper.channels), codes.dtype)
        rows[...] = paper.paper_white(full)
        bottom = top + len(codes)
        if bottom > top:
            x = image.x0 - page.x0
            rows[top - start : bottom - start, x : x + image.width] = codes[:, image.x0 : image.x1]
        for mark in panel.marks:
            y0, y1 = max(mark.y0, start), min(mark.y1, stop)
            if y0 < y1:
                rows[y0 - start : y1 - start, mark.x0 - page.x0 : mark.x1 - page.x0] = paper.black(full)
        return _deflated_differences(rows)

    def put(self, strip: bytes) -> None:
        """Append the next strip."""
        self._file.write(strip)
        self._lengths.append(len(strip))
        self._end += len(strip)

    def close(self) -> None:
        """Write the directory, and the header that points to it."""
        lengths = np.array(self._lengths, np.uint64)
        offsets = 16 + np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.uint64)
        at = -(-self._end // 8) * 8
        big = at + len(ifd_bytes(self._tags(offsets, lengths, big=False), at, big=False)) >= CLASSIC_LIMIT
        self._file.write(bytes(at - self._end))
        self._file.write(ifd_bytes(self._tags(offsets, lengths, big=big), at, big=big))
        self._file.seek(0)
        head = b"II+\0\x08\0\0\0" + at.to_bytes(8, "little") if big else b"II*\0" + at.to_bytes(4, "little")
        self._file.write(head)

    def _tags(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64], *, big: bool) -> list[Tag]:
        form = self.form
        page, channels = form.panel.page, form.paper.channels
        tags = [
            long_tag(254, 0),  # NewSubfileType: a full picture
            long_tag(256, page.width),
            long_tag(257, page.height),
            short_tag(258, *[form.bits] * channels),  # BitsPerSample
            short_tag(259, 8),  # Compression: deflate
            short_tag(262, _PHOTOMETRIC[form.paper.space]),
            ascii_tag(270, form.title),  # ImageDescription
            array_tag(273, offsets, wide=big),  # StripOffsets
            short_tag(274, 1),  # Orientation
            short_tag(277, channels),  # SamplesPerPixel
            long_tag(278, form.rows),  # RowsPerStrip
            array_tag(279, lengths, wide=False),  # StripByteCounts
            rational_tag(282, form.ppi),
            rational_tag(283, form.ppi),
            short_tag(284, 1),  # PlanarConfiguration: chunky
            short_tag(296, 2),  # ResolutionUnit: inch
            ascii_tag(305, form.software),
            short_tag(317, 2),  # Predictor: horizontal differences
            short_tag(339, *[1] * channels),  # SampleFormat: unsigned
            undefined_tag(34675, form.paper.data),
        ]
        if form.paper.space == "CMYK":
            tags.append(short_tag(332, 1))  # InkSet: CMYK
        return tags


def _deflated_differences(rows: NDArray[Any]) -> bytes:
    """Every sample minus its left neighbour in the same channel, deflated."""
    out: Any = np.empty(rows.shape, rows.dtype.newbyteorder("<"))
    differences_into(rows, out)
    return bytes(imagecodecs.deflate_encode(out, level=LEVEL))

"""A print's PDF: one page of one panel, its picture in the paper's own colours, its marks as lines.

A large picture is several images, one below the other: each reaches a row of pixels under the next, so that
no reader shows a line between them.

Sources: ISO 32000-1:2008: 7.5 (file structure; offsets of ten digits in 7.5.4), 7.4.4 (FlateDecode,
predictor 2), 8.9.5 (image dictionaries, 16 bits a component), 8.6.5.5 (ICCBased), 14.11.2 (page boundaries),
14.11.5 (output intents), 14.3.3 (information dictionary), table 30 (UserUnit), annex C.2 (a page's side: up
to 14,400 units).
RFC 1950 and 1951 for the stream: pieces deflated each by itself, ended at a byte's border, are one stream.
"""

from __future__ import annotations

import hashlib
import math
import zlib
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.tile_code import differences_into
from belvedere.deliver.paper_form import PaperForm
from belvedere.deliver.paper_size import Rect
from belvedere.errors import PlanError

MOST_BYTES = 10**10 - 1
"""The file's table of offsets has ten digits."""

MOST_IMAGE_BYTES = 1 << 29
"""Raw bytes of an image: PDFium leaves black what comes after 1 GiB, and shows nothing of one of more than 4
(measured with pypdfium2 5.15); readers need to know no number above 2^31 - 1 (annex C.2; from memory)."""

_LONGEST_SIDE = 14_400.0
_DEFLATE_LEVEL = 1
_ADLER = 65521
_SPACE_OBJECTS = {"GRAY": "/DeviceGray", "RGB": "/DeviceRGB", "CMYK": "/DeviceCMYK"}
_CATALOG, _PAGES, _PAGE, _CONTENT, _PROFILE, _INFO, _IMAGES = range(1, 8)  # images and their lengths last


class PaperPdf:
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
        points = 72.0 / form.ppi
        self._unit = max(
            1, math.ceil(max(form.panel.page.width, form.panel.page.height) * points / _LONGEST_SIDE)
        )
        self._scale = points / self._unit
        row_bytes = form.panel.image.width * form.paper.channels * form.bits // 8
        self._image_rows = max(1, MOST_IMAGE_BYTES // (row_bytes * form.rows)) * form.rows
        self._images = 0
        self._at = 0
        self._offsets: dict[int, int] = {}
        self._adler, self._stream = 1, 0
        self._digest = hashlib.sha256()
        self._write(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")
        self._begin_image()

    @property
    def first_row(self) -> int:
        """The grid row of the image's first row."""
        return self.form.panel.image.y0

    @property
    def last_row(self) -> int:
        return self.form.panel.image.y1

    def strip(self, codes: NDArray[Any], top: int, start: int, stop: int) -> bytes:
        """Encode image rows; as `PaperTiff.strip`, with nothing off the grid."""
        del top, stop
        image = self.form.panel.image
        rows = codes[:, image.x0 : image.x1]
        pieces = [packed_differences(rows)]
        if start > image.y0 and (start - image.y0) % self._image_rows == 0:
            pieces.insert(0, packed_differences(rows[:1]))  # the last row of the image before
        return b"".join(len(piece).to_bytes(8, "big") + piece for piece in pieces)

    def put(self, strip: bytes) -> None:
        """Append the next strip."""
        at = 0
        while at < len(strip):
            if at:
                self._end_image()
                self._begin_image()
            start, at = at + 8, at + 8 + int.from_bytes(strip[at : at + 8], "big")
            piece = memoryview(strip)[start:at]
            adler, raw = int.from_bytes(piece[:4], "big"), int.from_bytes(piece[4:12], "big")
            self._adler = _joined_adler(self._adler, adler, raw)
            self._write(piece[12:])
            self._stream += len(piece) - 12

    def close(self) -> None:
        """End the image, and write everything else."""
        self._end_image()
        self._profile_object()
        self._content_object()
        self._page_object()
        self._object(_PAGES, f"<< /Type /Pages /Kids [{_PAGE} 0 R] /Count 1 >>")
        self._object(_CATALOG, f"<< /Type /Catalog /Pages {_PAGES} 0 R{self._intent()} >>")
        self._object(
            _INFO,
            f"<< /Title {_text(self.form.title)} /Producer {_text(self.form.software)} /Trapped /False >>",
        )
        self._end()

    def _rows_of_image(self, k: int) -> Rect:
        """Where an image lies on the print's grid, with the row that reaches under the next."""
        image = self.form.panel.image
        top = image.y0 + k * self._image_rows
        return Rect(image.x0, top, image.x1, min(top + self._image_rows + 1, image.y1))

    def _begin_image(self) -> None:
        image, channels = self._rows_of_image(self._images), self.form.paper.channels
        number = _IMAGES + 2 * self._images
        self._images += 1
        self._offsets[number] = self._at
        self._write(
            f"{number} 0 obj\n<< /Type /XObject /Subtype /Image /Width {image.width} /Height {image.height} "
            f"/ColorSpace [/ICCBased {_PROFILE} 0 R] /BitsPerComponent {self.form.bits} /Interpolate false "
            f"/Filter /FlateDecode /DecodeParms << /Predictor 2 /Colors {channels} "
            f"/BitsPerComponent {self.form.bits} /Columns {image.width} >> /Length {number + 1} 0 R >>\n"
            "stream\n".encode()
        )
        self._write(b"\x78\x01")
        self._adler, self._stream = 1, 2

    def _end_image(self) -> None:
        tail = b"\x03\0" + self._adler.to_bytes(4, "big")  # an empty last block, and the checksum
        self._write(tail + b"\nendstream\nendobj\n")
        self._object(_IMAGES + 2 * self._images - 1, str(self._stream + len(tail)))

    def _profile_object(self) -> None:
        packed = zlib.compress(self.form.paper.data, 9)
        alternate = _SPACE_OBJECTS[self.form.paper.space]
        self._object(
            _PROFILE,
            f"<< /N {self.form.paper.channels} /Alternate {alternate} /Filter /FlateDecode "
            f"/Length {len(packed)} >>",
            packed,
        )

    def _content_object(self) -> None:
        black = " ".join(str(c) for c in self.form.paper.black(1))
        lines = []
        for k in range(self._images):
            x, y, w, h = self._box(self._rows_of_image(k))
            lines.append(f"q {_n(w)} 0 0 {_n(h)} {_n(x)} {_n(y)} cm /Picture{k} Do Q")
        lines.append(f"/Paper cs {black} sc")
        for mark in self.form.panel.marks:
            lines.append(" ".join(_n(v) for v in self._box(mark)) + " re f")
        content = "\n".join(lines).encode()
        self._object(_CONTENT, f"<< /Length {len(content)} >>", content)

    def _page_object(self) -> None:
        boxes = {
            "MediaBox": self.form.panel.page,
            "BleedBox": self.form.panel.image,
            "TrimBox": self.form.panel.trim,
        }
        told = " ".join(f"/{name} [{self._corners(rect)}]" for name, rect in boxes.items())
        unit = f" /UserUnit {self._unit}" if self._unit > 1 else ""
        images = " ".join(f"/Picture{k} {_IMAGES + 2 * k} 0 R" for k in range(self._images))
        self._object(
            _PAGE,
            f"<< /Type /Page /Parent {_PAGES} 0 R {told}{unit} /Contents {_CONTENT} 0 R /Resources "
            f"<< /XObject << {images} >> "
            f"/ColorSpace << /Paper [/ICCBased {_PROFILE} 0 R] >> >> >>",
        )

    def _intent(self) -> str:
        """For what paper the file is made, where the profile is of a printer."""
        if not self.form.paper.is_printer:
            return ""
        name = _text(self.form.paper.name)
        return (
            f" /OutputIntents [<< /Type /OutputIntent /S /GTS_PDFX /OutputConditionIdentifier {name} "
            f"/Info {name} /DestOutputProfile {_PROFILE} 0 R >>]"
        )

    def _box(self, rect: Rect) -> tuple[float, float, float, float]:
        """Left, bottom, width and height on the page, in its units; y upwards."""
        page, s = self.form.panel.page, self._scale
        return (rect.x0 - page.x0) * s, (page.y1 - rect.y1) * s, rect.width * s, rect.height * s

    def _corners(self, rect: Rect) -> str:
        x, y, w, h = self._box(rect)
        return f"{_n(x)} {_n(y)} {_n(x + w)} {_n(y + h)}"

    def _object(self, number: int, dictionary: str, stream: bytes | None = None) -> None:
        self._offsets[number] = self._at
        self._write(f"{number} 0 obj\n{dictionary}\n".encode())
        if stream is not None:
            self._write(b"stream\n" + stream + b"\nendstream\n")
        self._write(b"endobj\n")

    def _end(self) -> None:
        start, count = self._at, len(self._offsets) + 1
        name = self._digest.hexdigest()[:32]
        rows = "".join(f"{self._offsets[k]:010d} 00000 n \n" for k in range(1, count))
        self._write(
            f"xref\n0 {count}\n0000000000 65535 f \n{rows}trailer\n<< /Size {count} /Root {_CATALOG} 0 R "
            f"/Info {_INFO} 0 R /ID [<{name}> <{name}>] >>\nstartxref\n{start}\n%%EOF\n".encode()
        )

    def _write(self, data: bytes | memoryview) -> None:
        if self._at + len(data) > MOST_BYTES:  # the plan looked ahead, by what photographs usually take
            raise PlanError(
                "the PDF has grown past 10 GB, where a PDF's table of offsets ends; nothing was written",
                "take --as tiff, a narrower roll or a smaller print",
            )
        self._file.write(data)
        self._digest.update(data)
        self._at += len(data)


def packed_differences(rows: NDArray[Any]) -> bytes:
    """Rows (h, w, channels) for `PaperPdf.put`: Adler-32, length, and their differences deflated.

    Deflate looks for runs alone: on noise, which most of a photograph's differences are, longer matches cost
    three times the time and save nothing.
    """
    raw = _differences(rows)
    packer = zlib.compressobj(_DEFLATE_LEVEL, zlib.DEFLATED, -15, zlib.DEF_MEM_LEVEL, zlib.Z_RLE)
    packed = packer.compress(raw) + packer.flush(zlib.Z_FULL_FLUSH)
    return zlib.adler32(raw).to_bytes(4, "big") + len(raw).to_bytes(8, "big") + packed


def _differences(rows: NDArray[Any]) -> bytes:
    """Every component minus its left neighbour's, high byte first (ISO 32000-1, 7.4.4.4)."""
    out = np.empty(rows.shape, rows.dtype.newbyteorder(">"))
    differences_into(rows, out)
    return out.tobytes()


def _joined_adler(first: int, second: int, length: int) -> int:
    """Adler-32 of two pieces one after the other, of theirs and the second's length (RFC 1950, 8.2)."""
    a1, b1, a2, b2 = first & 0xFFFF, first >> 16, second & 0xFFFF, second >> 16
    a = (a1 + a2 - 1) % _ADLER
    b = (b1 + b2 + (a1 - 1) * (length % _ADLER)) % _ADLER
    return b << 16 | a


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".") if value else "0"


def _text(text: str) -> str:
    """A text string (ISO 32000-1, 7.9.2.2), as hexadecimal UTF-16."""
    return "<" + ("\ufeff" + text).encode("utf-16-be", "replace").hex().upper() + ">"

"""What a picture's TIFF looks like, known before the first pixel: size, depth, tags, length of the head.

Sources: TIFF 6.0 (Adobe, 1992); TIFF Technical Note 2 and RFC 1950 for compression 8; the BigTIFF design
(Aware Systems, 2007); ICC.1:2022 annex B for tag 34675.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.exif_block import EXIF_IFD_POINTER, ExifValues, camera_tags, exif_tags
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
from belvedere.compose.tile_code import LEVEL, bound_bytes

CLASSIC_LIMIT = 2**32
"""Offsets of classic TIFF have 32 bits."""

_TYPICAL_RATIO = {8: 0.5, 16: 0.76, 32: 0.65}
"""Deflated over raw bytes of a photograph with its coverage; measured on a real frame, 16 bits with noise."""


@dataclass(frozen=True, slots=True)
class PictureFormat:
    """Everything a picture's tags depend on; nothing here knows the time or the machine.

    Parameters
    ----------
    width, height : int
        Size in px, 1 to 2^32 - 1.
    bits : int
        Bits a sample: 8 or 16, whole numbers, or 32, floating point.
    icc : bytes or None
        ICC profile of the samples.
    pixels_per_inch : float
        Print resolution.
    exif : ExifValues or None
        What the frames have in common.
    software : str
        Name and version.
    description : str or None
        One line on the picture.
    tile : int
        Side of a tile in px, a multiple of 16 (TIFF 6.0, section 15).
    big : bool or None
        BigTIFF or classic; None decides by the size.
    more : tuple of Tag
        Further tags of the main directory.
    """

    width: int
    height: int
    bits: int = 16
    icc: bytes | None = None
    pixels_per_inch: float = 300.0
    exif: ExifValues | None = None
    software: str = "Belvedere"
    description: str | None = None
    tile: int = 512
    big: bool | None = None
    more: tuple[Tag, ...] = ()

    def __post_init__(self) -> None:
        if not (0 < self.width < 2**32 and 0 < self.height < 2**32):
            raise ValueError(f"a picture needs sides of 1 to 2^32 - 1 px, not {self.width} x {self.height}")
        if self.bits not in (8, 16, 32):
            raise ValueError(f"a picture has 8, 16 or 32 bits a sample, not {self.bits}")
        if self.tile <= 0 or self.tile % 16:
            raise ValueError(f"a tile's side is a multiple of 16 px, not {self.tile}")

    @property
    def columns(self) -> int:
        """Tiles across."""
        return -(-self.width // self.tile)

    @property
    def rows(self) -> int:
        """Tiles down."""
        return -(-self.height // self.tile)

    @property
    def tiles(self) -> int:
        """Tiles in all."""
        return self.columns * self.rows

    @property
    def is_big(self) -> bool:
        """BigTIFF, unless the largest file these tiles can make surely stays under 4 GiB."""
        if self.big is not None:
            return self.big
        return self._head_length(big=False) + self.tiles * bound_bytes(self.tile, self.bits) >= CLASSIC_LIMIT

    @property
    def head_length(self) -> int:
        """Bytes before the first tile."""
        return self._head_length(big=self.is_big)

    @property
    def most_bytes(self) -> int:
        """Size of the finished file that it cannot exceed."""
        return self.head_length + self.tiles * bound_bytes(self.tile, self.bits)

    def expected_bytes(self, covered_fraction: float = 1.0) -> int:
        """Size of the finished file for a usual photograph that covers this share of the picture."""
        raw = self.width * self.height * 4 * self.bits // 8
        return self.head_length + int(raw * covered_fraction * _TYPICAL_RATIO[self.bits])

    def index(self, column: int, row: int, level: int = 0) -> int:
        """Where a tile stands in the tables: row by row; raises ValueError where there is none."""
        if level or not (0 <= column < self.columns and 0 <= row < self.rows):
            raise ValueError(f"there is no tile ({column}, {row})")
        return row * self.columns + column

    def head(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64]) -> bytes:
        """The file's first `head_length` bytes, once it is known where every tile lies (row by row)."""
        return self._head(offsets, lengths, big=self.is_big)

    def identity(self, key: str = "") -> str:
        """SHA-256 of all the file's bytes depend on, `key` standing for the pixels."""
        return hashlib.sha256(f"{self!r} deflate {LEVEL} {key}".encode()).hexdigest()

    def _head_length(self, *, big: bool) -> int:
        main, exif = self._main_tags(big=big), self._exif_tags()
        # the two tables of tiles by their size alone, so that this stays cheap for very many of them
        size = len(_with_exif(main, exif, big=big))
        for width in (8 if big else 4, 4):
            inline = self.tiles * width <= (8 if big else 4)
            size += 0 if inline else -(-self.tiles * width // 8) * 8
        return size

    def _head(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64], *, big: bool) -> bytes:
        tables = [array_tag(324, offsets, wide=big), array_tag(325, lengths, wide=False)]
        main = [tag for tag in self._main_tags(big=big) if tag.number not in (324, 325)]
        return _with_exif([*main, *tables], self._exif_tags(), big=big)

    def _exif_tags(self) -> list[Tag]:
        return exif_tags(self.exif, self.width, self.height) if self.exif else []

    def _main_tags(self, *, big: bool) -> list[Tag]:
        none = np.zeros(0, dtype=np.uint64)
        tags = [
            *sample_tags(self.width, self.height, self.bits, 4, self.tile),
            rational_tag(282, self.pixels_per_inch),
            rational_tag(283, self.pixels_per_inch),
            short_tag(296, 2),  # ResolutionUnit: inch
            ascii_tag(305, self.software),
            array_tag(324, none, wide=big),  # TileOffsets
            array_tag(325, none, wide=False),  # TileByteCounts
        ]
        if self.description:
            tags.append(ascii_tag(270, self.description))
        if self.icc:
            tags.append(undefined_tag(34675, self.icc))
        if self.exif:
            tags += camera_tags(self.exif)
        return [*tags, *self.more]


def sample_tags(
    width: int, height: int, bits: int, samples: int, tile: int, *, reduced: bool = False
) -> list[Tag]:
    """How the samples of `encode_tile` are laid out; 3 samples, or 4 with coverage."""
    tags = [
        long_tag(254, 1 if reduced else 0),  # NewSubfileType: a full picture, or a smaller copy of one
        long_tag(256, width),
        long_tag(257, height),
        short_tag(258, *[bits] * samples),  # BitsPerSample
        short_tag(259, 8),  # Compression: deflate
        short_tag(262, 2),  # PhotometricInterpretation: RGB
        short_tag(274, 1),  # Orientation: as displayed
        short_tag(277, samples),  # SamplesPerPixel
        short_tag(284, 1),  # PlanarConfiguration: chunky
        short_tag(317, 3 if bits == 32 else 2),  # Predictor: differences of floating point, horizontal ones
        long_tag(322, tile),
        long_tag(323, tile),
        short_tag(339, *[3 if bits == 32 else 1] * samples),  # SampleFormat: floating point, unsigned
    ]
    return [*tags, short_tag(338, 2)] if samples == 4 else tags  # ExtraSamples: unassociated alpha


def _with_exif(main: list[Tag], exif: list[Tag], *, big: bool) -> bytes:
    """Header, main directory and, where there is one, the Exif directory it points to."""
    at = 16 if big else 8
    pointer = [long_tag(EXIF_IFD_POINTER, 0)] if exif else []
    exif_at = at + len(ifd_bytes([*main, *pointer], at, big=big))
    if exif:
        pointer = [long_tag(EXIF_IFD_POINTER, exif_at)]
    header = b"II+\0\x08\0\0\0" + at.to_bytes(8, "little") if big else b"II*\0" + at.to_bytes(4, "little")
    data = header + ifd_bytes([*main, *pointer], at, big=big)
    return data + ifd_bytes(exif, exif_at, big=big) if exif else data

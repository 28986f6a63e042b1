"""What a linear DNG looks like, known before the first pixel: a preview, camera light, and its coverage.

Sources, all from memory: DNG 1.4 (Adobe, 2012), chapters 2 to 4, for the tags from 50706 on, LinearRaw
(34892) and the tree of a preview in the first directory and the picture in a SubIFD; TIFF/EP (ISO 12234-2)
for that tree; TIFF 6.0 (Adobe, 1992) and its Technical Note 2 for JPEG strips. DNG 1.4 for the transparency
mask (NewSubfileType 4), which LibRaw, libvips, Pillow and OpenCV pass over (tried).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.dng_limits import CLASSIC_LIMIT, dng_tile_side
from belvedere.compose.dng_preview import DngPreview
from belvedere.compose.dng_tile import PREDICTOR, bound_dng_bytes, bound_mask_bytes
from belvedere.compose.exif_block import EXIF_IFD_POINTER, ExifValues, camera_tags, exif_tags
from belvedere.compose.ifd import (
    Tag,
    array_tag,
    ascii_tag,
    byte_tag,
    ifd_bytes,
    long_tag,
    rational_tag,
    short_tag,
    signed_rational_tag,
)

Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

_YCBCR, _LINEAR_RAW, _MASK = 6, 34892, 4
_JPEG, _DEFLATE = 7, 8
_SRGB_PREVIEW = 2
_TYPICAL_RATIO = 0.7
"""Coded over raw bytes of a developed and resampled photograph; see `dng_tile.PREDICTOR`."""


@dataclass(frozen=True)
class DngFormat:
    """A form for `compose.tiff.TiledTiff`: everything a linear DNG's tags depend on.

    Level 0 is the picture, level 1 how much of it is covered: the same tiles, by `encode_mask_tile`.

    Parameters
    ----------
    width, height : int
        px, 1 to 2^32 - 1. Which sizes readers take: `dng_limits.fits_dng`.
    model : str
        UniqueCameraModel: the body whose colour the samples are in.
    matrices : sequence of (int, (3, 3) floats), one or two
        EXIF LightSource number of an illuminant, and what takes CIE XYZ to the camera's colour under it, with
        the body's own calibration in it. In the order of their correlated colour temperatures.
    neutral : tuple of 3 float
        The camera's response to the scene's white as shot, > 0, its largest 1.
    headroom : float
        Light at code 65535, in units of the camera's white level.
    baseline_ev : float
        By how much the light is to be brightened besides where it is shown, EV: what the sources ask for,
        and what brackets are darker. BaselineExposure is the sum of this and log2 of the headroom.
    preview : DngPreview
        What shows the picture.
    forward : sequence of (3, 3) floats
        ForwardMatrix1 and 2: none, or one for each of the matrices.
    exif : ExifValues or None
        What the frames have in common.
    xmp : bytes or None
        An XMP packet.
    software : str
        Name and version.
    description : str or None
        One line on the picture.
    largest_tile : int
        Side of a tile in px, a multiple of 16; of narrow pictures less, see `dng_limits.dng_tile_side`.

    Raises
    ------
    ValueError
        If the file could become larger than 4 GiB, or a value cannot be written.
    """

    width: int
    height: int
    model: str
    matrices: Sequence[tuple[int, Matrix]]
    neutral: tuple[float, float, float]
    preview: DngPreview
    headroom: float = 1.0
    baseline_ev: float = 0.0
    forward: Sequence[Matrix] = ()
    exif: ExifValues | None = None
    xmp: bytes | None = None
    software: str = "Belvedere"
    description: str | None = None
    largest_tile: int = 512

    def __post_init__(self) -> None:
        if self.largest_tile <= 0 or self.largest_tile % 16:
            raise ValueError(f"a tile's side is a multiple of 16 px, not {self.largest_tile}")
        if not (0 < self.width < 2**32 and 0 < self.height < 2**32):
            raise ValueError(f"a picture needs sides of 1 to 2^32 - 1 px, not {self.width} x {self.height}")
        if len(self.matrices) not in (1, 2):
            raise ValueError(f"a DNG has one or two colour matrices, not {len(self.matrices)}")
        if not all(math.isfinite(v) and v > 0.0 for v in (*self.neutral, self.headroom)):
            raise ValueError(f"a DNG needs a positive neutral and headroom: {self.neutral}, {self.headroom}")
        if len(self.forward) not in (0, len(self.matrices)):
            raise ValueError(
                f"a DNG has as many forward matrices as others, or none, not {len(self.forward)}"
            )
        if not math.isfinite(self.baseline_ev):
            raise ValueError(f"a DNG needs a finite baseline exposure, not {self.baseline_ev}")
        if self.most_bytes >= CLASSIC_LIMIT:
            raise ValueError(f"a DNG of {self.width} x {self.height} px may not end within 4 GiB")

    @property
    def tile(self) -> int:
        """Side of a tile, px."""
        return dng_tile_side(self.width, self.largest_tile)

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
        """Tiles of picture and mask."""
        return 2 * self.columns * self.rows

    @cached_property
    def head_length(self) -> int:
        """Bytes before the first tile."""
        return len(self._blank_head)

    @property
    def most_bytes(self) -> int:
        """Size of the finished file that it cannot exceed."""
        each = bound_dng_bytes(self.tile) + bound_mask_bytes(self.tile)
        return self.head_length + self.tiles // 2 * each

    def expected_bytes(self, covered_fraction: float = 1.0) -> int:
        """Size of the finished file for a usual photograph that covers this share of the picture."""
        return self.head_length + int(self.width * self.height * 6 * covered_fraction * _TYPICAL_RATIO)

    def index(self, column: int, row: int, level: int = 0) -> int:
        """Where a tile stands in the tables: the picture's row by row, then the mask's; else ValueError."""
        if level not in (0, 1) or not (0 <= column < self.columns and 0 <= row < self.rows):
            raise ValueError(f"there is no tile ({column}, {row}) of level {level}")
        return (level * self.rows + row) * self.columns + column

    def head(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64]) -> bytes:
        """Header, first directory with its Exif, directories of the picture and its mask, and the preview."""
        at = 8
        exif = exif_tags(self.exif, self.width, self.height) if self.exif else []
        half = self.tiles // 2
        raw = self._picture_tags(offsets[:half], lengths[:half])
        mask = self._mask_tags(offsets[half:], lengths[half:])
        exif_at = at + len(ifd_bytes(self._first_tags(0, 0, 0, 0), at, big=False))
        raw_at = exif_at + (len(ifd_bytes(exif, exif_at, big=False)) if exif else 0)
        mask_at = raw_at + len(ifd_bytes(raw, raw_at, big=False))
        preview_at = mask_at + len(ifd_bytes(mask, mask_at, big=False))
        parts = [
            b"II*\0" + at.to_bytes(4, "little"),
            ifd_bytes(self._first_tags(exif_at, raw_at, mask_at, preview_at), at, big=False),
            ifd_bytes(exif, exif_at, big=False) if exif else b"",
            ifd_bytes(raw, raw_at, big=False),
            ifd_bytes(mask, mask_at, big=False),
            self.preview.jpeg,
        ]
        data = b"".join(parts)
        return data + bytes(-len(data) % 8)

    def identity(self, key: str = "") -> str:
        """SHA-256 of all the file's bytes depend on, `key` standing for the pixels."""
        digest = hashlib.sha256(self._blank_head)
        digest.update(f" lossless {PREDICTOR} {key}".encode())
        return digest.hexdigest()

    @cached_property
    def _blank_head(self) -> bytes:
        none = np.zeros(self.tiles, np.uint64)
        return self.head(none, none)

    def _first_tags(self, exif_at: int, raw_at: int, mask_at: int, preview_at: int) -> list[Tag]:
        """The first directory: the preview, and what is said of the whole file."""
        tags = [
            long_tag(254, 1),  # NewSubfileType: a smaller copy
            long_tag(256, self.preview.width),
            long_tag(257, self.preview.height),
            short_tag(258, 8, 8, 8),  # BitsPerSample
            short_tag(259, _JPEG),
            short_tag(262, _YCBCR),
            long_tag(273, preview_at),  # StripOffsets
            short_tag(274, 1),  # Orientation: as displayed
            short_tag(277, 3),  # SamplesPerPixel
            long_tag(278, self.preview.height),  # RowsPerStrip
            long_tag(279, len(self.preview.jpeg)),  # StripByteCounts
            short_tag(284, 1),  # PlanarConfiguration: chunky
            ascii_tag(305, self.software),
            long_tag(330, raw_at, mask_at),  # SubIFDs
            short_tag(530, 2, 2),  # YCbCrSubSampling
            short_tag(531, 1),  # YCbCrPositioning: centred
            rational_tag(532, 0.0, 255.0, 128.0, 255.0, 128.0, 255.0),  # ReferenceBlackWhite
            byte_tag(50706, bytes([1, 4, 0, 0])),  # DNGVersion
            byte_tag(50707, bytes([1, 1, 0, 0])),  # DNGBackwardVersion: lossless JPEG in a SubIFD is as old
            ascii_tag(50708, self.model),  # UniqueCameraModel
            rational_tag(50728, *self.neutral),  # AsShotNeutral
            signed_rational_tag(50730, math.log2(self.headroom) + self.baseline_ev),  # BaselineExposure
            long_tag(50970, _SRGB_PREVIEW),  # PreviewColorSpace
        ]
        for (illuminant, matrix), matrix_tag, light_tag in zip(
            self.matrices, (50721, 50722), (50778, 50779), strict=False
        ):
            values = [float(v) for row in matrix for v in row]
            tags += [signed_rational_tag(matrix_tag, *values), short_tag(light_tag, illuminant)]
        for forward, forward_tag in zip(self.forward, (50964, 50965), strict=False):
            tags.append(signed_rational_tag(forward_tag, *(float(v) for row in forward for v in row)))
        if self.description:
            tags.append(ascii_tag(270, self.description))
        if self.xmp:
            tags.append(byte_tag(700, self.xmp))
        if self.exif:
            tags += [*camera_tags(self.exif), long_tag(EXIF_IFD_POINTER, exif_at)]
        return tags

    def _picture_tags(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64]) -> list[Tag]:
        """The SubIFD: the light itself."""
        return [
            long_tag(254, 0),  # NewSubfileType: the full picture
            long_tag(256, self.width),
            long_tag(257, self.height),
            short_tag(258, 16, 16, 16),  # BitsPerSample
            short_tag(259, _JPEG),
            short_tag(262, _LINEAR_RAW),
            short_tag(277, 3),  # SamplesPerPixel
            short_tag(284, 1),  # PlanarConfiguration: chunky
            long_tag(322, self.tile),
            long_tag(323, self.tile),
            array_tag(324, offsets, wide=False),  # TileOffsets
            array_tag(325, lengths, wide=False),  # TileByteCounts
            short_tag(339, 1, 1, 1),  # SampleFormat: unsigned
            short_tag(50713, 1, 1),  # BlackLevelRepeatDim
            short_tag(50714, 0, 0, 0),  # BlackLevel
            long_tag(50717, 65535, 65535, 65535),  # WhiteLevel
            rational_tag(50718, 1.0, 1.0),  # DefaultScale
            long_tag(50719, 0, 0),  # DefaultCropOrigin
            long_tag(50720, self.width, self.height),  # DefaultCropSize
            rational_tag(50780, 1.0),  # BestQualityScale
            long_tag(50829, 0, 0, self.height, self.width),  # ActiveArea: top, left, bottom, right
        ]

    def _mask_tags(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64]) -> list[Tag]:
        """The second SubIFD: where the picture shows anything."""
        return [
            long_tag(254, 4),  # NewSubfileType: a transparency mask
            long_tag(256, self.width),
            long_tag(257, self.height),
            short_tag(258, 8),  # BitsPerSample
            short_tag(259, _DEFLATE),
            short_tag(262, _MASK),
            short_tag(277, 1),  # SamplesPerPixel
            short_tag(284, 1),  # PlanarConfiguration: chunky
            long_tag(322, self.tile),
            long_tag(323, self.tile),
            array_tag(324, offsets, wide=False),  # TileOffsets
            array_tag(325, lengths, wide=False),  # TileByteCounts
        ]

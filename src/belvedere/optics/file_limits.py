"""Which file format holds a picture of a given size, and how many bytes it takes.

Sources of the limits:
- TIFF Revision 6.0 (Adobe, 1992), section 2: offsets are 32-bit, so a file ends within 4 GiB; ImageWidth and
  ImageLength are LONG, 32-bit.
- BigTIFF design (Aware Systems, 2007): offsets of 64 bits; the sides as in TIFF.
- ITU-T T.81 (JPEG, 1992), B.2.2: X and Y are 16-bit numbers; 8 bits a sample in the baseline process.
- The common library libjpeg takes no side above JPEG_MAX_DIMENSION, 65,500 (jmorecfg.h; cited from memory).
- Portable Network Graphics (PNG) Specification, W3C, section 11.2.2 IHDR with 7.1: sides of 1 to 2^31 - 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive

TIFF_BYTES = 2**32
BIG_TIFF_BYTES = 2**64
TIFF_SIDE = 2**32 - 1
JPEG_SIDE = 65_535
JPEG_LIBRARY_SIDE = 65_500
PNG_SIDE = 2**31 - 1

DEFLATED_RATIO = 0.76
"""Deflated over raw bytes of a photograph at 16 bits a sample; measured on one real frame with noise."""

_TAGS_BYTES = 1 << 20
"""Left for tags, profile and the tables of tiles or strips; below 1 MiB for anything that fits in 4 GiB."""

Fits = Literal["yes", "if compressed", "no"]


@dataclass(frozen=True, slots=True)
class FormatFit:
    """Whether a format holds the picture.

    Parameters
    ----------
    name : str
        "TIFF", "BigTIFF", "PNG" or "JPEG".
    fits : str
        "yes"; "if compressed" where the raw samples do not fit and the compressed ones are expected to; "no".
    bits : int
        Bits a sample that the format keeps.
    why : str
        What limits it here, or what to know, one sentence; empty if there is nothing to say.
    """

    name: str
    fits: Fits
    bits: int
    why: str

    @property
    def holds(self) -> bool:
        """Whether the picture fits for certain."""
        return self.fits == "yes"


def raw_bytes(width_px: int, height_px: int, *, samples: int = 3, bits: int = 16) -> int:
    """Bytes of the samples alone, uncompressed: w h samples bits / 8; what an uncompressed TIFF weighs.

    Parameters
    ----------
    width_px, height_px : int
        >= 1.
    samples : int
        Samples a pixel: 3, or 4 with coverage.
    bits : int
        8 or 16.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    for what, value in (("width", width_px), ("height", height_px)):
        if need_positive(f"the picture's {what}", value, "pixels") != int(value):
            raise PlanError(f"the picture's {what} must be a whole number of pixels, not {value:g}")
    if samples < 1:
        raise PlanError(f"a pixel must have at least 1 sample, not {samples:g}")
    if bits not in (8, 16):
        raise PlanError(f"a sample must have 8 or 16 bits, not {bits:g}")
    return int(width_px) * int(height_px) * samples * bits // 8


def deflated_bytes(
    width_px: int, height_px: int, *, samples: int = 3, bits: int = 16, ratio: float = DEFLATED_RATIO
) -> int:
    """Bytes expected of a TIFF compressed without loss: `raw_bytes` times `ratio`, a guess by nature.

    Raises
    ------
    PlanError
        If a value is out of its range; `ratio` > 0.
    """
    raw = raw_bytes(width_px, height_px, samples=samples, bits=bits)
    return round(raw * need_positive("the compression ratio", ratio))


def fitting_formats(
    width_px: int, height_px: int, *, samples: int = 3, bits: int = 16, ratio: float = DEFLATED_RATIO
) -> tuple[FormatFit, ...]:
    """Which of TIFF, BigTIFF, PNG and JPEG hold the picture, and why not.

    Parameters as in `deflated_bytes`.

    Returns
    -------
    fits : tuple of FormatFit
        TIFF, BigTIFF, PNG, JPEG in this order.

    Raises
    ------
    PlanError
        As `raw_bytes`.
    """
    raw = raw_bytes(width_px, height_px, samples=samples, bits=bits)
    packed = deflated_bytes(width_px, height_px, samples=samples, bits=bits, ratio=ratio)
    side = max(width_px, height_px)
    return (
        _tiff(raw, packed, side, bits),
        _big_tiff(raw, side, bits),
        _png(side, bits),
        _jpeg(side, samples, bits),
    )


def _tiff(raw: int, packed: int, side: int, bits: int) -> FormatFit:
    if side > TIFF_SIDE:
        return FormatFit("TIFF", "no", bits, _too_long(side, TIFF_SIDE, "TIFF 6.0"))
    if raw + _TAGS_BYTES <= TIFF_BYTES:
        return FormatFit("TIFF", "yes", bits, "")
    limit = f"the samples take {_gib(raw)}, and a TIFF ends at 4 GiB (TIFF 6.0)"
    if packed + _TAGS_BYTES <= TIFF_BYTES:
        return FormatFit(
            "TIFF", "if compressed", bits, f"{limit}; compressed without loss expect about {_gib(packed)}"
        )
    return FormatFit("TIFF", "no", bits, limit)


def _big_tiff(raw: int, side: int, bits: int) -> FormatFit:
    if side > TIFF_SIDE:
        return FormatFit("BigTIFF", "no", bits, _too_long(side, TIFF_SIDE, "TIFF 6.0"))
    if raw + _TAGS_BYTES > BIG_TIFF_BYTES:
        return FormatFit(
            "BigTIFF", "no", bits, f"the samples take {_gib(raw)}, more than 64-bit offsets reach"
        )
    return FormatFit("BigTIFF", "yes", bits, "")


def _png(side: int, bits: int) -> FormatFit:
    if side > PNG_SIDE:
        return FormatFit("PNG", "no", bits, _too_long(side, PNG_SIDE, "PNG specification"))
    return FormatFit("PNG", "yes", bits, "")


def _jpeg(side: int, samples: int, bits: int) -> FormatFit:
    if side > JPEG_SIDE:
        return FormatFit("JPEG", "no", 8, _too_long(side, JPEG_SIDE, "ITU-T T.81"))
    if side > JPEG_LIBRARY_SIDE:
        return FormatFit(
            "JPEG",
            "no",
            8,
            _too_long(side, JPEG_LIBRARY_SIDE, "the common library libjpeg; ITU-T T.81: 65,535"),
        )
    lost = [f"keeps 8 of {bits} bits a sample"] if bits > 8 else []
    lost += ["has no place for coverage"] if samples in (2, 4) else []
    return FormatFit("JPEG", "yes", 8, f"it {' and '.join(lost)}" if lost else "")


def _too_long(side: int, most: int, source: str) -> str:
    return f"the longer side has {side:,} pixels, more than {most:,} ({source})"


def _gib(size: int) -> str:
    return f"{size / 2**30:.3g} GiB" if size < 2**40 else f"{size / 2**40:,.3g} TiB"

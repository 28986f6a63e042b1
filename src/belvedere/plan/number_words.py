"""Numbers as a photographer says them: degrees, distances, sizes of prints and files."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Literal

from belvedere.optics.print_size import MM_PER_INCH, PrintSize

Units = Literal["metric", "imperial"]
UNITS: tuple[Units, ...] = ("metric", "imperial")

GLUE = "\u00a0"
_UNIT = "mm|cm|m|km|in|ft|s|min|h|px|MP|MB|GB|TB|pixels?|degrees?|frames?|clicks?"
_LARGE_MM = 3048.0  # from ten feet, or three metres, on prints are said in feet and metres


def count_words(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 frame", "1,204 frames"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def degrees_words(angle: float, digits: int = 1, *, signed: bool = False) -> str:
    """An angle (rad) in degrees, without the sign of a nought: "21.5", "+10.1", "0.0"."""
    shown = round(math.degrees(angle), digits) + 0.0
    return f"{shown:+.{digits}f}" if signed and shown else f"{shown:.{digits}f}"


def share_words(share: float) -> str:
    """A share in whole percent, rounded down: what is reached, never more: "33 %"."""
    return f"{math.floor(share * 100.0 + 1e-6)} %"


def bytes_words(size: float) -> str:
    """A size in the decimal units that cards and disks are sold in: "870 MB", "1.3 GB"."""
    for unit, scale in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if size >= scale * 0.9995:
            return f"{_three(size / scale)} {unit}"
    return f"{_three(size / 1e3)} kB"


def distance_words(metres: float) -> str:
    """A distance: "0.85 m", "52 m", "1.2 km"; "infinity"."""
    if math.isinf(metres):
        return "infinity"
    if metres >= 999.5:
        return f"{_two(metres / 1e3)} km"
    return f"{_two(metres)} m"


def small_words(millimetres: float) -> str:
    """A small length: "2.7 mm", "8.7 cm", "1.3 m"."""
    if millimetres >= 999.5:
        return f"{_two(millimetres / 1e3)} m"
    return f"{_two(millimetres / 10.0)} cm" if millimetres >= 99.5 else f"{_two(millimetres)} mm"


def print_words(size: PrintSize, units: Units = "metric", *, at_most: bool = False) -> str:
    """Width by height of a print: "181 x 86 cm", "12.4 x 5.9 m", "71 x 34 in", "41 x 19.4 ft".

    `at_most` rounds down, so that a print of what is said is no larger than `size`.
    """
    mm = (size.width_mm, size.height_mm)
    if units == "imperial":
        scale, unit = (12 * MM_PER_INCH, "ft") if max(mm) >= _LARGE_MM else (MM_PER_INCH, "in")
    else:
        scale, unit = (1e3, "m") if max(mm) >= _LARGE_MM else (10.0, "cm")
    said = []
    for side in mm:
        value = side / scale
        digits = 0 if value >= 20.0 else 1
        if at_most:
            value = math.floor(value * 10**digits) / 10**digits
        said.append(f"{value:,.{digits}f}")
    return f"{said[0]} x {said[1]} {unit}"


def focal_words(focal_mm: float) -> str:
    """A focal length: "50 mm", "41.4 mm"."""
    return f"{focal_mm:.4g} mm" if focal_mm < 100.0 else f"{focal_mm:,.0f} mm"


def pixels_words(width: int, height: int) -> str:
    """Width by height in pixels: "21,388 x 10,163"."""
    return f"{width:,} x {height:,}"


def megapixels_words(megapixels: float) -> str:
    """Millions of pixels with their unit: "44.9 megapixels", "217 megapixels", "7.8 gigapixels"."""
    if megapixels >= 9_995.0:
        return f"{_three(megapixels / 1e3)} gigapixels"
    return f"{_three(megapixels)} megapixels"


def list_words(words: Sequence[str]) -> str:
    """Words in a row: "13, 14 and 13"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def glued(words: str) -> str:
    """The text with unbreakable blanks between a number and its unit, so that no line ends between them."""
    return re.sub(rf"(?<=\d) (?=(?:%|{_UNIT})(?![\w/]))", GLUE, words)


def _two(value: float) -> str:
    """About two digits: 0.85, 1, 5.2, 52, 520."""
    if value >= 9.95:
        return f"{value:,.0f}"
    return f"{value:.1f}".removesuffix(".0") if value >= 0.995 else f"{value:.2g}"


def _three(value: float) -> str:
    """About three digits: 1.3, 44.9, 217, 1,956."""
    return f"{value:,.0f}" if value >= 99.95 else f"{value:.1f}"

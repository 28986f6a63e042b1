"""What is printed beside a panel, off the cut: an arrow to its top, which one it is, and of how many.

Letters are our own, five dots wide and seven high, so that every file format prints the same without a font.
"""

from __future__ import annotations

from belvedere.deliver.paper_size import Rect
from belvedere.optics.print_size import MM_PER_INCH

DOT_MM = 0.4
"""Side of a dot, so that capitals are 2.8 mm high, as 11 point type's are (common practice, no published
source)."""

HIGH, _WIDE = 7, 5

# Rows from the top, a bit a dot, the leftmost the highest. "^" is the arrow to the top.
_GLYPHS = {
    "^": (0b00100, 0b01110, 0b11111, 0b00100, 0b00100, 0b00100, 0b00100),
    "0": (0b01110, 0b10001, 0b10011, 0b10101, 0b11001, 0b10001, 0b01110),
    "1": (0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110),
    "2": (0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111),
    "3": (0b01110, 0b10001, 0b00001, 0b00110, 0b00001, 0b10001, 0b01110),
    "4": (0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010),
    "5": (0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110),
    "6": (0b00110, 0b01000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110),
    "7": (0b11111, 0b00001, 0b00010, 0b00100, 0b00100, 0b01000, 0b01000),
    "8": (0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110),
    "9": (0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00010, 0b01100),
    "A": (0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001),
    "E": (0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111),
    "F": (0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000),
    "L": (0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b11111),
    "N": (0b10001, 0b11001, 0b10101, 0b10011, 0b10001, 0b10001, 0b10001),
    "O": (0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110),
    "P": (0b11110, 0b10001, 0b10001, 0b11110, 0b10000, 0b10000, 0b10000),
    "R": (0b11110, 0b10001, 0b10001, 0b11110, 0b10100, 0b10010, 0b10001),
    "T": (0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100),
    "W": (0b10001, 0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001),
    " ": (0, 0, 0, 0, 0, 0, 0),
}


def label_words(index: int, count: int, row: int, rows: int) -> tuple[str, ...]:
    """What a label says, the longest first; numbers from 0 come in, and go out from 1."""
    short = f"^ {index + 1} OF {count}"
    long = f"^ TOP  PANEL {index + 1} OF {count}"
    told = (f"{long}  ROW {row + 1} OF {rows}",) if rows > 1 else ()
    return (*told, long, short)


def panel_label(words: tuple[str, ...], room: Rect, ppi: float) -> tuple[Rect, ...]:
    """Rectangles to print black, in the middle of `room`; none where not even the last of the words has it.

    Parameters
    ----------
    words : tuple of str
        The first that fits is taken.
    room : Rect
        On the print's grid.
    ppi : float
    """
    dot = round(DOT_MM / MM_PER_INCH * ppi)
    if dot < 1 or HIGH * dot > room.height:
        return ()
    for text in words:
        width = (len(text) * (_WIDE + 1) - 1) * dot
        if width <= room.width:
            x, y = room.x0 + (room.width - width) // 2, room.y0 + (room.height - HIGH * dot) // 2
            return tuple(_runs(text, x, y, dot))
    return ()


def _runs(text: str, x: int, y: int, dot: int) -> list[Rect]:
    """Dots beside each other are one rectangle."""
    out = []
    for place, letter in enumerate(text):
        left = x + place * (_WIDE + 1) * dot
        for row, bits in enumerate(_GLYPHS[letter]):
            start = None
            for column in range(_WIDE + 1):
                inked = column < _WIDE and bits >> (_WIDE - 1 - column) & 1
                if inked and start is None:
                    start = column
                elif not inked and start is not None:
                    top = y + row * dot
                    out.append(Rect(left + start * dot, top, left + column * dot, top + dot))
                    start = None
    return out

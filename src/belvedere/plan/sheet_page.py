"""One page of a PDF: text in two weights, lines and boxes, and no clock in the file."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import dataclass
from typing import Any, Literal

from belvedere.plan.number_words import GLUE, glued

PAPERS_PT = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}  # ISO 216; 8.5 x 11 in
REGULAR, BOLD = "Helvetica", "Helvetica-Bold"

Ink = tuple[float, float, float]
BLACK: Ink = (0.10, 0.11, 0.13)
QUIET: Ink = (0.42, 0.44, 0.47)
FAINT: Ink = (0.80, 0.82, 0.84)
BLUE: Ink = (0.09, 0.32, 0.47)
Anchor = Literal["left", "middle", "right"]


@dataclass(frozen=True, slots=True)
class Style:
    """How text looks: font, size in points, ink."""

    size: float
    font: str = REGULAR
    ink: Ink = BLACK

    @property
    def leading(self) -> float:
        """Distance of lines, points."""
        return self.size * 1.28


class Page:
    """A page that is drawn on; y runs up from the lower edge, in points.

    Parameters
    ----------
    paper : "A4" or "Letter"
    title, producer : str
        For the file's own description.
    """

    def __init__(self, paper: str, title: str, producer: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        self.width, self.height = PAPERS_PT[paper]
        self._bytes = io.BytesIO()
        self.canvas: Any = Canvas(
            self._bytes, pagesize=(self.width, self.height), invariant=1, pageCompression=1
        )
        self.canvas.setTitle(printable(title))
        self.canvas.setAuthor("")
        self.canvas.setSubject("")
        self.canvas.setCreator(producer)
        self.canvas.setProducer(producer)

    def text(self, x: float, y: float, words: str, style: Style, anchor: Anchor = "left") -> None:
        """Draw one line of text with its baseline at y."""
        self.canvas.setFillColorRGB(*style.ink)
        self.canvas.setFont(style.font, style.size)
        draw = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[anchor]
        draw(x, y, printable(words.replace(GLUE, " ")))

    def paragraph(self, x: float, y: float, width: float, words: str, style: Style) -> float:
        """Draw wrapped text whose first line's top is at y; returns where the next may begin."""
        for line in wrapped(words, width, style):
            self.text(x, y - style.size, line, style)
            y -= style.leading
        return y

    def line(self, x0: float, y0: float, x1: float, y1: float, ink: Ink = FAINT, width: float = 0.6) -> None:
        """Draw a straight line."""
        self.canvas.setStrokeColorRGB(*ink)
        self.canvas.setLineWidth(width)
        self.canvas.line(x0, y0, x1, y1)

    def done(self) -> bytes:
        """The finished file."""
        self.canvas.showPage()
        self.canvas.save()
        return self._bytes.getvalue()


def text_width(words: str, style: Style) -> float:
    """Width of a line, points."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(printable(words.replace(GLUE, " ")), style.font, style.size))


def wrapped(words: str, width: float, style: Style) -> list[str]:
    """Words in lines no wider than `width`, a word wider than that cut."""
    if not words.strip():
        return []
    lines: list[str] = []
    line = ""
    for word in glued(" ".join(words.split())).split(" "):
        joined = f"{line} {word}" if line else word
        if text_width(joined, style) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        line = word
        while text_width(line, style) > width and len(line) > 1:
            fits = next(
                k for k in range(len(line) - 1, 0, -1) if k == 1 or text_width(line[:k], style) <= width
            )
            lines.append(line[:fits])
            line = line[fits:]
    return [*lines, line] if line else lines


def paragraph_height(words: str, width: float, style: Style) -> float:
    """Height that `Page.paragraph` takes, points."""
    return len(wrapped(words, width, style)) * style.leading


def printable(words: str) -> str:
    """The text in the letters that every PDF reader brings (code page 1252), the nearest for others."""
    out = []
    for letter in unicodedata.normalize("NFC", words):
        try:
            letter.encode("cp1252")
            out.append(letter)
        except UnicodeEncodeError:
            bare = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
            out.append(bare or "?")
    return "".join(c if c.isprintable() else " " for c in "".join(out))

"""A picture's place on paper: size, margins, bleed and the part turned over a stretcher, in whole pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH, PRINT_PPI

LONGEST_MM = 100_000.0
"""No print is longer than this, 100 m; a larger number is a slip of the unit."""

MOST_PIXELS = 40_000_000_000
"""Pixels of the largest print that is made: ten times what the largest pictures hold."""

FINEST_PPI, COARSEST_PPI = 2880.0, 5.0
"""Finer than any printer's raster of picture elements, and coarser than a wall seen across a street (common
practice, no published source)."""

Beyond = Literal["mirror", "picture"]


class Rect(NamedTuple):
    """Whole pixels x0 <= x < x1, y0 <= y < y1."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def width(self) -> int:
        return self.x1 - self.x0

    @property
    def height(self) -> int:
        return self.y1 - self.y0

    def grown(self, by: int) -> Rect:
        """Larger on every side by `by` px."""
        return Rect(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def moved(self, dx: int, dy: int) -> Rect:
        return Rect(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)


@dataclass(frozen=True, slots=True)
class PrintWish:
    """What is asked of a print.

    Parameters
    ----------
    width_mm, height_mm : float or None
        Size of what faces the viewer, margins included. One alone: the other follows from the picture. Both:
        the picture is fitted in whole, and what it leaves stays paper. None: every picture pixel is printed
        as one pixel.
    ppi : float
        Pixels per inch of the print.
    margin_mm : float
        Bare paper around the picture, inside the size.
    wrap_mm : float
        Picture turned over the stretcher's edge, outside the size.
    bleed_mm : float
        Picture printed past the cut, outside the size and the wrap.
    beyond : str
        What wrap and bleed show: "mirror", the picture's rim turned outwards, so that nothing of it leaves
        the front; "picture", the picture's own rim, which then does.
    """

    width_mm: float | None = None
    height_mm: float | None = None
    ppi: float = PRINT_PPI
    margin_mm: float = 0.0
    wrap_mm: float = 0.0
    bleed_mm: float = 0.0
    beyond: Beyond = "mirror"


@dataclass(frozen=True, slots=True)
class PrintLayout:
    """Where everything lies on the print's grid of pixels, whose top-left pixel is (0, 0).

    Parameters
    ----------
    ppi : float
        Pixels per inch.
    width, height : int
        The grid: all that is printed with picture or margin, bleed included, marks not.
    trim : Rect
        What is left when the print is cut.
    front : Rect
        What faces the viewer: the trim without what is turned over the stretcher.
    picture : Rect
        Where the whole picture lies. Between it and the grid's border is mirrored picture where there is wrap
        or bleed, bare paper otherwise.
    mirrored : bool
        Whether picture goes on, mirrored, beyond `picture`.
    """

    ppi: float
    width: int
    height: int
    trim: Rect
    front: Rect
    picture: Rect
    mirrored: bool

    def mm(self, pixels: float) -> float:
        """A length on the print in mm."""
        return pixels / self.ppi * MM_PER_INCH


def lay_out(picture_width: int, picture_height: int, wish: PrintWish) -> PrintLayout:
    """Lay a picture of picture_width x picture_height px out on paper.

    Returns
    -------
    PrintLayout
        Lengths rounded to the nearest pixel; the picture's sides keep their ratio to within one pixel.

    Raises
    ------
    PlanError
        If the wish contradicts itself, or asks for a print larger than sensible; says what could be had.
    """
    if picture_width < 1 or picture_height < 1:
        raise PlanError(f"a picture needs at least 1 x 1 pixels, not {picture_width} x {picture_height}")
    _check(wish)
    px = wish.ppi / MM_PER_INCH
    margin, wrap, bleed = (round(mm * px) for mm in (wish.margin_mm, wish.wrap_mm, wish.bleed_mm))
    out = wrap + bleed
    rim = out if wish.beyond == "picture" else 0  # picture that leaves the front on each side
    front_w, front_h = _front(picture_width, picture_height, wish, margin, rim)
    box_w, box_h = front_w - 2 * margin + 2 * rim, front_h - 2 * margin + 2 * rim
    if box_w < 1 or box_h < 1:
        raise PlanError(
            f"margins of {wish.margin_mm:g} mm leave nothing of a print of "
            f"{front_w / px:.0f} x {front_h / px:.0f} mm",
            f"they must be below {min(front_w, front_h) / px / 2.0:.0f} mm",
        )
    if 2 * rim >= min(box_w, box_h):
        raise PlanError("wrap and bleed take the whole picture", 'make them smaller, or "mirror" them')
    w, h = _fit(picture_width, picture_height, box_w, box_h)
    if out and (w, h) != (box_w, box_h):
        raise PlanError(
            f"a picture of {picture_width} x {picture_height} pixels does not fill a print of "
            f"{front_w / px:.0f} x {front_h / px:.0f} mm, and wrap and bleed need a picture that reaches its "
            "edges",
            "give the width or the height alone",
        )
    if out and not rim and out > min(w, h):
        raise PlanError("wrap and bleed are wider than the picture that is to be mirrored into them")
    width, height = front_w + 2 * out, front_h + 2 * out
    if width * height > MOST_PIXELS:
        enough = wish.ppi * math.sqrt(MOST_PIXELS / (width * height))
        raise PlanError(
            f"a print of {width / px / 1e3:.3g} x {height / px / 1e3:.3g} m at {wish.ppi:g} pixels per inch "
            f"has {width * height / 1e9:,.0f} gigapixels, more than {MOST_PIXELS / 1e9:.0f}",
            f"at {math.floor(enough):g} pixels per inch it could be made",
        )
    x, y = (width - w) // 2, (height - h) // 2
    return PrintLayout(
        ppi=wish.ppi,
        width=width,
        height=height,
        trim=Rect(bleed, bleed, width - bleed, height - bleed),
        front=Rect(out, out, width - out, height - out),
        picture=Rect(x, y, x + w, y + h),
        mirrored=bool(out and not rim),
    )


def _check(wish: PrintWish) -> None:
    need_positive("the pixels per inch", wish.ppi)
    if not COARSEST_PPI <= wish.ppi <= FINEST_PPI:
        raise PlanError(
            f"{wish.ppi:g} pixels per inch is no print",
            f"from {COARSEST_PPI:g} to {FINEST_PPI:g} can be had; print houses ask for {PRINT_PPI:g}",
        )
    for what, mm in (("width", wish.width_mm), ("height", wish.height_mm)):
        if mm is not None and need_positive(f"the print's {what}", mm, "mm") > LONGEST_MM:
            raise PlanError(
                f"a print {mm / 1e3:,.0f} m in {what} is larger than sensible",
                f"up to {LONGEST_MM / 1e3:.0f} m can be had",
            )
    for what, mm in (("margin", wish.margin_mm), ("wrap", wish.wrap_mm), ("bleed", wish.bleed_mm)):
        if not (math.isfinite(mm) and mm >= 0.0):
            raise PlanError(f"the {what} must be 0 mm or more, not {mm:g} mm")
        if mm > LONGEST_MM:
            raise PlanError(f"a {what} of {mm / 1e3:,.0f} m is larger than sensible")
    if wish.margin_mm and (wish.wrap_mm or wish.bleed_mm):
        raise PlanError(
            "a print has either margins of bare paper, or picture past its edge (wrap, bleed), not both"
        )


def _front(w: int, h: int, wish: PrintWish, margin: int, rim: int) -> tuple[int, int]:
    """Pixels of what faces the viewer."""
    px, inner = wish.ppi / MM_PER_INCH, rim - margin
    sides = [None if mm is None else max(1, round(mm * px)) for mm in (wish.width_mm, wish.height_mm)]
    match sides:
        case [None, None]:
            return max(1, w - 2 * inner), max(1, h - 2 * inner)
        case [int(width), None]:
            return width, max(1, round((width + 2 * inner) * h / w) - 2 * inner)
        case [None, int(height)]:
            return max(1, round((height + 2 * inner) * w / h) - 2 * inner), height
        case [int(width), int(height)]:
            return width, height
    raise AssertionError(sides)


def _fit(w: int, h: int, box_w: int, box_h: int) -> tuple[int, int]:
    """The largest size of the picture's shape inside the box; the box itself where only rounding differs."""
    if abs(box_h - box_w * h / w) <= 1.0 or abs(box_w - box_h * w / h) <= 1.0:
        return box_w, box_h
    scale = min(box_w / w, box_h / h)
    return min(max(1, round(w * scale)), box_w), min(max(1, round(h * scale)), box_h)

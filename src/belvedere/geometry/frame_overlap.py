"""How much of one frame another one sees, by their shape and directions alone (no distortion)."""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float]
Matrix = Sequence[Sequence[float]]


def overlap_area(frame: Point, other: Point, turn: Matrix) -> float:
    """Share of a frame's area that another frame sees too.

    The other frame's four sides are planes through the entrance pupil, so what it sees of the first one is a
    convex polygon, found by clipping at each of them.

    Parameters
    ----------
    frame, other : tuple of 2 float
        Half width and half height over the focal length (tangents of the half angles of view), > 0.
    turn : 3 x 3 matrix
        Takes directions in the first camera's axes (x right, y down, z forward) to the other's.

    Returns
    -------
    share : float
        0 to 1; exact, unlike the share of rays counted by `Camera.project`.

    References
    ----------
    I. E. Sutherland, G. W. Hodgman, Reentrant polygon clipping, Comm. ACM 17 (1974), 32-42.
    """
    a, b = frame
    outline: list[Point] = [(-a, -b), (a, -b), (a, b), (-a, b)]
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = turn
    wide, tall = other
    for edge in (
        (wide * zx - xx, wide * zy - xy, wide * zz - xz),
        (wide * zx + xx, wide * zy + xy, wide * zz + xz),
        (tall * zx - yx, tall * zy - yy, tall * zz - yz),
        (tall * zx + yx, tall * zy + yy, tall * zz + yz),
    ):
        outline = _clip(outline, edge)
        if not outline:
            return 0.0
    return min(1.0, _area(outline) / (4.0 * a * b))


def _clip(outline: list[Point], edge: tuple[float, float, float]) -> list[Point]:
    """The part of a convex polygon where edge . (x, y, 1) >= 0."""
    p, q, r = edge
    out: list[Point] = []
    x0, y0 = outline[-1]
    d0 = p * x0 + q * y0 + r
    for x1, y1 in outline:
        d1 = p * x1 + q * y1 + r
        if (d0 >= 0.0) != (d1 >= 0.0):
            t = d0 / (d0 - d1)
            out.append((x0 + t * (x1 - x0), y0 + t * (y1 - y0)))
        if d1 >= 0.0:
            out.append((x1, y1))
        x0, y0, d0 = x1, y1, d1
    return out


def _area(outline: list[Point]) -> float:
    """Area of a polygon (the shoelace formula)."""
    twice = 0.0
    x0, y0 = outline[-1]
    for x1, y1 in outline:
        twice += x0 * y1 - x1 * y0
        x0, y0 = x1, y1
    return abs(twice) / 2.0

"""The shape of a hand before the lens: rounded limbs that flow into each other, as height over the picture.

Everything in mm on the hand's own plane: origin at the wrist, x across, y towards the fingers, z to the
camera. Sizes are those of a grown person's hand (palm 85 mm wide, middle finger 80 mm; common practice, no
published source).
"""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

HAND, NAIL, SLEEVE = range(3)
_ROOTS = ((-30.0, 96.0), (-10.0, 101.0), (11.0, 98.0), (30.0, 89.0))
_LENGTHS = (72.0, 80.0, 74.0, 58.0)
_RADII = (9.4, 9.8, 9.2, 7.9)
_WEB = 5.0  # how softly limbs flow into each other


@dataclass(frozen=True, slots=True)
class Pose:
    """How a hand is held.

    Parameters
    ----------
    stretched : tuple of 4 bool
        Index to little finger; the others are folded before the palm.
    thumb : bool
        Whether the thumb stands off.
    spread_deg : float
        Between neighbouring fingers.
    bend : tuple of 4 float
        Sideways bend of every finger, degrees a joint.
    left : bool
        Mirrored.
    fat : float
        Factor on all thicknesses (gloves are thicker).
    """

    stretched: tuple[bool, bool, bool, bool]
    thumb: bool
    spread_deg: float
    bend: tuple[float, float, float, float]
    left: bool
    fat: float


@dataclass(frozen=True, slots=True)
class Limbs:
    """Tapered limbs with round ends: rows of `ends` are x0, y0, r0, x1, y1, r1, lift."""

    ends: NDArray[np.float64]
    kind: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Relief:
    """A hand as drawn: every array (height, width).

    `outside` is the distance to the outline, mm, negative inside; `height` z, mm; `along` and `across` the
    place on the limb seen, mm; `limb` its index; `kind` what it is made of.
    """

    outside: NDArray[np.float32]
    height: NDArray[np.float32]
    along: NDArray[np.float32]
    across: NDArray[np.float32]
    limb: NDArray[np.int64]
    kind: NDArray[np.int64]


def limbs_of(pose: Pose) -> Limbs:
    """The limbs of a hand in a pose, far ones first."""
    ends: list[tuple[float, ...]] = []
    kind: list[int] = []

    def add(x0: float, y0: float, r0: float, x1: float, y1: float, r1: float, lift: float, what: int) -> None:
        fat = pose.fat if what == HAND else 1.0
        ends.append((x0, y0, r0 * fat, x1, y1, r1 * fat, lift))
        kind.append(what)

    add(0.0, -420.0, 62.0, 0.0, -62.0, 47.0, 4.0, SLEEVE)
    add(0.0, -80.0, 29.0, 0.0, 2.0, 25.0, 0.0, HAND)
    for x, y in _ROOTS:
        add(x * 0.55, 14.0, 19.0, x * 0.93, y - 14.0, 15.5, 0.0, HAND)
    add(-20.0, 16.0, 19.0, -34.0, 50.0, 14.0, 5.0, HAND)  # ball of the thumb
    add(22.0, 14.0, 17.0, 29.0, 46.0, 15.0, 3.0, HAND)
    if pose.thumb:
        x, y = -38.0, 50.0
        for length, turn, r0, r1 in ((34.0, -42.0, 13.0, 11.5), (30.0, -30.0, 11.5, 8.6)):
            dx, dy = length * math.sin(math.radians(turn)), length * math.cos(math.radians(turn))
            add(x, y, r0, x + dx, y + dy, r1, 6.0, HAND)
            x, y = x + dx, y + dy
    else:
        add(-36.0, 46.0, 13.0, -8.0, 70.0, 11.0, 14.0, HAND)
        add(-8.0, 70.0, 11.0, 14.0, 78.0, 9.0, 16.0, HAND)
    for i, (x, y) in enumerate(_ROOTS):
        if not pose.stretched[i]:
            add(x, y - 4.0, _RADII[i] * 1.12, x * 0.86, y - 36.0, _RADII[i] * 1.05, 13.0, HAND)
            continue
        turn = (i - 1.4) * pose.spread_deg
        for part, share in enumerate((0.46, 0.30, 0.24)):
            length = _LENGTHS[i] * share
            dx, dy = length * math.sin(math.radians(turn)), length * math.cos(math.radians(turn))
            r0, r1 = (1.08, 0.97, 0.90, 0.76)[part], (1.08, 0.97, 0.90, 0.76)[part + 1]
            add(x, y, _RADII[i] * r0, x + dx, y + dy, _RADII[i] * r1, 1.0, HAND)
            x, y = x + dx, y + dy
            turn += pose.bend[i]
    table = np.array(ends)
    if pose.left:
        table[:, 0] *= -1.0
        table[:, 3] *= -1.0
    return Limbs(table, np.array(kind, dtype=np.int64))


def draw_limbs(
    limbs: Limbs, width: int, height: int, origin: tuple[float, float], turn_rad: float, mm_per_px: float
) -> Relief:
    """Draw limbs into a picture.

    Parameters
    ----------
    origin : tuple of 2 float
        Pixel of the wrist.
    turn_rad : float
        Angle of the fingers from straight up, towards the right.
    mm_per_px : float
        Size of a pixel on the hand's plane.
    """
    shape = (height, width)
    out = Relief(
        np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.float32),
        np.empty(shape, np.float32), np.empty(shape, np.int64), np.empty(shape, np.int64),
    )  # fmt: skip
    _draw(
        limbs.ends, limbs.kind, origin[0], origin[1], math.sin(turn_rad), math.cos(turn_rad), mm_per_px,
        out.outside, out.height, out.along, out.across, out.limb, out.kind,
    )  # fmt: skip
    return out


@njit(inline="always")
def _soft_min(a: float, b: float, k: float) -> float:
    """Minimum with its corner rounded over k (polynomial)."""
    h = max(k - abs(a - b), 0.0) / k
    return min(a, b) - h * h * k * 0.25


@njit(cache=True, nogil=True)
def _draw(
    ends: NDArray[np.float64],
    kinds: NDArray[np.int64],
    ox: float,
    oy: float,
    sin_t: float,
    cos_t: float,
    scale: float,
    outside: NDArray[np.float32],
    height: NDArray[np.float32],
    along: NDArray[np.float32],
    across: NDArray[np.float32],
    limb: NDArray[np.int64],
    kind: NDArray[np.int64],
) -> None:
    """Every pixel against every limb: distance to the outline, height, and the limb on top."""
    n = ends.shape[0]
    for row in range(outside.shape[0]):
        for col in range(outside.shape[1]):
            u, v = (col - ox) * scale, (oy - row) * scale
            x, y = u * cos_t - v * sin_t, u * sin_t + v * cos_t
            out, top, best = 1e6, -1e6, -1e6
            seen = 0
            for i in range(n):
                x0, y0, r0 = ends[i, 0], ends[i, 1], ends[i, 2]
                dx, dy, dr = ends[i, 3] - x0, ends[i, 4] - y0, ends[i, 5] - r0
                length2 = dx * dx + dy * dy + 1e-9
                t = min(max(((x - x0) * dx + (y - y0) * dy) / length2, 0.0), 1.0)
                px, py = x - x0 - t * dx, y - y0 - t * dy
                d = math.sqrt(px * px + py * py)
                r = r0 + t * dr
                z = ends[i, 6] + (math.sqrt(r * r - d * d) if d < r else -3.0 * (d - r))
                out = _soft_min(out, d - r, _WEB)
                top = -_soft_min(-top, -z, _WEB)
                if z > best:
                    best = z
                    seen = i
                    length = math.sqrt(length2)
                    along[row, col] = t * length
                    across[row, col] = (px * dy - py * dx) / length
            outside[row, col] = out
            height[row, col] = top
            limb[row, col] = seen
            kind[row, col] = kinds[seen]

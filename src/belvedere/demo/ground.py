"""Land and water: the colour of every layer where it is seen."""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.demo.noise import UNBOUNDED, add_octave, smoothstep

TAU = 2.0 * math.pi


@njit(cache=True, nogil=True)
def sum_octaves_ring(
    coarse: NDArray[np.float32],
    middle: NDArray[np.float32],
    fine: NDArray[np.float32],
    turn: NDArray[np.float64],
    y: NDArray[np.float64],
    shrink: NDArray[np.float32],
    n: int,
    first_cells: int,
    stretch: float,
    focal_px: float,
    seed: int,
) -> None:
    """Fill three bands of noise on the cylinder around the viewer, from `first_cells` a turn to the pixel.

    `turn` is yaw / 2 pi (0 to 1), y the Mercator height asinh(e) in radians; cells are `stretch`
    times as wide as high. Octaves 0-2 go to `coarse`,
    3-5 to `middle`, all finer ones to `fine`, each octave with the same contrast: that is what natural
    ground has (Field, J. Opt. Soc. Am. A 4 (1987) 2379: amplitude falls as 1/frequency).
    """
    coarse[:n] = 0.0
    middle[:n] = 0.0
    fine[:n] = 0.0
    cells = first_cells
    octave = 0
    while TAU * focal_px / (cells * max(stretch, 1.0)) > 1.5:
        px = TAU * focal_px / (cells * max(stretch, 1.0))
        band = coarse if octave < 3 else (middle if octave < 6 else fine)
        add_octave(
            band, turn, y, shrink, n, cells, cells * stretch / TAU, cells, px, 1.0, seed * 131 + octave
        )
        cells = cells * 2 + octave % 2
        octave += 1


@njit(cache=True, nogil=True)
def sum_octaves_plane(
    coarse: NDArray[np.float32],
    fine: NDArray[np.float32],
    x: NDArray[np.float64],
    z: NDArray[np.float64],
    shrink: NDArray[np.float32],
    n: int,
    first_cell: float,
    last_cell: float,
    stretch: float,
    focal_px: float,
    seed: int,
) -> None:
    """Fill two bands of noise on a horizontal plane at unit depth; cells halve from first to last.

    `shrink` is the angle a unit of plane spans as seen, at its narrowest; `stretch` widens cells along x.
    """
    coarse[:n] = 0.0
    fine[:n] = 0.0
    cell = first_cell
    octave = 0
    while cell >= last_cell and cell * focal_px > 1.5:
        band = coarse if octave < 3 else fine
        add_octave(
            band, x, z, shrink, n, 1.0 / (cell * stretch), 1.0 / cell, UNBOUNDED, cell * focal_px, 1.0,
            seed * 173 + octave,
        )  # fmt: skip
        cell *= 0.5
        octave += 1


@njit(inline="always")
def _lit(sun: float) -> float:
    """Sunlight on a slope, soft towards full shade so that shade keeps its drawing, at most 1.7."""
    knee = np.float32(0.30)
    soft = knee * knee / (knee + max(knee - sun, np.float32(0.0)))
    return min(max(sun, soft), np.float32(1.7))


@njit(inline="always")
def _mix(a: float, b: float, t: float) -> float:
    return a + (b - a) * t


@njit(cache=True, nogil=True)
def colour_land(
    colour: NDArray[np.float32],
    layer: int,
    coarse: NDArray[np.float32],
    middle: NDArray[np.float32],
    fine: NDArray[np.float32],
    height: NDArray[np.float32],
    n: int,
    haze: NDArray[np.float32],
) -> None:
    """Colour the first `n` spots of a land layer: 0 the range, 1 the hills, 2 the headland, 3 the ground.

    Of the ground `coarse` and `middle` are noise lying on it, `fine` and `height` noise standing up. Sun and
    sky light go on the layer's own colour; far layers then fade into `haze`.
    """
    f = np.float32
    for i in range(n):
        c, m, d, e = coarse[i], middle[i], fine[i], height[i]
        if layer == 0:
            r, g, b, sun, air = _range(c, m, d, e)
            r, g, b = (
                r * (f(0.10) + f(0.85) * sun),
                g * (f(0.13) + f(0.80) * sun),
                b * (f(0.20) + f(0.70) * sun),
            )
        elif layer == 1:
            r, g, b, sun, air = _hills(c, m, d)
            r, g, b = (
                r * (f(0.09) + f(1.0) * sun),
                g * (f(0.11) + f(0.95) * sun),
                b * (f(0.16) + f(0.85) * sun),
            )
        else:
            r, g, b, sun = _head(c, m, d, e) if layer == 2 else _ground(c, m, d, e)
            air = f(0.0)
            r = max(r, f(0.0)) * (f(0.08) + f(1.05) * sun)
            g = max(g, f(0.0)) * (f(0.10) + f(1.00) * sun)
            b = max(b, f(0.0)) * (f(0.15) + f(0.88) * sun)
            if layer == 2:
                r, g, b = r + f(0.010), g + f(0.013), b + f(0.018)
        if air > f(0.0):
            r, g, b = _mix(r, haze[0], air), _mix(g, haze[1], air), _mix(b, haze[2], air)
        colour[i, 0], colour[i, 1], colour[i, 2] = r, g, b


@njit(inline="always")
def _range(
    coarse: float, middle: float, fine: float, height: float
) -> tuple[float, float, float, float, float]:
    """Far mountains: rock, scree and forest below, snow in the heights, sun from the left, blue air."""
    f = np.float32
    slope = f(0.75) * coarse + f(0.62) * middle + f(0.30) * fine
    sun = _lit(f(0.58) + f(0.55) * slope)
    up = height + f(0.03) * coarse + f(0.022) * middle + f(0.008) * fine
    snow = smoothstep(f(0.145), f(0.165), up)
    wood = smoothstep(f(0.075), f(0.055), up)
    grain = f(1.0) + f(0.16) * fine
    r = _mix(_mix(f(0.34), f(0.10), wood) * grain, f(0.80), snow)
    g = _mix(_mix(f(0.30), f(0.15), wood) * grain, f(0.82), snow)
    b = _mix(_mix(f(0.26), f(0.07), wood) * grain, f(0.86), snow)
    air = f(0.33) - f(0.7) * height
    return r, g, b, sun, min(max(air, f(0.13)), f(0.45))


@njit(inline="always")
def _hills(coarse: float, middle: float, fine: float) -> tuple[float, float, float, float, float]:
    """Hills: meadows, heath and woods with dark crowns."""
    f = np.float32
    wood = smoothstep(f(-0.05), f(0.10), f(0.55) * coarse + f(0.35) * middle)
    heath = smoothstep(f(0.15), f(0.30), middle - f(0.5) * coarse)
    crown = smoothstep(f(-0.5), f(0.5), fine + f(0.4) * middle)
    sun = _lit(f(0.6) + f(0.35) * coarse + f(0.3) * middle + f(0.26) * fine)
    r = _mix(_mix(f(0.22), f(0.30), heath), f(0.035) + f(0.075) * crown, wood)
    g = _mix(_mix(f(0.28), f(0.20), heath), f(0.060) + f(0.110) * crown, wood)
    b = _mix(_mix(f(0.08), f(0.11), heath), f(0.030) + f(0.035) * crown, wood)
    return r, g, b, sun, f(0.16)


@njit(inline="always")
def _head(coarse: float, middle: float, fine: float, height: float) -> tuple[float, float, float, float]:
    """The headland: turf on top, bedded cliffs of warm stone where it falls off, boulders."""
    f = np.float32
    depth = -height + f(0.010) * middle + f(0.016) * coarse  # below the edge, in e
    turf = smoothstep(f(0.034), f(0.020), depth + f(0.004) * fine)
    beds = f(0.5) + f(0.5) * math.sin((depth * f(900.0)) + f(4.0) * coarse + f(1.5) * middle)
    sun = _lit(f(0.58) + f(0.3) * coarse + f(0.38) * middle + f(0.30) * fine)
    stone = f(0.75) + f(0.25) * beds
    r = _mix(f(0.36) * stone, f(0.20) + f(0.03) * middle, turf)
    g = _mix(f(0.30) * stone, f(0.26) + f(0.03) * fine, turf)
    return r, g, _mix(f(0.23) * stone, f(0.07), turf), sun


@njit(inline="always")
def _ground(coarse: float, fine: float, tuft: float, blade: float) -> tuple[float, float, float, float]:
    """Ground near by: grass in tufts, trodden earth, pebbles and lichened stone."""
    f = np.float32
    earth = smoothstep(f(0.10), f(0.35), coarse + f(0.25) * fine)
    rock = smoothstep(f(0.62), f(0.80), f(0.45) * fine - f(0.6) * coarse + f(0.25) * tuft)
    sun = _lit(f(0.64) + f(0.16) * fine + f(0.20) * tuft + f(0.28) * blade)
    r = _mix(_mix(f(0.21) + f(0.05) * tuft, f(0.33), earth), f(0.30) + f(0.05) * blade, rock)
    g = _mix(_mix(f(0.25) + f(0.03) * tuft, f(0.26), earth), f(0.285) + f(0.05) * blade, rock)
    b = _mix(_mix(f(0.06), f(0.17), earth), f(0.25) + f(0.04) * blade, rock)
    return r, g, b, sun


@njit(cache=True, nogil=True)
def colour_sea(
    colour: NDArray[np.float32],
    coarse: NDArray[np.float32],
    fine: NDArray[np.float32],
    ripple: NDArray[np.float32],
    e: NDArray[np.float64],
    n: int,
    haze: NDArray[np.float32],
) -> None:
    """The sea: deep green-blue that mirrors the sky at a low angle, wind lanes, crests."""
    f = np.float32
    for i in range(n):
        down = f(-e[i])
        grazing = f(1.0) / (f(1.0) + f(14.0) * down)  # share of sky mirrored
        wave = f(0.16) * coarse[i] + f(0.22) * fine[i] + f(0.17) * ripple[i]
        crest = smoothstep(f(0.80), f(1.70), f(0.60) * coarse[i] + f(0.5) * fine[i] + f(0.12) * ripple[i])
        air = f(0.50) * math.exp(-down * f(60.0))
        mirror = min(_lit(grazing * f(0.62) + f(0.45) * wave), f(1.0))
        r = _mix(f(0.020), f(0.36), mirror) + f(0.5) * crest
        g = _mix(f(0.085), f(0.47), mirror) + f(0.5) * crest
        b = _mix(f(0.105), f(0.62), mirror) + f(0.5) * crest
        colour[i, 0] = _mix(r, haze[0], air)
        colour[i, 1] = _mix(g, haze[1], air)
        colour[i, 2] = _mix(b, haze[2], air)

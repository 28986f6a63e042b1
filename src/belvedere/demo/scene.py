"""The light that reaches every pixel of a band of rows: rays, what they meet, and its colour."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.demo import ground, place, sky
from belvedere.demo.noise import turns
from belvedere.demo.rays import rays_of_row, undistortion_table
from belvedere.geometry.camera import Camera


@dataclass(frozen=True, slots=True)
class View:
    """A camera in the place, ready for the kernels.

    Parameters
    ----------
    camera : Camera
        Displayed pixels, world to camera.
    centre_m : tuple of 3 float
        Where its entrance pupil is, m from the place's origin, world axes.
    drift : tuple of 2 float
        How far the clouds have moved, in units of the cloud sheet.
    """

    camera: Camera
    centre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    drift: tuple[float, float] = (0.0, 0.0)


def light_of_rows(
    view: View, where: place.Place, first_row: int, rows: int, *, detail_px: float | None = None
) -> NDArray[np.float32]:
    """Scene-linear light of displayed rows first_row to first_row + rows.

    Parameters
    ----------
    detail_px : float or None
        Focal length in px that sets the finest detail; None: the camera's own. The place shows the same
        detail to every frame that is given the same value.

    Returns
    -------
    light : ndarray of shape (rows, width, 3), float32
        1 is a sunlit white wall, about.
    """
    camera = view.camera
    light = np.empty((rows, camera.width, 3), dtype=np.float32)
    focal = float(detail_px if detail_px is not None else camera.focal_px)
    table, radius2 = undistortion_table(camera)
    _light_of_rows(
        light,
        first_row,
        camera.focal_px,
        np.array(camera.principal_point, dtype=np.float64),
        camera.rotation,
        table,
        radius2,
        np.array(view.centre_m, dtype=np.float64),
        place.outlines(where, place.outline_samples(focal)),
        np.array(where.distances_m),
        np.array(place.WATERLINES),
        np.array(where.sun),
        np.array(sky.HAZE, dtype=np.float32),
        float(where.clouds),
        np.array(view.drift, dtype=np.float64),
        focal,
        where.eye_m,
        where.seed,
    )
    return light


@njit(cache=True, nogil=True)
def _seen_on_cylinder(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    centre: NDArray[np.float64],
    distance: float,
    px: NDArray[np.float64],
    pz: NDArray[np.float64],
    e: NDArray[np.float64],
) -> None:
    """Where rays from `centre` meet the cylinder of radius `distance`: horizontal place and e seen from 0."""
    c2 = centre[0] * centre[0] + centre[2] * centre[2] - distance * distance
    for i in range(len(dx)):
        h2 = dx[i] * dx[i] + dz[i] * dz[i] + 1e-30
        b = centre[0] * dx[i] + centre[2] * dz[i]
        s = (math.sqrt(b * b - h2 * c2) - b) / h2
        px[i] = (centre[0] + s * dx[i]) / distance
        pz[i] = (centre[2] + s * dz[i]) / distance
        e[i] = -(centre[1] + s * dy[i]) / distance


@njit(cache=True, nogil=True)
def _light_of_rows(
    light: NDArray[np.float32],
    first_row: int,
    focal: float,
    pp: NDArray[np.float64],
    rot: NDArray[np.float64],
    table: NDArray[np.float64],
    radius2: float,
    centre: NDArray[np.float64],
    edges: NDArray[np.float32],
    distances: NDArray[np.float64],
    waterlines: NDArray[np.float64],
    sun: NDArray[np.float64],
    haze: NDArray[np.float32],
    cover: float,
    drift: NDArray[np.float64],
    detail: float,
    eye: float,
    seed: int,
) -> None:
    """Row by row: rays, coverage of every layer (near hides far), then each layer's colour where seen."""
    f = np.float32
    w = light.shape[1]
    layers = edges.shape[0]
    samples = edges.shape[1]
    moved = centre[0] != 0.0 or centre[1] != 0.0 or centre[2] != 0.0
    dx, dy, dz = np.empty(w), np.empty(w), np.empty(w)
    px, pz, e, turn = np.empty(w), np.empty(w), np.empty(w), np.empty(w)
    left = np.empty(w, dtype=np.float32)  # how much of the pixel nearer layers leave open
    scratch = np.empty((8, w))
    bands = np.empty((5, w), dtype=np.float32)
    height = np.empty(w, dtype=np.float32)
    share = np.empty(w, dtype=np.float32)
    colour = np.empty((w, 3), dtype=np.float32)
    index = np.empty(w, dtype=np.int32)
    for row in range(light.shape[0]):
        line = light[row]
        line[:] = f(0.0)
        left[:] = f(1.0)
        rays_of_row(dx, dy, dz, float(first_row + row), focal, pp, rot, table, radius2)
        for layer in range(layers - 1, -1, -1):
            if moved or layer == layers - 1:
                _seen_on_cylinder(dx, dy, dz, centre, distances[layer], px, pz, e)
                turns(px, pz, turn, w)
            # Which pixels show this layer, and how much of each.
            n = 0
            for i in range(w):
                if left[i] <= f(0.0):
                    continue
                t = turn[i] * samples
                k = int(t)
                k0 = k if k < samples else 0
                k1 = k0 + 1 if k0 + 1 < samples else 0
                edge = edges[layer, k0] + (edges[layer, k1] - edges[layer, k0]) * (t - k)
                # px per unit of e across a level edge: focal / (1 + e^2); half a pixel either side
                per = detail / (1.0 + e[i] * e[i])
                cover_here = (
                    min((edge - e[i]) * per + 0.5, 1.0)
                    + min((e[i] - waterlines[layer]) * per + 0.5, 1.0)
                    - 1.0
                )
                if cover_here <= 0.0:
                    continue
                a = f(min(cover_here, 1.0)) * left[i]
                left[i] -= a
                if left[i] < f(1e-4):
                    left[i] = f(0.0)
                share[n] = a
                index[n] = i
                height[n] = f(e[i] - edge) if layer == 2 else f(e[i])
                n += 1
            if n == 0:
                continue
            if layer == 3:
                _ground_bands(dx, dy, dz, index, n, centre, scratch, bands, detail, eye, seed)
                ground.colour_land(colour, layer, bands[0], bands[1], bands[2], bands[3], n, haze)
            else:
                for j in range(n):
                    i = index[j]
                    scratch[0, j] = turn[i]
                    scratch[1, j] = math.log(e[i] + math.sqrt(1.0 + e[i] * e[i]))
                    bands[3, j] = f(1.0 / math.sqrt(1.0 + e[i] * e[i]))
                first = 17 if layer == 0 else (29 if layer == 1 else 43)
                stretch = 1.0 if layer < 2 else 0.7
                ground.sum_octaves_ring(
                    bands[0], bands[1], bands[2], scratch[0], scratch[1], bands[3], n, first, stretch, detail,
                    seed * 8 + layer,
                )  # fmt: skip
                ground.colour_land(colour, layer, bands[0], bands[1], bands[2], height, n, haze)
            _deposit(line, colour, index, share, n)
        # Sea and sky lie beyond everything: the viewer's shift of centimetres does not show there.
        if moved:
            turns(dx, dz, turn, w)
        n = 0
        for i in range(w):
            if left[i] <= f(0.0):
                continue
            h = math.sqrt(dx[i] * dx[i] + dz[i] * dz[i])
            ee = -dy[i] / max(h, 1e-12)
            sea = 0.5 - ee * detail
            if sea <= 0.0:
                continue
            a = f(min(sea, 1.0)) * left[i]
            left[i] -= a
            share[n] = a
            index[n] = i
            down = max(dy[i], 1e-7)
            scratch[0, n] = dx[i] / down
            scratch[1, n] = dz[i] / down
            scratch[2, n] = ee
            bands[3, n] = f(down * down)
            n += 1
        if n > 0:
            ground.sum_octaves_plane(
                bands[0], bands[1], scratch[0], scratch[1], bands[3], n, 1.6, 0.0, 1.6, detail, seed * 8 + 5
            )
            for j in range(n):
                scratch[3, j] = turn[index[j]]
                scratch[4, j] = math.log(scratch[2, j] + math.sqrt(1.0 + scratch[2, j] * scratch[2, j]))
                bands[4, j] = f(1.0 / math.sqrt(1.0 + scratch[2, j] * scratch[2, j]))
            ripple = scratch[5].view(np.float32)
            ground.sum_octaves_ring(
                height, ripple, bands[2], scratch[3], scratch[4], bands[4], n, 97, 3.0, detail, seed * 8 + 5
            )
            for j in range(n):
                ripple[j] += bands[2, j]
            ground.colour_sea(colour, bands[0], bands[1], ripple, scratch[2], n, haze)
            _deposit(line, colour, index, share, n)
        n = 0
        for i in range(w):
            if left[i] <= f(0.0):
                continue
            share[n] = left[i]
            index[n] = i
            scratch[4, n] = dx[i]
            scratch[5, n] = dy[i]
            scratch[6, n] = dz[i]
            n += 1
        if n > 0:
            sky.colour_sky(
                colour, scratch[4], scratch[5], scratch[6], n, sun, haze, cover, drift, detail, seed * 8 + 6,
                scratch, bands,
            )  # fmt: skip
            _deposit(line, colour, index, share, n)


@njit(cache=True, nogil=True)
def _ground_bands(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    index: NDArray[np.int32],
    n: int,
    centre: NDArray[np.float64],
    scratch: NDArray[np.float64],
    bands: NDArray[np.float32],
    detail: float,
    eye: float,
    seed: int,
) -> None:
    """Noise for the ground near by: lying on its plane (bands 0, 1) and standing up as tufts (bands 2, 3).

    Both are functions of the spot on the plane, so that a shift of the viewer moves them as one.
    """
    f = np.float32
    for j in range(n):
        i = index[j]
        s = (eye - centre[1]) / max(dy[i], 1e-6)
        x, z = (centre[0] + s * dx[i]) / eye, (centre[2] + s * dz[i]) / eye
        e = -1.0 / math.sqrt(x * x + z * z + 1e-12)
        scratch[0, j], scratch[1, j] = x, z
        scratch[3, j] = math.log(max(e + math.sqrt(1.0 + e * e), 1e-9))
        scratch[4, j] = e
        bands[4, j] = f(1.0 / (1.0 + x * x + z * z))
    turns(scratch[0], scratch[1], scratch[2], n)
    ground.sum_octaves_plane(
        bands[0], bands[1], scratch[0], scratch[1], bands[4], n, 2.3, 0.0, 1.0, detail, seed * 8 + 3
    )
    for j in range(n):
        bands[4, j] = f(1.0 / math.sqrt(1.0 + scratch[4, j] * scratch[4, j]))
    tuft = scratch[4].view(np.float32)
    ground.sum_octaves_ring(
        tuft, bands[2], bands[3], scratch[2], scratch[3], bands[4], n, 61, 1.0, detail, seed * 8 + 7
    )
    for j in range(n):
        bands[2, j] += tuft[j]


@njit(cache=True, nogil=True)
def _deposit(
    line: NDArray[np.float32],
    colour: NDArray[np.float32],
    index: NDArray[np.int32],
    share: NDArray[np.float32],
    n: int,
) -> None:
    """Add a layer's colour to the row, each pixel by its share."""
    for j in range(n):
        i, a = index[j], share[j]
        line[i, 0] += a * colour[j, 0]
        line[i, 1] += a * colour[j, 1]
        line[i, 2] += a * colour[j, 2]

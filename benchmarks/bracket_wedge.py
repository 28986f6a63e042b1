"""A wedge of grey patches shot as a bracket, and how much of its light a merged frame gives back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.metadata import read_metadata
from belvedere.capture.transfer import read_transfer
from belvedere.demo.dng import camera_from_srgb
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import write_exposure
from belvedere.demo.spec import SetSpec, SimulatedBody, SimulatedLens

ROWS, COLUMNS, MARGIN_PX = 8, 8, 8
_BELOW_EV = 14.5  # of the darkest patch below the longest exposure's white

Files = Literal["jpeg", "tiff", "raw"]


@dataclass(frozen=True, slots=True)
class Wedge:
    """A merged wedge, patch by patch; light in units of the shortest exposure's white.

    Parameters
    ----------
    light : ndarray of shape (patches, 3)
        True light, rising.
    mean, sigma : ndarray of shape (patches, 3)
        Mean and standard deviation of the merged light.
    best_sigma : ndarray of shape (patches, 3)
        Standard deviation of the best mean of the very same exposures: with the true light of the patch, the
        true noise of the sensor and the true steps known, exposures that clip here left out.
    samples : int
        Pixels a patch.
    account : BracketAccount
    """

    light: NDArray[np.float64]
    mean: NDArray[np.float64]
    sigma: NDArray[np.float64]
    best_sigma: NDArray[np.float64]
    samples: int
    account: BracketAccount

    def range_ev(self, *, best: bool = False) -> float:
        """Dynamic range: log2(largest light that is not clipped / light whose standard deviation is itself).

        Parameters
        ----------
        best : bool
            With the best weights and steps, not as merged. The largest light is then that of the brightest
            patch below white; of the merged, that of the brightest that comes back within 2 %.

        Raises
        ------
        ValueError
            If no patch of the wedge is darker than the noise.
        """
        sigma = np.sqrt(np.mean((self.best_sigma if best else self.sigma) ** 2, axis=1))
        light = np.log2(np.mean(self.light, axis=1))
        ratio = light - np.log2(np.maximum(sigma, 1e-12))
        under = np.flatnonzero(ratio < 0.0)
        if not under.size:
            raise ValueError("the wedge is not dark enough to show where noise equals light")
        k = int(under.max())
        floor = light[k] - ratio[k] / (ratio[k + 1] - ratio[k]) * (light[k + 1] - light[k])
        held = self.light.max(axis=1) < 1.0
        if not best:
            held &= np.abs(self.mean / self.light - 1.0).max(axis=1) < 0.02
        return float(light[held].max() - floor)

    def bias(self) -> NDArray[np.float64]:
        """Mean over true light - 1, the worst channel, of every patch that clips in no channel, signed."""
        off = self.mean / self.light - 1.0
        worst = np.take_along_axis(off, np.abs(off).argmax(axis=1)[:, None], axis=1)[:, 0]
        return np.where(self.light.max(axis=1) < 1.0, worst, np.nan)


def shoot_wedge(
    folder: Path,
    files: Files,
    bracket_ev: Sequence[float],
    *,
    megapixels: float = 0.6,
    seed: int = 0,
    body: SimulatedBody | None = None,
    **changes: Any,
) -> tuple[Frame, NDArray[np.float64]]:
    """Shoot a wedge of greys from the shortest exposure's white to well below noise, each exposure a file.

    Returns
    -------
    frame : Frame
        Its exposures, in scene light where raw.
    light : ndarray of shape (patches, 3)
        True light of every patch, in units of the shortest exposure's white.
    """
    spec = SetSpec(
        rows=1,
        columns=1,
        megapixels=megapixels,
        orientations=(1,),
        bracket_ev=tuple(bracket_ev),
        brightness=1.0,
        body=body or SimulatedBody(),
        lens=SimulatedLens(vignetting=(0.0, 0.0, 0.0)),
        raw="dng" if files == "raw" else "none",
        bits=16 if files == "tiff" else 8,
        seed=seed,
    )
    spec = replace(spec, **changes)
    shots = plan_shots(spec)
    width, height = spec.stored_size
    darkest = 2.0 ** -(_BELOW_EV + max(bracket_ev) - min(bracket_ev))
    steps = np.geomspace(darkest, 0.97, ROWS * COLUMNS) * 2.0 ** -min(bracket_ev)
    high, wide = height // ROWS, width // COLUMNS
    patch = (np.arange(height) // high).clip(0, ROWS - 1)[:, None] * COLUMNS
    patch = patch + (np.arange(width) // wide).clip(0, COLUMNS - 1)[None, :]
    scene = np.repeat(steps[patch][..., None], 3, axis=2).astype(np.float32)
    folder.mkdir(parents=True, exist_ok=True)
    suffix = {"jpeg": "JPG", "tiff": "TIF", "raw": "DNG"}[files]
    exposures = []
    for k, shot in enumerate(shots):
        file = folder / f"W_{k:04d}.{suffix}"
        write_exposure(spec, shot, scene, file)
        exposures.append(Exposure(file, read_metadata(file), "scene" if files == "raw" else "screen"))
    light = np.repeat(steps[:, None], 3, axis=1) * 2.0 ** min(bracket_ev)
    if files == "raw":
        light = light * camera_from_srgb().sum(axis=1)
    return Frame(tuple(exposures)), light


def merge_wedge(frame: Frame, light: NDArray[np.float64], scratch: Path, body: SimulatedBody) -> Wedge:
    """Merge a wedge's exposures and measure its patches."""
    codes, account = merge_bracket(frame, scratch, decode)
    merged = _patches(linear(codes, frame.metadata))
    told = [exposure.metadata.exposure_ev or 0.0 for exposure in frame.exposures]
    shape = (light.shape[0], 1, 3)
    best, total = np.zeros(merged.shape), np.zeros(shape)
    for exposure, ev in zip(frame.exposures, told, strict=True):
        own, taken = linear(decode(exposure), exposure.metadata), 2.0 ** (ev - min(told))
        seen = (light * taken).reshape(shape)
        variance = np.minimum(seen, 1.0) / body.full_well + (body.read_noise / body.full_well) ** 2
        if exposure.metadata.bits == 8:
            variance = variance + _rounding(exposure, seen)
        free = (seen.max(axis=2, keepdims=True) < 0.95) | (taken == 1.0)
        weight = np.where(free, taken**2 / variance, 0.0)
        best += weight * _patches(own) / taken
        total += weight
    return Wedge(
        light, merged.mean(axis=1), merged.std(axis=1), (best / total).std(axis=1), merged.shape[1], account
    )


def _rounding(exposure: Exposure, light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of rounding light to 8-bit codes."""
    table = read_transfer(exposure.metadata).to_linear.astype(np.float64)
    step = np.interp(light, table, np.gradient(table) * (table.size - 1) / 255.0)
    return np.asarray(step**2 / 12.0)


def linear(codes: NDArray[Any], metadata: Metadata) -> NDArray[np.float64]:
    """Linear light of codes by the curve of their metadata, 1 at white."""
    table = read_transfer(metadata).to_linear.astype(np.float64)
    most = float(np.iinfo(codes.dtype).max)
    return np.interp(codes / most, np.linspace(0.0, 1.0, table.size), table)


def _patches(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """(patches, pixels, 3), without the pixels near a patch's edge."""
    high, wide = light.shape[0] // ROWS, light.shape[1] // COLUMNS
    out = []
    for r in range(ROWS):
        for c in range(COLUMNS):
            top, left = r * high + MARGIN_PX, c * wide + MARGIN_PX
            own = light[top : top + high - 2 * MARGIN_PX, left : left + wide - 2 * MARGIN_PX]
            out.append(own.reshape(-1, 3))
    return np.stack(out)


def tone_bands(wedge: Wedge) -> list[tuple[float, float]]:
    """(Middle of the band, EV below white; mean bias) of bands of 2 EV down to where noise equals light.

    A band's bias is the mean over its patches, each weighted by how surely it is known.
    """
    light = wedge.light.mean(axis=1)
    sigma = np.sqrt(np.mean(wedge.best_sigma**2, axis=1))
    known = (light > sigma) & np.isfinite(wedge.bias())
    off = (wedge.mean / wedge.light - 1.0).mean(axis=1)
    weight = (light / sigma) ** 2
    depth = -np.log2(light)
    bands = []
    for k in range(math.ceil(depth[known].max() / 2.0)):
        own = known & (depth >= 2.0 * k) & (depth < 2.0 * (k + 1))
        if own.any():
            bands.append((2.0 * k + 1.0, float(np.average(off[own], weights=weight[own]))))
    return bands

"""How well and how fast frames are drawn: the figures of docs/resampling.md.

Usage: python benchmarks/resampling.py [--speed]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.blend import blend_levels, render_tile
from belvedere.compose.kernel import (
    BAND,
    energy_kept,
    kernel_table,
    lanczos3_taps,
    least_squares_taps,
    power_response,
    step_overshoot,
)
from belvedere.compose.light import plain_light
from belvedere.compose.sample import sample
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix


def quality() -> None:
    """Print what each kernel keeps and where it errs."""
    phases = np.arange(257) / 256
    kernels = {
        "Lanczos3": np.array([lanczos3_taps(t) for t in phases]),
        f"least squares, 6 taps, {BAND}": kernel_table()[::4].astype(float),
        "least squares, 6 taps, 0.36": np.array([least_squares_taps(t, band=0.36) for t in phases]),
        "least squares, 6 taps, 0.42": np.array([least_squares_taps(t, band=0.42) for t in phases]),
        f"least squares, 8 taps, {BAND}": np.array([least_squares_taps(t, taps=8) for t in phases]),
    }
    tones = np.array([0.05, 0.10, 0.20, 0.25, 0.30, 0.35, 0.40])
    head = ("kernel", "energy, one axis", "energy, ring", "worst phase", "overshoot", "largest abs(H)")
    print("| " + " | ".join(head) + " |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, taps in kernels.items():
        line, ring = energy_kept(taps)
        band = np.linspace(0.25, 0.40, 61)
        worst = power_response(taps, band).mean(axis=1).min()
        largest = np.sqrt(power_response(taps, np.linspace(0, 0.5, 201)).max())
        print(
            f"| {name} | {line:.3f} | {ring:.3f} | {worst:.3f} | {step_overshoot(taps):.3f} | {largest:.3f} |"
        )
    print("\nabs(H) of the kernel, smallest and largest over the phases")
    print("| cycles/px | " + " | ".join(f"{f:.2f}" for f in tones) + " |")
    print("| --- " * (tones.size + 1) + "|")
    for name in list(kernels)[:2]:
        h = np.sqrt(power_response(kernels[name], tones))
        cells = (f"{a:.3f} to {b:.3f}" for a, b in zip(h.min(axis=0), h.max(axis=0), strict=True))
        print(f"| {name} | " + " | ".join(cells) + " |")


def best(work: Callable[[], object], runs: int = 5) -> float:
    """Least processor time of some runs, s: the machine may be shared."""
    times = []
    for _ in range(runs):
        start = time.thread_time()
        work()
        times.append(time.thread_time() - start)
    return min(times)


def speed() -> None:
    """Print MP/s of one thread on frames of 24 megapixels."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(1)
    focal = 5600.0
    cameras = [
        Camera(
            4000,
            6000,
            focal,
            (1999.5, 2999.5),
            (-0.06, 0.01, 0.0),
            quaternion_from_matrix(pose_matrix(yaw, 0.01, 0.02).T),
        )
        for yaw in (-0.47, 0.0, 0.47)
    ]
    lights = [plain_light(c) for c in cameras]
    plate = Plate("cylindrical", 9000, 6000, focal * 0.99, (4500.0, 3000.0))
    levels = blend_levels(plate, cameras)
    axes = np.array([plate.points(c.rotation[2])[0] for c in cameras])
    between = (axes[1:] + axes[:-1]) / 2

    def owners(x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        x = np.arange(x0, x0 + width)[None, :] * step
        y = np.arange(y0, y0 + height)[:, None] * step
        wave = (80 * np.sin(y / 300.0)).astype(int)
        return (x > between[0] + wave).astype(np.int16) + (x > between[1] + wave)

    print(f"\n{levels} levels; MP per second of processor time, one thread")
    print("| source | tile | sample | render_tile, three frames |")
    print("| --- | --- | --- | --- |")
    for dtype in (np.uint8, np.uint16):
        picture = rng.integers(0, np.iinfo(dtype).max, (6000, 4000, 3), dtype=dtype)
        source = FramesInMemory([picture] * 3)
        for tile in (512, 1024, 2048):
            spots = [(x, y) for y in range(1000, 3048, tile) for x in range(500, 8692, tile)]
            inner = [(x, y) for x, y in spots if x > 3000 and x + tile < 6000] or [(3400, 1000)]

            def draw(
                source: FramesInMemory = source, tile: int = tile, inner: list[tuple[int, int]] = inner
            ) -> None:
                for x, y in inner:
                    sample(source, 1, 0, cameras[1], lights[1], plate, 1, x, y, tile, tile)

            def render(
                source: FramesInMemory = source, tile: int = tile, spots: list[tuple[int, int]] = spots
            ) -> None:
                for x, y in spots:
                    render_tile(source, cameras, lights, plate, owners, levels, x, y, tile, tile)

            drawn = len(inner) * tile * tile / 1e6 / best(draw)
            rendered = len(spots) * tile * tile / 1e6 / best(render, 3)
            print(f"| {np.dtype(dtype).name} | {tile} | {drawn:.0f} | {rendered:.0f} |")


if __name__ == "__main__":
    quality()
    if "--speed" in sys.argv:
        speed()

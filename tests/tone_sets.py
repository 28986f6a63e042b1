"""Small sets with known tone: smooth random light over directions, through simulated exposures."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment, LensGroup, Level, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.transfer import Transfer
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.options import ToneOptions
from belvedere.tone.tone import Tone


def srgb_table() -> NDArray[np.float32]:
    """IEC 61966-2-1:1999, 5.2: linear light at codes 0, 1/1024, ..., 1."""
    c = np.linspace(0.0, 1.0, 1025)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)


def encode(light: NDArray[np.float64], contrast: float) -> NDArray[np.float64]:
    """sRGB, then an S-curve through 0, 1/2 and 1 of our own."""
    x = np.clip(light, 0.0, 1.0)
    c = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(c + contrast * (2 * c - 1) * c * (1 - c))


@dataclass
class ToneSet:
    """A grid of frames and what was done to each."""

    columns: int = 4
    rows: int = 1
    width: int = 360
    height: int = 480
    gain_ev: tuple[float, ...] = (0.0,)
    told_ev: tuple[float | None, ...] = (0.0,)
    red_ev: tuple[float, ...] = (0.0,)
    vignetting: tuple[float, float, float] = (-0.32, 0.06, -0.02)
    contrast: float = 0.0
    brightness: float = 0.35
    bits: int = 8
    noise: float = 0.004
    seed: int = 1
    blobs: dict[int, tuple[float, float]] = field(default_factory=dict)  # frame: (yaw, pitch) of a lamp
    unused: tuple[int, ...] = ()
    level_pixels: int = 60_000

    def cameras(self) -> list[Camera]:
        focal = 1.0 * self.height
        yaw_step = 2 * np.arctan(self.width / 2 / focal) * 0.66
        pitch_step = 2 * np.arctan(self.height / 2 / focal) * 0.66
        rng = np.random.default_rng(self.seed)
        out = []
        for row in range(self.rows):
            for column in range(self.columns):
                yaw = yaw_step * (column - (self.columns - 1) / 2) + rng.normal(0, 0.004)
                pitch = -pitch_step * (row - (self.rows - 1) / 2) + rng.normal(0, 0.004)
                plain = Camera(
                    self.width,
                    self.height,
                    focal,
                    (self.width / 2 + 2.0, self.height / 2 - 3.0),
                    (-0.04, 0.0, 0.0),
                    (1.0, 0.0, 0.0, 0.0),
                )
                out.append(plain.with_rotation(pose_matrix(yaw, pitch, rng.normal(0, 0.003)).T))
        return out

    def of(self, values: tuple[float, ...]) -> NDArray[np.float64]:
        n = self.rows * self.columns
        return np.array([values[i % len(values)] for i in range(n)])

    def light(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Scene light (..., 3): about five stops, smooth, coloured."""
        rng = np.random.default_rng(self.seed + 100)
        out = np.zeros((*directions.shape[:-1], 3))
        for size in (2.0, 5.0, 12.0):
            for _ in range(3):
                wave = np.sin(directions @ (size * rng.normal(size=3)) + rng.uniform(0, 6))
                out += wave[..., None] * (0.5 + 0.12 * rng.normal(size=3))
        return np.asarray(self.brightness * np.exp2(out))

    def frames(self) -> list[NDArray[np.uint8] | NDArray[np.uint16]]:
        rng = np.random.default_rng(self.seed + 200)
        out = []
        gains, reds = self.of(self.gain_ev), self.of(self.red_ev)
        for i, camera in enumerate(self.cameras()):
            v, u = np.mgrid[0 : self.height, 0 : self.width]
            points = np.stack([u, v], axis=-1).astype(np.float64)
            rays = camera.rays(points)
            light = self.light(rays)
            if i in self.blobs:
                yaw, pitch = self.blobs[i]
                lamp = np.array([np.cos(pitch) * np.sin(yaw), -np.sin(pitch), np.cos(pitch) * np.cos(yaw)])
                light *= (1.0 + 3.0 * np.exp(-((1.0 - rays @ lamp) / 0.004)))[..., None]
            q = np.sum((points - camera.principal_point) ** 2, axis=-1) / camera.half_diagonal_px**2
            light *= (illumination(self.vignetting, q) * 2.0 ** gains[i])[..., None]
            light[..., 0] *= 2.0 ** reds[i]
            light += rng.normal(size=light.shape) * self.noise * np.sqrt(light)
            most = 255 if self.bits == 8 else 65535
            code = np.rint(encode(light, self.contrast) * most)
            out.append(code.astype(np.uint8 if self.bits == 8 else np.uint16))
        return out

    def metadata(self) -> list[Frame]:
        out = []
        for i in range(self.rows * self.columns):
            told = self.told_ev[i % len(self.told_ev)]
            plain = Metadata(stored_width=self.width, stored_height=self.height, make="Quenlith", model="Q1")
            if told is not None:
                plain = replace(plain, exposure_s=0.01 * 2.0**told, f_number=8.0, iso=100.0)
            out.append(Frame((Exposure(Path(f"frame-{i}.jpg"), plain),)))
        return out


def illumination(a: tuple[float, float, float], q: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 + a1 q + a2 q^2 + a3 q^3."""
    return np.asarray(1 + q * (a[0] + q * (a[1] + q * a[2])))


def alignment_of(cameras: list[Camera | None]) -> Alignment:
    """The true cameras as an alignment; None: not used."""
    return Alignment(
        frames=tuple(Placement(0, c, reason=None if c else "left out") for c in cameras),
        lenses=(LensGroup("Q1", None, 50.0, 640, 480, 640.0, 640.0, (0.0, 0.0), (0.0, 0.0, 0.0)),),
        pairs=(),
        level=Level("pan-axis", 0.01, ""),
        components=(tuple(i for i, c in enumerate(cameras) if c),),
        tie_point_rms_px=0.2,
    )


def tone_of(
    made: ToneSet,
    order: list[int] | None = None,
    frames: list[NDArray[np.uint8] | NDArray[np.uint16]] | None = None,
    options: ToneOptions | None = None,
) -> Tone:
    """Estimate a set's tone, its frames handed over in the order given."""
    order = order if order is not None else list(range(made.rows * made.columns))
    shot = frames if frames is not None else made.frames()
    cameras, metadata = made.cameras(), made.metadata()
    return estimate_tone(
        FramesInMemory([shot[i] for i in order]),
        [metadata[i] for i in order],
        alignment_of([None if i in made.unused else cameras[i] for i in order]),
        [Transfer("color-space", srgb_table())] * len(order),
        options or ToneOptions(directions_per_frame=3000, level_pixels=made.level_pixels),
    )


def gain_error(made: ToneSet, tone: Tone) -> float:
    """Largest departure of a used frame's gain from the truth, EV."""
    used = [i for i, f in enumerate(tone.frames) if f is not None]
    found = np.log2([f.gain for f in tone.frames if f is not None])
    true = made.of(made.gain_ev)[used]
    return float(np.abs(found - (true - true.mean())).max())


def red_error(made: ToneSet, tone: Tone) -> float:
    """Largest departure of a used frame's red balance from the truth, EV."""
    found = np.log2([f.white_balance[0] for f in tone.frames if f is not None])
    true = made.of(made.red_ev)
    return float(np.abs(found - (true - true.mean())).max())


def vignetting_error(made: ToneSet, tone: Tone) -> float:
    """Largest relative departure of the relative illumination from the truth, anywhere to the corner."""
    own = next(f for f in tone.frames if f is not None)
    q = np.linspace(0.0, 1.0, 101)
    return float(np.abs(illumination(own.vignetting, q) / illumination(made.vignetting, q) - 1).max())


def local_steps(
    made: ToneSet, tone: Tone, shot: list[NDArray[np.uint8] | NDArray[np.uint16]]
) -> NDArray[np.float64]:
    """Median steps left (EV, green) in every 6 x 6 patch of every overlap, measured on the full frames.

    Not the estimator's own samples: nearest pixels on a grid over frame a, by the response's table.
    """
    cameras = made.cameras()
    out = []
    for a, b, _ in tone.steps:
        v, u = np.mgrid[2 : made.height - 2 : 4, 2 : made.width - 2 : 4]
        p = np.stack([u, v], axis=-1).reshape(-1, 2).astype(np.float64)
        at, seen = cameras[b].project(cameras[a].rays(p))
        p, at = p[seen], np.clip(np.rint(at[seen]), 0, [made.width - 1, made.height - 1])
        values = []
        for frame, where in ((a, p), (b, at)):
            own = tone.frames[frame]
            assert own is not None
            cell = where.astype(int)
            code = shot[frame][cell[:, 1], cell[:, 0], 1] / np.iinfo(shot[frame].dtype).max
            table = tone.responses[own.response].to_linear
            q = np.sum((where - cameras[frame].principal_point) ** 2, axis=-1)
            q = q / cameras[frame].half_diagonal_px ** 2
            light = np.interp(code, np.linspace(0, 1, 1025), table)
            values.append((code, light / own.gain / illumination(own.vignetting, q)))
        good = (values[0][0] < 0.97) & (values[1][0] < 0.97) & (values[0][0] > 0.08) & (values[1][0] > 0.08)
        step = np.log2(values[1][1][good] / values[0][1][good])
        patch = (p[good] // 96).astype(int) @ [1, 1000]
        out += [float(np.median(step[patch == c])) for c in np.unique(patch) if (patch == c).sum() >= 60]
    return np.array(out)

"""The truth of a set: what every camera was and saw, kept beside the frames as truth.json."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.demo import place
from belvedere.demo.exposing import decode_curve
from belvedere.demo.faults import Fault
from belvedere.demo.poses import Shot, drifted, pan_axis
from belvedere.demo.spec import SetSpec
from belvedere.geometry.camera import Camera

SCHEMA = "belvedere.truth/2"


@dataclass(frozen=True, slots=True)
class WalkerSeen:
    """A walker in one frame.

    Parameters
    ----------
    walker : int
        Which one.
    box : tuple of 4 float
        x0, y0, x1, y1 around the whole figure, displayed px; may reach beyond the frame.
    whole : bool
        Whether all of it lies on the frame.
    yaw, foot, distance_m, phase : float
        Where it stands: yaw in rad, e of its feet, distance; its stride (see `standing.Standing`).
    """

    walker: int
    box: tuple[float, float, float, float]
    whole: bool
    yaw: float
    foot: float
    distance_m: float
    phase: float


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """One frame. Conventions as everywhere: displayed pixels, world to camera, gain on linear light.

    `gain` has geometric mean 1 over the frames that belong. `centre_m` is the entrance pupil in the world.
    `pose` counts poses in the order shot: the exposures of a bracket share it. `fault` is what went wrong.
    `nearest_ground_m` is how far the nearest ground seen lies from the entrance pupil; None: there is none.
    """

    file: str
    row: int
    column: int
    orientation: int
    belongs: bool
    camera: Camera
    gain: float
    white_balance: tuple[float, float, float]
    vignetting: tuple[float, float, float]
    centre_m: tuple[float, float, float]
    seconds: float
    cloud_drift: tuple[float, float]
    exposure_ev: float
    pose: int = 0
    fault: Fault = field(default_factory=Fault)
    nearest_ground_m: float | None = None
    walkers: tuple[WalkerSeen, ...] = ()


@dataclass(frozen=True, slots=True)
class Truth:
    """A set.

    Parameters
    ----------
    name : str
        Name of the set.
    frames : tuple of FrameTruth
        In the order shot, which is the order of the file names.
    focal_mm : float
        True focal length.
    pan_axis : tuple of 3 float
        Unit vector up along the pan axis, world.
    contrast : float
        The body's S-curve on top of sRGB; 0: plain sRGB.
    sea_yaw_deg, sea_width_deg : float
        Where the horizon is the sea's.
    layers_m : dict
        Distance of every layer.
    moving : tuple of str
        What moves: "clouds", "walkers".
    scene : str
        Name of the place.
    seed : int
        Seed of the set.
    """

    name: str
    frames: tuple[FrameTruth, ...]
    focal_mm: float
    pan_axis: tuple[float, float, float]
    contrast: float
    sea_yaw_deg: float
    sea_width_deg: float
    layers_m: dict[str, float]
    moving: tuple[str, ...]
    scene: str
    seed: int

    @property
    def cameras(self) -> list[Camera]:
        """Every frame's camera, strays included, in order."""
        return [f.camera for f in self.frames]

    @property
    def files(self) -> list[str]:
        """File names, in order."""
        return [f.file for f in self.frames]

    @property
    def belonging(self) -> list[int]:
        """Indices of the frames that belong."""
        return [i for i, f in enumerate(self.frames) if f.belongs]

    @property
    def to_linear(self) -> NDArray[np.float64]:
        """Linear light at codes 0, 1/1024, ..., 1, shape (1025,): the body's true curve."""
        return decode_curve(self.contrast)


def truth_of(
    spec: SetSpec, shots: tuple[Shot, ...], files: list[str], walkers: list[tuple[WalkerSeen, ...]]
) -> Truth:
    """The truth of a planned set."""
    axis = pan_axis(spec)
    frames = tuple(
        FrameTruth(
            file=files[i],
            row=s.row,
            column=s.column,
            orientation=s.orientation if spec.exif else 1,
            belongs=s.belongs,
            camera=s.camera,
            gain=s.gain,
            white_balance=s.white_balance,
            vignetting=s.exposing.vignetting,
            centre_m=s.centre_m,
            seconds=s.seconds,
            cloud_drift=drifted(spec, s),
            exposure_ev=s.exposure_ev,
            pose=s.pose,
            fault=s.fault,
            nearest_ground_m=nearest_ground_m(s.camera, s.centre_m, spec.place) if s.belongs else None,
            walkers=walkers[i],
        )
        for i, s in enumerate(shots)
    )
    moving = ("clouds",) if spec.cloud_drift != (0.0, 0.0) and spec.place.clouds > 0.0 else ()
    return Truth(
        name=spec.name,
        frames=frames,
        focal_mm=spec.focal_mm,
        pan_axis=(float(axis[0]), float(axis[1]), float(axis[2])),
        contrast=spec.body.contrast,
        sea_yaw_deg=spec.place.sea_yaw_deg,
        sea_width_deg=spec.place.sea_width_deg,
        layers_m=dict(zip(place.LAYERS, spec.place.distances_m, strict=True)),
        moving=(*moving, "walkers") if spec.walkers else moving,
        scene=place.NAME,
        seed=spec.seed,
    )


def nearest_ground_m(
    camera: Camera, centre_m: tuple[float, float, float], where: place.Place
) -> float | None:
    """Distance from the entrance pupil of the nearest ground near by that a frame shows.

    It lies on the frame's border: away from there ground only gets farther, short of the nadir itself.
    """
    s = np.linspace(0.0, 1.0, 129)
    o, e = np.zeros_like(s), np.ones_like(s)
    border = np.stack([np.concatenate([s, s, o, e]), np.concatenate([o, e, s, s])], axis=-1)
    rays = camera.rays(border * [camera.width - 1, camera.height - 1])
    turn = np.arctan2(rays[:, 0], rays[:, 2]) / (2.0 * np.pi)
    edge = place.outlines(where, 8192)[place.LAYERS.index("ground")]
    height = -rays[:, 1] / np.maximum(np.hypot(rays[:, 0], rays[:, 2]), 1e-12)
    on_ground = height < edge[np.rint(turn * len(edge)).astype(int) % len(edge)]
    if not on_ground.any():
        return None
    return float(np.min((where.eye_m - centre_m[1]) / rays[on_ground, 1]))


def write_truth(truth: Truth, path: Path) -> None:
    """Write truth.json."""
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "name": truth.name,
        "scene": truth.scene,
        "seed": truth.seed,
        "focal_mm": truth.focal_mm,
        "pan_axis": truth.pan_axis,
        "response": {"encoding": "sRGB", "contrast": truth.contrast},
        "sea": {"yaw_deg": truth.sea_yaw_deg, "width_deg": truth.sea_width_deg},
        "layers_m": truth.layers_m,
        "moving": truth.moving,
        "frames": [_frame_document(f) for f in truth.frames],
    }
    path.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def _frame_document(f: FrameTruth) -> dict[str, Any]:
    return {
        "file": f.file,
        "row": f.row,
        "column": f.column,
        "orientation": f.orientation,
        "belongs": f.belongs,
        "width": f.camera.width,
        "height": f.camera.height,
        "focal_px": f.camera.focal_px,
        "principal_point": f.camera.principal_point,
        "distortion": f.camera.distortion,
        "rotation_wxyz": f.camera.rotation_wxyz,
        "gain": f.gain,
        "white_balance": f.white_balance,
        "vignetting": f.vignetting,
        "centre_m": f.centre_m,
        "seconds": f.seconds,
        "cloud_drift": f.cloud_drift,
        "exposure_ev": f.exposure_ev,
        "pose": f.pose,
        "fault": asdict(f.fault),
        "nearest_ground_m": f.nearest_ground_m,
        "walkers": [asdict(w) for w in f.walkers],
    }


def read_truth(path: Path) -> Truth:
    """Read truth.json; a folder stands for the truth.json in it.

    Raises
    ------
    ValueError
        If the file is not of the schema this version writes.
    """
    if path.is_dir():
        path = path / "truth.json"
    d = json.loads(path.read_text(encoding="utf-8"))
    if d.get("schema") != SCHEMA:
        raise ValueError(f"{path}: expected schema {SCHEMA}, got {d.get('schema')!r}")
    frames = tuple(
        FrameTruth(
            file=f["file"],
            row=f["row"],
            column=f["column"],
            orientation=f["orientation"],
            belongs=f["belongs"],
            camera=Camera(
                width=f["width"],
                height=f["height"],
                focal_px=f["focal_px"],
                principal_point=tuple(f["principal_point"]),
                distortion=tuple(f["distortion"]),
                rotation_wxyz=tuple(f["rotation_wxyz"]),
            ),
            gain=f["gain"],
            white_balance=tuple(f["white_balance"]),
            vignetting=tuple(f["vignetting"]),
            centre_m=tuple(f["centre_m"]),
            seconds=f["seconds"],
            cloud_drift=tuple(f["cloud_drift"]),
            exposure_ev=f["exposure_ev"],
            pose=f["pose"],
            fault=Fault(**{**f["fault"], "white_balance": tuple(f["fault"]["white_balance"])}),
            nearest_ground_m=f["nearest_ground_m"],
            walkers=tuple(WalkerSeen(**{**w, "box": tuple(w["box"])}) for w in f["walkers"]),
        )
        for f in d["frames"]
    )
    return Truth(
        name=d["name"],
        frames=frames,
        focal_mm=d["focal_mm"],
        pan_axis=tuple(d["pan_axis"]),
        contrast=d["response"]["contrast"],
        sea_yaw_deg=d["sea"]["yaw_deg"],
        sea_width_deg=d["sea"]["width_deg"],
        layers_m=d["layers_m"],
        moving=tuple(d["moving"]),
        scene=d["scene"],
        seed=d["seed"],
    )

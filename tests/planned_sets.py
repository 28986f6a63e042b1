"""Sets shot by a plan, measured without error: cameras at its stops, as a head that leans would have them."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np

from belvedere.align.alignment import Alignment, Level, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix, rotation_x, rotation_y
from belvedere.optics.sensor import Sensor
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.view import View
from belvedere.survey.checking.checked import Checked
from checked_sets import BLANK

SENSOR = Sensor(36.0, 24.0, 600, 400)
CLICK = math.radians(2.5)


def plan_of(
    wide_deg: float, low_deg: float, high_deg: float, *, clicks: bool = True, **changes: float
) -> ShootPlan:
    """A plan about yaw 0 for a lens of 50 mm, the camera upright."""
    half = math.radians(wide_deg) / 2.0
    view = View(-half, half, math.radians(low_deg), math.radians(high_deg))
    head = Head(CLICK, CLICK) if clicks else Head()
    return plan_grid(view, SENSOR, changes.pop("focal_mm", 50.0), GridAsked(head=head, **changes))  # type: ignore[arg-type]


def shot_by(
    plan: ShootPlan,
    *,
    omit: Collection[int] = (),
    besides: Collection[tuple[float, float]] = (),
    turned_deg: float = 77.0,
    lean_deg: float = 1.5,
    seed: int = 0,
    focal_factor: float = 1.0,
    moved: Mapping[int, float] | None = None,
) -> Checked:
    """The plan's stops but for some, in its order, then frames besides at (yaw, pitch) of the plan, degrees.

    The world's yaw zero is the plan's turned by so much; the head leans; stops are `moved` in yaw, rad.
    """
    rng = np.random.default_rng(seed)
    lean = rotation_y(0.7) @ rotation_x(-math.radians(lean_deg)) @ rotation_y(-0.7)
    off = moved or {}
    looks = [(s.yaw + off.get(s.number, 0.0), s.pitch) for s in plan.stops() if s.number not in omit]
    looks += [(math.radians(y), math.radians(p)) for y, p in besides]
    width, height = plan.frame_px
    cameras = []
    for yaw, pitch in looks:
        dy, dp, dr = rng.normal(0.0, math.radians(0.2), 3)
        pose = lean @ pose_matrix(yaw + math.radians(turned_deg) + dy, pitch + dp, dr / 2.0)
        cameras.append(
            Camera(
                width,
                height,
                plan.focal_px * focal_factor,
                ((width - 1) / 2.0, (height - 1) / 2.0),
                (0.0, 0.0, 0.0),
                quaternion_from_matrix(pose.T),
            )
        )
    frames = tuple(
        Frame((Exposure(Path(f"VH_{1001 + i}.JPG"), Metadata(width, height)),)) for i in range(len(cameras))
    )
    level = Level("pan-axis", math.radians(0.1), "from the pan axis")
    alignment = Alignment(
        tuple(Placement(0, c) for c in cameras), (), (), level, (tuple(range(len(cameras))),), 0.3
    )
    return Checked(frames, BLANK, alignment, None)

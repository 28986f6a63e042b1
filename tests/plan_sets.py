"""What plans are held to: their stops as cameras, and what those see, by the cameras' own projection."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.align.overlaps import overlap_fraction
from belvedere.geometry.camera import Camera
from belvedere.geometry.frame_overlap import overlap_area
from belvedere.geometry.rotation import direction, pose_matrix, quaternion_from_matrix
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.stops import Stop


def camera_of(plan: ShootPlan, stop: Stop) -> Camera:
    """The camera that stands at a stop."""
    width, height = plan.frame_px
    return Camera(
        width,
        height,
        plan.focal_px,
        ((width - 1) / 2, (height - 1) / 2),
        (0.0, 0.0, 0.0),
        quaternion_from_matrix(pose_matrix(stop.yaw, stop.pitch, 0.0).T),
    )


def uncovered(plan: ShootPlan, across: int = 80, down: int = 60) -> list[tuple[float, float]]:
    """Yaw and pitch (degrees) of points of the view that no frame sees, its border and corners among them."""
    view = plan.view
    rows = np.array([row.pitch for row in plan.rows])
    pitches = np.linspace(view.pitch_low, view.pitch_high, down)
    borders = (rows[:-1] + rows[1:]) / 2.0  # where the middles of two rows' frames are equally far
    pitches = np.concatenate([pitches, borders[(borders > view.pitch_low) & (borders < view.pitch_high)]])
    yaws = np.linspace(view.yaw_left, view.yaw_right, across)
    stops = np.array([s.yaw for s in plan.stops()])
    for row in plan.rows:  # between stops frames reach least far up and down
        at = np.array([s.yaw for s in row.stops[:40]])
        yaws = np.concatenate([yaws, at, (at[1:] + at[:-1]) / 2.0, at - row.step / 2.0, at + row.step / 2.0])
    yaws = np.unique(yaws[(yaws >= view.yaw_left) & (yaws <= view.yaw_right)])
    assert len(stops)
    yaw, pitch = (a.ravel() for a in np.meshgrid(yaws, pitches))
    rays = direction(yaw, pitch)
    open_ = np.ones(len(rays), dtype=bool)
    width, height = plan.frame_px
    cone = math.cos(math.atan(math.hypot(width, height) / 2.0 / plan.focal_px) + 1e-3)
    for stop in plan.stops():
        camera = camera_of(plan, stop)
        near = np.flatnonzero(open_ & (rays @ camera.rotation[2] >= cone))
        c = rays[near] @ camera.rotation.T
        slack = 1.0 + 1e-7  # a point on the border of frame and view
        seen = (np.abs(c[:, 0]) * plan.focal_px <= width / 2.0 * slack * c[:, 2]) & (
            np.abs(c[:, 1]) * plan.focal_px <= height / 2.0 * slack * c[:, 2]
        )
        open_[near[seen]] = False
    return [(math.degrees(yaw[i]), math.degrees(pitch[i])) for i in np.flatnonzero(open_)]


def overlaps_in_rows(plan: ShootPlan) -> list[float]:
    """What every two neighbours of a row share, the closing of a full turn included, by exact area."""
    width, height = plan.frame_px
    shape = (width / 2.0 / plan.focal_px, height / 2.0 / plan.focal_px)
    out = []
    for row in plan.rows:
        pairs = list(pairwise(row.stops))
        if row.closing_step is not None:
            pairs.append((row.stops[-1], row.stops[0]))
        for a, b in pairs:
            turn = camera_of(plan, b).rotation @ camera_of(plan, a).rotation.T
            out.append(overlap_area(shape, shape, turn.tolist()))
    return out


def overlaps_of_rows(plan: ShootPlan, count: int = 40, most: int = 12) -> list[float]:
    """What frames share with the row above and below them, by count x count rays within the view's width."""
    out = []
    for upper, lower in pairwise(plan.rows):
        for own, other in ((upper, lower), (lower, upper)):
            others = [camera_of(plan, s) for s in other.stops]
            for stop in own.stops[:: max(1, len(own.stops) // most)] + own.stops[-1:]:
                out.append(_shared(plan, camera_of(plan, stop), stop, others, count))
    return out


def _shared(plan: ShootPlan, camera: Camera, stop: Stop, others: list[Camera], count: int) -> float:
    x, y = _middles(count, camera.width), _middles(count, camera.height)
    inside = _within_the_view(plan, camera, stop, x)
    if np.count_nonzero(inside) < len(x) // 2:  # a narrow view is counted as finely as a wide one
        finer = min(16, count // max(np.count_nonzero(inside), 1))
        x, y = _middles(finer * count, camera.width), _middles(4 * count, camera.height)
        inside = _within_the_view(plan, camera, stop, x)
    x = x[inside] if inside.any() else x
    rays = camera.rays(np.stack(np.meshgrid(x, y), axis=-1))
    seen = np.zeros(rays.shape[:2], dtype=bool)
    for other in others:
        seen |= other.project(rays)[1]
    return float(seen.mean())


def _middles(count: int, side: int) -> NDArray[np.float64]:
    return np.asarray((np.arange(count) + 0.5) / count * side - 0.5)


def _within_the_view(
    plan: ShootPlan, camera: Camera, stop: Stop, x: NDArray[np.float64]
) -> NDArray[np.bool_]:
    if plan.view.full_turn:
        return np.ones(len(x), dtype=bool)
    column = stop.yaw + np.arctan2((x - camera.principal_point[0]) / camera.focal_px, np.cos(stop.pitch))
    return np.asarray((column >= plan.view.yaw_left - 1e-9) & (column <= plan.view.yaw_right + 1e-9))


def share_of_rays(camera: Camera, other: Camera, count: int) -> float:
    """The share that `align` counts, by count x count rays."""
    x = (np.arange(count) + 0.5) / count * camera.width - 0.5
    y = (np.arange(count) + 0.5) / count * camera.height - 0.5
    points: NDArray[np.float64] = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return overlap_fraction(camera.rays(points), other)

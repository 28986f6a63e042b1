"""How far a direction lies from the edges of the view or of one frame."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.view import View

Edge = Literal["left", "right", "upper", "lower"]


def distance_to_view_edge(yaw: float, pitch: float, view: View) -> tuple[bool, float, Edge | None]:
    """Whether a direction lies inside the view, and how far on the sphere from its nearest edge.

    Parameters
    ----------
    yaw, pitch : float
        Radians, in the view's world.

    Returns
    -------
    inside : bool
    distance : float
        Radians, >= 0; infinite where the view has no edge (a full sphere).
    edge : str or None
        Which edge is nearest.
    """
    width, full_turn = view.wide, view.full_turn
    along = math.remainder(yaw - view.yaw, 2 * math.pi)
    inside = (full_turn or abs(along) <= width / 2) and view.pitch_low <= pitch <= view.pitch_high
    found: list[tuple[float, Edge]] = []
    # An edge of constant pitch: the nearest of its points is the one nearest in yaw. A pole is no edge.
    beside = 0.0 if full_turn else max(0.0, abs(along) - width / 2)
    edges: tuple[tuple[Edge, float], ...] = (("upper", view.pitch_high), ("lower", view.pitch_low))
    for edge, level in edges:
        if abs(level) < math.pi / 2 - 1e-9:
            found.append((_apart(pitch, level, beside), edge))
    if not full_turn:
        sides: tuple[tuple[Edge, float], ...] = (("left", view.yaw_left), ("right", view.yaw_right))
        for edge, meridian in sides:
            turn = math.remainder(yaw - meridian, 2 * math.pi)
            found.append((_to_meridian(pitch, turn, view.pitch_low, view.pitch_high), edge))
    if not found:
        return inside, math.inf, None
    distance, nearest = min(found, key=lambda f: f[0])
    return inside, distance, nearest


def distance_to_frames(
    directions: NDArray[np.float64],
    yaws: NDArray[np.float64],
    pitches: NDArray[np.float64],
    half: tuple[float, float],
) -> NDArray[np.float64]:
    """How far directions lie outside frames; 0 inside.

    Parameters
    ----------
    directions : ndarray of shape (n, 3)
        Unit vectors in the world (x right, y down, z forward), one for each frame.
    yaws, pitches : ndarray of shape (n,)
        Where each frame looks, radians; frames stand upright (no roll).
    half : (float, float)
        Half width and half height of a frame over its focal length (the tangents of its half angles).

    Returns
    -------
    distance : ndarray of shape (n,)
        Radians on the sphere to the frame's nearest edge, 0 where the frame sees the direction.
    """
    st, ct, sp, cp = np.sin(yaws), np.cos(yaws), np.sin(pitches), np.cos(pitches)
    x, y, z = directions.T
    # Rows of the rotation from world to camera: right, down, forward.
    local = np.stack(
        [ct * x - st * z, sp * st * x + cp * y + sp * ct * z, cp * st * x - sp * y + cp * ct * z], axis=-1
    )
    a, b = half
    sees = (
        (local[:, 2] > 0)
        & (np.abs(local[:, 0]) <= a * local[:, 2])
        & (np.abs(local[:, 1]) <= b * local[:, 2])
    )
    corners = np.array([[-a, -b, 1.0], [a, -b, 1.0], [a, b, 1.0], [-a, b, 1.0]])
    corners /= np.linalg.norm(corners, axis=1, keepdims=True)
    nearest = np.full(len(local), np.pi)
    for i in range(4):
        nearest = np.minimum(nearest, _to_arc(local, corners[i], corners[(i + 1) % 4]))
    return np.where(sees, 0.0, nearest)


def _to_arc(
    points: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Angles from unit vectors (n, 3) to a great-circle arc shorter than half a turn."""
    normal = np.cross(start, end)
    normal /= np.linalg.norm(normal)
    abeam = (points @ np.cross(normal, start) >= 0) & (points @ np.cross(end, normal) >= 0)
    to_circle = np.abs(np.arcsin(np.clip(points @ normal, -1.0, 1.0)))
    to_ends = np.minimum(
        2 * np.arcsin(np.clip(np.linalg.norm(points - start, axis=1) / 2, 0.0, 1.0)),
        2 * np.arcsin(np.clip(np.linalg.norm(points - end, axis=1) / 2, 0.0, 1.0)),
    )
    return np.where(abeam, to_circle, to_ends)


def _to_meridian(pitch: float, turn: float, low: float, high: float) -> float:
    """Angle from a direction to the piece of a meridian `turn` away in yaw, between two pitches."""
    foot = math.atan2(math.sin(pitch), math.cos(pitch) * math.cos(turn))  # nearest point of the whole circle
    candidates = [low, high] + ([foot] if low < foot < high else [])
    return min(_apart(pitch, c, turn) for c in candidates)


def _apart(pitch_a: float, pitch_b: float, turn: float) -> float:
    """Angle between two directions `turn` apart in yaw (haversine)."""
    h = (
        math.sin((pitch_a - pitch_b) / 2) ** 2
        + math.cos(pitch_a) * math.cos(pitch_b) * math.sin(turn / 2) ** 2
    )
    return 2.0 * math.asin(min(1.0, math.sqrt(h)))

"""Rotations as unit quaternions, matrices and rotation vectors."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Quaternion = tuple[float, float, float, float]


def matrix_from_quaternion(rotation_wxyz: ArrayLike) -> NDArray[np.float64]:
    """Turn a unit quaternion (w, x, y, z) into the 3 x 3 matrix of the same rotation.

    The quaternion is normalised first, so values read back from a file with few digits still give an
    orthogonal matrix.

    Raises
    ------
    ValueError
        If the quaternion's length is not finite and positive.
    """
    q = np.asarray(rotation_wxyz, dtype=np.float64)
    n = float(np.linalg.norm(q))
    if q.shape != (4,) or not math.isfinite(n) or n == 0.0:
        raise ValueError(f"a rotation needs a quaternion of 4 finite numbers, got {rotation_wxyz!r}")
    w, x, y, z = q / n
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def quaternion_from_matrix(matrix: ArrayLike) -> Quaternion:
    """Turn a 3 x 3 rotation matrix into its unit quaternion (w, x, y, z) with w >= 0.

    Takes the branch with the largest component, so it is stable for half turns (Shepperd 1978,
    J. Guidance and Control 1(3), 223-224).
    """
    m = np.asarray(matrix, dtype=np.float64)
    t = np.array(
        [
            m[0, 0] + m[1, 1] + m[2, 2],
            m[0, 0] - m[1, 1] - m[2, 2],
            m[1, 1] - m[0, 0] - m[2, 2],
            m[2, 2] - m[0, 0] - m[1, 1],
        ]
    )
    k = int(np.argmax(t))
    s = 2.0 * math.sqrt(1.0 + t[k])
    if k == 0:
        q = np.array([s * s / 4, m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]])
    elif k == 1:
        q = np.array([m[2, 1] - m[1, 2], s * s / 4, m[0, 1] + m[1, 0], m[0, 2] + m[2, 0]])
    elif k == 2:
        q = np.array([m[0, 2] - m[2, 0], m[0, 1] + m[1, 0], s * s / 4, m[1, 2] + m[2, 1]])
    else:
        q = np.array([m[1, 0] - m[0, 1], m[0, 2] + m[2, 0], m[1, 2] + m[2, 1], s * s / 4])
    q /= np.linalg.norm(q)
    if q[0] < 0:
        q = -q
    return (float(q[0]), float(q[1]), float(q[2]), float(q[3]))


def matrix_from_vector(rotation_vector: ArrayLike) -> NDArray[np.float64]:
    """Exponential map: rotation vectors (..., 3) in radians to matrices (..., 3, 3) (Rodrigues' formula)."""
    v = np.asarray(rotation_vector, dtype=np.float64)
    angle = np.linalg.norm(v, axis=-1)[..., None, None]
    safe = np.where(angle < 1e-8, 1.0, angle)
    a = np.where(angle < 1e-8, 1.0 - angle**2 / 6, np.sin(safe) / safe)
    b = np.where(angle < 1e-8, 0.5 - angle**2 / 24, (1 - np.cos(safe)) / safe**2)
    k = cross_matrix(v)
    return np.asarray(np.eye(3) + a * k + b * (k @ k))


def vector_from_matrix(matrix: ArrayLike) -> NDArray[np.float64]:
    """Logarithm map: one 3 x 3 rotation matrix to its rotation vector, length in [0, pi] radians."""
    w, x, y, z = quaternion_from_matrix(matrix)
    v = np.array([x, y, z])
    s = float(np.linalg.norm(v))
    if s < 1e-12:
        return 2.0 * v
    return np.asarray(v * (2.0 * math.atan2(s, w) / s))


def cross_matrix(vectors: ArrayLike) -> NDArray[np.float64]:
    """The skew matrices K of vectors (..., 3) with K b = v x b."""
    v = np.asarray(vectors, dtype=np.float64)
    k = np.zeros((*v.shape[:-1], 3, 3))
    k[..., 0, 1], k[..., 0, 2], k[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    k[..., 1, 0], k[..., 2, 0], k[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return k


def rotation_x(angle: float) -> NDArray[np.float64]:
    """Turn by `angle` radians about x: positive pitch lifts the forward axis (y is down)."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(angle: float) -> NDArray[np.float64]:
    """Turn by `angle` radians about y: positive yaw turns the forward axis to the right."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(angle: float) -> NDArray[np.float64]:
    """Turn by `angle` radians about z: positive roll turns the x axis towards y."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def pose_matrix(yaw: float, pitch: float, roll: float) -> NDArray[np.float64]:
    """Ry(yaw) Rx(pitch) Rz(roll): takes directions of a turned frame or plate into the world.

    The camera's rotation (world to camera) is its transpose. Radians.
    """
    return rotation_y(yaw) @ rotation_x(pitch) @ rotation_z(roll)


def yaw_pitch_roll(pose: ArrayLike) -> tuple[float, float, float]:
    """The angles (yaw, pitch, roll) in radians with `pose_matrix(yaw, pitch, roll)` equal to `pose`.

    At the zenith and nadir yaw and roll cannot be told apart; roll is then 0.
    """
    m = np.asarray(pose, dtype=np.float64)
    level = math.hypot(m[0, 2], m[2, 2])
    pitch = math.atan2(-m[1, 2], level)  # asin would lose half the digits near the zenith
    if level < 1e-9:
        return math.atan2(-m[2, 0], m[0, 0]), pitch, 0.0
    return math.atan2(m[0, 2], m[2, 2]), pitch, math.atan2(m[1, 0], m[1, 1])


def direction(yaw: ArrayLike, pitch: ArrayLike) -> NDArray[np.float64]:
    """Unit direction(s) (..., 3) of a yaw and a pitch in radians: (cos p sin t, -sin p, cos p cos t)."""
    t, p = np.broadcast_arrays(np.asarray(yaw, dtype=np.float64), np.asarray(pitch, dtype=np.float64))
    return np.stack([np.cos(p) * np.sin(t), -np.sin(p), np.cos(p) * np.cos(t)], axis=-1)

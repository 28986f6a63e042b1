"""ICC profiles of the matrix and curve kind: read their curves and primaries, and write one.

Source: ICC.1:2022, Specification ICC.1 (profile version 4.4): 7.2 header, 7.3 tag table, 9.2 tags,
10.6 curveType, 10.18 parametricCurveType, 10.15 multiLocalizedUnicodeType, 10.31 XYZType; textDescriptionType
of version 2: ICC.1:2001-04, 6.5.17.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TABLE_SIZE = 1025
"""Samples of a transfer curve over code values 0 to 1."""

D50 = (0.9642, 1.0, 0.8249)
"""The profile connection space's white, XYZ (ICC.1:2022, 7.2.16)."""

_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True, slots=True)
class Profile:
    """What a profile says that is understood here.

    Parameters
    ----------
    name : str
        Its description, for people.
    space : str
        Data colour space, "RGB" or "GRAY" or another signature.
    curves : tuple of ndarray of shape (1025,), float64
        Code value to linear light, one a channel, or one for grey; empty where the profile has none.
    matrix : ndarray of shape (3, 3), float64, or None
        Linear RGB to XYZ relative to D50.
    """

    name: str
    space: str
    curves: tuple[NDArray[np.float64], ...]
    matrix: NDArray[np.float64] | None


def read_profile(data: bytes) -> Profile | None:
    """Read a profile; None where it is too damaged to have a header and a table of tags."""
    if len(data) < 132 or data[36:40] != b"acsp":
        return None
    count = struct.unpack_from(">I", data, 128)[0]
    if count > 1000 or 132 + 12 * count > len(data):
        return None
    tags: dict[bytes, bytes] = {}
    for i in range(count):
        name, offset, length = struct.unpack_from(">4sII", data, 132 + 12 * i)
        if offset + length <= len(data) and length >= 8:
            tags.setdefault(name, data[offset : offset + length])
    space = data[16:20].decode("ascii", "replace").strip()
    channels = (b"kTRC",) if space == "GRAY" else (b"rTRC", b"gTRC", b"bTRC")
    curves = [_curve(tags.get(name, b"")) for name in channels]
    columns = [_xyz(tags.get(name, b"")) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    known = [column for column in columns if column is not None]
    matrix = np.column_stack(known) if len(known) == 3 else None
    if data[20:24] != b"XYZ " or (matrix is not None and abs(np.linalg.det(matrix)) < 1e-4):
        matrix = None
    return Profile(
        name=_description(tags.get(b"desc", b"")) or "unnamed profile",
        space=space,
        curves=tuple(c for c in curves if c is not None) if all(c is not None for c in curves) else (),
        matrix=matrix,
    )


def _curve(tag: bytes) -> NDArray[np.float64] | None:
    """Sample a curveType or parametricCurveType at TABLE_SIZE code values; None if it is no rising curve."""
    x = np.linspace(0.0, 1.0, TABLE_SIZE)
    if tag[:4] == b"curv" and len(tag) >= 12:
        count = struct.unpack_from(">I", tag, 8)[0]
        if 12 + 2 * count > len(tag):
            return None
        table = np.frombuffer(tag, ">u2", count=count, offset=12)
        if count == 0:
            y = x
        elif count == 1:
            y = x ** (float(table[0]) / 256.0)  # u8Fixed8Number
        else:
            y = np.interp(x, np.linspace(0.0, 1.0, count), table / 65535.0)
    elif tag[:4] == b"para" and len(tag) >= 16:
        parametric = _parametric(tag, x)
        if parametric is None:
            return None
        y = parametric
    else:
        return None
    if not np.all(np.isfinite(y)) or y[-1] < 0.5 or y[0] > 0.1 or np.any(np.diff(y) < -1e-3):
        return None
    return np.asarray(np.maximum.accumulate(np.clip(y, 0.0, 1.0)))


def _parametric(tag: bytes, x: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Evaluate a parametricCurveType (ICC.1:2022, table 68)."""
    kind = struct.unpack_from(">H", tag, 8)[0]
    count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind)
    if count is None or 12 + 4 * count > len(tag):
        return None
    p = [v / 65536.0 for v in struct.unpack_from(f">{count}i", tag, 12)]
    g = p[0]
    a, b = (p[1], p[2]) if kind >= 1 else (1.0, 0.0)
    power: NDArray[np.float64] = np.maximum(a * x + b, 0.0) ** g
    if kind == 0:
        return power
    if kind in (1, 2):
        if a == 0.0:
            return None
        offset = p[3] if kind == 2 else 0.0
        return np.where(x >= -b / a, power + offset, offset)
    c, d = p[3], p[4]
    e, f = (p[5], p[6]) if kind == 4 else (0.0, 0.0)
    return np.where(x >= d, power + e, c * x + f)


def _xyz(tag: bytes) -> NDArray[np.float64] | None:
    """The first number triple of an XYZType."""
    if tag[:4] != b"XYZ " or len(tag) < 20:
        return None
    return np.array(struct.unpack_from(">3i", tag, 8), np.float64) / 65536.0


def _description(tag: bytes) -> str:
    """The text of a description tag of version 2 or 4; empty where it cannot be read."""
    if tag[:4] == b"desc" and len(tag) >= 12:
        count = struct.unpack_from(">I", tag, 8)[0]
        return tag[12 : 12 + count].split(b"\0", 1)[0].decode("ascii", "replace").strip()
    if tag[:4] == b"mluc" and len(tag) >= 28:
        length, offset = struct.unpack_from(">II", tag, 20)
        return tag[offset : offset + length].decode("utf-16-be", "replace").strip("\0 ")
    return ""


def adaptation_to_d50(white: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chromatic adaptation of CIE XYZ from a white (3,), Y = 1, to D50; (3, 3).

    References
    ----------
    ICC.1:2022, annex E, linearized Bradford transform.
    """
    cones = (_BRADFORD @ np.array(D50)) / (_BRADFORD @ white)
    return np.asarray(np.linalg.solve(_BRADFORD, cones[:, None] * _BRADFORD))


def matrix_profile(
    name: str, matrix: NDArray[np.float64], curve: tuple[float, ...], adaptation: NDArray[np.float64]
) -> bytes:
    """Write a version 4 display profile; the same bytes for the same arguments.

    Parameters
    ----------
    name : str
        Description.
    matrix : ndarray of shape (3, 3)
        Linear RGB to XYZ relative to D50.
    curve : tuple of 1 or 5 float
        Parameters of a parametricCurveType of kind 0 (g) or 3 (g, a, b, c, d).
    adaptation : ndarray of shape (3, 3)
        Chromatic adaptation from the colour space's own white to D50.

    Returns
    -------
    bytes
    """

    def words(text: str) -> bytes:
        encoded = text.encode("utf-16-be")
        return struct.pack(">4sIII2s2sII", b"mluc", 0, 1, 12, b"en", b"US", len(encoded), 28) + encoded

    def fixed(values: object) -> bytes:
        numbers = np.round(np.asarray(values, np.float64).ravel() * 65536.0).astype(int)
        return struct.pack(f">{numbers.size}i", *numbers.tolist())

    trc = struct.pack(">4sIHH", b"para", 0, 0 if len(curve) == 1 else 3, 0) + fixed(curve)
    tags = {
        b"desc": words(name),
        b"cprt": words("No copyright, use freely"),
        b"wtpt": b"XYZ \0\0\0\0" + fixed(D50),
        b"chad": b"sf32\0\0\0\0" + fixed(adaptation),
        b"rXYZ": b"XYZ \0\0\0\0" + fixed(matrix[:, 0]),
        b"gXYZ": b"XYZ \0\0\0\0" + fixed(matrix[:, 1]),
        b"bXYZ": b"XYZ \0\0\0\0" + fixed(matrix[:, 2]),
        b"rTRC": trc,
        b"gTRC": trc,
        b"bTRC": trc,
    }
    table, body, placed = b"", b"", dict[bytes, int]()
    start = 128 + 4 + 12 * len(tags)
    for key, value in tags.items():
        if value not in placed:
            placed[value] = start + len(body)
            body += value + bytes(-len(value) % 4)
        table += struct.pack(">4sII", key, placed[value], len(value))
    header = struct.pack(
        ">I4xI4s4s4s6H4s4x4x4x4x8xI", start + len(body), 0x04400000, b"mntr", b"RGB ", b"XYZ ",
        2000, 1, 1, 0, 0, 0, b"acsp", 0,
    )  # fmt: skip
    header += fixed(D50) + bytes(128 - len(header) - 12)
    return header + struct.pack(">I", len(tags)) + table + body

"""An invented paper: a printer profile of look-up tables, made here from a model whose colours are known.

ICC.1:2001-04 (version 2): 6.5.8 lut16Type, 6.3.1.1 signatures, annex A for 16-bit L*a*b* (L* 100 is 0xFF00).
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2001-04, 6.1.8
_BLACK = 0.012  # reflectance of the paper's black: L* about 10
_GAMMA = 2.0
# Linear ink colours to XYZ under D50: an RGB space with duller primaries than sRGB's.
_TO_XYZ = np.array([[0.3800, 0.3900, 0.1942], [0.2300, 0.6700, 0.1000], [0.0450, 0.1300, 0.6499]])


def lab_of_xyz(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 15:2004, 8.2.1, white D50."""
    t = xyz / D50
    f = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 0.0)), t * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def xyz_of_lab(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    return np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * D50


def paper_lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Colour of device values 0 to 1, relative to the paper's white."""
    return lab_of_xyz(_BLACK * D50 + (1 - _BLACK) * (rgb**_GAMMA @ _TO_XYZ.T))


def paper_codes(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    """Device values 0 to 1 of a colour; what the paper cannot show is held at its border, ink by ink."""
    light = (xyz_of_lab(lab) - _BLACK * D50) / (1 - _BLACK) @ np.linalg.inv(_TO_XYZ).T
    return np.clip(light, 0.0, 1.0) ** (1 / _GAMMA)


def paper_profile(nodes: int = 33) -> bytes:
    """The profile of that paper, for all three intents."""
    steps = np.linspace(0.0, 1.0, nodes)
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    lab = paper_lab(grid)
    to_lab = np.stack([lab[..., 0] / 100 * 65280, *((lab[..., k] + 128) * 256 for k in (1, 2))], axis=-1)
    asked = grid * 65535 / np.array([65280 / 100, 256, 256]) - np.array([0, 128, 128])
    from_lab = paper_codes(asked) * 65535
    tables = {b"A2B0": _lut16(to_lab), b"B2A0": _lut16(from_lab)}
    for kind in (b"A2B", b"B2A"):
        tables[kind + b"1"] = tables[kind + b"2"] = tables[kind + b"0"]
    tables[b"wtpt"] = b"XYZ \0\0\0\0" + _fixed(0.9642 * 0.9, 0.9, 0.8249 * 0.88)  # a warm white
    tables[b"desc"] = _description("Invented cotton paper")
    tables[b"cprt"] = b"text\0\0\0\0No copyright, use freely\0"
    return _profile(tables, b"prtr", b"RGB ")


def wrong_kind(profile: bytes, kind: bytes = b"prtr", space: bytes = b"RGB ") -> bytes:
    """The same bytes, saying they are of another class and colour space."""
    return profile[:12] + kind + space + profile[20:]


def _lut16(table: NDArray[np.float64]) -> bytes:
    nodes = table.shape[0]
    head = struct.pack(">4s4xBBBx", b"mft2", 3, 3, nodes) + _fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    straight = struct.pack(">6H", *[0, 65535] * 3)
    body = np.clip(np.rint(table), 0, 65535).astype(">u2").tobytes()
    return head + struct.pack(">HH", 2, 2) + straight + body + straight


def _fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def _description(text: str) -> bytes:
    data = text.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(data)) + data + bytes(12 + 67)


def _profile(tags: dict[bytes, bytes], kind: bytes, space: bytes) -> bytes:
    table, body, placed = b"", b"", dict[bytes, int]()
    start = 128 + 4 + 12 * len(tags)
    for key, value in tags.items():
        if value not in placed:
            placed[value] = start + len(body)
            body += value + bytes(-len(value) % 4)
        table += struct.pack(">4sII", key, placed[value], len(value))
    header = struct.pack(
        ">I4xI4s4s4s6H4s4x4x4x4x8xI", start + len(body), 0x02400000, kind, space, b"Lab ",
        2000, 1, 1, 0, 0, 0, b"acsp", 0,
    )  # fmt: skip
    header += _fixed(*D50) + bytes(128 - len(header) - 12)
    return header + struct.pack(">I", len(tags)) + table + body

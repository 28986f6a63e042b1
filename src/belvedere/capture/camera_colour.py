"""What a camera's own colours mean: matrices from CIE XYZ, and its response to the scene's white.

References
----------
DNG 1.4 (Adobe, 2012), chapter 6, "Mapping Camera Color Space to CIE XYZ Space": matrices of two illuminants
mixed by reciprocal colour temperature, the white found from the neutral in a few rounds (from memory). C. S.
McCamy, Correlated color temperature as an explicit function of chromaticity coordinates, Color Res. Appl. 17
(1992). Colour temperatures of the LightSource numbers of CIPA DC-008: from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.icc import D50, adaptation_to_d50, matrix_profile
from belvedere.capture.quiet import quiet
from belvedere.capture.raw import raw_colours, read_raw_metadata
from belvedere.capture.raw_tiff import is_tiff_like
from belvedere.capture.tiff_pages import open_tiff
from belvedere.errors import UnreadableFile

Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
Triple = tuple[float, float, float]

_D65 = 21
_KELVIN = {
    1: 5500.0, 2: 4230.0, 3: 2856.0, 4: 5500.0, 9: 5500.0, 10: 6500.0, 11: 7500.0, 12: 6400.0, 13: 5050.0,
    14: 4150.0, 15: 3450.0, 17: 2856.0, 18: 4874.0, 19: 6774.0, 20: 5503.0, 21: 6504.0, 22: 7504.0,
    23: 5003.0, 24: 3200.0,
}  # fmt: skip
_ROUNDS = 30
_DAYLIGHT = np.array([0.9505, 1.0, 1.089])  # D65
_LIGHTS = np.array([[0.6, 1.0, 0.05], [1.6, 1.0, 2.5]])
"""XYZ between which white is a light's: a candle has 1.3, 1, 0.1, a blue sky 1, 1, 1.8 (our choice)."""

_MODEL, _COLOR_1, _COLOR_2, _CALIBRATION_1, _CALIBRATION_2 = 50708, 50721, 50722, 50723, 50724
_BALANCE, _NEUTRAL, _WHITE_XY, _BASELINE = 50727, 50728, 50729, 50730
_LIGHT_1, _LIGHT_2, _FORWARD_1, _FORWARD_2 = 50778, 50779, 50964, 50965
_OFF_WHITE = 0.02


@dataclass(frozen=True, slots=True)
class CameraColour:
    """The colours of one body's light, and the scene's white as one of its exposures has it.

    Parameters
    ----------
    model : str
        The body, as a raw file names it.
    matrices : tuple of (int, 3 x 3)
        One or two: number of the illuminant (CIPA DC-008, LightSource), and what takes CIE XYZ to the body's
        colour under it; the calibration of the single body is multiplied in.
    neutral : tuple of 3 float
        Response of red, green and blue to the scene's white as shot; > 0, the largest is 1.
    baseline_ev : float
        By how much the maker wants its raw files brightened, EV.
    forward : tuple of 3 x 3
        What the maker would have take balanced colour to CIE XYZ under D50, one for each of the matrices,
        or none: finer than the matrices' inverse where it is there (ForwardMatrix of a DNG).
    """

    model: str
    matrices: tuple[tuple[int, Matrix], ...]
    neutral: Triple
    baseline_ev: float = 0.0
    forward: tuple[Matrix, ...] = ()

    def __post_init__(self) -> None:
        if len(self.matrices) not in (1, 2):
            raise ValueError(f"expected one or two matrices, got {len(self.matrices)}")
        if len(self.forward) not in (0, len(self.matrices)):
            raise ValueError(f"expected {len(self.matrices)} forward matrices, got {len(self.forward)}")
        if not all(np.isfinite(v) and v > 0.0 for v in self.neutral):
            raise ValueError(f"expected a positive neutral, got {self.neutral}")


def read_camera_colour(file: Path) -> CameraColour:
    """Read what a raw file, or LibRaw of its camera, says of its colours.

    Raises
    ------
    UnreadableFile
        If it is no raw file that is read, its sensor has no three colours, or nothing is known of them.
    """
    known = raw_colours(file)  # refuses what is no raw file
    tags = _tags(file)
    model = _text(tags.get(_MODEL)) or _body(file)
    matrices = _matrices(tags)
    if not matrices and known.camera_from_xyz is not None:
        matrices = ((_D65, _rows(known.camera_from_xyz)),)
    if not matrices:
        raise UnreadableFile(
            file, "tells nothing of its camera's colours, and LibRaw does not know them; leave out --as"
        )
    neutral = _neutral(tags, matrices)
    if neutral is None:
        neutral = 1.0 / np.asarray(known.multipliers)
    n = neutral / neutral.max()
    baseline = _numbers(tags.get(_BASELINE))
    return CameraColour(
        model,
        matrices,
        (float(n[0]), float(n[1]), float(n[2])),
        float(baseline[0]) if baseline.size == 1 and abs(baseline[0]) < 10.0 else 0.0,
        _forward(tags, len(matrices)),
    )


def camera_from_xyz(colour: CameraColour) -> NDArray[np.float64]:
    """What takes CIE XYZ to the body's colour under the scene's light, (3, 3).

    Scaled so that the scene's white, Y = 1, gives the neutral.
    """
    return _under(colour, white_xyz(colour))


def white_xyz(colour: CameraColour) -> NDArray[np.float64]:
    """The scene's white as shot, CIE XYZ with Y = 1: what gives the neutral."""
    return _white(colour.matrices, np.asarray(colour.neutral))


def xyz_d50_from_camera(colour: CameraColour) -> NDArray[np.float64]:
    """What takes the body's colour, balanced as shot, to CIE XYZ under D50, (3, 3)."""
    white, neutral = white_xyz(colour), np.asarray(colour.neutral)
    if colour.forward:
        numbers = [number for number, _ in colour.matrices]
        forward = _mixed(tuple(zip(numbers, colour.forward, strict=True)), white)
        return np.asarray(forward / neutral)
    matrix = np.asarray(adaptation_to_d50(white) @ np.linalg.inv(camera_from_xyz(colour)))
    if _is_light(white) and np.allclose(matrix @ neutral, D50, atol=1e-3):
        return matrix
    # no colour of a light: a white set by hand, or a converted sensor; channels are then balanced one by one
    from_d50 = np.array(colour.matrices[0][1]) @ np.linalg.inv(adaptation_to_d50(_DAYLIGHT))
    return np.linalg.inv(from_d50 * (neutral / (from_d50 @ np.array(D50)))[:, None])


def camera_from_camera(to: CameraColour, of: CameraColour) -> NDArray[np.float64]:
    """What takes one body's colour to another's, through CIE XYZ, under the white of `to`; (3, 3).

    The response of the one body to that white becomes that of the other: exposure is not touched.
    """
    white = white_xyz(to)
    return _under(to, white) @ np.linalg.inv(_under(of, white))


def scene_profile(colour: CameraColour, headroom: float = 1.0) -> bytes:
    """An ICC matrix profile of linear camera colour, balanced as shot.

    Parameters
    ----------
    headroom : float
        Light that the largest code stands for, 1 being what is to be shown as white.

    Notes
    -----
    The neutral at light 1 is the profile's white, as it is where a raw file is developed; codes above it lie
    beyond white.
    """
    white = white_xyz(colour)
    adaptation = adaptation_to_d50(white if _is_light(white) else _DAYLIGHT)
    name = f"{colour.model}, linear camera colour"
    return matrix_profile(name, xyz_d50_from_camera(colour) * headroom, (1.0,), adaptation)


def _under(colour: CameraColour, white: NDArray[np.float64]) -> NDArray[np.float64]:
    """XYZ to camera under a white, whose response has the largest channel 1."""
    matrix = _mixed(colour.matrices, white)
    return np.asarray(matrix / np.max(matrix @ white))


def _mixed(matrices: tuple[tuple[int, Matrix], ...], white: NDArray[np.float64]) -> NDArray[np.float64]:
    """The matrix under a light of this colour."""
    first = np.array(matrices[0][1])
    if len(matrices) == 1:
        return first
    second = np.array(matrices[1][1])
    a, b = (1.0 / _KELVIN.get(number, 6504.0) for number, _ in matrices)
    if abs(a - b) < 1e-9:
        return first
    share = float(np.clip((1.0 / _kelvin(white) - a) / (b - a), 0.0, 1.0))
    return np.asarray((1.0 - share) * first + share * second)


def _white(matrices: tuple[tuple[int, Matrix], ...], neutral: NDArray[np.float64]) -> NDArray[np.float64]:
    white = _DAYLIGHT
    for _ in range(_ROUNDS if len(matrices) == 2 else 1):
        found = np.linalg.solve(_mixed(matrices, white), neutral)
        if not found[1] > 0.0:
            break
        white = found / found[1]
    return white


def _is_light(white: NDArray[np.float64]) -> bool:
    return bool(((white >= _LIGHTS[0]) & (white <= _LIGHTS[1])).all())


def _kelvin(white: NDArray[np.float64]) -> float:
    """Correlated colour temperature (McCamy 1992), 2,000 to 12,000 K."""
    x, y = white[:2] / white.sum()
    n = (x - 0.3320) / (0.1858 - y)
    return float(np.clip(((449.0 * n + 3525.0) * n + 6823.3) * n + 5520.33, 2000.0, 12000.0))


def _matrices(tags: dict[int, Any]) -> tuple[tuple[int, Matrix], ...]:
    """ColorMatrix1 and 2 times calibration and analogue balance, as far as they are there and of use."""
    found = []
    balance = _numbers(tags.get(_BALANCE))
    gains = np.diag(balance) if balance.size == 3 and (balance > 0.0).all() else np.eye(3)
    for matrix, calibration, light in (
        (_COLOR_1, _CALIBRATION_1, _LIGHT_1),
        (_COLOR_2, _CALIBRATION_2, _LIGHT_2),
    ):
        values, own = _numbers(tags.get(matrix)), _numbers(tags.get(calibration))
        if values.size != 9 or abs(np.linalg.det(values.reshape(3, 3))) < 1e-6:
            continue
        whole = gains @ (own.reshape(3, 3) if own.size == 9 else np.eye(3)) @ values.reshape(3, 3)
        found.append((int(tags.get(light) or 0) or _D65, _rows(whole)))
    return tuple(found)


def _forward(tags: dict[int, Any], count: int) -> tuple[Matrix, ...]:
    """ForwardMatrix1 and 2 where each of the matrices has one that takes white to D50.

    A calibration of the single body is passed over: where it scales channels, the white as shot does so too.
    """
    found = []
    for number in (_FORWARD_1, _FORWARD_2)[:count]:
        values = _numbers(tags.get(number))
        if values.size != 9 or np.abs(values.reshape(3, 3).sum(axis=1) - D50).max() > _OFF_WHITE:
            return ()
        found.append(_rows(values.reshape(3, 3)))
    return tuple(found)


def _neutral(tags: dict[int, Any], matrices: tuple[tuple[int, Matrix], ...]) -> NDArray[np.float64] | None:
    """AsShotNeutral, or what AsShotWhiteXY gives."""
    neutral = _numbers(tags.get(_NEUTRAL))
    if neutral.size == 3 and (neutral > 0.0).all():
        return neutral
    xy = _numbers(tags.get(_WHITE_XY))
    if xy.size == 2 and (xy > 0.0).all():
        white = np.array([xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1]])
        neutral = _mixed(matrices, white) @ white
        if (neutral > 0.0).all():
            return np.asarray(neutral)
    return None


def _tags(file: Path) -> dict[int, Any]:
    """The tags of a DNG's first directory; {} of any other file."""
    if not is_tiff_like(file):
        return {}
    try:
        with quiet(), open_tiff(file) as tiff:
            return {int(tag.code): tag.value for tag in tiff.pages[0].tags}
    except Exception:  # the file is outside data, and LibRaw may still know it
        return {}


def _numbers(value: Any) -> NDArray[np.float64]:
    """A tag's numbers, fractions worked out; empty where there are none or any is none."""
    try:
        flat = np.asarray([] if value is None else value, dtype=np.float64).ravel()
    except (TypeError, ValueError):
        return np.zeros(0)
    if flat.size % 2 == 0 and flat.size:
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = flat[0::2] / flat[1::2]
    return flat if np.isfinite(flat).all() else np.zeros(0)


def _body(file: Path) -> str:
    """Maker and model as one name."""
    metadata = read_raw_metadata(file)
    make, model = metadata.make or "", metadata.model or ""
    named = model if model.casefold().startswith(make.casefold()) else f"{make} {model}"
    return named.strip() or "camera not named"


def _text(value: Any) -> str:
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
    return text.strip("\0 ") if isinstance(text, str) else ""


def _rows(matrix: NDArray[np.float64]) -> Matrix:
    (a, b, c), (d, e, f), (g, h, i) = (tuple(float(v) for v in row) for row in matrix)
    return (a, b, c), (d, e, f), (g, h, i)

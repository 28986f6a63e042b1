"""Numbers as a person writes them after an option: "50mm", "3x1m", "24MP", "36km/h"."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from belvedere.errors import PlanError

LENGTHS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4, "ft": 304.8}
DISTANCES_M = {"m": 1.0, "km": 1000.0, "cm": 0.01, "ft": 0.3048}
SPEEDS_M_S = {"m/s": 1.0, "km/h": 1.0 / 3.6, "kmh": 1.0 / 3.6, "kn": 1852.0 / 3600.0, "mph": 0.44704}
DEGREES = {"deg": 1.0, "°": 1.0}
MILLIMETRES = {"mm": 1.0}

_NUMBER = r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:e\d+)?"


def number(option: str, text: str, units: Mapping[str, float], like: str, unit: str = "") -> float:
    """One number with or without a unit.

    Parameters
    ----------
    option : str
        As written: "--lens".
    text : str
        What came after it.
    units : mapping of str to float
        Units known, and what one of each is in the unit of the result.
    like : str
        An example, for the sentence.
    unit : str
        The unit of a bare number; empty: the result's own.

    Raises
    ------
    PlanError
        If it is no number, or has an unknown unit.
    """
    match = re.fullmatch(rf"\s*({_NUMBER})\s*([^\d\s]*)\s*", text)
    scale = None if match is None else _scale(match[2], units, unit)
    if match is None or scale is None:
        raise PlanError(f"{option} {text}: is no number that is known here", f"write it like {like}")
    return _finite(option, match[1]) * scale


def pair(
    option: str, text: str, units: Mapping[str, float], like: str, unit: str = ""
) -> tuple[float, float]:
    """Two numbers with a cross between them and one unit behind them; see `number`."""
    match = re.fullmatch(rf"\s*({_NUMBER})\s*[^\d\s]*\s*[x×X*]\s*({_NUMBER})\s*([^\d\s]*)\s*", text)
    scale = None if match is None else _scale(match[3], units, unit)
    if match is None or scale is None:
        raise PlanError(f"{option} {text}: are no two numbers with a cross between", f"write it like {like}")
    return _finite(option, match[1]) * scale, _finite(option, match[2]) * scale


def whole(option: str, text: str) -> int:
    """A whole number of 1 or more."""
    if not re.fullmatch(r"\s*\d+\s*", text) or int(text) < 1:
        raise PlanError(f"{option} {text}: needs a whole number, 1 or more")
    return int(text)


def _scale(written: str, units: Mapping[str, float], bare: str) -> float | None:
    if not written:
        return units.get(bare, 1.0)
    return units.get(written.lower())


def _finite(option: str, text: str) -> float:
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise PlanError(f"{option} {text}: is too large a number")
    return value

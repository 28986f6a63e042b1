"""Which camera the plan is for: by a picture of it, by name, by its sensor, or a usual one."""

from __future__ import annotations

import argparse
import math
import re
from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.metadata import read_metadata
from belvedere.cli.plan_quantities import LENGTHS_MM, pair
from belvedere.errors import PlanError, UnreadableFile
from belvedere.optics.camera_list import sensor_named
from belvedere.optics.focal import best_focal, focal_candidates
from belvedere.optics.sensor import Sensor

USUAL = Sensor(36.0, 24.0, 8208, 5472)
"""Where no camera is named: 24 x 36 mm of 45 megapixels (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class CameraAsked:
    """A camera for the plan.

    Parameters
    ----------
    sensor : Sensor
    name : str
        What it is called on the sheet.
    assumed : tuple of str
        What was taken for want of being said.
    focal_mm : float or None
        Of the picture it was read from.
    """

    sensor: Sensor
    name: str
    assumed: tuple[str, ...] = ()
    focal_mm: float | None = None


def camera_asked(given: argparse.Namespace) -> CameraAsked:
    """The camera that a command line names.

    Raises
    ------
    PlanError, UnreadableFile
        If it is not known, two are named, or its pixels are missing; says what to give.
    """
    ways = [f"--{w}" for w in ("like", "camera", "sensor") if getattr(given, w)]
    if len(ways) > 1:
        raise PlanError(f"{' and '.join(ways)} name the camera twice", "give one of them")
    if given.like:
        if given.pixels:
            raise PlanError("--like knows the pixels already", "leave --pixels away")
        return _like(Path(given.like))
    if given.camera:
        return _named(given.camera, given.pixels)
    if given.sensor:
        return _sized(given.sensor, given.pixels)
    if given.pixels:
        sensor = _sensor(36.0, 24.0, given.pixels)
        return CameraAsked(
            sensor, _size_words(sensor), ("a sensor 36 mm wide (--sensor or --camera tells yours)",)
        )
    said = "a camera of 36 x 24 mm and 45 megapixels (--like FRAME, or --camera and --pixels, tell yours)"
    return CameraAsked(USUAL, _size_words(USUAL), (said,))


def _like(file: Path) -> CameraAsked:
    data = read_metadata(file)
    found = best_focal(
        focal_candidates(
            data.stored_width,
            data.stored_height,
            focal_mm=data.focal_mm,
            focal_35mm=data.focal_35mm,
            focal_plane_px_per_mm=data.focal_plane_px_per_mm,
        )
    )
    size = (data.stored_width, data.stored_height)
    name = " ".join(w for w in (data.make, data.model) if w)
    if found is not None and math.isfinite(found.sensor_width_mm):
        pitch = found.sensor_width_mm / data.stored_width
        sensor = Sensor(max(size) * pitch, min(size) * pitch, max(size), min(size))
        assumed = (f"the sensor as {file.name} has it, though {found.doubt}",) if found.doubt else ()
        return CameraAsked(sensor, name or _size_words(sensor), assumed, data.focal_mm)
    if data.model:
        try:
            answer = sensor_named(name, size)
        except PlanError:
            answer = None
        if answer is not None and answer.sensor is not None:
            return CameraAsked(answer.sensor, name, (), data.focal_mm)
    raise UnreadableFile(
        file, "does not say how large the camera's sensor is; give --sensor in mm and --pixels instead"
    )


def _named(name: str, pixels: str | None) -> CameraAsked:
    answer = sensor_named(name, None if pixels is None or _is_count(pixels) else _whole_pixels(pixels))
    if answer.sensor is not None:
        return CameraAsked(answer.sensor, answer.camera.name)
    if pixels is None:
        raise PlanError(
            f"the list of cameras does not know how many pixels {answer.camera.name} has",
            "give --pixels, as the properties of a full-size picture show them (6000x4000) or in millions "
            "(24MP), or --like FRAME.jpg",
        )
    return CameraAsked(_sensor(answer.width_mm, answer.height_mm, pixels), answer.camera.name)


def _sized(text: str, pixels: str | None) -> CameraAsked:
    long, short = sorted(pair("--sensor", text, LENGTHS_MM, "36x24", "mm"), reverse=True)
    if pixels is None:
        raise PlanError(
            f"--sensor {text}: its pixels are missing", "give --pixels, like 6000x4000 or 24MP, too"
        )
    sensor = _sensor(long, short, pixels)
    return CameraAsked(sensor, _size_words(sensor))


def _sensor(width_mm: float, height_mm: float, pixels: str) -> Sensor:
    """A sensor of these sides with so many pixels, as sides or as millions."""
    if not _is_count(pixels):
        long, short = _whole_pixels(pixels)
        return Sensor(width_mm, height_mm, long, short)
    count = float(_count(pixels)) * 1e6
    if not (count > 0.0 and width_mm > 0.0 and height_mm > 0.0):
        return Sensor(width_mm, height_mm, 1, 1) if count > 0.0 else _no_pixels(pixels)
    across = max(1, round(math.sqrt(count * width_mm / height_mm)))
    return Sensor(width_mm, height_mm, across, max(1, round(across * height_mm / width_mm)))


def _no_pixels(pixels: str) -> Sensor:
    raise PlanError(f"--pixels {pixels}: a frame needs some", "write it like 6000x4000 or 24MP")


def _is_count(pixels: str) -> bool:
    return bool(re.fullmatch(r"\s*[\d.,]+\s*(mp|mpx|megapixels?)\s*", pixels.lower()))


def _count(pixels: str) -> str:
    match = re.match(r"\s*(\d+(?:[.,]\d+)?)", pixels)
    return match[1].replace(",", ".") if match else "0"


def _whole_pixels(pixels: str) -> tuple[int, int]:
    """The longer side first."""
    sides = pair("--pixels", pixels, {"px": 1.0}, "6000x4000 or 24MP")
    if any(s != int(s) or s < 1 for s in sides):
        raise PlanError(f"--pixels {pixels}: needs whole numbers above 0", "write it like 6000x4000 or 24MP")
    return int(max(sides)), int(min(sides))


def _size_words(sensor: Sensor) -> str:
    return f"sensor {sensor.width_mm:.4g} x {sensor.height_mm:.4g} mm, {sensor.megapixels:.0f} megapixels"

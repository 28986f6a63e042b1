"""A camera's sensor by the camera's name, from the camera list that lensfunpy brings.

The list knows a camera's crop factor and nothing else about its sensor: the diagonal follows, and with the
pixels the sides. Only equal names count; the list's own loose search gives other cameras for an unknown one.
"""

from __future__ import annotations

import difflib
import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.optics.focal import FILM_DIAGONAL_MM
from belvedere.optics.positive import need_positive
from belvedere.optics.sensor import Sensor, sensor_from_crop

HOW_TO_GIVE_PIXELS = (
    "the list of cameras does not know how many pixels a camera has; give them as width x height, as the "
    "properties of any full-size picture show them"
)
"""What a person reads where the pixels are missing."""


@dataclass(frozen=True, slots=True)
class ListedCamera:
    """One line of the list.

    Parameters
    ----------
    maker, model : str
        As the list writes them.
    variant : str
        What tells apart lines of one model, such as an aspect ratio "4:3"; else empty.
    crop_factor : float
        Diagonal of 24 x 36 mm over the sensor's diagonal, > 0.
    """

    maker: str
    model: str
    variant: str
    crop_factor: float

    @property
    def name(self) -> str:
        """Maker and model, the maker once."""
        repeats = _plain(self.model).startswith(_plain(self.maker.split(" ", 1)[0]))
        full = self.model if repeats else f"{self.maker} {self.model}"
        return f"{full} ({self.variant})" if self.variant else full


@dataclass(frozen=True, slots=True)
class CropAnswer:
    """What the list knows of a camera.

    Parameters
    ----------
    camera : ListedCamera
        The camera found.
    width_mm, height_mm : float
        The sensor's sides, good to about 1 %: crop factors are rounded.
    sensor : Sensor or None
        The sensor; None while the pixels are unknown.
    doubt : str or None
        What is missing or assumed, and what to give; None if nothing is.
    """

    camera: ListedCamera
    width_mm: float
    height_mm: float
    sensor: Sensor | None
    doubt: str | None


def sensor_named(name: str, pixels: tuple[int, int] | None = None) -> CropAnswer:
    """The sensor of the camera with this name, from the installed list.

    Parameters
    ----------
    name : str
        Model, with or without the maker; case and spaces do not matter.
    pixels : tuple of 2 int or None
        Width and height of a full-size picture, in either order.

    Raises
    ------
    PlanError
        If the list has no such camera (names the closest), or the pixels make no sense.
    """
    return crop_answer(find_camera(installed_list(), name, pixels), pixels)


@functools.cache
def installed_list() -> tuple[ListedCamera, ...]:
    """Every camera of the installed list; read once, 0.04 s."""
    import lensfunpy

    return tuple(
        ListedCamera(c.maker or "", c.model or "", c.variant or "", float(c.crop_factor))
        for c in lensfunpy.Database().cameras
        if c.model and c.crop_factor > 0.0
    )


def find_camera(
    cameras: Iterable[ListedCamera], name: str, pixels: tuple[int, int] | None = None
) -> ListedCamera:
    """The camera whose model, or maker and model, equals `name` but for case and spaces.

    Where several have the name, the pixels' shape chooses among variants named by an aspect ratio; lines of
    one crop factor count as one camera.

    Raises
    ------
    PlanError
        If none has the name, or several do and cannot be told apart.
    """
    cameras = tuple(cameras)
    wanted = _plain(name)
    if not wanted:
        raise PlanError("the camera's name is empty", "give its model as the camera's pictures carry it")
    found = [c for c in cameras if wanted in _spellings(c)]
    if not found:
        raise PlanError(
            f"the list of cameras has none named {name.strip()!r}",
            _closest(cameras, wanted) + "give its name as the list has it, or the sensor in mm and in pixels",
        )
    if len({c.crop_factor for c in found}) > 1 and pixels is not None and min(pixels) > 0:
        shape = max(pixels) / min(pixels)
        found = [c for c in found if abs(math.log(shape / (_aspect(c) or math.inf))) < 0.02] or found
    if len({c.crop_factor for c in found}) > 1:
        several = ", ".join(sorted(f"{c.name} with crop factor {c.crop_factor:.3g}" for c in found))
        raise PlanError(
            f"the list of cameras has several named {name.strip()!r}: {several}",
            "give maker and model, and the pixels, or the sensor in mm and in pixels",
        )
    return found[0]


def crop_answer(camera: ListedCamera, pixels: tuple[int, int] | None) -> CropAnswer:
    """What a line of the list and the pixels, if known, say about the sensor.

    Without pixels the sides follow from the aspect ratio the line names, or else from the usual one: 4:3 for
    crop factors below 0.9, of 2 and above 3, and 3:2 for the others (common practice, no published source).

    Raises
    ------
    PlanError
        If the pixels are not above 0.
    """
    crop = need_positive("the crop factor", camera.crop_factor)
    if pixels is not None:
        sensor = sensor_from_crop(crop, *pixels)
        return CropAnswer(camera, sensor.width_mm, sensor.height_mm, sensor, None)
    named = _aspect(camera)
    aspect = named or (4 / 3 if crop < 0.9 or 1.9 < crop < 2.1 or crop > 3.0 else 3 / 2)
    height = FILM_DIAGONAL_MM / crop / math.hypot(aspect, 1.0)
    shape = "" if named else f"; sides of {'4:3' if aspect < 1.4 else '3:2'} are assumed until then"
    return CropAnswer(camera, height * aspect, height, None, HOW_TO_GIVE_PIXELS + shape)


def _plain(name: str) -> str:
    return "".join(name.casefold().split())


def _spellings(camera: ListedCamera) -> set[str]:
    """The names the camera answers to: its model with and without the maker, or the maker's first word."""
    maker, model = _plain(camera.maker), _plain(camera.model)
    brand = _plain((camera.maker.split() or [""])[0])
    bare = {model.removeprefix(brand), model.removeprefix(maker)} - {""}
    return {model} | bare | {f"{m}{b}" for m in (maker, brand) for b in (model, *bare)}


def _aspect(camera: ListedCamera) -> float | None:
    """The aspect ratio a variant such as "16:9" names, or None."""
    long, colon, short = camera.variant.partition(":")
    if colon and long.strip().isdigit() and short.strip().isdigit() and int(short) > 0:
        return int(long) / int(short)
    return None


def _closest(cameras: tuple[ListedCamera, ...], wanted: str) -> str:
    """The sentence's part with up to three close names and "; " behind it, or nothing."""
    by_spelling = {s: c.name for c in reversed(cameras) for s in sorted(_spellings(c))}
    close = difflib.get_close_matches(wanted, by_spelling, n=12, cutoff=0.6)
    names = list(dict.fromkeys(by_spelling[s] for s in close))[:3]
    if not names:
        return ""
    if len(names) == 1:
        return f"the closest is {names[0]}; "
    return f"the closest are {', '.join(names[:-1])} and {names[-1]}; "

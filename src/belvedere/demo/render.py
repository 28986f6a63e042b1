"""Shooting a set: every planned frame rendered, exposed and, where wanted, written to disk."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray

from belvedere.demo.blur import defocused, moved
from belvedere.demo.buildings import buildings
from belvedere.demo.dng import write_dng
from belvedere.demo.embedded import exif_segment, preview, preview_segment, thumbnail
from belvedere.demo.exif import EXIF_PLACE, append_exif_ifd, exif_of, srgb_profile
from belvedere.demo.exposing import expose
from belvedere.demo.place import Place
from belvedere.demo.poses import Shot, drifted, plan_shots
from belvedere.demo.scene import View, light_of_rows
from belvedere.demo.spec import SetSpec
from belvedere.demo.standing import draw_standing
from belvedere.demo.truth import Truth, truth_of, write_truth
from belvedere.demo.walkers import seen_in, walkers_at
from belvedere.geometry.orientation import displayed

_BAND = 64  # rows rendered at a time, at least
_BAND_PX = 1 << 18
_INVERSE = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}

Codes = NDArray[np.uint8] | NDArray[np.uint16]


def render_frames(spec: SetSpec) -> list[Codes]:
    """Shoot a set in memory.

    Returns
    -------
    frames : list of ndarrays (height, width, 3)
        As displayed, uint8 or uint16 codes by `spec.bits`, in the order of `truth(spec).frames`.
    """
    return [render_frame(spec, shot) for shot in plan_shots(spec)]


def render_frame(spec: SetSpec, shot: Shot) -> Codes:
    """Shoot one planned frame: (height, width, 3) codes as displayed."""
    if shot.fault.is_blurred:
        return expose_light(spec, shot, light_of(spec, shot))
    out = _empty(spec, shot)
    for y, light in light_in_bands(spec, shot):
        _expose_band(shot, y, light, out)
    return out


def light_of(spec: SetSpec, shot: Shot) -> NDArray[np.float32]:
    """The light of a whole frame as its lens draws it, blur included: (height, width, 3), scene-linear."""
    light = np.empty((shot.camera.height, shot.camera.width, 3), dtype=np.float32)
    for y, band in light_in_bands(spec, shot):
        light[y : y + len(band)] = band
    light = defocused(light, shot.fault.defocus_px)
    return moved(light, shot.fault.motion_px, shot.fault.motion_deg)


def expose_light(spec: SetSpec, shot: Shot, light: NDArray[np.float32]) -> Codes:
    """Expose light (height, width, 3), as displayed, the way a shot does: codes of the same shape."""
    out = _empty(spec, shot)
    for y in range(0, len(light), _BAND):
        _expose_band(shot, y, light[y : y + _BAND], out)
    return out


def _empty(spec: SetSpec, shot: Shot) -> Codes:
    shape = (shot.camera.height, shot.camera.width, 3)
    return np.empty(shape, dtype=np.uint8) if spec.bits == 8 else np.empty(shape, dtype=np.uint16)


def _expose_band(shot: Shot, first_row: int, light: NDArray[np.float32], out: Codes) -> None:
    camera = shot.camera
    rows = out[first_row : first_row + len(light)]
    expose(light, first_row, camera.principal_point, camera.half_diagonal_px, shot.exposing, rows)


def light_in_bands(spec: SetSpec, shot: Shot) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """The scene light of one frame as (first row, light (rows, width, 3)), from top to bottom."""
    view, where = view_of(spec, shot), place_of(spec, shot)
    camera = shot.camera
    things = buildings(where)
    if spec.walkers and shot.belongs:
        shots = plan_shots(spec)
        things += tuple(figure for _, figure in walkers_at(spec, shots, shots.index(shot)))
    band = max(_BAND, _BAND_PX // camera.width)
    for y in range(0, camera.height, band):
        light = light_of_rows(view, where, y, min(band, camera.height - y))
        draw_standing(light, y, things, camera, shot.centre_m, camera.focal_px)
        yield y, light


def view_of(spec: SetSpec, shot: Shot) -> View:
    """Where a shot's camera stands in the place at its moment."""
    return View(shot.camera, shot.centre_m, drifted(spec, shot))


def place_of(spec: SetSpec, shot: Shot) -> Place:
    """The place a shot shows: the set's, or for a stray another one."""
    if shot.belongs:
        return spec.place
    return dataclasses.replace(
        Place(), seed=spec.place.seed + 1000003, sea_width_deg=0.0, relief=1.7, clouds=0.8
    )


def truth(spec: SetSpec) -> Truth:
    """The truth of a set without rendering it."""
    shots = plan_shots(spec)
    return truth_of(
        spec, shots, file_names(spec, len(shots)), [seen_in(spec, shots, i) for i in range(len(shots))]
    )


def file_names(spec: SetSpec, count: int) -> list[str]:
    """Names as a camera counts them."""
    suffix = "DNG" if spec.raw == "dng" else ("JPG" if spec.bits == 8 else "TIF")
    return [f"VH_{1001 + i:04d}.{suffix}" for i in range(count)]


def write_set(spec: SetSpec, folder: Path) -> Truth:
    """Shoot a set into a folder: frames stored as the sensor lies, Exif, and truth.json.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    known = truth(spec)
    for shot, name in zip(plan_shots(spec), known.files, strict=True):
        if spec.raw == "none":
            write_frame(spec, shot, render_frame(spec, shot), folder / name)
        else:
            write_exposure(spec, shot, light_of(spec, shot), folder / name)
    write_truth(known, folder / "truth.json")
    return known


def write_exposure(spec: SetSpec, shot: Shot, light: NDArray[np.float32], path: Path) -> None:
    """Write what one press of the release leaves of light (height, width, 3): picture, raw file, or both.

    `path` is the picture's, or the raw file's where there is no picture; a raw file beside a picture has its
    name with the suffix DNG.
    """
    frame = expose_light(spec, shot, light)
    if spec.raw != "dng":
        write_frame(spec, shot, frame, path)
    if spec.raw != "none":
        picture = frame if frame.dtype == np.uint8 else frame // 257
        write_dng(spec, shot, light, picture.astype(np.uint8), path.with_suffix(".DNG"))


def write_frame(spec: SetSpec, shot: Shot, frame: Codes, path: Path) -> None:
    """Write one frame as displayed the way a camera stores it: JPEG of 8 bits, TIFF of 16."""
    stored = frame
    if spec.exif:
        stored = np.ascontiguousarray(displayed(frame, _INVERSE[shot.orientation]))
    if frame.dtype == np.uint16:
        _write_tiff(spec, shot, stored, path)
        return
    body = simplejpeg.encode_jpeg(
        stored, quality=spec.quality, colorspace="RGB", colorsubsampling=spec.subsampling, fastdct=False
    )
    path.write_bytes(_with_segments(body, np.asarray(stored, dtype=np.uint8), spec, shot))


def _with_segments(body: bytes, stored: NDArray[np.uint8], spec: SetSpec, shot: Shot) -> bytes:
    """Put Exif (APP1), preview (APP2) and ICC profile (APP2, ICC.1:2022 annex B.4) behind SOI, not JFIF."""
    rest = body[2:]
    exif = profile = index = larger = b""
    if spec.exif:
        if rest[:2] == b"\xff\xe0":  # Exif 2.32, 4.5.4: APP1 comes at once after SOI
            rest = rest[2 + int.from_bytes(rest[2:4], "big") :]
        exif = exif_segment(exif_of(spec, shot), thumbnail(stored) if spec.body.thumbnail else None)
    if spec.profile:
        data = b"ICC_PROFILE\x00\x01\x01" + srgb_profile()
        profile = b"\xff\xe2" + (len(data) + 2).to_bytes(2, "big") + data
    if spec.exif and (found := preview(stored, spec.body.preview_px)) is not None:
        larger = found
        index = preview_segment(2 + len(exif), 2 + len(exif) + len(profile) + len(rest), larger)
    return body[:2] + exif + index + profile + rest + larger


def _write_tiff(spec: SetSpec, shot: Shot, stored: Codes, path: Path) -> None:
    """Write a 16-bit TIFF with the frame's Exif."""
    options: dict[str, Any] = {
        "photometric": "rgb",
        "compression": "zlib",
        "predictor": True,
        "metadata": None,
    }
    if spec.profile:
        options["iccprofile"] = srgb_profile()
    if not spec.exif:
        tifffile.imwrite(path, stored, software=False, **options)
        return
    exif = exif_of(spec, shot)
    tags = [
        (0x010F, 2, 0, spec.body.make, True),
        (0x0110, 2, 0, spec.body.model, True),
        (0x0112, 3, 1, shot.orientation, True),
        (EXIF_PLACE, 4, 1, 0, True),
    ]
    tifffile.imwrite(path, stored, byteorder=">", software=False, extratags=tags, **options)
    append_exif_ifd(path, exif)

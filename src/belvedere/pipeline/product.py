"""What a run makes of its scene: the file's form, and how samples and tiles are coded."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

import belvedere
from belvedere.capture.camera_colour import CameraColour, scene_profile, xyz_d50_from_camera
from belvedere.capture.icc import read_profile
from belvedere.capture.primaries import CommonProfile, linear_profile, srgb_profile
from belvedere.compose.dng_format import DngFormat
from belvedere.compose.dng_preview import encode_dng_preview
from belvedere.compose.encode import Encoder, PieceEncoder
from belvedere.compose.encode_linear import LinearEncoder
from belvedere.compose.encode_screen import ScreenEncoder
from belvedere.compose.exif_block import ExifValues
from belvedere.compose.headroom import headroom_for
from belvedere.compose.ifd import Tag, ascii_tag, byte_tag, rational_tag, short_tag, signed_rational_tag
from belvedere.compose.picture_format import PictureFormat
from belvedere.compose.picture_xmp import picture_xmp
from belvedere.compose.report import CameraReport
from belvedere.compose.tiff import TileForm
from belvedere.compose.tile_code import encode_tile
from belvedere.pipeline.blocks import TileCoder, code_dng
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.scene import Scene
from belvedere.tone.tone import Response

SmallPicture = Callable[[PieceEncoder], "np.ndarray[tuple[int, ...], np.dtype[np.uint8]]"]
"""Draws the whole small, (h, w, 3) uint8, by an encoder of 8 bits."""


@dataclass(frozen=True, slots=True)
class Product:
    """How a picture becomes a file.

    Parameters
    ----------
    form : TileForm
    encoder : PieceEncoder
    code : TileCoder
    headroom : float or None
        Light that the largest code stands for, in the camera's white level; None where codes follow a curve.
    camera : CameraReport or None
        In scene light, whose colour the samples are.
    """

    form: TileForm
    encoder: PieceEncoder
    code: TileCoder = encode_tile
    headroom: float | None = None
    camera: CameraReport | None = None


def product(
    options: StitchOptions,
    scene: Scene,
    common: CommonProfile,
    response: Response,
    exif: ExifValues,
    small: SmallPicture,
    brightness_ev: float = 0.0,
) -> Product:
    """What is to be made of a scene.

    Parameters
    ----------
    options : StitchOptions
    scene : Scene
    common : CommonProfile
        Its colours.
    response : Response
        That a picture with a curve is encoded by.
    exif : ExifValues
    small : callable
        For the preview in a DNG.
    brightness_ev : float
        How much brighter than its light the picture is to be shown or developed, EV.
    """
    plate = scene.plate
    form = PictureFormat(
        plate.width, plate.height, options.bits, common.profile, options.pixels_per_inch, exif, software()
    )
    if options.kind == "picture":
        bits: Literal[8, 16] = 8 if options.bits == 8 else 16
        return Product(form, Encoder(response.to_linear, bits, 2.0**brightness_ev))
    used = [(c, light) for c, light in zip(scene.cameras, scene.lights, strict=True) if c and light]
    headroom = headroom_for([c for c, _ in used], [light for _, light in used])
    xmp = picture_xmp(exif, plate, software())
    if options.kind == "linear-dng":
        assert common.colour is not None, "a linear DNG is made in scene light"
        colour = common.colour
        dng = DngFormat(
            plate.width,
            plate.height,
            colour.model,
            colour.matrices,
            colour.neutral,
            encode_dng_preview(small(screen_encoder(colour, brightness_ev))),
            headroom=headroom,
            baseline_ev=colour.baseline_ev + brightness_ev,
            forward=colour.forward,
            exif=exif,
            xmp=xmp,
            software=software(),
        )
        return Product(dng, LinearEncoder(headroom), code_dng, headroom, _camera(colour))
    if options.bits == 32:
        headroom = 1.0
    if common.colour is not None:
        icc = scene_profile(common.colour, headroom * 2.0 ** (common.colour.baseline_ev + brightness_ev))
    else:
        icc = linear_profile(common.profile, headroom * 2.0**brightness_ev) or b""
    form = replace(
        form,
        icc=icc,
        description=_description(options, headroom),
        more=(byte_tag(700, xmp), *_light_tags(common.colour, headroom, brightness_ev)),
    )
    return Product(
        form,
        LinearEncoder(headroom, 32 if options.bits == 32 else 16),
        headroom=headroom,
        camera=None if common.colour is None else _camera(common.colour),
    )


def screen_encoder(colour: CameraColour, brightness_ev: float = 0.0) -> ScreenEncoder:
    """Develops camera colour for a screen, balanced as shot, brightened as the maker, and we, want it."""
    srgb = read_profile(srgb_profile())
    assert srgb is not None
    assert srgb.matrix is not None
    matrix = np.linalg.solve(srgb.matrix, xyz_d50_from_camera(colour)) * 2.0 ** (
        colour.baseline_ev + brightness_ev
    )
    return ScreenEncoder(tuple(tuple(float(v) for v in row) for row in matrix))


def software() -> str:
    """What the files name as their maker."""
    return f"Belvedere {belvedere.__version__}"


def _camera(colour: CameraColour) -> CameraReport:
    return CameraReport(
        model=colour.model,
        neutral=colour.neutral,
        baseline_ev=colour.baseline_ev,
        illuminants=tuple(number for number, _ in colour.matrices),
        camera_from_xyz=tuple(matrix for _, matrix in colour.matrices),
    )


def _description(options: StitchOptions, headroom: float) -> str:
    if options.bits == 32:
        return "Linear light: 1 is the white level of the frames"
    return f"Linear light: 65535 is {headroom:.4f} times the white level of the frames"


def _light_tags(colour: CameraColour | None, headroom: float, brightness_ev: float) -> list[Tag]:
    """How samples stand to the camera's light, by the tags a DNG has for it; other readers pass them over."""
    ev = math.log2(headroom) + brightness_ev + (0.0 if colour is None else colour.baseline_ev)
    tags = [signed_rational_tag(50730, ev)]  # BaselineExposure
    if colour is None:
        return tags
    tags += [ascii_tag(50708, colour.model), rational_tag(50728, *colour.neutral)]
    for (illuminant, matrix), place, light in zip(
        colour.matrices, (50721, 50722), (50778, 50779), strict=False
    ):
        tags += [
            signed_rational_tag(place, *(v for row in matrix for v in row)),
            short_tag(light, illuminant),
        ]
    for forward, place in zip(colour.forward, (50964, 50965), strict=False):
        tags.append(signed_rational_tag(place, *(v for row in forward for v in row)))
    return tags

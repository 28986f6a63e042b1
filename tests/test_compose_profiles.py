"""Frames of other primaries on the plate: the matrix comes straight after the curve, before the factors."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.blend import blend_levels, render_tile
from belvedere.compose.encode import Encoder
from belvedere.compose.light import FrameLight, frame_light
from belvedere.compose.piece import Piece
from belvedere.compose.sample import sample
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.tone.tone import FrameTone, Response, Tone
from compose_scene import HEIGHT, WIDTH, camera
from other_profiles import EG_432, OP_RGB, SRGB, Space, between, converted

CURVE = SRGB.linear(np.linspace(0.0, 1.0, 1025)).astype(np.float32)


def light_of(
    space: Space, cam: Camera, white_balance: tuple[float, float, float] = (1.3, 1.0, 0.7)
) -> FrameLight:
    curve = space.linear(np.linspace(0.0, 1.0, 1025)).astype(np.float32)
    matrix = None if space is SRGB else tuple(tuple(row) for row in between(space, SRGB).tolist())
    tone = Tone(
        (FrameTone(1.25, white_balance, (-0.3, 0.1, 0.0), 0, matrix),), (Response("profile", curve),), ()
    )
    return frame_light(tone, cam, 0)


def facing(codes: NDArray[np.uint16], light: FrameLight) -> Piece:
    """The frame drawn on the plate whose pixels are its own: nothing is interpolated."""
    plate = Plate("rectilinear", WIDTH, HEIGHT, 220.0, ((WIDTH - 1) / 2, (HEIGHT - 1) / 2))
    return sample(FramesInMemory([codes]), 0, 0, camera(0.0), light, plate, 1, 0, 0, WIDTH, HEIGHT)


@pytest.mark.parametrize("space", [EG_432, OP_RGB])
def test_a_converted_frame_gives_the_light_it_had(space: Space) -> None:
    """Random colours of sRGB, all of which the other spaces hold, from code 0.02 to 0.95."""
    codes = np.random.default_rng(5).integers(1300, 62000, (HEIGHT, WIDTH, 3), np.uint16)
    cam = camera(0.0)
    plain = facing(codes, light_of(SRGB, cam)).colour
    found = facing(converted(codes, SRGB, space), light_of(space, cam)).colour
    # half a code, through the curve's steepest (2.4), the matrix's largest row (1.8) and the factors (1.5)
    np.testing.assert_allclose(found, plain, atol=0.5 / 65535 * 2.4 * 1.8 * 1.5 + 2e-5)
    assert np.abs(facing(converted(codes, SRGB, space), light_of(SRGB, cam)).colour - plain).max() > 0.05


def test_the_rule_by_hand() -> None:
    """In float64: linear, then the matrix, then factors that fade to green's near white, then vignetting."""
    codes = np.random.default_rng(6).integers(0, 65536, (HEIGHT, WIDTH, 3), np.uint16)
    cam = camera(0.0)
    light = light_of(OP_RGB, cam)
    found = facing(codes, light)
    share = codes / 65535.0
    linear = np.interp(share, np.arange(1025) / 1024, light.to_linear) @ between(OP_RGB, SRGB).T
    factor, fade = np.array(light.factor), np.clip((share.max(axis=-1, keepdims=True) - 0.96) / 0.035, 0, 1)
    v, u = np.mgrid[0:HEIGHT, 0:WIDTH]
    q = ((u - cam.principal_point[0]) ** 2 + (v - cam.principal_point[1]) ** 2) / cam.half_diagonal_px**2
    expected = linear * (factor + fade * (factor[1] - factor)) / (1 - 0.3 * q + 0.1 * q * q)[..., None]
    np.testing.assert_allclose(found.colour, expected, atol=3e-6)
    assert found.colour.min() < -0.05  # beyond the common primaries: kept as it is
    coded = Encoder(CURVE).encode(found)
    assert (coded.codes[..., :3][found.colour <= 0.0] == 0).all()
    assert coded.over_white == (found.colour > 1.0).any(axis=-1).sum()  # below 0 is not counted


def test_clipped_light_stays_neutral() -> None:
    codes = np.full((HEIGHT, WIDTH, 3), 65535, np.uint16)
    colour = facing(codes, light_of(EG_432, camera(0.0))).colour
    np.testing.assert_allclose(colour / colour[..., 1:2], 1.0, atol=1e-5)


def test_light_below_zero_passes_through_the_spline() -> None:
    """One frame's red is beyond the common primaries, the other's not: no pixel is lost, no step left."""
    cams = [camera(-12.0), camera(12.0)]
    greens = [np.full((HEIGHT, WIDTH, 3), (red, 52000, 9000), np.uint16) for red in (6000, 34000)]
    lights = [light_of(OP_RGB, c, (1.0, 1.0, 1.0)) for c in cams]
    plate = Plate("cylindrical", 300, 120, 220.0, (149.5, 59.5))

    def owners(x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        x = (x0 + np.arange(width)) * step
        return np.tile((x >= 150).astype(np.int16), (height, 1))

    source = FramesInMemory(greens)
    piece = render_tile(source, cams, lights, plate, owners, blend_levels(plate, cams), 0, 0, 300, 120)
    assert (facing(greens[0], lights[0]).colour[..., 0] < 0.0).all()
    assert np.isfinite(piece.colour).all()
    shown = np.sqrt(np.maximum(piece.colour[60, 40:260, 0], 0.0))  # as the spline adds, and the encoder holds
    assert shown[0] == 0.0
    assert shown[-1] > 0.2
    assert np.abs(np.diff(shown)).max() < 0.04

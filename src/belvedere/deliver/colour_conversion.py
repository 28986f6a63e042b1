"""From a picture's colours to a paper's: LittleCMS at 16 bits, asked on a lattice of colours where that does.

LittleCMS answers exactly at a few million colours a second. A lattice of its answers with tetrahedral
interpolation between them is ten times as fast; how far it is off is measured when it is made, and where that
is more than `CLOSE_ENOUGH`, every pixel is put to LittleCMS itself. LittleCMS' own lattice, which it takes
where nothing forbids it, has 33 nodes a side and is off by up to 1.6 (docs/paper.md).

White is bare paper, exactly, for every intent but the absolute: tables of version 2 profiles have no node at
white, and what they answer there would put a veil of ink on every white.

References
----------
ICC.1:2022, 6.3 (rendering intents); ISO 18619:2015 (black point compensation).
J. M. Kasson, S. I. Nin, W. Plouffe, J. L. Hafner, Performing Color Space Conversions with Three-Dimensional
Linear Interpolation, Journal of Electronic Imaging 4(3), 1995: tetrahedra (cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import imagecodecs
import numpy as np
from numba import njit
from numpy.typing import NDArray
from PIL import ImageCms

from belvedere.capture.icc import read_profile
from belvedere.deliver.colour_difference import ciede2000
from belvedere.deliver.paper_profile import PaperProfile
from belvedere.errors import BelvedereError

Intent = Literal["perceptual", "relative", "saturation", "absolute"]

INTENTS: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}
"""ICC.1:2022, 7.2.15: numbers of the rendering intents."""

CLOSE_ENOUGH = 0.3
"""CIEDE2000 that no colour may be off by in all; a lattice must keep it."""

NODES = 129
"""Nodes of the lattice along each of the three axes."""

_BLACK_POINT, _EXACT = 0x2000, 0x0100  # cmsFLAGS_BLACKPOINTCOMPENSATION, cmsFLAGS_NOOPTIMIZE of lcms2.h
_LITTLE_CMS_NAMES = {"RGB": "rgb", "CMYK": "cmyk", "GRAY": "gray"}
_TRIED = 20_000


@dataclass(frozen=True, eq=False)
class ColourConversion:
    """Takes 16-bit RGB codes of one profile to 16-bit codes of a paper; made by `colour_conversion`.

    Parameters
    ----------
    source : bytes
        The picture's profile.
    paper : PaperProfile
        Where to.
    intent : str
        Rendering intent.
    black_point : bool
        Whether black point compensation is on.
    lattice : ndarray of shape (n, n, n, channels), uint16, or None
        The paper's codes at nodes of the picture's; None: every pixel is put to LittleCMS.
    ramp : ndarray of shape (65536, channels), uint16, or None
        The paper's codes of every grey, where the picture's profile is grey.
    off_mean, off_most : float
        CIEDE2000 between what this gives and LittleCMS' own answer, over colours drawn at random.
    """

    source: bytes
    paper: PaperProfile
    intent: Intent
    black_point: bool
    lattice: NDArray[np.uint16] | None
    ramp: NDArray[np.uint16] | None
    off_mean: float
    off_most: float

    def convert(self, codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Codes (h, w, 4) of colour and coverage to (h, w, channels); bare paper where coverage is 0."""
        height, width, _ = codes.shape
        out = np.empty((height, width, self.paper.channels), np.uint16)
        white = np.array(self.paper.paper_white(65535), np.uint16)
        if self.lattice is not None:
            _through_lattice(codes, self.lattice, white, out)
            return out
        if self.ramp is not None:
            out[...] = self.ramp[codes[..., 0]]
        else:
            out[...] = self._exactly(codes[..., :3])
        if self.intent != "absolute":
            out[(codes[..., :3] == 65535).all(axis=-1)] = white
        out[codes[..., 3] == 0] = white
        return out

    def _exactly(self, codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
        flags = _EXACT | (_BLACK_POINT if self.black_point else 0)
        return little_cms(codes, self.source, "RGB", self.paper.data, self.paper.space, self.intent, flags)


def colour_conversion(
    source: bytes,
    paper: PaperProfile,
    *,
    intent: Intent = "relative",
    black_point: bool = True,
    nodes: int = NODES,
) -> ColourConversion:
    """Prepare a conversion.

    Parameters
    ----------
    source : bytes
        ICC profile of the picture, RGB or grey.
    paper : PaperProfile
        Of the paper.
    intent : str
        One of `INTENTS`. Relative colorimetric keeps every colour the paper can show; perceptual presses the
        others in, and with them all.
    black_point : bool
        Bring the picture's black to the paper's, so that shadows do not close; LittleCMS heeds it for every
        intent but the absolute.
    nodes : int
        Nodes a side of the lattice.

    Raises
    ------
    BelvedereError
        If LittleCMS cannot make a way from one profile to the other.
    """
    black_point = black_point and intent != "absolute"
    plain = ColourConversion(source, paper, intent, black_point, None, None, 0.0, 0.0)
    read = read_profile(source)
    if read is not None and read.space == "GRAY":
        greys = np.arange(65536, dtype=np.uint16)[:, None]
        flags = _EXACT | (_BLACK_POINT if black_point else 0)
        ramp = little_cms(greys[None], source, "GRAY", paper.data, paper.space, intent, flags)
        return ColourConversion(source, paper, intent, black_point, None, ramp[0], 0.0, 0.0)
    steps = np.rint(np.linspace(0.0, 65535.0, nodes)).astype(np.uint16)
    lattice = np.empty((nodes, nodes, nodes, paper.channels), np.uint16)
    plane = np.empty((nodes, nodes, 3), np.uint16)
    plane[..., 1], plane[..., 2] = steps[:, None], steps
    for k in range(0, nodes, 16):  # a transform is made anew for every call
        part = steps[k : k + 16]
        several = np.repeat(plane[None], len(part), axis=0)
        several[..., 0] = part[:, None, None]
        asked = several.reshape(len(part) * nodes, nodes, 3)
        lattice[k : k + 16] = plain._exactly(asked).reshape(len(part), nodes, nodes, -1)
    if intent != "absolute":
        lattice[-1, -1, -1] = paper.paper_white(65535)
    quick = ColourConversion(source, paper, intent, black_point, lattice, None, 0.0, 0.0)
    tried = _colours_to_try()
    exact, near = (lab_of(c.convert(tried), paper.data, paper.space) for c in (plain, quick))
    off = ciede2000(near, exact)
    if off.max() > CLOSE_ENOUGH:
        return plain
    return ColourConversion(
        source, paper, intent, black_point, lattice, None, float(off.mean()), float(off.max())
    )


def little_cms(
    codes: NDArray[np.uint16],
    profile: bytes,
    space: str,
    to_profile: bytes,
    to_space: str,
    intent: Intent,
    flags: int,
) -> NDArray[np.uint16]:
    """Put 16-bit codes (h, w, n) to LittleCMS; gives (h, w, m).

    Raises
    ------
    BelvedereError
        If a profile lacks what the conversion needs.
    """
    data: NDArray[Any] = np.ascontiguousarray(codes)
    to = "lab" if to_space == "Lab" else _LITTLE_CMS_NAMES[to_space]
    try:
        out = imagecodecs.cms_transform(
            data[..., 0] if space == "GRAY" else data,
            profile,
            to_profile,
            colorspace=_LITTLE_CMS_NAMES[space],
            outcolorspace=to,
            outdtype="uint16",
            intent=INTENTS[intent],
            flags=flags,
        )
    except (imagecodecs.CmsError, ValueError, RuntimeError) as error:
        raise BelvedereError(
            "LittleCMS finds no way from the picture's colour profile to the paper's; one of them is damaged "
            f"or made for another purpose ({error})"
        ) from error
    return np.asarray(out, np.uint16).reshape(*codes.shape[:2], -1)


def lab_of(codes: NDArray[np.uint16], profile: bytes, space: str, flags: int = 0) -> NDArray[np.float64]:
    """CIE L*a*b* (h, w, 3) of codes, relative to the profile's white, in steps of 1/257 or less."""
    v = little_cms(codes, profile, space, _lab_profile(), "Lab", "relative", _EXACT | flags).astype(
        np.float64
    )
    return np.stack([v[..., 0] / 655.35, v[..., 1] / 257.0 - 128.0, v[..., 2] / 257.0 - 128.0], axis=-1)


@cache
def _lab_profile() -> bytes:
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())


def _colours_to_try() -> NDArray[np.uint16]:
    """Colours all over the cube, half of them dark, (1, n, 4); always the same."""
    rng = np.random.default_rng(20_000)
    colours = np.full((1, _TRIED, 4), 65535, np.uint16)
    share = rng.random((_TRIED, 3))
    share[: _TRIED // 2] **= 3
    colours[0, :, :3] = np.rint(share * 65535.0)
    return colours


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _through_lattice(
    codes: NDArray[np.uint16],
    lattice: NDArray[np.uint16],
    white: NDArray[np.uint16],
    out: NDArray[np.uint16],
) -> None:
    """Tetrahedral interpolation: along the axes in the order of their fractions, the largest first."""
    height, width, channels = out.shape
    last = lattice.shape[0] - 1
    flat = lattice.reshape(-1)
    plane, line = lattice.shape[1] * lattice.shape[2] * channels, lattice.shape[2] * channels
    scale = np.float32(last / 65535.0)
    for j in range(height):
        for i in range(width):
            if codes[j, i, 3] == 0:
                for k in range(channels):
                    out[j, i, k] = white[k]
                continue
            r = np.float32(codes[j, i, 0]) * scale
            g = np.float32(codes[j, i, 1]) * scale
            b = np.float32(codes[j, i, 2]) * scale
            ri, gi, bi = min(int(r), last - 1), min(int(g), last - 1), min(int(b), last - 1)
            fr, fg, fb = r - np.float32(ri), g - np.float32(gi), b - np.float32(bi)
            at = ri * plane + gi * line + bi * channels
            end = at + plane + line + channels
            if fr >= fg:
                if fg >= fb:
                    one, two, f1, f2, f3 = at + plane, at + plane + line, fr, fg, fb
                elif fr >= fb:
                    one, two, f1, f2, f3 = at + plane, at + plane + channels, fr, fb, fg
                else:
                    one, two, f1, f2, f3 = at + channels, at + channels + plane, fb, fr, fg
            elif fr >= fb:
                one, two, f1, f2, f3 = at + line, at + line + plane, fg, fr, fb
            elif fg >= fb:
                one, two, f1, f2, f3 = at + line, at + line + channels, fg, fb, fr
            else:
                one, two, f1, f2, f3 = at + channels, at + channels + line, fb, fg, fr
            w0, w1, w2 = np.float32(1.0) - f1, f1 - f2, f2 - f3
            for k in range(channels):
                value = (
                    w0 * np.float32(flat[at + k])
                    + w1 * np.float32(flat[one + k])
                    + w2 * np.float32(flat[two + k])
                    + f3 * np.float32(flat[end + k])
                )
                out[j, i, k] = int(value + np.float32(0.5))

"""Colours for paper: against LittleCMS through Pillow, and what a paper cannot show."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.capture.primaries import srgb_profile, wide_profile
from belvedere.deliver.colour_conversion import (
    CLOSE_ENOUGH,
    INTENTS,
    ColourConversion,
    Intent,
    colour_conversion,
    lab_of,
)
from belvedere.deliver.colour_difference import ciede2000
from belvedere.deliver.gamut_check import out_of_gamut
from belvedere.deliver.paper_ink import to_8_bits
from belvedere.deliver.paper_profile import PaperProfile, paper_profile, read_paper_profile
from belvedere.errors import BelvedereError, UnreadableFile
from tests import paper_profiles

_COTTON = paper_profiles.paper_profile()


def _paper(kind: str) -> PaperProfile:
    data = {
        "cotton": lambda: _COTTON,
        "inks": lambda: bytes(pyvips.Image.profile_load("cmyk")),
        "wide": wide_profile,
    }[kind]()
    return paper_profile(data, Path(f"{kind}.icc"))


def _codes(colours: NDArray[np.uint8]) -> NDArray[np.uint16]:
    out = np.full((*colours.shape[:2], 4), 65535, np.uint16)
    out[..., :3] = colours.astype(np.uint16) * 257
    return out


def _through_pillow(colours: NDArray[np.uint8], paper: PaperProfile, intent: Intent) -> NDArray[np.uint8]:
    """LittleCMS asked for every pixel (NOOPTIMIZE), 8 bits, the most that Pillow's interface takes."""
    source, to = (ImageCms.ImageCmsProfile(io.BytesIO(p)) for p in (srgb_profile(), paper.data))
    flags = ImageCms.Flags.BLACKPOINTCOMPENSATION | ImageCms.Flags.NOOPTIMIZE
    mode = "CMYK" if paper.space == "CMYK" else "RGB"
    transform = ImageCms.buildTransform(source, to, "RGB", mode, INTENTS[intent], flags)
    return np.asarray(ImageCms.applyTransform(Image.fromarray(colours), transform))


@pytest.mark.parametrize(
    ("one", "two", "expected"),
    [
        # G. Sharma, W. Wu, E. N. Dalal (2005), table 1: some of its 34 pairs (from memory)
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
        ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0009), 7.1792),
        ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0010), 7.1792),
        ((50.0, -0.0010, 2.4900), (50.0, 0.0009, -2.4900), 4.8045),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (50.0, 3.1736, 0.5854), 1.0),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_colour_differences_as_published(
    one: tuple[float, ...], two: tuple[float, ...], expected: float
) -> None:
    assert float(ciede2000(np.array(one), np.array(two))) == pytest.approx(expected, abs=1e-4)
    assert float(ciede2000(np.array(two), np.array(one))) == pytest.approx(expected, abs=1e-4)


@cache
def _conversion(kind: str, intent: Intent = "relative") -> ColourConversion:
    return colour_conversion(srgb_profile(), _paper(kind), intent=intent)


@pytest.mark.parametrize(
    ("kind", "intent"),
    [("cotton", "relative"), ("cotton", "perceptual"), ("inks", "relative"), ("wide", "relative")],
)
def test_converted_as_by_littlecms(kind: str, intent: Intent) -> None:
    """Both rounded to 8 bits: 98 % of the samples equal, none off by more than 2; 99 % within 0.3."""
    colours = np.random.default_rng(3).integers(0, 256, (100, 200, 3), dtype=np.uint8)
    paper = _paper(kind)
    ours, theirs = (
        to_8_bits(_conversion(kind, intent).convert(_codes(colours))),
        _through_pillow(colours, paper, intent),
    )
    assert (ours == theirs).mean() > 0.98
    assert np.abs(ours.astype(int) - theirs).max() <= 2
    shown, wanted = (lab_of(c.astype(np.uint16) * 257, paper.data, paper.space) for c in (ours, theirs))
    assert np.quantile(ciede2000(shown, wanted), 0.99) < 0.3


@pytest.mark.parametrize("kind", ["cotton", "inks", "wide"])
def test_the_lattice_is_close_to_littlecms_at_16_bits(kind: str) -> None:
    paper = _paper(kind)
    conversion = _conversion(kind)
    exact = ColourConversion(srgb_profile(), paper, "relative", True, None, None, 0.0, 0.0)
    rng = np.random.default_rng(8)
    codes = rng.integers(0, 65536, (50, 200, 4), dtype=np.uint16) | np.array([0, 0, 0, 65535], np.uint16)
    off = ciede2000(*(lab_of(c.convert(codes), paper.data, paper.space) for c in (conversion, exact)))
    assert off.max() < CLOSE_ENOUGH
    assert conversion.off_most < CLOSE_ENOUGH
    assert (conversion.lattice is None) == (kind == "wide")  # a curve too steep in the dark for a lattice


def test_too_coarse_a_lattice_is_not_used() -> None:
    assert colour_conversion(srgb_profile(), _paper("cotton"), nodes=9).lattice is None


@pytest.mark.parametrize("kind", ["cotton", "inks"])
def test_where_nothing_covers_the_paper_stays_bare(kind: str) -> None:
    paper = _paper(kind)
    codes = np.zeros((2, 3, 4), np.uint16)
    codes[0, 0] = 65535
    out = colour_conversion(srgb_profile(), paper, nodes=17).convert(codes)
    assert (out[1] == np.array(paper.paper_white(65535))).all()
    assert (out[0, 0] == np.array(paper.paper_white(65535))).all()  # white is bare paper, too


def test_the_absolute_intent_prints_the_papers_tint_against_white() -> None:
    conversion = colour_conversion(srgb_profile(), _paper("cotton"), intent="absolute", nodes=17)
    white = np.full((1, 1, 4), 65535, np.uint16)
    relative = colour_conversion(srgb_profile(), _paper("cotton"), nodes=17)
    assert not conversion.black_point
    assert (relative.convert(white) == 65535).all()
    tinted = conversion.convert(white)[0, 0]
    assert tinted[0] < 65300 < tinted[2]  # the paper is warm: less red is printed on it


def test_a_grey_profile_gives_one_ink() -> None:
    paper = paper_profile(_grey_profile(), Path("grey.icc"))
    assert (paper.space, paper.channels) == ("GRAY", 1)
    codes = np.full((1, 3, 4), 65535, np.uint16)
    codes[0, :, :3] = np.array([0, 30000, 65535])[:, None]
    out = colour_conversion(srgb_profile(), paper, nodes=17).convert(codes)
    assert out.shape == (1, 3, 1)
    assert out[0, 0, 0] < 50 < 20000 < out[0, 1, 0] < 40000 < 65500 < out[0, 2, 0]


def test_a_grey_picture_goes_to_paper() -> None:
    conversion = colour_conversion(_grey_profile(), _paper("cotton"), nodes=17)
    codes = np.full((1, 2, 4), 65535, np.uint16)
    codes[0, 0, :3] = 30000
    out = conversion.convert(codes)
    assert (out[0, 1] == 65535).all()
    shown = lab_of(out, _COTTON, "RGB")[0, 0]
    assert np.hypot(shown[1], shown[2]) < 0.5


def test_what_the_paper_cannot_show_is_counted() -> None:
    conversion = colour_conversion(srgb_profile(), _paper("cotton"), nodes=17)
    codes = np.full((1, 4, 4), 65535, np.uint16)
    codes[0, :, :3] = [[0, 65535, 0], [30000, 30000, 30000], [32000, 29000, 30000], [0, 0, 0]]
    found = out_of_gamut(codes, conversion)
    assert found.share == pytest.approx(0.25)  # the green; black is lifted, not lost
    assert found.most > 3.0
    assert found.mean_of_them == pytest.approx(found.most)
    codes[0, 0, 3] = 0
    assert out_of_gamut(codes, conversion).share == 0.0
    assert out_of_gamut(codes[:, :1], conversion).looked_at == 0


def test_without_black_point_compensation_shadows_are_lost() -> None:
    conversion = colour_conversion(srgb_profile(), _paper("cotton"), black_point=False, nodes=17)
    assert out_of_gamut(np.array([[[0, 0, 0, 65535]]], np.uint16), conversion).share == 1.0


def test_srgb_needs_no_file() -> None:
    paper = read_paper_profile(Path("srgb"))
    assert paper.data == srgb_profile()
    assert not paper.is_printer


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is no ICC profile"),
        (b"%PDF-1.7" + bytes(300), "is no ICC profile"),
        (_COTTON[:5000], "cut short"),
        (paper_profiles.wrong_kind(_COTTON, b"scnr"), "of a scanner or camera, and not of a paper"),
        (paper_profiles.wrong_kind(_COTTON, b"link"), "a link between two devices"),
        (paper_profiles.wrong_kind(_COTTON, space=b"Lab "), "of Lab numbers"),
        (paper_profiles.wrong_kind(_COTTON, space=b"6CLR"), "papers of RGB, CMYK or grey are printed"),
    ],
)
def test_profiles_that_are_of_no_paper(tmp_path: Path, data: bytes, says: str) -> None:
    file = tmp_path / "paper.icc"
    file.write_bytes(data)
    with pytest.raises(UnreadableFile, match=says):
        read_paper_profile(file)


def test_a_profile_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="there is no such file; give the paper's ICC profile"):
        read_paper_profile(tmp_path / "none.icc")


def test_a_profile_damaged_inside_is_said() -> None:
    broken = bytearray(_COTTON)
    start = broken.index(b"mft2")
    for _ in range(2):
        broken[start : start + 4] = b"xxxx"
        start = broken.find(b"mft2", start)
        if start < 0:
            break
    paper = paper_profile(bytes(broken), Path("paper.icc"))
    with pytest.raises(BelvedereError, match="no way from the picture's colour profile to the paper's"):
        colour_conversion(srgb_profile(), paper, nodes=9)


def _grey_profile() -> bytes:
    """A grey profile made of sRGB's: one curve, the white, and nothing else."""
    rgb = srgb_profile()
    count = int.from_bytes(rgb[128:132], "big")
    tags = {
        rgb[132 + 12 * i : 136 + 12 * i]: (
            int.from_bytes(rgb[136 + 12 * i : 140 + 12 * i], "big"),
            int.from_bytes(rgb[140 + 12 * i : 144 + 12 * i], "big"),
        )
        for i in range(count)
    }
    kept = {b"desc": b"desc", b"cprt": b"cprt", b"wtpt": b"wtpt", b"kTRC": b"gTRC"}
    body, table = b"", b""
    start = 132 + 12 * len(kept)
    for name, of in kept.items():
        offset, length = tags[of]
        data = rgb[offset : offset + length]
        table += name + (start + len(body)).to_bytes(4, "big") + length.to_bytes(4, "big")
        body += data + bytes(-length % 4)
    head = (start + len(body)).to_bytes(4, "big") + rgb[4:16] + b"GRAY" + rgb[20:128]
    return head + len(kept).to_bytes(4, "big") + table + body

"""JPEGs to be shared: colours against LittleCMS, size and kernel against Pillow, and what is told in them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms
from PIL.IptcImagePlugin import getiptcinfo

from belvedere.capture.primaries import srgb_profile
from belvedere.compose.ifd import ascii_tag, rational_tag, short_tag
from belvedere.deliver.iiif import TileSet
from belvedere.deliver.iptc import records_segment, sound_records
from belvedere.deliver.picture import open_picture
from belvedere.deliver.reduced import Reduction, reduced_size
from belvedere.deliver.screen_colour import screen_colour
from belvedere.deliver.screen_folder import ScreenMade, ScreenOptions, made_for_screen, write_for_screen
from belvedere.deliver.share_metadata import share_metadata, without_place
from belvedere.deliver.shares import Shares
from belvedere.deliver.tag_block import TagBlock
from belvedere.errors import OutputFailed
from tests.other_profiles import SRGB, Space
from tests.paper_profiles import paper_profile
from tests.screen_pictures import scene, srgb_code, srgb_light, write_picture

WIDE = Space("a wide space", ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06)), (2.2,))


def by_littlecms(codes: NDArray[np.uint8], profile: bytes, flags: int = 0) -> NDArray[np.uint8]:
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile())),
        "RGB",
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags(flags),
    )
    done = ImageCms.applyTransform(Image.fromarray(codes), transform)
    assert done is not None
    return np.array(done)


@pytest.mark.parametrize("space", [SRGB, WIDE], ids=["sRGB", "wide"])
def test_codes_are_littlecms_codes(space: Space) -> None:
    """Within one code of 8 bits of what LittleCMS gives, most of them equal; from 16 bits likewise."""
    codes = np.random.default_rng(3).integers(0, 256, (200, 200, 3), np.uint8)
    wanted = by_littlecms(codes, space.profile).astype(int)
    for bits, given in ((8, codes), (16, codes.astype(np.uint16) * 257)):
        off = np.abs(screen_colour(space.profile, bits).convert(given) - wanted)
        assert off.max() <= 1
        assert off.mean() < 0.03


def test_a_profile_of_tables_is_converted_by_littlecms() -> None:
    codes = scene(64, 64)
    colour = screen_colour(paper_profile(), 16)
    assert colour.notice is None
    eight = np.round(codes / 257.0).astype(np.uint8)
    wanted = by_littlecms(eight, paper_profile(), int(ImageCms.Flags.BLACKPOINTCOMPENSATION))
    assert np.abs(colour.convert(codes).astype(int) - wanted).max() <= 2


@pytest.mark.parametrize(
    ("profile", "said"),
    [
        (None, "carries no colour profile"),
        (b"nothing of the kind", "is damaged"),
        (srgb_profile()[:16] + b"CMYK" + srgb_profile()[20:], "is not understood"),
    ],
)
def test_colours_that_are_not_known_are_said_and_taken_as_srgb(profile: bytes | None, said: str) -> None:
    colour = screen_colour(profile, 8)
    assert colour.notice is not None
    assert said in colour.notice
    codes = scene(16, 16).astype(np.uint8)
    assert (colour.convert(codes) == codes).all()


@pytest.mark.parametrize("out", [(300, 210), (301, 77), (1000, 701), (1, 1)])
def test_reducing_is_pillows_antialiased_lanczos(out: tuple[int, int]) -> None:
    """Pillow's Lanczos of three lobes, widened by the reduction, on floats; here in tiles, in any order."""
    light = np.random.default_rng(4).random((701, 1000, 4)).astype(np.float32)
    reduction = Reduction((1000, 701), (1000.0, 701.0), out)
    places = [(x, y) for y in range(0, 701, 128) for x in range(0, 1000, 128)]
    for x, y in reversed(places):
        reduction.feed(x, y, light[y : y + 128, x : x + 128])
    for k in range(4):
        wanted = Image.fromarray(np.ascontiguousarray(light[..., k])).resize(out, Image.Resampling.LANCZOS)
        assert np.abs(reduction.light()[..., k] - np.asarray(wanted)).max() < 2e-5


@pytest.mark.parametrize(
    ("size", "long_side", "wanted"),
    [((6000, 4000), 2048, (2048, 1365)), ((100, 90), 2048, (100, 90)), ((60_000, 7), 2048, (2048, 1))],
)
def test_the_long_side_is_as_asked_and_nothing_is_enlarged(
    size: tuple[int, int], long_side: int, wanted: tuple[int, int]
) -> None:
    assert reduced_size(*size, long_side) == wanted


def shared(folder: Path, samples: NDArray[Any], icc: bytes | None = None, **given: Any) -> ScreenMade:
    options = ScreenOptions(**{"page": False, "share_quality": 100, **given})
    with open_picture(write_picture(folder / "view.tif", samples, icc)) as picture:
        return write_for_screen(picture, folder / "out", options)


@pytest.mark.parametrize(("side", "mean", "most"), [(300, 0.8, 6), (120, 1.2, 20)])
def test_a_shared_jpeg_is_the_picture_reduced_in_linear_light_in_srgb(
    tmp_path: Path, side: int, mean: float, most: int
) -> None:
    """Against Pillow's reduction of a wide picture's linear light, and the published numbers of both spaces.

    The smaller one comes from a half of the picture, and is a little softer at hard lines.
    """
    codes = scene(1200, 800)
    shared(tmp_path, codes, WIDE.profile, share_px=(side,))
    size = (side, side * 2 // 3)
    light = WIDE.linear(codes / 65535.0)
    small = np.stack(
        [
            Image.fromarray(light[..., k].astype(np.float32)).resize(size, Image.Resampling.LANCZOS)
            for k in range(3)
        ],
        axis=2,
    )
    linear = np.clip(small @ np.linalg.solve(SRGB.to_xyz, WIDE.to_xyz).T, 0.0, 1.0)
    with Image.open(tmp_path / f"out/view-{side}.jpg") as image:
        assert image.size == size
        assert image.info["icc_profile"] == srgb_profile()
        off = np.abs(np.asarray(image) - srgb_code(linear) * 255)
    assert off.mean() < mean
    assert off.max() < most


def test_soft_colours_keep_their_light(tmp_path: Path) -> None:
    codes = np.empty((512, 640, 3), np.uint16)
    codes[...] = (9_000, 30_000, 61_000)
    codes[::2, ::2] = 0
    shared(tmp_path, codes, share_px=(64,))
    wanted = srgb_code(0.75 * srgb_light(np.array([9_000, 30_000, 61_000]) / 65535.0)) * 255
    with Image.open(tmp_path / "out/view-64.jpg") as image:
        assert np.abs(np.asarray(image)[4:-4, 4:-4] - wanted).max() < 1.6


def test_uncovered_parts_have_no_say_beside_an_edge(tmp_path: Path) -> None:
    samples = np.full((600, 600, 4), 65535, np.uint16)
    samples[..., :3] = 30_000
    samples[:, :300] = 0
    shared(tmp_path, samples, share_px=(100,), ground=(117, 117, 117))
    with Image.open(tmp_path / "out/view-100.jpg") as image:
        assert np.abs(np.asarray(image, int) - 117).max() <= 2


TAGS = TagBlock(
    main=(
        ascii_tag(270, "Above the lake"),
        ascii_tag(271, "Inventa"),
        short_tag(274, 6),
        short_tag(258, 16),
        ascii_tag(33432, "A. Nobody"),
    ),
    exif=(rational_tag(0x920A, 85.0), short_tag(0xA001, 65535), short_tag(0xA460, 2)),
    gps=(ascii_tag(1, "N"), ascii_tag(18, "WGS-84")),
)
XMP = b"""<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""
 xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:core="http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/" exif:GPSLatitude="1,2.3N"
 core:Location="By the lake">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">Morning</rdf:li></rdf:Alt></dc:title>
<ext:LocationShown xmlns:ext="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"><rdf:Bag><rdf:li>
<rdf:Description ext:City="Nowhere"/></rdf:li></rdf:Bag></ext:LocationShown>
</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>"""


def data_set(number: int, text: bytes, record: int = 2) -> bytes:
    """IPTC-IIM 4.2, 1.5 and 1.6."""
    if len(text) < 32_768:
        return bytes([0x1C, record, number]) + len(text).to_bytes(2, "big") + text
    return bytes([0x1C, record, number, 0x80, 4]) + len(text).to_bytes(4, "big") + text


IPTC = b"".join(
    [
        data_set(90, b"\x1b%G", record=1),  # CodedCharacterSet: UTF-8
        data_set(5, "Frühe".encode()),
        data_set(25, b"hills"),
        data_set(25, b"water"),
        data_set(90, b"Nowhere"),
        data_set(92, b"By the lake"),
        data_set(95, b"Some Land"),
        data_set(101, b"No Country"),
        data_set(26, b"XNC"),
        data_set(27, b"Lakeside"),
        data_set(100, b"XNC"),
        data_set(116, b"A. Nobody"),
    ]
)


def jpeg_with(told: Any) -> Image.Image:
    from belvedere.deliver.share_jpeg import write_share_jpeg

    stream = io.BytesIO()
    write_share_jpeg(
        stream, np.zeros((20, 30, 3), np.uint8), metadata=share_metadata(TAGS, XMP, 30, 20, told, iptc=IPTC)
    )
    return Image.open(io.BytesIO(stream.getvalue()))


def test_all_is_told_and_what_changed_is_put_right() -> None:
    """Read back by Pillow."""
    with jpeg_with("all") as image:
        exif = image.getexif()
        assert (exif[270], exif[271], exif[274], exif[33432]) == ("Above the lake", "Inventa", 1, "A. Nobody")
        assert 258 not in exif
        more = exif.get_ifd(0x8769)
        assert (more[0x920A], more[0xA001], more[0xA002], more[0xA003], more[0xA460]) == (85.0, 1, 30, 20, 2)
        assert exif.get_ifd(0x8825)[18] == "WGS-84"
        assert image.info["xmp"] == XMP
        records = getiptcinfo(image)
        assert records is not None
        assert records[1, 90] == b"\x1b%G"
        assert records[2, 5] == "Frühe".encode()
        assert records[2, 25] == [b"hills", b"water"]
        assert (records[2, 90], records[2, 116]) == (b"Nowhere", b"A. Nobody")
        assert len(records) == 11


def test_the_place_is_left_out() -> None:
    with jpeg_with("no place") as image:
        exif = image.getexif()
        assert exif[270] == "Above the lake"
        assert not exif.get_ifd(0x8825)
        packet = image.info["xmp"]
        records = getiptcinfo(image)
        assert records is not None
        assert set(records) == {(1, 90), (2, 5), (2, 25), (2, 116)}
    assert b"Morning" in packet
    assert b"xpacket end" in packet
    for place in (b"GPS", b"By the lake", b"Nowhere", b"LocationShown"):
        assert place not in packet


def test_nothing_is_told() -> None:
    with jpeg_with("nothing") as image:
        assert not image.getexif()
        assert "xmp" not in image.info
        assert getiptcinfo(image) is None
        assert image.info["icc_profile"] == srgb_profile()


def test_xmp_that_cannot_be_read_is_left_out_where_it_might_name_the_place() -> None:
    assert without_place(b"<x:xmpmeta") is None
    told = share_metadata(TAGS, b"<x:xmpmeta", 30, 20, "no place")
    assert told.xmp is None
    assert "it may name the place" in told.notices[0]


@pytest.mark.parametrize("kind", ["jpeg", "tiff"])
def test_records_come_along_from_the_picture(tmp_path: Path, kind: str) -> None:
    """From a JPEG as another library reads it, and from tag 33723, filled up to words of 32 bits."""
    path = tmp_path / ("view.jpg" if kind == "jpeg" else "view.tif")
    if kind == "jpeg":
        name = b"\x04Name\0"
        other = b"8BIM\x04\x25" + name + (3).to_bytes(4, "big") + b"abc\0"
        segment = records_segment(IPTC)
        assert segment is not None
        content = segment[4:18] + other + segment[18:]
        extra = segment[:2] + (len(content) + 2).to_bytes(2, "big") + content
        Image.new("RGB", (40, 30)).save(path, extra=extra)
        with Image.open(path) as image:
            assert getiptcinfo(image) is not None
    else:
        words = IPTC + bytes(-len(IPTC) % 4)
        tifffile.imwrite(
            path,
            np.zeros((30, 40, 3), np.uint16),
            photometric="rgb",
            metadata=None,
            extratags=[(33723, 4, len(words) // 4, words, True)],
        )
    with open_picture(path) as picture:
        write_for_screen(picture, tmp_path / "out", ScreenOptions(page=False, share_px=(40,)))
    with Image.open(tmp_path / "out/view-40.jpg") as image:
        records = getiptcinfo(image)
    assert records is not None
    assert records[2, 5] == "Frühe".encode()


def test_records_that_cannot_be_read_are_left_out_and_said() -> None:
    long = data_set(120, b"x" * 40_000)
    assert sound_records(long + bytes(3)) == long
    for damaged in (IPTC[:-1], IPTC + b"x", b"anything", IPTC[:-12], long[:9]):
        told = share_metadata(TAGS, None, 30, 20, iptc=damaged)
        assert told.iptc is None
        assert told.notices[0].startswith("the IPTC records are ")
    told = share_metadata(TAGS, None, 30, 20, iptc=long + long)
    assert told.iptc is None
    assert "longer than 64 KiB" in told.notices[0]
    only_places = share_metadata(TAGS, None, 30, 20, "no place", iptc=data_set(90, b"Nowhere"))
    assert (only_places.iptc, only_places.notices) == (None, ())


def told_in(kind: str, quality: int = 90, told: Any = "all") -> bytes:
    from belvedere.deliver.share_avif import write_share_avif
    from belvedere.deliver.share_jxl import write_share_jxl

    stream = io.BytesIO()
    metadata = share_metadata(TAGS, XMP, 200, 140, told, iptc=IPTC)
    write = {"avif": write_share_avif, "jxl": write_share_jxl}[kind]
    write(stream, SMALL, quality=quality, metadata=metadata)
    return stream.getvalue()


SMALL = (scene(200, 140) >> 8).astype(np.uint8)


def test_an_avif_says_what_a_jpeg_says() -> None:
    """Read back by Pillow."""
    with Image.open(io.BytesIO(told_in("avif"))) as image:
        exif = image.getexif()
        assert (exif[270], exif[33432]) == ("Above the lake", "A. Nobody")
        assert exif.get(274, 1) == 1
        assert exif.get_ifd(0x8769)[0x920A] == 85.0
        assert exif.get_ifd(0x8825)[18] == "WGS-84"
        assert image.info["xmp"] == XMP
        assert image.info["icc_profile"] == srgb_profile()
        assert np.abs(np.asarray(image).astype(int) - SMALL).mean() < 2.0
    with Image.open(io.BytesIO(told_in("avif", told="no place"))) as image:
        assert not image.getexif().get_ifd(0x8825)
        assert b"Nowhere" not in image.info["xmp"]
    with Image.open(io.BytesIO(told_in("avif", told="nothing"))) as image:
        assert not image.getexif()
        assert "xmp" not in image.info


def test_a_jpeg_xl_says_what_a_jpeg_says() -> None:
    """Pixels by libjxl, the container's boxes by ISO/IEC 18181-2, the Exif in them by Pillow."""
    data = told_in("jxl")
    assert np.abs(imagecodecs.jpegxl_decode(data).astype(int) - SMALL).mean() < 2.0
    boxes, at = {}, 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        boxes[data[at + 4 : at + 8]] = data[at + 8 : at + size]
        at += size
    assert at == len(data)
    assert list(boxes)[:2] == [b"JXL ", b"ftyp"]
    assert boxes[b"xml "] == XMP
    exif = Image.Exif()
    exif.load(b"Exif\0\0" + boxes[b"Exif"][4:])
    assert exif[270] == "Above the lake"
    assert exif.get_ifd(0x8825)[18] == "WGS-84"
    assert boxes[b"Exif"][:4] == bytes(4)


@pytest.mark.parametrize("kind", ["avif", "jxl"])
def test_quality_is_heard_and_bytes_are_always_the_same(kind: str) -> None:
    sizes = [len(told_in(kind, quality)) for quality in (20, 60, 90, 100)]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[2]
    assert told_in(kind) == told_in(kind)


def test_a_picture_is_shared_in_every_format_asked_for(tmp_path: Path) -> None:
    made = shared(tmp_path, scene(300, 200), share_px=(200, 100), share_as=("avif", "jpeg", "jxl", "avif"))
    names = [f"view-{side}.{kind}" for side in (200, 100) for kind in ("avif", "jpg", "jxl")]
    assert [name for name, _, _ in made.shares] == names
    assert {f.name for f in (tmp_path / "out").iterdir()} == {*names, "screen.json"}
    assert made_for_screen(tmp_path / "out")
    with Image.open(tmp_path / "out/view-100.avif") as one, Image.open(tmp_path / "out/view-100.jpg") as two:
        assert one.size == two.size == (100, 67)
        assert np.abs(np.asarray(one).astype(int) - np.asarray(two)).mean() < 2.0


def test_an_avif_too_large_for_its_encoder_is_refused_before() -> None:
    with pytest.raises(OutputFailed, match="an AVIF to be shared would have 15 megapixels; up to 9"):
        Shares(TileSet(5_000, 3_000, 512), (5_000,), ("jpeg", "avif"))
    Shares(TileSet(5_000, 3_000, 512), (3_800,), ("jpeg", "avif"))
    Shares(TileSet(5_000, 3_000, 512), (5_000,), ("jxl",))


def test_records_that_have_no_place_are_said(tmp_path: Path) -> None:
    path = tmp_path / "view.jpg"
    segment = records_segment(IPTC)
    assert segment is not None
    Image.new("RGB", (40, 30)).save(path, extra=segment)
    said = []
    for kinds in (("jxl",), ("jpeg", "jxl")):
        options = ScreenOptions(page=False, share_px=(40,), share_as=kinds)  # type: ignore[arg-type]
        with open_picture(path) as picture:
            said.append(" ".join(write_for_screen(picture, tmp_path / "out", options).notices))
    assert "no place for them" in said[0]
    assert "IPTC" not in said[1]


def test_what_a_jpeg_cannot_hold_is_left_out_and_said() -> None:
    tags = TagBlock(main=(ascii_tag(270, "x" * 70_000), ascii_tag(271, "Inventa")))
    told = share_metadata(tags, b"<a>" + b" " * 70_000 + b"</a>", 30, 20)
    assert told.exif is not None
    assert len(told.exif) < 65_533
    assert b"Inventa" in told.exif
    assert told.xmp is None
    assert len(told.notices) == 2

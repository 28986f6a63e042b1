"""The quick look: the picture it should be, the right way up, without bars; None rather than a wrong one."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import ExifTags, Image

from belvedere.capture.decode import decode
from belvedere.capture.embedded_jpeg import embedded_jpegs
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.glance import Glance, embedded_look, reduced_look
from belvedere.capture.letterbox import without_bars
from belvedere.capture.metadata import read_metadata
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.errors import UnreadableFile

DATA = Path(__file__).parents[2] / "shared" / "data"
SPEC = set_spec("row", megapixels=0.3, columns=1)


def exposure_of(file: Path) -> Exposure:
    return Exposure(file, read_metadata(file))


def resized(pixels: NDArray[np.uint8], like: NDArray[np.uint8]) -> NDArray[np.float64]:
    size = like.shape[1], like.shape[0]
    return np.asarray(Image.fromarray(pixels).resize(size, Image.Resampling.BOX)).astype(float)


def likeness(glance: Glance | None, exposure: Exposure) -> float:
    """Correlation with the frame as displayed."""
    assert glance is not None
    assert glance.image.flags.c_contiguous
    wanted = resized(decode(exposure).astype(np.uint8), glance.image)
    return float(np.corrcoef(glance.image.ravel(), wanted.ravel())[0, 1])


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("preview_px", [None, 480])
def test_a_simulated_cameras_pictures_look_as_displayed(
    tmp_path: Path, orientation: int, preview_px: int | None
) -> None:
    """Thumbnail between bars (Exif) and large thumbnail behind the picture (CIPA DC-007)."""
    body = replace(SPEC.body, preview_px=preview_px) if preview_px else SPEC.body
    known = write_set(replace(SPEC, body=body, orientations=(orientation,)), tmp_path)  # type: ignore[arg-type]
    exposure = exposure_of(tmp_path / known.files[0])
    assert exposure.metadata.orientation == orientation
    look = embedded_look(exposure)
    assert look is not None
    assert look.kind == ("preview" if preview_px else "thumbnail")
    assert max(look.image.shape[:2]) == (preview_px or 160)
    assert look.image.shape[0] / look.image.shape[1] == pytest.approx(
        exposure.metadata.height / exposure.metadata.width, rel=0.03
    )
    assert likeness(look, exposure) > 0.96
    small = reduced_look(exposure, long_side=200)
    assert max(small.image.shape[:2]) == 200
    assert likeness(small, exposure) > 0.98


def test_the_same_streams_as_another_reader_finds(tmp_path: Path) -> None:
    known = write_set(replace(SPEC, body=replace(SPEC.body, preview_px=480)), tmp_path)
    file = tmp_path / known.files[0]
    with file.open("rb") as stream:
        found = dict(embedded_jpegs(stream))
    with Image.open(file) as picture:
        block, directory = picture.info["exif"], picture.getexif().get_ifd(ExifTags.IFD.IFD1)
        at, size = directory[0x0201], directory[0x0202]
        assert found["thumbnail"] == block[6:][at : at + size]
        picture.seek(1)
        with Image.open(io.BytesIO(found["preview"])) as ours:
            np.testing.assert_array_equal(np.asarray(ours), np.asarray(picture))


def test_real_thumbnails_of_eleven_makes_show_their_picture() -> None:
    files = sorted((DATA / "raw" / "jpeg-makers").glob("*.jpg"))
    if not files:
        pytest.skip("the shared photographs are not on this machine")
    turned_since = {"Epson-PhotoPC-3000Z", "HP-PhotoSmart-C812", "Kyocera-FC-S3"}  # thumbnails left lying
    for file in files:
        exposure = exposure_of(file)
        look = embedded_look(exposure)
        assert (look is None) == (file.stem in turned_since), file.name
        if look is None:
            continue
        # Two show another cut of the scene, having been processed since; none lies otherwise.
        wanted = cv2.GaussianBlur(resized(decode(exposure).astype(np.uint8), look.image), (0, 0), 4)
        found = cv2.GaussianBlur(look.image.astype(float), (0, 0), 4).ravel()
        others = [wanted[::-1], wanted[:, ::-1], wanted[::-1, ::-1]]
        right, *wrong = (np.corrcoef(v.ravel(), found)[0, 1] for v in (wanted, *others))
        assert right > max(0.7, *wrong), file.name


@pytest.mark.parametrize("value", range(1, 9))
def test_the_eight_orientations_of_a_real_photograph(value: int) -> None:
    file = DATA / "raw" / "orientation" / f"portrait_{value}.jpg"
    if not file.is_file():
        pytest.skip("the shared photographs are not on this machine")
    look = reduced_look(exposure_of(file), long_side=150).image
    upright = reduced_look(exposure_of(file.with_name("portrait_1.jpg")), long_side=150).image
    assert look.shape == upright.shape
    assert np.corrcoef(look.ravel(), upright.ravel())[0, 1] > 0.95  # each was compressed anew


def boxed(light: int, bar_colour: int = 0) -> NDArray[np.uint8]:
    """A 3:2 picture between bars in 160 x 120, compressed once as cameras do."""
    rng = np.random.default_rng(4)
    picture = np.full((120, 160, 3), bar_colour, np.uint8)
    inner = np.clip(light + rng.normal(0, 6, (107, 160, 3)).cumsum(axis=1) / 3, 0, 255)
    picture[6:113] = inner.astype(np.uint8)
    packed = io.BytesIO()
    Image.fromarray(picture).save(packed, "jpeg", quality=80)
    return np.asarray(Image.open(packed))


@pytest.mark.parametrize(("light", "bar"), [(128, 0), (230, 0), (20, 0), (90, 255), (2, 0)])
def test_bars_are_cut_off_and_nothing_else(light: int, bar: int) -> None:
    for image, wide, high in (
        (boxed(light, bar), 3000, 2000),
        (boxed(light, bar).transpose(1, 0, 2), 2000, 3000),
    ):
        cut = without_bars(np.ascontiguousarray(image), wide, high)
        assert cut is not None
        long, short = max(cut.shape[:2]), min(cut.shape[:2])
        assert long == 160
        assert 101 <= short <= 107


def test_bars_wider_than_the_shapes_say_go_whole() -> None:
    """One make's thumbnails of 3:2 frames have bars of 10 rows where 6.7 would do."""
    image = boxed(128).copy()
    image[:10] = image[110:] = 0
    cut = without_bars(image, 3000, 2000)
    assert cut is not None
    assert cut.shape == (100, 160, 3)


def test_a_picture_of_another_shape_is_no_look_at_the_frame() -> None:
    scene = boxed(128)[6:113]
    assert without_bars(np.ascontiguousarray(scene[:, :107]), 3000, 2000) is None  # cropped since
    assert without_bars(np.ascontiguousarray(scene.transpose(1, 0, 2)), 3000, 2000) is None  # turned since
    assert without_bars(scene, 3000, 2000) is scene


def with_thumbnail(file: Path, thumbnail: bytes) -> Exposure:
    """A photograph with these bytes as Exif thumbnail."""
    head = b"II*\0\x08\0\0\0" + b"\0\0" + (14).to_bytes(4, "little")
    entries = [(0x0103, 3, 6), (0x0201, 4, 14 + 2 + 36 + 4), (0x0202, 4, len(thumbnail))]
    directory = (3).to_bytes(2, "little") + b"".join(
        tag.to_bytes(2, "little") + kind.to_bytes(2, "little") + (1).to_bytes(4, "little")
        + value.to_bytes(4, "little")
        for tag, kind, value in entries
    ) + bytes(4)  # fmt: skip
    Image.new("RGB", (300, 200), (90, 120, 30)).save(file, exif=b"Exif\0\0" + head + directory + thumbnail)
    return exposure_of(file)


def test_damaged_thumbnails_give_none(tmp_path: Path) -> None:
    packed = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 256, (100, 150, 3), np.uint8)
    Image.fromarray(noise).save(packed, "jpeg")
    whole = packed.getvalue()
    assert embedded_look(with_thumbnail(tmp_path / "a.jpg", whole)) is not None
    for bad in (whole[: len(whole) // 2], b"\xff\xd8\xff" + bytes(90), b"", b"junk" * 40, whole[:3]):
        assert embedded_look(with_thumbnail(tmp_path / "a.jpg", bad)) is None


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200), st.integers(0, 900), st.booleans())
def test_no_damage_to_a_header_raises(junk: bytes, at: int, cut: bool) -> None:
    packed = io.BytesIO()
    picture = Image.new("RGB", (60, 40))
    exif = Image.Exif()
    exif[0x0110] = "Box One"
    picture.save(packed, "jpeg", exif=exif)
    data = packed.getvalue()
    embedded_jpegs(io.BytesIO(data[:at] + junk + (b"" if cut else data[at + len(junk) :])))


def test_a_loop_of_directories_ends(tmp_path: Path) -> None:
    block = b"II*\0\x08\0\0\0" + b"\0\0" + (8).to_bytes(4, "little")
    Image.new("RGB", (60, 40)).save(tmp_path / "a.jpg", exif=b"Exif\0\0" + block)
    assert embedded_look(exposure_of(tmp_path / "a.jpg")) is None


def test_files_that_went_or_are_cut_short(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (200, 300, 3), np.uint8)
    Image.fromarray(noise).save(tmp_path / "a.jpg")
    exposure = exposure_of(tmp_path / "a.jpg")
    data = exposure.file.read_bytes()
    exposure.file.write_bytes(data[: len(data) // 2])
    with pytest.raises(UnreadableFile, match="cut short"):
        reduced_look(exposure, long_side=100)
    exposure.file.unlink()
    assert embedded_look(exposure) is None
    with pytest.raises(UnreadableFile, match="not there"):
        reduced_look(exposure, long_side=100)
    with pytest.raises(ValueError, match="long side"):
        reduced_look(exposure, long_side=0)


@pytest.mark.parametrize("suffix", [".tif", ".png"])
def test_other_files_are_reduced_too(tmp_path: Path, suffix: str) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (200, 300, 3), np.uint8)
    Image.fromarray(noise).save(tmp_path / f"a{suffix}")
    exposure = exposure_of(tmp_path / f"a{suffix}")
    assert embedded_look(exposure) is None
    assert likeness(reduced_look(exposure, long_side=150), exposure) > 0.999
    whole = reduced_look(exposure, long_side=5000)
    np.testing.assert_array_equal(whole.image, noise)


def test_looks_are_quick(tmp_path: Path) -> None:
    """0.05 s by the embedded picture, 0.25 s reduced from 24 megapixels: processor time, best of 3."""
    y, x = np.mgrid[0:4000, 0:6000].astype(np.float32)
    tone = 120 + 60 * np.sin(x / 37) * np.cos(y / 53) + 30 * np.sin(x * y / 9e4)
    picture = np.repeat(tone[..., None], 3, axis=2).astype(np.uint8)
    picture += np.random.default_rng(0).integers(0, 12, picture.shape, np.uint8)
    file = tmp_path / "a.jpg"
    Image.fromarray(picture).save(file, quality=92)
    exposure = Exposure(file, Metadata(stored_width=6000, stored_height=4000))
    known = write_set(replace(SPEC, body=replace(SPEC.body, preview_px=600)), tmp_path / "small")
    small = exposure_of(tmp_path / "small" / known.files[0])

    def seconds(look: object) -> float:
        spent = []
        for _ in range(3):
            began = time.process_time()
            look()  # type: ignore[operator]
            spent.append(time.process_time() - began)
        return min(spent)

    assert seconds(lambda: reduced_look(exposure, long_side=1024)) < 0.25
    assert seconds(lambda: embedded_look(small)) < 0.05

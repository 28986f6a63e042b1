"""A raw file's large preview standing for its frame: size, turn, and when it may not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from belvedere.capture import preview_frame as module
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.preview_frame import preview_frame, preview_pixels
from belvedere.errors import UnreadableFile

RAW = Metadata(6016, 4016, orientation=8, bits=16, focal_plane_px_per_mm=167.0)


def jpeg(width: int, height: int) -> bytes:
    """A picture with a bright patch at its top left."""
    pixels = np.full((height, width, 3), 40, np.uint8)
    pixels[: height // 8, : width // 8] = 220
    return simplejpeg.encode_jpeg(pixels, quality=90)


@pytest.fixture
def raw_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> object:
    """Makes a frame of a raw file that carries these previews."""
    file = tmp_path / "VH_0001.raw"
    file.write_bytes(b"")

    def make(*streams: bytes | NDArray[np.uint8], metadata: Metadata = RAW) -> Frame:
        monkeypatch.setattr(module, "container_of", lambda _: "raw")

        def fitting(_: Path, *, long_side: int) -> list[bytes | NDArray[np.uint8]]:
            return [s for s in streams if not isinstance(s, bytes) or _long_side(s) >= long_side]

        monkeypatch.setattr(module, "raw_previews", fitting)
        return Frame((Exposure(file, metadata),))

    return make


def _long_side(stream: bytes) -> int:
    return max(simplejpeg.decode_jpeg_header(stream)[:2])


def bright_corner(pixels: NDArray[np.uint8]) -> tuple[str, str]:
    rows, columns = np.nonzero(pixels[..., 1] > 130)
    height, width = pixels.shape[:2]
    return (
        "top" if rows.mean() < height / 2 else "bottom",
        "left" if columns.mean() < width / 2 else "right",
    )


def test_the_largest_preview_is_taken_and_turned_once(raw_with) -> None:  # type: ignore[no-untyped-def]
    frame = preview_frame(raw_with(jpeg(2500, 1667), jpeg(3000, 2000)))
    assert frame is not None
    metadata = frame.metadata
    assert (metadata.stored_width, metadata.stored_height, metadata.bits) == (3000, 2000, 8)
    assert (metadata.width, metadata.height) == (2000, 3000)
    assert metadata.focal_plane_px_per_mm == pytest.approx(167.0 * 3000 / 6016)
    pixels = preview_pixels(frame)
    assert pixels.shape == (3000, 2000, 3)
    # Exif Orientation 8: row 0 is the left side, column 0 the bottom (CIPA DC-008, 4.6.5, tag 0x0112)
    assert bright_corner(pixels) == ("bottom", "left")


def test_a_preview_the_camera_has_turned_is_left_as_it_is(raw_with) -> None:  # type: ignore[no-untyped-def]
    frame = preview_frame(raw_with(jpeg(2000, 3000)))
    assert frame is not None
    assert (frame.metadata.stored_width, frame.metadata.width) == (3000, 2000)
    pixels = preview_pixels(frame)
    assert pixels.shape == (3000, 2000, 3)
    assert bright_corner(pixels) == ("top", "left")


def test_small_previews_and_other_shapes_do_not_stand_for_the_frame(raw_with) -> None:  # type: ignore[no-untyped-def]
    assert preview_frame(raw_with()) is None
    assert preview_frame(raw_with(jpeg(1620, 1080))) is None
    assert preview_frame(raw_with(jpeg(2560, 1440))) is None  # 16:9 of a 3:2 frame: cut off above and below
    assert preview_frame(raw_with(np.zeros((2000, 3000, 3), np.uint8))) is None  # no stream to read again


def test_other_files_are_read_themselves(tmp_path: Path) -> None:
    file = tmp_path / "a.jpg"
    file.write_bytes(jpeg(60, 40))
    assert preview_frame(Frame((Exposure(file, Metadata(60, 40)),))) is None


def test_a_preview_cut_short_is_named(raw_with) -> None:  # type: ignore[no-untyped-def]
    stream = jpeg(3000, 2000)
    frame = preview_frame(raw_with(stream[: len(stream) // 2]))
    assert frame is not None
    with pytest.raises(UnreadableFile, match=r"VH_0001\.raw: .*cut short"):
        preview_pixels(frame)


def test_a_file_that_is_gone_is_named(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile):
        preview_frame(Frame((Exposure(tmp_path / "gone.raw", RAW),)))

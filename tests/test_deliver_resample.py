"""Resampling for the print: against other libraries' kernels, and the same whichever rows are asked for."""

from __future__ import annotations

import weakref
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import Image

from belvedere.deliver.paper_size import PrintLayout, PrintWish, lay_out
from belvedere.deliver.print_lines import PrintLines, band_rows
from belvedere.deliver.resample import across, down, taps

_STRAIGHT = np.linspace(0.0, 1.0, 65536).astype(np.float32)


@dataclass
class Held:
    """A picture in memory that notes what was read of it."""

    codes: NDArray[np.uint16]
    step: int = 16
    read_rows: list[tuple[int, int]] = field(default_factory=list)
    bits: int = 16

    @property
    def width(self) -> int:
        return int(self.codes.shape[1])

    @property
    def height(self) -> int:
        return int(self.codes.shape[0])

    @property
    def channels(self) -> int:
        return int(self.codes.shape[2])

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        self.read_rows.append((y0, y1))
        return self.codes[y0:y1, x0:x1]


def _natural(height: int, width: int) -> NDArray[np.uint16]:
    """Detail whose spectrum falls as a photograph's does, 1/f, all the codes' range."""
    rng = np.random.default_rng(5)
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)
    radius = np.hypot(fy, fx)
    radius[0, 0] = 1.0
    shown = np.empty((height, width, 3))
    for k in range(3):
        plane = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((height, width))) / radius, (height, width))
        shown[..., k] = (plane - plane.min()) / (plane.max() - plane.min())
    return np.rint(shown * 65535).astype(np.uint16)


def _resample(codes: NDArray[np.uint16], width: int, height: int, kernel: Any = "lanczos3") -> NDArray[Any]:
    row, column = taps(codes.shape[1], width, kernel), taps(codes.shape[0], height, kernel)
    lines = np.empty((codes.shape[0], width, 4), np.float32)
    across(codes, _STRAIGHT, 65535.0, row, lines)
    out = np.empty((height, width * 4), np.float32)
    down(lines.reshape(len(lines), -1), 0, column, 0, out)
    return out.reshape(height, width, 4)


def _psnr(a: NDArray[Any], b: NDArray[Any]) -> float:
    return float(-10.0 * np.log10(np.mean((a.astype(np.float64) - b) ** 2)))


@pytest.mark.parametrize("scale", [0.5, 0.4, 0.2, 0.1])
def test_reduced_like_libvips(scale: float) -> None:
    """The same kernel on the same encoding; libvips rounds positions to 1/64 px, Pillow does not."""
    codes = _natural(400, 600)
    width, height = round(600 * scale), round(400 * scale)
    ours = _resample(codes, width, height)[..., :3]
    image = pyvips.Image.new_from_array(codes.astype(np.float32) / 65535)
    theirs = image.reduce(1 / scale, 1 / scale, kernel="lanczos3", gap=0).numpy()
    assert theirs.shape == ours.shape
    assert _psnr(ours, theirs) >= 60.0


@pytest.mark.parametrize(("width", "height"), [(300, 200), (333, 222), (60, 40), (900, 600), (1111, 741)])
def test_resampled_like_pillow_away_from_the_border(width: int, height: int) -> None:
    codes = _natural(400, 600)
    ours = _resample(codes, width, height)
    plane = Image.fromarray(codes[..., 0].astype(np.float32) / 65535)
    theirs = np.asarray(plane.resize((width, height), Image.Resampling.LANCZOS))
    rim = 8 if width < 600 else 16
    inside = (slice(rim, -rim), slice(rim, -rim))
    assert np.abs(ours[..., 0][inside] - theirs[inside]).max() < 2e-6
    assert ours[..., 3] == pytest.approx(1.0, abs=1e-6)


def test_enlarged_like_libvips() -> None:
    """The cubic of Keys (1981), both grids sharing their borders; libvips rounds positions to 1/64 px."""
    codes = _natural(120, 160)
    ours = _resample(codes, 480, 360, "cubic")[..., :3]
    image = pyvips.Image.new_from_array(codes.astype(np.float32) / 65535)
    cubic = pyvips.Interpolate.new("bicubic")
    theirs = image.affine(
        [3, 0, 0, 3], interpolate=cubic, odx=1, ody=1, oarea=[0, 0, 480, 360], extend="copy"
    ).numpy()
    assert theirs.shape == ours.shape
    assert _psnr(ours[12:-12, 12:-12], theirs[12:-12, 12:-12]) >= 60.0


def test_the_same_size_is_the_same_picture() -> None:
    codes = _natural(50, 70)
    assert np.array_equal(_resample(codes, 70, 50)[..., :3], _STRAIGHT[codes])


@pytest.mark.parametrize("size", [7, 70, 131])
def test_a_flat_picture_stays_flat_to_its_border(size: int) -> None:
    codes = np.full((40, 50, 3), 12345, np.uint16)
    out = _resample(codes, size, size)
    assert out[..., :3] == pytest.approx(12345 / 65535, rel=1e-6)


def test_what_is_too_fine_for_the_print_does_not_alias() -> None:
    """Stripes 2.2 px wide, at a fifth of the size: an even grey, not wide stripes."""
    x = np.arange(1000)
    stripes = np.rint((0.5 + 0.5 * np.sin(2 * np.pi * x / 2.2)) * 65535).astype(np.uint16)
    out = _resample(np.repeat(np.tile(stripes, (8, 1))[..., None], 3, axis=2), 200, 2)[:, 10:-10, 0]
    assert np.ptp(out) < 0.02


def test_light_is_what_is_averaged_and_only_where_covered() -> None:
    codes = np.zeros((4, 8, 4), np.uint16)
    codes[:, :4] = 65535  # white, covered; the rest is not covered, whatever its codes
    codes[:, 4:, :3] = 40000
    curve = (_STRAIGHT**2.2).astype(np.float32)
    row = taps(8, 2)
    lines = np.empty((4, 2, 4), np.float32)
    across(codes, curve, 65535.0, row, lines)
    assert lines[..., :3] == pytest.approx(np.repeat(lines[..., 3:], 3, axis=2), abs=1e-6)  # white x coverage


def _layout(**wish: Any) -> PrintLayout:
    return lay_out(240, 160, PrintWish(ppi=100.0, **wish))


def _lines(picture: Held, layout: PrintLayout, workers: int = 2) -> PrintLines:
    return PrintLines(picture, layout, _STRAIGHT, ThreadPoolExecutor(workers), workers)


@pytest.mark.parametrize(
    "wish",
    [
        {"width_mm": 30.0},
        {"width_mm": 100.0, "wrap_mm": 8.0},
        {"width_mm": 80.0, "margin_mm": 9.0},
        {"width_mm": 40.0, "bleed_mm": 5.0, "beyond": "picture"},
    ],
)
def test_lines_are_the_same_whichever_are_asked_for(wish: dict[str, Any]) -> None:
    layout = _layout(**wish)
    codes = _natural(160, 240)
    whole = _lines(Held(codes), layout, 1).light(0, layout.height)
    lines = _lines(Held(codes), layout)
    for start, stop in [(0, 7), (5, 30), (29, 31), (3, 4), (layout.height - 9, layout.height)]:
        np.testing.assert_array_equal(lines.light(start, stop), whole[start:stop])
    expected = _resample(codes, layout.picture.width, layout.picture.height)
    box = layout.picture
    np.testing.assert_array_equal(whole[box.y0 : box.y1, box.x0 : box.x1], expected)
    np.testing.assert_array_equal(lines.light(-2, 1)[0], whole[0])
    np.testing.assert_array_equal(lines.light(layout.height - 1, layout.height + 2)[-1], whole[-1])


def test_what_is_turned_over_the_stretcher_is_the_rim_mirrored() -> None:
    layout = _layout(width_mm=60.0, wrap_mm=6.0)
    whole = _lines(Held(_natural(160, 240)), layout).light(0, layout.height)
    box = layout.picture
    x, y = box.x0, box.y0
    assert x > 5
    np.testing.assert_array_equal(whole[:, :x], whole[:, x : 2 * x][:, ::-1])
    np.testing.assert_array_equal(whole[:y], whole[y : 2 * y][::-1])
    np.testing.assert_array_equal(whole[:, box.x1 :], whole[:, box.x1 - x : box.x1][:, ::-1])
    np.testing.assert_array_equal(whole[box.y1 :], whole[box.y1 - y : box.y1][::-1])


def test_margins_are_bare() -> None:
    layout = _layout(width_mm=60.0, margin_mm=6.0)
    whole = _lines(Held(_natural(160, 240)), layout).light(0, layout.height)
    box = layout.picture
    covered = whole[..., 3] > 0
    assert covered[box.y0 : box.y1, box.x0 : box.x1].all()
    assert covered.sum() == box.width * box.height


def test_asked_for_in_order_every_row_is_read_once() -> None:
    picture = Held(_natural(160, 240))
    layout = _layout(width_mm=50.0)
    lines = _lines(picture, layout)
    for start in range(0, layout.height, 8):
        lines.light(start - 2, min(start + 8, layout.height) + 2)
    rows = [row for y0, y1 in picture.read_rows for row in range(y0, y1)]
    assert rows == list(range(160))


def test_one_band_is_held_at_a_time() -> None:
    """When the next band is read, the one before is gone: of wide pictures two would take all the memory."""
    alive: list[weakref.ref[NDArray[np.uint16]]] = []

    class Copied(Held):
        def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
            assert not [band for band in alive if band() is not None]
            found = np.array(super().read(x0, y0, x1, y1))
            alive.append(weakref.ref(found))
            return found

    layout = _layout(width_mm=50.0)
    lines = _lines(Copied(_natural(160, 240)), layout)
    for start in range(0, layout.height, 8):
        lines.light(start - 2, min(start + 8, layout.height) + 2)
    assert len(alive) > 2


def test_bands_are_bounded_however_wide_the_picture() -> None:
    assert band_rows(640_000, 512, 340 << 20) == 512
    assert band_rows(1_600_000, 512, 340 << 20) == 128
    assert band_rows(10**9, 512, 340 << 20) == 1
    assert 64 <= band_rows(1000, 1, 340 << 20) < 128

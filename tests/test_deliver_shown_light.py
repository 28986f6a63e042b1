"""Pictures of linear light are shown by their profile; what cannot be delivered of them is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simplejpeg
import tifffile
from numpy.typing import NDArray

from belvedere.capture.icc import matrix_profile, read_profile
from belvedere.capture.primaries import srgb_profile, wide_profile
from belvedere.cli.main import run
from belvedere.deliver.picture import open_picture
from belvedere.deliver.shown_light import is_linear
from belvedere.deliver.tiff_samples import TiffSamples
from belvedere.errors import UnreadableFile
from dng_files import noise, write_dng

HEADROOM = 1.6
# Camera colour, unbalanced, to CIE XYZ under D50: invented.
TO_XYZ = np.array([[0.70, 0.16, 0.22], [0.27, 0.83, -0.05], [0.02, -0.11, 1.35]])


def linear_profile(headroom: float) -> bytes:
    return matrix_profile("Arbor M1, linear", TO_XYZ * headroom, (1.0,), np.eye(3))


def light(height: int = 90, width: int = 130) -> NDArray[np.float32]:
    """Camera light with coverage; the brightest at the headroom."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    out = np.ones((height, width, 4), np.float32)
    out[..., 0] = HEADROOM * x / (width - 1)
    out[..., 1] = HEADROOM * y / (height - 1)
    out[..., 2] = HEADROOM * (x + y) / (width + height - 2) * 0.8
    out[:9, :7] = 0.0
    return out


def write(path: Path, kind: str, **how: Any) -> Path:
    """A tiled TIFF of `light`, 16 bits with headroom or floating point, by another library."""
    if kind == "float":
        samples, profile = light(), linear_profile(1.0)
    else:
        scale = np.array([HEADROOM, HEADROOM, HEADROOM, 1.0])
        samples = np.rint(light() / scale * 65535.0).astype(np.uint16)
        profile = linear_profile(HEADROOM)
    options: dict[str, Any] = {
        "photometric": "rgb", "extrasamples": ["unassalpha"], "tile": (64, 64), "metadata": None,
        "compression": "adobe_deflate", "predictor": True, "iccprofile": profile,
    }  # fmt: skip
    tifffile.imwrite(path, samples, **(options | how))
    return path


def through(profile: bytes) -> NDArray[np.float64]:
    """`light` as codes 0 to 1 of a profile, worked out plainly."""
    read = read_profile(profile)
    assert read is not None
    assert read.matrix is not None
    linear = light()[..., :3].astype(np.float64) @ np.linalg.solve(read.matrix, TO_XYZ).T
    x = np.linspace(0.0, 1.0, read.curves[0].size)
    return np.interp(np.clip(linear, 0.0, 1.0), read.curves[0], x)


@pytest.mark.parametrize("kind", ["float", "codes"])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("predictor", [True, False])
def test_light_comes_out_as_codes_of_wide_primaries(
    tmp_path: Path, kind: str, order: str, predictor: bool
) -> None:
    path = write(tmp_path / "a.tif", kind, byteorder=order, predictor=predictor)
    with open_picture(path, workers=1) as picture:
        assert (picture.bits, picture.channels) == (16, 4)
        assert picture.icc == wide_profile()
        assert any("linear light" in notice for notice in picture.notices)
        shown = picture.read(0, 0, picture.width, picture.height)
        part = picture.read(50, 30, 100, 80)
    assert np.array_equal(part, shown[30:80, 50:100])
    wanted = through(wide_profile())
    bright = (wanted > 0.05).all(axis=2) & (light()[..., 3] > 0)  # darker, a linear code is many of these
    assert np.abs(shown[..., :3] / 65535.0 - wanted)[bright].max() < 3e-4
    assert np.abs(shown[..., :3] / 65535.0 - wanted).max() < 4e-3
    assert (shown[:9, :7] == 0).all()
    assert (shown[10:, 10:, 3] == 65535).all()


@pytest.mark.parametrize("how", [{}, {"tile": None, "rowsperstrip": 7}], ids=["tiles", "strips"])
def test_parts_are_the_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: dict[str, Any]) -> None:
    """Of a wide band, light is in memory part by part, and every strip and tile is decoded once."""
    path = write(tmp_path / "p.tif", "codes", **how)
    with open_picture(path) as picture:
        whole = picture.read(0, 0, 130, 90)
    decoded: list[int] = []
    decode = TiffSamples._decode

    def noted(self: TiffSamples, index: int, row: int) -> NDArray[Any]:
        decoded.append(index)
        return decode(self, index, row)

    monkeypatch.setattr(TiffSamples, "_decode", noted)
    monkeypatch.setattr("belvedere.deliver.shown_light._PART_PX", 64)
    with open_picture(path, cache_bytes=0) as picture:
        assert np.array_equal(picture.read(0, 0, 130, 90), whole)
        assert sorted(decoded) == list(range(len(set(decoded))))
        for box in ((3, 5, 129, 88), (63, 0, 65, 8), (64, 7, 128, 14), (129, 89, 130, 90)):
            assert np.array_equal(picture.read(*box), whole[box[1] : box[3], box[0] : box[2]])


def test_codes_of_linear_light_are_kept_as_they_are(tmp_path: Path) -> None:
    path = write(tmp_path / "a.tif", "codes")
    assert run(["deliver", str(path), "--for", "keep"]) in (0, 3)
    with tifffile.TiffFile(tmp_path / "a.keep.tif") as kept:
        assert np.array_equal(kept.pages[0].asarray(), tifffile.imread(path))
        assert kept.pages[0].tags[34675].value == linear_profile(HEADROOM)


def test_a_screen_shows_the_colours_of_the_profile(tmp_path: Path) -> None:
    for kind in ("float", "codes"):
        path = write(tmp_path / f"{kind}.tif", kind)
        out = tmp_path / f"{kind}.screen"
        assert run(["deliver", str(path), "--for", "screen", "--out", str(out)]) in (0, 3)
        file = max(out.rglob("*.jpg"), key=lambda file: file.stat().st_size)
        shown = simplejpeg.decode_jpeg(file.read_bytes())
        wanted = through(srgb_profile()) * 255.0
        assert shown.shape == wanted.shape
        middle = (slice(20, 80), slice(20, 120))
        assert np.median(np.abs(shown[middle] - wanted[middle])) < 1.5


def test_a_print_is_made_of_linear_light(tmp_path: Path) -> None:
    path = write(tmp_path / "a.tif", "float")
    out = tmp_path / "print.tif"
    assert run(["deliver", str(path), "--for", "paper", "--width", "2in", "--out", str(out)]) in (0, 3)
    assert any(tmp_path.glob("print*.tif"))


def test_what_cannot_be_delivered_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "a.tif", "float")
    assert run(["deliver", str(path), "--for", "keep"]) == 2
    assert "keep this file itself" in capsys.readouterr().err
    write_dng(tmp_path / "b.dng", noise(40, 40))
    for purpose in ("keep", "screen"):
        assert run(["deliver", str(tmp_path / "b.dng"), "--for", purpose]) == 2
        assert "--as linear-tiff" in capsys.readouterr().err
    bare = write(tmp_path / "c.tif", "float", iccprofile=None)
    with pytest.raises(UnreadableFile, match="without a profile"):
        open_picture(bare)
    curved = write(tmp_path / "d.tif", "float", iccprofile=srgb_profile())
    with pytest.raises(UnreadableFile, match="without a profile"):
        open_picture(curved)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.tif", "b.dng", "c.tif", "d.tif"]


def test_only_straight_curves_are_linear() -> None:
    assert is_linear(linear_profile(2.0))
    assert not is_linear(srgb_profile())
    assert not is_linear(b"no profile")
    assert not is_linear(None)

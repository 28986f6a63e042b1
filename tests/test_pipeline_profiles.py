"""A set of which some frames were converted into other profiles makes the picture it made before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.primaries import common_profile
from belvedere.capture.transfer import read_transfer
from belvedere.cli.main import run
from belvedere.compose.encode import Encoder
from belvedere.compose.layout import LayoutOptions, choose_plate
from belvedere.compose.report import read_report, report_path
from belvedere.compose.seams import Seams, estimate_seams
from belvedere.demo import render
from belvedere.demo.poses import plan_shots
from belvedere.demo.sets import set_spec
from belvedere.geometry.camera import Camera
from belvedere.pipeline.scene import Scene, lights
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.tone import Tone
from other_profiles import EG_432, OP_RGB, SRGB, Space, colour_difference, converted
from tone_sets import alignment_of

SPACES = (SRGB, EG_432, OP_RGB, SRGB)
SPEC = replace(set_spec("row", megapixels=0.25, seed=3), bits=16, columns=len(SPACES), profile=True)


@dataclass(frozen=True)
class Made:
    """The picture of some frames by the true cameras."""

    tone: Tone
    seams: Seams
    codes: NDArray[np.uint16]
    lowest: float


@pytest.fixture(scope="module")
def shot() -> list[NDArray[np.uint16]]:
    return [frame.astype(np.uint16) for frame in render.render_frames(SPEC)]


@pytest.fixture(scope="module")
def mixed(shot: list[NDArray[np.uint16]]) -> list[NDArray[np.uint16]]:
    return [
        codes if space is SRGB else converted(codes, SRGB, space)
        for codes, space in zip(shot, SPACES, strict=True)
    ]


def made_of(pixels: list[NDArray[np.uint16]], spaces: tuple[Space, ...], seams: Seams | None = None) -> Made:
    frames = [
        Frame((Exposure(Path(f"{i}.tif"), Metadata(stored_width=9, stored_height=9, profile=s.profile)),))
        for i, s in enumerate(spaces)
    ]
    cameras: list[Camera] = [placed.camera for placed in render.truth(SPEC).frames]
    source, alignment, common = FramesInMemory(pixels), alignment_of(list(cameras)), common_profile(frames)
    assert common.profile == SRGB.profile
    transfers = [read_transfer(frame.metadata) for frame in frames]
    tone = estimate_tone(source, frames, alignment, transfers, None, common.to_common)
    plate, _ = choose_plate(cameras, LayoutOptions())
    own = [light for light in lights(alignment, tone) if light is not None]
    seams = seams or estimate_seams(source, cameras, own, plate)
    piece = Scene(source, alignment, tone, plate, seams).render(0, 0, plate.width, plate.height)
    codes = Encoder(common.transfer.to_linear).encode(piece).codes
    return Made(tone, seams, codes.astype(np.uint16), float(piece.colour.min()))


def differences(a: NDArray[np.uint16], b: NDArray[np.uint16]) -> tuple[float, float]:
    """Mean and 99.9 % quantile of CIEDE2000 where both show something."""
    both = (a[..., 3] > 0) & (b[..., 3] > 0)
    found = colour_difference(a[both][:, :3] / 65535.0, b[both][:, :3] / 65535.0)
    return float(found.mean()), float(np.quantile(found, 0.999))


def test_the_rooms_make_the_same_picture(
    shot: list[NDArray[np.uint16]], mixed: list[NDArray[np.uint16]]
) -> None:
    """By the same cameras and seams. What is left is interpolation, which is of codes as they are encoded."""
    plain = made_of(shot, (SRGB,) * len(SPACES))
    found = made_of(mixed, SPACES, plain.seams)
    np.testing.assert_array_equal(found.codes[..., 3], plain.codes[..., 3])
    mean, most = differences(found.codes, plain.codes)
    assert mean < 0.01
    assert most < 0.5  # sharp edges, where the kernel weighs other codes
    for own, before in zip(found.tone.frames, plain.tone.frames, strict=True):
        assert own is not None
        assert before is not None
        assert own.gain == pytest.approx(before.gain, abs=5e-4)
        assert own.white_balance == pytest.approx(before.white_balance, abs=5e-4)
        assert own.gain == pytest.approx(1.0, abs=2e-3)


def test_the_seams_are_the_same(shot: list[NDArray[np.uint16]], mixed: list[NDArray[np.uint16]]) -> None:
    """Their cost is of light in the common primaries; a few nodes of equal cost may fall either way."""
    plain, found = made_of(shot, (SRGB,) * len(SPACES)), made_of(mixed, SPACES)
    assert np.mean(found.seams.labels != plain.seams.labels) < 0.002


def test_the_command_makes_the_same_picture(
    tmp_path: Path,
    shot: list[NDArray[np.uint16]],
    mixed: list[NDArray[np.uint16]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """From files with the profiles in them. Tie points differ by what the other encoding does to them."""
    pictures = {}
    for name, pixels, spaces in (("plain", shot, (SRGB,) * len(SPACES)), ("mixed", mixed, SPACES)):
        folder = tmp_path / name
        folder.mkdir()
        for i, (codes, space, one) in enumerate(zip(pixels, spaces, plan_shots(SPEC), strict=True)):
            monkeypatch.setattr(render, "srgb_profile", lambda space=space: space.profile)
            render.write_frame(SPEC, one, codes, folder / f"frame-{i}.tif")
        out = tmp_path / f"{name}.tif"
        assert run(["stitch", str(folder), "--out", str(out)]) in (0, 3)  # 3: so few px may be in doubt
        pictures[name] = out
    said = read_report(report_path(pictures["mixed"])).notices
    assert "1 frame carries another colour profile, “opRGB”; converted to “sRGB”" in said
    assert not [s for s in read_report(report_path(pictures["plain"])).notices if "profile" in s]
    with tifffile.TiffFile(pictures["mixed"]) as file:
        assert file.pages[0].tags[34675].value == SRGB.profile  # InterColorProfile, ICC.1:2022 annex B.2
    a, b = (tifffile.imread(path) for path in pictures.values())
    assert max(abs(a.shape[0] - b.shape[0]), abs(a.shape[1] - b.shape[1])) <= 2
    x, y = (  # the sheet may round to another size, and begin a px earlier
        round(u - v)
        for u, v in zip(*(read_report(report_path(p)).plate.centre for p in pictures.values()), strict=True)
    )
    a, b = a[max(y, 0) :, max(x, 0) :], b[max(-y, 0) :, max(-x, 0) :]
    height, width = np.minimum(a.shape[:2], b.shape[:2])
    assert differences(a[:height, :width], b[:height, :width])[0] < 0.5  # 2.7 where nothing is converted

"""The report's schema, and its plain words."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.compose.plate_view import field_of_view_deg
from belvedere.compose.report import (
    BlockReport,
    CoverageReport,
    ExposureReport,
    FrameReport,
    HoleReport,
    LensReport,
    LevelReport,
    OverlapReport,
    PictureReport,
    PlateReport,
    QualityReport,
    Report,
    ResponseReport,
    SoftwareReport,
    TimingReport,
    decode,
    encode,
    read_report,
    report_path,
    write_report,
)
from belvedere.errors import OutputFailed, UnreadableFile
from belvedere.pipeline.summary import COLUMNS, LINES, summary, worst_overlap

replace = msgspec.structs.replace
FILE = Path("out.report.json")


def frame(i: int, **changes: Any) -> FrameReport:
    values: dict[str, Any] = {
        "file": f"IMG_{i:04}.JPG",
        "exposures": (ExposureReport(file=f"IMG_{i:04}.JPG", sha256="0" * 64),),
        "used": True,
        "row": 0,
        "column": i,
        "lens": 0,
        "width": 4000,
        "height": 6000,
        "focal_px": 8000.0,
        "principal_point": (2000.5, 2999.0),
        "distortion": (-0.06, 0.0, 0.0),
        "rotation_wxyz": (1.0, 0.0, 0.0, 0.0),
        "gain": 1.0,
        "white_balance": (1.0, 1.0, 1.0),
        "vignetting": (-0.3, 0.0, 0.0),
        "placed_by": "tie-points",
        "placement_sigma_px": 0.1,
    }
    return FrameReport(**(values | changes))


def left_out(i: int, reason: str) -> FrameReport:
    return FrameReport(
        file=f"IMG_{i:04}.JPG",
        exposures=(ExposureReport(file=f"IMG_{i:04}.JPG", sha256="0" * 64),),
        used=False,
        lens=0,
        width=4000,
        height=6000,
        reason=reason,
    )


PLATE = PlateReport(
    projection="cylindrical",
    width=24_000,
    height=8_000,
    pixels_per_radian=8000.0,
    centre=(11_999.5, 3_999.5),
    yaw_pitch_roll_deg=(0.0, 0.0, 0.0),
)


def report(frames: tuple[FrameReport, ...], **changes: Any) -> Report:
    values: dict[str, Any] = {
        "frames": frames,
        "lenses": (LensReport(model="radial3", principal_offset_sensor_px=(0.5, -1.0)),),
        "plate": PLATE,
        "level": LevelReport(source="sea-horizon", sigma_deg=0.03),
        "response": ResponseReport(known_from="profile"),
        "quality": QualityReport(
            tie_point_rms_px=0.18,
            overlaps=tuple(
                OverlapReport(a=i, b=i + 1, overlap_fraction=0.3, tie_points=100, rms_px=0.1 + i / 100)
                for i in range(len(frames) - 1)
            ),
        ),
        "coverage": CoverageReport(covered_fraction=0.97),
        "timing": TimingReport(
            decode_s=1.0, align_s=2.0, tone_s=3.0, compose_s=4.0, write_s=5.0, total_s=95.0, peak_rss_mb=812.0
        ),
        "software": SoftwareReport(version="1.0", dependencies={"numpy": "2"}),
        "picture": PictureReport(file="out.tif", bits=16, file_bytes=1_200_000_000),
    }
    return Report(**(values | changes))


def test_a_report_comes_back_the_same(tmp_path: Path) -> None:
    whole = report(
        (frame(0), frame(1, doubt="It may be wrong."), left_out(2, "a hand")),
        coverage=CoverageReport(
            covered_fraction=0.9, holes=(HoleReport(yaw_deg=1.5, pitch_deg=-2.0, plate_rect=(0, 0, 5, 6)),)
        ),
        components=(BlockReport(frames=(0, 1)), BlockReport(frames=(2,), command="belvedere stitch …")),
        notices=("A sentence.",),
    )
    path = report_path(tmp_path / "Bucht 1.tif")
    assert path.name == "Bucht 1.report.json"
    write_report(whole, path)
    assert read_report(path) == whole
    assert encode(whole) == path.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_the_keys_are_those_of_the_schema() -> None:
    keys = json.loads(encode(report((frame(0),))))
    assert keys["schema"] == "belvedere.report/1"
    wanted = "frames lenses plate level response quality coverage invented timing software"
    assert set(keys) >= set(wanted.split())
    of_a_frame = (
        "file exposures merge used row column lens width height focal_px principal_point distortion "
        "rotation_wxyz gain white_balance vignetting placed_by placement_sigma_px doubt reason"
    )
    assert set(keys["frames"][0]) == set(of_a_frame.split())
    assert keys["level"]["from"] == "sea-horizon"


def test_unknown_keys_are_ignored_and_optional_ones_may_be_missing() -> None:
    plain = json.loads(encode(report((frame(0),))))
    for key in ("picture", "components", "notices", "invented"):
        del plain[key]
    plain["news"] = plain["plate"]["news"] = plain["frames"][0]["news"] = {"a": 1}
    assert decode(json.dumps(plain).encode(), FILE) == report((frame(0),), picture=None)


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("schema",), "belvedere.report/2", r"schema"),
        (("frames", 0, "gain"), "1", r"frames\[0\]\.gain"),
        (("frames", 0, "gain"), -1.0, r"frames\[0\]\.gain"),
        (("frames", 0, "gain"), None, r"frames\[0\] is used and lacks gain"),
        (("frames", 0, "lens"), 1, r"frames\[0\] names lens 1 of 1"),
        (("frames", 0, "exposures"), [], r"has no exposures"),
        (("frames", 0, "exposures", 0, "sha256"), "abc", r"sha256"),
        (("frames", 0, "rotation_wxyz"), [1.0, 0.1, 0.0, 0.0], r"unit quaternion"),
        (("frames", 0, "rotation_wxyz"), [-1.0, 0.0, 0.0, 0.0], r"unit quaternion"),
        (("frames", 0, "reason"), "because", r"is used and has a reason"),
        (("frames", 1, "reason"), None, r"frames\[1\] is left out without a reason"),
        (("plate", "projection"), "orthographic", r"projection"),
        (("plate", "projection"), "pannini", r"plate\.d"),
        (("plate", "width"), 0, r"plate\.width"),
        (("level", "from"), "guess", r"level\.from"),
        (("quality", "overlaps", 0, "b"), 7, r"overlaps\[0\] needs a < b < 2"),
        (("coverage", "covered_fraction"), 1.1, r"covered_fraction"),
        (("components",), [{"frames": [5]}], r"components\[0\]"),
        (("coverage", "holes"), [{"yaw_deg": 0, "pitch_deg": 0, "plate_rect": [3, 0, 3, 1]}], r"holes\[0\]"),
    ],
)
def test_faults_are_named_with_their_place(path: tuple[str | int, ...], value: Any, message: str) -> None:
    plain = json.loads(encode(report((frame(0), left_out(1, "a hand")))))
    place = plain
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(UnreadableFile, match=message) as caught:
        decode(json.dumps(plain).encode(), FILE)
    assert str(caught.value).startswith("out.report.json: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"\xff\xfe", b'{"schema": "belvedere.report/1"}'])
def test_no_report_at_all_is_said_in_one_line(data: bytes) -> None:
    with pytest.raises(UnreadableFile, match=r"^out\.report\.json: is no report"):
        decode(data, FILE)


def test_all_faults_are_named_together_and_none_is_written(tmp_path: Path) -> None:
    bad = report((frame(0, gain=math.nan, reason="x"), left_out(1, "")))
    with pytest.raises(
        ValueError, match=r"frames\[0\] is used and.*frames\[1\] is left out.*gain is not finite"
    ):
        write_report(bad, tmp_path / "a.json")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(UnreadableFile, match="could not be read"):
        read_report(tmp_path / "a.json")
    with pytest.raises(OutputFailed, match="there is no folder"):
        write_report(report((frame(0),)), tmp_path / "gone" / "a.json")


def test_exit_code_is_0_only_where_all_are_used_and_sure() -> None:
    assert report((frame(0), frame(1))).exit_code == 0
    assert report((frame(0), frame(1, doubt="Maybe not."))).exit_code == 3
    assert report((frame(0), left_out(1, "a hand"))).exit_code == 3


def test_the_first_line_is_the_answer() -> None:
    picture = Path("/prints/coast.tif")
    sure = summary(report((frame(0), frame(1))), picture).splitlines()
    assert sure[0] == "coast.tif is ready: all 2 frames are in it, none in doubt."
    some = report((frame(0), frame(1, doubt="Only 9 tie points hold it."), left_out(2, "it shows a hand")))
    text = summary(some, picture)
    assert text.splitlines()[0] == "coast.tif is ready, with 2 of 3 frames: 1 left out, 1 in doubt."
    assert "IMG_0002.JPG: it shows a hand" in text
    assert "IMG_0001.JPG: Only 9 tie points hold it." in text


def test_the_numbers_are_those_of_the_report() -> None:
    text = summary(report((frame(0), frame(1), frame(2))), Path("/prints/coast.tif"))
    assert "171.9° wide, 53.1° high, cylindrical" in text  # 3 rad; 2 atan(0.5)
    assert "24,000 x 8,000, 192 megapixels, 16 bits" in text
    assert "203 x 68 cm (80 x 27 in) at 300 pixels per inch" in text
    assert "from the sea horizon, known to 0.03° (one sigma)" in text
    assert "0.18 px RMS in all; worst 0.11 px, IMG_0001.JPG and IMG_0002.JPG" in " ".join(text.split())
    assert "/prints/coast.tif (1.2 GB)" in text
    assert "97.0 %" in text
    assert "1 min 35 s, 812 MB" in text
    assert "stays in the picture" not in text


@pytest.mark.parametrize("words", [None, "from the pan axis of 7 frames, one sigma 0.40°"])
def test_level_from_the_pan_axis_says_what_stays(words: str | None) -> None:
    level = LevelReport(source="pan-axis", sigma_deg=0.4, words=words)
    text = " ".join(summary(report((frame(0),), level=level), Path("a.tif")).split())
    assert "a head out of level stays in the picture" in text
    assert "0.40°" in text


def test_the_worst_overlap_is_of_used_frames() -> None:
    whole = report((frame(0), frame(1), left_out(2, "a hand")))
    worst = worst_overlap(whole)
    assert worst is not None
    assert (worst.a, worst.b) == (0, 1)
    assert worst_overlap(report((frame(0),))) is None


@pytest.mark.parametrize(
    ("projection", "size", "centre", "expected"),
    [
        ("equirectangular", (6283, 3142), (3141.0, 1570.5), (359.99, 180.0)),
        ("rectilinear", (2000, 1000), (999.5, 499.5), (90.0, 2 * math.degrees(math.atan(0.5)))),
        ("stereographic", (4000, 2000), (1999.5, 999.5), (180.0, 4 * math.degrees(math.atan(0.5)))),
        ("mercator", (1000, 2000), (499.5, 999.5), (57.296, 2 * math.degrees(math.atan(math.sinh(1.0))))),
        ("pannini", (2000, 1000), (999.5, 499.5), (4 * math.degrees(math.atan(0.5)), 53.1301)),
    ],
)
def test_field_of_view(
    projection: Any, size: tuple[int, int], centre: tuple[float, float], expected: tuple[float, float]
) -> None:
    """Snyder (1987) by hand; pannini with d = 1: X = 2 tan(yaw / 2) (Sharpless et al. 2010)."""
    plate = PlateReport(
        projection=projection,
        width=size[0],
        height=size[1],
        pixels_per_radian=1000.0,
        centre=centre,
        yaw_pitch_roll_deg=(40.0, -10.0, 5.0),
        d=1.0,
    )
    assert field_of_view_deg(plate) == pytest.approx(expected, abs=0.05)


def test_same_names_in_two_folders_are_told_apart() -> None:
    files = ("A/IMG_1.JPG", "B/IMG_1.JPG")
    frames = (frame(0, file=files[0]), replace(left_out(1, "a hand"), file=files[1]))
    assert "B/IMG_1.JPG: a hand" in summary(report(frames), Path("a.tif"))


def test_the_command_for_another_block_is_whole_or_not_there() -> None:
    frames = (frame(0), frame(1), left_out(2, "elsewhere"), left_out(3, "elsewhere"))
    for command in ("belvedere stitch card --block 2 --out b.tif", "belvedere stitch " + "card " * 30):
        blocks = (BlockReport(frames=(0, 1)), BlockReport(frames=(2, 3), command=command))
        text = summary(report(frames, components=blocks), Path("a.tif"))
        assert "2 frames hang together but meet this picture nowhere" in text
        assert (command in text) is (len(command) < 60)
        assert ("stands in the report" in text) is (len(command) >= 60)


def test_frames_placed_by_the_steps_of_the_turn_are_told_once() -> None:
    sure = frame(1, placed_by="grid", placement_sigma_px=0.3)
    text = summary(report((frame(0), sure)), Path("a.tif"))
    assert "1 frame placed by the steps of the turn, one sigma 0.3 px at most" in text
    doubted = replace(sure, doubt="placed by the steps of the turn, sure to about 9 px (one sigma)")
    blocks = (BlockReport(frames=(0,)), BlockReport(frames=(1,)))
    text = summary(report((frame(0), doubted), components=blocks), Path("a.tif"))
    assert text.count("placed by the steps of the turn") == 1
    assert "sure to about 9 px" in text
    assert "elsewhere" not in text


@given(
    used=st.integers(1, 100),
    doubtful=st.integers(0, 100),
    out=st.integers(0, 100),
    reasons=st.integers(1, 50),
    words=st.integers(1, 60),
    notices=st.integers(0, 20),
    holes=st.integers(0, 20),
    blocks=st.integers(0, 5),
)
def test_it_fits_one_screen(
    used: int, doubtful: int, out: int, reasons: int, words: int, notices: int, holes: int, blocks: int
) -> None:
    why = [f"reason {k} " + "and so on " * words for k in range(reasons)]
    frames = (
        *(frame(i, placed_by="grid") for i in range(used)),
        *(frame(i, doubt=why[i % reasons]) for i in range(doubtful)),
        *(left_out(i, why[i % reasons]) for i in range(out)),
    )
    whole = report(
        frames,
        notices=tuple("A notice of some length. " * 8 for _ in range(notices)),
        coverage=CoverageReport(
            covered_fraction=0.99999,
            holes=tuple(
                HoleReport(yaw_deg=1.0, pitch_deg=1.0, plate_rect=(0, 0, 1, 1)) for _ in range(holes)
            ),
        ),
        components=tuple(
            BlockReport(frames=tuple(range(len(frames))), command="belvedere stitch " * (blocks % 3 + 3))
            for _ in range(blocks)
        ),
        level=LevelReport(source="pan-axis", sigma_deg=1.0),
        picture=PictureReport(file="a.tif", bits=16, over_white_fraction=0.1),
    )
    lines = summary(whole, Path("/a/folder/picture.tif")).splitlines()
    assert len(lines) <= LINES
    assert all(len(line) <= COLUMNS for line in lines)
    assert lines[-1].split() == ["file", "/a/folder/picture.tif"]
    if out:
        assert any(line.startswith("  left out") for line in lines)
    if doubtful:
        assert any(line.startswith("  in doubt") for line in lines)


def test_100_good_frames_take_a_dozen_lines() -> None:
    assert len(summary(report(tuple(frame(i) for i in range(100))), Path("a.tif")).splitlines()) <= 12

"""`belvedere plan` as a photographer types it: answers, files, and sentences for what cannot be."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest
from PIL import Image

from belvedere.cli.arguments import parser
from belvedere.cli.main import run
from belvedere.plan.plan_file import read_plan


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> object:
    """Run the command in an empty folder: exit code, output, errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def go(line: str, *more: str) -> tuple[int, str, str]:
        code = run(["plan", *line.split(), *more])
        out, err = capsys.readouterr()
        return code, out, err

    return go


def plain(text: str) -> str:
    return " ".join(text.split())


def test_a_plan_is_told_from_the_answer_down(said) -> None:  # type: ignore[no-untyped-def]
    code, out, err = said("--view 100x40 --lens 50")
    assert (code, err) == (0, "")
    assert out.startswith("10 frames with a lens of 50 mm, camera upright: 2 rows of 5.\n")
    assert max(map(len, out.splitlines())) <= 80
    text = plain(out)
    assert "Assumed: a camera of 36 x 24 mm and 45 megapixels" in text
    assert "Upright a row is 39 degrees high, lying it would be 26" in text
    assert "in the work folder meanwhile" in text
    assert "Memory stays within" in text
    assert "Never look at the sun" in text


def test_an_upright_row_takes_the_usual_number_of_frames(said) -> None:  # type: ignore[no-untyped-def]
    # 5, 7, 11 and 17 frames upright at a third overlap with 24, 50, 70 and 150 mm: common practice, no
    # published source. Each field is within what so many frames cover, and beyond what one fewer does.
    for lens, frames, wide in ((24, 5, 175), (50, 7, 120), (70, 11, 140), (150, 17, 104)):
        _, out, _ = said(f"--view {wide} --lens {lens}")
        assert out.startswith(f"{frames} frames with a lens of {lens} mm, camera upright: one row.")


def test_without_a_lens_usual_ones_stand_side_by_side(said) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = said("--view 120x40")
    assert code == 0
    assert re.findall(r"^ *(\d+) +\d+ x \d+ ", out, re.MULTILINE) == ["24", "35", "50", "70", "100", "150"]
    assert "--lens" in out.splitlines()[-1]
    code, out, _ = said("--view 120x40 --compare 24 150")
    assert re.findall(r"^ *(\d+) +\d+ x \d+ ", out, re.MULTILINE) == ["24", "150"]
    assert max(map(len, out.splitlines())) <= 80


def test_the_plan_comes_back_from_its_file(said, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    line = "--bearings 210 330 --elevations -10 25 --lens 70 --clicks 10 7.5 --extra --out plan.json"
    code, out, _ = said(line, "--title", "Hut ridge")
    assert code == 0
    assert out.endswith("Written: plan.json\n")
    plan = read_plan(tmp_path / "plan.json")
    assert math.degrees(plan.view.bearing_of_zero or 0.0) == pytest.approx(270.0)
    assert math.degrees(plan.view.pitch_high) == pytest.approx(25.0)
    assert plan.extra_column_and_row
    assert math.degrees(plan.head.yaw_click or 0.0) == pytest.approx(10.0)
    assert json.loads((tmp_path / "plan.json").read_text())["extras"]["title"] == "Hut ridge"
    before = (tmp_path / "plan.json").read_bytes()
    assert said(line, "--title", "Hut ridge")[0] == 0  # its own file may be replaced
    assert (tmp_path / "plan.json").read_bytes() == before


def test_the_sheet_is_written_and_foreign_files_are_kept(said, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    assert said("--view 100x40 --lens 50 --sheet plan.pdf --paper Letter --quiet") == (0, "", "")
    first = (tmp_path / "plan.pdf").read_bytes()
    assert first.startswith(b"%PDF-")
    assert said("--view 100x40 --lens 50 --sheet plan.pdf --paper Letter --quiet")[0] == 0
    assert (tmp_path / "plan.pdf").read_bytes() == first
    (tmp_path / "letter.pdf").write_bytes(b"%PDF-1.4 somebody's own")
    code, _, err = said("--view 100x40 --lens 50 --sheet letter.pdf")
    assert code == 2
    assert "did not make it" in err
    assert (tmp_path / "letter.pdf").read_bytes() == b"%PDF-1.4 somebody's own"
    assert said("--view 100x40 --lens 50 --sheet letter.pdf --replace --quiet")[0] == 0
    for line in ("--sheet plan.jpg", "--out plan.txt", "--out nowhere/plan.json", "--sheet ."):
        assert said(f"--view 100x40 --lens 50 {line}")[0] == 2


def test_from_the_print_to_the_lens(said) -> None:  # type: ignore[no-untyped-def]
    # 300 cm at 300 ppi are 35,433 px over 120 degrees (extent 2.8868 on the plate at unit scale, d = 1)
    _, out, _ = said("--print 3x1m --view 120x40")
    text = plain(out)
    found = re.search(
        r"takes ([\d.]+) mm\. Planned with the next longer lens, (\d+) mm, which gives (\d+); ", text
    )
    assert found is not None
    exact, lens, ppi = (float(g) for g in found.groups())
    assert exact < lens
    assert ppi == pytest.approx(300 * lens / exact, abs=0.6)
    width = int(re.search(r"picture +([\d,]+) x", out)[1].replace(",", ""))  # type: ignore[index]
    assert width / 300 * ppi / ppi >= 3000 / 25.4  # at least the print's width at 300 ppi
    assert "% of it is cut off above and below" in text


def test_from_the_print_and_the_lens_to_the_view(said) -> None:  # type: ignore[no-untyped-def]
    _, out, _ = said("--print 150x50 --lens 50")
    assert re.search(r"print +150 x 50 cm at 300", out)
    _, out, _ = said("--print 150x50 --lens 50 --viewing-distance 2")
    # 1 minute of arc at 2 m is 0.582 mm: 25.4 / 0.582 = 43.7 pixels per inch
    assert re.search(r"print +150 x 50 cm at 44 ", out)
    _, out, _ = said("--print 60x20 --lens 50 --units imperial")
    assert re.search(r"print +60 x 20 in at 300", out)


def test_a_picture_tells_sensor_pixels_and_lens(said, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner[0x920A] = 35.0  # focal length
    inner[0xA20E] = 600 / 24.0 * 10.0  # focal-plane resolution across, pixels per cm: 24 mm wide
    inner[0xA210] = 3
    Image.new("RGB", (600, 400)).save(tmp_path / "frame.jpg", exif=exif)
    code, out, err = said("--view 100x40 --like frame.jpg --out plan.json")
    assert (code, err) == (0, "")
    plan = read_plan(tmp_path / "plan.json")
    assert (plan.sensor.width_px, plan.sensor.height_px) == (600, 400)
    assert plan.sensor.width_mm == pytest.approx(24.0, rel=1e-3)
    assert plan.focal_mm == 35.0
    assert "the lens of frame.jpg, 35 mm" in plain(out)
    Image.new("RGB", (600, 400)).save(tmp_path / "bare.jpg")
    code, _, err = said("--view 100x40 --like bare.jpg")
    assert code == 2
    assert "does not say how large the camera's sensor is" in err


def test_light_needs_place_time_and_bearing(said) -> None:  # type: ignore[no-untyped-def]
    view = "--view 120x40 --lens 50 --bearing 110"
    when = ("--when", "2026-10-03 07:40+02:00")
    code, out, _ = said(f"{view} --place 46 8 1800", *when)
    assert code == 0
    text = plain(out)
    assert "At the start (07:40) the sun stands at" in text
    assert "The sun is in the frame at stop" in text
    assert "The sun stands in or near this view while you are there. Never look" in text
    assert "sunrise 07:28" in text
    _, out, _ = said("--view 120x40 --lens 50 --place 46N, 8E", *when)
    assert "give the view's bearing too" in plain(out)
    _, out, _ = said(f"{view} --place 46 8 --when 2026-10-03")
    assert "Assumed" in out
    assert "the clock UTC+1, by the longitude" in plain(out)
    assert "give the time of the first frame too" in plain(out)
    _, south, _ = said(
        "--view 120x40 --lens 50 --place -33.9, 18.4", "--when", "2026-10-03 12:00", "--zone", "UTC+2"
    )
    assert "Noon by the sun 12:" in plain(south)


def test_clouds_are_told_where_a_speed_is_given(said) -> None:  # type: ignore[no-untyped-def]
    text = plain(said("--view 100x40 --lens 50 --cloud-speed 36km/h --cloud-distance 5km")[1])
    # f 11,400 px x 10 m/s x 8 s / 5,000 m = 182 px
    assert "What crosses at 10 m/s, 5 km away, moves 182 px" in text


CANNOT = {
    "--view 100x40 --lens -50": "above 0 mm, not -50 mm",
    "--view 100x40 --lens 0": "above 0 mm, not 0 mm",
    "--view 100x40 --lens wide": "write it like 50",
    "--view 100x40 --lens 200deg": "cannot see 200 degrees; its angle of view stays below 180",
    "--view 100x40 --lens 1e309": "too large a number",
    "--view 400x40 --lens 50": "the widest is a full turn, 360 degrees",
    "--view 100x190 --lens 50": "180 degrees",
    "--view -100x40 --lens 50": "shows nothing",
    "--view 100x40 --tilt 80 --lens 50": "the nearest there is reaches from 60 to 90",
    "--view round --lens 50": "write it like 120x40",
    "--view 100": "the view's height is missing",
    "--lens 50": "what is the picture to show",
    "--view 100x40 --as-with 24": "tell the view twice",
    "--bearings 210 210 --lens 50": "for a full turn give 0 and 360 degrees",
    "--view 100x40 --elevations -10 30 --lens 50": "give that or --elevations",
    "--print 50x10m --lens 50": "the largest is",
    "--print 50x10m --view 100x40": "with 800 mm it can be 29 x 5.8 m",
    "--print 150x50": "a print alone leaves open what it shows",
    "--print 150 --lens 50": "write it like 150x50cm",
    "--view 100x40 --lens 50 --camera Nonesuch --pixels 24MP": "has none named 'Nonesuch'",
    "--view 100x40 --lens 50 --sensor 24x16": "its pixels are missing",
    "--view 100x40 --lens 50 --pixels 6000x5000": "do not have one shape",
    "--view 100x40 --lens 50 --pixels 0MP": "needs some",
    "--view 100x40 --lens 50 --like nothing.jpg": "nothing.jpg: is not there",
    "--view 100x40 --lens 50 --like a.jpg --sensor 36x24": "name the camera twice",
    "--view 100x40 --lens 50 --overlap 95": "just under 90",
    "--view 100 --lens 50 --overlap 95": "a third is usual",
    "--view 100x40 --lens 50 --clicks 30": "about 18",
    "--view 100 --lens 50 --clicks 30": "about 18",
    "--view 100x40 --lens 50 --clicks 1 2 3": "one or two numbers",
    "--view 100x40 --lens 50 --f-number 0": "the f-number must be a number above 0",
    "--view 100x40 --lens 50 --focus 0.04": "focus beyond 0.05 m",
    "--view 100x40 --lens 50 --seconds -1": "the time a frame takes must be a number above 0 s",
    "--view 100x40 --lens 50 --exposures none": "whole number",
    "--view 100x40 --lens 50 --place 46 --when 2026-10-03": "needs latitude and longitude",
    "--view 100x40 --lens 50 --place 46 8": "give --when",
    "--view 100x40 --lens 50 --place 8E 46N --when 2026-10-03": "comes first",
    "--view 100x40 --lens 50 --place 146 8 --when 2026-10-03": "Latitude comes first",
    "--view 100x40 --lens 50 --place 46 8 --when soon": "write year-month-day",
    "--view 100x40 --lens 50 --place 46 8 --when 2026-10-03 --zone Nowhere/At_All": "no time zone",
    "--view 100x40 --sheet plan.pdf": "one lens is needed",
    "--view 100x40 --compare 24 x": "--compare x",
}


@pytest.mark.parametrize("line", CANNOT)
def test_what_cannot_be_is_one_sentence_with_the_nearest_answer(said, line: str) -> None:  # type: ignore[no-untyped-def]
    code, out, err = said(line)
    assert (code, out) == (2, "")
    assert err.startswith("belvedere: ")
    assert err.count("\n") == 1
    assert CANNOT[line] in err


def test_help_has_examples_that_run(said, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = said("--help")
    assert code == 0
    examples = re.findall(r"belvedere plan (.*(?:\n {10,}--.*)*)", out.split("examples:")[1])
    assert len(examples) == 6
    for example in examples:
        words = [w.strip('"') for w in re.findall(r'"[^"]*"|\S+', example)]
        known = parser().parse_args(["plan", *words])
        assert known.command == "plan"
        if "--like" not in words:
            assert run(["plan", *words]) == 0
            assert capsys.readouterr().out

"""Hot pixels in a run: found once a set, told in a sentence, and the same picture on a second run."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from belvedere.capture.frame import Frame
from belvedere.capture.gather import gather
from belvedere.cli.main import run
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec, SimulatedBody
from belvedere.pipeline.hot_pixels import find_sensors
from belvedere.pipeline.schedule import Threads


def spoilt(columns: int, serial: str = "0417") -> SetSpec:
    body = SimulatedBody(hot_per_megapixel=400.0, dead_per_megapixel=50.0, serial=serial)
    return replace(set_spec("row", megapixels=0.2, raw="dng"), columns=columns, body=body)


def test_a_sentence_tells_and_a_second_run_gives_the_same_bits(tmp_path: Path) -> None:
    write_set(spoilt(3), tmp_path / "card")
    pictures = []
    for kept in (False, True):  # the second run has the decoded frames made again, from the places kept
        out = tmp_path / "a.tif"
        assert run(["stitch", str(tmp_path / "card"), "--out", str(out)]) in (0, 3)
        pictures.append(out.read_bytes())
        notices = json.loads((tmp_path / "a.report.json").read_bytes())["notices"]
        assert any("faulty pixels of the sensor" in n and "from 3 frames" in n for n in notices)
        if not kept:
            shutil.rmtree(tmp_path / "a.work" / "frames", ignore_errors=True)
            for stage in ("seams", "picture"):
                (tmp_path / "a.work" / f"{stage}.json").unlink()
            out.unlink()
    assert pictures[0] == pictures[1]


@pytest.mark.parametrize("count", [1, 2])
def test_of_too_few_frames_it_says_that_it_did_not_look(tmp_path: Path, count: int) -> None:
    write_set(spoilt(count), tmp_path)
    sensors = find_sensors(gather([tmp_path]).frames, Threads(1))
    (notice,) = sensors.notices()
    assert "not looked for" in notice
    assert str(count) in notice
    assert sensors.mendings(gather([tmp_path]).frames) == (None,) * count


def test_of_stepped_exposures_the_longest_and_the_shortest_are_looked_at(tmp_path: Path) -> None:
    """Four stops more show places that drown in the noise of the short ones; both kinds are mended."""
    spec = replace(spoilt(4), bracket_ev=(-4.0, 0.0))
    write_set(spec, tmp_path)
    files = gather([tmp_path]).frames
    stepped = [Frame((files[k].exposures[0], files[k + 1].exposures[0])) for k in range(0, 8, 2)]
    places = []
    for frames in (stepped, files[0::2], files[1::2]):
        (sensor,) = find_sensors(frames, Threads(1)).bodies
        assert sensor.hot is not None
        places.append(set(sensor.hot.bright))
    assert places[0] == places[1] | places[2]
    assert len(places[2]) > len(places[1])


def test_each_body_has_its_own_and_pictures_have_none(tmp_path: Path) -> None:
    for folder, spec in (("a", spoilt(3)), ("b", spoilt(3, "0990")), ("c", set_spec("row", megapixels=0.2))):
        write_set(spec if folder != "c" else replace(spec, columns=2), tmp_path / folder)
    frames = gather([tmp_path / name for name in "abc"]).frames
    sensors = find_sensors(frames, Threads(2))
    assert [s.serial for s in sensors.bodies] == ["0417", "0990"]
    of_body = {s.serial: s.hot for s in sensors.bodies}
    assert of_body["0417"] is not None
    assert of_body["0990"] is not None
    assert of_body["0417"].identity != of_body["0990"].identity
    for frame, mending in zip(frames, sensors.mendings(frames), strict=True):
        assert mending is (of_body[frame.metadata.serial] if frame.file.suffix == ".DNG" else None)
    assert len(sensors.notices()) == 2

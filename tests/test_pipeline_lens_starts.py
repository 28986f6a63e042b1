"""The lens list in a run: only where asked for, and told in a sentence."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from belvedere.capture.gather import gather
from belvedere.cli.main import run
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.pipeline.lens_starts import with_lens_starts
from belvedere.pipeline.options import StitchOptions
from lens_entries import lens_list

POLY5 = '<distortion model="poly5" focal="50" k1="-0.02" k2="0.0"/>'


def test_it_is_looked_up_only_where_asked_for(tmp_path: Path) -> None:
    write_set(replace(set_spec("row", megapixels=0.1), columns=2), tmp_path)
    frames = gather([tmp_path]).frames
    plain = StitchOptions((tmp_path,), tmp_path / "a.tif")
    assert with_lens_starts(plain, frames, lens_list(POLY5)) == (plain, [])
    asked = replace(plain, lens_start=True)
    options, (said,) = with_lens_starts(asked, frames, lens_list(POLY5))
    ((_, radial),) = options.align.lens_starts
    ((_, fall),) = options.tone.lens_starts
    assert radial.corner[0] < -0.05
    assert fall.coefficients[0] < -0.2
    assert "Ilvane 50 mm f/2 at 50 mm" in said
    assert "-6.5 % in the corner" in said
    assert "74 % of the light" in said
    assert "as asked" in said


def test_a_lens_that_is_not_listed_is_named(tmp_path: Path) -> None:
    write_set(replace(set_spec("row", megapixels=0.1), columns=2), tmp_path)
    frames = gather([tmp_path]).frames
    asked = StitchOptions((tmp_path,), tmp_path / "a.tif", lens_start=True)
    options, (said,) = with_lens_starts(asked, frames, lens_list(POLY5, lens="Ilvane 55 mm f/2"))
    assert options == asked
    assert (
        said
        == "the lens list has no Ilvane 50 mm f/2 for this sensor and focal length; nothing was taken from it"
    )


def test_the_command_says_so_in_the_report(tmp_path: Path) -> None:
    write_set(replace(set_spec("row", megapixels=0.3), columns=3), tmp_path / "card")
    out = tmp_path / "a.tif"
    assert run(["stitch", str(tmp_path / "card"), "--out", str(out), "--lens-start"]) in (0, 3)
    notices = json.loads((tmp_path / "a.report.json").read_bytes())["notices"]
    assert any(n.startswith("the lens list has no Ilvane") for n in notices)

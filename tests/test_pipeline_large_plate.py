"""What is done for plates of gigapixels, shown on a small one: the same bits whatever the machine gives."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import tifffile

from belvedere.compose import seam_refine, seams
from belvedere.compose.seams import seam_steps
from belvedere.demo.sets import render_set
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.stitch import stitch


def test_refined_seams_give_the_same_bits_for_any_workers_memory_and_block(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(seams, "_MOST_NODES", 2_000)
    monkeypatch.setattr(seam_refine, "SQUARE", 64)
    monkeypatch.setattr(seam_refine, "_HALO", 32)
    steps = []

    def told(plate: object) -> tuple[int, int]:
        steps.append(seam_steps(plate))  # type: ignore[arg-type]
        return steps[-1]

    monkeypatch.setattr(seams, "seam_steps", told)
    render_set("row", tmp_path / "set", megapixels=0.15, columns=3, walkers=3)
    pictures = []
    for name, workers, memory, block in (("a", 1, 600, 512), ("b", 3, 3000, 1024)):
        out = tmp_path / name / "picture.tif"
        out.parent.mkdir()
        options = StitchOptions(
            (tmp_path / "set",), out, workers=workers, memory_bytes=memory << 20, block=block
        )
        assert stitch(options, Progress(io.StringIO())).made.name == "picture.tif"
        pictures.append(tifffile.imread(out))
    assert steps == [(16, 2), (16, 2)]
    np.testing.assert_array_equal(pictures[0], pictures[1])
    assert (pictures[0][..., 3] > 0).mean() > 0.8

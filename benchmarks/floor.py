"""Our time against the machine's floor: decoding all frames once and writing the picture's pixels once."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np

from benchmarks.command import python_module, report_of, run, stitch
from benchmarks.sets import Setting
from benchmarks.table import Figure

SETS = ("row", "rows-3x5")
_TIMES = 3


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name in SETS:
        yield from _one(setting, name)


def _one(setting: Setting, name: str) -> Iterator[Figure]:
    folder = setting.rendered(name)
    floors, totals, previews, resumed, parts = [], [], [], [], []
    for _ in range(_TIMES):  # alternately, so that a machine that is busy is so for all
        out = setting.room("floor") / "picture.tif"
        totals.append(stitch(folder, out).seconds)
        timing = report_of(out).timing
        parts.append(
            [timing.decode_s, timing.align_s, timing.tone_s, timing.compose_s, timing.write_s, timing.total_s]
        )
        told = run(python_module("benchmarks.floor_work", folder, out, out.with_name("floor.tif")))
        if told.code != 0:
            raise RuntimeError(f"the floor could not be measured: {told.errors[-300:]}")
        floors.append(json.loads(told.output.splitlines()[-1]))
        out = setting.room("floor") / "picture.tif"
        previews.append(stitch(folder, out, "--preview").seconds)
        resumed.append(stitch(folder, out).seconds)
    floor_s = [f["decode_s"] + f["write_s"] for f in floors]
    middle = np.median(parts, axis=0)
    names = ("decode", "align", "tone", "compose", "write")
    shares = ", ".join(f"{n} {100 * s / middle[-1]:.0f} %" for n, s in zip(names, middle, strict=False))
    yield Figure(
        f"{name}: our time / the machine's floor",
        _ratio(totals, floor_s),
        "",
        4.0,
        note=f"{np.median(totals):.1f} s against {np.median(floor_s):.1f} s "
        f"(decode {np.median([f['decode_s'] for f in floors]):.1f}, "
        f"write {np.median([f['write_s'] for f in floors]):.1f}); {_TIMES} runs of each in turn",
    )
    whole = float(np.median(totals))
    yield Figure(f"{name}: where the time goes, total", float(middle[-1]), "s", note=shares)
    yield Figure(
        f"{name}: outside the stages (start, imports)", 100.0 * (1.0 - float(middle[:-1].sum()) / whole), "%"
    )
    yield Figure(
        f"{name}: time of --preview / the picture's",
        100.0 * _ratio(previews, totals),
        "%",
        15.0,
        note=f"{np.median(previews):.1f} s against {whole:.1f} s",
    )
    both = [a + b for a, b in zip(previews, resumed, strict=True)]
    yield Figure(
        f"{name}: preview and then the picture / the picture alone",
        _ratio(both, totals),
        note=f"the picture after its preview took {np.median(resumed):.1f} s",
    )


def _ratio(a: list[float], b: list[float]) -> float:
    """Median of the ratios of runs that followed each other."""
    return float(np.median(np.array(a) / np.array(b)))

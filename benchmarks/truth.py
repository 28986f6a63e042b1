"""Cameras and tone against the truth: where frames looked, the lens, what the camera did to light."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks import against_truth
from benchmarks.sets import Setting
from benchmarks.solved import align, cameras_of, measure_tone, opened
from benchmarks.table import Figure

SETS = ("row", "rows-3x5", "full-turn")


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name in SETS:
        with opened(setting.rendered(name), setting.room("truth")) as shot:
            alignment = align(shot.source, shot.frames)
            tone = measure_tone(shot.source, shot.frames, alignment)
            cameras = cameras_of(alignment)
            apart = against_truth.disagreement_px(shot.truth, cameras)
            curve = max(
                against_truth.distortion_curve_px(shot.truth.frames[i].camera, camera)
                for i, camera in cameras.items()
            )
            focal = float(np.abs(against_truth.focal_errors(shot.truth, cameras)).max())
            yield Figure(f"{name}: overlapping frames disagree, RMS", _rms(apart), "px", 0.25)
            yield Figure(f"{name}: the same, 99th percentile", float(np.percentile(apart, 99)), "px", 1.0)
            yield Figure(
                f"{name}: frames used of {len(shot.frames)}",
                len(cameras),
                "",
                len(shot.frames),
                "==",
                note="; ".join(p.doubt for p in alignment.frames if p.doubt)[:120],
            )
            yield Figure(f"{name}: focal length off", 100.0 * focal, "%", 0.1)
            yield Figure(f"{name}: distortion curve off over the frame", curve, "px", 1.0)
            yield Figure(f"{name}: gains off", against_truth.gain_error_ev(shot.truth, tone), "EV", 0.02)
            off = against_truth.vignetting_error(shot.truth, tone)
            yield Figure(f"{name}: vignetting off", 100.0 * off, "%", 2.0)
    with opened(setting.rendered("contrast-curve"), setting.room("truth")) as shot:
        alignment = align(shot.source, shot.frames)
        tone = measure_tone(shot.source, shot.frames, alignment)
        steps = np.abs(against_truth.tone_steps_ev(shot.truth, tone, shot.source))
        pair = max((abs(s[2]) for s in tone.steps), default=float("nan"))
        yield Figure(
            "contrast-curve: largest tone step of a patch of an overlap",
            float(steps.max()),
            "EV",
            0.03,
            note=f"of {len(steps)} patches and channels, 99th percentile {np.percentile(steps, 99):.4f} EV",
        )
        yield Figure("contrast-curve: largest step of a whole overlap, as reported", pair, "EV", 0.03)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))

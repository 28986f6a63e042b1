"""A listed vignetting to start from: kept where nothing shows another, overruled where overlaps do."""

from __future__ import annotations

import numpy as np
import pytest

from belvedere.capture.lens_shown import shown_by
from belvedere.optics.lens_fit import FallFit
from belvedere.tone.options import ToneOptions
from belvedere.tone.tone import Tone
from tone_sets import ToneSet, illumination, tone_of

TRUE = ToneSet().vignetting


def found(made: ToneSet, listed: tuple[float, float, float] | None) -> Tone:
    shown = shown_by(made.metadata()[0].metadata, with_stop=True)
    starts = () if listed is None else ((shown, FallFit(listed, 0.0)),)
    return tone_of(
        made,
        options=ToneOptions(directions_per_frame=3000, level_pixels=made.level_pixels, lens_starts=starts),
    )


def corner_error(tone: Tone) -> float:
    """Largest departure of relative illumination from the truth, EV, over the frame."""
    first = next(f for f in tone.frames if f is not None)
    q = np.linspace(0.0, 1.0, 21)
    return float(np.abs(np.log2(illumination(first.vignetting, q) / illumination(TRUE, q))).max())


@pytest.mark.parametrize("listed", [TRUE, (0.3, 0.0, 0.0), (-0.7, 0.0, 0.0)])
def test_overlaps_overrule_the_list_right_or_wrong(listed: tuple[float, float, float]) -> None:
    made = ToneSet(columns=3)
    assert corner_error(found(made, listed)) < corner_error(found(made, None)) + 0.01


def test_where_no_overlap_tells_the_list_stands() -> None:
    made = ToneSet(columns=1)
    assert found(made, TRUE).frames[0].vignetting == pytest.approx(TRUE, abs=1e-6)  # type: ignore[union-attr]
    assert found(made, None).frames[0].vignetting == pytest.approx((0.0, 0.0, 0.0))  # type: ignore[union-attr]


def test_little_light_in_common_leaves_less_error_from_a_good_start() -> None:
    """Two frames whose overlap is noisy, in the mean over eight sets."""
    errors = np.zeros(2)
    for seed in range(8):
        made = ToneSet(columns=2, noise=0.08, seed=seed, width=120, height=160, level_pixels=3000)
        errors += [corner_error(found(made, TRUE)), corner_error(found(made, None))]
    assert errors[0] < errors[1]

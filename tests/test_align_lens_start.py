"""A listed distortion to start from: it helps where frames hardly overlap, and a wrong one does no harm."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest

from belvedere.align.alignment import Alignment
from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.lens_shown import shown_by
from belvedere.demo.spec import SimulatedLens
from belvedere.errors import NothingToMake
from belvedere.optics.lens_fit import RadialFit
from test_align_sets import Shot, disagreement_px, place_errors, shoot

LENS = SimulatedLens("Ilvane 24 mm f/4", (-0.1, 0.02, 0.0), (0.05, 0.03))


@lru_cache(maxsize=4)
def thin(overlap: float, seed: int = 0) -> Shot:
    """A wide row with strong distortion whose frames overlap little."""
    return shoot("row", megapixels=0.6, columns=3, overlap=overlap, focal_mm=24.0, lens=LENS, seed=seed)


def solved(shot: Shot, share: float | None, **options: int) -> Alignment | None:
    """The alignment from a listed distortion that is `share` of the truth; None: nothing to make."""
    starts = ()
    if share is not None:
        camera, metadata = shot.truth.frames[0].camera, shot.frames[0].metadata
        corner = math.hypot(metadata.stored_width, metadata.stored_height) / 2.0 / camera.focal_px
        k1, k2, k3 = (share * k for k in camera.distortion)
        fit = RadialFit(1.0, (k1 * corner**2, k2 * corner**4, k3 * corner**6), 0.0)
        starts = ((shown_by(metadata, with_stop=False), fit),)
    try:
        return estimate_alignment(shot.source, shot.frames, AlignOptions(lens_starts=starts, **options))
    except NothingToMake:
        return None


def test_where_few_details_are_shared_a_start_finds_what_else_is_lost() -> None:
    """Two hundred features a frame, an eighth of overlap, two places; a list 20 % off helps as well."""
    few = {"features_per_frame": 200, "ties_per_pair": 10}
    used = dict.fromkeys((None, -1.0, 1.0, 1.2), 0)
    for seed in (0, 2):
        shot = thin(0.12, seed)
        for share in used:
            found = solved(shot, share, **few)
            used[share] += 0 if found is None else len(found.used)
            if found is not None and share in (1.0, 1.2):
                assert place_errors(shot.truth, found).max() < 2e-3
    assert used[1.0] == used[1.2] == 6
    assert used[None] < 6
    assert used[-1.0] >= used[None]


def test_tie_points_overrule_the_list_right_or_wrong() -> None:
    shot = thin(0.2)
    without = solved(shot, None)
    assert without is not None
    assert without.used == (0, 1, 2)
    before = np.sqrt(np.mean(disagreement_px(shot.truth, without) ** 2))
    for share in (1.0, -1.0):
        found = solved(shot, share)
        assert found is not None
        assert found.used == without.used
        assert np.sqrt(np.mean(disagreement_px(shot.truth, found) ** 2)) < before + 0.01
        camera = found.frames[0].camera
        assert camera is not None
        assert camera.distortion[0] == pytest.approx(-0.1, abs=2e-3)


def test_a_listed_focal_factor_is_held_against_the_pictures_too() -> None:
    """A list whose formula makes the lens 20 % longer: the pictures are followed."""
    shot = thin(0.2)
    fit = RadialFit(1.2, (0.05, 0.0, 0.0), 0.0)
    options = AlignOptions(lens_starts=((shown_by(shot.frames[0].metadata, with_stop=False), fit),))
    found = estimate_alignment(shot.source, shot.frames, options)
    camera = found.frames[0].camera
    assert camera is not None
    assert camera.focal_px == pytest.approx(shot.truth.frames[0].camera.focal_px, rel=1e-3)

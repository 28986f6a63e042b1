"""What a lens list says of a lens comes back in our terms, at the right scale, and only for that lens."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.optics.lens_fit import fit_fall, fit_radial
from belvedere.optics.lens_list import Shown, lens_start
from lens_entries import FALL, lens_list

SHOWN = Shown("Quenlith", "Quenlith Q24", "Ilvane 50 mm f/2", 50.0, 8.0, None, 6000, 4000)
POLY3 = '<distortion model="poly3" focal="50" k1="-0.02"/>'
POLY5 = '<distortion model="poly5" focal="50" k1="-0.02" k2="0.004"/>'
PTLENS = '<distortion model="ptlens" focal="50" a="0.01" b="-0.03" c="0.005"/>'


def by_formula(entry: str, r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Drawn radius over ideal radius r, in halves of the short side; the list's formulas, from memory."""
    if entry == POLY3:
        return 1.0 + 0.02 - 0.02 * r**2
    if entry == POLY5:
        return 1.0 - 0.02 * r**2 + 0.004 * r**4
    a, b, c = 0.01, -0.03, 0.005
    return a * r**3 + b * r**2 + c * r + 1.0 - a - b - c


@pytest.mark.parametrize("entry", [POLY3, POLY5, PTLENS])
@pytest.mark.parametrize(("model", "crop"), [("Quenlith Q24", 1.0), ("Quenlith Q15", 1.5)])
@pytest.mark.parametrize("size", [(6000, 4000), (4000, 6000)])
def test_formulas_come_back_at_the_scale_of_the_sensor(
    entry: str, model: str, crop: float, size: tuple[int, int]
) -> None:
    """Halves of the short side of the sensor the lens was measured on: 24 x 36 mm here, whatever ours is."""
    found = lens_start(replace(SHOWN, model=model, width=size[0], height=size[1]), lens_list(entry))
    assert found is not None
    fit = found.distortion
    assert fit is not None
    ideal = np.linspace(0.02, 1.0, 50)  # half diagonals of our sensor
    halves = ideal * math.hypot(1.0, 1.5) / crop
    ours = fit.focal_factor * (1.0 + sum(a * ideal ** (2 * k + 2) for k, a in enumerate(fit.corner)))
    assert np.abs(ideal * (ours - by_formula(entry, halves))).max() < 2e-4
    assert fit.residual < 1e-4
    k1, k2, k3 = fit.distortion(0.5)
    assert (k1 * 0.25, k2 * 0.0625, k3 * 0.015625) == pytest.approx(fit.corner)


def test_a_sensor_of_another_shape_counts_by_its_own_short_side() -> None:
    """A lens measured on 4:3: its unit is 0.3 of the diagonal, where that of 3:2 is 0.277."""
    found = lens_start(replace(SHOWN, width=4000, height=3000), lens_list(POLY3, aspect="4:3"))
    assert found is not None
    assert found.distortion is not None
    assert found.distortion.corner[0] == pytest.approx(-0.02 / 1.02 / 0.6**2, rel=2e-3)


@pytest.mark.parametrize(("model", "crop"), [("Quenlith Q24", 1.0), ("Quenlith Q15", 1.5)])
def test_vignetting_comes_back_at_the_scale_of_the_sensor(model: str, crop: float) -> None:
    found = lens_start(replace(SHOWN, model=model), lens_list(POLY3))
    assert found is not None
    assert found.fall is not None
    q = np.linspace(0.0, 1.0, 20)
    ours = 1.0 + sum(a * q ** (k + 1) for k, a in enumerate(found.fall.coefficients))
    listed = 1.0 + sum(a * (q / crop**2) ** (k + 1) for k, a in enumerate(FALL))
    np.testing.assert_allclose(ours, listed, atol=2e-3)
    assert found.fall.residual < 1e-4


def test_names_count_but_for_case_and_spaces_and_a_maker_before_them() -> None:
    for lens in ("ILVANE 50mm F2", "Ilvane Ilvane 50 mm f/2"):
        assert lens_start(replace(SHOWN, lens=lens), lens_list(POLY3)) is not None
    for lens in ("Ilvane 50 mm f/2.8", "Ilvane 50 mm", "50 mm f/2", "", None):
        assert lens_start(replace(SHOWN, lens=lens), lens_list(POLY3)) is None


def test_what_does_not_fit_is_not_taken() -> None:
    assert lens_start(replace(SHOWN, focal_mm=None), lens_list(POLY3)) is None
    assert lens_start(replace(SHOWN, focal_mm=35.0), lens_list(POLY3)) is None
    assert lens_start(SHOWN, lens_list(POLY3, crop=1.5)) is None  # measured on a smaller sensor
    assert lens_start(SHOWN, lens_list(POLY3, kind="fisheye")) is None
    assert lens_start(replace(SHOWN, model="Brevalin C5"), lens_list(POLY3)) is None  # sensor unknown
    by_tags = lens_start(replace(SHOWN, model="Brevalin C5", crop_factor=1.0), lens_list(POLY3))
    assert by_tags == lens_start(SHOWN, lens_list(POLY3))


def test_vignetting_is_taken_near_a_measured_stop_alone() -> None:
    for stop, taken in ((8.0, True), (9.0, True), (2.0, False), (None, False)):
        found = lens_start(replace(SHOWN, f_number=stop), lens_list(POLY3))
        assert found is not None
        assert (found.fall is not None) == taken


def test_the_list_that_is_installed_is_understood() -> None:
    """Of its rectilinear lenses, each sixtieth: the formula is kept to a hundredth of half the diagonal."""
    import lensfunpy

    database = lensfunpy.Database(load_common=False)
    lenses = [v for v in database.lenses if int(v.type.value) == 1 and v.calib_distortion]
    understood = 0
    for lens in lenses[::60]:
        focal = float(lens.calib_distortion[0].focal)
        shown = Shown(None, None, lens.model, focal, 8.0, float(lens.crop_factor), 6000, 4000)
        found = lens_start(shown, database)
        if found is not None and found.distortion is not None:
            understood += 1
            assert found.distortion.residual < 0.01
            assert found.distortion.focal_factor == pytest.approx(1.0, abs=0.15)
    assert understood > 0.8 * len(lenses[::60])


def test_a_drawing_that_turns_back_and_too_few_radii_are_refused() -> None:
    r = np.linspace(0.05, 1.0, 20)
    with pytest.raises(ValueError, match="grows"):
        fit_radial(r, r * (1.0 - 0.9 * r**2))
    with pytest.raises(ValueError, match="8 or more"):
        fit_radial(r[:5], r[:5])
    with pytest.raises(ValueError, match="light"):
        fit_fall(r, 1.0 - 1.2 * r**2)

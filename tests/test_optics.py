"""Focal length from tags, angle of view and print arithmetic against known answers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.optics.angle_of_view import angle_of_view, focal_length_for
from belvedere.optics.focal import (
    FILM_DIAGONAL_MM,
    best_focal,
    focal_candidates,
    focal_px_from_35mm,
    is_plausible_sensor,
)
from belvedere.optics.print_size import pixels_for, print_size


def test_both_tags_of_a_full_frame_camera_agree() -> None:
    # 36 x 24 mm at 6000 x 4000 px: 50 mm is 50 * 6000 / 36 px.
    found = focal_candidates(6000, 4000, focal_mm=50.0, focal_35mm=50.0, focal_plane_px_per_mm=6000 / 36)
    assert [c.evidence for c in found] == ["focal-plane-resolution", "35-mm-equivalent"]
    for c in found:
        assert c.focal_px == pytest.approx(50 * 6000 / 36, rel=1e-12)
        assert c.sensor_width_mm == pytest.approx(36.0, rel=1e-12)
        assert c.doubt is None
        assert 0.0 < c.sigma < 0.03


def test_film_diagonal_is_43_27_mm() -> None:
    # CIPA DCG-001 compares diagonals; 43.27 mm is the diagonal it prints (cited from memory).
    assert pytest.approx(43.27, abs=0.005) == FILM_DIAGONAL_MM


def test_four_thirds_equivalent_is_by_the_diagonal_and_its_sigma_covers_widths() -> None:
    # 17.3 x 13.0 mm, 5184 x 3888 px, 25 mm: the diagonal says 50 mm on film (factor 2.0).
    c = focal_candidates(5184, 3888, focal_mm=25.0, focal_35mm=50.0)[0]
    assert c.focal_px == pytest.approx(25.0 * 5184 / 17.3, rel=0.01)
    by_width = 50.0 * 5184 / 36.0
    assert abs(math.log(by_width / c.focal_px)) < 2.0 * c.sigma


def test_focal_plane_of_an_unreduced_picture_is_caught_by_the_35mm_equivalent() -> None:
    # Reduced from 6000 to 1500 px with the tags kept: the focal plane is wrong by 4.
    found = focal_candidates(1500, 1000, focal_mm=50.0, focal_35mm=50.0, focal_plane_px_per_mm=6000 / 36)
    best = best_focal(found)
    assert best is not None
    assert best.evidence == "35-mm-equivalent"
    assert best.focal_px == pytest.approx(50 * 1500 / 36, rel=1e-9)
    assert all(c.doubt and "reduced or cropped" in c.doubt for c in found)
    wrong = found[1]
    assert abs(math.log(wrong.focal_px / best.focal_px)) <= wrong.sigma


def test_absurd_sensor_counts_for_nothing_but_is_named() -> None:
    # A compact's 1.9 mm wide "sensor": tags of a picture 4 times as wide.
    found = focal_candidates(900, 675, focal_mm=7.4, focal_plane_px_per_mm=3648 / 7.6)
    assert len(found) == 1
    assert math.isinf(found[0].sigma)
    assert found[0].doubt == "the focal-plane tag would mean a sensor 1.88 mm wide"
    assert best_focal(found) is None


@pytest.mark.parametrize("nothing", [None, 0.0, -3.0, math.nan, math.inf])
def test_absent_or_senseless_values_give_no_candidate(nothing: float | None) -> None:
    assert focal_candidates(600, 400, focal_mm=nothing, focal_35mm=nothing, focal_plane_px_per_mm=170) == ()
    assert focal_candidates(600, 400, focal_mm=50.0, focal_plane_px_per_mm=nothing) == ()


@given(
    st.integers(16, 20000), st.integers(16, 20000), st.floats(4, 900), st.floats(3, 900), st.floats(1, 900)
)
def test_candidates_are_sorted_positive_and_the_same_sideways(
    width: int, height: int, focal_mm: float, focal_35mm: float, px_per_mm: float
) -> None:
    def of(w: int, h: int) -> list[tuple[str, float]]:
        found = focal_candidates(
            w, h, focal_mm=focal_mm, focal_35mm=focal_35mm, focal_plane_px_per_mm=px_per_mm
        )
        assert [c.sigma for c in found] == sorted(c.sigma for c in found)
        assert all(c.sigma > 0 and c.focal_px > 0 for c in found)
        return sorted((c.evidence, c.focal_px) for c in found)

    assert of(width, height) == of(height, width)


def test_plausible_sensors() -> None:
    assert all(is_plausible_sensor(w) for w in (4.8, 6.17, 13.2, 17.3, 23.6, 35.9, 53.4))
    assert not is_plausible_sensor(1.9)
    assert not is_plausible_sensor(200.0)


def test_angle_of_view_of_a_50_mm_lens() -> None:
    # ISO/film tables: 50 mm on 24 x 36 mm sees 46.8 degrees across the diagonal, 39.6 across the width
    # (S. F. Ray, Applied Photographic Optics, cited from memory).
    assert math.degrees(angle_of_view(FILM_DIAGONAL_MM, 50.0)) == pytest.approx(46.8, abs=0.05)
    assert math.degrees(angle_of_view(36.0, 50.0)) == pytest.approx(39.6, abs=0.05)
    assert angle_of_view(0.0, 50.0) == 0.0


@given(st.floats(1e-3, math.pi - 1e-3), st.floats(0.1, 1e5))
def test_angle_and_focal_length_are_inverse(angle: float, extent: float) -> None:
    assert angle_of_view(extent, focal_length_for(angle, extent)) == pytest.approx(angle, rel=1e-9)


def test_35mm_focal_length_keeps_the_diagonal_angle() -> None:
    f = focal_px_from_35mm(4000, 3000, 35.0)
    assert angle_of_view(5000.0, f) == pytest.approx(angle_of_view(FILM_DIAGONAL_MM, 35.0), rel=1e-12)


def test_print_size_at_300_ppi() -> None:
    # 1 inch is 25.4 mm exactly (ISO 80000-3).
    size = print_size(30000, 9000)
    assert (size.width_in, size.height_in) == pytest.approx((100.0, 30.0))
    assert (size.width_mm, size.height_mm) == pytest.approx((2540.0, 762.0))
    assert pixels_for(25.4, 300) == 300
    assert pixels_for(25.5, 300) == 302


@given(st.integers(1, 10**7), st.floats(1.0, 5000.0))
def test_a_print_needs_the_pixels_it_was_made_of(width: int, ppi: float) -> None:
    assert pixels_for(print_size(width, 1, ppi).width_mm, ppi) == width


@pytest.mark.parametrize("ppi", [0.0, -1.0, math.nan, math.inf])
def test_senseless_resolution_is_refused(ppi: float) -> None:
    with pytest.raises(ValueError, match="pixels per inch"):
        print_size(100, 100, ppi)
    with pytest.raises(ValueError, match="pixels per inch"):
        pixels_for(100.0, ppi)

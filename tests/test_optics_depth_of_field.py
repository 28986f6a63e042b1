"""Depth of field, close focus and diffraction: handbook values, exact identities, inverses."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.special import j1

from belvedere.errors import PlanError
from belvedere.optics.angle_of_view import angle_of_view, focal_length_for
from belvedere.optics.close_focus import (
    angle_of_view_close,
    effective_focal_mm,
    magnification,
    working_f_number,
)
from belvedere.optics.depth_of_field import (
    blur_disc_mm,
    classic_circle_of_confusion,
    depth_of_field,
    disc_of_confusion_mm,
    f_number_for_near_limit,
    hyperfocal_distance_m,
    pixel_circle_of_confusion,
)
from belvedere.optics.diffraction import (
    FIRST_DARK_RING,
    airy_diameter_mm,
    airy_in_pixels,
    contrast_at_pixels,
    diffraction_mtf,
    f_number_for_airy,
)
from belvedere.optics.focal import FILM_DIAGONAL_MM

focals = st.floats(4.0, 1200.0)
f_numbers = st.floats(0.9, 64.0)
circles = st.floats(0.001, 0.2)


@pytest.mark.parametrize(
    ("focal_mm", "diagonal_deg", "width_deg", "height_deg"),
    # 24 x 36 mm, focused at infinity: the table of angles of view that handbooks print (S. F. Ray, Applied
    # Photographic Optics; R. E. Jacobson et al., The Manual of Photography; cited from memory, rounded).
    [
        (20, 94, 84, 62),
        (24, 84, 74, 53),
        (35, 63, 54, 38),
        (50, 47, 40, 27),
        (135, 18, 15, 10),
        (200, 12, 10, 7),
    ],
)
def test_angles_of_view_of_the_handbooks(
    focal_mm: float, diagonal_deg: float, width_deg: float, height_deg: float
) -> None:
    for extent, expected in ((FILM_DIAGONAL_MM, diagonal_deg), (36.0, width_deg), (24.0, height_deg)):
        assert math.degrees(angle_of_view(extent, focal_mm)) == pytest.approx(expected, abs=0.6)


def test_life_size_halves_the_image_angle() -> None:
    # At 1:1 a symmetrical lens stands 2 f from the film (any handbook; thin lens).
    assert magnification(50.0, 0.1) == pytest.approx(1.0)
    assert effective_focal_mm(50.0, 1.0) == pytest.approx(100.0)
    assert angle_of_view_close(36.0, 50.0, 1.0) == pytest.approx(angle_of_view(36.0, 100.0))
    # Two stops lost at 1:1, so the lens set to 8 works as 16 (The Manual of Photography, cited from memory).
    assert working_f_number(8.0, 1.0) == pytest.approx(16.0)
    # A telephoto of pupil magnification 1/2 loses more: N (1 + m/p) = 3 N.
    assert working_f_number(8.0, 1.0, 0.5) == pytest.approx(24.0)


def test_angle_at_the_entrance_pupil_by_tracing_the_chief_ray() -> None:
    # Front principal plane at 0, object at -u; entrance pupil f / p behind the front focal point at -f.
    f, m, p, extent = 80.0, 0.2, 0.7, 36.0
    u = f * (1.0 + 1.0 / m)
    pupil = -f + f / p
    half_object = extent / 2.0 / m
    assert angle_of_view_close(extent, f, m, p) == pytest.approx(2 * math.atan(half_object / (u + pupil)))


@given(focals, st.floats(1e-6, 5.0), st.floats(0.3, 3.0))
def test_focused_close_a_lens_sees_less(f: float, m: float, p: float) -> None:
    assert magnification(f, f / 1e3 * (1.0 + 1.0 / m)) == pytest.approx(m, rel=1e-6)
    assert angle_of_view_close(36.0, f, m, p) < angle_of_view(36.0, f)
    assert angle_of_view_close(36.0, f, 0.0, p) == angle_of_view(36.0, f)


def test_hyperfocal_distances_of_the_handbooks() -> None:
    # f^2 / (N c): 50 mm at f/8 and 0.03 mm gives 10.4 m, 28 mm at f/11 and 0.03 mm 2.4 m (the textbook
    # arithmetic of Jacobson et al. and of Ray, cited from memory, without the "+ f"; here with it).
    assert hyperfocal_distance_m(50.0, 8.0, 0.03) == pytest.approx(10.417 + 0.050, abs=1e-3)
    assert hyperfocal_distance_m(28.0, 11.0, 0.03) == pytest.approx(2.376 + 0.028, abs=1e-3)


def test_depth_of_field_of_a_normal_lens() -> None:
    # Worked by hand: f 50 mm, N 8, c 0.03 mm, s 5 m; H - f = 10416.7 mm.
    # near 5000 * 10416.7 / (10466.7 + 5000 - 100) = 3389.4 mm; far 5000 * 10416.7 / 5466.7 = 9527.4 mm.
    d = depth_of_field(50.0, 8.0, 0.03, 5.0)
    assert d.near_m == pytest.approx(3.3894, abs=1e-4)
    assert d.far_m == pytest.approx(9.5275, abs=1e-4)
    assert d.total_m == pytest.approx(6.138, abs=1e-3)


def test_classic_and_pixel_circles() -> None:
    assert classic_circle_of_confusion(36.0, 24.0) == pytest.approx(0.0288, abs=1e-4)
    # 1/1730 of the diagonal is the lens makers' 0.025 mm for 24 x 36 mm (cited from memory).
    assert classic_circle_of_confusion(36.0, 24.0, 1730) == pytest.approx(0.025, abs=1e-4)
    assert pixel_circle_of_confusion(0.004) == 0.008
    assert pixel_circle_of_confusion(0.004, 1.0) == 0.004


@given(focals, f_numbers, circles)
def test_focused_at_the_hyperfocal_distance_all_from_half_of_it_is_sharp(
    f: float, n: float, c: float
) -> None:
    h = hyperfocal_distance_m(f, n, c)
    d = depth_of_field(f, n, c, h)
    assert d.near_m == pytest.approx(h / 2.0, rel=1e-12)
    assert d.far_m == math.inf
    assert d.total_m == math.inf
    assert f_number_for_near_limit(f, c, h / 2.0) == pytest.approx(n, rel=1e-9)
    # A millionth short of it the far limit is finite, a million times H - f away.
    short = h * (1.0 - 1e-6)
    assume(short > f / 1e3)
    assert depth_of_field(f, n, c, short).far_m == pytest.approx(1e6 * (h - f / 1e3), rel=1e-3)


@given(focals, f_numbers, circles, st.floats(1.01, 1e5))
def test_at_the_limits_the_blur_is_the_circle_of_confusion(
    f: float, n: float, c: float, times: float
) -> None:
    focus = f / 1e3 * times
    d = depth_of_field(f, n, c, focus)
    assert 0.0 < d.near_m <= focus <= d.far_m
    reach = hyperfocal_distance_m(f, n, c)
    assume(abs(focus / reach - 1.0) > 1e-6 and focus - d.near_m > 1e-6 * focus)
    assert blur_disc_mm(f, n, focus, d.near_m) == pytest.approx(c, rel=1e-6)
    assert blur_disc_mm(f, n, focus, focus) == 0.0
    if math.isfinite(d.far_m):
        assert blur_disc_mm(f, n, focus, d.far_m) == pytest.approx(c, rel=1e-5)
    else:
        assert blur_disc_mm(f, n, focus, math.inf) <= c * (1.0 + 1e-9)


@given(focals, f_numbers, circles)
def test_focused_at_infinity(f: float, n: float, c: float) -> None:
    d = depth_of_field(f, n, c, math.inf)
    assert d.near_m == pytest.approx(hyperfocal_distance_m(f, n, c) - f / 1e3, rel=1e-12)
    assert blur_disc_mm(f, n, math.inf, d.near_m) == pytest.approx(c, rel=1e-9)
    assert blur_disc_mm(f, n, math.inf, math.inf) == 0.0


@given(focals, f_numbers, st.floats(2.0, 1e4), st.floats(2.0, 1e4))
def test_blur_at_the_object_is_the_blur_on_the_sensor_projected(
    f: float, n: float, focus: float, at: float
) -> None:
    # Similar triangles: the sensor's blur belongs to an image whose scale at distance x is f s / (x (s - f)).
    scale = magnification(f, focus) * focus / at
    assert disc_of_confusion_mm(f, n, focus, at) * scale == pytest.approx(
        blur_disc_mm(f, n, focus, at), rel=1e-9, abs=1e-12
    )
    # H. M. Merklinger, The INs and OUTs of Focus: at infinity focus, the entrance pupil's diameter everywhere
    # (cited from memory).
    assert disc_of_confusion_mm(f, n, math.inf, at) == f / n


def test_airy_disc_of_hecht() -> None:
    # E. Hecht, Optics, section 10.2.5: the first zero of J1 is at 3.83, so q1 = 1.22 f lambda / D
    # (cited from memory). Here the zero itself is checked too.
    assert j1(math.pi * FIRST_DARK_RING) == pytest.approx(0.0, abs=1e-15)
    assert pytest.approx(1.22, abs=5e-4) == FIRST_DARK_RING
    # f/16 at 550 nm: 2.44 * 0.55 um * 16 = 21.5 um.
    assert airy_diameter_mm(16.0) * 1e3 == pytest.approx(21.47, abs=0.01)
    assert airy_diameter_mm(8.0, 500e-6) * 1e3 == pytest.approx(9.76, abs=0.01)


def test_a_perfect_lens_at_its_cut_off_and_below() -> None:
    # Cut-off 1 / (lambda N): 1818 lines per mm over N at 550 nm; half of it leaves 0.391 (Goodman's curve,
    # cited from memory; 2/pi (acos 1/2 - 1/2 sqrt 3/4) = 0.3910).
    assert diffraction_mtf(1818.2 / 8.0, 8.0) == pytest.approx(0.0, abs=1e-6)
    assert diffraction_mtf(0.5 / (550e-6 * 8.0), 8.0) == pytest.approx(0.3910, abs=1e-4)
    assert diffraction_mtf(0.0, 8.0) == 1.0
    assert diffraction_mtf(1e6, 8.0) == 0.0


def test_the_mtf_is_the_airy_pattern_transformed() -> None:
    # Hankel transform of (2 J1(v)/v)^2 by summation, against the closed form.
    n, wavelength, k = 11.0, 550e-6, 60.0
    r = (np.arange(400_000) + 0.5) * 5e-6
    v = np.pi * r / (wavelength * n)
    airy = (2.0 * j1(v) / v) ** 2
    from scipy.special import j0

    ratio = float(np.sum(airy * j0(2 * np.pi * k * r) * r) / np.sum(airy * r))
    assert diffraction_mtf(k, n, wavelength) == pytest.approx(ratio, abs=0.01)


@given(st.floats(0.0008, 0.02), st.floats(0.5, 4.0))
def test_f_number_and_airy_disc_are_inverse(pitch: float, pixels: float) -> None:
    n = f_number_for_airy(pitch, pixels)
    assert airy_in_pixels(n, pitch) == pytest.approx(pixels, rel=1e-12)
    assert 0.0 <= contrast_at_pixels(2.0 * n, pitch) <= contrast_at_pixels(n, pitch) <= 1.0


@pytest.mark.parametrize("bad", [0.0, -50.0, math.nan, math.inf])
def test_senseless_lenses_are_refused_in_words(bad: float) -> None:
    with pytest.raises(PlanError, match="the focal length must be a number above 0 mm, not"):
        hyperfocal_distance_m(bad, 8.0, 0.03)
    with pytest.raises(PlanError, match="the f-number must be a number above 0, not"):
        depth_of_field(50.0, bad, 0.03, 5.0)
    with pytest.raises(PlanError, match="the circle of confusion must be"):
        depth_of_field(50.0, 8.0, bad, 5.0)
    with pytest.raises(PlanError, match="the f-number must be"):
        airy_diameter_mm(bad)
    with pytest.raises(PlanError, match="the pixel pitch must be"):
        f_number_for_airy(bad)
    with pytest.raises(PlanError, match="the focal length must be"):
        angle_of_view(36.0, bad)
    with pytest.raises(PlanError, match="the pupil magnification must be"):
        effective_focal_mm(50.0, 0.1, bad)


def test_what_cannot_be_says_what_can() -> None:
    with pytest.raises(
        PlanError, match="no lens that keeps straight lines straight sees 200 degrees; it must be"
    ):
        focal_length_for(math.radians(200.0), 36.0)
    with pytest.raises(PlanError, match=r"nothing at 0.04 m can be in focus .* 50 mm; focus beyond 0.05 m"):
        depth_of_field(50.0, 8.0, 0.03, 0.04)
    with pytest.raises(PlanError, match=r"not -0\.1"):
        effective_focal_mm(50.0, -0.1)
    with pytest.raises(PlanError, match="0 or above, not -1"):
        diffraction_mtf(-1.0, 8.0)
    with pytest.raises(PlanError, match="0 or above, not -1"):
        angle_of_view(-1.0, 50.0)

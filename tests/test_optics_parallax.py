"""Parallax of a misplaced entrance pupil: the closed form against points projected by real cameras."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.errors import PlanError
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import direction, pose_matrix
from belvedere.optics.parallax import near_limit_m, parallax_px, pupil_shift_mm, rail_error_allowed_mm

WIDTH, HEIGHT, FOCAL = 400, 600, 620.0
CENTRE = np.array([(WIDTH - 1) / 2.0, (HEIGHT - 1) / 2.0])
CORNER = (WIDTH / 2.0, HEIGHT / 2.0)

errors = st.floats(0.1, 60.0)
steps = st.floats(0.02, 0.6)
pitches = st.floats(-1.2, 1.2)


def camera_at(yaw: float, pitch: float) -> Camera:
    upright = Camera(
        WIDTH, HEIGHT, FOCAL, (float(CENTRE[0]), float(CENTRE[1])), (0.0, 0.0, 0.0), (1, 0, 0, 0)
    )
    return upright.with_rotation(pose_matrix(yaw, pitch, 0.0).T)


def projected_shift(
    error_m: float, step: float, pitch: float, points: NDArray[np.float64], distances_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Shift in px of near points in the first frame, by two pupils and two cameras, and who sees both.

    The points stand on the rays of `points`, at these distances from the first pupil. The second camera
    projects them from its own pupil; the direction it sees is taken back into the first frame, as a stitcher
    that believes in pure rotation does.
    """
    first, second = camera_at(0.0, pitch), camera_at(step, pitch)
    pupil_1, pupil_2 = error_m * direction(0.0, pitch), error_m * direction(step, pitch)
    world = pupil_1 + first.rays(points) * distances_m[:, None]
    at_2, seen_2 = second.project(world - pupil_2)
    back, _ = first.project(second.rays(np.where(np.isfinite(at_2), at_2, 0.0)))
    return np.linalg.norm(back - points, axis=-1), seen_2


@given(
    st.floats(-60.0, 60.0), st.floats(0.5, 500.0), steps, pitches, st.floats(-180, 180), st.floats(-280, 280)
)
def test_closed_form_equals_projection(
    error_mm: float, distance: float, step: float, pitch: float, x: float, y: float
) -> None:
    point = CENTRE + np.array([x, y])
    expected, _ = projected_shift(error_mm / 1e3, step, pitch, point[None], np.array([distance]))
    got = parallax_px(error_mm, distance, yaw_step=step, focal_px=FOCAL, point_px=(x, y), pitch=pitch)
    if math.isfinite(expected[0]):
        assert got == pytest.approx(expected[0], rel=1e-7, abs=1e-8)


@given(errors, st.sampled_from([-1.0, 1.0]), st.floats(0.02, 0.55), st.floats(-0.9, 0.9), st.floats(0.3, 5.0))
def test_beyond_the_near_limit_nothing_in_the_overlap_shifts_further(
    error_mm: float, sign: float, step: float, pitch: float, pixels: float
) -> None:
    limit = near_limit_m(
        error_mm, yaw_step=step, focal_px=FOCAL, corner_px=CORNER, pitch=pitch, pixels=pixels
    )
    u, v = np.meshgrid(np.linspace(-0.5, WIDTH - 0.5, 17), np.linspace(-0.5, HEIGHT - 0.5, 17))
    points = np.stack([u.ravel(), v.ravel()], axis=-1)
    for times in (1.0, 1.5, 20.0):
        shift, seen = projected_shift(
            sign * error_mm / 1e3, step, pitch, points, np.full(len(points), limit * times)
        )
        assert (shift[seen] <= pixels * (1.0 + 1e-6)).all()


@given(errors, steps, pitches, st.floats(0.3, 5.0))
def test_at_the_limit_the_corner_shifts_by_just_as_much(
    error_mm: float, step: float, pitch: float, pixels: float
) -> None:
    limit = near_limit_m(
        error_mm, yaw_step=step, focal_px=FOCAL, corner_px=CORNER, pitch=pitch, pixels=pixels
    )
    y = -CORNER[1] if pitch > 0 else CORNER[1]  # the corner towards the zenith or nadir
    shift = parallax_px(-error_mm, limit, yaw_step=step, focal_px=FOCAL, point_px=(CORNER[0], y), pitch=pitch)
    assert shift == pytest.approx(pixels, rel=1e-9)


@given(errors, steps, pitches, st.floats(0.3, 5.0))
def test_limit_and_rail_are_inverse(error_mm: float, step: float, pitch: float, pixels: float) -> None:
    limit = near_limit_m(
        error_mm, yaw_step=step, focal_px=FOCAL, corner_px=CORNER, pitch=pitch, pixels=pixels
    )
    rail = rail_error_allowed_mm(
        limit, yaw_step=step, focal_px=FOCAL, corner_px=CORNER, pitch=pitch, pixels=pixels
    )
    assert rail == pytest.approx(error_mm, rel=1e-9)


def test_the_pupil_moves_along_the_chord() -> None:
    for pitch in (0.0, 0.7, -0.7):
        moved = np.linalg.norm(20.0 * (direction(0.4, pitch) - direction(0.0, pitch)))
        assert pupil_shift_mm(20.0, 0.4, pitch) == pytest.approx(moved, rel=1e-12)
        assert pupil_shift_mm(-20.0, 0.4, pitch) == pytest.approx(moved, rel=1e-12)
    assert pupil_shift_mm(20.0, 0.4, math.pi / 2) == pytest.approx(0.0, abs=1e-12)


def test_rows_by_swapping_the_sides() -> None:
    # A pitch step seen with the camera rolled by a quarter turn is a yaw step.
    limit = near_limit_m(10.0, yaw_step=0.5, focal_px=FOCAL, corner_px=(CORNER[1], CORNER[0]))
    low, high = camera_at(0.0, -0.25), camera_at(0.0, 0.25)
    point = CENTRE + np.array([CORNER[0], -CORNER[1]])  # upper corner of the lower frame
    pupils = -0.010 * direction(0.0, -0.25), -0.010 * direction(0.0, 0.25)
    at, _ = high.project(pupils[0] + low.rays(point) * limit - pupils[1])
    back, _ = low.project(high.rays(at))
    assert float(np.linalg.norm(back - point)) == pytest.approx(1.0, rel=1e-6)


def test_a_perfect_rail_has_no_near_limit_and_infinity_no_parallax() -> None:
    assert near_limit_m(0.0, yaw_step=0.3, focal_px=FOCAL, corner_px=CORNER) == 0.0
    assert parallax_px(30.0, math.inf, yaw_step=0.3, focal_px=FOCAL) == 0.0


def test_bad_input_is_refused_in_words() -> None:
    with pytest.raises(PlanError, match="step must lie between 0 and 180 degrees, not 200"):
        near_limit_m(10.0, yaw_step=math.radians(200), focal_px=FOCAL, corner_px=CORNER)
    with pytest.raises(PlanError, match="the focal length must be a number above 0 pixels, not -5 pixels"):
        parallax_px(10.0, 5.0, yaw_step=0.3, focal_px=-5.0)
    with pytest.raises(PlanError, match="pitch must lie within 90 degrees"):
        pupil_shift_mm(10.0, 0.3, 2.0)
    with pytest.raises(PlanError, match="the near distance must be a number above 0 m, not 0 m"):
        rail_error_allowed_mm(0.0, yaw_step=0.3, focal_px=FOCAL, corner_px=CORNER)
    with pytest.raises(PlanError, match="parallax allowed must be"):
        near_limit_m(10.0, yaw_step=0.3, focal_px=FOCAL, corner_px=CORNER, pixels=0.0)
    with pytest.raises(PlanError, match="rail error must be a number of mm, not nan"):
        near_limit_m(math.nan, yaw_step=0.3, focal_px=FOCAL, corner_px=CORNER)
    with pytest.raises(PlanError, match="beside the lens"):
        parallax_px(-1000.0, 0.05, yaw_step=1.0, focal_px=FOCAL)

"""Whether the lens turned about its entrance pupil: parallax of the near ground in the overlaps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import pair_words
from belvedere.survey.checking.overlap_field import OverlapField, cameras_of
from belvedere.survey.checking.turn_fit import TurnFit, pupil_shift

HEIGHT_M = 1.5
"""Height of the entrance pupil above the ground where nothing tells; common practice, no published source."""
_SEAM_PX = 2.0  # parallax from which a seam may show; common practice, no published source
_SIGMAS = 5.0
_BETTER = 0.015  # of a detail's log cost, mean over all, that the pupil must take off; no published source
_LEAST_NEAR = 12  # details on the near ground that must be there to speak of it
_NEAR_DOWN = 0.2  # sine of the angle below the horizon from which ground counts as near


def examine_parallax(
    checked: Checked,
    fields: Sequence[OverlapField],
    fit: TurnFit,
    *,
    nearest_ground_m: float | None = None,
) -> tuple[Finding, ...]:
    """Look for an entrance pupil off the pan axis, by what near ground shows in the overlaps.

    Parameters
    ----------
    checked : Checked
        The set; its alignment is level.
    fields : sequence of OverlapField
        Its overlaps, as `measure_fields` gives them.
    fit : TurnFit
        Of these, by `fit_checked`.
    nearest_ground_m : float or None
        Distance from the lens to the nearest ground that any frame shows, m; None: a camera 1.5 m above it.

    Returns
    -------
    tuple of Finding
        "parallax", a risk: `offset_mm` is how far the pupil stands before the axis (negative: behind it),
        with `offset_sigma_mm`; `parallax_px` the largest in an overlap, px of the frames.
    """
    cameras = cameras_of(checked)
    details = sum(int(np.count_nonzero(np.isfinite(left))) for left in fit.left_px)
    if abs(fit.pupil) < _SIGMAS * fit.pupil_sigma or fit.gain > -_BETTER * details:
        return ()
    worst, near = _largest(cameras, fields, fit.pupil)
    if worst is None or near < _LEAST_NEAR or worst[0] < _SEAM_PX:
        return ()
    height = _height(cameras, nearest_ground_m)
    return (_finding(checked.frames, worst, fit, height, nearest_ground_m is not None),)


def _largest(
    cameras: Mapping[int, Camera], fields: Sequence[OverlapField], pupil: float
) -> tuple[tuple[float, int, int] | None, int]:
    """Largest parallax of a detail, px, and in which pair; and how many details lie on near ground."""
    worst, near = None, 0
    for f in fields:
        if not len(f.points_a):
            continue
        rays = cameras[f.a].rays(f.points_a)
        near += int(np.count_nonzero(rays[:, 1] > _NEAR_DOWN))
        apart = pupil_shift(cameras[f.a], rays) - pupil_shift(cameras[f.b], rays)
        px = abs(pupil) * cameras[f.a].focal_px * float(np.linalg.norm(apart, axis=1).max())
        if worst is None or px > worst[0]:
            worst = (px, f.a, f.b)
    return worst, near


def _height(cameras: Mapping[int, Camera], nearest_ground_m: float | None) -> float:
    """Height of the camera above the ground, m: the nearest ground is seen most steeply from above."""
    if nearest_ground_m is None:
        return HEIGHT_M
    down = max(float(c.rays(_rim(c))[:, 1].max()) for c in cameras.values())
    return nearest_ground_m * max(down, 0.05)


def _rim(camera: Camera) -> NDArray[np.float64]:
    """Points along the frame's edges, px."""
    t = np.linspace(0.0, 1.0, 17)
    zero, one = np.zeros_like(t), np.ones_like(t)
    share = np.concatenate([np.column_stack(p) for p in ((t, zero), (t, one), (zero, t), (one, t))])
    return np.asarray(share * np.array([camera.width - 1.0, camera.height - 1.0]))


def _finding(
    frames: Sequence[Frame], worst: tuple[float, int, int], fit: TurnFit, height: float, told: bool
) -> Finding:
    px, a, b = worst
    offset, sigma = 1000.0 * fit.pupil * height, 1000.0 * fit.pupil_sigma * height
    way, slide = ("before", "back") if offset > 0.0 else ("behind", "forward")
    given = "for the ground's distance as given" if told else f"for a camera {HEIGHT_M:g} m above the ground"
    words = (
        f"near ground shifts by up to {px:.0f} px between {pair_words(frames, a, b)}: the entrance pupil is "
        f"about {abs(offset):.0f} mm {way} the pan axis ({given}), and seams through that ground may show; "
        f"slide the camera {slide} by that much, and shoot again if that ground matters"
    )
    numbers = {"parallax_px": px, "offset_mm": offset, "offset_sigma_mm": sigma, "height_m": height}
    return Finding("parallax", "risk", (a, b), words, numbers)

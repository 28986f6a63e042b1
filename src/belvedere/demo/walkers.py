"""People who walk through while the set is shot."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.poses import Shot
from belvedere.demo.spec import SetSpec
from belvedere.demo.standing import WALKER, Standing, box_in_frame, draw_standing
from belvedere.demo.truth import FrameTruth, WalkerSeen
from belvedere.geometry.rotation import yaw_pitch_roll

_LANES = (-0.19, -0.24, -0.30, -0.37)  # e of the feet; no figure reaches into the next lane
_TALL_M = 1.75
_SPEED_M_S = 1.25
_HALF_WIDTH = 0.20  # of the height
_STRIDES_PER_S = 0.9


def walkers_at(spec: SetSpec, shots: tuple[Shot, ...], index: int) -> tuple[tuple[int, Standing], ...]:
    """The walkers (number, figure) at the moment of one frame, far ones first.

    Walker k crosses the overlap of two neighbours just when these two are shot, so both show it, at
    different places. Those of a lane keep their distance: none ever hides another.
    """
    neighbours = [(a, b) for a, b in pairwise(shots) if a.row == b.row and a.belongs and b.belongs] or [
        (shots[0], shots[0])
    ]
    rng = np.random.default_rng([spec.seed, 0x3A1])
    now = shots[index].seconds
    figures = []
    for k in range(spec.walkers):
        a, b = neighbours[k % len(neighbours)]
        foot = _LANES[(k // len(neighbours)) % len(_LANES)]
        distance = spec.place.eye_m / -foot
        heading = 1.0 if (k // len(neighbours)) % 2 == 0 else -1.0
        middle = math.atan2(*_horizontal(a) + _horizontal(b)) + rng.normal(0.0, 0.015)
        start = rng.random()
        elapsed = now - (a.seconds + b.seconds) / 2.0
        yaw = middle + heading * _SPEED_M_S * elapsed / distance
        phase = heading * (1.0 + (start + _STRIDES_PER_S * now) % 1.0)
        tall = _TALL_M / distance
        figures.append(
            (k, Standing(WALKER, yaw, foot, distance, _HALF_WIDTH * tall, tall, look_of(k), phase))
        )
    return tuple(sorted(figures, key=lambda f: -f[1].distance_m))


def look_of(walker: int) -> float:
    """Hue of a walker's jacket, 0 to 1; neighbours in number get hues far apart."""
    return (walker * 0.61803398875) % 1.0


def seen_in(spec: SetSpec, shots: tuple[Shot, ...], index: int) -> tuple[WalkerSeen, ...]:
    """Which walkers one frame shows, and where."""
    shot = shots[index]
    camera = shot.camera
    out = []
    for number, figure in walkers_at(spec, shots, index) if shot.belongs else ():
        box = box_in_frame(figure, camera, shot.centre_m)
        if box is None:
            continue
        whole = (
            box[0] >= -0.5
            and box[1] >= -0.5
            and box[2] <= camera.width - 0.5
            and box[3] <= camera.height - 0.5
        )
        out.append(WalkerSeen(number, box, whole, figure.yaw, figure.foot, figure.distance_m, figure.phase))
    return tuple(sorted(out, key=lambda w: w.walker))


def walker_mask(frame: FrameTruth) -> NDArray[np.uint8]:
    """Which pixels of a frame as displayed show a walker.

    Returns
    -------
    mask : ndarray of shape (height, width), uint8
        0: nobody; k + 1: walker k.
    """
    camera = frame.camera
    seen = sorted(frame.walkers, key=lambda w: -w.distance_m)
    figures = tuple(
        Standing(
            WALKER, w.yaw, w.foot, w.distance_m, _HALF_WIDTH * _TALL_M / w.distance_m, _TALL_M / w.distance_m,
            look_of(w.walker), w.phase,
        )
        for w in seen
    )  # fmt: skip
    labels = np.zeros((camera.height, camera.width), dtype=np.uint8)
    blank = np.zeros((camera.height, camera.width, 3), dtype=np.float32)
    draw_standing(blank, 0, figures, camera, frame.centre_m, camera.focal_px, labels)
    number = np.array([0] + [w.walker + 1 for w in seen], dtype=np.uint8)
    return np.asarray(number[labels])


def _horizontal(shot: Shot) -> NDArray[np.float64]:
    """(x, z) of where a shot looks."""
    yaw, _, _ = yaw_pitch_roll(shot.camera.rotation.T)
    return np.array([math.sin(yaw), math.cos(yaw)])

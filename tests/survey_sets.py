"""Invented sets for the tests of sorting: poses of a grid, their joints, and what is known of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.align.links import Link
from belvedere.capture.card import Card
from belvedere.geometry.rotation import pose_matrix
from belvedere.survey.appearance.marker_look import MarkerLook
from belvedere.survey.sorting.facts import Facts
from belvedere.survey.sorting.joints import Joint
from belvedere.survey.sorting.look import Depth, Look, glance_at, look_at

WIDE, HIGH = math.radians(27.0), math.radians(39.6)  # 50 mm upright
STEP, ROW_STEP = 18.0, 27.0  # degrees
SCENE = MarkerLook("scene", 0.02, "")


@dataclass(frozen=True)
class Posed:
    """One shot: where it looked, degrees, when, and what else is known; `plain` frames match nothing."""

    yaw: float
    pitch: float = 0.0
    seconds: float | None = 0.0
    ev: float = 0.0
    plain: bool = False
    place: int = 0
    marker: MarkerLook = SCENE
    agreement: float = 0.95
    held: str = "portrait"
    kin: int = 0
    ground: bool = False


def grid(
    cells: Sequence[tuple[int, int]],
    *,
    start_s: float = 0.0,
    place: int = 0,
    ev: float = 0.0,
    yaw: float = 0.0,
    every_s: float = 4.0,
) -> list[Posed]:
    """Shots of grid places (row, column) in the order shot, every few seconds."""
    return [
        Posed(yaw + STEP * c, -ROW_STEP * r, start_s + every_s * k, ev, place=place)
        for k, (r, c) in enumerate(cells)
    ]


def rotation(shot: Posed) -> NDArray[np.float64]:
    """World to camera."""
    return pose_matrix(math.radians(shot.yaw), math.radians(shot.pitch), 0.0).T


def facts(shots: Sequence[Posed]) -> tuple[Facts, ...]:
    """What is known of the shots."""
    return tuple(
        Facts(s.kin, s.held, s.seconds, s.ev, 5 if s.plain else 300, s.marker, s.ground)  # type: ignore[arg-type]
        for s in shots
    )


def joints(shots: Sequence[Posed]) -> list[Joint]:
    """The joints of all shots of one place that overlap and are not plain, with some error of measurement."""
    rng = np.random.default_rng(1)
    out = []
    for a, one in enumerate(shots):
        for b in range(a + 1, len(shots)):
            other = shots[b]
            if one.plain or other.plain or one.place != other.place or one.kin != other.kin:
                continue
            across, up = math.radians(abs(other.yaw - one.yaw)), math.radians(abs(other.pitch - one.pitch))
            share = max(0.0, 1.0 - across / WIDE) * max(0.0, 1.0 - up / HIGH)
            if share < 0.08:
                continue
            off = pose_matrix(*rng.normal(0.0, 2e-3, 3))
            link = Link(
                a,
                b,
                off @ rotation(other) @ rotation(one).T,
                np.empty((0, 2), np.int64),
                np.ones(round(120 * share), bool),
                0.1,
            )
            out.append(Joint(link, share, min(one.agreement, other.agreement)))
    return out


def looks_of(card: Card) -> Callable[[int, Depth], Look | None]:
    """How the shots of a card on disk are looked at, each once."""

    @cache
    def look(i: int, depth: Depth) -> Look | None:
        exposure = card.shots[i].exposure
        glance = glance_at(exposure, depth)
        return None if glance is None else look_at(glance, exposure.metadata, depth)

    return look


def data(folder: str) -> Path:
    """A folder of real photographs beside the repository."""
    return Path(__file__).parents[2] / "shared" / "data" / folder

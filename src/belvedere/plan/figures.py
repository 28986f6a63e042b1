"""What follows from a plan: optics, print, files, card, time; numbers for whoever says or draws them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TypedDict

from belvedere.errors import PlanError
from belvedere.optics.angle_of_view import angle_of_view
from belvedere.optics.card_space import CardSpace, card_space
from belvedere.optics.close_focus import effective_focal_mm, magnification, working_f_number
from belvedere.optics.depth_of_field import (
    DepthOfField,
    depth_of_field,
    f_number_for_near_limit,
    hyperfocal_distance_m,
    pixel_circle_of_confusion,
)
from belvedere.optics.diffraction import airy_in_pixels, contrast_at_pixels, f_number_for_airy
from belvedere.optics.file_limits import FormatFit, fitting_formats, raw_bytes
from belvedere.optics.parallax import near_limit_m, rail_error_allowed_mm
from belvedere.optics.perspective import detail_m
from belvedere.optics.print_size import PrintSize, print_size
from belvedere.optics.visual_acuity import ppi_needed
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.motion import Motion, motion_between
from belvedere.plan.one_row import one_row_band
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.shoot_plan import Orientation, ShootPlan
from belvedere.plan.shooting import Shooting
from belvedere.plan.sweep import Sweep, plan_sweep

FAR_M = 1000.0
"""The distance at which the size of one pixel is told."""


LITTLE_OVERLAP = 0.1
"""Of a side; a head set by hand easily misses by as much: common practice, no published source."""


@dataclass(frozen=True, slots=True)
class OtherWay:
    """The same view with the camera held the other way.

    Parameters
    ----------
    orientation : "portrait" or "landscape"
    frames, rows : int
    row_tall, own_row_tall : float
        What one level row covers in height that way, and as planned, rad.
    """

    orientation: Orientation
    frames: int
    rows: int
    row_tall: float
    own_row_tall: float


@dataclass(frozen=True, slots=True)
class Sharpness:
    """Depth of field and diffraction.

    Parameters
    ----------
    circle_px : float
        The circle of confusion they are held against, px.
    hyperfocal_m : float
    focus_m : float
        Where the lens is focused: as asked, or else at the hyperfocal distance.
    depth : DepthOfField
        At that focus.
    f_number_needed : float or None
        At which all from the nearest thing to infinity is sharp; None where no such thing is named.
    airy_px : float
        Diameter of the Airy disc, px.
    contrast : float
        That diffraction leaves of the finest detail, 0 to 1.
    f_number_of_two_px : float
        From which on the Airy disc is wider than two pixels.
    """

    circle_px: float
    hyperfocal_m: float
    focus_m: float
    depth: DepthOfField
    f_number_needed: float | None
    airy_px: float
    contrast: float
    f_number_of_two_px: float


@dataclass(frozen=True, slots=True)
class Figures:
    """All that is told of a plan beside its grid.

    Parameters
    ----------
    sweep : Sweep
    frame_wide, frame_tall : float
        Angle of view of a frame as held, rad.
    close : tuple of 2 float or None
        The same focused as asked, where that is nearer than infinity.
    overlap_close : float or None
        What neighbours in a row then share at least.
    overlap, overlap_edge, overlap_rows, overlap_rows_edge : float or None
        Least over the plan, as in `PlannedRow`; None where there are no such neighbours.
    print, print_far : PrintSize
        At the resolution asked, and at what the eye needs from the viewing distance.
    tiff_bytes, stitched_bytes : int
        16 bits a sample, uncompressed: colour, and colour with coverage.
    formats : tuple of FormatFit
    card : CardSpace
    files : int
        On the card, all exposures and a marker frame.
    sharpness : Sharpness
    near_limit_m, rail_allowed_mm : float or None
        For one pixel of parallax; None for a single frame, and the second without a nearest thing.
    pixel_far_m : float
        Width of one pixel at `FAR_M`, m.
    beside, between_rows : Motion or None
        How far clouds move; None where that is not asked, or there are no such neighbours.
    other : OtherWay or None
        None where the other way cannot be planned.
    """

    sweep: Sweep
    frame_wide: float
    frame_tall: float
    close: tuple[float, float] | None
    overlap_close: float | None
    overlap: float | None
    overlap_edge: float | None
    overlap_rows: float | None
    overlap_rows_edge: float | None
    print: PrintSize
    print_far: PrintSize
    tiff_bytes: int
    stitched_bytes: int
    formats: tuple[FormatFit, ...]
    card: CardSpace
    files: int
    sharpness: Sharpness
    near_limit_m: float | None
    rail_allowed_mm: float | None
    pixel_far_m: float
    beside: Motion | None
    between_rows: Motion | None
    other: OtherWay | None

    @property
    def too_little_overlap(self) -> float | None:
        """Share of a side that frames share where they share least, if it is little to join them by."""
        least = _least([self.overlap_edge, self.overlap_rows_edge])
        return least if least is not None and least < LITTLE_OVERLAP else None


def figures_of(plan: ShootPlan, shooting: Shooting) -> Figures:
    """Compute what follows from a plan.

    Raises
    ------
    PlanError
        If the lens cannot be focused as asked.
    """
    wide_mm, tall_mm = held_mm(plan)
    close, overlap_close = _close(plan, shooting, wide_mm, tall_mm)
    sweep = plan_sweep(
        plan.stops(),
        seconds_a_frame=shooting.seconds_a_frame,
        exposures=shooting.exposures,
        markers="series",
    )
    files = plan.frames * shooting.exposures + 1
    beside, between_rows = _motions(plan, shooting, sweep)
    return Figures(
        sweep=sweep,
        frame_wide=angle_of_view(wide_mm, plan.focal_mm),
        frame_tall=angle_of_view(tall_mm, plan.focal_mm),
        close=close,
        overlap_close=overlap_close,
        overlap=_least([row.overlap for row in plan.rows]),
        overlap_edge=_least([row.overlap_least for row in plan.rows]),
        overlap_rows=_least([row.overlap_below for row in plan.rows]),
        overlap_rows_edge=_least([row.overlap_below_least for row in plan.rows]),
        print=print_size(plan.width_px, plan.height_px, shooting.ppi),
        print_far=print_size(plan.width_px, plan.height_px, ppi_needed(shooting.viewing_distance_m)),
        tiff_bytes=raw_bytes(plan.width_px, plan.height_px),
        stitched_bytes=raw_bytes(plan.width_px, plan.height_px, samples=4),
        formats=fitting_formats(plan.width_px, plan.height_px),
        card=card_space(files, plan.sensor.megapixels),
        files=files,
        sharpness=sharpness_of(plan, shooting),
        near_limit_m=near_limit_of(plan, shooting.rail_error_mm),
        rail_allowed_mm=None if shooting.nearest_m is None else rail_allowed_of(plan, shooting.nearest_m),
        pixel_far_m=detail_m(FAR_M, plan.focal_px),
        beside=beside,
        between_rows=between_rows,
        other=_other_way(plan),
    )


def held_mm(plan: ShootPlan) -> tuple[float, float]:
    """Width and height of the sensor as the camera is held, mm."""
    return (plan.sensor.upright() if plan.orientation == "portrait" else plan.sensor.landscape())[:2]


def sharpness_of(plan: ShootPlan, shooting: Shooting) -> Sharpness:
    """Depth of field for a circle of confusion of two pixels, and diffraction, at the f-number asked."""
    pitch = plan.sensor.pixel_pitch_mm
    circle = pixel_circle_of_confusion(pitch)
    hyperfocal = hyperfocal_distance_m(plan.focal_mm, shooting.f_number, circle)
    focus = hyperfocal if shooting.focus_m is None else shooting.focus_m
    needed = None
    if shooting.nearest_m is not None:
        needed = f_number_for_near_limit(plan.focal_mm, circle, shooting.nearest_m)
    size = 0.0 if math.isinf(focus) else magnification(plan.focal_mm, focus)
    working = working_f_number(shooting.f_number, size)
    return Sharpness(
        circle_px=circle / pitch,
        hyperfocal_m=hyperfocal,
        focus_m=focus,
        depth=depth_of_field(plan.focal_mm, shooting.f_number, circle, focus),
        f_number_needed=needed,
        airy_px=airy_in_pixels(working, pitch),
        contrast=contrast_at_pixels(working, pitch),
        f_number_of_two_px=f_number_for_airy(pitch, 2.0),
    )


def near_limit_of(plan: ShootPlan, rail_error_mm: float) -> float | None:
    """Distance in m beyond which no neighbours show more than a pixel of parallax; None for one frame."""
    limits = [near_limit_m(rail_error_mm, **turn) for turn in _turns(plan)]
    return max(limits, default=None)


def rail_allowed_of(plan: ShootPlan, nearest_m: float) -> float | None:
    """Rail error in mm that leaves at most a pixel of parallax at a distance; None for one frame."""
    return min((rail_error_allowed_mm(nearest_m, **turn) for turn in _turns(plan)), default=None)


class _Turn(TypedDict):
    """A turn between neighbours, as the arguments that `optics.parallax` takes."""

    yaw_step: float
    focal_px: float
    corner_px: tuple[float, float]
    pitch: float


def _turns(plan: ShootPlan) -> list[_Turn]:
    """Every kind of turn between neighbours."""
    width, height = plan.frame_px
    half = (width / 2.0, height / 2.0)
    f = plan.focal_px
    turns = [
        _Turn(yaw_step=r.step, focal_px=f, corner_px=half, pitch=r.pitch)
        for r in plan.rows
        if 0.0 < r.step < math.pi
    ]
    steps = {round(a.pitch - b.pitch, 12) for a, b in pairwise(plan.rows)}
    turns += [
        _Turn(yaw_step=step, focal_px=f, corner_px=half[::-1], pitch=0.0)
        for step in sorted(steps)
        if 0.0 < step < math.pi
    ]
    return turns


def _close(
    plan: ShootPlan, shooting: Shooting, wide_mm: float, tall_mm: float
) -> tuple[tuple[float, float] | None, float | None]:
    """Angles of view focused as asked, and the overlap left in the row: its step stays, its frames shrink."""
    if shooting.focus_m is None or math.isinf(shooting.focus_m):
        return None, None
    focal = effective_focal_mm(plan.focal_mm, magnification(plan.focal_mm, shooting.focus_m))
    overlap = _least([row.overlap for row in plan.rows])
    left = None if overlap is None else max(0.0, 1.0 - (1.0 - overlap) * focal / plan.focal_mm)
    return (angle_of_view(wide_mm, focal), angle_of_view(tall_mm, focal)), left


def _motions(plan: ShootPlan, shooting: Shooting, sweep: Sweep) -> tuple[Motion | None, Motion | None]:
    if shooting.cloud_speed_m_s is None:
        return None, None
    width, height = plan.frame_px
    found: list[Motion | None] = []
    for seconds, side, shares in (
        (sweep.neighbour_s, width, [row.overlap for row in plan.rows]),
        (sweep.between_rows_s, height, [row.overlap_below for row in plan.rows]),
    ):
        share = _least(shares)
        if share is None or share <= 0.0 or seconds <= 0.0:
            found.append(None)
            continue
        found.append(
            motion_between(
                shooting.cloud_speed_m_s,
                shooting.cloud_distance_m,
                seconds,
                focal_px=plan.focal_px,
                overlap_px=share * side,
            )
        )
    return found[0], found[1]


def _other_way(plan: ShootPlan) -> OtherWay | None:
    other: Orientation = "landscape" if plan.orientation == "portrait" else "portrait"
    try:
        turned = plan_grid(
            plan.view,
            plan.sensor,
            plan.focal_mm,
            GridAsked(
                orientation=other,
                overlap=plan.overlap_wanted,
                head=plan.head,
                extra_column_and_row=plan.extra_column_and_row,
            ),
        )
        talls = []
        for way in (other, plan.orientation):
            low, high = one_row_band(
                plan.sensor, plan.focal_mm, orientation=way, overlap=plan.overlap_wanted, head=plan.head
            )
            talls.append(high - low)
    except PlanError:
        return None
    return OtherWay(other, turned.frames, len(turned.rows), talls[0], talls[1])


def _least(values: list[float | None]) -> float | None:
    return min((v for v in values if v is not None), default=None)

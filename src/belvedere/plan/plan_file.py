"""`plan.json`, a shoot plan as a document: checked when read, the same bytes for the same plan.

Schema `belvedere.plan/1`. Angles are in degrees, to nine digits, so that a plan comes back to the bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from belvedere.checked_json import read_checked
from belvedere.errors import PlanError, UnreadableFile
from belvedere.geometry.plate import Projection
from belvedere.optics.sensor import Sensor
from belvedere.plan.angles import kept_degrees
from belvedere.plan.head import Head
from belvedere.plan.shoot_plan import Orientation, PlannedRow, ShootPlan
from belvedere.plan.stops import Begin, Order, Stop
from belvedere.plan.view import View

SCHEMA = "belvedere.plan/1"

Degrees = Annotated[float, msgspec.Meta(ge=-720.0, le=720.0)]
Pitch = Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)]
Positive = Annotated[float, msgspec.Meta(gt=0.0, le=1e9)]
Click = Annotated[float, msgspec.Meta(gt=0.0, le=180.0)]
Fraction = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
Count = Annotated[int, msgspec.Meta(ge=0)]
Size = Annotated[int, msgspec.Meta(ge=1)]


class ViewEntry(msgspec.Struct, frozen=True, kw_only=True):
    """See `View`."""

    yaw_left_deg: Degrees
    yaw_right_deg: Degrees
    pitch_low_deg: Pitch
    pitch_high_deg: Pitch
    bearing_of_zero_deg: Degrees | None


class SensorEntry(msgspec.Struct, frozen=True, kw_only=True):
    """See `Sensor`."""

    width_mm: Positive
    height_mm: Positive
    width_px: Size
    height_px: Size


class HeadEntry(msgspec.Struct, frozen=True, kw_only=True):
    """See `Head`."""

    yaw_click_deg: Click | None
    pitch_click_deg: Click | None


class PictureEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What the frames give; the last three follow from the rest and are not read."""

    projection: Projection
    width: Size
    height: Size
    megapixels: float
    pixels_per_radian: float
    pixels_per_degree: float


class StopEntry(msgspec.Struct, frozen=True, kw_only=True):
    """See `Stop`; `head_*` count from the first stop; they and the bearing follow from the rest."""

    number: Size
    row: Count
    column: Count
    yaw_deg: Degrees
    pitch_deg: Pitch
    bearing_deg: float | None
    head_yaw_deg: float
    head_pitch_deg: float
    yaw_clicks: int | None
    pitch_clicks: int | None


class RowEntry(msgspec.Struct, frozen=True, kw_only=True):
    """See `PlannedRow`."""

    pitch_deg: Pitch
    step_deg: Annotated[float, msgspec.Meta(ge=0.0, le=360.0)]
    closing_step_deg: Annotated[float, msgspec.Meta(ge=0.0, le=360.0)] | None
    overlap_fraction: Fraction | None
    overlap_least: Fraction | None
    overlap_below_fraction: Fraction | None
    overlap_below_least: Fraction | None
    stops: Annotated[tuple[StopEntry, ...], msgspec.Meta(min_length=1)]


class PlanDocument(msgspec.Struct, frozen=True, kw_only=True):
    """A shoot plan; `extras` is whatever else its maker wrote beside it."""

    schema: Literal["belvedere.plan/1"] = "belvedere.plan/1"
    view: ViewEntry
    sensor: SensorEntry
    orientation: Orientation
    focal_mm: Positive
    overlap_wanted: Annotated[float, msgspec.Meta(ge=0.0, lt=0.9)]
    head: HeadEntry
    order: Order
    begin: Begin
    extra_column_and_row: bool
    picture: PictureEntry
    rows: Annotated[tuple[RowEntry, ...], msgspec.Meta(min_length=1)]
    extras: dict[str, Any] = {}


def plan_bytes(plan: ShootPlan, extras: Mapping[str, Any] | None = None) -> bytes:
    """A plan as JSON (RFC 8259, UTF-8), indented, with a line feed at the end.

    Parameters
    ----------
    plan : ShootPlan
    extras : mapping of str to what JSON can hold
        Written under the key `extras`, its keys in alphabetical order.
    """
    beside = msgspec.to_builtins(dict(extras or {}), order="sorted")
    line = msgspec.json.encode(_document(plan, beside))
    return msgspec.json.format(line, indent=1) + b"\n"


def read_plan(path: Path) -> ShootPlan:
    """Read a `plan.json`. Keys that are not known are passed over.

    Raises
    ------
    UnreadableFile
        If it cannot be read, is no JSON, has another schema, or does not fit it: numbers out of range, rows
        that are empty, stops that are not numbered 1, 2, 3 ... once each or not in their row. Says which key.
    """
    return plan_of(read_document(path), path)


def read_document(path: Path) -> PlanDocument:
    """Read a `plan.json` as it stands, extras and all; see `read_plan`."""
    return read_checked(path, PlanDocument, SCHEMA)


def plan_of(document: PlanDocument, path: Path) -> ShootPlan:
    """The plan that a document holds; `path` is where it stands. Raises as `read_plan` does."""
    fault = next(_faults(document), None)
    if fault is not None:
        raise UnreadableFile(path, fault)
    view, sensor, head, picture = document.view, document.sensor, document.head, document.picture
    try:
        return ShootPlan(
            view=View(
                math.radians(view.yaw_left_deg),
                math.radians(view.yaw_right_deg),
                math.radians(view.pitch_low_deg),
                math.radians(view.pitch_high_deg),
                _radians(view.bearing_of_zero_deg),
            ),
            sensor=Sensor(sensor.width_mm, sensor.height_mm, sensor.width_px, sensor.height_px),
            orientation=document.orientation,
            focal_mm=document.focal_mm,
            overlap_wanted=document.overlap_wanted,
            head=Head(_radians(head.yaw_click_deg), _radians(head.pitch_click_deg)),
            order=document.order,
            begin=document.begin,
            extra_column_and_row=document.extra_column_and_row,
            rows=tuple(_row(row) for row in document.rows),
            projection=picture.projection,
            width_px=picture.width,
            height_px=picture.height,
        )
    except PlanError as error:
        raise UnreadableFile(path, str(error)) from error


def _document(plan: ShootPlan, extras: dict[str, Any]) -> PlanDocument:
    first = next(s for row in plan.rows for s in row.stops if s.number == 1)
    return PlanDocument(
        view=ViewEntry(
            yaw_left_deg=kept_degrees(plan.view.yaw_left),
            yaw_right_deg=kept_degrees(plan.view.yaw_right),
            pitch_low_deg=kept_degrees(plan.view.pitch_low),
            pitch_high_deg=kept_degrees(plan.view.pitch_high),
            bearing_of_zero_deg=_degrees(plan.view.bearing_of_zero),
        ),
        sensor=SensorEntry(
            width_mm=float(plan.sensor.width_mm),
            height_mm=float(plan.sensor.height_mm),
            width_px=plan.sensor.width_px,
            height_px=plan.sensor.height_px,
        ),
        orientation=plan.orientation,
        focal_mm=float(plan.focal_mm),
        overlap_wanted=float(plan.overlap_wanted),
        head=HeadEntry(
            yaw_click_deg=_degrees(plan.head.yaw_click), pitch_click_deg=_degrees(plan.head.pitch_click)
        ),
        order=plan.order,
        begin=plan.begin,
        extra_column_and_row=plan.extra_column_and_row,
        picture=PictureEntry(
            projection=plan.projection,
            width=plan.width_px,
            height=plan.height_px,
            megapixels=plan.megapixels,
            pixels_per_radian=plan.focal_px,
            pixels_per_degree=plan.pixels_per_degree,
        ),
        rows=tuple(_row_entry(row, first, plan.view) for row in plan.rows),
        extras=extras,
    )


def _row_entry(row: PlannedRow, first: Stop, view: View) -> RowEntry:
    return RowEntry(
        pitch_deg=kept_degrees(row.pitch),
        step_deg=kept_degrees(row.step),
        closing_step_deg=_degrees(row.closing_step),
        overlap_fraction=row.overlap,
        overlap_least=row.overlap_least,
        overlap_below_fraction=row.overlap_below,
        overlap_below_least=row.overlap_below_least,
        stops=tuple(
            StopEntry(
                number=s.number,
                row=s.row,
                column=s.column,
                yaw_deg=kept_degrees(s.yaw),
                pitch_deg=kept_degrees(s.pitch),
                bearing_deg=_degrees(view.bearing(s.yaw)),
                head_yaw_deg=kept_degrees(s.yaw - first.yaw),
                head_pitch_deg=kept_degrees(s.pitch - first.pitch),
                yaw_clicks=s.yaw_clicks,
                pitch_clicks=s.pitch_clicks,
            )
            for s in row.stops
        ),
    )


def _row(row: RowEntry) -> PlannedRow:
    return PlannedRow(
        pitch=math.radians(row.pitch_deg),
        step=math.radians(row.step_deg),
        closing_step=_radians(row.closing_step_deg),
        stops=tuple(
            Stop(
                s.number,
                s.row,
                s.column,
                math.radians(s.yaw_deg),
                math.radians(s.pitch_deg),
                s.yaw_clicks,
                s.pitch_clicks,
            )
            for s in row.stops
        ),
        overlap=row.overlap_fraction,
        overlap_least=row.overlap_least,
        overlap_below=row.overlap_below_fraction,
        overlap_below_least=row.overlap_below_least,
    )


def _faults(document: PlanDocument) -> Iterator[str]:
    numbers = set()
    for r, row in enumerate(document.rows):
        for c, stop in enumerate(row.stops):
            key = f"rows[{r}].stops[{c}]"
            if (stop.row, stop.column) != (r, c):
                yield f"{key}: says row {stop.row}, column {stop.column}, but stands in row {r}, column {c}"
            if abs(stop.pitch_deg - row.pitch_deg) > 1e-6:
                yield f"{key}.pitch_deg: is not the row's, {row.pitch_deg:g}"
            if stop.number in numbers:
                yield f"{key}.number: {stop.number} stands twice"
            numbers.add(stop.number)
            for clicks, click in (("yaw_clicks", "yaw_click_deg"), ("pitch_clicks", "pitch_click_deg")):
                if (getattr(stop, clicks) is None) != (getattr(document.head, click) is None):
                    yield f"{key}.{clicks}: does not fit head.{click}; both are numbers, or neither is"
    if numbers != set(range(1, len(numbers) + 1)):
        yield f"rows: {len(numbers)} stops need the numbers 1 to {len(numbers)}"


def _degrees(angle: float | None) -> float | None:
    return None if angle is None else kept_degrees(angle)


def _radians(angle_deg: float | None) -> float | None:
    return None if angle_deg is None else math.radians(angle_deg)

"""Cameras and plate as a report tells them."""

from __future__ import annotations

import math

from belvedere.compose.report import FrameReport, Report
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate


def camera_of(frame: FrameReport) -> Camera | None:
    """The camera of a frame; None where it was not placed."""
    if (
        frame.focal_px is None
        or frame.principal_point is None
        or frame.distortion is None
        or frame.rotation_wxyz is None
    ):
        return None
    return Camera(
        frame.width,
        frame.height,
        frame.focal_px,
        frame.principal_point,
        frame.distortion,
        frame.rotation_wxyz,
    )


def plate_of(report: Report) -> Plate:
    """The sheet the picture is drawn on."""
    told = report.plate
    yaw, pitch, roll = (math.radians(v) for v in told.yaw_pitch_roll_deg)
    return Plate(
        told.projection,
        told.width,
        told.height,
        told.pixels_per_radian,
        told.centre,
        (yaw, pitch, roll),
        d=told.d if told.d is not None else 1.0,
    )

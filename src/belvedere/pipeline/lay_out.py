"""The plate stage: at the resolution wanted, or the largest that the kind of file takes."""

from __future__ import annotations

from dataclasses import replace

from belvedere.compose.dng_limits import largest_share
from belvedere.compose.layout import LayoutOptions, choose_plate
from belvedere.errors import BelvedereError
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.results import Layout


def lay_out(cameras: list[Camera], options: StitchOptions) -> Layout:
    """Choose the plate of the used frames' cameras.

    Raises
    ------
    BelvedereError
        If no plate can be what was asked for, or a DNG cannot hold even a small one.
    """
    layout, share, fitted = options.layout, options.resolution_share, 1.0
    if share is not None:
        layout = replace(layout, pixels_per_radian=share * max(camera.focal_px for camera in cameras))
    if options.kind == "linear-dng":
        layout, fitted = largest_dng(cameras, layout)
    return Layout(*choose_plate(cameras, layout), fitted)


def largest_dng(cameras: list[Camera], options: LayoutOptions) -> tuple[LayoutOptions, float]:
    """Options that lay the picture out no larger than readers take a DNG, and the share of its resolution.

    Raises
    ------
    BelvedereError
        If it cannot be made to fit.
    """
    full = choose_plate(cameras, options)[0].pixels_per_radian

    def size_at(share: float) -> tuple[int, int]:
        plate, _ = choose_plate(cameras, replace(options, pixels_per_radian=share * full))
        return plate.width, plate.height

    share = largest_share(size_at)
    if share is None:
        raise BelvedereError("this picture fits no DNG; make a linear TIFF with --as linear-tiff")
    return (options if share == 1.0 else replace(options, pixels_per_radian=share * full)), share


def reduced_notice(plate: Plate, share: float) -> str:
    """What a person should know of a DNG made smaller than the frames would give."""
    full = f"{plate.width / share:,.0f} x {plate.height / share:,.0f}"
    return (
        f"reduced to {100.0 * share:.1f} % ({plate.width:,} x {plate.height:,} px, of about {full}), the "
        "most that readers of DNG take; --as linear-tiff makes the full size"
    )

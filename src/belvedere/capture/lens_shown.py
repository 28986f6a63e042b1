"""What a frame's tags say of body and lens, as the lens list is asked."""

from __future__ import annotations

import math

from belvedere.capture.frame import Metadata
from belvedere.optics.focal import FILM_DIAGONAL_MM
from belvedere.optics.lens_list import Shown


def shown_by(metadata: Metadata, *, with_stop: bool) -> Shown:
    """Body and lens of a frame; without the stop, frames of one lens group show the same."""
    return Shown(
        make=metadata.make,
        model=metadata.model,
        lens=metadata.lens,
        focal_mm=metadata.focal_mm,
        f_number=metadata.f_number if with_stop else None,
        crop_factor=_crop(metadata),
        width=metadata.stored_width,
        height=metadata.stored_height,
    )


def _crop(metadata: Metadata) -> float | None:
    """Diagonal of 24 x 36 mm over the sensor's, by the tags."""
    if metadata.focal_plane_px_per_mm:
        diagonal_px = math.hypot(metadata.stored_width, metadata.stored_height)
        return FILM_DIAGONAL_MM * metadata.focal_plane_px_per_mm / diagonal_px
    if metadata.focal_35mm and metadata.focal_mm:
        return metadata.focal_35mm / metadata.focal_mm
    return None

"""Pixels of a JPEG stream, in full or at the coarsest scale that is still fine enough."""

from __future__ import annotations

import numpy as np
import simplejpeg
from numpy.typing import NDArray

_HARMLESS = (
    "extraneous bytes before marker 0xd9"  # filling before the end of the image; some cameras write it
)


def jpeg_pixels(data: bytes, *, least_width: int = 0, least_height: int = 0) -> NDArray[np.uint8]:
    """Decode a JPEG stream as stored, whatever its Exif Orientation.

    Parameters
    ----------
    data : bytes
    least_width, least_height : int
        Where both are given, the picture is decoded at the coarsest of the decoder's scales (eighths, by a
        shortened inverse cosine transform) at which it is still at least this large; px as stored.

    Returns
    -------
    ndarray of shape (height, width, 3), uint8, contiguous

    Raises
    ------
    ValueError
        If the stream is cut short or damaged where that shows.
    """
    scaled = {"min_width": least_width, "min_height": least_height} if least_width and least_height else {}
    try:
        return simplejpeg.decode_jpeg(data, "RGB", **scaled)  # type: ignore[no-any-return]
    except ValueError as error:
        if _HARMLESS not in str(error):
            raise
    return simplejpeg.decode_jpeg(data, "RGB", strict=False, **scaled)  # type: ignore[no-any-return]

"""An AVIF to be shared: sRGB, with its profile, and as much metadata as is told.

Sources: AV1 Image File Format (Alliance for Open Media), 2.1, and ISO/IEC 23008-12 for Exif and XMP items in
it; both as Pillow and libavif write them. IPTC-IIM records have no place in it.
"""

from __future__ import annotations

from typing import IO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from belvedere.capture.primaries import srgb_profile
from belvedere.deliver.share_jpeg import FULL_COLOUR_FROM
from belvedere.deliver.share_metadata import ShareMetadata

MOST_PX = 9_000_000
"""Pixels of the largest: its encoder takes 40 bytes for each, and delivering is to stay within 1 GiB."""

_SPEED = 6  # of 0, slowest, to 10; the library's own choice


def write_share_avif(
    file: IO[bytes], rgb: NDArray[np.uint8], *, quality: int, metadata: ShareMetadata
) -> None:
    """Write an AVIF of sRGB codes; the same bytes for the same arguments.

    Parameters
    ----------
    file : binary file
    rgb : ndarray of shape (h, w, 3), uint8
        Up to `MOST_PX`.
    quality : int
        1 to 100, on libavif's scale; from `FULL_COLOUR_FROM` on without colour subsampling.
    metadata : ShareMetadata
        Its records are left out.
    """
    extra = {
        name: data for name, data in (("exif", metadata.exif), ("xmp", metadata.xmp)) if data is not None
    }
    Image.fromarray(np.ascontiguousarray(rgb)).save(
        file,
        "AVIF",
        quality=quality,
        subsampling="4:4:4" if quality >= FULL_COLOUR_FROM else "4:2:0",
        speed=_SPEED,
        max_threads=1,  # the file's bytes depend on how many there are
        icc_profile=srgb_profile(),
        **extra,
    )

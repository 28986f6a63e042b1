"""A JPEG XL to be shared: sRGB, and as much metadata as is told.

Sources: ISO/IEC 18181-2 for the container: boxes of length, kind and content, of which "Exif" holds four
bytes of offset and a TIFF structure, and "xml " a packet of XMP; from memory. The codestream says itself that
it is sRGB. IPTC-IIM records have no place in it.
"""

from __future__ import annotations

from typing import IO

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from belvedere.deliver.share_metadata import EXIF_MARK, ShareMetadata

_EFFORT = 7  # of 1, fastest, to 9; the library's own choice


def write_share_jxl(
    file: IO[bytes], rgb: NDArray[np.uint8], *, quality: int, metadata: ShareMetadata
) -> None:
    """Write a JPEG XL of sRGB codes; the same bytes for the same arguments.

    Parameters
    ----------
    file : binary file
    rgb : ndarray of shape (h, w, 3), uint8
    quality : int
        1 to 100, about as a JPEG's.
    metadata : ShareMetadata
        Its records are left out.
    """
    file.write(
        imagecodecs.jpegxl_encode(
            np.ascontiguousarray(rgb),
            distance=butteraugli_distance(quality),
            effort=_EFFORT,
            usecontainer=True,
            numthreads=1,
        )
    )
    if metadata.exif is not None:
        file.write(_box(b"Exif", bytes(4) + metadata.exif.removeprefix(EXIF_MARK)))
    if metadata.xmp is not None:
        file.write(_box(b"xml ", metadata.xmp))


def butteraugli_distance(quality: int) -> float:
    """The encoder's measure of what is lost, for a JPEG's quality: 1.0 for 90, where it is hard to see.

    libjxl's own relation (from memory), but for 100, where it would be without loss.
    """
    if quality >= 30:
        return 0.1 + (100 - quality) * 0.09
    return 53.0 / 3000.0 * quality**2 - 23.0 / 20.0 * quality + 25.0


def _box(kind: bytes, content: bytes) -> bytes:
    return (len(content) + 8).to_bytes(4, "big") + kind + content

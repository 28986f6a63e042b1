"""The pictures that a raw file carries of itself, the one most worth decoding first."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.capture.embedded_jpeg import embedded_jpegs
from belvedere.capture.raw import raw_preview_stream
from belvedere.capture.raw_tiff import is_tiff_like, tiff_previews

Preview = bytes | NDArray[np.uint8]
"""A JPEG stream, or pixels of shape (h, w, 3)."""

_DEAR_PX = 6_000_000  # decoding more takes longer than a glance may
_ENOUGH_PX = 1024


def raw_previews(file: Path, *, long_side: int | None = None) -> list[Preview]:
    """Previews of a raw file in the order they should be tried.

    Parameters
    ----------
    long_side : int or None
        Fewest px of a preview's long side, whatever it costs to decode, smallest first; None: those that
        decode fast, smallest first of those large enough for any glance, then the smaller ones, then others.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    streams: list[Preview] = list(tiff_previews(file)) if is_tiff_like(file) else []
    if not streams:
        found = raw_preview_stream(file)
        streams = [found] if found is not None else []
    for stream in list(streams):
        if isinstance(stream, bytes):
            streams += [inner for _, inner in embedded_jpegs(io.BytesIO(stream))]
    sized = [(size, stream) for stream in streams if (size := _size(stream)) is not None]
    if long_side is not None:
        fit = [(size, stream) for size, stream in sized if max(size) >= long_side]
        return [stream for _, stream in sorted(fit, key=lambda s: s[0][0] * s[0][1])]

    def worth(entry: tuple[tuple[int, int], Preview]) -> tuple[int, int]:
        width, height = entry[0]
        pixels = width * height
        if pixels > _DEAR_PX:
            return 2, pixels
        return (0, pixels) if max(width, height) >= _ENOUGH_PX else (1, -pixels)

    return [stream for _, stream in sorted(sized, key=worth)]


def _size(preview: Preview) -> tuple[int, int] | None:
    """(width, height), px; None where the stream's header is damaged."""
    if not isinstance(preview, bytes):
        return preview.shape[1], preview.shape[0]
    try:
        height, width = simplejpeg.decode_jpeg_header(preview)[:2]
    except ValueError:
        return None
    return int(width), int(height)

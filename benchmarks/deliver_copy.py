"""The least a delivery must do: decode every tile of a picture once, and encode what is to be written once.

Usage: python -m benchmarks.deliver_copy PICTURE.tif CODEC OUT PIXELS

Samples are not touched between the two codecs: where fewer pixels are to be written than there are, every
n-th is taken. CODEC is `tiles` (deflate, 16 bits with coverage), `strips` (deflate, 16 bits, three colours),
`pdf` (the same by the PDF's packer) or `jpeg` (8 bits, quality 85). What is written are the encoded pieces
one after the other, made durable at the end as a delivery is.
"""

from __future__ import annotations

import os
import sys
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import simplejpeg
import tifffile

from belvedere.compose.tile_code import LEVEL, encode_tile
from belvedere.deliver.paper_pdf import packed_differences
from benchmarks.sets import processors


def main() -> None:
    """Copy."""
    picture, codec, out = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
    encode = {"tiles": encode_tile, "strips": _strip, "pdf": _pdf, "jpeg": _jpeg}[codec]
    with tifffile.TiffFile(picture) as tiff:
        page = tiff.pages.first
    step = max(1.0, (page.imagewidth * page.imagelength / float(sys.argv[4])) ** 0.5)
    taken = np.arange(0.0, page.tilelength, step).astype(int)

    def copied(number: int) -> bytes:
        tile = _tile(page, picture, number)
        return bytes(encode(tile if step == 1.0 else tile[taken[:, None], taken]))

    waiting: deque[Future[bytes]] = deque()
    with out.open("wb") as file, ThreadPoolExecutor(processors()) as threads:
        for number in range(len(page.dataoffsets)):
            waiting.append(threads.submit(copied, number))
            if len(waiting) > 4 * processors():
                file.write(waiting.popleft().result())
        for future in waiting:
            file.write(future.result())
        file.flush()
        os.fsync(file.fileno())


def _tile(page: Any, picture: Path, number: int) -> Any:
    with picture.open("rb") as file:
        file.seek(page.dataoffsets[number])
        data = file.read(page.databytecounts[number])
    return page.decode(data, number)[0][0]


def _strip(tile: Any) -> bytes:
    differences = imagecodecs.delta_encode(np.ascontiguousarray(tile[..., :3]), axis=-2)
    return bytes(imagecodecs.deflate_encode(differences, level=LEVEL))


def _pdf(tile: Any) -> bytes:
    return packed_differences(tile[..., :3])


def _jpeg(tile: Any) -> bytes:
    rgb = np.ascontiguousarray((tile[..., :3] >> 8).astype(np.uint8))
    return bytes(simplejpeg.encode_jpeg(rgb, quality=85, colorsubsampling="420", fastdct=False))


if __name__ == "__main__":
    main()

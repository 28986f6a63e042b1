"""The least a machine must do for a picture: decode every frame once, write the picture's pixels once.

Usage: python -m benchmarks.floor_work FOLDER PICTURE.tif OUT.tif

Prints one JSON line with the seconds of both, the picture's own reading left out. Decoding is by the fastest
JPEG library, writing with the picture's own codec, predictor and tiles, both in threads. What is written are
the tiles alone, one after the other; a head would add nothing to the time. The picture is taken some rows of
tiles at a time, so that one of any size can be measured.
"""

from __future__ import annotations

import json
import sys
import time
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import imagecodecs
import simplejpeg
import tifffile

from belvedere.compose.tile_code import LEVEL
from belvedere.demo.truth import read_truth
from benchmarks.sets import processors

_TILES_AT_ONCE = 256


def main() -> None:
    """Do the work and print how long it took."""
    folder, picture, out = (Path(argument) for argument in sys.argv[1:4])
    files = [folder / name for name in read_truth(folder).files]
    began, spent = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(processors()) as threads:
        pixels = sum(threads.map(_decode, files))
    decode_s, processor_s = time.perf_counter() - began, time.process_time() - spent
    write_s, spent_writing = _write(picture, out)
    found = {
        "decode_s": decode_s,
        "write_s": write_s,
        "processor_s": processor_s + spent_writing,
        "frame_pixels": pixels,
        "bytes": out.stat().st_size,
    }
    print(json.dumps(found))


def _decode(file: Path) -> int:
    frame = simplejpeg.decode_jpeg(file.read_bytes(), colorspace="RGB")
    return int(frame.shape[0] * frame.shape[1])


def _write(picture: Path, out: Path) -> tuple[float, float]:
    """Encode and write all tiles of a picture; wall and processor seconds, those of reading it left out."""
    seconds = processor_s = 0.0
    with (
        tifffile.TiffFile(picture) as tiff,
        out.open("wb") as file,
        ThreadPoolExecutor(processors()) as threads,
    ):
        page = tiff.pages.first
        count = len(page.dataoffsets)
        for first in range(0, count, _TILES_AT_ONCE):
            numbers = range(first, min(first + _TILES_AT_ONCE, count))
            tiles = list(threads.map(lambda n: _tile(page, picture, n), numbers))
            began, spent = time.perf_counter(), time.process_time()
            waiting: deque[Future[bytes]] = deque()
            for tile in tiles:
                waiting.append(threads.submit(_encode, tile))
                if len(waiting) > 4 * processors():
                    file.write(waiting.popleft().result())
            for future in waiting:
                file.write(future.result())
            seconds += time.perf_counter() - began
            processor_s += time.process_time() - spent
    return seconds, processor_s


def _tile(page: Any, picture: Path, number: int) -> Any:
    with picture.open("rb") as file:
        file.seek(page.dataoffsets[number])
        data = file.read(page.databytecounts[number])
    return page.decode(data, number)[0][0]


def _encode(tile: Any) -> bytes:
    differences = imagecodecs.delta_encode(tile, axis=-2)
    return bytes(imagecodecs.deflate_encode(differences, level=LEVEL))


if __name__ == "__main__":
    main()

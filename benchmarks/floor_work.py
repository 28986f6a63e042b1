"""The least a machine must do for a picture: decode every frame once, write the picture's pixels once.

Usage: python -m benchmarks.floor_work FOLDER PICTURE.tif OUT.tif

Prints one JSON line with the seconds of both, the picture's own reading left out. Decoding is by the fastest
JPEG library, in threads; writing by tifffile in threads with the picture's own codec, predictor and tiles.
"""

from __future__ import annotations

import json
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import simplejpeg
import tifffile

from belvedere.compose.tile_code import LEVEL
from belvedere.demo.truth import read_truth
from benchmarks.sets import processors


def main() -> None:
    """Do the work and print how long it took."""
    folder, picture, out = (Path(argument) for argument in sys.argv[1:4])
    files = [folder / name for name in read_truth(folder).files]
    began = time.perf_counter()
    with ThreadPoolExecutor(processors()) as threads:
        pixels = sum(threads.map(_decode, files))
    decode_s = time.perf_counter() - began
    codes = np.asarray(tifffile.imread(picture, maxworkers=processors()))
    began = time.perf_counter()
    tifffile.imwrite(
        out,
        codes,
        photometric="rgb",
        extrasamples=["unassalpha"],
        compression="zlib",
        compressionargs={"level": LEVEL},
        predictor=True,
        tile=(512, 512),
        bigtiff=codes.nbytes >= 4 << 30,
        maxworkers=processors(),
        metadata=None,
    )
    write_s = time.perf_counter() - began
    size = out.stat().st_size
    print(json.dumps({"decode_s": decode_s, "write_s": write_s, "frame_pixels": pixels, "bytes": size}))


def _decode(file: Path) -> int:
    frame = simplejpeg.decode_jpeg(file.read_bytes(), colorspace="RGB")
    return int(frame.shape[0] * frame.shape[1])


if __name__ == "__main__":
    main()

"""OpenCV's high-level stitching class on a folder of frames, as a process of its own.

Usage: python -m benchmarks.opencv_reference FOLDER [--out OUT.tif] [--registration-megapixels R]

Prints one JSON line: status, frames used, registration scale, the cameras it found, seconds of its steps.
Without --out it only registers. What it is at goes to standard error, one line a step, for whoever has to
stop it.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import cv2

from belvedere.demo.truth import read_truth
from benchmarks.sets import frames_of

_STATUS = {0: "OK", 1: "needs more images", 2: "homography estimation failed", 3: "camera adjustment failed"}


def main() -> None:
    """Run the class and print what it found."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--registration-megapixels", type=float)
    given = parser.parse_args()
    began = time.perf_counter()
    files = [frame.file for frame in frames_of(given.folder, read_truth(given.folder))]
    images = []
    for i, file in enumerate(files):
        _at(f"reading frame {i + 1} of {len(files)}")
        images.append(cv2.imread(str(file)))
    read = time.perf_counter()
    told: dict[str, Any] = {"status": "failed", "used": [], "cameras": []}
    try:
        told |= _register(images, given.registration_megapixels, given.out)
    except (cv2.error, MemoryError) as error:
        told["status"] = f"raised: {' '.join(str(error).split())[:200]}"
    told |= {"read_s": read - began, "total_s": time.perf_counter() - began}
    print(json.dumps(told))


def _at(step: str) -> None:
    print(step, file=sys.stderr, flush=True)


def _register(images: list[Any], megapixels: float | None, out: Path | None) -> dict[str, Any]:
    stitcher = cv2.Stitcher.create(cv2.Stitcher_PANORAMA)
    if megapixels is not None:
        stitcher.setRegistrationResol(megapixels)
    _at("registering")
    status = stitcher.estimateTransform(images)
    if status != 0:
        return {"status": _STATUS.get(status, str(status))}
    found = {
        "status": "OK",
        "used": [int(i) for i in stitcher.component()],
        "scale": stitcher.workScale(),
        "cameras": [{"K": c.K().tolist(), "R": c.R.tolist()} for c in stitcher.cameras()],
    }
    if out is not None:
        _at("composing")
        status, picture = stitcher.composePanorama()  # of the frames it kept
        if status != 0:
            return found | {"status": _STATUS.get(status, str(status))}
        _at("writing")
        found["size"] = [int(picture.shape[1]), int(picture.shape[0])]
        if not cv2.imwrite(str(out), picture):
            found["status"] = "could not write the picture"
    return found


if __name__ == "__main__":
    main()

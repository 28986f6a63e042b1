"""Versions of the code that makes a result, so that nothing made by other code is taken for current."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import belvedere

LIBRARIES = (
    "numpy",
    "scipy",
    "numba",
    "opencv-python-headless",
    "imagecodecs",
    "simplejpeg",
    "tifffile",
    "pillow",
)
"""The libraries that have a say in the pixels."""


@cache
def room_version(room: str) -> str:
    """SHA-256 of a room's source files and Belvedere's version; of the version alone where there are none."""
    digest = hashlib.sha256(belvedere.__version__.encode())
    folder = Path(belvedere.__file__).parent / room
    for file in sorted(folder.rglob("*.py")):
        digest.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


@cache
def library_versions() -> dict[str, str]:
    """Version of every library in `LIBRARIES` that is installed."""
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def code_versions(rooms: Iterable[str]) -> dict[str, str]:
    """Version of each room's code together with the libraries it runs on."""
    libraries = repr(sorted(library_versions().items()))
    return {room: hashlib.sha256((room_version(room) + libraries).encode()).hexdigest() for room in rooms}

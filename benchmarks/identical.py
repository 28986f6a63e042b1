"""Same pixels and tags whatever the block size, the workers, the memory, the process."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import tifffile

from benchmarks.command import python_module, run, stitch
from benchmarks.sets import Setting
from benchmarks.table import Figure

SETS = ("row", "full-turn", "rows-3x5")
_MOST_MEGAPIXELS = 1.5
_PLACES = {"TileOffsets", "TileByteCounts", "StripOffsets", "StripByteCounts"}  # where, not what

VARIANTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("as it comes", ()),
    ("blocks of 512", ("--tile", "512")),
    ("blocks of 2048", ("--tile", "2048")),
    ("1 worker", ("--workers", "1")),
    ("2 workers", ("--workers", "2")),
    ("4 workers", ("--workers", "4")),
    ("600 MiB", ("--memory", "600MiB")),
    ("4 GiB", ("--memory", "4GiB")),
    ("4 workers, blocks of 512, 1 GiB", ("--workers", "4", "--tile", "512", "--memory", "1GiB")),
)


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    megapixels = min(setting.megapixels, _MOST_MEGAPIXELS)
    for name in SETS:
        folder = setting.rendered(name, megapixels=megapixels)
        pixels, tags = [], []
        for words, options in VARIANTS:
            out = setting.room("identical") / "picture.tif"
            stitch(folder, out, *options)
            print(f"  {name}, {words}", flush=True)
            pixels.append(pixels_digest(out))
            tags.append(tags_text(out))
        room = setting.room("identical")
        outs = [room / f"run-{k}" / "picture.tif" for k in range(2)]  # the name is in the stage's key
        for out in outs:
            out.parent.mkdir()
        ran = run(python_module("benchmarks.in_one_process", folder, *outs))
        if ran.code not in (0, 3):
            raise RuntimeError(f"two runs in one process ended with {ran.code}: {ran.errors[-300:]}")
        pixels += [pixels_digest(out) for out in outs]
        tags += [tags_text(out) for out in outs]
        names = [words for words, _ in VARIANTS] + ["first in one process", "second in one process"]
        yield _differing(f"{name}: runs of {len(names)} with other pixels", pixels, names)
        yield _differing(f"{name}: runs of {len(names)} with other tags", tags, names)


def pixels_digest(path: Path) -> str:
    """SHA-256 of the decoded pixels, read by tifffile."""
    return hashlib.sha256(tifffile.imread(path).tobytes()).hexdigest()


def tags_text(path: Path) -> str:
    """All tags of all pages as text, but where in the file the tiles lie."""
    with tifffile.TiffFile(path) as tiff:
        return repr(
            [
                (tag.code, tag.dtype, tag.count, tag.value)
                for page in tiff.pages
                for tag in page.tags
                if tag.name not in _PLACES
            ]
        )


def _differing(name: str, found: list[str], names: list[str]) -> Figure:
    different = [n for n, f in zip(names, found, strict=True) if f != found[0]]
    return Figure(name, len(different), "", 0, "==", note=", ".join(different))

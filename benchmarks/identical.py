"""Same pixels and tags whatever the block size, the workers, the memory, the process."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path

import tifffile

from belvedere.cli.main import run as run_command
from benchmarks.command import stitch
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
            pixels.append(_pixels(out))
            tags.append(_tags(out))
        for _ in range(2):  # twice in this one process, everything made anew
            out = setting.room("identical") / "picture.tif"
            _in_this_process(folder, out)
            pixels.append(_pixels(out))
            tags.append(_tags(out))
        names = [words for words, _ in VARIANTS] + ["in one process", "in one process again"]
        yield _differing(f"{name}: runs of {len(names)} with other pixels", pixels, names)
        yield _differing(f"{name}: runs of {len(names)} with other tags", tags, names)


def _in_this_process(folder: Path, out: Path) -> None:
    with redirect_stdout(io.StringIO()):
        code = run_command(["stitch", str(folder), "--out", str(out), "--quiet"])
    if code not in (0, 3):
        raise RuntimeError(f"belvedere stitch ended with {code} in this process")


def _pixels(path: Path) -> str:
    """SHA-256 of the decoded pixels, read by tifffile."""
    return hashlib.sha256(tifffile.imread(path).tobytes()).hexdigest()


def _tags(path: Path) -> str:
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

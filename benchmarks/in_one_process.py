"""Stitch the same set several times in one process, each time from nothing.

Usage: python -m benchmarks.in_one_process FOLDER OUT.tif OUT.tif ...
"""

from __future__ import annotations

import sys

from belvedere.cli.main import run


def main() -> None:
    """Make every picture; the exit code is the worst of the command's own."""
    folder, *pictures = sys.argv[1:]
    sys.exit(max(run(["stitch", folder, "--out", picture, "--quiet"]) for picture in pictures))


if __name__ == "__main__":
    main()

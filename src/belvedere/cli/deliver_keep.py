"""`belvedere deliver PICTURE --for keep`: arguments to a call, what was made to words."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from belvedere.compose.finished_file import disk_space
from belvedere.deliver.keep import KeepPlan, default_out, keep_picture
from belvedere.deliver.keep_manifest import KeepManifest, manifest_path
from belvedere.pipeline.progress import Progress


def deliver_keep(given: argparse.Namespace) -> int:
    """Write the picture to keep; returns the exit code."""
    path = Path(given.picture)
    out = Path(given.out) if given.out else default_out(path)
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    noticed: list[str] = []

    def told(plan: KeepPlan) -> None:
        noticed.extend(plan.notices)
        if not given.quiet:
            print(plan.words, flush=True)
        for notice in plan.notices:
            print(f"belvedere: {path.name}: {notice}", file=sys.stderr, flush=True)
        line.begin("keep")

    try:
        manifest = keep_picture(
            path, out, replace=given.replace, workers=given.workers, told=told, progress=line.advance
        )
        line.finish()
    finally:
        line.close()
    if not given.quiet:
        print(_made(out, manifest), flush=True)
    return 3 if noticed else 0


def _made(out: Path, manifest: KeepManifest) -> str:
    picture, count = manifest.picture, len(manifest.sources)
    kind = "BigTIFF" if manifest.settings.bigtiff else "TIFF"
    sources = f", with the SHA-256 of {count} source files" if count else ""
    report = f", {manifest.report.file}" if manifest.report is not None else ""
    return (
        f"Written: {out}, {disk_space(picture.bytes)} as {kind}{report}\n"
        f"and {manifest_path(out).name}{sources}. To check them later: belvedere verify {out}"
    )

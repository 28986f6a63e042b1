"""`belvedere verify`: arguments to a call, what was found to words."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from belvedere.deliver.verify import verify
from belvedere.deliver.verify_words import verify_words
from belvedere.pipeline.progress import Progress


def verify_command(given: argparse.Namespace) -> int:
    """Check a picture and its sources against their record; returns the exit code."""
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    try:
        line.begin("verify")
        found = verify(Path(given.file), Path(given.sources) if given.sources else None, line.advance)
        line.finish()
    finally:
        line.close()
    if not given.quiet:
        print(verify_words(found), flush=True)
    elif not found.is_same:
        print(verify_words(found).partition("\n")[0], file=sys.stderr, flush=True)
    return 0 if found.is_same else 3

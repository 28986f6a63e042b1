"""`belvedere deliver`: which purpose, and who serves it."""

from __future__ import annotations

import argparse
from pathlib import Path

from belvedere.cli.deliver_arguments import asked_of_another
from belvedere.errors import BelvedereError, UnreadableFile


def deliver_command(given: argparse.Namespace) -> int:
    """Deliver a picture; returns the exit code."""
    if given.workers is not None and given.workers < 1:
        raise BelvedereError(f"--workers {given.workers}: needs at least 1")
    wrong = asked_of_another(given)
    if wrong is not None:
        raise BelvedereError(wrong)
    if Path(given.picture).is_dir():
        raise UnreadableFile(Path(given.picture), "is a folder; name the picture in it")
    if given.purpose == "screen":
        from belvedere.cli.deliver_screen import deliver_screen

        return deliver_screen(given)
    if given.purpose == "paper":
        from belvedere.cli.deliver_paper import deliver_paper

        return deliver_paper(given)
    from belvedere.cli.deliver_keep import deliver_keep

    return deliver_keep(given)

"""The files of a plan: written whole, and never over what Belvedere did not make."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from belvedere.compose.finished_file import finished_file
from belvedere.errors import OutputFailed, UnreadableFile
from belvedere.plan.field_sheet import MADE_BY
from belvedere.plan.plan_file import plan_bytes, read_document
from belvedere.plan.shoot_plan import ShootPlan


def check_replaceable(out: str | None, sheet: str | None, *, replace: bool) -> None:
    """Ask before any work whether the files can be written.

    Raises
    ------
    OutputFailed
        If a name has another file's ending, is a folder's, or belongs to a file that was not made here; if
        its folder is not there.
    """
    for text, suffix, what, made_here in (
        (out, ".json", "plans", _is_plan),
        (sheet, ".pdf", "sheets", _is_sheet),
    ):
        if text is None:
            continue
        file = Path(text)
        if file.is_dir():
            raise OutputFailed(f"{file}: this is a folder. Choose a file name.")
        if file.suffix.lower() != suffix:
            raise OutputFailed(
                f"{file}: {what} are written as {suffix[1:].upper()}. Choose a name in {suffix}."
            )
        if not file.parent.is_dir():
            raise OutputFailed(f"{file}: the folder {file.parent} is not there. Make it first.")
        if file.exists() and not replace and not made_here(file):
            raise OutputFailed(
                f"{file}: is there already, and Belvedere did not make it. Choose another name, or give "
                "--replace."
            )


def write_plan(file: Path, plan: ShootPlan, extras: Mapping[str, Any]) -> None:
    """Write `plan.json`."""
    with finished_file(file) as stream:
        stream.write(plan_bytes(plan, extras))


def write_sheet(file: Path, page: bytes) -> None:
    """Write the field sheet."""
    with finished_file(file) as stream:
        stream.write(page)


def _is_plan(file: Path) -> bool:
    try:
        read_document(file)
    except UnreadableFile:
        return False
    return True


def _is_sheet(file: Path) -> bool:
    with file.open("rb") as stream:
        data = stream.read(1 << 20)
    return data.startswith(b"%PDF-") and MADE_BY.encode("ascii") in data

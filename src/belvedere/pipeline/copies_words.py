"""What a person is told of copies that were made, or were not."""

from __future__ import annotations

from belvedere.compose.finished_file import disk_space
from belvedere.errors import BelvedereError
from belvedere.pipeline.copy_series import Copies

_SHOWN = 8


def copies_in_words(copies: Copies) -> str:
    """What was copied; problems first."""
    lines = [f"not copied: {file}: {why}" for file, why in copies.failed[:_SHOWN]]
    if len(copies.failed) > _SHOWN:
        lines.append(f"and {len(copies.failed) - _SHOWN} more not copied")
    there, planned = len(copies.files), copies.planned
    if copies.stopped:
        lines.append(f"stopped after {there} of {planned} files: {copies.stopped}")
    size = disk_space(sum(copied.bytes for copied in copies.files))
    if copies.is_complete and copies.were_there == planned:
        lines.append(f"All {planned} files ({size}) are in {copies.folder} already, verified again.")
    else:
        said = f"{planned} files" if copies.is_complete else f"{there} of {planned} files"
        before = f", {copies.were_there} of them by an earlier run" if copies.were_there else ""
        lines.append(f"Copied {said} ({size}) into {copies.folder}, each verified{before}.")
    lines += copies.notices
    return "\n".join(lines)


def raise_if_nothing_copied(copies: Copies) -> None:
    """Raise BelvedereError with why, where no file at all is there."""
    if copies.files or not copies.planned:
        return
    why = copies.stopped or "; ".join(f"{file}: {why}" for file, why in copies.failed[:3])
    raise BelvedereError(f"{copies.folder}: nothing was copied: {why}")

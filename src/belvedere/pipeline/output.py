"""May the picture be written where the person wants it? Asked before any work is done."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from belvedere.compose.finished_file import output_failed, part_path
from belvedere.compose.report import read_report, report_path
from belvedere.errors import OutputFailed, UnreadableFile
from belvedere.pipeline.options import Kind, StitchOptions

TIFF_SUFFIXES = (".tif", ".tiff")
DNG_SUFFIXES = (".dng",)


def check_output(out: Path, kind: Kind = "picture") -> None:
    """Raise OutputFailed unless a picture of this kind can be made under this name.

    Raises
    ------
    OutputFailed
        If the name is not of that kind, is a folder's, or its folder is missing or may not be written to.
    """
    if out.is_dir():
        raise OutputFailed(f"{out}: this is a folder. Choose a file name.")
    if kind == "linear-dng":
        if out.suffix.lower() not in DNG_SUFFIXES:
            raise OutputFailed(f"{out}: this picture is written as DNG. Choose a name that ends in .dng.")
    elif out.suffix.lower() in DNG_SUFFIXES:
        raise OutputFailed(
            f"{out}: a DNG is made with --as linear-dng. Add that, or choose a name that ends in .tif."
        )
    elif out.suffix.lower() not in TIFF_SUFFIXES:
        raise OutputFailed(f"{out}: pictures are written as TIFF. Choose a name that ends in .tif.")
    check_writable(out)


def check_writable(out: Path) -> None:
    """Raise OutputFailed unless a file can be made beside where `out` is to be."""
    probe = part_path(out)
    try:
        with probe.open("wb"):
            pass
    except OSError as error:
        raise output_failed(out, error) from error
    finally:
        with suppress(OSError):
            probe.unlink()


def check_not_a_source(paths: Sequence[Path], made: Sequence[Path]) -> None:
    """Raise OutputFailed if what is to be made would replace a file that was named as a source."""
    named = {path.resolve(): path for path in paths if path.is_file()}
    for target in made:
        if target.resolve() in named:
            raise OutputFailed(
                f"{target}: is one of the frames, and frames are never replaced. Choose another name."
            )


def check_replaceable(options: StitchOptions) -> None:
    """Raise OutputFailed if a file is there that was not made here, or has been changed since.

    A picture made here has its report beside it, which knows the picture's size on disk. Among the frames
    such a file is never replaced, since it may be one of them; elsewhere the person may say so.
    """
    target = options.preview_path if options.preview else options.out
    report = report_path(options.out)
    _check_report_is_ours(options.out, report)
    if not target.exists():
        return
    if report.is_file() if options.preview else _made_here(target, report):
        return
    folder = target.parent.resolve()
    if any(source.is_dir() and source.resolve() == folder for source in options.sources):
        raise OutputFailed(
            f"{target}: lies among the frames and was not made by Belvedere, or has been changed since. "
            "Choose another name."
        )
    if not options.replace:
        raise OutputFailed(
            f"{target}: is there already and was not made by Belvedere, or has been changed since. "
            "Choose another name, or add --replace."
        )


def _check_report_is_ours(out: Path, report: Path) -> None:
    """Raise OutputFailed if the report there is that of another picture, of the same name but its suffix."""
    try:
        known = read_report(report).picture
    except UnreadableFile:
        return
    if known is not None and known.file != out.name and report.with_name(known.file).exists():
        raise OutputFailed(
            f"{report}: is the report of {known.file}, and every picture has its own. "
            f"Choose another name, like {out.stem}-{out.suffix[1:].lower()}{out.suffix}."
        )


def _made_here(picture: Path, report: Path) -> bool:
    try:
        known = read_report(report).picture
        return known is not None and known.file_bytes == picture.stat().st_size
    except (UnreadableFile, OSError):
        return False

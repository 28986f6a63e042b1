"""To keep: the picture with its halves, its report and its manifest beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import msgspec

import belvedere
from belvedere.capture.digest import file_sha256
from belvedere.compose.report import Report, report_path, write_report
from belvedere.deliver.format_choice import TiledChoice, choose_tiled
from belvedere.deliver.keep_file import Kept, keep_form, write_keep_file
from belvedere.deliver.keep_form import KeepForm
from belvedere.deliver.keep_manifest import (
    HashedFile,
    KeepManifest,
    KeepSettings,
    MadeBy,
    SourceFile,
    manifest_path,
    read_keep_manifest,
    sources_of,
    write_keep_manifest,
)
from belvedere.deliver.keep_tags import KeepTags, keep_tags
from belvedere.deliver.picture import Picture, open_picture
from belvedere.errors import OutputFailed, UnreadableFile

_LIBRARIES = ("imagecodecs", "numba", "numpy", "tifffile")
_SUFFIXES = (".tif", ".tiff")


@dataclass(frozen=True, slots=True)
class KeepPlan:
    """What will be written, told before anything is computed.

    Parameters
    ----------
    out : Path
    form : KeepForm
    choice : TiledChoice
    notices : tuple of str
        What is not known or cannot be carried over.
    """

    out: Path
    form: KeepForm
    choice: TiledChoice
    notices: tuple[str, ...]

    @property
    def words(self) -> str:
        """One sentence for a person."""
        form = self.form
        sizes = "1 size" if form.levels == 1 else f"{form.levels} sizes"
        return (
            f"{self.out.name}: {form.width:,} x {form.height:,} px, {form.bits} bits a sample, {sizes}; "
            f"{self.choice.words}"
        )


def default_out(picture: Path) -> Path:
    """Where a picture to keep goes if nobody says: PICTURE.keep.tif beside it."""
    return picture.with_name(picture.stem + ".keep.tif")


def keep_picture(
    path: Path,
    out: Path,
    *,
    replace: bool = False,
    workers: int | None = None,
    told: Callable[[KeepPlan], None] | None = None,
    progress: Callable[[float], None] | None = None,
) -> KeepManifest:
    """Write OUT.tif, OUT.report.json where a report is known, and OUT.manifest.json last.

    Parameters
    ----------
    path : Path
        The picture to deliver.
    out : Path
        The TIFF. What is there is replaced if it was made here, else only with `replace`.
    workers : int, optional
        Threads; one a processor if not given.
    told : function of the plan, optional
        Called before the first pixel is computed.
    progress : function of a share, 0 to 1, optional

    Raises
    ------
    OutputFailed
        If it may not or cannot be written; then the files of those names are what they were.
    UnreadableFile
        If the picture cannot be read.
    """
    _check_out(path, out, replace=replace)
    with open_picture(path, workers=workers, as_stored=True) as picture:
        tags = keep_tags(picture, f"Belvedere {belvedere.__version__}")
        form = keep_form(picture, tags)
        plan = KeepPlan(
            out, form, choose_tiled(form.expected_bytes(), form.most_bytes), (*picture.notices, *tags.notices)
        )
        if told is not None:
            told(plan)
        made_from = _hashed(path)
        kept = write_keep_file(picture, out, form, workers=workers, progress=progress)
        report = _write_report_beside(picture, kept)
        manifest = _manifest(picture, kept, tags, made_from, report)
    write_keep_manifest(manifest_path(out), manifest)
    return manifest


def _check_out(path: Path, out: Path, *, replace: bool) -> None:
    """Raise OutputFailed if `out` may not be written."""
    if out.suffix.lower() not in _SUFFIXES:
        raise OutputFailed(f"{out}: pictures to keep are written as TIFF. Choose a name that ends in .tif.")
    if out.resolve() == path.resolve():
        raise OutputFailed(f"{out}: is the picture itself. Choose another name.")
    if report_path(out).resolve() == report_path(path).resolve():
        raise OutputFailed(f"{out}: its report would replace that of {path.name}. Choose another name.")
    if out.is_dir():
        raise OutputFailed(f"{out}: this is a folder. Choose a file name.")
    if out.exists() and not replace and not _made_here(out):
        raise OutputFailed(
            f"{out}: is there already and was not made here, or has been changed since. "
            "Choose another name, or add --replace."
        )


def _made_here(out: Path) -> bool:
    """Whether the file is of the size and name that the manifest beside it tells."""
    try:
        known = read_keep_manifest(manifest_path(out)).picture
        return known.file == out.name and known.bytes == out.stat().st_size
    except (UnreadableFile, OSError):
        return False


def _hashed(path: Path) -> HashedFile:
    return HashedFile(file=path.name, bytes=path.stat().st_size, sha256=file_sha256(path))


def _write_report_beside(picture: Picture, kept: Kept) -> HashedFile | None:
    """The picture's report beside the kept file, telling of that file; None where there is none."""
    beside = report_path(kept.path)
    if picture.report is None:
        beside.unlink(missing_ok=True)  # of a picture that is no more
        return None
    write_report(_of(picture.report, kept), beside)
    return _hashed(beside)


def _of(report: Report, kept: Kept) -> Report:
    if report.picture is None:
        return report
    named = msgspec.structs.replace(report.picture, file=kept.path.name, file_bytes=kept.path.stat().st_size)
    return msgspec.structs.replace(report, picture=named)


def _manifest(
    picture: Picture, kept: Kept, tags: KeepTags, made_from: HashedFile, report: HashedFile | None
) -> KeepManifest:
    form, told = kept.form, picture.report
    word = told.word if told is not None else None
    return KeepManifest(
        picture=_hashed(kept.path),
        report=report,
        made_from=made_from,
        sources=sources_of(told),
        word=SourceFile(file=word.file, sha256=word.sha256, used=True) if word is not None else None,
        invented=told.invented if told is not None else (),
        digital_source_type=tags.source_type,
        settings=KeepSettings(
            width=form.width,
            height=form.height,
            bits=form.bits,
            samples=form.samples,
            levels=form.levels,
            tile=form.tile,
            bigtiff=kept.is_big,
        ),
        software=MadeBy(version=belvedere.__version__, dependencies=_library_versions()),
    )


def _library_versions() -> dict[str, str]:
    found = {}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found

"""Where the frames of a series are now: among its copies, or on the card."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from belvedere.errors import NothingToMake
from belvedere.pipeline.known_card import is_known_card
from belvedere.pipeline.manifest import Manifest, read_manifest
from belvedere.survey.sorting.series_file import card_root
from belvedere.survey.sorting.sorted_card import Series, SortedCard


@dataclass(frozen=True, slots=True)
class SeriesFrames:
    """Files to make a picture of.

    Parameters
    ----------
    files : tuple of Path
        In the order shot; of a bracket its first exposure.
    poses : tuple of tuple of Path
        Of a series of stepped exposures, the files of each pose, in the order shot; empty otherwise.
    notices : tuple of str
        What the photographer should know.
    """

    files: tuple[Path, ...]
    poses: tuple[tuple[Path, ...], ...] = ()
    notices: tuple[str, ...] = ()

    @property
    def exposures(self) -> tuple[Path, ...]:
        """Every file of every pose, in the order shot."""
        return tuple(file for pose in self.poses for file in pose) or self.files


def find_series(file: Path, card: SortedCard, name: str) -> Series:
    """The series of a name.

    Raises
    ------
    NothingToMake
        If there is none; says which there are.
    """
    for series in card.series:
        if series.name == name:
            return series
    there = ", ".join(series.name for series in card.series) or "none at all"
    raise NothingToMake(f"{file}: no series is called “{name}”; there are {there}")


def find_frames(file: Path, card: SortedCard, series: Series, *, raw_first: bool = False) -> SeriesFrames:
    """Find a series' frames: first among verified copies, then on the card.

    Parameters
    ----------
    file : Path
        The series.json. Copies are sought where it says, and in its own folder.
    card : SortedCard
        What it says.
    raw_first : bool
        Of a picture and its raw file take the raw file, if it is there.

    Raises
    ------
    NothingToMake
        If none of the frames is there, or another card with files of the same names.
    UnreadableFile
        If a manifest of copies cannot be read.
    """
    root = card_root(file, card)
    copied = _copies(file, card)

    def found(place: str) -> Path:
        twin = series.twins.get(place) if raw_first else None
        raw = None if twin is None else _where(twin, root, copied)
        return raw if raw is not None and raw.exists() else _where(place, root, copied)

    files = [found(place) for place in series.frames]
    gone = [place for place, path in zip(series.frames, files, strict=True) if not path.exists()]
    if len(gone) == len(series.frames):
        copies = f", nor among copies in {card.copies}" if card.copies else ""
        raise NothingToMake(
            f"{series.name}: its {len(gone)} frames are not in {root}{copies}. Put the card in, or sort the "
            "copy of it that you have"
        )
    on_card = any(
        path in (root / place, root / series.twins.get(place, place))
        for place, path in zip(series.frames, files, strict=True)
    )
    if on_card and is_known_card(root, card.known_by) is False:
        raise NothingToMake(
            f"{series.name}: {root} is another card than the one that {file.name} sorts: files have the same "
            "names, but other sizes or times of exposure. Put the right card in, or sort this one"
        )
    by_first = {pose[0]: pose for pose in series.brackets}
    poses = [by_first[place] for place in series.frames] if by_first else []
    return SeriesFrames(tuple(files), tuple(tuple(found(place) for place in pose) for pose in poses))


def first_exposures(series: Series) -> str | None:
    """What a person should know where only the first exposure of each pose is looked at."""
    if not series.brackets:
        return None
    counts = sorted({len(pose) for pose in series.brackets})
    exposures = " or ".join(str(count) for count in counts)
    return f"{series.name}: of the {exposures} exposures of every pose the first is looked at"


def _copies(file: Path, card: SortedCard) -> dict[str, tuple[Path, int]]:
    """Path of the copy, and its size, by the file's path under the card."""
    out: dict[str, tuple[Path, int]] = {}
    for folder in (file.parent, *([Path(card.copies)] if card.copies else [])):
        manifest: Manifest | None = read_manifest(folder)
        for copied in () if manifest is None else manifest.files:
            out[copied.file] = (folder / copied.copy, copied.bytes)
    return out


def _where(place: str, root: Path, copied: dict[str, tuple[Path, int]]) -> Path:
    """The copy, if it is there and as large as it was; else the file on the card."""
    if place in copied:
        path, size = copied[place]
        try:
            if path.stat().st_size == size:
                return path
        except OSError:
            pass
    return root / place

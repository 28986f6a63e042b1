"""The door of checking: from a set of frames to the verdict on it. The frames are only ever read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.frame import Frame
from belvedere.capture.gather import Gathered, gather
from belvedere.capture.primaries import common_profile
from belvedere.capture.transfer import read_transfer
from belvedere.errors import NothingToMake, UnreadableFile
from belvedere.pipeline.bracket_notices import exposures_words
from belvedere.pipeline.budget import MIB, budget_for, default_ceiling
from belvedere.pipeline.card import card_paths
from belvedere.pipeline.decoded_set import DecodedSet, ReadSet
from belvedere.pipeline.heap import give_back_large_arrays
from belvedere.pipeline.poses import FirstExposures, first_exposures
from belvedere.pipeline.processors import one_thread_each
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.schedule import Threads
from belvedere.pipeline.scratch_folder import scratch_folder
from belvedere.pipeline.watched import Watched
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.examine import ExamineOptions, examine
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.verdict import Verdict, unusable, verdict
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.options import ToneOptions

# Seconds a frame on the two processors they were measured on; only ratios matter, speed is measured.
_EXPECTED = {"frames": 0.45, "alignment": 0.15, "tone": 0.03, "examination": 0.05}

ALIGN = AlignOptions(feature_pixels=500_000, features_per_frame=1200, ties_per_pair=100)
"""On the demo's sets overlaps are then the same to 0.1 percentage points, in half of a picture's time."""


_CACHE_BYTES = 64 * MIB
"""Of decoded tiles: a check looks at places, not at whole frames, and reads few of them twice. With 1 GiB it
kept 330 MiB of 17 frames of 24 megapixels and read 2,629 tiles, not 3,132: 0.1 s of processor time in 12."""


@dataclass(frozen=True, slots=True)
class CheckOptions:
    """What is to be checked, and against what.

    Parameters
    ----------
    sources : tuple of Path
        Frames, and folders of frames.
    in_order_given : bool
        The sources are files in the order shot, which no clock overrules.
    memory_bytes : int or None
        Ceiling of memory; None: see `budget.default_ceiling`.
    workers : int or None
        Most threads; None: one a processor.
    work : Path or None
        Folder in which frames are decoded meanwhile; None: the system's for temporary files.
    align, tone, examine
        Options of what is measured, and against what it is held.
    """

    sources: tuple[Path, ...]
    in_order_given: bool = False
    memory_bytes: int | None = None
    workers: int | None = None
    work: Path | None = None
    align: AlignOptions = ALIGN
    tone: ToneOptions = field(default_factory=ToneOptions)
    examine: ExamineOptions = field(default_factory=ExamineOptions)


def check(options: CheckOptions, progress: Progress) -> Verdict:
    """Check a set of frames.

    Parameters
    ----------
    options : CheckOptions
    progress : Progress
        Told how far it is.

    Raises
    ------
    UnreadableFile
        If a file or folder that was named is not there.
    OutputFailed
        If the scratch folder cannot take the frames.
    BelvedereError
        If an option cannot be followed.
    """
    for source in options.sources:
        if not source.exists():
            raise UnreadableFile(source, "is not there")
    give_back_large_arrays(options.memory_bytes or default_ceiling())
    with one_thread_each(), scratch_folder(options.work) as scratch:
        found = gather(options.sources, as_given=options.in_order_given)
        return Checking(options, scratch, progress).verdict(found)


class Checking:
    """Checks of a set that may grow; what was read of a file is kept from check to check.

    Parameters
    ----------
    options : CheckOptions
    scratch : Path
        A folder of this run alone.
    progress : Progress
    """

    def __init__(self, options: CheckOptions, scratch: Path, progress: Progress) -> None:
        self._options = options
        self._progress = progress
        self._decoded = DecodedSet(scratch, options.align)
        self.awaited: tuple[Path, ...] = ()

    def verdict(self, found: Gathered, may_come: Callable[[Path], bool] = lambda file: False) -> Verdict:
        """The verdict on what was found.

        Parameters
        ----------
        found : Gathered
        may_come : callable
            Whether a file that cannot be read may still be on its way: such files are not judged but kept
            in `awaited`.
        """
        self.awaited = ()
        if not found.frames:
            return unusable(_no_frame(self._options.sources, self._lost(found.unreadable, may_come)))
        posed = first_exposures(found.frames)
        found = replace(found, frames=posed.frames)
        self._progress.expect({stage: s * len(found.frames) for stage, s in _EXPECTED.items()})
        budget = budget_for(found.frames, self._options.memory_bytes, self._options.workers)
        self._progress.begin("frames")
        decoders = Threads(min(budget.decoders, budget.aligners))
        cache_bytes = min(budget.cache_bytes, _CACHE_BYTES)
        read = self._decoded.read(found.frames, cache_bytes, decoders, self._progress.advance)
        self._progress.finish()
        with read.store:
            lost = self._lost((*found.unreadable, *read.unreadable), may_come)
            findings = _brackets(posed)
            return self._judge(read, found.notices, lost, Threads(budget.aligners), findings)

    def _lost(
        self, unreadable: Sequence[tuple[Path, str]], may_come: Callable[[Path], bool]
    ) -> list[tuple[Path, str]]:
        """What cannot be read and is not waited for."""
        waited = {file for file, _ in unreadable if may_come(file)}
        self.awaited = tuple(sorted(waited))
        return [(file, why) for file, why in unreadable if file not in waited]

    def _judge(
        self,
        read: ReadSet,
        notices: Sequence[str],
        lost: Sequence[tuple[Path, str]],
        run: Threads,
        found: Sequence[Finding],
    ) -> Verdict:
        names = card_paths([frame.file for frame in read.frames]) if read.frames else []
        findings = [*(_unreadable(file, why) for file, why in lost), *found]
        if len(read.frames) < 2:
            if not read.frames:
                return unusable(_no_frame(self._options.sources, lost))
            why = f"{read.frames[0].name} is the only frame that can be read; a set has two or more"
            return unusable(why, names, findings)
        try:
            checked = self._measured(read, run)
        except NothingToMake as error:
            return unusable(str(error), names, findings)
        self._progress.begin("examination")
        watched = Watched(run, self._progress.advance)
        findings += examine(checked, self._options.examine, watched)
        self._progress.finish()
        findings += [Finding("settings", "note", (), notice) for notice in notices]
        if read.previews:
            findings.append(_previews(read.frames, read.previews))
        return verdict(checked, findings, names=names)

    def _measured(self, read: ReadSet, run: Threads) -> Checked:
        options, frames = self._options, read.frames
        self._progress.begin("alignment")
        watched = Watched(run, self._progress.advance)
        alignment = estimate_alignment(read.store, frames, options.align, watched, features=read.features)
        self._progress.finish()
        self._progress.begin("tone")
        common = common_profile(frames)
        transfers = [read_transfer(frame.metadata) for frame in frames]
        tone = estimate_tone(read.store, frames, alignment, transfers, options.tone, common.to_common)
        self._progress.finish()
        return Checked(frames, read.store, alignment, tone)


def _brackets(posed: FirstExposures) -> list[Finding]:
    """What is to be said of poses of several exposures; the last may still be being shot."""
    told = exposures_words(posed.counts)
    if told is None:
        return []
    findings = [Finding("settings", "note", (), f"stepped exposures: {told}; the first of each is looked at")]
    usual = max(set(posed.counts), key=lambda n: (posed.counts.count(n), n))
    short = [f.name for f, n in zip(posed.frames[:-1], posed.counts[:-1], strict=True) if n < usual]
    if short:
        more = f" and {len(short) - 1} more" if len(short) > 1 else ""
        words = f"{short[0]}{more}: fewer exposures than the {usual} of other poses; shoot the bracket again"
        findings.append(Finding("settings", "reshoot", (), words))
    return findings


def _unreadable(file: Path, why: str) -> Finding:
    words = f"{file.name}: {why}; if it is a frame of this set and not shot again since, shoot it again"
    return Finding("unreadable", "reshoot", (), words)


def _previews(frames: Sequence[Frame], count: int) -> Finding:
    first = next(f.metadata for f in frames)
    what = "the raw file is" if count == 1 else f"{count} raw files are"
    size = f"{first.width} x {first.height} px"
    words = f"{what} judged by the preview inside ({size})"
    return Finding("settings", "note", (), words, {"count": float(count)})


def _no_frame(sources: Sequence[Path], unreadable: Sequence[tuple[Path, str]]) -> str:
    where = ", ".join(str(path) for path in sources[:3])
    because = "".join(f"; {path.name}: {why}" for path, why in unreadable[:3])
    more = f"; and {len(unreadable) - 3} more" if len(unreadable) > 3 else ""
    inside = any(_has_folders(path) for path in sources)
    hint = "; there are folders in it: give one of them, or sort the card first" if inside else ""
    return f"no frame that can be read in {where}{because}{more}{hint}"


def _has_folders(path: Path) -> bool:
    try:
        return path.is_dir() and any(e.is_dir() and not e.name.startswith(".") for e in path.iterdir())
    except OSError:
        return False

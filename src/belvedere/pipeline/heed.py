"""The options of a run once the person's word is heeded: names looked up, what the word file says put in.

What stands on the command line is added to the file where both can hold, and overrules it where not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from belvedere.align.options import AlignOptions, HandTies
from belvedere.capture.frame import Frame
from belvedere.capture.gather import Gathered
from belvedere.compose.report import WordReport
from belvedere.errors import NothingToMake, UnreadableFile
from belvedere.pipeline.card import card_paths
from belvedere.pipeline.frame_names import AmbiguousName, FrameNames
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.word import TiePoints, Word, WordFile

_CLOSE = 0.02  # of the long side: marks that lie closer give no direction; common practice, no source
_SHOWN = 4  # faults told at once
_ONE_POINT = "one point of the horizon says nothing of its slope; give two or more, or a plumb line"


@dataclass(frozen=True, slots=True)
class Heeded:
    """Options that call frames by their paths under the card, frames in their order, and what was said."""

    options: StitchOptions
    gathered: Gathered
    report: WordReport | None


def with_masks(options: StitchOptions, word: WordFile | None) -> StitchOptions:
    """The options with the word's folder of masks, where the command line names none.

    Raises
    ------
    UnreadableFile
        If there is no such folder.
    """
    if word is None or word.masks is None or options.masks is not None:
        return options
    if not word.masks.is_dir():
        raise UnreadableFile(word.file, f"masks: {word.masks} is no folder")
    return replace(options, masks=word.masks)


def heed(options: StitchOptions, word: WordFile | None, gathered: Gathered) -> Heeded:
    """Put what the command line says and what the word file says together.

    Parameters
    ----------
    options : StitchOptions
        Of the command line; frames are called as the person calls them.
    word : WordFile or None
    gathered : Gathered
        The frames there are.

    Raises
    ------
    UnreadableFile
        If the word names a frame there is not, a place outside one, or contradicts itself; every fault is
        told with its key.
    NothingToMake
        The like on the command line.
    """
    look = _Lookup(gathered)
    typed = _typed(options.align, look)
    if look.faults:
        raise NothingToMake(_told(look.faults))
    said = Word("") if word is None else word.word
    written, order = _written(said, look), _ordered(said, look)
    if (
        not look.faults
        and word is not None
        and len(said.horizon) == 1 > len(typed.horizon_points + said.plumb)
    ):
        look.faults.append(f"horizon: {_ONE_POINT}")
    if look.faults and word is not None:
        raise UnreadableFile(word.file, _told(look.faults))
    align = _together(typed, written)
    if len(align.horizon_points) == 1 and not align.plumb_lines:
        raise NothingToMake(_ONE_POINT)
    heeded = replace(
        gathered,
        frames=tuple(look.frames[path] for path in order),
        unreadable=tuple(u for u in gathered.unreadable if u[0].as_posix() not in look.given_up),
    )
    report = None
    if word is not None:
        report = WordReport(file=word.file.name, sha256=word.sha256, words=words_of(said))
    return Heeded(replace(options, align=align), heeded, report)


def words_of(word: Word) -> str:
    """What a word file says, counted, for the summary."""
    said = [
        _count(len(set(word.leave_out)), "frame left out", "frames left out"),
        _count(len(set(word.keep)), "frame kept", "frames kept"),
        _count(len(word.order), "frame put in order", "frames put in order"),
        _count(len({frozenset((t.a, t.b)) for t in word.tie_points}), "hand-set pair", "hand-set pairs"),
        "" if word.focal_35mm is None else f"focal length {word.focal_35mm:g} mm",
        _count(len(word.horizon), "point of the horizon", "points of the horizon"),
        _count(len(word.plumb), "plumb line", "plumb lines"),
        "" if word.masks is None else "masks",
    ]
    return ", ".join(text for text in said if text) or "nothing yet"


def _count(count: int, one: str, many: str) -> str:
    return "" if not count else f"{count} {one if count == 1 else many}"


def _told(faults: Sequence[str]) -> str:
    more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
    return "; ".join(faults[:_SHOWN]) + more


class _Lookup:
    """Frames found by name, and what was wrong with what was said of them.

    `given_up` are files that cannot be read and that nobody wants.
    """

    def __init__(self, gathered: Gathered) -> None:
        paths = card_paths([frame.file for frame in gathered.frames])
        self.frames: dict[str, Frame] = dict(zip(paths, gathered.frames, strict=True))
        self.faults: list[str] = []
        self.given_up: set[str] = set()
        self._names = FrameNames(paths)
        self._why = {path.as_posix(): why for path, why in gathered.unreadable}
        self._bad = FrameNames(tuple(self._why))

    def find(self, name: str, key: str, so: str = "") -> str | None:
        """The path of a frame; None, and a fault, where there is none of that name, or several."""
        try:
            path = self._names.find(name)
            bad = self._bad.find(name) if path is None else None
        except AmbiguousName as several:
            paths = ", ".join(several.paths[:3])
            self.faults.append(f"{key}{name}: {len(several.paths)} files have this name: {paths}")
            return None
        if path is None:
            why = f"cannot be used ({self._why[bad]})" if bad else f"no frame has this name{so}"
            self.faults.append(f"{key}{name}: {why}")
        return path

    def leave_out(self, name: str, key: str, so: str = "") -> str | None:
        """The same for a frame to be left out, which need not be readable."""
        before = len(self.faults)
        path = self.find(name, key, so)
        if path is None:
            try:
                bad = self._bad.find(name)
            except AmbiguousName:
                return None
            if bad is not None:
                del self.faults[before:]
                self.given_up.add(bad)
        return path

    def inside(self, path: str | None, points: Sequence[tuple[float, float]], key: str) -> bool:
        """Whether points lie on a frame; a fault where not."""
        if path is None:
            return False
        size = self.frames[path].metadata
        for x, y in points:
            if not (-0.5 <= x <= size.width - 0.5 and -0.5 <= y <= size.height - 0.5):
                self.faults.append(
                    f"{key}{x:g}, {y:g} lies outside {path}, which is {size.width} x {size.height} px"
                )
                return False
        return True

    def apart(self, path: str, points: Sequence[tuple[float, float]]) -> bool:
        """Whether points of a frame lie far enough apart to give a direction."""
        size = self.frames[path].metadata
        wide, high = (max(p[k] for p in points) - min(p[k] for p in points) for k in (0, 1))
        return max(wide, high) >= _CLOSE * max(size.width, size.height)


def _typed(align: AlignOptions, look: _Lookup) -> AlignOptions:
    """The command line's options with paths for names."""
    left_out = [look.leave_out(name, "", ", so it cannot be left out") for name in align.leave_out]
    horizon = []
    for name, x, y in align.horizon_points:
        path = look.find(name, "", ", so it holds no point of the horizon")
        if path is not None and look.inside(path, [(x, y)], "--horizon: "):
            horizon.append((path, x, y))
    return replace(align, leave_out=tuple(p for p in left_out if p), horizon_points=tuple(horizon))


def _written(word: Word, look: _Lookup) -> AlignOptions:
    """What the word file says of the alignment, with paths for names."""
    left_out = [look.leave_out(name, "leave_out: ") for name in word.leave_out]
    keep = [look.find(name, "keep: ") for name in word.keep]
    both = sorted({p for p in keep if p} & {p for p in left_out if p})
    look.faults += [f"keep: {path}: stands in leave_out too" for path in both]
    horizon, plumb = [], []
    for i, p in enumerate(word.horizon):
        key = f"horizon[{i}]: "
        path = look.find(p.frame, key)
        if path is not None and look.inside(path, [(p.x, p.y)], key):
            horizon.append((path, p.x, p.y))
    for i, line in enumerate(word.plumb):
        key = f"plumb[{i}]: "
        path = look.find(line.frame, key)
        if path is None or not look.inside(path, [line.start, line.end], key):
            continue
        if not look.apart(path, [line.start, line.end]):
            look.faults.append(f"{key}its ends lie too close together to give a direction")
        plumb.append((path, *line.start, *line.end))
    ties = [_ties(t, f"tie_points[{i}]", look) for i, t in enumerate(word.tie_points)]
    return AlignOptions(
        focal_35mm=word.focal_35mm,
        leave_out=tuple(p for p in left_out if p),
        keep=tuple(p for p in keep if p),
        tie_points=tuple(t for t in ties if t),
        horizon_points=tuple(horizon),
        plumb_lines=tuple(plumb),
    )


def _ties(ties: TiePoints, key: str, look: _Lookup) -> HandTies | None:
    a, b = look.find(ties.a, f"{key}.a: "), look.find(ties.b, f"{key}.b: ")
    if a is None or b is None:
        return None
    if a == b:
        look.faults.append(f"{key}: a and b are the same frame, {a}")
        return None
    for k, (ua, va, ub, vb) in enumerate(ties.points):
        place = f"{key}.points[{k}]: "
        if not (look.inside(a, [(ua, va)], place) and look.inside(b, [(ub, vb)], place)):
            return None
    for path, points in ((a, [p[:2] for p in ties.points]), (b, [p[2:] for p in ties.points])):
        if not look.apart(path, points):
            look.faults.append(f"{key}.points: lie too close together in {path} to give a direction")
            return None
    return HandTies(a, b, ties.points)


def _ordered(word: Word, look: _Lookup) -> list[str]:
    """Paths of all frames: those the word puts in order take each other's places, the rest keep theirs."""
    named = [path for path in (look.find(name, "order: ") for name in word.order) if path]
    twice = [path for path, count in Counter(named).items() if count > 1]
    look.faults += [f"order: {path}: stands there more than once" for path in twice]
    if twice:
        return list(look.frames)
    moving, following = set(named), iter(named)
    return [next(following) if path in moving else path for path in look.frames]


def _together(typed: AlignOptions, written: AlignOptions) -> AlignOptions:
    """The command line's options and the file's: lists are added, a value typed stands above one written."""
    left_out = {*typed.leave_out, *written.leave_out}
    return replace(
        typed,
        focal_35mm=written.focal_35mm if typed.focal_35mm is None else typed.focal_35mm,
        leave_out=tuple(sorted(left_out)),
        keep=tuple(sorted(set(written.keep) - left_out)),
        tie_points=written.tie_points,
        horizon_points=(*written.horizon_points, *typed.horizon_points),
        plumb_lines=written.plumb_lines,
    )

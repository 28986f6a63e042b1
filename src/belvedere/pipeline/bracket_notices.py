"""What a person should know of exposures that were merged."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.frame import Frame, Metadata

_SAID_PX = 0.3  # a shift between exposures from which it is told
_BENT_EV = 0.1  # from which a curve is told to be another than the profile's
_MUCH_MOVED = 0.2  # of a frame
_SAME_EV = 0.1


def bracket_notices(frames: Sequence[Frame], accounts: Sequence[BracketAccount | None]) -> list[str]:
    """Sentences on exposures that were missing, differed in more than time, moved, or did not fit their tags.

    Parameters
    ----------
    frames : sequence of Frame
    accounts : sequence of (BracketAccount or None)
        One a frame; None of frames of one exposure.
    """
    merged = [(f, a) for f, a in zip(frames, accounts, strict=True) if a is not None]
    if not merged:
        return []
    return [
        *_fewer(frames, accounts),
        *_differ(merged, "aperture", lambda m: m.f_number, lambda v: f"f/{v:g}", _DEPTH),
        *_differ(merged, "ISO", lambda m: m.iso, lambda v: f"{v:g}", _NOISE),
        *_curves(merged),
        *_wrong(merged),
        *_bent(merged),
        *_shifted(merged),
        *_moved(merged),
    ]


_DEPTH = "depth of field differs between them, and what is sharp in one may be soft in another; step the time"
_NOISE = "each is weighed by its own noise; stepping the time alone gives more"
_Merged = tuple[Frame, BracketAccount]


def _fewer(frames: Sequence[Frame], accounts: Sequence[BracketAccount | None]) -> list[str]:
    """Poses with fewer exposures than most."""
    counts = [1 if a is None else len(a.merged) for a in accounts]
    usual = max(set(counts), key=lambda n: (counts.count(n), n))
    short = [f.name for f, n in zip(frames, counts, strict=True) if n < usual]
    if not short:
        return []
    least = min(n for n in counts if n < usual)
    few = "1 exposure" if least == 1 else f"{least} exposures"
    return [f"{_listed(short)}: {few} where the other poses have {usual}"]


def _differ(
    merged: Sequence[_Merged],
    name: str,
    read: Callable[[Metadata], float | None],
    words: Callable[[float], str],
    so: str,
) -> list[str]:
    """Poses whose exposures differ in a setting other than the time."""
    own, values = [], set()
    for frame, _ in merged:
        found = {v for v in (read(e.metadata) for e in frame.exposures) if v}
        if found and 2.0 * math.log2(max(found) / min(found)) > _SAME_EV:
            own.append(frame.name)
            values |= found
    if not own:
        return []
    told = [words(v) for v in sorted(values)]
    listed = " and ".join(told) if len(told) < 3 else f"{told[0]} to {told[-1]}"
    return [f"{_listed(own)}: the exposures of one pose differ in {name} ({listed}): {so}"]


def _curves(merged: Sequence[_Merged]) -> list[str]:
    if not any(a.curve for _, a in merged):
        return []
    return [
        "the camera's own contrast curve was estimated from the stepped exposures, and undone to merge them"
    ]


def _wrong(merged: Sequence[_Merged]) -> list[str]:
    files = [f.exposures[k].file.name for f, a in merged for k in a.wrong_settings]
    if not files:
        return []
    its = "its settings say" if len(files) == 1 else "their settings say"
    return [f"{_listed(files)}: did not take the light that {its}; the pixels tell how much"]


def _bent(merged: Sequence[_Merged]) -> list[str]:
    """A camera's own curve on top of the profile's: exposures disagree on how far they lie apart."""
    bent = sorted(abs(a.bent_ev) for _, a in merged)
    middle = bent[len(bent) // 2]
    if middle <= _BENT_EV:
        return []
    return [
        f"exposures of one pose lie {middle:.1f} EV further apart in some tones than in others: the camera "
        "bends tones more than its profile tells, and they are merged by the profile; raw files have "
        "no such bend"
    ]


def _shifted(merged: Sequence[_Merged]) -> list[str]:
    worst = max(merged, key=lambda m: m[1].shift_px)
    frame, account = worst
    if account.shift_px <= _SAID_PX:
        return []
    count = sum(a.shift_px > _SAID_PX for _, a in merged)
    poses = "1 pose" if count == 1 else f"{count} poses"
    text = (
        f"the camera moved between the exposures of {poses}, up to {account.shift_px:.1f} px ({frame.name})"
    )
    left = max(a.left_px for _, a in merged)
    brought = "; brought together by whole pixels" if account.shift_px >= 0.5 else ""
    rest = f", {left:.1f} px is left, fine detail softens" if left > _SAID_PX else ""
    return [text + brought + rest]


def _moved(merged: Sequence[_Merged]) -> list[str]:
    much = [(f, a) for f, a in merged if a.moved_share > _MUCH_MOVED]
    if not much:
        return []
    most = max(a.moved_share for _, a in much)
    return [
        f"{_listed([f.name for f, _ in much])}: up to {100 * most:.0f} % moved between exposures and comes "
        "from one of them, with its noise"
    ]


def exposures_words(counts: Sequence[int]) -> str | None:
    """How many poses of how many exposures there are; None where every frame is one exposure."""
    if not any(n > 1 for n in counts):
        return None
    groups = sorted(Counter(counts).items(), key=lambda item: (-item[1], -item[0]))
    told = [f"{count} {'pose' if count == 1 else 'poses'} of {n}" for n, count in groups]
    exposures = "exposure" if groups[-1][0] == 1 and len(groups) > 1 else "exposures"
    return f"{' and '.join(told)} {exposures}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"

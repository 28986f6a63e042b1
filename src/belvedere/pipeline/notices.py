"""What a person should know of a set before it is stitched."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from belvedere.capture.frame import Frame, Metadata
from belvedere.capture.primaries import CommonProfile
from belvedere.capture.transfer import transfer_notice


def set_notices(frames: Sequence[Frame], common: CommonProfile) -> list[str]:
    """Sentences on mixed cameras, mixed sizes, missing Exif and profiles."""
    return [*_mixed(frames), *_missing_exif(frames), *_profiles(frames, common)]


def _mixed(frames: Sequence[Frame]) -> list[str]:
    out = []
    bodies = Counter(_body(frame.metadata) for frame in frames)
    if len(bodies) > 1:
        out.append("the frames come from different cameras: " + _counted(bodies))
    # as stored: frames held upright and across are of one size
    sizes = Counter(_size(frame.metadata) for frame in frames)
    if len(sizes) > 1:
        out.append("the frames are of different sizes: " + _counted(sizes))
    return out


def _body(metadata: Metadata) -> str:
    parts = [part for part in (metadata.make, metadata.model) if part]
    if len(parts) == 2 and parts[1].casefold().startswith(parts[0].casefold()):
        parts = parts[1:]
    return " ".join(parts) or "camera not named"


def _size(metadata: Metadata) -> str:
    wide, high = metadata.stored_width, metadata.stored_height
    return f"{max(wide, high)} x {min(wide, high)} px"


def _counted(found: Counter[str]) -> str:
    most = found.most_common(3)
    text = ", ".join(f"{count} {'frame' if count == 1 else 'frames'} {name}" for name, count in most)
    return text + (f" and {len(found) - 3} more kinds" if len(found) > 3 else "")


def _missing_exif(frames: Sequence[Frame]) -> list[str]:
    without = [f.name for f in frames if f.metadata.focal_mm is None and f.metadata.focal_35mm is None]
    if not without:
        return []
    if len(without) == len(frames):
        return ["no frame tells its focal length, so it is found from the pictures"]
    return [f"{_listed(without)}: no focal length in the file, so it is found from the pictures"]


def _profiles(frames: Sequence[Frame], common: CommonProfile) -> list[str]:
    out: list[str] = []
    by_notice: dict[str, list[str]] = {}
    for frame in frames:
        notice = transfer_notice(frame.metadata)
        if notice:
            by_notice.setdefault(notice, []).append(frame.name)
    out += [f"{_listed(names)}: {notice}" for notice, names in by_notice.items()]
    return [*out, *common.notices]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"

"""The sensors of a set: their hot pixels, found once from frames spread over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.containers import container_of
from belvedere.capture.frame import Frame, Metadata
from belvedere.capture.hot_pixels import LEAST_FRAMES, MOST_FRAMES, HotPixels, find_hot_pixels
from belvedere.capture.raw_mosaic import read_mosaic
from belvedere.errors import UnreadableFile
from belvedere.pipeline.schedule import Schedule


@dataclass(frozen=True)
class Sensor:
    """One body's sensor.

    Parameters
    ----------
    make, model, serial : str or None
        The body, as tagged.
    width, height : int
        Of its frames as stored, px.
    frames : int
        How many raw files of it the set has.
    hot : HotPixels or None
        None where there are too few of them, or their values are not of single filters.
    """

    make: str | None
    model: str | None
    serial: str | None
    width: int
    height: int
    frames: int
    hot: HotPixels | None

    def took(self, metadata: Metadata) -> bool:
        """Whether a frame is from this sensor."""
        return _body(metadata) == (self.make, self.model, self.serial, self.width, self.height)


@dataclass(frozen=True)
class Sensors:
    """All sensors of a set that raw files came from."""

    bodies: tuple[Sensor, ...]

    def mendings(self, frames: Sequence[Frame]) -> tuple[HotPixels | None, ...]:
        """What puts right each frame."""
        return tuple(
            next((s.hot for s in self.bodies if s.took(frame.metadata)), None) if _is_raw(frame) else None
            for frame in frames
        )

    def notices(self) -> list[str]:
        """Sentences for the person."""
        return [sentence for s in self.bodies if (sentence := _sentence(s, len(self.bodies)))]


def find_sensors(frames: Sequence[Frame], run: Schedule) -> Sensors:
    """Find the hot pixels of every body that raw files of a set came from.

    Parameters
    ----------
    frames : sequence of Frame
        The set. Of frames of several exposures the longest show the weakest places, and the shortest those in
        skies that clip in longer ones: both are looked at, each for itself.
    run : Schedule
        Reads files beside each other.
    """
    members: dict[tuple[str | None, str | None, str | None, int, int], list[Frame]] = {}
    for frame in frames:
        if _is_raw(frame):
            members.setdefault(_body(frame.metadata), []).append(frame)
    bodies = []
    for body, own in members.items():
        found: HotPixels | None = None
        if len(own) >= LEAST_FRAMES:
            chosen = [own[i] for i in _spread(len(own))]
            for files in dict.fromkeys((_files(chosen, longest=True), _files(chosen, longest=False))):
                here = find_hot_pixels(m for m in run(read_mosaic, files) if m is not None)
                found = here if found is None or here is None else found.joined(here)
        bodies.append(Sensor(*body, len(own), found))
    return Sensors(tuple(bodies))


def _spread(count: int) -> list[int]:
    """At most `MOST_FRAMES` of so many, from the first to the last, evenly."""
    chosen = min(count, MOST_FRAMES)
    return [i * (count - 1) // (chosen - 1) for i in range(chosen)]


def _files(frames: Sequence[Frame], *, longest: bool) -> tuple[Path, ...]:
    """Of each frame its longest or its shortest exposure, as the settings tell."""
    chosen = []
    for frame in frames:
        by_light = sorted(frame.exposures, key=lambda e: e.metadata.exposure_ev or 0.0)
        chosen.append(by_light[-1 if longest else 0].file)
    return tuple(chosen)


def _is_raw(frame: Frame) -> bool:
    try:
        return container_of(frame.file) == "raw"
    except (UnreadableFile, OSError):
        return False


def _body(metadata: Metadata) -> tuple[str | None, str | None, str | None, int, int]:
    return (
        metadata.make,
        metadata.model,
        metadata.serial,
        metadata.stored_width,
        metadata.stored_height,
    )


def _sentence(sensor: Sensor, bodies: int) -> str:
    """What was done for a sensor; empty where there is nothing to say."""
    of = f" of {sensor.model}" if bodies > 1 and sensor.model else ""
    if sensor.hot is None:
        if sensor.frames >= LEAST_FRAMES:
            return ""  # no single filters: nothing to mend
        return (
            f"hot pixels{of} were not looked for: that takes {LEAST_FRAMES} raw files of one camera, "
            f"and here there {'is' if sensor.frames == 1 else 'are'} {sensor.frames}"
        )
    bright, dark = len(sensor.hot.bright), len(sensor.hot.dark)
    if not bright and not dark:
        return ""
    parts = [f"{n} {word}" for n, word in ((bright, "too bright"), (dark, "too dark")) if n]
    total = bright + dark
    return (
        f"{total} faulty {'pixel' if total == 1 else 'pixels'} of the sensor{of} ({', '.join(parts)}) "
        f"{'was' if total == 1 else 'were'} found from {sensor.hot.frames} frames and mended from their "
        "neighbours"
    )

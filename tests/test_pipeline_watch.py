"""Following a folder: frames that come, grow, vanish, are cut short, and a card that is pulled out."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from belvedere.capture import frame_store
from belvedere.capture.decode import Pixels, decode
from belvedere.capture.frame import Exposure
from belvedere.demo.sets import render_set
from belvedere.errors import UnreadableFile
from belvedere.pipeline.arrivals import PATIENCE_S, Arrivals
from belvedere.pipeline.check import CheckOptions
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.watch import watch
from belvedere.survey.checking.verdict import Verdict


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four frames of a row, never changed by a test."""
    folder = tmp_path_factory.mktemp("watch") / "row"
    render_set("row", folder, megapixels=0.2, columns=4)
    return sorted(folder.glob("*.JPG"))


class Told:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.verdicts: list[Verdict] = []
        self.said: list[str] = []

    def tell(self, verdict: Verdict) -> None:
        self.verdicts.append(verdict)

    def say(self, words: str) -> None:
        self.said.append(words)


def followed(folder: Path, events: Iterator[float | None], told: Told) -> Verdict | None:
    """Watch a folder: after each look the next event happens, which may give seconds that pass."""
    now = [0.0]

    def pause(seconds: float) -> None:
        try:
            passed = next(events)
        except StopIteration:
            raise KeyboardInterrupt from None
        now[0] += seconds if passed is None else passed

    options = CheckOptions((folder,), workers=1)
    return watch(options, Progress(io.StringIO(), False), told, pause=pause, clock=lambda: now[0])


def test_frames_are_judged_as_they_come_and_each_is_decoded_once(
    frames: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decoded: list[str] = []

    def decode_and_note(exposure: Exposure, mending: object = None) -> Pixels:
        decoded.append(exposure.file.name)
        return decode(exposure)

    monkeypatch.setattr(frame_store, "decode", decode_and_note)

    def events() -> Iterator[float | None]:
        yield None  # an empty folder
        for frame in frames[:2]:
            shutil.copy2(frame, tmp_path)
        yield from (None, None, None, None)
        for frame in frames[2:]:
            shutil.copy2(frame, tmp_path)
        yield from (None, None, None)

    told = Told()
    last = followed(tmp_path, events(), told)
    assert [len(v.frames) for v in told.verdicts] == [2, 4]  # told only when something changed
    assert last == told.verdicts[-1]
    assert last is not None
    assert last.rows == ((0, 1, 2, 3),)
    assert sorted(decoded) == [f.name for f in frames]


def test_a_file_still_being_written_is_waited_for(frames: list[Path], tmp_path: Path) -> None:
    late = frames[2].read_bytes()
    place = tmp_path / frames[2].name

    def events() -> Iterator[float | None]:
        for frame in frames[:2]:
            shutil.copy2(frame, tmp_path)
        yield from (None, None)
        for part in (1000, len(late) // 3, len(late) // 2):  # grows at every look
            place.write_bytes(late[:part])
            yield None
        yield None  # stands still, but half of it is missing: not said, not judged
        yield None
        place.write_bytes(late)
        yield from (None, None, None)

    told = Told()
    last = followed(tmp_path, events(), told)
    assert [len(v.frames) for v in told.verdicts] == [2, 3]
    assert not any(f.kind == "unreadable" for v in told.verdicts for f in v.findings)
    assert last is not None


def test_a_file_that_stays_cut_short_is_named_in_the_end(frames: list[Path], tmp_path: Path) -> None:
    def events() -> Iterator[float | None]:
        for frame in frames[:2]:
            shutil.copy2(frame, tmp_path)
        (tmp_path / "half.jpg").write_bytes(frames[2].read_bytes()[:9000])
        (tmp_path / "empty.jpg").write_bytes(b"")
        yield from (None, None, None, PATIENCE_S, None, None)

    told = Told()
    last = followed(tmp_path, events(), told)
    assert not told.verdicts[0].findings or told.verdicts[0].answer == "complete"
    assert last is not None
    assert last.exit_code == 3
    named = {f.words.split(":")[0] for f in last.findings if f.kind == "unreadable"}
    assert named == {"half.jpg", "empty.jpg"}
    assert len(told.verdicts) <= 3


def test_a_deleted_frame_is_forgotten(frames: list[Path], tmp_path: Path) -> None:
    def events() -> Iterator[float | None]:
        for frame in frames[:3]:
            shutil.copy2(frame, tmp_path)
        yield from (None, None)
        (tmp_path / frames[2].name).unlink()
        yield from (None, None)

    told = Told()
    followed(tmp_path, events(), told)
    assert [len(v.frames) for v in told.verdicts] == [3, 2]


@pytest.mark.parametrize("how", ["folder", "files"])
def test_a_card_pulled_out_leaves_the_verdict_standing(frames: list[Path], tmp_path: Path, how: str) -> None:
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()

    def events() -> Iterator[float | None]:
        for frame in frames[:3]:
            shutil.copy2(frame, card)
        yield from (None, None)
        card.rename(away)
        if how == "files":
            card.mkdir()
        yield from (None, None, None)
        if how == "files":
            card.rmdir()
        away.rename(card)
        yield from (None, None, None)

    told = Told()
    last = followed(card, events(), told)
    assert [len(v.frames) for v in told.verdicts] == [3]
    assert last == told.verdicts[0]
    assert sum("pulled out" in words for words in told.said) == 1
    assert sum("back" in words for words in told.said[1:]) >= 1


def test_a_card_pulled_out_in_the_middle_of_a_check_makes_no_verdict(
    frames: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card"
    card.mkdir()

    def pull_and_fail(exposure: Exposure, mending: object = None) -> Pixels:
        if card.exists():
            card.rename(tmp_path / "away")
        raise UnreadableFile(exposure.file, "cannot be read (Input/output error)")

    def events() -> Iterator[float | None]:
        for frame in frames[:3]:
            shutil.copy2(frame, card)
        yield from (None, None)
        monkeypatch.setattr(frame_store, "decode", pull_and_fail)
        shutil.copy2(frames[3], card)
        yield from (None, None, None)

    told = Told()
    last = followed(card, events(), told)
    assert [len(v.frames) for v in told.verdicts] == [3]
    assert last == told.verdicts[0]


def test_nothing_came_nothing_is_told(tmp_path: Path) -> None:
    told = Told()
    assert followed(tmp_path, iter([None]), told) is None
    assert told.verdicts == []


def test_a_folder_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile):
        followed(tmp_path / "nowhere", iter([]), Told())


def test_arrivals_settle_at_the_second_look(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    assert not arrivals.look(0.0).gone  # empty from the start: nothing was pulled
    file = tmp_path / "a.jpg"
    file.write_bytes(b"x")
    (tmp_path / "notes.txt").write_text("no picture")
    (tmp_path / ".a.jpg").write_bytes(b"hidden")
    first, second = arrivals.look(1.0), arrivals.look(2.0)
    assert first.settled == ()
    assert first.moving == (file,)
    assert [s[0] for s in second.settled] == [file]
    file.write_bytes(b"xy")
    assert arrivals.look(3.0).moving == (file,)

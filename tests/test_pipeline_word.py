"""The person's word: what a word file may say, every fault by its key, and what the command line adds."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.align.options import AlignOptions, HandTies
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.gather import Gathered
from belvedere.errors import BelvedereError, NothingToMake, UnreadableFile
from belvedere.pipeline.frame_names import AmbiguousName, FrameNames
from belvedere.pipeline.heed import Heeded, heed, with_masks, words_of
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.word import SCHEMA, Word, WordFile, decode, find_word, word_path

FILE = Path("coast.word.json")
DOCS = Path(__file__).parents[1] / "docs" / "word.md"


def read(**said: Any) -> Word:
    return decode(json.dumps({"schema": SCHEMA, **said}).encode(), FILE)


def fault(data: bytes) -> str:
    with pytest.raises(UnreadableFile) as told:
        decode(data, FILE)
    text = str(told.value)
    assert text.startswith("coast.word.json: ")
    assert "\n" not in text
    return text.removeprefix("coast.word.json: ")


def card(*files: str, root: str = "/card", size: tuple[int, int] = (4000, 3000)) -> Gathered:
    """Frames of one size, in the order given."""
    began = datetime(2024, 5, 1)
    return Gathered(
        tuple(
            Frame((Exposure(Path(root, file), Metadata(*size, taken=began + timedelta(seconds=i))),))
            for i, file in enumerate(files)
        )
    )


def heeded(word: Word | None, gathered: Gathered | None = None, **align: Any) -> Heeded:
    options = StitchOptions((Path("/card"),), Path("coast.tif"), align=AlignOptions(**align))
    file = None if word is None else WordFile(FILE, "0" * 64, word)
    return heed(options, file, gathered or card("a.jpg", "b.jpg", "c.jpg", "d.jpg"))


def refused(word: Word, gathered: Gathered | None = None) -> str:
    with pytest.raises(UnreadableFile) as told:
        heeded(word, gathered)
    return str(told.value).removeprefix("coast.word.json: ")


# Reading


def test_the_example_of_the_docs_says_what_the_docs_say() -> None:
    text = DOCS.read_text(encoding="utf-8").split("```json\n")[1].split("```")[0]
    word = decode(text.encode(), FILE)
    assert set(json.loads(text)) == set(Word.__struct_encode_fields__)  # a full one
    assert words_of(word) == (
        "2 frames left out, 1 frame kept, 2 frames put in order, 1 hand-set pair, focal length 85 mm, "
        "2 points of the horizon, 1 plumb line, masks"
    )


def test_a_word_may_say_nothing_and_may_begin_with_a_byte_order_mark() -> None:
    assert words_of(read()) == "nothing yet"
    assert decode(b"\xef\xbb\xbf" + json.dumps({"schema": SCHEMA}).encode(), FILE) == read()


def test_the_word_beside_the_picture_is_found_and_another_may_be_named(tmp_path: Path) -> None:
    out = tmp_path / "coast.tif"
    assert find_word(out, None) is None
    word_path(out).write_text(json.dumps({"schema": SCHEMA, "keep": ["a.jpg"]}))
    other = tmp_path / "other.json"
    other.write_text(json.dumps({"schema": SCHEMA, "masks": "masks"}))
    found, named = find_word(out, None), find_word(out, other)
    assert found is not None
    assert named is not None
    assert found.word.keep == ("a.jpg",)
    assert len(found.sha256) == 64
    assert named.masks == tmp_path / "masks"
    with pytest.raises(UnreadableFile, match=r"gone.json: cannot be read"):
        find_word(out, tmp_path / "gone.json")
    word_path(out).unlink()
    word_path(out).mkdir()
    with pytest.raises(UnreadableFile, match=r"coast.word.json: cannot be read"):
        find_word(out, None)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is no JSON, or is cut short, at line 1"),
        ('{\n "schema": "belvedere.word/1",\n "keep": [}\n', "is no JSON, or is cut short, at line 3"),
        ("[]", "needs an object with keys"),
        ("{}", 'schema: is missing, but this version reads "belvedere.word/1"'),
        ('{"schema": "belvedere.word/2"}', 'schema: has "belvedere.word/2", but this version'),
        ('{"schema": 1}', "schema: has 1, but this version"),
    ],
)
def test_what_is_no_word_is_refused(text: str, said: str) -> None:
    assert fault(text.encode()).startswith(said)
    assert fault(b"\xff\xfe{")


TIES = {"a": "a.jpg", "b": "b.jpg", "points": [[1, 2, 3, 4], [5, 600, 7, 800]]}


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"leaveout": []}, "leaveout: there is no such key; there are schema, leave_out, keep, order"),
        ({"leave_out": "a.jpg"}, "leave_out: needs a list, has a text"),
        ({"keep": [1]}, "keep[0]: needs a text, has a number"),
        ({"order": [""]}, "order[0]: is empty"),
        ({"tie_points": TIES}, "tie_points: needs a list, has an object with keys"),
        (
            {"tie_points": [TIES | {"sigma": 1}]},
            "tie_points[0].sigma: there is no such key; there are a, b, po",
        ),
        ({"tie_points": [{"a": "a.jpg", "points": []}]}, "tie_points[0]."),
        ({"tie_points": [{"a": "a.jpg", "b": "b.jpg"}]}, "tie_points[0].points: is missing"),
        ({"tie_points": [TIES | {"points": [[1, 2, 3, 4]]}]}, "tie_points[0].points: needs 2 or more"),
        (
            {"tie_points": [TIES | {"points": [[1, 2, 3], [4, 5, 6, 7]]}]},
            "tie_points[0].points[0]: needs 4 nu",
        ),
        (
            {"tie_points": [TIES | {"points": [[1, 2, 3, "4"], [4, 5, 6, 7]]}]},
            "tie_points[0].points[0][3]: need",
        ),
        ({"focal_35mm": 0}, "focal_35mm: needs a number above 0"),
        ({"focal_35mm": "85"}, "focal_35mm: needs a number, has a text"),
        ({"focal_35mm": True}, "focal_35mm: needs a number, has true or false"),
        ({"horizon": [{"frame": "a.jpg", "x": 1}]}, "horizon[0].y: is missing"),
        ({"plumb": [{"frame": "a.jpg", "from": [1, 2], "to": [3]}]}, "plumb[0].to: needs 2 numbers, has 1"),
        (
            {"plumb": [{"frame": "a.jpg", "start": [1, 2], "to": [3, 4]}]},
            "plumb[0].start: there is no such key",
        ),
        ({"masks": ["m"]}, "masks: needs a text, has a list"),
    ],
)
def test_every_fault_is_told_with_its_key(said: dict[str, Any], told: str) -> None:
    text = fault(json.dumps({"schema": SCHEMA, **said}).encode())
    assert text.startswith(told), text
    assert "`" not in text
    assert "$" not in text


@given(
    st.recursive(st.none() | st.booleans() | st.floats(0, 9) | st.text(max_size=4), st.lists, max_leaves=4)
)
def test_whatever_stands_under_a_key_is_read_or_refused_by_name(value: Any) -> None:
    for key in Word.__struct_encode_fields__:
        told = read_or_told(json.dumps({"schema": SCHEMA, key: value}).encode())
        assert told is None or told.startswith(f"coast.word.json: {key}")


def read_or_told(data: bytes) -> str | None:
    try:
        decode(data, FILE)
    except UnreadableFile as error:
        return str(error)
    return None


@given(st.binary(max_size=40))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    with pytest.raises(UnreadableFile, match=r"coast.word.json: "):
        decode(data, FILE)


# Names


def test_a_name_is_the_end_of_a_path_in_whole_parts() -> None:
    names = FrameNames(["a.jpg", "one/a.jpg", "one/b.jpg", "two/b.jpg", "two/ü.jpg"])
    assert names.find("a.jpg") == "a.jpg"  # it is one, so the longer does not make it ambiguous
    assert names.find("one/a.jpg") == "one/a.jpg"
    assert names.find("./two/b.jpg") == "two/b.jpg"
    assert names.find("u\u0308.jpg") == "two/ü.jpg"  # as some file systems spell it
    assert names.find("o/b.jpg") is None
    assert names.find("A.jpg") is None
    with pytest.raises(AmbiguousName):
        names.find("b.jpg")


PARTS = st.text("ab", min_size=1, max_size=2)
PATHS = st.lists(st.lists(PARTS, min_size=1, max_size=3).map("/".join), min_size=1, max_size=8, unique=True)


@given(PATHS, st.data())
def test_a_whole_path_always_names_its_own_frame(paths: list[str], data: st.DataObject) -> None:
    names = FrameNames(paths)
    path = data.draw(st.sampled_from(paths))
    assert names.find(path) == path
    end = path.split("/")[-1]
    ending = [p for p in paths if p == end or p.endswith("/" + end)]
    if end in paths or len(ending) == 1:
        assert names.find(end) in ending
    else:
        with pytest.raises(AmbiguousName) as several:
            names.find(end)
        assert sorted(several.value.paths) == sorted(ending)


def test_frames_of_one_name_are_told_apart_by_their_folder() -> None:
    two = card("one/x.jpg", "two/x.jpg", "two/y.jpg")
    assert refused(read(keep=["x.jpg"]), two) == "keep: x.jpg: 2 files have this name: one/x.jpg, two/x.jpg"
    align = heeded(read(keep=["two/x.jpg"], leave_out=["y.jpg"]), two).options.align
    assert align.keep == ("two/x.jpg",)
    assert align.leave_out == ("two/y.jpg",)
    with pytest.raises(NothingToMake, match=r"x.jpg: 2 files have this name"):
        heeded(None, two, leave_out=("x.jpg",))


# What names and places can be wrong


def test_names_and_places_that_are_not_there_are_told_with_their_keys() -> None:
    assert refused(read(leave_out=["z.jpg"])) == "leave_out: z.jpg: no frame has this name"
    assert refused(read(keep=["z.jpg"])) == "keep: z.jpg: no frame has this name"
    assert refused(read(order=["a.jpg", "z.jpg"])) == "order: z.jpg: no frame has this name"
    assert refused(read(order=["b.jpg", "b.jpg"])) == "order: b.jpg: stands there more than once"
    assert refused(read(keep=["a.jpg"], leave_out=["a.jpg"])) == "keep: a.jpg: stands in leave_out too"
    assert refused(read(horizon=[{"frame": "z.jpg", "x": 1, "y": 1}] * 2)).startswith("horizon[0]: z.jpg: no")
    assert refused(
        read(horizon=[{"frame": "a.jpg", "x": 4000, "y": 1}, {"frame": "a.jpg", "x": 1, "y": 1}])
    ) == ("horizon[0]: 4000, 1 lies outside a.jpg, which is 4000 x 3000 px")
    assert refused(read(horizon=[{"frame": "a.jpg", "x": 9, "y": 1}])).startswith("horizon: one point")
    line = {"frame": "a.jpg", "from": [10, 10], "to": [10, 40]}
    assert refused(read(plumb=[line])).startswith("plumb[0]: its ends lie too close")
    assert refused(read(plumb=[line | {"to": [10, 3000]}])).startswith(
        "plumb[0]: 10, 3000 lies outside a.jpg"
    )


def test_tie_points_that_can_be_none_are_told_with_their_keys() -> None:
    assert (
        refused(read(tie_points=[TIES | {"b": "z.jpg"}])) == "tie_points[0].b: z.jpg: no frame has this name"
    )
    assert refused(read(tie_points=[TIES | {"b": "a.jpg"}])).startswith("tie_points[0]: a and b are the same")
    outside = [[1, 2, 3, 4], [5, 600, 7, -800]]
    assert refused(read(tie_points=[TIES, TIES | {"points": outside}])) == (
        "tie_points[1].points[1]: 7, -800 lies outside b.jpg, which is 4000 x 3000 px"
    )
    close = [[100, 200, 300, 400], [105, 205, 900, 1000]]
    assert refused(read(tie_points=[TIES | {"points": close}])) == (
        "tie_points[0].points: lie too close together in a.jpg to give a direction"
    )


def test_all_faults_are_told_at_once_and_not_too_many() -> None:
    text = refused(read(keep=[f"{i}.jpg" for i in range(9)]))
    assert text.count("no frame has this name") == 4
    assert text.endswith("; and 5 more")


def test_a_file_that_cannot_be_read_may_be_left_out_and_nothing_else() -> None:
    some = card("a.jpg", "b.jpg")
    some = Gathered(
        some.frames, ((Path("/card/c.jpg"), "is cut short"), (Path("/card/d.jpg"), "is no picture"))
    )
    found = heeded(read(leave_out=["c.jpg"]), some)
    assert [path.name for path, _ in found.gathered.unreadable] == ["d.jpg"]
    assert refused(read(keep=["c.jpg"]), some) == "keep: c.jpg: cannot be used (is cut short)"


def test_masks_that_are_no_folder_are_refused(tmp_path: Path) -> None:
    file = WordFile(tmp_path / "coast.word.json", "0" * 64, read(masks="m"))
    options = StitchOptions((), Path("coast.tif"))
    with pytest.raises(UnreadableFile, match=r"coast.word.json: masks: .*m is no folder"):
        with_masks(options, file)
    (tmp_path / "m").mkdir()
    assert with_masks(options, file).masks == tmp_path / "m"
    typed = StitchOptions((), Path("coast.tif"), masks=Path("typed"))
    assert with_masks(typed, file).masks == Path("typed")


# Together


def test_the_command_line_adds_to_the_file_and_overrules_it() -> None:
    line = {"frame": "c.jpg", "from": [10, 10], "to": [12, 2000]}
    word = read(
        leave_out=["a.jpg"],
        keep=["b.jpg", "c.jpg"],
        focal_35mm=50,
        horizon=[{"frame": "c.jpg", "x": 1, "y": 2}],
        plumb=[line],
        tie_points=[TIES | {"a": "c.jpg"}],
    )
    found = heeded(word, None, leave_out=("b.jpg",), focal_35mm=85.0, horizon_points=(("d.jpg", 3.0, 4.0),))
    assert found.options.align == AlignOptions(
        leave_out=("a.jpg", "b.jpg"),
        keep=("c.jpg",),
        focal_35mm=85.0,
        horizon_points=(("c.jpg", 1.0, 2.0), ("d.jpg", 3.0, 4.0)),
        plumb_lines=(("c.jpg", 10.0, 10.0, 12.0, 2000.0),),
        tie_points=(HandTies("c.jpg", "b.jpg", ((1.0, 2.0, 3.0, 4.0), (5.0, 600.0, 7.0, 800.0))),),
    )
    assert heeded(word).options.align.focal_35mm == 50.0
    assert found.report is not None
    assert found.report.file == "coast.word.json"


def test_without_a_word_the_options_stay_and_nothing_is_reported() -> None:
    found = heeded(None, None, leave_out=("b.jpg",), focal_35mm=85.0)
    assert found.options.align == AlignOptions(leave_out=("b.jpg",), focal_35mm=85.0)
    assert found.report is None
    with pytest.raises(BelvedereError, match="one point of the horizon"):
        heeded(None, None, horizon_points=(("a.jpg", 1.0, 2.0),))
    with pytest.raises(NothingToMake, match=r"--horizon: 4100, 2 lies outside a.jpg"):
        heeded(None, None, horizon_points=(("a.jpg", 4100.0, 2.0), ("a.jpg", 1.0, 2.0)))


@given(st.permutations("abcd"), st.integers(0, 4))
def test_frames_put_in_order_take_each_others_places(letters: list[str], count: int) -> None:
    order = [f"{letter}.jpg" for letter in letters[:count]]
    found = [frame.name for frame in heeded(read(order=order)).gathered.frames]
    before = ["a.jpg", "b.jpg", "c.jpg", "d.jpg"]
    assert [name for name in found if name in order] == order
    assert all(name == was for name, was in zip(found, before, strict=True) if was not in order)
    assert sorted(found) == before

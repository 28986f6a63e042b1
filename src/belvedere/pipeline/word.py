"""The person's word on a picture: `OUT.word.json`, schema `belvedere.word/1`; read here, never written.

What every key means stands in docs/word.md.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec

from belvedere.checked_json import join_key, json_object
from belvedere.errors import UnreadableFile

SCHEMA = "belvedere.word/1"

Positive = Annotated[float, msgspec.Meta(gt=0.0)]
Name = Annotated[str, msgspec.Meta(min_length=1)]
Point = tuple[float, float]


class TiePoints(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Tie points between two frames: [ua, va, ub, vb] each, px as displayed."""

    a: Name
    b: Name
    points: Annotated[tuple[tuple[float, float, float, float], ...], msgspec.Meta(min_length=2)]


class HorizonPoint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A point of the horizon, px as displayed."""

    frame: Name
    x: float
    y: float


class PlumbLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Ends of a line that is plumb in the world, px as displayed."""

    frame: Name
    start: Point = msgspec.field(name="from")
    end: Point = msgspec.field(name="to")


class Word(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a word file says, frames called as the person calls them."""

    schema: str
    leave_out: tuple[Name, ...] = ()
    keep: tuple[Name, ...] = ()
    order: tuple[Name, ...] = ()
    tie_points: tuple[TiePoints, ...] = ()
    focal_35mm: Positive | None = None
    horizon: tuple[HorizonPoint, ...] = ()
    plumb: tuple[PlumbLine, ...] = ()
    masks: Name | None = None


@dataclass(frozen=True, slots=True)
class WordFile:
    """A word, the file it stands in, and the SHA-256 of that file."""

    file: Path
    sha256: str
    word: Word

    @property
    def masks(self) -> Path | None:
        """Folder of the masks; a relative path counts from the word file."""
        return None if self.word.masks is None else self.file.parent / self.word.masks


def word_path(picture: Path) -> Path:
    """Where the word on a picture lies: OUT.word.json beside OUT.tif."""
    return picture.with_name(picture.stem + ".word.json")


def find_word(picture: Path, named: Path | None) -> WordFile | None:
    """The word on a picture: the file named, else the one beside the picture, if there is one.

    Raises
    ------
    UnreadableFile
        See `read_word`.
    """
    beside = word_path(picture)
    if named is None and not beside.exists():
        return None
    return read_word(beside if named is None else named)


def read_word(file: Path) -> WordFile:
    """Read a word file.

    Raises
    ------
    UnreadableFile
        If it cannot be read, is no JSON, has another schema, a key there is not, or a value of another kind;
        names the file and the key.
    """
    try:
        data = file.read_bytes()
    except OSError as error:
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
    return WordFile(file, hashlib.sha256(data).hexdigest(), decode(data, file))


def decode(data: bytes, file: Path) -> Word:
    """A word from the content of its file; see `read_word`."""
    content = json_object(data, file, SCHEMA)
    try:
        word = msgspec.convert(content, Word)
    except msgspec.ValidationError as error:
        raise UnreadableFile(file, _fault(str(error))) from error
    if word.focal_35mm == float("inf"):
        raise UnreadableFile(file, "focal_35mm: needs a number of mm")
    if word.masks is not None and "\0" in word.masks:
        raise UnreadableFile(file, "masks: is no path")
    return word


_KINDS = {
    "array": "a list",
    "object": "an object with keys",
    "str": "a text",
    "float": "a number",
    "int": "a number",
    "bool": "true or false",
    "null": "null",
    "float | null": "a number",
    "str | null": "a text",
}


def _fault(text: str) -> str:
    """A validation error of the library in our words, the key first."""
    what, _, place = text.partition(" - at `$")
    key = place.rstrip("`").removeprefix(".")
    unknown = re.fullmatch("Object contains unknown field `(.*)`", what, re.DOTALL)
    if unknown:
        known = ", ".join(_keys_at(key))
        return f"{join_key(key, unknown[1])}: there is no such key; there are {known}"
    missing = re.fullmatch("Object missing required field `(.*)`", what)
    if missing:
        return f"{join_key(key, missing[1])}: is missing"
    kinds = re.fullmatch("Expected `(.*)`, got `(.*)`", what)
    if kinds:
        wanted, found = (_KINDS.get(kind, kind) for kind in kinds.groups())
        return f"{key}: needs {wanted}, has {found}"
    length = re.fullmatch(r"Expected `array` of length (>= )?(\d+)(?:, got (\d+))?", what)
    if length:
        least, count, has = length.groups()
        said = f", has {has}" if has else ""
        return f"{key}: needs {count}{' or more' if least else ' numbers'}{said}"
    if what.startswith("Expected `str` of length"):
        return f"{key}: is empty"
    if what.startswith("Expected `float` > 0"):
        return f"{key}: needs a number above 0"
    return f"{key}: {what}" if key else what


def _keys_at(key: str) -> tuple[str, ...]:
    kind = {"tie_points": TiePoints, "horizon": HorizonPoint, "plumb": PlumbLine}.get(
        key.partition("[")[0], Word
    )
    return kind.__struct_encode_fields__

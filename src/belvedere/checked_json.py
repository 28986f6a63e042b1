"""JSON documents checked against their type when read; a fault is one line that names file and key."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from belvedere.errors import UnreadableFile

T = TypeVar("T")

_KINDS = {
    "array": "a list",
    "object": "an object with keys",
    "str": "a text",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "null": "null",
}


def read_checked(file: Path, kind: type[T], schema: str) -> T:
    """Read a document.

    Parameters
    ----------
    file : Path
    kind : type
        A msgspec Struct. Keys it does not know are refused only if it forbids them.
    schema : str
        What its key `schema` must say.

    Raises
    ------
    UnreadableFile
        If it cannot be read, is no JSON, has another schema, or holds a key or a value that does not fit.
    """
    try:
        data = file.read_bytes()
    except OSError as error:
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
    return checked(data, file, kind, schema)


def checked(data: bytes, file: Path, kind: type[T], schema: str) -> T:
    """A document from the content of its file; see `read_checked`."""
    content = json_object(data, file, schema)
    try:
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as error:
        raise UnreadableFile(file, _fault(str(error), kind)) from error


def json_object(data: bytes, file: Path, schema: str) -> dict[str, Any]:
    """The keys and values of a document of this schema; raises UnreadableFile where it is none."""
    text = data.removeprefix(b"\xef\xbb\xbf")  # some editors mark UTF-8 so
    try:
        content = msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise UnreadableFile(file, _no_json(text, str(error))) from error
    if not isinstance(content, dict):
        raise UnreadableFile(file, f'needs an object with keys, like {{"schema": "{schema}"}}')
    if content.get("schema") != schema:
        has = f"has {shown(content['schema'])}" if "schema" in content else "is missing"
        raise UnreadableFile(file, f'schema: {has}, but this version reads "{schema}"')
    return content


def shown(value: Any) -> str:
    """A value as it stands in a file, cut short."""
    text = msgspec.json.encode(value).decode()
    return text if len(text) <= 40 else text[:37] + "..."


def _fault(text: str, kind: type[Any]) -> str:
    """A validation error of the library in our words, the key first."""
    what, _, place = text.partition(" - at `")
    key = re.sub(r"^(key in )?`?\$\.?", "", place.rstrip("`"))
    unknown = re.fullmatch("Object contains unknown field `(.*)`", what, re.DOTALL)
    if unknown:
        known = ", ".join(kind.__struct_encode_fields__)
        return f"{join_key(key, unknown[1])}: there is no such key; there are {known}"
    missing = re.fullmatch("Object missing required field `(.*)`", what)
    if missing:
        return f"{join_key(key, missing[1])}: is missing"
    said = _what_does_not_fit(what)
    return f"{key}: {said}" if key else said


def _what_does_not_fit(what: str) -> str:
    kinds = re.fullmatch("Expected `(.*)`, got `(.*)`", what)
    if kinds:
        wanted = _KINDS.get(kinds[1].removesuffix(" | null"), kinds[1])
        return f"needs {wanted}, has {_KINDS.get(kinds[2], kinds[2])}"
    length = re.fullmatch(r"Expected `array` of length (>= )?(\d+)(?:, got (\d+))?", what)
    if length:
        more, count, has = length.groups()
        return f"needs {count}{' or more' if more else ''} entries" + (f", has {has}" if has else "")
    if what.startswith("Expected `str` of length"):
        return "is empty"
    bound = re.fullmatch(r"Expected `(?:int|float)` (<=?|>=?) (.*)", what)
    if bound:
        side = {"<=": "of at most", ">=": "of at least", "<": "below", ">": "above"}[bound[1]]
        return f"needs a number {side} {float(bound[2]):g}"
    value = re.fullmatch("Invalid enum value (.*)", what)
    return f"has {value[1]}, which is none of the values there are" if value else what


def join_key(key: str, name: str) -> str:
    """The path of a key within another's."""
    return f"{key}.{name}" if key else name


def _no_json(text: bytes, error: str) -> str:
    """Where the text stops being JSON (RFC 8259)."""
    at = re.search(r"byte (\d+)", error)
    line = text[: int(at[1])].count(b"\n") + 1 if at else text.count(b"\n") + 1
    return f"is no JSON, or is cut short, at line {line}"

"""Values of a stage as plain data and arrays beside it, and back, checked against their types."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeVar, get_origin

import msgspec
import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
_DTYPES = frozenset({"float64", "float32", "int64", "int32", "int16", "uint8", "uint16", "bool"})


class _Slice(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where an array lies in the flat array of its dtype."""

    dtype: str
    at: int
    shape: tuple[int, ...]


def pack(value: Any) -> tuple[bytes, dict[str, NDArray[Any]]]:
    """Take a value of frozen dataclasses apart.

    Returns
    -------
    text : bytes
        JSON in which every array is named by dtype, place and shape. Floats come back to the last bit.
    arrays : dict of dtype name to ndarray of one dimension
        All arrays of that dtype, one after the other.

    Raises
    ------
    TypeError
        If the value holds something that has no place in a document.
    """
    parts: dict[str, list[NDArray[Any]]] = {}
    lengths: dict[str, int] = {}

    def place(item: Any) -> Any:
        if isinstance(item, np.generic):
            return item.item()
        if not isinstance(item, np.ndarray) or item.dtype.name not in _DTYPES:
            raise TypeError(f"a stage's document cannot hold a {type(item).__name__}")
        name = item.dtype.name
        at = lengths.get(name, 0)
        parts.setdefault(name, []).append(item.ravel())
        lengths[name] = at + item.size
        return _Slice(name, at, item.shape)

    text = msgspec.json.encode(value, enc_hook=place)
    return text, {name: np.concatenate(arrays) for name, arrays in parts.items()}


def unpack(text: bytes, arrays: Mapping[str, NDArray[Any]], kind: type[T]) -> T:
    """Put a value together again.

    Raises
    ------
    msgspec.DecodeError
        If the text is no such value, or names what is not in the arrays.
    """

    def restore(wanted: type, item: Any) -> Any:
        if (get_origin(wanted) or wanted) is not np.ndarray:
            raise TypeError(f"a stage's document cannot hold a {wanted}")
        found = msgspec.convert(item, _Slice)
        flat = arrays.get(found.dtype)
        end = found.at + math.prod(found.shape)
        if flat is None or min(found.at, *found.shape, 0) < 0 or end > flat.size:
            raise ValueError("names numbers that are not beside it")
        return flat[found.at : end].reshape(found.shape).copy()

    return msgspec.json.decode(text, type=kind, dec_hook=restore)

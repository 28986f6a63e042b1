"""The tone as a document: schema `belvedere.tone/1`, with the responses' curves as arrays beside it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from belvedere.errors import UnreadableFile
from belvedere.tone.tone import FrameTone, Response, Tone

SCHEMA: Literal["belvedere.tone/1"] = "belvedere.tone/1"

_Positive = Annotated[float, msgspec.Meta(gt=0.0)]
_Index = Annotated[int, msgspec.Meta(ge=0)]
_Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]


class _FrameDocument(msgspec.Struct, frozen=True, kw_only=True):
    """One used frame; see `FrameTone`."""

    gain: _Positive
    white_balance: tuple[_Positive, _Positive, _Positive]
    vignetting: tuple[float, float, float]
    response: _Index


class _ResponseDocument(msgspec.Struct, frozen=True, kw_only=True):
    """One response; `to_linear` names the array, `sha256` is of its bytes (float32, little-endian)."""

    known_from: Literal["profile", "color-space", "overlaps"]
    to_linear: str
    sha256: _Sha256
    curve: tuple[float, ...]


class _StepDocument(msgspec.Struct, frozen=True, kw_only=True):
    """What is left between two frames, EV, b over a."""

    a: _Index
    b: _Index
    ev: float


class _ToneDocument(msgspec.Struct, frozen=True, kw_only=True):
    """The whole."""

    schema: Literal["belvedere.tone/1"]
    frames: tuple[_FrameDocument | None, ...]
    responses: tuple[_ResponseDocument, ...]
    steps: tuple[_StepDocument, ...]
    notices: tuple[str, ...] = ()


def tone_document(tone: Tone) -> tuple[dict[str, Any], dict[str, NDArray[np.float32]]]:
    """The tone as a JSON-able dict and the arrays it names.

    Returns
    -------
    document : dict
        Schema `belvedere.tone/1`.
    arrays : dict of ndarray of shape (1025,), float32
        Each response's `to_linear`, by the name the document gives it.
    """
    arrays = {
        f"response-{i}": np.ascontiguousarray(r.to_linear, dtype="<f4") for i, r in enumerate(tone.responses)
    }
    document = _ToneDocument(
        schema=SCHEMA,
        frames=tuple(
            None
            if f is None
            else _FrameDocument(
                gain=f.gain, white_balance=f.white_balance, vignetting=f.vignetting, response=f.response
            )
            for f in tone.frames
        ),
        responses=tuple(
            _ResponseDocument(known_from=r.known_from, to_linear=name, sha256=_digest(array), curve=r.curve)
            for r, (name, array) in zip(tone.responses, arrays.items(), strict=True)
        ),
        steps=tuple(_StepDocument(a=a, b=b, ev=ev) for a, b, ev in tone.steps),
        notices=tone.notices,
    )
    plain: dict[str, Any] = msgspec.to_builtins(document)
    return plain, arrays


def read_tone(
    document: Mapping[str, Any], arrays: Mapping[str, NDArray[np.float32]], file: Path = Path("tone.json")
) -> Tone:
    """The tone a document and its arrays tell; the inverse of `tone_document`, bit for bit.

    Parameters
    ----------
    file : Path
        Where the document came from, for the error's words.

    Raises
    ------
    UnreadableFile
        If the document does not follow the schema, an array is missing or is not the one named, or a frame
        names a response or a step a frame that is not there.
    """
    try:
        found = msgspec.convert(dict(document), _ToneDocument)
    except msgspec.ValidationError as error:
        raise UnreadableFile(file, f"is no {SCHEMA} document: {error}") from error
    responses = []
    for r in found.responses:
        array = arrays.get(r.to_linear)
        if array is None or array.shape != (1025,) or _digest(array) != r.sha256:
            raise UnreadableFile(file, f"names the array {r.to_linear!r}, which is missing or has changed")
        responses.append(Response(r.known_from, np.asarray(array, dtype=np.float32), r.curve))
    for number, f in enumerate(found.frames):
        if f is not None and f.response >= len(responses):
            raise UnreadableFile(file, f"gives frame {number} response {f.response} of {len(responses)}")
    for s in found.steps:
        if max(s.a, s.b) >= len(found.frames):
            raise UnreadableFile(file, f"has a step between frames {s.a} and {s.b} of {len(found.frames)}")
    return Tone(
        frames=tuple(
            None if f is None else FrameTone(f.gain, f.white_balance, f.vignetting, f.response)
            for f in found.frames
        ),
        responses=tuple(responses),
        steps=tuple((s.a, s.b, s.ev) for s in found.steps),
        notices=found.notices,
    )


def _digest(array: NDArray[np.float32]) -> str:
    """SHA-256 of an array's float32 values, little-endian."""
    return hashlib.sha256(np.ascontiguousarray(array, dtype="<f4").tobytes()).hexdigest()

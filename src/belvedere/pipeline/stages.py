"""The stages of a run: what depends on what, and the key under which each one's result is kept.

frames -> alignment -> tone -> seams -> picture
                    -> plate ->
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage.

    Parameters
    ----------
    name : str
        Also the name of its document in the work folder.
    after : tuple of str
        Stages whose results it reads.
    rooms : tuple of str
        Rooms of the package whose code makes its result.
    version : int
        Raised when the result changes for a reason the rooms' code does not show.
    """

    name: str
    after: tuple[str, ...]
    rooms: tuple[str, ...]
    version: int = 1


STAGES: tuple[Stage, ...] = (
    Stage("frames", (), ("capture",)),
    Stage("alignment", ("frames",), ("geometry", "optics", "capture", "align")),
    Stage("tone", ("alignment",), ("tone",)),
    Stage("plate", ("alignment",), ("compose",)),
    Stage("seams", ("plate", "tone"), ("compose",)),
    Stage("picture", ("seams", "tone"), ("compose",)),
)
"""In an order in which they can be made."""


@dataclass(frozen=True, slots=True)
class SourceIdentity:
    """A source's identity: its path under the card, and what is in it, as SHA-256."""

    path: str
    sha256: str


def stage_keys(
    sources: Sequence[SourceIdentity],
    options: Mapping[str, Any],
    code: Mapping[str, str],
) -> dict[str, str]:
    """The key of every stage: SHA-256 of inputs, options that matter, and the version of what makes it.

    Parameters
    ----------
    sources : sequence of SourceIdentity
        In the order of the set.
    options : mapping of stage name to value
        What can change the stage's result, as plain data or frozen dataclasses; a stage without any is left
        out.
    code : mapping of room name to str
        Version of each room's code.

    Returns
    -------
    dict of stage name to 64 hexadecimal digits

    Raises
    ------
    ValueError
        If options are given for a stage there is not.
    """
    unknown = set(options) - {stage.name for stage in STAGES}
    if unknown:
        raise ValueError(f"there is no stage named {', '.join(sorted(unknown))}")
    keys: dict[str, str] = {}
    for stage in STAGES:
        content = {
            "stage": stage.name,
            "version": stage.version,
            "code": [code[room] for room in stage.rooms],
            "after": [keys[name] for name in stage.after],
            "options": options.get(stage.name),
            "sources": None if stage.after else list(sources),
        }
        keys[stage.name] = hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()
    return keys

"""Frames by the names a person calls them: a file's name, or enough of its path to be the only one."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence


class AmbiguousName(Exception):
    """Several files have the name; the argument is their paths."""

    def __init__(self, paths: Sequence[str]) -> None:
        super().__init__(*paths)
        self.paths = tuple(paths)


class FrameNames:
    """Paths under the card, found by name.

    Parameters
    ----------
    paths : sequence of str
        With / between folders, each once.
    """

    def __init__(self, paths: Sequence[str]) -> None:
        self.paths = tuple(paths)
        self._whole = {_plain(path): path for path in paths}
        self._by_name: dict[str, list[str]] = {}
        for path in paths:
            self._by_name.setdefault(_plain(path).rpartition("/")[2], []).append(path)

    def find(self, name: str) -> str | None:
        """The path that is `name` or ends with it, whole parts only; None where there is none.

        Letters count as equal however Unicode composes them (file systems differ in it).

        Raises
        ------
        AmbiguousName
            If several end with it and none is it.
        """
        plain = _plain(name).removeprefix("./")
        if plain in self._whole:
            return self._whole[plain]
        same = self._by_name.get(plain.rpartition("/")[2], ())
        found = [path for path in same if _plain(path).endswith("/" + plain)]
        if len(found) > 1:
            raise AmbiguousName(found)
        return found[0] if found else None


def _plain(path: str) -> str:
    return unicodedata.normalize("NFC", path)

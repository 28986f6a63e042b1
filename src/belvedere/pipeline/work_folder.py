"""The work folder beside a picture: one checked document a stage, so that nothing is made twice.

A stage's document `STAGE.json` names by SHA-256 the arrays beside it. It counts only if its key is the one
that is asked for and everything it names is as it was written.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from belvedere.compose.finished_file import finished_file, output_failed
from belvedere.pipeline.document import pack, unpack

T = TypeVar("T")
SCHEMA = "belvedere.stage/1"


class _ArrayFile(msgspec.Struct, frozen=True):
    file: str
    sha256: str


class _Document(msgspec.Struct, frozen=True):
    schema: str
    stage: str
    key: str
    arrays: dict[str, _ArrayFile]
    value: msgspec.Raw


class WorkFolder:
    """Where the stages of one picture leave their results.

    Parameters
    ----------
    path : Path
        The folder; made if it is not there.
    notice : callable
        Takes a sentence for the person.

    Raises
    ------
    OutputFailed
        If the folder cannot be made.
    """

    def __init__(self, path: Path, notice: Callable[[str], None]) -> None:
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise output_failed(path, error) from error
        self.path = path
        self._notice = notice

    @property
    def frames(self) -> Path:
        """Folder of the decoded frames: large, and made again at need."""
        return self.path / "frames"

    def load(self, stage: str, key: str, kind: type[T]) -> T | None:
        """The stage's result, or None where it has to be made.

        A document of another key says nothing; one that is damaged is named to the person.
        """
        file = self._file(stage)
        try:
            data = file.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            self._notice(f"{file}: cannot be read ({error.strerror or error}), so this stage is made again")
            return None
        try:
            document = msgspec.json.decode(data, type=_Document)
            if document.schema != SCHEMA or document.stage != stage or document.key != key:
                return None
            arrays = {name: self._load_array(entry) for name, entry in document.arrays.items()}
            return unpack(bytes(document.value), arrays, kind)
        except (msgspec.DecodeError, UnicodeDecodeError, ValueError, OSError):
            self._notice(f"{file}: is damaged, so this stage is made again")
            return None

    def save(self, stage: str, key: str, value: object) -> None:
        """Keep the stage's result, whole or not at all.

        Raises
        ------
        OutputFailed
            If the folder cannot be written to.
        """
        text, arrays = pack(value)
        entries = {name: self._save_array(stage, name, array) for name, array in arrays.items()}
        document = _Document(SCHEMA, stage, key, entries, msgspec.Raw(text))
        with finished_file(self._file(stage)) as file:
            file.write(msgspec.json.format(msgspec.json.encode(document), indent=1) + b"\n")
        kept = {entry.file for entry in entries.values()}
        for old in self.path.glob(f"{stage}.*.npy"):
            if old.name not in kept:
                with suppress(OSError):
                    old.unlink()

    def forget(self, stage: str) -> None:
        """Remove a stage's document."""
        with suppress(OSError):
            self._file(stage).unlink()

    def clear_frames(self) -> None:
        """Remove the decoded frames, which are made again at need."""
        for file in [*self.frames.glob("*.tiles*"), *self.frames.glob(".*.part")]:
            with suppress(OSError):
                file.unlink()
        with suppress(OSError):
            self.frames.rmdir()

    def _file(self, stage: str) -> Path:
        return self.path / f"{stage}.json"

    def _save_array(self, stage: str, name: str, array: NDArray[Any]) -> _ArrayFile:
        stream = io.BytesIO()
        np.lib.format.write_array(stream, array, version=(1, 0), allow_pickle=False)
        data = stream.getvalue()
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path / f"{stage}.{name}.{sha256[:16]}.npy"
        with finished_file(path) as file:
            file.write(data)
        return _ArrayFile(path.name, sha256)

    def _load_array(self, entry: _ArrayFile) -> NDArray[Any]:
        if Path(entry.file).name != entry.file:
            raise ValueError("an array outside the work folder")
        data = (self.path / entry.file).read_bytes()
        if hashlib.sha256(data).hexdigest() != entry.sha256:
            raise ValueError("an array that is not as it was written")
        array: NDArray[Any] = np.lib.format.read_array(io.BytesIO(data), allow_pickle=False)
        return array

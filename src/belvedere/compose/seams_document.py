"""Seams on disk: a JSON document (schema `belvedere.seams/1`) that names the labels beside it by digest."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import numpy as np

from belvedere.compose.finished_file import finished_file
from belvedere.compose.seams import Seams
from belvedere.errors import UnreadableFile

SCHEMA = "belvedere.seams/1"


def write_seams(seams: Seams, path: Path) -> None:
    """Write `path` (JSON) and the labels beside it (`path` with the suffix .npy), each whole or not at all.

    Raises
    ------
    OutputFailed
        If either cannot be written.
    """
    held = io.BytesIO()
    np.save(held, seams.labels, allow_pickle=False)
    data = held.getvalue()
    array = path.with_suffix(".npy")
    document = {
        "schema": SCHEMA,
        "step": seams.step,
        "crossed_fraction": seams.crossed_fraction,
        "labels": {
            "file": array.name,
            "sha256": hashlib.sha256(data).hexdigest(),
            "shape": list(seams.labels.shape),
            "dtype": "int16",
        },
    }
    with finished_file(array) as file:
        file.write(data)
    with finished_file(path) as file:
        file.write((json.dumps(document, indent=1) + "\n").encode())


def read_seams(path: Path) -> Seams:
    """Read what `write_seams` wrote.

    Raises
    ------
    UnreadableFile
        If either file is missing, of another schema, or not what the document says.
    """
    try:
        document = json.loads(path.read_bytes())
        if document["schema"] != SCHEMA:
            raise UnreadableFile(path, f"expected schema {SCHEMA}, got {document['schema']!r}")
        step, crossed = int(document["step"]), float(document["crossed_fraction"])
        named, digest = str(document["labels"]["file"]), str(document["labels"]["sha256"])
        data = (path.parent / Path(named).name).read_bytes()
        if hashlib.sha256(data).hexdigest() != digest:
            raise UnreadableFile(path, f"{named} beside it is not the file it names")
        labels = np.load(io.BytesIO(data), allow_pickle=False)
    except OSError as error:
        raise UnreadableFile(path, f"could not be read ({error.strerror or error})") from error
    except (ValueError, KeyError, TypeError) as error:
        raise UnreadableFile(path, f"is not a {SCHEMA} document ({error})") from error
    sound = labels.ndim == 2 and labels.dtype == np.int16 and step >= 1 and step & (step - 1) == 0
    if not (sound and 0.0 <= crossed <= 1.0):
        raise UnreadableFile(path, "its labels or its step are not what seams are made of")
    return Seams(step, labels, crossed)

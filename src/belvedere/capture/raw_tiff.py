"""Raw files built like TIFF: their tags, the pictures they carry, and whether the raw picture is all there.

Source: TIFF Revision 6.0 (1992); TIFF/EP (ISO 12234-2): SubIFDs, colour filter arrays; tags 50706 and on: the
open digital negative specification, from memory.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path
from typing import Any

from belvedere.capture import exif
from belvedere.capture.quiet import quiet
from belvedere.capture.tiff_pages import open_tiff, tiff_tags
from belvedere.errors import UnreadableFile

_CFA, _LINEAR_RAW = 32803, 34892
_NONE, _JPEG, _OLD_JPEG = 1, 7, 6
_UNIQUE_MODEL, _BODY_SERIAL = 50708, 50735
_THUMBNAIL_AT, _THUMBNAIL_BYTES = 513, 514
_MOST_DIRECTORIES = 24
_LARGEST_PREVIEW_BYTES = 64 << 20
_MISSING = "is cut short: part of its picture is missing; copy it from the card again"


def is_tiff_like(file: Path) -> bool:
    """Whether a file begins as TIFF does, or as one of the raw kinds that differ in the mark alone."""
    with file.open("rb") as stream:
        head = stream.read(4)
    return head in (b"II*\0", b"MM\0*", b"IIU\0", b"IIRO", b"IIRS", b"MMOR")


def raw_tags(file: Path) -> dict[int, Any]:
    """Exif tags of a raw file; {} where its directories cannot be read."""
    try:
        with quiet(), open_tiff(file) as tiff:
            page = tiff.pages[0]
            tags = tiff_tags(page)
            for number, stand_in in ((exif.MODEL, _UNIQUE_MODEL), (exif.BODY_SERIAL, _BODY_SERIAL)):
                entry = page.tags.get(stand_in)
                if entry is not None and not tags.get(number):
                    tags[number] = entry.value
            return tags
    except Exception:  # the file is outside data, and LibRaw may still know it
        return {}


def check_raw_directories(file: Path, raw_pixels: int) -> None:
    """Check that the strips or tiles of a raw picture lie in the file and hold what they must.

    Parameters
    ----------
    raw_pixels : int
        Size of the raw picture, px; smaller directories are not looked at. Some declare another size.

    Raises
    ------
    UnreadableFile
        If not. Directories that cannot be read pass: LibRaw judges the file.
    """
    size = file.stat().st_size
    try:
        with quiet(), open_tiff(file) as tiff:
            for page in _directories(tiff):
                pixels = page.imagewidth * page.imagelength
                if int(page.photometric) not in (_CFA, _LINEAR_RAW) or pixels < raw_pixels // 2:
                    continue
                ends = [at + n for at, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
                if ends and max(ends) > size:
                    raise UnreadableFile(file, _MISSING)
                bits = page.bitspersample if isinstance(page.bitspersample, int) else 8
                least = {_NONE: min(bits, 8), _JPEG: 0.5}.get(int(page.compression), 0.0)
                if sum(page.databytecounts) * 8 < 0.95 * least * raw_pixels * page.samplesperpixel:
                    raise UnreadableFile(file, _MISSING)
    except UnreadableFile as error:
        if error.why == _MISSING:
            raise
    except Exception:  # as above
        return


def tiff_previews(file: Path) -> list[bytes]:
    """The JPEG streams that a raw file built like TIFF carries of itself; damaged ones too."""
    found: list[bytes] = []
    try:
        with quiet(), open_tiff(file) as tiff:
            for page in _directories(tiff):
                span = _jpeg_span(page)
                if span is not None and 0 < span[1] <= _LARGEST_PREVIEW_BYTES:
                    tiff.filehandle.seek(span[0])
                    stream = bytes(tiff.filehandle.read(span[1]))
                    if stream[:3] == b"\xff\xd8\xff":
                        found.append(stream)
    except Exception:  # as above
        return found
    return found


def _jpeg_span(page: Any) -> tuple[int, int] | None:
    """(place, length) of the one JPEG stream of a directory that is no raw picture."""
    if int(page.photometric) in (_CFA, _LINEAR_RAW):
        return None
    at, length = page.tags.get(_THUMBNAIL_AT), page.tags.get(_THUMBNAIL_BYTES)
    if at is not None and length is not None:
        return int(at.value), int(length.value)
    if int(page.compression) in (_JPEG, _OLD_JPEG) and len(page.dataoffsets) == 1:
        return int(page.dataoffsets[0]), int(page.databytecounts[0])
    return None


def _directories(tiff: Any) -> list[Any]:
    """The directories of a file and those below them, as far as they can be read."""
    found: list[Any] = []
    pages = iter(tiff.pages)
    while len(found) < _MOST_DIRECTORIES:
        try:
            page = next(pages)
        except Exception:  # the end, or a damaged one
            break
        found.append(page)
        try:
            found += list(islice(page.pages or (), _MOST_DIRECTORIES))
        except Exception:  # damaged ones below
            continue
    return found

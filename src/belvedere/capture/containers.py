"""Which kind of file a file is, told by its first bytes, and how large a frame it may declare."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import BinaryIO, Literal

from belvedere.errors import UnreadableFile

Container = Literal["jpeg", "tiff", "png", "heif", "raw"]

LARGEST_FRAME_PX = 400_000_000
"""Largest single frame read, px; more than any camera makes. Our choice."""

RAW_SUFFIXES = frozenset(
    "." + name
    for name in (
        *(
            "3fr",
            "ari",
            "arw",
            "cr2",
            "cr3",
            "crw",
            "dcr",
            "dng",
            "erf",
            "fff",
            "gpr",
            "iiq",
            "k25",
            "kdc",
            "mef",
        ),
        *("mos", "mrw", "nef", "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f"),
    )
)
"""Suffixes of cameras' own raw files, lower case."""

_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_RAW_BRAND = b"crx "
_DNG_VERSION = 50706

_TIFF_MARKS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_OTHERS: tuple[tuple[int, bytes, str], ...] = (
    (4, b"ftypavi", "AVIF"),
    (4, b"ftyp", "film or unknown"),
    (0, b"GIF8", "GIF"),
    (0, b"BM", "BMP"),
    (0, b"\0\0\0\x0cjP  ", "JPEG 2000"),
    (0, b"\xff\x0a", "JPEG XL"),
    (0, b"\0\0\0\x0cJXL ", "JPEG XL"),
    (8, b"WEBP", "WebP"),
    (0, b"%PDF", "PDF"),
)


def container_of(file: Path) -> Container:
    """The kind of picture file this is, by its content.

    Raises
    ------
    UnreadableFile
        If it is missing, no plain file, empty, or of no kind that is read.
    """
    try:
        kind = file.stat()
        if stat.S_ISDIR(kind.st_mode):
            raise UnreadableFile(file, "is a folder with a picture's name")
        if not stat.S_ISREG(kind.st_mode):
            raise UnreadableFile(file, "is not a plain file")
        with file.open("rb") as stream:
            head = stream.read(16)
            is_dng = head[:4] in _TIFF_MARKS and _has_tag(stream, head, _DNG_VERSION)
    except FileNotFoundError as error:
        why = "is a link to a file that is not there" if file.is_symlink() else "is not there"
        raise UnreadableFile(file, why) from error
    except OSError as error:
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
    if not head:
        raise UnreadableFile(file, "is empty; copy it from the card again")
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if is_dng or head[4:12] == b"ftyp" + _RAW_BRAND or file.suffix.lower() in RAW_SUFFIXES:
        return "raw"
    if head[:4] in _TIFF_MARKS:
        return "tiff"
    if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS:
        return "heif"
    for at, mark, name in _OTHERS:
        if head[at : at + len(mark)] == mark:
            raise UnreadableFile(file, f"is a {name} file; save it as JPEG, TIFF or PNG")
    raise UnreadableFile(file, "is not a picture file, whatever its name says")


def _has_tag(stream: BinaryIO, head: bytes, tag: int) -> bool:
    """Whether the first directory of a classic TIFF has a tag (TIFF 6.0, section 2)."""
    order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
    if 42 not in (head[2], head[3]):
        return False
    stream.seek(int.from_bytes(head[4:8], order))
    count = int.from_bytes(stream.read(2), order)
    entries = stream.read(12 * count)
    return any(int.from_bytes(entries[i : i + 2], order) == tag for i in range(0, len(entries), 12))


def check_declared_size(
    file: Path, width: int, height: int, most_px: float, *, largest_px: int = LARGEST_FRAME_PX
) -> None:
    """Refuse a picture that declares a size it cannot have, before memory is asked for it.

    Parameters
    ----------
    width, height : int
        Declared size, px.
    most_px : float
        Pixels that the file's bytes can hold at the most, by its compression.
    largest_px : int
        More than this is no frame.

    Raises
    ------
    UnreadableFile
        If a side is 0, or there are more pixels than `largest_px` or `most_px`.
    """
    if width < 1 or height < 1:
        raise UnreadableFile(file, f"declares a size of {width} x {height} px")
    if width * height > largest_px:
        raise UnreadableFile(
            file,
            f"declares {width} x {height} px, more than the {largest_px // 1_000_000} megapixels"
            " a single frame may have",
        )
    if width * height > most_px:
        raise UnreadableFile(
            file,
            f"declares {width} x {height} px, which its {file.stat().st_size} bytes cannot hold;"
            " it is damaged or cut short, copy it from the card again",
        )

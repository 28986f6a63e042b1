"""The ICC profile of a paper: read, checked, and what its numbers for white and black are.

Source: ICC.1:2022, 7.2 (header: class at byte 12, data colour space at 16, connection space at 20).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.icc import read_profile
from belvedere.capture.primaries import srgb_profile
from belvedere.errors import UnreadableFile

_LARGEST = 64 << 20

_SPACES = {"RGB": 3, "CMYK": 4, "GRAY": 1}

_CLASSES = {b"prtr", b"mntr", b"spac"}

_KINDS = {
    b"scnr": "of a scanner or camera",
    b"link": "a link between two devices",
    b"abst": "an abstract one",
    b"nmcl": "a list of named colours",
}


@dataclass(frozen=True)
class PaperProfile:
    """A profile that colours can be converted to.

    Parameters
    ----------
    name : str
        Its description, for people.
    data : bytes
        The profile.
    space : str
        "RGB", "CMYK" or "GRAY".
    is_printer : bool
        Whether it is of an output device, as a PDF's output intent wants it.
    """

    name: str
    data: bytes
    space: str
    is_printer: bool

    @property
    def channels(self) -> int:
        return _SPACES[self.space]

    def paper_white(self, full: int) -> tuple[int, ...]:
        """Codes of bare paper, `full` being the largest code."""
        return (0,) * 4 if self.space == "CMYK" else (full,) * self.channels

    def black(self, full: int) -> tuple[int, ...]:
        """Codes of a black line: one ink, so that it stays sharp."""
        return (0, 0, 0, full) if self.space == "CMYK" else (0,) * self.channels


def read_paper_profile(path: Path) -> PaperProfile:
    """The profile in a file, or sRGB where the name is "srgb" and no such file exists.

    Raises
    ------
    UnreadableFile
        If there is no such file, it is no profile, or not one of a paper; says what to give instead.
    """
    if path.name.lower() == "srgb" and not path.exists():
        return paper_profile(srgb_profile(), path)
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST + 1)
    except OSError as error:
        why = (
            "there is no such file" if isinstance(error, FileNotFoundError) else error.strerror or str(error)
        )
        raise UnreadableFile(path, f"{why}; give the paper's ICC profile, or srgb") from error
    return paper_profile(data, path)


def paper_profile(data: bytes, path: Path) -> PaperProfile:
    """Check a profile's bytes; see `read_paper_profile`.

    Parameters
    ----------
    data : bytes
    path : Path
        Where they came from, for the message.
    """
    read = read_profile(data)
    if read is None or len(data) > _LARGEST:
        raise UnreadableFile(
            path, "is no ICC profile; give the paper's own, from its maker or the print house"
        )
    if len(data) < int.from_bytes(data[:4], "big"):
        raise UnreadableFile(path, "is an ICC profile cut short; fetch it again")
    kind = data[12:16]
    if kind not in _CLASSES:
        what = _KINDS.get(kind, "of an unknown class")
        raise UnreadableFile(path, f"is an ICC profile {what}, and not of a paper; give the paper's own")
    if read.space not in _SPACES:
        raise UnreadableFile(
            path, f"is an ICC profile of {read.space} numbers; papers of RGB, CMYK or grey are printed"
        )
    return PaperProfile(read.name, data, read.space, kind == b"prtr")

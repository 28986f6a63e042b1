"""Which file format a delivered picture can have, said before anything is computed.

Source of the limits: `optics.file_limits`, with the standards named there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from belvedere.compose.finished_file import disk_space
from belvedere.errors import OutputFailed
from belvedere.optics.file_limits import TIFF_BYTES, TIFF_SIDE, FormatFit, fitting_formats

Format = Literal["TIFF", "BigTIFF", "PNG", "JPEG"]


@dataclass(frozen=True, slots=True)
class TiledChoice:
    """What kind of TIFF a tiled picture will be.

    Parameters
    ----------
    name : "TIFF", "BigTIFF" or "TIFF or BigTIFF"
        Both where only the finished file will tell.
    expected_bytes, most_bytes : int
        Size on disk of a usual photograph, and what it cannot exceed.
    """

    name: Literal["TIFF", "BigTIFF", "TIFF or BigTIFF"]
    expected_bytes: int
    most_bytes: int

    @property
    def words(self) -> str:
        """The same for a person, one sentence."""
        size = f"about {disk_space(self.expected_bytes)}"
        if self.name == "TIFF or BigTIFF":
            return f"{size}: a TIFF if it ends within 4 GiB, else a BigTIFF"
        past = ", which goes past the 4 GiB of a TIFF" if self.name == "BigTIFF" else ""
        return f"{size}, a {self.name}{past}"


def choose_tiled(expected_bytes: int, most_bytes: int) -> TiledChoice:
    """Classic TIFF where it surely fits in 4 GiB, BigTIFF where it surely does not (TIFF 6.0, section 2).

    Parameters
    ----------
    expected_bytes, most_bytes : int
        Of the finished file.
    """
    if most_bytes < TIFF_BYTES:
        return TiledChoice("TIFF", expected_bytes, most_bytes)
    if expected_bytes >= 2 * TIFF_BYTES:
        return TiledChoice("BigTIFF", expected_bytes, most_bytes)
    return TiledChoice("TIFF or BigTIFF", expected_bytes, most_bytes)


def need_format(wanted: Format, width: int, height: int, *, samples: int = 3, bits: int = 16) -> FormatFit:
    """Whether a format holds the picture, and what it loses.

    Raises
    ------
    OutputFailed
        If it does not; names the limit and the formats that would.
    """
    fits = {fit.name: fit for fit in fitting_formats(width, height, samples=samples, bits=bits)}
    found = fits[wanted]
    if found.fits != "no":
        return found
    others = [fit.name for fit in fits.values() if fit.fits != "no"]
    instead = f"{' and '.join(others)} would hold it" if others else f"a side may have {TIFF_SIDE:,} pixels"
    raise OutputFailed(f"a {wanted} cannot hold {width:,} x {height:,} pixels: {found.why}. {instead}.")

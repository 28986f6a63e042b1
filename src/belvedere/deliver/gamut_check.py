"""How much of a picture a paper cannot show: there and back through the paper's profile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.icc import read_profile
from belvedere.deliver.colour_conversion import ColourConversion, lab_of, little_cms
from belvedere.deliver.colour_difference import ciede2000

SEEN = 3.0
"""CIEDE2000 from which a colour counts as one the paper cannot show: seen at once side by side, and above
what a sound profile loses there and back (common practice, no published source)."""

_EXACT, _BLACK_POINT = 0x0100, 0x2000


@dataclass(frozen=True, slots=True)
class GamutShare:
    """What is lost of a picture's colours.

    Parameters
    ----------
    share : float
        Of the covered pixels looked at, 0 to 1, those that change by more than `SEEN`.
    mean_of_them, most : float
        CIEDE2000: mean over those, 0 where there are none; the largest of all.
    looked_at : int
        Covered pixels looked at.
    """

    share: float
    mean_of_them: float
    most: float
    looked_at: int


def out_of_gamut(codes: NDArray[np.uint16], conversion: ColourConversion) -> GamutShare:
    """Compare colours with what comes back of them from the paper, by the relative colorimetric intent.

    The same whatever intent the print takes: the perceptual one moves colours that the paper can show, too.
    With black point compensation, shadows darker than the paper's black do not count, because they are
    lifted and not lost.

    Parameters
    ----------
    codes : ndarray of shape (h, w, 4), uint16
        A fair sample of the picture: codes and coverage.
    conversion : ColourConversion
        Tells the two profiles and whether black points are brought together.
    """
    covered = codes[codes[..., 3] > 0][None, :, :3]
    if covered.size == 0:
        return GamutShare(0.0, 0.0, 0.0, 0)
    paper = conversion.paper
    flags = _BLACK_POINT if conversion.black_point else 0
    source = read_profile(conversion.source)
    space = "GRAY" if source is not None and source.space == "GRAY" else "RGB"
    asked = covered[..., :1] if space == "GRAY" else covered
    there = little_cms(asked, conversion.source, space, paper.data, paper.space, "relative", _EXACT | flags)
    back = lab_of(there, paper.data, paper.space, flags)
    off = ciede2000(back, lab_of(asked, conversion.source, space))
    lost = off > SEEN
    return GamutShare(
        share=float(lost.mean()),
        mean_of_them=float(off[lost].mean()) if lost.any() else 0.0,
        most=float(off.max()),
        looked_at=int(off.size),
    )

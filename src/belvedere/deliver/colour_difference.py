"""How different two colours look: CIEDE2000."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_CHROMA = 25.0**7


def ciede2000(lab: NDArray[np.floating], other: NDArray[np.floating]) -> NDArray[np.float64]:
    """Colour difference dE00 of CIE L*a*b* colours, with kL = kC = kH = 1; about 1 is just seen side by side.

    Parameters
    ----------
    lab, other : ndarray of shape (..., 3)
        L* from 0 to 100, a*, b*; both under the same white.

    Returns
    -------
    ndarray of shape (...), float64

    References
    ----------
    ISO/CIE 11664-6:2014; G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 Color-Difference Formula:
    Implementation Notes, Supplementary Test Data, and Mathematical Observations, Color Research and
    Application 30(1), 2005, equations (2) to (22).
    """
    one, two = np.asarray(lab, np.float64), np.asarray(other, np.float64)
    mean_7 = ((np.hypot(one[..., 1], one[..., 2]) + np.hypot(two[..., 1], two[..., 2])) / 2.0) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean_7 / (mean_7 + _CHROMA))  # 1 + G
    a1, a2 = stretch * one[..., 1], stretch * two[..., 1]
    c1, c2 = np.hypot(a1, one[..., 2]), np.hypot(a2, two[..., 2])
    h1 = np.degrees(np.arctan2(one[..., 2], a1)) % 360.0
    h2 = np.degrees(np.arctan2(two[..., 2], a2)) % 360.0
    grey = c1 * c2 == 0.0
    turn = np.where(grey, 0.0, (h2 - h1 + 180.0) % 360.0 - 180.0)
    turn = np.where((turn == -180.0) & (h2 > h1), 180.0, turn)  # (10): a half turn keeps its sign
    light, chroma = two[..., 0] - one[..., 0], c2 - c1
    hue = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2.0))
    mean_l, mean_c = (one[..., 0] + two[..., 0]) / 2.0, (c1 + c2) / 2.0
    both = h1 + h2
    far = np.abs(h1 - h2) > 180.0
    mean_h = np.where(
        grey, both, np.where(far, np.where(both < 360.0, both + 360.0, both - 360.0), both) / 2.0
    )
    cosines = (
        1.0
        - 0.17 * np.cos(np.radians(mean_h - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean_h))
        + 0.32 * np.cos(np.radians(3.0 * mean_h + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean_h - 63.0))
    )
    off = (mean_l - 50.0) ** 2
    l_part = light / (1.0 + 0.015 * off / np.sqrt(20.0 + off))
    c_part = chroma / (1.0 + 0.045 * mean_c)
    h_part = hue / (1.0 + 0.015 * mean_c * cosines)
    c_7 = mean_c**7
    turned = (
        -2.0
        * np.sqrt(c_7 / (c_7 + _CHROMA))
        * np.sin(np.radians(60.0 * np.exp(-(((mean_h - 275.0) / 25.0) ** 2))))
    )
    return np.asarray(np.sqrt(np.maximum(l_part**2 + c_part**2 + h_part**2 + turned * c_part * h_part, 0.0)))

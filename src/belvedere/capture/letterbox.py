"""Bars of an embedded picture whose shape is not the frame's own, cut off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_SAME_SHAPE = 0.02  # ratio of shapes that is only rounding to whole pixels
_BAR_SPREAD = 40  # largest deviation of a bar's samples from its own middle: compression near its edge
_BAR_MEDIAN = 16  # likewise, of half of a bar's row
_MORE_PX = (
    4  # rows by which a bar may be wider than the shapes say: smoothing, and cameras that round; our choice
)


def without_bars(image: NDArray[np.uint8], width: int, height: int) -> NDArray[np.uint8] | None:
    """The part of an embedded picture that shows the frame.

    A thumbnail of Exif's customary 160 x 120 px shows a 3:2 frame between two bars.

    Parameters
    ----------
    image : ndarray of shape (h, w, 3), uint8
        As stored.
    width, height : int
        The frame's size as stored, px.

    Returns
    -------
    ndarray of shape (h', w', 3), uint8, or None
        None where the shape is not the frame's and there are no bars that would explain it: then it shows
        another picture, for instance the frame before it was cropped or turned.
    """
    h, w = image.shape[:2]
    stretch = (w / h) / (width / height)
    if abs(np.log(stretch)) <= _SAME_SHAPE:
        return image
    if stretch > 1.0:  # bars left and right
        turned = without_bars(image.transpose(1, 0, 2), height, width)
        return None if turned is None else turned.transpose(1, 0, 2)
    bar = (h - w * height / width) / 2.0
    if bar < 1.0:
        return image
    certain, least = int(bar), int(np.ceil(bar))
    if 2 * (least + _MORE_PX + 1) >= h:
        return None
    colour = np.median(image[[0, h - 1]].reshape(-1, 3), axis=0)
    off = np.abs(image.astype(np.int16) - colour).max(axis=2)  # (h, w)
    plain = (np.percentile(off, 98, axis=1) <= _BAR_SPREAD) & (np.median(off, axis=1) <= _BAR_MEDIAN)
    inner = max(1, certain - 1)  # the bar's last row is smoothed into the picture
    if not (plain[:inner].all() and plain[h - inner :].all()):
        return None
    top, bottom = _edge(plain, least), _edge(plain[::-1], least)
    return image[top : h - bottom]


def _edge(plain: NDArray[np.bool_], least: int) -> int:
    """Where a bar of at least `least` rows ends; at `least` where no end shows, as before a dark scene."""
    for row in range(least, least + _MORE_PX + 1):
        if not plain[row]:
            return row
    return least

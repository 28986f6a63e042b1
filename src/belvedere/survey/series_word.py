"""The photographer's word on a sorted card, which overrules what was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class SeriesWord:
    """What the photographer says. Every file is named by its path under the card, with / between folders.

    Parameters
    ----------
    split_before : tuple of str
        Files with which a new series begins, in the order shot.
    join : tuple of (str, str)
        Pairs of files whose series are one.
    not_marker : tuple of str
        Files that are frames of the scene, whatever they look like.
    marker : tuple of str
        Files that are marker frames, whatever they look like.
    leave_out : tuple of str
        Files that belong to no series: strays.
    names : mapping of str to str
        Names of series, each by any one of its files.
    """

    split_before: tuple[str, ...] = ()
    join: tuple[tuple[str, str], ...] = ()
    not_marker: tuple[str, ...] = ()
    marker: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)

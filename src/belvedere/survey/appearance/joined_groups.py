"""Things that hang together by a relation between pairs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray


def joined_groups(joined: NDArray[np.bool_]) -> Iterator[list[int]]:
    """Groups of indices that hang together.

    Parameters
    ----------
    joined : ndarray of shape (n, n), bool
        Which are joined to which; symmetric.

    Yields
    ------
    list of int
        Each group from its first index outwards, groups in the order of their first indices; loners too.
    """
    left = np.ones(len(joined), dtype=bool)
    for first in range(len(joined)):
        if not left[first]:
            continue
        members = [first]
        left[first] = False
        for member in members:
            more = np.flatnonzero(joined[member] & left)
            left[more] = False
            members += more.tolist()
        yield members

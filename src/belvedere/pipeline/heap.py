"""The heap gives back at once what large arrays took, so that a ceiling of memory can be kept.

glibc by itself raises the size from which memory comes straight from the system, up to 32 MB as it meets such
arrays, and keeps a heap for every thread: a run then holds hundreds of MB that nobody uses (24-megapixel
frames, four threads: 616 to 770 MB at the peak without this, 420 to 490 with it). Memory straight from the
system has to be cleared first: from 1 MB up it cost a tenth of the whole time, from 16 MB up nothing that
could be measured, so the lower limit is for tight ceilings only.
"""

from __future__ import annotations

import ctypes
import sys

# Numbers of mallopt's parameters: glibc's malloc.h.
_TRIM_THRESHOLD = -1
_MMAP_THRESHOLD = -3
_ARENA_MAX = -8

_TIGHT_BYTES = 1 << 30
_KEPT_BYTES = 64 << 20


def give_back_large_arrays(ceiling: int) -> None:
    """Set the C library's heap up for a ceiling of memory in bytes; does nothing where it is not glibc."""
    if not sys.platform.startswith("linux"):
        return
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return
    mallopt(_MMAP_THRESHOLD, 1 << (20 if ceiling < _TIGHT_BYTES else 24))
    if ceiling >= _TIGHT_BYTES:
        mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)
    mallopt(_ARENA_MAX, 2)

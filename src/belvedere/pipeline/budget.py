"""The memory ceiling of a run, and how it is shared out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import psutil

from belvedere.capture.frame import Frame
from belvedere.errors import BelvedereError
from belvedere.pipeline.processors import processors

MIB = 1 << 20
GIB = 1 << 30

BASE_BYTES = 340 * MIB
"""Interpreter, libraries, compiled kernels and what the heap keeps of earlier stages, measured on Linux."""

_ALIGNER_BYTES = 235 * MIB  # detecting features in a reduced copy of a million px, measured
_BLOCK_BYTES_PER_PX = 75  # rendering and encoding, per px of a block with its surroundings: 60 measured
_SURROUNDINGS_PX = 128
_TIFF_TILE = 512
_LARGEST_BLOCK = 1024
_DECODE_FACTOR = 2.7  # the file's bytes, the stored and the displayed copy, a level, in decoded frames
_CACHE_LEAST = 32 * MIB
_CACHE_MOST = 1024 * MIB

_UNITS = {
    "": 1,
    "K": 10**3,
    "M": 10**6,
    "G": 10**9,
    "T": 10**12,
    "KI": 2**10,
    "MI": 2**20,
    "GI": 2**30,
    "TI": 2**40,
}


def parse_bytes(text: str) -> int:
    """A size as written by a person, in bytes: "1GiB", "800 MB", "1.5G", "1073741824".

    Raises
    ------
    ValueError
        If it is no size above 0.
    """
    match = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*([KMGT]?I?)B?\s*", text.upper())
    unit = _UNITS.get(match[2]) if match else None
    size = int(float(match[1].replace(",", ".")) * unit) if match and unit else 0
    if size <= 0:
        raise ValueError(f"{text!r} is no size of memory; write it like 1GiB or 800MB")
    return size


def default_ceiling(machine_bytes: int | None = None) -> int:
    """A quarter of the machine's memory, at most 4 GiB; bytes."""
    total = psutil.virtual_memory().total if machine_bytes is None else machine_bytes
    return min(total // 4, 4 * GIB)


@dataclass(frozen=True, slots=True)
class Budget:
    """A ceiling shared out.

    Parameters
    ----------
    ceiling : int
        Most memory of the whole process, interpreter included, bytes.
    decoders, aligners, workers : int
        Threads that decode, that align, and that render at once.
    cache_bytes : int
        Most bytes of decoded tiles kept.
    block : int
        Side of the blocks the picture is rendered in, px; a multiple of the file's tiles.
    short_bytes : int
        By how much the ceiling cannot be kept because one frame alone needs more; 0 where it can.
    """

    ceiling: int
    decoders: int
    aligners: int
    workers: int
    cache_bytes: int
    block: int
    short_bytes: int = 0


def share_out(ceiling: int, largest_frame_bytes: int, threads: int, block: int | None = None) -> Budget:
    """Share a ceiling out among what runs at once; a smaller one means fewer threads, never other pixels.

    Parameters
    ----------
    ceiling : int
        Bytes.
    largest_frame_bytes : int
        The largest frame, decoded, bytes.
    threads : int
        Most threads wanted, >= 1.
    block : int or None
        Side of a block where the person fixed it, px.

    Raises
    ------
    BelvedereError
        If the ceiling is below what the program itself takes.
    """
    least = BASE_BYTES + max(_ALIGNER_BYTES, _CACHE_LEAST + _block_bytes(block or _TIFF_TILE))
    if ceiling < least:
        raise BelvedereError(
            f"a memory ceiling of {ceiling // MIB} MiB is too low: Belvedere itself takes about "
            f"{BASE_BYTES // MIB} MiB. Give --memory {-(-least // (50 * MIB)) * 50}MiB or more"
        )
    free = ceiling - BASE_BYTES
    one_decode = int(_DECODE_FACTOR * largest_frame_bytes)
    roomy = free >= 2 * threads * _block_bytes(_LARGEST_BLOCK)
    side = block or (_LARGEST_BLOCK if roomy else _TIFF_TILE)
    workers = _at_once(free - _CACHE_LEAST, _block_bytes(side), threads)
    cache = max(_CACHE_LEAST, min(_CACHE_MOST, (free - workers * _block_bytes(side)) // 2))
    return Budget(
        ceiling=ceiling,
        decoders=_at_once(free, one_decode, threads),
        aligners=_at_once(free, _ALIGNER_BYTES, threads),
        workers=workers,
        cache_bytes=cache,
        block=side,
        short_bytes=max(0, one_decode - free),
    )


def budget_for(
    frames: Sequence[Frame], memory_bytes: int | None, workers: int | None, block: int | None = None
) -> Budget:
    """Share out what a run over some frames may take; see `share_out`.

    Parameters
    ----------
    frames : sequence of Frame
        One or more.
    memory_bytes : int or None
        Ceiling as the person gave it; None: `default_ceiling`.
    workers : int or None
        Most threads as the person gave them; None: one a processor.
    block : int or None
        Side of a block where the person fixed it, px.
    """
    largest = max(f.metadata.width * f.metadata.height * 3 * f.metadata.bits // 8 for f in frames)
    return share_out(memory_bytes or default_ceiling(), largest, workers or processors(), block)


def _at_once(free: int, each: int, most: int) -> int:
    """How many of a size fit, at least 1."""
    return max(1, min(most, free // max(each, 1)))


def _block_bytes(side: int) -> int:
    """Memory that rendering one block takes, bytes."""
    return (side + _SURROUNDINGS_PX) ** 2 * _BLOCK_BYTES_PER_PX

"""TIFF frames: which page is the frame, whether it can be read, and its pixels, strip by strip.

Source: TIFF Revision 6.0 (1992); BigTIFF by its published design; tag 50706 marks DNG.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from belvedere.capture.containers import LARGEST_FRAME_PX, check_declared_size
from belvedere.capture.exif import EXIF_IFD, MAKE, MODEL, ORIENTATION
from belvedere.errors import UnreadableFile

logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # what it would log, we raise or do without

_MINISWHITE, _MINISBLACK, _RGB, _PALETTE, _SEPARATED, _YCBCR, _CFA = 0, 1, 2, 3, 5, 6, 32803
_NONE, _LZW, _JPEG, _DEFLATE, _PACKBITS, _OLD_DEFLATE, _ZSTD = 1, 5, 7, 8, 32773, 32946, 50000
# Most bytes that a compressed byte can stand for: deflate by zlib.net; LZW 4096 strings of < 4096 bytes in
# 12-bit codes; PackBits 128 in 2; JPEG 512 px, three samples; Zstandard has no useful bound.
_MOST_BYTES = {
    _NONE: 1,
    _LZW: 4096,
    _JPEG: 1536,
    _DEFLATE: 1032,
    _OLD_DEFLATE: 1032,
    _PACKBITS: 64,
    _ZSTD: 1 << 20,
}
_BEYOND_EXIF = 0xA600
_READ_AT_ONCE_BYTES = 8 << 20
_CUT_SHORT = "is cut short or damaged; copy or export it again"
_RAW_NOT_TOLD = "holds a raw picture under another name; give the copy the suffix of the camera's raw files"


def open_tiff(file: Path) -> Any:
    """Open a TIFF; an UnreadableFile if its directories cannot be read."""
    try:
        return tifffile.TiffFile(file, is_ome=False, is_imagej=False, is_shaped=False)
    except Exception as error:  # the file is outside data
        raise UnreadableFile(file, f"its header {_CUT_SHORT}") from error


def frame_page(tiff: Any, file: Path) -> Any:
    """The page that holds the frame: the first that is no reduced copy of another.

    Raises
    ------
    UnreadableFile
        If there is no page, or the file holds a raw picture.
    """
    try:
        pages = list(islice(tiff.pages, 32))
    except Exception as error:  # the file is outside data
        raise UnreadableFile(file, f"its header {_CUT_SHORT}") from error
    for page in pages:
        if page.tags.get(50706) is not None or page.tags.get(33421) is not None:
            raise UnreadableFile(file, _RAW_NOT_TOLD)
    for page in pages:
        if not page.subfiletype & 1:
            return page
    if pages:
        return pages[0]
    raise UnreadableFile(file, f"its header {_CUT_SHORT}")


def check_tiff_page(
    page: Any, file: Path, *, largest_px: int = LARGEST_FRAME_PX, floats: bool = False
) -> None:
    """Check, before anything is allocated, that a page's samples are of a kind that is read and all there.

    More than `largest_px` pixels are refused; `floats` takes RGB in 32-bit floating point too.

    Raises
    ------
    UnreadableFile
        If not.
    """
    bits = page.bitspersample
    if len(page.dataoffsets) != len(page.databytecounts) or not page.dataoffsets:
        raise UnreadableFile(file, f"its list of strips {_CUT_SHORT}")
    if page.photometric == _CFA:
        raise UnreadableFile(file, _RAW_NOT_TOLD)
    if page.photometric == _SEPARATED:
        raise UnreadableFile(file, "is a CMYK TIFF, made for printing ink; export it as RGB")
    if page.photometric not in (_MINISWHITE, _MINISBLACK, _RGB, _PALETTE, _YCBCR):
        raise UnreadableFile(file, "holds colours of a kind that is not read; export it as RGB")
    if floats and bits == 32 and page.sampleformat == 3 and page.photometric == _RGB:
        pass
    elif not isinstance(bits, int) or bits not in (8, 16) or page.sampleformat not in (1, None):
        kind = {2: "signed", 3: "floating-point"}.get(page.sampleformat, "unsigned")
        raise UnreadableFile(file, f"holds {bits}-bit {kind} samples; export it with 8 or 16 bits a sample")
    if int(page.compression) not in _MOST_BYTES:
        raise UnreadableFile(file, "is compressed in a way that is not read; export it with deflate or LZW")
    if page.imagedepth != 1 or page.fillorder != 1:
        raise UnreadableFile(file, "is laid out in a way that is not read; export it again")
    size = file.stat().st_size
    held = sum(page.databytecounts)
    most = held * _MOST_BYTES[int(page.compression)] * 8 / (bits * page.samplesperpixel)
    check_declared_size(file, page.imagewidth, page.imagelength, most, largest_px=largest_px)
    for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
        if count < 1 or offset < 8 or offset + count > size:
            raise UnreadableFile(file, _CUT_SHORT)
    segments(page, file)


def segments(page: Any, file: Path) -> tuple[int, int, int, int, int]:
    """(segment height, segment width, rows of segments, columns of segments, planes) of a page, checked."""
    tall = page.tilelength if page.is_tiled else min(page.rowsperstrip or page.imagelength, page.imagelength)
    wide = page.tilewidth if page.is_tiled else page.imagewidth
    if tall < 1 or wide < 1 or tall * wide > 4 * page.imagelength * page.imagewidth + (1 << 24):
        raise UnreadableFile(file, f"its header {_CUT_SHORT}")
    down, across = -(-page.imagelength // tall), -(-page.imagewidth // wide)
    planes = page.samplesperpixel if int(page.planarconfig) == 2 else 1
    if down * across * planes != len(page.dataoffsets):
        raise UnreadableFile(file, f"its list of strips {_CUT_SHORT}")
    return tall, wide, down, across, planes


def page_codecs(page: Any) -> tuple[Callable[..., Any] | None, Callable[..., Any] | None]:
    """What undoes the compression of a page's segments, and their predictor; None where nothing is to undo.

    JPEG is not among them: `page.decode` knows its tables.
    """
    compression, predictor = int(page.compression), int(page.predictor)
    return (
        tifffile.TIFF.DECOMPRESSORS[compression] if compression not in (_NONE, _JPEG) else None,
        tifffile.TIFF.UNPREDICTORS[predictor] if predictor != 1 else None,
    )


def read_tiff_pixels(file: Path) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Pixels of a TIFF frame as stored, (height, width, 3), uint8 or uint16; grey in three equal channels.

    Raises
    ------
    UnreadableFile
        If the file cannot be read whole: a strip that holds less than it should is never filled in.
    """
    with open_tiff(file) as tiff:
        page = frame_page(tiff, file)
        check_tiff_page(page, file)
        try:
            if int(page.compression) == _JPEG:
                samples = np.asarray(page.asarray(maxworkers=1))
                samples = samples[..., None] if samples.ndim == 2 else samples
            else:
                samples = _read_segments(page, file)
            return _as_rgb(page, samples)
        except (UnreadableFile, MemoryError):
            raise
        except Exception as error:  # codecs raise errors of their own for damaged data
            raise UnreadableFile(file, _CUT_SHORT) from error


def _read_segments(page: Any, file: Path) -> NDArray[Any]:
    """Decode strips or tiles one by one into (height, width, samples kept): at most the first three."""
    tall, wide, down, across, planes = segments(page, file)
    height, width, samples = page.imagelength, page.imagewidth, page.samplesperpixel
    kept = 3 if samples >= 3 else 1
    native = np.dtype(f"u{page.bitspersample // 8}")
    stored = native.newbyteorder(page.parent.byteorder)
    decompress, unpredict = page_codecs(page)
    in_segment = samples if planes == 1 else 1
    out = np.empty((height, width, kept), native)
    for index, (offset, count) in enumerate(zip(page.dataoffsets, page.databytecounts, strict=True)):
        plane, place = divmod(index, down * across)
        if planes > 1 and plane >= kept:
            break
        row, column = (place // across) * tall, (place % across) * wide
        rows = tall if page.is_tiled else min(tall, height - row)
        row_bytes = wide * in_segment * native.itemsize
        # What is not compressed comes a few rows at a time: a single strip may hold the whole frame.
        at_once = rows if decompress is not None else max(1, min(rows, _READ_AT_ONCE_BYTES // row_bytes))
        for done in range(0, rows, at_once):
            now = min(at_once, rows - done)
            if decompress is not None:
                data = decompress(_read(page, offset, count), out=rows * row_bytes)
            else:
                data = _read(page, offset + done * row_bytes, now * row_bytes)
            if len(data) < now * row_bytes:
                raise UnreadableFile(file, _CUT_SHORT)
            piece = np.frombuffer(data, stored, count=now * wide * in_segment)
            piece = piece.reshape(now, wide, in_segment).astype(native, copy=False)
            if unpredict is not None:
                piece = unpredict(piece, axis=-2)
            piece = piece[: max(0, height - row - done), : width - column]
            top = row + done
            target = out[top : top + piece.shape[0], column : column + piece.shape[1]]
            if planes == 1:
                target[...] = piece[..., :kept]
            else:
                target[..., plane] = piece[..., 0]
    return out


def _read(page: Any, offset: int, count: int) -> bytes:
    page.parent.filehandle.seek(offset)
    return bytes(page.parent.filehandle.read(count))


def _as_rgb(page: Any, samples: NDArray[Any]) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Three channels from the samples of a page: palette looked up, white-is-zero turned, grey repeated."""
    if page.photometric == _PALETTE:
        table = np.asarray(page.colormap)  # (3, 2^bits), uint16
        looked_up = table.T[samples[..., 0]]
        if page.bitspersample == 8:  # an 8-bit palette picture is an 8-bit frame
            looked_up = (looked_up >> 8).astype(np.uint8)
        return np.ascontiguousarray(looked_up)
    if page.photometric == _MINISWHITE:
        samples = np.iinfo(samples.dtype).max - samples
    if samples.shape[2] == 3:
        return np.ascontiguousarray(samples)
    if samples.shape[2] > 3:
        return np.ascontiguousarray(samples[..., :3])
    return np.repeat(samples[..., :1], 3, axis=2)


def tiff_tags(page: Any) -> dict[int, Any]:
    """Exif tags of a TIFF page by number; tifffile gives its Exif directory by name."""
    tags: dict[int, Any] = {}
    for number in (MAKE, MODEL, ORIENTATION):
        entry = page.tags.get(number)
        if entry is not None:
            tags[number] = entry.value
    entry = page.tags.get(EXIF_IFD)
    if entry is not None and isinstance(entry.value, dict):
        for name, value in entry.value.items():
            known = name if isinstance(name, int) else _exif_numbers().get(name)
            if known is not None:
                tags[known] = value
    return tags


@cache
def _exif_numbers() -> dict[str, int]:
    """Numbers of Exif tags by tifffile's names; where TIFF/EP has the same name, Exif's, the higher.

    Makers' own tags beyond Exif's last have some of the names too.
    """
    registry: Any = tifffile.TIFF.EXIF_TAGS
    return {name: number for number, name in sorted(registry.items()) if number < _BEYOND_EXIF}

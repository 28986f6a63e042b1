"""Pictures in the High Efficiency Image File Format (ISO/IEC 23008-12), by the optional extra `heif`.

The library turns and mirrors a picture as the file's own properties say (`irot`, `imir`), which the standard
makes binding; the Exif Orientation beside them repeats that for information and is not applied again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture import exif
from belvedere.capture.containers import check_declared_size
from belvedere.capture.frame import Metadata
from belvedere.errors import UnreadableFile

_CUT_SHORT = "is cut short or damaged; copy it from the card again"
_NOT_THERE = (
    "is a HEIF picture, which takes an extra package: install it with pip install 'belvedere[heif]',"
    " or save the picture as JPEG"
)
_MOST_PX_PER_BYTE = 4096  # px that a byte stands for in an even sky; no bound is known, our choice
_BRIGHTNESS_CURVES = (16, 18)  # ITU-T H.273, TransferCharacteristics of high dynamic range


def read_heif_metadata(file: Path) -> Metadata:
    """Read size, Exif and ICC profile; as displayed, with Orientation 1.

    Raises
    ------
    UnreadableFile
        If the extra is not installed, or the file cannot be read.
    """
    picture = _opened(file)
    width, height = picture.size
    check_declared_size(file, width, height, _MOST_PX_PER_BYTE * file.stat().st_size)
    block = picture.info.get("exif")
    tags = exif.tags_of_block(bytes(block)) if block else {}
    tags[exif.ORIENTATION] = 1
    profile = picture.info.get("icc_profile")
    return Metadata(
        stored_width=width,
        stored_height=height,
        profile=bytes(profile) if profile else None,
        **exif.settings(tags, width, height),
    )


def read_heif_pixels(file: Path) -> NDArray[np.uint8]:
    """Pixels as displayed, (height, width, 3), uint8; deeper samples are rounded to 8 bits.

    Raises
    ------
    UnreadableFile
        If the extra is not installed, or the picture cannot be read whole.
    """
    picture = _opened(file)
    try:
        samples = np.array(picture, copy=True)  # a view would point to memory that goes with the picture
    except Exception as error:  # the library raises errors of several kinds for damaged data
        raise UnreadableFile(file, _CUT_SHORT) from error
    if samples.ndim == 2:
        samples = samples[..., None]
    samples = samples[:, : picture.size[0]]  # rows may be filled up
    if samples.shape[2] < 3:
        return np.repeat(samples[..., :1], 3, axis=2).astype(np.uint8, copy=False)
    return np.ascontiguousarray(samples[..., :3], dtype=np.uint8)


def _opened(file: Path) -> Any:
    """The file's main picture, its pixels not yet read."""
    try:
        import pi_heif
    except ImportError as error:
        raise UnreadableFile(file, _NOT_THERE) from error
    _check_boxes(file)
    try:
        picture = pi_heif.open_heif(str(file), convert_hdr_to_8bit=True, bgr_mode=False)
    except Exception as error:  # as above
        raise UnreadableFile(file, _CUT_SHORT) from error
    nclx = picture.info.get("nclx_profile") or {}
    if not picture.info.get("icc_profile") and nclx.get("transfer_characteristics") in _BRIGHTNESS_CURVES:
        raise UnreadableFile(file, "is coded for high dynamic range, which is not read; save it as TIFF")
    if picture.mode in ("L", "LA") and (picture.info.get("bit_depth") or 8) > 8:
        raise UnreadableFile(file, "holds deep grey samples, which are not read; save it as TIFF")
    return picture


def _check_boxes(file: Path) -> None:
    """Refuse a file that ends before its last box does (ISO/IEC 14496-12, 4.2).

    The library shows what is missing in a filling colour and says nothing.
    """
    size = file.stat().st_size
    at = 0
    with file.open("rb") as stream:
        while at < size:
            stream.seek(at)
            head = stream.read(16)
            length = int.from_bytes(head[:4], "big")
            if length == 1:
                length = int.from_bytes(head[8:16], "big")
            if len(head) < 8 or (length != 0 and (length < 8 or at + length > size)):
                raise UnreadableFile(file, _CUT_SHORT)
            at = size if length == 0 else at + length

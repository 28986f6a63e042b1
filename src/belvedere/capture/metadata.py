"""What a picture or raw file says of itself, read without decoding its pixels."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

from PIL import JpegImagePlugin

from belvedere.capture.containers import Container, check_declared_size, container_of
from belvedere.capture.exif import settings, tags_of_block
from belvedere.capture.frame import Metadata
from belvedere.capture.heif import read_heif_metadata
from belvedere.capture.quiet import quiet
from belvedere.capture.raw import read_raw_metadata
from belvedere.capture.tiff_pages import check_tiff_page, frame_page, open_tiff, tiff_tags
from belvedere.errors import UnreadableFile

CUT_SHORT = "is cut short or damaged; copy it from the card again"

_DEFLATE_MOST = (
    1032  # most bytes a deflated byte can stand for: zlib, "Maximum Compression Factor" (zlib.net)
)
_JPEG_MOST_PX = 512  # an 8 x 8 block takes at least 1 bit: 64 px * 8 bits (ITU-T T.81, F.1.2 and G.1.2)
_LARGEST_PROFILE_BYTES = 32 << 20


def read_metadata(file: Path) -> Metadata:
    """Read size, Exif and ICC profile of a JPEG, TIFF, PNG, HEIF or raw file.

    Raises
    ------
    UnreadableFile
        If the file is missing, empty, no such picture, cut short in its header, of a kind of sample that is
        not read, or declares a size that it cannot have.
    """
    reader = _READERS[container_of(file)]
    try:
        with quiet():
            return reader(file)
    except UnreadableFile:
        raise
    except MemoryError:
        raise
    except OSError as error:
        if error.errno is None:  # a reader's own, of what the file holds
            raise UnreadableFile(file, f"its header {CUT_SHORT} ({error})") from error
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
    except Exception as error:  # readers raise whatever a damaged header makes them stumble over
        raise UnreadableFile(file, f"its header {CUT_SHORT} ({error})") from error


def _read_jpeg(file: Path) -> Metadata:
    with file.open("rb") as stream:
        try:
            image = JpegImagePlugin.JpegImageFile(stream)
        except SyntaxError as error:
            if "bit layers" in str(error):
                raise UnreadableFile(
                    file, "is a JPEG of more than 8 bits a sample, which is not read"
                ) from error
            raise UnreadableFile(file, f"its header {CUT_SHORT}") from error
        width, height = image.size
        mode, info = image.mode, dict(image.info)
    if mode not in ("L", "RGB"):
        raise UnreadableFile(file, f"is a {mode} JPEG, made for printing ink; export it as RGB")
    check_declared_size(file, width, height, _JPEG_MOST_PX * file.stat().st_size)
    tags = tags_of_block(info["exif"]) if isinstance(info.get("exif"), bytes) else {}
    return Metadata(
        stored_width=width,
        stored_height=height,
        profile=info.get("icc_profile") or None,
        **settings(tags, width, height),
    )


def _read_tiff(file: Path) -> Metadata:
    with open_tiff(file) as tiff:
        page = frame_page(tiff, file)
        check_tiff_page(page, file)
        tags = tiff_tags(page)
        profile = page.tags.get(34675)
        return Metadata(
            stored_width=page.imagewidth,
            stored_height=page.imagelength,
            bits=page.bitspersample,
            profile=bytes(profile.value) if profile is not None and profile.value else None,
            **settings(tags, page.imagewidth, page.imagelength),
        )


def _read_png(file: Path) -> Metadata:
    """Read a PNG's chunks (ISO/IEC 15948; eXIf: PNG Specification, Third Edition, 11.3.3.5)."""
    size = file.stat().st_size
    header: tuple[int, ...] | None = None
    block, profile, data_bytes, ended = b"", None, 0, False
    with file.open("rb") as stream:
        stream.seek(8)
        while len(start := stream.read(8)) == 8:
            length, kind = struct.unpack(">I4s", start)
            if stream.tell() + length + 4 > size:
                break
            if kind == b"IHDR" and length == 13:
                header = struct.unpack(">IIBBBBB", stream.read(13))
                stream.seek(4, io.SEEK_CUR)
                continue
            if kind == b"eXIf":
                block = stream.read(length)
            elif kind == b"iCCP":
                profile = _inflate_profile(stream.read(length))
            else:
                data_bytes += length if kind == b"IDAT" else 0
                stream.seek(length, io.SEEK_CUR)
            stream.seek(4, io.SEEK_CUR)
            if kind == b"IEND":
                ended = True
                break
    if header is None:
        raise UnreadableFile(file, f"its header {CUT_SHORT}")
    width, height, depth, colour_type = header[:4]
    samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour_type)
    if samples is None or depth not in (1, 2, 4, 8, 16):
        raise UnreadableFile(file, f"its header {CUT_SHORT}")
    if not ended:
        raise UnreadableFile(file, CUT_SHORT)
    most = _DEFLATE_MOST * (data_bytes + 64) * 8 / (samples * depth)
    check_declared_size(file, width, height, most)
    return Metadata(
        stored_width=width,
        stored_height=height,
        bits=16 if depth == 16 else 8,
        profile=profile,
        **settings(tags_of_block(block) if block else {}, width, height),
    )


def _inflate_profile(chunk: bytes) -> bytes | None:
    """The profile of an iCCP chunk: a name, a NUL, method 0, deflated bytes. None where it is damaged."""
    _, _, rest = chunk.partition(b"\0")
    if not rest or rest[0] != 0:
        return None
    try:
        return zlib.decompressobj().decompress(rest[1:], _LARGEST_PROFILE_BYTES) or None
    except zlib.error:
        return None


_READERS: dict[Container, Callable[[Path], Metadata]] = {
    "jpeg": _read_jpeg,
    "tiff": _read_tiff,
    "png": _read_png,
    "heif": read_heif_metadata,
    "raw": read_raw_metadata,
}

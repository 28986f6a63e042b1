"""Which libraries read what `belvedere deliver` writes: every kind of file made small, and opened by each.

Usage: python -m benchmarks.deliver_readers [--write docs/readers.md]

A cell tells at how many bits a sample a reader gives the pixels that are in the file; "no" where it cannot,
"differs" where it gives others. Coverage is not looked at, nor what is not covered.
"""

from __future__ import annotations

import argparse
import base64
import io
import sys
import tempfile
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import imagecodecs
import numpy as np
import pypdfium2
import pyvips
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import Image

from belvedere.deliver.keep_file import keep_form, write_keep_file
from belvedere.deliver.keep_tags import keep_tags
from belvedere.deliver.paper_profile import paper_profile
from belvedere.deliver.paper_size import PrintWish
from belvedere.deliver.picture import open_picture
from belvedere.deliver.print_file import make_print
from belvedere.deliver.print_plan import PaperOptions, plan_print
from belvedere.deliver.screen_folder import ScreenOptions, write_for_screen
from tests.browser import Page, browser_page, find_browser
from tests.kept_sets import stitched

NO, DIFFERS, NOT_TRIED = "no", "differs", "–"
_LOSSY = 3.0  # mean difference of 8-bit codes that quality 85 and the renderer's own resampling stay below
_INKS = 6.0  # what a paper cannot show, and the renderer's own way from ink to light, besides
_BEGIN, _END = "<!-- made by benchmarks.deliver_readers: begin -->", "<!-- end -->"
_MIME = {".jpg": "image/jpeg", ".avif": "image/avif", ".jxl": "image/jxl", ".tif": "image/tiff"}
_SIZE = (640, 256)

Pixels = NDArray[Any]


class Made:
    """A file, the pixels that are in it, and how far a reader's may be off at 8 bits on average."""

    def __init__(self, words: str, file: Path, codes: Pixels, off: float = 0.0) -> None:
        self.words, self.file, self.codes, self.off = words, file, codes, off


def made_files(folder: Path) -> Iterator[Made]:
    """Every kind of file, of one small picture."""
    width, height = _SIZE
    y, x = np.mgrid[:height, :width]
    waves = np.sin(x / 40.0)[..., None] * np.cos(y / 30.0)[..., None] * [1.0, 0.8, -0.6]
    deep = np.full((height, width, 4), 65535, np.uint16)
    deep[..., :3] = np.rint((0.55 + 0.2 * waves) * 65535)
    deep[40:90, 60:130] = 0  # a hole
    shallow = (deep >> 8).astype(np.uint8)
    for bits, codes in ((16, deep), (8, shallow)):
        path, _ = stitched(folder, codes, name=f"bay-{bits}.tif")
        for big in (False, True) if bits == 16 else (False,):
            kind = "BigTIFF" if big else "TIFF"
            with open_picture(path) as picture:
                out = folder / f"keep-{bits}-{kind}.tif"
                form = keep_form(picture, keep_tags(picture, "Belvedere"), big=big)
                write_keep_file(picture, out, form)
            yield Made(f"to keep: {kind}, {bits} bits with coverage", out, codes)
    path = folder / "bay-16.tif"
    on_paper = np.where(deep[..., 3:] > 0, deep[..., :3], np.uint16(65535))
    inks = paper_profile(bytes(pyvips.Image.profile_load("cmyk")), folder / "inks.icc")
    plain = {"wish": PrintWish(ppi=100.0), "sharpen": False, "marks": False}
    for words, name, limit, given in (
        ("TIFF, 16 bits RGB", "rgb-16.tif", 2**32, {}),
        ("BigTIFF, 16 bits RGB", "rgb-16-big.tif", 0, {}),
        ("TIFF, 8 bits RGB", "rgb-8.tif", 2**32, {"bits": 8}),
        ("TIFF, 16 bits CMYK", "inks-16.tif", 2**32, {"profile": inks}),
        ("TIFF, 8 bits CMYK", "inks-8.tif", 2**32, {"profile": inks, "bits": 8}),
        ("PDF, 16 bits RGB", "rgb-16.pdf", 2**32, {"format": "pdf"}),
        ("PDF, 8 bits CMYK", "inks-8.pdf", 2**32, {"format": "pdf", "profile": inks, "bits": 8}),
    ):
        with open_picture(path) as picture, patch("belvedere.deliver.paper_tiff.CLASSIC_LIMIT", limit):
            plan = plan_print(picture, folder / name, PaperOptions(**plain, **given))  # type: ignore[arg-type]
            (out,) = make_print(picture, plan, nodes=17).files
        # a print's own pixels, but where nobody else could tell them
        codes = tifffile.imread(out) if "TIFF" in words else on_paper
        off = 0.0 if "TIFF" in words else _LOSSY if "RGB" in words else _INKS
        yield Made(f"for paper: {words}", out, codes, off)
    with open_picture(path) as picture:
        options = ScreenOptions(share_px=(width,), share_as=("jpeg", "avif", "jxl"), ground=(255, 255, 255))
        write_for_screen(picture, folder / "screen", options)
    seen = np.where(deep[..., 3:] == 65535, deep[..., :3], np.uint16(65535))
    tile = next((folder / "screen/tiles").glob("0,0,512,256/*/0/default.jpg"))
    yield Made("for the screen: tile, JPEG", tile, seen[:, :512], _LOSSY)
    for words, suffix in (("JPEG", ".jpg"), ("AVIF", ".avif"), ("JPEG XL", ".jxl")):
        yield Made(f"for the screen, to share: {words}", folder / f"screen/bay-16-640{suffix}", seen, _LOSSY)


def _tifffile(file: Path) -> Pixels:
    return np.asarray(tifffile.imread(file))


def _vips(file: Path) -> Pixels:
    return np.asarray(pyvips.Image.new_from_file(str(file), revalidate=True, fail_on="error").numpy())


def _pillow(file: Path) -> Pixels:
    with Image.open(file) as image:
        return np.asarray(image)


def _opencv(file: Path) -> Pixels:
    found = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
    if found is None:
        raise ValueError("not read")
    found = found.copy()
    found[..., [0, 2]] = found[..., [2, 0]]
    return found


def _libraw(file: Path) -> Pixels:
    with rawpy.imread(str(file)) as raw:
        return np.asarray(raw.raw_image_visible)


def _pdfium(file: Path) -> Pixels:
    document = pypdfium2.PdfDocument(file)
    try:
        page = document[0]
        scale = (_SIZE[0] - 0.01) / page.get_width()
        return np.asarray(page.render(scale=scale).to_pil().convert("RGB"))
    finally:
        document.close()


def _codecs(file: Path) -> Pixels:
    return np.asarray(imagecodecs.imread(file))


READERS: dict[str, tuple[str, Callable[[Path], Pixels]]] = {
    "tifffile": ("tifffile", _tifffile),
    "imagecodecs": ("imagecodecs", _codecs),
    "libvips": ("pyvips-binary", _vips),
    "Pillow": ("pillow", _pillow),
    "OpenCV": ("opencv-python-headless", _opencv),
    "LibRaw": ("rawpy", _libraw),
    "PDFium": ("pypdfium2", _pdfium),
}


def table(folder: Path, page: Page | None) -> list[list[str]]:
    """Rows of cells: what was made, then every reader's outcome, the browser's last."""
    rows = []
    for made in made_files(folder):
        cells = [outcome(made, read) for _, read in READERS.values()]
        rows.append([made.words, *cells, _in_browser(made, page)])
    return rows


def outcome(made: Made, read: Callable[[Path], Pixels]) -> str:
    """What becomes of a file in a reader's hands, as the cell says it."""
    try:
        found = read(made.file)
    except Exception:  # whatever a library says, it has not read the file
        return NO
    if found.ndim != 3 or found.shape[:2] != made.codes.shape[:2] or found.dtype not in (np.uint8, np.uint16):
        return DIFFERS
    bits = found.dtype.itemsize * 8
    colours = min(made.codes.shape[2], found.shape[2], 4 if "CMYK" in made.words else 3)
    wanted = made.codes[..., :colours].astype(float)
    shown = found[..., :colours].astype(float)
    own = made.codes.dtype.itemsize * 8
    if bits < own:
        wanted /= 257.0
    covered = made.codes[..., 3] == made.codes.max() if "coverage" in made.words else np.True_
    off = np.abs(shown - wanted)[covered]
    if bits == own and not made.off:
        return f"{bits} bits" if off.max() == 0 else DIFFERS
    return f"{bits} bits" if off.mean() <= max(made.off, 1.0) else DIFFERS


def _in_browser(made: Made, page: Page | None) -> str:
    if page is None or made.file.suffix not in _MIME:
        return NOT_TRIED
    data = base64.b64encode(made.file.read_bytes()).decode()
    page.value("window.seen = ''")
    page.value(
        "(() => { const i = new Image(); i.onerror = () => { window.seen = 'no' }; i.onload = () => { "
        "const c = document.createElement('canvas'); c.width = i.naturalWidth; c.height = i.naturalHeight; "
        "c.getContext('2d').drawImage(i, 0, 0); window.seen = c.toDataURL('image/png') }; "
        f"i.src = 'data:{_MIME[made.file.suffix]};base64,{data}' }})()"
    )
    page.wait("window.seen")
    seen = str(page.value("window.seen"))
    if seen == "no":
        return NO
    png = base64.b64decode(seen.split(",", 1)[1])
    return outcome(made, lambda file: np.asarray(Image.open(io.BytesIO(png)).convert("RGB")))


def as_markdown(rows: list[list[str]], browser: str) -> str:
    """The table as it stands in the manual."""
    names = [f"{name} ({package} {version(package)})" if package != name else f"{name} {version(package)}"
             for name, (package, _) in READERS.items()]  # fmt: skip
    lines = [["", *names, browser], ["---"] * (len(READERS) + 2), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def cells_of(text: str) -> list[list[str]]:
    """The rows of the table that stands in the manual, its head left out."""
    lines = text.split(_BEGIN)[1].split(_END)[0].strip().splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def main() -> int:
    """Print the table, or put it into the manual."""
    parser = argparse.ArgumentParser(prog="benchmarks.deliver_readers", description=__doc__.splitlines()[0])
    parser.add_argument("--write", type=Path, metavar="FILE", help="put it between the marks in this file")
    given = parser.parse_args()
    found = find_browser()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if found is None:
            rows, browser = table(folder, None), "a browser"
        else:
            with browser_page(found, folder / "browser") as page:
                rows = table(folder, page)
                browser = str(page.value("navigator.userAgent.match(/Chrome\\/(\\d+)/)[1]"))
                browser = f"Chromium {browser}"
    text = as_markdown(rows, browser)
    print(text)
    if given.write is not None:
        before, rest = given.write.read_text(encoding="utf-8").split(_BEGIN)
        after = rest.split(_END)[1]
        given.write.write_text(f"{before}{_BEGIN}\n{text}\n{_END}{after}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

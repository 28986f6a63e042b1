"""The zoomable page in a real browser: from a plain web server or the disk, by keys, fingers and address."""

from __future__ import annotations

import functools
import io
import re
import sys
import threading
from collections.abc import Iterator
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from belvedere.deliver import screen_folder
from belvedere.deliver.picture import open_picture
from belvedere.deliver.screen_folder import ScreenOptions, write_for_screen
from belvedere.deliver.zoom_page.page import zoom_page
from belvedere.deliver.zoom_page.viewer import viewer_script
from tests.screen_pictures import write_picture

if sys.platform == "win32":
    pytest.skip("the browser is spoken to through descriptors 3 and 4", allow_module_level=True)

from tests.browser import Page, browser_page, find_browser

BROWSER = find_browser()
needs_viewer = pytest.mark.skipif(viewer_script() is None, reason="the viewer was not fetched with npm")
needs_browser = pytest.mark.skipif(BROWSER is None, reason="there is no Chromium on this machine")

WIDTH, HEIGHT = 3000, 1000
COLOURS = ((200, 40, 40), (40, 160, 60), (50, 70, 190))  # left, middle and right third
DRAWN = "document.documentElement.dataset.state === 'drawn'"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture of three colours, with a title that would break a careless page."""
    base = tmp_path_factory.mktemp("page")
    samples = np.empty((HEIGHT, WIDTH, 3), np.uint8)
    for k, colour in enumerate(COLOURS):
        samples[:, k * 1000 : (k + 1) * 1000] = colour
    options = ScreenOptions(share_px=(), tile=256, title='Lake </script> & "shore"')
    with open_picture(write_picture(base / "lake.tif", samples)) as picture:
        made = write_for_screen(picture, base / "out", options)
    assert made.page or viewer_script() is None
    return base / "out"


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    """A plain web server, which knows nothing of the picture."""

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *given: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    assert BROWSER is not None
    with browser_page(BROWSER, tmp_path / "browser") as page:
        page.size(900, 600)
        yield page


def seen(page: Page) -> Image.Image:
    return Image.open(io.BytesIO(page.picture())).convert("RGB")


def near(image: Image.Image, x: int, y: int, colour: tuple[int, ...]) -> bool:
    return bool(np.abs(np.asarray(image.getpixel((x, y)), int) - colour).max() <= 6)


def zoom(page: Page) -> float:
    return float(page.value("viewer.viewport.getZoom()"))


def settle(page: Page) -> None:
    page.wait("Math.abs(viewer.viewport.getZoom(true) - viewer.viewport.getZoom()) < 1e-6")
    page.wait(DRAWN)


@needs_viewer
@needs_browser
@pytest.mark.parametrize("where", ["web server", "disk"])
def test_the_page_draws_the_picture_and_asks_nobody_else(
    page: Page, folder: Path, address: str, where: str
) -> None:
    start = address if where == "web server" else (folder / "index.html").as_uri()
    page.open(start, DRAWN)
    assert page.said == []
    base = start.rpartition("/")[0]
    asked = {url for url in page.asked if not url.startswith(("data:", "blob:", "about:"))}
    assert all(url.startswith(base) for url in asked)
    assert any("/tiles/" in url for url in asked)
    image = seen(page)
    for x, colour in ((150, COLOURS[0]), (450, COLOURS[1]), (750, COLOURS[2])):
        assert near(image, x, 300, colour)
    assert near(image, 450, 60, (0x16, 0x18, 0x1A))  # the ground above the picture
    assert page.value("document.title") == 'Lake </script> & "shore"'


@needs_viewer
@needs_browser
def test_keys_zoom_and_move_and_never_turn_the_picture(page: Page, address: str) -> None:
    page.open(address, DRAWN)
    whole = zoom(page)
    for _ in range(4):
        page.key("+")
    assert zoom(page) == pytest.approx(whole * 1.5**4)
    before = page.value("viewer.viewport.getCenter().x")
    page.key("ArrowLeft")
    assert page.value("viewer.viewport.getCenter().x") < before
    for _ in range(30):
        page.key("ArrowLeft")
    settle(page)
    assert near(seen(page), 450, 300, COLOURS[0])
    page.value("void document.querySelector('.openseadragon-canvas').focus()")
    for key in "rRfFwasd":
        page.key(key)
    assert page.value("viewer.viewport.getRotation()") == 0
    assert page.value("viewer.viewport.getFlip()") is False
    for _ in range(20):
        page.key("-")
    assert zoom(page) == pytest.approx(whole)
    page.key("+")
    page.key("0")
    assert zoom(page) == pytest.approx(whole)
    assert page.said == []


@needs_viewer
@needs_browser
def test_two_fingers_zoom_and_one_moves(page: Page, address: str) -> None:
    page.open(address, DRAWN)
    whole = zoom(page)
    page.touch([(400, 300), (500, 300)], *[[(400 - 12 * k, 300), (500 + 12 * k, 300)] for k in range(1, 12)])
    page.wait(f"viewer.viewport.getZoom() > {1.8 * whole}")
    before = float(page.value("viewer.viewport.getCenter().x"))
    page.touch([(600, 300)], *[[(600 - 15 * k, 300)] for k in range(1, 12)])
    page.wait(f"viewer.viewport.getCenter().x > {before + 0.05}")


@needs_viewer
@needs_browser
def test_buttons_zoom_and_the_address_brings_back_what_was_seen(page: Page, address: str) -> None:
    page.open(address, DRAWN)
    whole = zoom(page)
    page.value("document.getElementById('closer').click()")
    assert zoom(page) == pytest.approx(1.5 * whole)
    page.wait("location.hash.startsWith('#xywh=')")
    page.value("document.getElementById('whole').click()")
    page.wait("location.hash === ''")
    page.value("location.hash = '#xywh=2200,300,450,300'")
    page.wait(f"viewer.viewport.getZoom() > {4 * whole}")
    settle(page)
    assert near(seen(page), 100, 300, COLOURS[2])
    assert page.said == []


@needs_viewer
@needs_browser
def test_a_full_turn_goes_on_past_its_edge(page: Page, folder: Path, address: str) -> None:
    script = viewer_script()
    assert script is not None
    information = {
        "@context": "http://iiif.io/api/image/3/context.json",
        "protocol": "http://iiif.io/api/image",
        "profile": "level0",
        "width": WIDTH,
        "height": HEIGHT,
        "tiles": [{"width": 256, "height": 256, "scaleFactors": [1, 2, 4, 8, 16]}],
    }
    (folder / "turn.html").write_text(
        zoom_page("Turn", information, script, full_turn=True), encoding="utf-8"
    )
    page.open(address + "turn.html", DRAWN)
    for _ in range(4):
        page.key("+")
    page.value("void viewer.viewport.panTo(new OpenSeadragon.Point(1.0, 0.167), true)")
    settle(page)
    image = seen(page)
    assert near(image, 300, 300, COLOURS[2])
    assert near(image, 600, 300, COLOURS[0])


def test_the_page_holds_all_it_needs_and_allows_nothing_else() -> None:
    """Content Security Policy Level 3: only scripts whose hashes it names, pictures from where it lies."""
    text = zoom_page("A lake", {"width": 3, "height": 2}, "viewer()", ground="#ffffff")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe-inline" not in policy[1].split("style-src")[0]
    assert not re.search(r'(src|href)="(https?:)?//', text)
    assert "--ground: #ffffff" in text


def test_without_the_viewer_the_tiles_are_made_and_the_page_is_missed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(screen_folder, "viewer_script", lambda: None)
    source = write_picture(tmp_path / "lake.tif", np.zeros((70, 90, 3), np.uint8))
    with open_picture(source) as picture:
        made = write_for_screen(picture, tmp_path / "out", ScreenOptions())
    assert not made.page
    assert "has no viewer" in made.left_out[0]
    assert (tmp_path / "out/tiles/info.json").exists()
    assert not (tmp_path / "out/index.html").exists()

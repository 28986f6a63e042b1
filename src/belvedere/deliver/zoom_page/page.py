"""A picture as one page of HTML that draws the tiles beside it: no network, any plain web server, or none.

Sources: HTML (WHATWG, living standard); Content Security Policy Level 3 (W3C), 2.3.1, for scripts allowed by
their hash.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

GENERATOR = "Belvedere zoomable page"

_HERE = Path(__file__).parent


def zoom_page(
    title: str,
    information: Mapping[str, Any],
    viewer: str,
    *,
    tiles: str = "tiles",
    full_turn: bool = False,
    ground: str = "#16181a",
) -> str:
    """The page.

    Parameters
    ----------
    title : str
        Of the picture.
    information : mapping
        What info.json says; its `id` is not used: the page finds its tiles from its own address.
    viewer : str
        The viewer's script.
    tiles : str
        The tiles' folder, as an address relative to the page.
    full_turn : bool
        Whether the right edge meets the left one.
    ground : str
        Colour around the picture, "#rrggbb".

    Returns
    -------
    str
        An HTML document. It allows itself its own scripts, pictures from where it lies, and nothing else.
    """
    script = _part("page.js")
    said = json.dumps(
        {"image": dict(information), "tiles": tiles, "fullTurn": full_turn}, ensure_ascii=True, sort_keys=True
    ).replace("<", "\\u003c")
    allowed = " ".join(f"'sha256-{_hash(text)}'" for text in (viewer, script))
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; "
        "img-src 'self' file: data: blob:"
    )
    name = escape(title)
    first = escape(f"{tiles}/full/max/0/default.jpg")
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="{GENERATOR}">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover">
<link rel="icon" href="data:,">
<title>{name}</title>
<style>:root {{ --ground: {escape(ground)}; }}
{_part("page.css")}</style>
</head>
<body>
<main id="picture" aria-label="{name}, zoomable picture" aria-describedby="keys"></main>
<h1>{name}</h1>
<p id="keys" class="unseen">Arrow keys move, plus and minus zoom, 0 shows the whole picture.</p>
<p id="fault" role="alert"></p>
<nav aria-label="View">
<button id="farther" aria-label="Zoom out" title="Zoom out (−)">−</button>
<button id="whole" title="The whole picture (0)">Whole</button>
<button id="closer" aria-label="Zoom in" title="Zoom in (+)">+</button>
<button id="screen" title="Fill the screen">Full screen</button>
</nav>
<noscript><img src="{first}" alt="{name}"></noscript>
<script type="application/json" id="information">{said}</script>
<script>{viewer}</script>
<script>{script}</script>
</body>
</html>
"""


def _part(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")

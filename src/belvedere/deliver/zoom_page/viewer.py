"""The viewer library that draws the tiles in a browser: fetched when the package is built, or not there.

OpenSeadragon (BSD-3-Clause). Its file lies in `viewer/` beside this one, put there by tools/viewer_hook.py;
nothing of it is kept in the project's own sources.
"""

from __future__ import annotations

from pathlib import Path

_FOLDER = Path(__file__).parent / "viewer"

MISSING = (
    "the zoomable page was left out: this installation has no viewer in it, because npm was not at hand or "
    "not allowed when it was installed. Install npm, and install Belvedere again"
)
"""What to say where there is none."""


def viewer_script() -> str | None:
    """The viewer's script, its licence's text before it as a comment; None where it was not installed."""
    try:
        script = (_FOLDER / "openseadragon.min.js").read_text(encoding="utf-8")
        licence = (_FOLDER / "LICENSE.txt").read_text(encoding="utf-8")
    except OSError:
        return None
    return f"/*\n{licence.strip().replace('*/', '* /')}\n*/\n{script}"

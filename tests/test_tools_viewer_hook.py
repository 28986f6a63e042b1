"""Fetching the viewer when the package is built: calm where it cannot be had, and done once."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parent.parent
HOOK = ROOT / "tools" / "viewer_hook.py"

pytest.importorskip("hatchling", reason="hatchling, which builds the package, is not installed")


@pytest.fixture(scope="module")
def hook() -> ModuleType:
    spec = importlib.util.spec_from_file_location("viewer_hook", HOOK)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def project(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "tools" / "viewer", tmp_path / "project" / "tools" / "viewer")
    return tmp_path / "project"


def npm_that(folder: Path, does: str, monkeypatch: pytest.MonkeyPatch, hook: ModuleType) -> Path:
    """An npm that counts its calls in a file, and runs some lines of Python."""
    program, calls = folder / "npm.py", folder / "calls"
    program.write_text(f"import pathlib, sys\npathlib.Path({str(calls)!r}).open('a').write('x')\n{does}\n")
    monkeypatch.setattr(hook, "npms", lambda: [([sys.executable, str(program)], "")])
    return calls


FETCHES = """
for name in ("build/openseadragon/openseadragon.min.js", "LICENSE.txt", "package.json"):
    path = pathlib.Path("node_modules/openseadragon", name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text('{"version": "6.1.1"}')
"""


def test_it_is_fetched_once(
    tmp_path: Path, project: Path, hook: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = npm_that(tmp_path, FETCHES, monkeypatch, hook)
    hook.fetch_viewer(project)
    assert {p.name for p in (project / hook.PLACE).iterdir()} == {
        "openseadragon.min.js",
        "LICENSE.txt",
        "from-lock.txt",
    }
    hook.fetch_viewer(project)
    assert calls.read_text() == "x"
    lock = project / "tools/viewer/package-lock.json"
    lock.write_text(lock.read_text().replace("6.1.1", "6.1.2"))
    hook.fetch_viewer(project)
    assert calls.read_text() == "xx"


def test_what_npm_says_is_told_and_nothing_is_left_half(
    tmp_path: Path, project: Path, hook: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    npm_that(tmp_path, "sys.exit('no way out')", monkeypatch, hook)
    with pytest.raises(hook.NotFetched, match="could not fetch it \\(no way out\\)"):
        hook.fetch_viewer(project)
    assert not (project / hook.PLACE).exists()


def test_no_npm_and_the_switch_build_without_it(
    project: Path, hook: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []

    class App:
        def display_warning(self, text: str) -> None:
            said.append(text)

    built = hook.ViewerHook(str(project), {}, None, None, "", "wheel", App())
    monkeypatch.setattr(hook, "npms", lambda: [])
    built.initialize("editable", {})
    assert said == ["built without the viewer of the zoomable page: there is no npm"]
    (project / hook.PLACE).mkdir(parents=True)
    monkeypatch.setenv("BELVEDERE_VIEWER", "none")
    built.initialize("editable", {})
    assert not (project / hook.PLACE).exists()
    assert len(said) == 1


def test_the_lock_names_a_hash_and_no_registry() -> None:
    lock = json.loads((ROOT / "tools/viewer/package-lock.json").read_text())
    packages = {name: about for name, about in lock["packages"].items() if name}
    assert list(packages) == ["node_modules/openseadragon"]
    for about in packages.values():
        assert about["integrity"].startswith("sha512-")
        assert about["license"] == "BSD-3-Clause"
        assert "resolved" not in about

"""The import contract runs, and a room that reaches upstairs breaks it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def _lint(folder: Path) -> subprocess.CompletedProcess[str]:
    code = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    return subprocess.run(
        [sys.executable, "-c", code, "--no-logo", "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder / "src")},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def house(tmp_path: Path) -> Path:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(
        ROOT / "src" / "belvedere",
        tmp_path / "src" / "belvedere",
        ignore=shutil.ignore_patterns("__pycache__", "static"),
    )
    return tmp_path


def test_the_house_keeps_its_floors() -> None:
    run = _lint(ROOT)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "0 broken" in run.stdout


@pytest.mark.parametrize(
    ("room", "line"),
    [
        ("geometry", "import belvedere.capture.frame"),
        ("compose", "from belvedere.pipeline import outcome"),
        ("demo", "import belvedere.align.alignment"),
        ("tone", "import belvedere.demo"),
        ("cellar", ""),
    ],
)
def test_a_room_that_breaks_the_contract_is_found(house: Path, room: str, line: str) -> None:
    folder = house / "src" / "belvedere" / room
    folder.mkdir(exist_ok=True)
    (folder / "__init__.py").touch()
    (folder / "intruder.py").write_text(line + "\n")
    run = _lint(house)
    assert run.returncode != 0
    assert f"belvedere.{room}" in run.stdout + run.stderr

"""Locked versions, their licences and the README's table say the same."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
RUN_TIME = [Requirement(r) for r in PROJECT["project"]["dependencies"]]
GROUPS = {name: [Requirement(r) for r in group] for name, group in PROJECT["dependency-groups"].items()}


def _locked(name: str) -> dict[str, str]:
    text = (ROOT / name).read_text(encoding="utf-8")
    return dict(re.findall(r"^([a-z0-9.-]+)==(\S+)", text, re.MULTILINE))


@pytest.mark.parametrize(
    ("lock", "wanted"),
    [
        ("requirements.lock", RUN_TIME + GROUPS["dev"] + GROUPS["lock"]),
        ("requirements-build.lock", GROUPS["build"]),
    ],
)
def test_everything_asked_for_is_locked_in_range(lock: str, wanted: list[Requirement]) -> None:
    locked = _locked(lock)
    for requirement in wanted:
        assert requirement.name in locked, f"{requirement.name} is not in {lock}: run make lock"
        assert requirement.specifier.contains(locked[requirement.name]), requirement


def test_the_two_locks_agree() -> None:
    run, build = _locked("requirements.lock"), _locked("requirements-build.lock")
    assert {n: v for n, v in run.items() if n in build} == {n: v for n, v in build.items() if n in run}


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-build.lock"])
def test_every_locked_version_has_hashes_and_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert "://" not in text
    assert "--find-links" not in text
    for block in re.split(r"^(?=\S)", text, flags=re.MULTILINE)[1:]:
        assert "--hash=sha256:" in block, block


@pytest.mark.parametrize("requirement", RUN_TIME, ids=lambda r: r.name)
def test_run_time_licences_are_permissive_and_in_the_readme(requirement: Requirement) -> None:
    # Source: the installed package's own metadata.
    found = distribution(requirement.name).metadata
    stated = [found.get("License-Expression") or found.get("License") or "", *found.get_all("Classifier", [])]
    # Some packages print whole licence texts there, those of bundled libraries included: only names count.
    names = " ".join(s for s in stated if "\n" not in s and (s is stated[0] or s.startswith("License ::")))
    assert re.search(r"BSD|MIT|Apache", names), names
    assert "GPL" not in names
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"^\| [^|]+ \| {re.escape(requirement.name)} \|", readme, re.MULTILINE)

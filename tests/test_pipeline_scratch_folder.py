"""Scratch folders: gone when a run ends, and those of killed runs gone when the next one begins."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from belvedere.errors import OutputFailed
from belvedere.pipeline.scratch_folder import remove_left_behind, scratch_folder

_KILLED = """
import os, sys
from pathlib import Path
from belvedere.pipeline.scratch_folder import scratch_folder
with scratch_folder(Path(sys.argv[1])) as folder:
    (folder / "frame.tiles").write_bytes(b"pixels")
    os.kill(os.getpid(), 9) if os.name == "posix" else os._exit(1)
"""


@pytest.fixture
def left(tmp_path: Path) -> Path:
    """The folder that a killed run left."""
    subprocess.run([sys.executable, "-c", _KILLED, str(tmp_path)], check=False)
    (folder,) = tmp_path.iterdir()
    assert (folder / "frame.tiles").exists()
    return folder


def change(folder: Path, **changes: object) -> None:
    """Rewrite who holds a folder."""
    file = folder / "held-by.json"
    told = msgspec.json.decode(file.read_bytes())
    told["holder"] |= {k: v for k, v in changes.items() if k in told["holder"]}
    told |= {k: v for k, v in changes.items() if k in told}
    file.write_bytes(msgspec.json.encode(told))


def test_nothing_stays_when_a_run_ends(tmp_path: Path) -> None:
    with scratch_folder(tmp_path) as folder:
        assert folder.parent == tmp_path
    with pytest.raises(KeyboardInterrupt), scratch_folder(tmp_path):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_run_left_is_removed_when_the_next_one_begins(left: Path) -> None:
    with scratch_folder(left.parent) as mine:
        assert list(left.parent.iterdir()) == [mine]


def test_a_run_that_goes_on_keeps_its_folder(tmp_path: Path) -> None:
    with scratch_folder(tmp_path) as first, scratch_folder(tmp_path) as second:
        assert first.exists()
        assert second.exists()


@pytest.mark.parametrize(
    "changes", [{"host": "elsewhere"}, {"pid_space": "pid:[1]"}, {"schema": "another/1"}]
)
def test_what_is_not_surely_left_behind_stays(left: Path, changes: dict[str, object]) -> None:
    change(left, **changes)
    assert remove_left_behind(left.parent) == ()
    assert left.exists()


def test_an_id_that_is_another_process_now_is_of_a_dead_run(left: Path) -> None:
    change(left, pid=os.getpid(), process_started=1.0)
    assert remove_left_behind(left.parent) == (left,)


def test_folders_that_others_made_stay(left: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    place = left.parent
    (place / "belvedere-photographs").mkdir()
    (place / "belvedere-broken").mkdir()
    (place / "belvedere-broken" / "held-by.json").write_text("{")
    (place / "belvedere-file").write_text("")
    target = tmp_path_factory.mktemp("target")
    (target / "held-by.json").write_bytes((left / "held-by.json").read_bytes())
    (place / "belvedere-link").symlink_to(target, target_is_directory=True)
    assert remove_left_behind(place) == (left,)
    assert sorted(p.name for p in place.iterdir()) == [
        "belvedere-broken",
        "belvedere-file",
        "belvedere-link",
        "belvedere-photographs",
    ]
    assert (target / "held-by.json").exists()


@pytest.mark.skipif(os.name != "posix", reason="rights as POSIX has them")
def test_a_folder_that_others_may_write_to_stays(left: Path) -> None:
    left.chmod(0o777)
    assert remove_left_behind(left.parent) == ()


def test_a_place_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputFailed, match="nowhere"), scratch_folder(tmp_path / "nowhere"):
        pass

"""The work folder's lock: one run at a time, the dead taken over from."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import msgspec
import psutil
import pytest

from belvedere.errors import OutputFailed, WorkFolderBusy
from belvedere.pipeline.lock import NAME, Holder, held


def write(folder: Path, **changes: object) -> Holder:
    import platform

    values: dict[str, object] = {
        "host": platform.node(),
        "pid": os.getpid(),
        "process_started": psutil.Process().create_time(),
        "run_started": 1.7e9,
    }
    holder = msgspec.convert(values | changes, Holder)
    (folder / NAME).write_bytes(msgspec.json.encode(holder))
    return holder


def dead_pid() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def test_it_is_held_for_the_block_and_gone_after_it(tmp_path: Path) -> None:
    with held(tmp_path):
        assert msgspec.json.decode((tmp_path / NAME).read_bytes(), type=Holder).pid == os.getpid()
        with (
            pytest.raises(WorkFolderBusy, match=rf"process {os.getpid()} on .+ since \d{{4}}-"),
            held(tmp_path),
        ):
            pass
        assert (tmp_path / NAME).exists()
    assert list(tmp_path.iterdir()) == []


def test_it_is_gone_after_an_error_too(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), held(tmp_path):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_a_dead_process_on_this_host_is_taken_over_from(tmp_path: Path) -> None:
    write(tmp_path, pid=dead_pid())
    with held(tmp_path):
        assert msgspec.json.decode((tmp_path / NAME).read_bytes(), type=Holder).pid == os.getpid()


def test_an_id_that_is_another_process_now_is_taken_over_from(tmp_path: Path) -> None:
    write(tmp_path, process_started=1.0)
    with held(tmp_path):
        pass


def test_a_process_on_another_host_is_believed(tmp_path: Path) -> None:
    write(tmp_path, host="elsewhere", pid=dead_pid())
    with pytest.raises(WorkFolderBusy, match=r"elsewhere.*remove .*lock\.json"), held(tmp_path):
        pass


def test_a_lock_cut_short_by_a_crash_is_taken_over_from(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b'{"host": "th')
    old = time.time() - 60
    os.utime(tmp_path / NAME, (old, old))
    with held(tmp_path):
        pass


class _Contest:
    """Threads that all want the folder at once."""

    def __init__(self, folder: Path, count: int) -> None:
        self._folder = folder
        self._gate = threading.Barrier(count)
        self._lock = threading.Lock()
        self._inside = 0
        self.most = 0
        self._threads = [threading.Thread(target=self._want) for _ in range(count)]

    def run(self) -> None:
        for thread in self._threads:
            thread.start()
        for thread in self._threads:
            thread.join()

    def _want(self) -> None:
        self._gate.wait()
        with suppress(WorkFolderBusy), held(self._folder):
            with self._lock:
                self._inside += 1
                self.most = max(self.most, self._inside)
            time.sleep(0.02)
            with self._lock:
                self._inside -= 1


def test_of_many_that_find_a_dead_lock_one_at_a_time_gets_it(tmp_path: Path) -> None:
    for _ in range(5):
        write(tmp_path, pid=dead_pid())
        contest = _Contest(tmp_path, 6)
        contest.run()
        assert contest.most == 1
        assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputFailed, match="no folder"), held(tmp_path / "missing"):
        pass

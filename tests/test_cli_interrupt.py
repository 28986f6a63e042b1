"""Ctrl-C ends the command soon and in words, also where compiled code swallows or distorts it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

import pytest

from belvedere.cli import main as command
from belvedere.cli.interrupt import STOPPED, Interrupt

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of one process, as POSIX has them")


def test_an_error_that_an_interrupt_was_turned_into_is_an_interrupt(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    interrupt = Interrupt()

    def distorting(_: object) -> int:
        interrupt.came = True
        raise SystemError("returned a result with an exception set")

    monkeypatch.setattr(command, "_dispatch", distorting)
    assert command.run(["stitch", "frames", "--out", "a.tif"], interrupt) == STOPPED
    assert "run the same command to continue" in capsys.readouterr().err


def test_an_error_without_an_interrupt_stays_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(_: object) -> int:
        raise SystemError("of its own")

    monkeypatch.setattr(command, "_dispatch", failing)
    with pytest.raises(SystemError, match="of its own"):
        command.run(["stitch", "frames", "--out", "a.tif"], Interrupt())


def test_a_swallowed_interrupt_ends_the_process_all_the_same() -> None:
    swallowing = """
import time
from belvedere.cli.interrupt import Interrupt
Interrupt().watch()
try:
    print("ready", flush=True)
    time.sleep(30)
except KeyboardInterrupt:
    pass
time.sleep(30)
"""
    process = subprocess.Popen(
        [sys.executable, "-c", swallowing],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    began = time.monotonic()
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == STOPPED
    assert "run the same command to continue" in errors
    assert time.monotonic() - began < 10.0

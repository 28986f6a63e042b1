"""The command: arguments in, exit code out, every foreseeable fault one line."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from belvedere.cli.arguments import parser
from belvedere.cli.interrupt import STOPPED, WORDS, Interrupt
from belvedere.errors import BelvedereError

FAILED = 2


def main() -> NoReturn:
    """Run `belvedere` with the process's arguments, and leave the process."""
    _speak_utf8()
    interrupt = Interrupt()
    interrupt.watch()
    code = run(sys.argv[1:], interrupt)
    if code == STOPPED:
        # A thread may still be in the middle of a frame; waiting for it would not be stopping.
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(code)
    sys.exit(code)


def run(arguments: Sequence[str], interrupt: Interrupt | None = None) -> int:
    """Run `belvedere` with these arguments; `interrupt` knows whether the person stopped it.

    Returns
    -------
    int
        The exit code: 0, 3, 2 or 130, as the help says.
    """
    top = parser()
    try:
        given = top.parse_args(arguments)
    except SystemExit as done:  # help, version, or an error argparse has said
        return done.code if isinstance(done.code, int) else FAILED
    if given.command is None:
        top.print_help()
        return FAILED
    try:
        return _stoppable(given, interrupt or Interrupt())
    except BelvedereError as error:
        return _say(f"belvedere: {_one_line(str(error))}", FAILED)
    except MemoryError:
        return _say(
            "belvedere: the memory is used up. Close other programs, or give a lower --memory.",
            FAILED,
        )
    except BrokenPipeError:  # whoever read our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return FAILED
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _say(f"belvedere: {where}{error.strerror or error}", FAILED)


def _stoppable(given: argparse.Namespace, interrupt: Interrupt) -> int:
    try:
        return _dispatch(given)
    except BaseException as error:
        if interrupt.came or isinstance(error, KeyboardInterrupt):
            return _say(WORDS, STOPPED)
        raise


def _dispatch(given: argparse.Namespace) -> int:
    if given.command == "demo":
        from belvedere.cli.demo_command import demo_command

        return demo_command(given)
    if given.command == "plan":
        from belvedere.cli.plan_command import plan_command

        return plan_command(given)
    if given.command == "check":
        from belvedere.cli.check_command import check_command

        return check_command(given)
    if given.command == "sort":
        from belvedere.cli.sort_command import sort_command

        return sort_command(given)
    if given.command == "deliver":
        from belvedere.cli.deliver_command import deliver_command

        return deliver_command(given)
    if given.command == "verify":
        from belvedere.cli.verify_command import verify_command

        return verify_command(given)
    from belvedere.cli.stitch_command import stitch_command

    return stitch_command(given)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _say(text: str, code: int) -> int:
    print(text, file=sys.stderr, flush=True)
    return code


def _speak_utf8() -> None:
    """Names of files and degrees must come out whatever the system's own encoding is."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="surrogateescape")

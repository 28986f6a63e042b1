"""A real browser for tests: Chromium without a window, told what to do through its DevTools pipe.

Source: Chrome DevTools Protocol, `--remote-debugging-pipe`: JSON messages, each ended by a NUL, on file
descriptors 3 and 4.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

_SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--hide-scrollbars",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--force-color-profile=srgb",
    "--touch-events=enabled",
    "--remote-debugging-pipe",
]


def find_browser() -> str | None:
    """A Chromium on this machine."""
    return next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)


class Page:
    """One page of a browser."""

    def __init__(self, out: int, into: int) -> None:
        self._out, self._in, self._rest, self._count = out, into, b"", 0
        self.said: list[str] = []  # what the page wrote to its console, and what went wrong in it
        self.asked: list[str] = []  # addresses it asked for
        target = self._send("Target.createTarget", {"url": "about:blank"}, None)["targetId"]
        attached = self._send("Target.attachToTarget", {"targetId": target, "flatten": True}, None)
        self._session: str | None = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **given: Any) -> dict[str, Any]:
        """Send a command and wait for what it answers."""
        return self._send(method, given, self._session)

    def size(self, width: int, height: int) -> None:
        """Set the window's size, CSS px."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def open(self, address: str, ready: str, seconds: float = 30.0) -> None:
        """Open a page and wait until the expression is true in it."""
        self.send("Page.navigate", url=address)
        self.wait(ready, seconds)

    def wait(self, ready: str, seconds: float = 30.0) -> None:
        """Wait until the expression is true in the page."""
        until = time.monotonic() + seconds
        while not self.value(f"Boolean({ready})"):
            if time.monotonic() > until:
                raise TimeoutError(f"{ready} did not come true; the page said {self.said}")
            time.sleep(0.05)

    def value(self, expression: str) -> Any:
        """The value of an expression in the page; None where it cannot be had yet."""
        got = self.send("Runtime.evaluate", expression=expression, returnByValue=True)
        return got.get("result", {}).get("value")

    def key(self, key: str) -> None:
        """Press a key."""
        letter = len(key) == 1 and key.isalpha()
        more = {"code": f"Key{key.upper()}", "windowsVirtualKeyCode": ord(key.upper())} if letter else {}
        for kind in ("keyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key, **more)

    def touch(self, *moments: list[tuple[float, float]]) -> None:
        """Put fingers down, move them, lift them: their places at each moment, CSS px."""
        for k, places in enumerate(moments):
            points = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(places)]
            self.send("Input.dispatchTouchEvent", type="touchMove" if k else "touchStart", touchPoints=points)
            time.sleep(0.02)
        self.send("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def picture(self) -> bytes:
        """A PNG of what is seen."""
        return base64.b64decode(self.send("Page.captureScreenshot", format="png")["data"])

    def _send(self, method: str, given: dict[str, Any], session: str | None) -> dict[str, Any]:
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": given}
        if session is not None:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            heard = self._hear()
            if heard.get("id") == self._count:
                if "error" in heard:
                    raise RuntimeError(f"{method}: {heard['error']}")
                return dict(heard.get("result", {}))
            self._note(heard.get("method", ""), heard.get("params", {}))

    def _hear(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            if not select.select([self._in], [], [], 60.0)[0]:
                raise TimeoutError("the browser says nothing any more")
            data = os.read(self._in, 1 << 16)
            if not data:
                raise RuntimeError("the browser has gone")
            self._rest += data
        message, self._rest = self._rest.split(b"\0", 1)
        return dict(json.loads(message))

    def _note(self, event: str, about: dict[str, Any]) -> None:
        if event == "Runtime.exceptionThrown":
            self.said.append(str(about["exceptionDetails"]))
        elif event == "Runtime.consoleAPICalled" and about["type"] in ("error", "warning", "assert"):
            self.said.append(str([a.get("value") for a in about["args"]]))
        elif event == "Log.entryAdded" and about["entry"]["level"] == "error":
            self.said.append(f"{about['entry']['text']} {about['entry'].get('url', '')}")
        elif event == "Network.requestWillBeSent":
            self.asked.append(about["request"]["url"])


@contextlib.contextmanager
def browser_page(program: str, folder: Path) -> Iterator[Page]:
    """Start a browser with its settings in `folder`, give one page of it, and end it."""
    to_browser, out = os.pipe()
    into, from_browser = os.pipe()

    def as_three_and_four() -> None:
        ours = [os.dup(to_browser), os.dup(from_browser)]  # neither may be 3 or 4 when those are replaced
        os.dup2(ours[0], 3)
        os.dup2(ours[1], 4)

    process = subprocess.Popen(
        [program, *_SWITCHES, f"--user-data-dir={folder}", "about:blank"],
        preexec_fn=as_three_and_four,
        close_fds=False,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(to_browser)
    os.close(from_browser)
    try:
        yield Page(out, into)
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        os.close(out)
        os.close(into)

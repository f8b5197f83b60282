"""Headless Chromium driven over its DevTools pipe: no package is needed, and no port is opened.

The pipe (`--remote-debugging-pipe`) carries JSON messages ended by NUL on the file descriptors 3 and 4.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
WAIT = 60.0


class Browser:
    """One page. `news` keeps console messages, exceptions and log entries; `requests` every address asked for."""

    def __init__(self, writer: int, reader: int) -> None:
        self._writer, self._reader = writer, reader
        self._rest, self._count = b"", 0
        self._session = ""
        self.news: list[str] = []
        self.requests: list[str] = []
        self._loaded = 0
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command and its answer; events that come meanwhile are kept."""
        self._count += 1
        session = {"sessionId": self._session} if self._session else {}
        message = json.dumps({"id": self._count, "method": method, "params": params, **session})
        data = message.encode() + b"\0"
        while data:
            data = data[os.write(self._writer, data) :]
        while True:
            answer = self._next()
            if answer.get("id") == self._count:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]  # type: ignore[no-any-return]

    def _next(self) -> dict[str, Any]:
        end = time.monotonic() + WAIT
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._reader], [], [], max(end - time.monotonic(), 0))
            assert ready, "the browser does not answer"
            piece = os.read(self._reader, 2**20)
            assert piece, "the browser has gone"
            self._rest += piece
        message, _, self._rest = self._rest.partition(b"\0")
        found: dict[str, Any] = json.loads(message)
        self._keep(found)
        return found

    def _keep(self, message: dict[str, Any]) -> None:
        method, params = message.get("method", ""), message.get("params", {})
        if method == "Page.loadEventFired":
            self._loaded += 1
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
            self.news.append(json.dumps(params))

    def open(self, path: Path | str) -> None:
        """Open a file from the disk and wait until it is loaded."""
        before = self._loaded
        self.call("Page.navigate", url=path if isinstance(path, str) else path.absolute().as_uri())
        while self._loaded == before:
            self._next()

    def run(self, code: str) -> Any:
        """The value of an expression of JavaScript; a promise is awaited."""
        found = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def size(self, width: int, height: int) -> None:
        """Size of the window [CSS pixels]."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def media(self, kind: str = "", **features: str) -> None:
        """What the page is told of its medium: `print`, or `prefers_reduced_motion="reduce"`."""
        listed = [{"name": name.replace("_", "-"), "value": value} for name, value in features.items()]
        self.call("Emulation.setEmulatedMedia", media=kind, features=listed)

    def key(self, name: str, code: int = 0, text: str = "") -> None:
        """Press and release a key."""
        more = {"text": text} if text else {}
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=kind,
                key=name,
                code=name,
                windowsVirtualKeyCode=code,
                **(more if kind == "keyDown" else {}),
            )

    def click(self, left: float, top: float) -> None:
        """Click at a place of the window [CSS pixels]."""
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=left, y=top, button="left", clickCount=1)

    def picture(self, path: Path, *, whole: bool = False) -> None:
        """A screenshot as PNG, of the window or of the whole page."""
        found = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(found["data"]))


def _high(end: int) -> int:
    """The same end of a pipe under a number that cannot be in the way of 3 and 4."""
    found = fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 20)
    os.close(end)
    return found


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """A browser with a profile of its own in `folder`; it is ended in every case."""
    assert CHROMIUM
    (into, writer), (reader, out) = (tuple(_high(end) for end in os.pipe()) for _ in range(2))
    place = ["bash", "-c", 'exec 3<&"$0" 4>&"$1"; shift; exec "$@"', str(into), str(out)]
    options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-dev-shm-usage"]
    options += ["--disable-background-networking", "--disable-extensions", "--disable-component-update"]
    options += [f"--user-data-dir={folder}", "--remote-debugging-pipe", "about:blank"]
    process = subprocess.Popen(
        [*place, CHROMIUM, *options], pass_fds=(into, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    os.close(into)
    os.close(out)
    try:
        yield Browser(writer, reader)
    finally:
        os.close(writer)
        os.close(reader)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)

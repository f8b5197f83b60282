"""The program in the user's own environment: found, started, listened to, ended."""

from __future__ import annotations

import json
import os
import queue
import shlex
import shutil
import subprocess
import threading
from pathlib import Path

COMMAND_SETTING = "GEOADJUST_COMMAND"
MADE_BY = Path(__file__).parent / "program.json"
FOREIGN = ("PYTHON", "PROJ_", "GDAL_", "OGR_", "LD_LIBRARY_PATH", "VIRTUAL_ENV", "CPL_", "QT_")
"""Variables of the host's environment that would lead the program to the host's libraries."""
PATIENCE = 10.0
"""Seconds that the program has to end in good order."""
MEANINGS = {
    1: "The program has a fault of its own; please report what stands below.",
    2: "The program does not understand what it was asked for; it may be of another version than this plugin.",
    3: "The job or a source is not right:",
    5: "The result could not be written:",
    6: "The folder holds a result already, or another run is writing there. Tick the box that replaces it.",
    130: "Interrupted; nothing was replaced.",
    143: "Interrupted; nothing was replaced.",
}


class NotFoundError(Exception):
    """There is no program."""


def command() -> list:
    """Words that start the program."""
    for text in (_setting(), os.environ.get(COMMAND_SETTING, "")):
        if text:
            return [text] if Path(text).is_file() else shlex.split(text)
    if MADE_BY.is_file():
        words = json.loads(MADE_BY.read_text(encoding="utf-8"))
        if Path(words[0]).is_file():
            return words
    found = shutil.which("geoadjust")
    if found:
        return [found]
    raise NotFoundError(
        "The program geoadjust is not found. Install it (python3 -m venv, pip install), make this plugin again with"
        " `geoadjust plugin`, or write its path under Settings, Options, Processing, Providers, Castings to grade."
    )


def _setting() -> str:
    try:
        from processing.core.ProcessingConfig import ProcessingConfig
    except ImportError:
        return ""
    return str(ProcessingConfig.getSetting(COMMAND_SETTING) or "").strip()


def environment() -> dict:
    """The host's environment without what belongs to the host's libraries."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(FOREIGN)}
    return {**kept, "PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8"}


class Run:
    """One run of the program. `said` is what it wrote for people, `printed` its stdout."""

    def __init__(self, words: list) -> None:
        self.said, self.printed = [], ""
        self._lines = queue.Queue()
        try:
            self._process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                errors="replace",
                env=environment(),
            )
        except OSError as error:
            raise NotFoundError(f"The program cannot be started: {words[0]}: {error.strerror}") from error
        self._readers = [
            threading.Thread(target=self._listen, daemon=True),
            threading.Thread(target=self._collect, daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    def _listen(self) -> None:
        for line in self._process.stderr:
            self._lines.put(line.rstrip("\n"))

    def _collect(self) -> None:
        self.printed = self._process.stdout.read()

    def follow(self, feedback) -> int:
        """Tell how far it is until it ends; end it when the user asks for that. The exit code."""
        asked = None
        while self._process.poll() is None:
            if feedback.isCanceled():
                if asked is None:
                    self._process.terminate()
                    asked = PATIENCE
                elif asked <= 0:
                    self._process.kill()
                asked -= 0.1
            self._tell(feedback, wait=0.1)
        for reader in self._readers:
            reader.join(PATIENCE)
        while not self._lines.empty():
            self._tell(feedback, wait=0.0)
        self._process.stdout.close()
        self._process.stderr.close()
        return self._process.returncode

    def _tell(self, feedback, wait: float) -> None:
        try:
            line = self._lines.get(timeout=wait) if wait else self._lines.get_nowait()
        except queue.Empty:
            return
        step = _step(line)
        if step is None:
            self.said.append(line)
            feedback.pushInfo(line)
        elif step["total"]:
            feedback.setProgress(100.0 * step["done"] / step["total"])


def _step(line: str):
    """How far the program is, where a line says that."""
    if not line.startswith("{"):
        return None
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) and {"stage", "done", "total"} <= set(found) else None


def meaning(code: int, said: list) -> str:
    """What an exit code means, with what the program wrote."""
    lines = [line.strip() for line in said if line.strip() not in ("", "fault:") and not line.endswith("faults:")]
    return "\n".join([MEANINGS.get(code, f"The program ended with code {code}."), *lines])

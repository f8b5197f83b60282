"""What the record of every output set tells of its making: version, command, machine, time."""

from __future__ import annotations

import platform
import socket
import time
from collections.abc import Sequence
from typing import Any

import geoadjust


def made_by(command: Sequence[str]) -> dict[str, Any]:
    """Entries of `run.json`."""
    return {
        "geoadjust": geoadjust.__version__,
        "command": list(command),
        "host": {"name": socket.gethostname(), "system": platform.platform(), "python": platform.python_version()},
        "finished_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }

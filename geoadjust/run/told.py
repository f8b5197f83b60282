"""What the record of every output set tells of its making: version, command, machine, time."""

from __future__ import annotations

import json
import platform
import socket
import time
from collections.abc import Mapping, Sequence
from typing import Any

import geoadjust
from geoadjust.io.results.whole import WholeSet


def made_by(command: Sequence[str]) -> dict[str, Any]:
    """Entries of `run.json`."""
    return {
        "geoadjust": geoadjust.__version__,
        "command": list(command),
        "host": {"name": socket.gethostname(), "system": platform.platform(), "python": platform.python_version()},
        "finished_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }


def step_facts(whole: WholeSet, inputs: Mapping[str, str]) -> dict[str, str]:
    """Rows of the table `run` of a later step: what decides its figures, as JSON.

    Parameters
    ----------
    whole : the set that the step belongs to
    inputs : what was read besides: hashes of files, options
    """
    files = {name: each["sha256"] for name, each in whole.record["files"].items()}
    facts = {"geoadjust": geoadjust.__version__, "set": files, "inputs": dict(inputs), "settings": whole.settings}
    return {name: json.dumps(value, ensure_ascii=False, sort_keys=True) for name, value in facts.items()}

"""Execute documents of OGC API - Processes - Part 1, as another program writes them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import check_path

MEMBERS = ("processID", "inputs", "outputs", "response", "mode")
REMEDY = 'write {"inputs": {"structures": {"href": "covers.gpkg"}, ...}}, or a job file in TOML'


def read_execute(path: Path, processes: tuple[str, ...], outputs: frozenset[str]) -> dict[str, Any]:
    """The inputs of an execute document.

    Parameters
    ----------
    path : the document
    processes : ids of the processes that it may be for
    outputs : ids of what it makes; the document may name some, they are made together all the same

    Returns
    -------
    dict
        id of an input to its value: text, number, boolean, table, or a list of these. A link has become the path of the
        file that it leads to; qualified values are unwrapped.

    Raises
    ------
    InputError
        naming every fault
    """
    data = _load(path)
    faults = [Fault(str(path), f"unknown member {name!r}", ", ".join(MEMBERS)) for name in set(data) - {*MEMBERS}]
    asked = str(data.get("processID", processes[0])).rstrip("/").rpartition("/")[2]
    if asked not in processes:
        faults.append(Fault("processID", f"{asked!r} is another process", ", ".join(processes)))
    if data.get("mode", "sync") not in ("sync", "auto"):
        faults.append(Fault("mode", f"{data['mode']!r} is not done", "sync, auto"))
    chosen = data.get("outputs", {})
    if not isinstance(chosen, Mapping):
        faults.append(Fault("outputs", "is no object", remedy='write {"outputs": {}}'))
        chosen = {}
    for name in chosen:
        if name not in outputs:
            faults.append(Fault(f"outputs.{name}", "is no output", ", ".join(sorted(outputs))))
    inputs = data.get("inputs", {})
    if not isinstance(inputs, Mapping):
        faults.append(Fault("inputs", "is no object", remedy=REMEDY))
        inputs = {}
    found = {}
    for name, value in inputs.items():
        try:
            found[name] = [_value(item, name) for item in value] if isinstance(value, list) else _value(value, name)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def _load(path: Path) -> dict[str, Any]:
    checked = check_path(path, where="job")
    try:
        data = json.loads(checked.read_text(encoding="utf-8-sig"))
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise InputError(Fault(str(path), f"not valid JSON: {error}", remedy="mend that place")) from None
    except RecursionError:
        raise InputError(Fault(str(path), "is nested too deeply", remedy=REMEDY)) from None
    if not isinstance(data, dict) or "inputs" not in data:
        raise InputError(Fault(str(path), "is no execute document: it has no inputs", remedy=REMEDY))
    return data


def _value(value: Any, name: str) -> Any:
    """One value: as it stands, out of its wrapping, or the path that a link leads to."""
    if not isinstance(value, Mapping):
        return value
    if "value" in value:
        return value["value"]
    if "href" in value:
        return _local(str(value["href"]), name)
    for word, remedy in (("bbox", "give a layer of polygons"), ("collection", "save the collection as a file first")):
        if word in value:
            raise InputError(Fault(f"inputs.{name}", f"a {word} is not taken", remedy=remedy))
    raise InputError(Fault(f"inputs.{name}", "an object without value or href", remedy='write {"value": {...}}'))


def _local(href: str, name: str) -> str:
    """The path of a link on this machine; it may be relative to the document."""
    parts = urlsplit(href)
    if parts.scheme == "file" and parts.netloc in ("", "localhost"):
        return unquote(parts.path)
    if "://" in href or parts.netloc:
        remedy = "save it on this machine first; nothing is fetched"
        raise InputError(Fault(f"inputs.{name}", f"{href} is not a local file", "a path, or file://", remedy))
    return unquote(href)

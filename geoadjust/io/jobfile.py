"""Job files: TOML from a folder, flags and --set on top, paths relative to the job file."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from geoadjust.core.rules import Job
from geoadjust.errors import Fault, InputError, UsageError
from geoadjust.io.safe import check_path
from geoadjust.process import REPEATED, TABLES, validate_job

PATHS = ("structures", "surface", "finished", "paved", "centrelines", "catalogue", "output")
"""Tables that name files, by these keys."""
PATH_KEYS = ("path", "areas", "breaklines")
NESTED = "tables or lists are nested too deeply"


def read_job(
    path: Path | None,
    flags: Mapping[tuple[str, str], Any] | None = None,
    settings: Iterable[str] = (),
    tables: Mapping[str, Any] | None = None,
) -> Job:
    """Read a job.

    Parameters
    ----------
    path : the job file; None where flags alone make the job
    tables : the job's tables in place of the file's; its paths are relative to the folder of `path`, if there is one
    flags : (table, key) to value; they beat the file, and their paths are relative to the current folder
    settings : texts `table.key=value`; they beat both, `rules.key` speaks to every rule set

    Raises
    ------
    InputError
        naming every fault
    """
    data = copy.deepcopy(dict(tables)) if tables is not None else {} if path is None else read_toml(path, where="job")
    base = Path() if path is None else path.parent
    data = _resolve(data, base)
    for (table, key), value in (flags or {}).items():
        _put(data, table, key, value)
    _read_rules(data, base)
    for text in settings:
        _set(data, text)
    return validate_job(data)


def read_toml(path: Path, *, where: str) -> dict[str, Any]:
    """Tables of a TOML file; a syntax fault names file, line and column."""
    path = check_path(path, where=where)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(Fault(str(path), f"not valid TOML: {error}", remedy="mend that line")) from None
    except RecursionError:
        raise InputError(Fault(str(path), NESTED, remedy="write plain tables and lists")) from None


def _tables(data: dict[str, Any], table: str) -> list[dict[str, Any]]:
    found = data.get(table)
    if found is None:
        found = data[table] = [{}] if table in REPEATED else {}
    return [item for item in (found if isinstance(found, list) else [found]) if isinstance(item, dict)]


def _resolve(data: dict[str, Any], base: Path) -> dict[str, Any]:
    """Paths of the job file, seen from the current folder."""
    for table in PATHS:
        for item in _tables(data, table) if table in data else []:
            for key in PATH_KEYS:
                if key in item:
                    item[key] = _from(base, item[key])
    return data


def _from(base: Path, path: Any) -> Any:
    """A path, or each of a list of paths, seen from the current folder; anything else is left to the validation."""
    if isinstance(path, list):
        return [_from(base, item) for item in path]
    return str(base / path) if isinstance(path, str) and path and "://" not in path else path


def _put(data: dict[str, Any], table: str, key: str, value: Any) -> None:
    if table == "rules" and key == "path":
        data["rules"] = {"path": str(Path(value).absolute())}
        return
    for item in _tables(data, table):
        item[key] = value


def _read_rules(data: dict[str, Any], base: Path) -> None:
    """Replace `rules.path` by the rule sets of that file."""
    rules = data.get("rules")
    if isinstance(rules, dict) and "path" in rules:
        extra = sorted(set(rules) - {"path"})
        if extra:
            raise InputError(Fault("rules", f"path and {', '.join(extra)} together", remedy="keep the path alone"))
        file = read_toml(base / str(rules["path"]), where="rules.path")
        data["rules"] = file.get("rules", [])


def _set(data: dict[str, Any], text: str) -> None:
    name, equals, value = text.partition("=")
    table, dot, key = name.strip().partition(".")
    if not (equals and dot and key) or table not in TABLES:
        allowed = ", ".join(TABLES)
        raise UsageError(f"--set {text}: write table.key=value, where table is one of {allowed}")
    for item in _tables(data, table):
        place, last = item, key
        while "." in last:
            first, _, last = last.partition(".")
            place = place.setdefault(first, {})
            if not isinstance(place, dict):
                raise UsageError(f"--set {text}: {first} is no table, nothing can be set inside it")
        place[last] = _value(value.strip())


def _value(text: str) -> Any:
    """A TOML value where it is one, else the text itself."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
    except RecursionError:
        raise UsageError(f"--set: {NESTED}") from None

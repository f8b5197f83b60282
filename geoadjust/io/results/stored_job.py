"""The job of an output set, rebuilt from the settings that it stores (SI units).

In `schedule.gpkg`, whose hash is recorded, file names stand without folders; `run.json` knows the folders too.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args, get_type_hints

from geoadjust.core.rules import Job, OutputTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.jobfile import PATH_KEYS
from geoadjust.io.results.record import without_folders
from geoadjust.io.results.sets import RECORD
from geoadjust.io.results.whole import WholeSet, rebuilt
from geoadjust.process import plain


def stored_job(whole: WholeSet) -> Job:
    """The job that made a set.

    Raises
    ------
    InputError
        The set was made by a version with other settings.
    """
    return _job(whole, whole.settings)


def recorded_job(whole: WholeSet, inputs: Path | None = None) -> Job:
    """The job that made a set, with the paths of its sources.

    Parameters
    ----------
    whole : the set
    inputs : a folder in which sources are looked for by their names first; the others are where they were

    Raises
    ------
    InputError
        `run.json` tells of another job than `schedule.gpkg`; the set was made by a version with other settings.
    """
    job = dict(whole.record.get("job") or {})
    rules, output = job.pop("rules", None), job.pop("output", {})
    if without_folders(job) != whole.settings or rules != [plain(each) for each in whole.rule_sets]:
        what = f"tells of another job than {whole.folder}/schedule.gpkg"
        raise InputError(Fault(f"{whole.folder}/{RECORD}", what, remedy="it was edited; run the job again"))
    found = _job(whole, job if inputs is None else _moved(job, inputs))
    return replace(found, output=rebuilt(OutputTable, output, Path(whole.folder)))


def _job(whole: WholeSet, settings: Mapping[str, Any]) -> Job:
    hints = get_type_hints(Job)
    tables = {name: _tables(hints[name], value, Path(whole.folder)) for name, value in settings.items()}
    return Job(**{**tables, "rules": whole.rule_sets, "output": OutputTable()})


def _moved(value: Any, folder: Path, key: str = "") -> Any:
    """Settings whose files are those of the same names in a folder, where they are there."""
    if isinstance(value, dict):
        return {name: _moved(item, folder, name) for name, item in value.items()}
    if isinstance(value, list):
        return [_moved(item, folder, key) for item in value]
    if key not in PATH_KEYS or not value:
        return value
    there = folder / Path(value).name
    return str(there) if there.exists() else value


def _tables(hint: Any, value: Any, path: Path) -> Any:
    """One table, several, or none, as the job declares."""
    if value is None:
        return None
    kinds = [kind for kind in (get_args(hint) or (hint,)) if kind not in (Ellipsis, types.NoneType)]
    if isinstance(value, list):
        return tuple(rebuilt(kinds[0], item, path) for item in value)
    return rebuilt(kinds[0], value, path)

"""The job of an output set, rebuilt from the settings that it stores (SI units); file names stand without folders."""

from __future__ import annotations

import types
from pathlib import Path
from typing import Any, get_args, get_type_hints

from geoadjust.core.rules import Job, OutputTable
from geoadjust.io.results.whole import WholeSet, rebuilt


def stored_job(whole: WholeSet) -> Job:
    """The job that made a set.

    Raises
    ------
    InputError
        The set was made by a version with other settings.
    """
    path = Path(whole.folder)
    hints = get_type_hints(Job)
    tables = {name: _tables(hints[name], value, path) for name, value in whole.settings.items()}
    return Job(**{**tables, "rules": whole.rule_sets, "output": OutputTable()})


def _tables(hint: Any, value: Any, path: Path) -> Any:
    """One table, several, or none, as the job declares."""
    if value is None:
        return None
    kinds = [kind for kind in (get_args(hint) or (hint,)) if kind not in (Ellipsis, types.NoneType)]
    if isinstance(value, list):
        return tuple(rebuilt(kinds[0], item, path) for item in value)
    return rebuilt(kinds[0], value, path)

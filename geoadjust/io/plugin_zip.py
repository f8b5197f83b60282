"""The plugin for a desktop GIS as a zip that its host installs."""

from __future__ import annotations

import json
import os
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from geoadjust.errors import OutputBusyError
from geoadjust.io.results.sets import explain_os_error

SOURCE = Path(__file__).parents[1] / "plugin"
FOLDER = "castings_to_grade"
"""Name of the plugin inside its host."""
ENDINGS = (".py", ".txt", ".svg")
DATE = (1980, 1, 1, 0, 0, 0)
"""The same zip at every time."""


def write_plugin(
    path: Path, processes: Mapping[str, Any], program: Sequence[str], version: str, *, overwrite: bool = False
) -> tuple[str, ...]:
    """Write the zip.

    Parameters
    ----------
    path : the zip
    processes : id to description, from which the plugin makes its parameters
    program : words that start the program, for where the user's settings do not say it
    overwrite : replace an earlier one of ours

    Returns
    -------
    tuple of str
        names of its files

    Raises
    ------
    OutputBusyError, OutputError
        the file is there, or is not ours, or cannot be written
    """
    if path.exists() and not (overwrite and _ours(path)):
        why = "exists and is not this plugin" if overwrite else "exists; give --overwrite to replace it"
        raise OutputBusyError(f"{path}: {why}")
    files = {
        each.name: each.read_bytes()
        for each in sorted(SOURCE.iterdir())
        if each.suffix in ENDINGS or each.name == "LICENSE"
    }
    files["metadata.txt"] = files["metadata.txt"].replace(b"@version@", version.encode())
    files["descriptions.json"] = json.dumps(processes, ensure_ascii=False, indent=1).encode()
    files["program.json"] = json.dumps(list(program)).encode()
    try:
        with NamedTemporaryFile(dir=path.parent, prefix=".plugin-", delete=False) as temporary:
            try:
                with zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as archive:
                    for name, content in files.items():
                        archive.writestr(zipfile.ZipInfo(f"{FOLDER}/{name}", DATE), content, zipfile.ZIP_DEFLATED)
                os.chmod(temporary.name, 0o644)
                os.replace(temporary.name, path)
            except BaseException:
                os.unlink(temporary.name)
                raise
    except OSError as error:
        raise explain_os_error(error, path) from error
    return tuple(files)


def _ours(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            return f"{FOLDER}/metadata.txt" in archive.namelist()
    except (zipfile.BadZipFile, OSError):
        return False

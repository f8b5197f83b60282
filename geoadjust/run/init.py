"""Writes a commented job file."""

from __future__ import annotations

from pathlib import Path

from geoadjust.errors import OutputBusyError
from geoadjust.io.sets import explain_os_error
from geoadjust.process import template


def write_job_template(folder: Path) -> Path:
    """Write `job.toml` into a folder; an existing one is never replaced."""
    path = folder / "job.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with open(path, "x", encoding="utf-8") as file:
            file.write(template())
    except FileExistsError:
        raise OutputBusyError(f"{path} exists; move it away or name another folder") from None
    except OSError as error:
        raise explain_os_error(error, path) from error
    return path

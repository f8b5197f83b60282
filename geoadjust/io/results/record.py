"""What decides a result: versions, settings, catalogue and inputs; as texts for the record, and as one hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Protocol

import geoadjust
from geoadjust.core.parts import Catalogue
from geoadjust.core.rules import Job
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake.structures import StructureFacts
from geoadjust.io.jobfile import PATH_KEYS
from geoadjust.io.raster.tiles import Tile
from geoadjust.io.safe import check_path
from geoadjust.process import plain

FIRST = 3
"""Of a list of tiles so many stand in the record; the fingerprint tells all of them."""
LIBRARIES = ("numpy", "pyogrio", "pyproj", "rasterio", "shapely")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file that is read whole: what it is to the job (areas, centrelines, catalogue), its path and fingerprint."""

    role: str
    path: str
    fingerprint: str


def describe_file(role: str, path: str, *, where: str) -> SourceFile:
    """Facts of a file.

    Parameters
    ----------
    role : what it is to the job
    path : as the job states it
    where : job key, for the fault

    Raises
    ------
    InputError
        It is no ordinary local file, or cannot be read.
    """
    return SourceFile(role, path, fingerprint(check_path(path, where=where)))


class Recorded(Protocol):
    """A surface that decides a result."""

    @property
    def path(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def tiles(self) -> tuple[Tile, ...]: ...
    def record(self) -> dict[str, Any]: ...


class Sourced(Protocol):
    """A job with the facts of its sources."""

    @property
    def job(self) -> Job: ...
    @property
    def structures(self) -> StructureFacts: ...
    @property
    def surfaces(self) -> tuple[Recorded, ...]: ...
    @property
    def catalogue(self) -> Catalogue: ...
    @property
    def files(self) -> tuple[SourceFile, ...]: ...


def run_facts(sources: Sourced, operations: Mapping[str, str]) -> dict[str, str]:
    """Rows of the table `run`: what decides the result, each entry as JSON."""
    facts = deciding_facts(sources, operations)
    return {key: json.dumps(value, ensure_ascii=False, sort_keys=True) for key, value in facts.items()}


def deciding_facts(sources: Sourced, operations: Mapping[str, str]) -> dict[str, Any]:
    """All that decides the result, and nothing that differs between two runs with the same result.

    Files are named without their folders and told by their fingerprints.
    """
    job = plain(sources.job)
    job.pop("output")
    surfaces = {facts.name: facts.record() for facts in sources.surfaces}
    return {
        "format": "geoadjust schedule 1",
        "geoadjust": geoadjust.__version__,
        "libraries": {name: version(name) for name in LIBRARIES},
        "kernel": "numpy",
        "rules": job.pop("rules"),
        "catalogue": plain(sources.catalogue),
        "settings": without_folders(job),
        "structures": {"fingerprint": sources.structures.fingerprint, "columns": dict(sources.structures.columns)},
        "structures_crs": sources.structures.crs,
        "surfaces": surfaces,
        "files": {file.role: file.fingerprint for file in sources.files},
        "operations": dict(operations),
    }


def hash_of_code() -> str:
    """Hash of the package's own source text: a version number does not tell what changes between two releases."""
    folder = Path(geoadjust.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(f"{path.relative_to(folder).as_posix()}\n".encode())
        digest.update(path.read_bytes())
    return f"sha256:{digest.hexdigest()}"


def hash_of(facts: Mapping[str, Any]) -> str:
    """One hash of facts; the chunks of a run are marked by it."""
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode("ascii")).hexdigest()[:24]


def source_facts(sources: Sourced) -> dict[str, Any]:
    """Where each source lies and what it is."""
    structures = sources.structures
    return {
        "structures": {"path": structures.path, "layer": structures.layer, "fingerprint": structures.fingerprint},
        "surfaces": [{"path": facts.path, **facts.record(), **_first_tiles(facts)} for facts in sources.surfaces],
        **{file.role: {"path": file.path, "fingerprint": file.fingerprint} for file in sources.files},
    }


def _first_tiles(facts: Recorded) -> dict[str, Any]:
    """Paths of the first tiles, where there are several."""
    tiles = facts.tiles
    return {"first_tiles": [tile.path for tile in tiles[:FIRST]]} if len(tiles) > 1 else {}


def without_folders(value: Any) -> Any:
    """Settings whose paths are names of files only."""
    if isinstance(value, dict):
        return {key: _names(item) if key in PATH_KEYS else without_folders(item) for key, item in value.items()}
    return [without_folders(item) for item in value] if isinstance(value, list) else value


def _names(path: str | list[str]) -> str | list[str]:
    """Name of a file; of a list of files the first names and how many more there are."""
    if isinstance(path, str):
        return Path(path).name
    more = len(path) - FIRST
    return [Path(item).name for item in path[:FIRST]] + [f"and {more} more"] * (more > 0)

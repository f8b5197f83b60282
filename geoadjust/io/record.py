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
from geoadjust.io.jobfile import PATH_KEYS
from geoadjust.io.safe import check_path
from geoadjust.io.structures import StructureFacts
from geoadjust.io.surfaces import RasterFacts
from geoadjust.process import plain

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


class Sourced(Protocol):
    """A job with the facts of its sources."""

    @property
    def job(self) -> Job: ...
    @property
    def structures(self) -> StructureFacts: ...
    @property
    def existing(self) -> tuple[RasterFacts, ...]: ...
    @property
    def finished(self) -> tuple[RasterFacts, ...]: ...
    @property
    def catalogue(self) -> Catalogue: ...
    @property
    def files(self) -> tuple[SourceFile, ...]: ...


def run_facts(sources: Sourced, operations: Mapping[str, str]) -> dict[str, str]:
    """Rows of the table `run`: nothing that differs between two runs with the same result.

    Files are named without their folders and told by their fingerprints.
    """
    job = plain(sources.job)
    job.pop("output")
    rasters = {facts.name: _raster(facts) for facts in (*sources.existing, *sources.finished)}
    facts = {
        "format": "geoadjust schedule 1",
        "geoadjust": geoadjust.__version__,
        "libraries": {name: version(name) for name in LIBRARIES},
        "kernel": "numpy",
        "rules": job.pop("rules"),
        "catalogue": plain(sources.catalogue),
        "settings": _without_folders(job),
        "structures": {"fingerprint": sources.structures.fingerprint, "columns": dict(sources.structures.columns)},
        "structures_crs": sources.structures.crs,
        "surfaces": rasters,
        "files": {file.role: file.fingerprint for file in sources.files},
        "operations": dict(operations),
    }
    return {key: json.dumps(value, ensure_ascii=False, sort_keys=True) for key, value in facts.items()}


def settings_hash(sources: Sourced) -> str:
    """One hash of all that decides the figures; chunks are named by it."""
    text = json.dumps(run_facts(sources, {}), sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:24]


def source_facts(sources: Sourced) -> dict[str, Any]:
    """Where each source lies and what it is."""
    rasters = (*sources.existing, *sources.finished)
    structures = sources.structures
    return {
        "structures": {"path": structures.path, "layer": structures.layer, "fingerprint": structures.fingerprint},
        "surfaces": [{"path": facts.path, **_raster(facts)} for facts in rasters],
        **{file.role: {"path": file.path, "fingerprint": file.fingerprint} for file in sources.files},
    }


def _raster(facts: RasterFacts) -> dict[str, Any]:
    return {
        "fingerprint": facts.fingerprint,
        "band": facts.band,
        "vertical_unit": facts.vertical_unit,
        "vertical_datum": facts.vertical_datum,
        "size": [facts.width, facts.height],
    }


def _without_folders(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: Path(item).name if key in PATH_KEYS else _without_folders(item) for key, item in value.items()}
    return [_without_folders(item) for item in value] if isinstance(value, list) else value

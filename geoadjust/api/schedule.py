"""The main job on what people hold in Python."""

from __future__ import annotations

import os
import weakref
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any

from geoadjust.api.result import Schedule
from geoadjust.api.sources import Workplace
from geoadjust.errors import UsageError
from geoadjust.io.jobfile import read_job, read_toml
from geoadjust.process import TABLES
from geoadjust.run.schedule import Options, no_progress, run_schedule

if TYPE_CHECKING:
    from geoadjust.api.sources import Layer, Road


def schedule(
    structures: Layer | None = None,
    surface: Road | Sequence[Road] | None = None,
    *,
    job: str | os.PathLike[str] | Mapping[str, Any] | None = None,
    finished: Road | None = None,
    mill: str | None = None,
    overlay: str | None = None,
    areas: Layer | None = None,
    centrelines: Layer | None = None,
    rules: str | os.PathLike[str] | Sequence[Mapping[str, Any]] | None = None,
    catalogue: str | os.PathLike[str] | None = None,
    settings: Mapping[str, Any] | None = None,
    out: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    engine: str = "serial",
    workers: int = 1,
    chunk: int = 8192,
    progress: Callable[[str, int, int], None] = no_progress,
) -> Schedule:
    """Compute raise, chimney, stack and flags of every structure.

    Parameters
    ----------
    structures : layer of structures: a path, or a GeoDataFrame of points
    surface : today's road: a path, a raster that is open (rasterio), a GeoDataFrame of survey points with heights, or a
        list of tiles
    job : job file, execute document left aside; or its tables as a mapping. The other arguments beat it
    finished : design surface, given as `surface`
    mill, overlay : lengths with their unit, `"40 mm"`
    areas, centrelines : layers of polygons and lines
    rules : file of rule sets, or the rule sets as mappings
    catalogue : file of parts
    settings : any other key of the job, `{"structures.vertical_unit": "m", "structures.columns": {"rim": "RIM_EL"}}`
    out : folder of the output set; without it the set lives as long as the object that is returned
    overwrite : replace an earlier result in `out`
    engine, workers, chunk : how it is run, as on the command line; none of them changes a figure
    progress : called as progress(stage, done, total)

    Returns
    -------
    Schedule
        frames for every table, drawings, explanations

    Raises
    ------
    InputError
        job or sources are invalid; `faults` holds every one of them
    OutputBusyError, OutputError
        the set could not be written

    Notes
    -----
    Frames and rasters in memory are written into a temporary folder first; it is gone with the object, so that
    `geoadjust verify` cannot compare them later. Give paths where that matters.

    Examples
    --------
    >>> import geopandas, numpy, rasterio, shapely
    >>> from rasterio.io import MemoryFile
    >>> road = numpy.full((100, 100), 215.0)
    >>> cells = rasterio.transform.from_origin(600000.0, 4000010.0, 0.1, 0.1)
    >>> covers = geopandas.GeoDataFrame(
    ...     {"id": ["MH-1"], "rim": [214.98]}, geometry=[shapely.Point(600005.0, 4000005.0)], crs="EPSG:32617")
    >>> with MemoryFile() as memory:
    ...     with memory.open(driver="GTiff", width=100, height=100, count=1, dtype="float64", crs="EPSG:32617",
    ...                      transform=cells) as dataset:
    ...         dataset.write(road, 1)
    ...     with memory.open() as dataset:
    ...         result = schedule(covers, dataset, overlay="50 mm", settings={
    ...             "structures.vertical_unit": "m", "surface.vertical_unit": "m"})
    >>> result
    <Schedule of 1 structures: adjust 1>
    >>> float(result.structures.raise_mm[0])
    70.0
    """
    place = Path(mkdtemp(prefix="geoadjust-"))
    try:
        work = Workplace(place)
        flags: dict[tuple[str, str], Any] = {_key(name): value for name, value in (settings or {}).items()}
        flags |= _stated(
            {
                ("structures", "path"): structures is not None and work.layer(structures, "structures"),
                ("surface", "path"): surface is not None and work.road(surface, "surface"),
                ("finished", "path"): finished is not None and work.road(finished, "finished"),
                ("finished", "mill"): mill,
                ("finished", "overlay"): overlay,
                ("finished", "areas"): areas is not None and work.layer(areas, "areas"),
                ("centrelines", "path"): centrelines is not None and work.layer(centrelines, "centrelines"),
                ("rules", "path"): _path(rules),
                ("catalogue", "path"): _path(catalogue),
                ("output", "path"): _path(out),
            }
        )
        path = _path(job)
        read = read_job(Path(path) if path else None, flags, (), _tables(job, rules))
        if not read.output.path:
            read = replace(read, output=replace(read.output, path=str(place / "out")))
        run_schedule(read, Options(overwrite, engine, workers, chunk=chunk, progress=progress))
        found = Schedule(read.output.path)
    except BaseException:
        rmtree(place, ignore_errors=True)
        raise
    weakref.finalize(found, rmtree, place, ignore_errors=True)
    return found


def _stated(given: Mapping[tuple[str, str], Any]) -> dict[tuple[str, str], Any]:
    return {key: value for key, value in given.items() if value is not None and value is not False}


def _path(value: Any) -> str | None:
    return os.fspath(value) if isinstance(value, (str, os.PathLike)) else None


def _key(name: str) -> tuple[str, str]:
    """Table and key of a setting."""
    table, dot, key = name.partition(".")
    if not dot or table not in TABLES:
        raise UsageError(f"settings: {name!r} is not table.key, where table is one of {', '.join(TABLES)}")
    return table, key


def _tables(job: Any, rules: Any) -> dict[str, Any] | None:
    """The job's tables, where they do not stand in its file as they are."""
    tables = dict(job) if isinstance(job, Mapping) else None
    if rules is None or _path(rules):
        return tables
    if tables is None:
        path = _path(job)
        tables = read_toml(Path(path), where="job") if path else {}
    return {**tables, "rules": [dict(each) for each in rules]}

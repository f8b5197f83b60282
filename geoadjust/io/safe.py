"""Guarded inputs: the only place that decides which file may be opened, by which driver, and how.

Import this module before rasterio, fiona or pyogrio. Each of them carries a GDAL of its own, and each GDAL reads the
process environment when it is first loaded; importing this module sets that environment (see `guarded_environment`): no
driver that goes to the network or follows a path written in a file, no ``.aux.xml``, no PROJ download. Virtual rasters
are among what is left out, so ``read(..., boundless=True)`` of rasterio does not work.

The order is always the same: `check_path` looks at the name and the kind of file, `vector_driver` (of rasters
`raster.geotiff.open_raster`) at its first bytes, and only then one named driver opens it, read only.
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
import stat
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from geoadjust.errors import Fault, InputError

if TYPE_CHECKING:
    import fiona

RASTER_SKIP = "VRT WMS WMTS WCS EEDA EEDAI PLMOSAIC DAAS STACIT STACTA GTI HTTP OGCAPI GDALG DERIVED MRF Zarr"
"""Drivers never wanted, separated by blanks: the network, and formats that name other files."""

VECTOR_SKIP = "OGR_VRT,WFS,OAPIF,CSW,Carto,AmigoCloud,Elasticsearch,PLSCENES,NGW,GPSBabel,MVT,PMTiles,ADBC"
"""The same among vector drivers, separated by commas."""

VECTOR_DRIVERS: Mapping[str, tuple[str, bytes]] = {
    ".gpkg": ("GPKG", b"SQLite format 3\0"),
    ".geojson": ("GeoJSON", b"{"),
    ".json": ("GeoJSON", b"{"),
    ".shp": ("ESRI Shapefile", b"\x00\x00\x27\x0a"),
}
"""Ending of the name -> driver, and how the content begins."""

VECTOR_ALLOWED = "GeoPackage (.gpkg), GeoJSON (.geojson, .json), shapefile (.shp)"
ARCHIVES = (".zip", ".gz", ".tgz", ".tar", ".7z", ".bz2", ".xz", ".zst", ".rar", ".kmz", ".shz")
ARCHIVE_MAGIC = (b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf\x27\x1c", b"BZh", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd", b"Rar!")
SIDECARS: Mapping[str, tuple[str, ...]] = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg"),
    ".tif": (".tfw", ".tifw", ".wld"),
    ".tiff": (".tfw", ".tiffw", ".wld"),
}
"""Files that a driver reads beside the one that is named."""

_SCHEME = re.compile(r"^[A-Za-z][A-Za-z0-9+._-]+:")
_ODD_KINDS = {stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket", stat.S_IFCHR: "a device", stat.S_IFBLK: "a device"}
_LOCK_WAIT = 1.0


def guarded_environment(environ: Mapping[str, str]) -> dict[str, str]:
    """Variables that keep every GDAL and PROJ of this process local, quiet and repeatable.

    A user's own list of drivers to leave out is kept and added to; the other values are set whatever stands there.
    A name that a build does not know is harmless: GDAL only says so in its log (filtered for rasterio and fiona).

    Examples
    --------
    >>> guarded_environment({"SOURCE_DATE_EPOCH": "86400"})["OGR_CURRENT_DATE"]
    '1970-01-02T00:00:00.000Z'
    >>> guarded_environment({"OGR_SKIP": "DXF"})["OGR_SKIP"].startswith("DXF,OGR_VRT,WFS")
    True
    """
    raster_skip = environ.get("GDAL_SKIP", "").replace(",", " ").split()
    vector_skip = [name.strip() for name in environ.get("OGR_SKIP", "").split(",") if name.strip()]
    return {
        "GDAL_PAM_ENABLED": "NO",
        "GDAL_SKIP": " ".join(dict.fromkeys(raster_skip + RASTER_SKIP.split())),
        "OGR_SKIP": ",".join(dict.fromkeys(vector_skip + VECTOR_SKIP.split(","))),
        "OGR_CURRENT_DATE": _stamp(environ.get("SOURCE_DATE_EPOCH", "0")),
        "PROJ_NETWORK": "OFF",
        "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".no-remote-file",
        "GDAL_VRT_ENABLE_PYTHON": "NO",
        "GDAL_DISABLE_READDIR_ON_OPEN": "TRUE",  # probes .tfw, .dbf ... by name; EMPTY_DIR would lose world files
        "OGR_SQLITE_LOAD_EXTENSIONS": "",
    }


def _stamp(epoch: str) -> str:
    try:
        moment = datetime.fromtimestamp(int(epoch), UTC)
    except (ValueError, OverflowError, OSError):
        moment = datetime.fromtimestamp(0, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.000Z"


def _is_news(record: logging.LogRecord) -> bool:
    return "Unable to find driver" not in record.getMessage()


os.environ.update(guarded_environment(os.environ))
for _name in ("rasterio._env", "fiona._env"):
    logging.getLogger(_name).addFilter(_is_news)


def refusal(where: str, what: str, allowed: str = "", remedy: str = "") -> InputError:
    """A source that is refused."""
    return InputError(Fault(where, what, allowed, remedy))


def check_path(path: str | os.PathLike[str], *, where: str, folder: bool = False, workbook: bool = False) -> Path:
    """Let through what is an ordinary local file with something in it, and nothing else.

    Parameters
    ----------
    path : str or path
        As the user wrote it. Links to ordinary files are followed.
    where : str
        Job key for the fault, such as ``surface.path``.
    folder : bool
        A folder is welcome too.
    workbook : bool
        So is a file that ends in .xlsx, which is an archive inside.

    Returns
    -------
    Path
        The same path, not made absolute.

    Raises
    ------
    InputError
        Remote or virtual path, missing, folder, pipe, socket, device, not readable, empty, archive. Nothing but an
        ordinary file is ever opened, so the answer is instant.

    Examples
    --------
    >>> check_path("https://example.org/road.tif", where="surface.path")
    Traceback (most recent call last):
    geoadjust.errors.InputError: surface.path: https://example.org/road.tif is not a local file ...
    """
    text = os.fspath(path)
    if _SCHEME.match(text) or text.startswith("/vsi"):
        raise refusal(where, f"{text} is not a local file", "files on this machine", "fetch or unpack it first")
    kind = kind_of(text, where)
    if stat.S_ISDIR(kind) and folder and os.access(text, os.R_OK | os.X_OK):
        return Path(text)
    if stat.S_ISDIR(kind):
        readable = "a folder that cannot be read" if folder else "a folder"
        raise refusal(where, f"{text} is {readable}", "a file", "name the file inside it")
    if not stat.S_ISREG(kind):
        raise refusal(where, f"{text} is {_ODD_KINDS.get(stat.S_IFMT(kind), 'no file')}", "an ordinary file")
    if not (head := head_of(text, where)):
        raise refusal(where, f"{text} is empty")
    if workbook and text.lower().endswith(".xlsx"):
        return Path(text)
    if text.lower().endswith(ARCHIVES) or head.startswith(ARCHIVE_MAGIC):
        raise refusal(where, f"{text} is an archive", "the file itself", "unpack it and name the file inside")
    return Path(text)


def check_paths(paths: Iterable[str | os.PathLike[str]], *, where: str) -> tuple[Path, ...]:
    """Each of several, as `check_path` does."""
    return tuple(check_path(path, where=where) for path in paths)


def kind_of(text: str, where: str) -> int:
    """Mode of a file, links followed."""
    try:
        return os.stat(text).st_mode
    except FileNotFoundError:
        raise refusal(where, f"{text} is missing", "", "check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise refusal(where, f"{text!r} cannot be looked at ({error})") from None


def head_of(text: str, where: str, size: int = 64) -> bytes:
    """First bytes of an ordinary file; never waits, even where the file has become a pipe meanwhile."""
    try:
        handle = os.open(text, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise refusal(where, f"{text} cannot be read ({error.strerror})") from None
    try:
        return os.read(handle, size)
    finally:
        os.close(handle)


def sidecars(path: Path) -> tuple[Path, ...]:
    """Files beside `path` that its driver reads with it and that exist, in a fixed order."""
    endings = SIDECARS.get(path.suffix.lower(), ())
    names = [path.with_suffix(spelling) for ending in endings for spelling in (ending, ending.upper())]
    return tuple(name for name in names if os.path.lexists(name))


def check_sidecars(path: Path, where: str) -> None:
    """Refuse what stands beside a file and is no ordinary file."""
    for name in sidecars(path):
        if not stat.S_ISREG(kind_of(str(name), where)):
            raise refusal(where, f"{name} is not an ordinary file", "", "remove it")


def vector_driver(path: str | os.PathLike[str], *, where: str) -> str:
    """Name of the one driver that may open a vector file, by ending and by content.

    Raises
    ------
    InputError
        Any other ending, or a content that is not what the ending says.
    """
    text = os.fspath(path)
    ending = os.path.splitext(text)[1].lower()
    if ending not in VECTOR_DRIVERS:
        raise refusal(where, f"{text} has the ending {ending!r}", VECTOR_ALLOWED)
    driver, magic = VECTOR_DRIVERS[ending]
    head = head_of(text, where, 4096).removeprefix(b"\xef\xbb\xbf")
    if not (head.lstrip() if driver == "GeoJSON" else head).startswith(magic):
        raise refusal(where, f"{text} does not begin like a {ending} file", VECTOR_ALLOWED)
    return driver


@dataclass(frozen=True, slots=True)
class VectorFacts:
    """What is known of one layer without reading its rows.

    `layers` names the layers with geometry; `crs_wkt` is None where the file states none; `encoding` is None where a
    shapefile has no .cpg. Readers give `open_options` to their driver, so that nothing is written beside the source.
    """

    path: Path
    driver: str
    layer: str
    layers: tuple[str, ...]
    geometry_type: str
    crs_wkt: str | None
    fields: dict[str, str]
    count: int
    encoding: str | None
    open_options: dict[str, str] = field(default_factory=dict)


def probe_vector(path: str | os.PathLike[str], *, where: str, layer: str | None = None) -> VectorFacts:
    """Look into a vector file with the one driver that fits, read only.

    Parameters
    ----------
    path : str or path
    where : str
        Job key for the fault.
    layer : str, optional
        Needed only where several layers have geometry.

    Raises
    ------
    InputError
        Refused by `check_path` or `vector_driver`; cut off, corrupt or locked; no layer, several layers, or not the
        one that is named.
    """
    checked = check_path(path, where=where)
    driver = vector_driver(checked, where=where)
    check_sidecars(checked, where)
    options = _check_content(checked, driver, where)
    import fiona

    try:
        names = fiona.listlayers(checked, **options)
        found = [facts for name in names if (facts := _layer_facts(checked, driver, name, options))]
    except (fiona.errors.FionaError, fiona._err.CPLE_BaseError, OSError, ValueError) as error:
        raise refusal(where, f"{checked} cannot be read as {driver}: cut off or corrupt ({error})") from None
    return _choose_layer(found, names, layer, checked, where)


def _layer_facts(path: Path, driver: str, name: str, options: Mapping[str, str]) -> VectorFacts | None:
    """Facts of one layer; None where it has no geometry. `layers` is still empty."""
    import fiona

    with fiona.open(path, layer=name, enabled_drivers=[driver], **options) as layer:
        geometry = str(layer.schema["geometry"])
        if geometry == "None" or name == "layer_styles":
            return None
        fields = {str(key): str(kind) for key, kind in layer.schema["properties"].items()}
        wkt = _stated_crs(layer)
        count = len(layer)
    return VectorFacts(path, driver, name, (), geometry, wkt, fields, count, _encoding(path, driver), dict(options))


def _stated_crs(layer: fiona.Collection) -> str | None:
    wkt = str(layer.crs_wkt or "")
    return None if not wkt or re.match(r'\w+\["Undefined ', wkt) else wkt  # what a GeoPackage calls "no CRS"


def _encoding(path: Path, driver: str) -> str | None:
    if driver != "ESRI Shapefile":
        return "UTF-8"
    stated = [name for name in sidecars(path) if name.suffix.lower() == ".cpg"]
    return stated[0].read_text("ascii", "replace").strip()[:40] or None if stated else None


def _choose_layer(found: list[VectorFacts], names: list[str], layer: str | None, path: Path, where: str) -> VectorFacts:
    """The layer that is named, or the only one with geometry."""
    layers = tuple(facts.layer for facts in found)
    if not found:
        raise refusal(where, f"{path} has no layer with geometry (layers: {', '.join(names) or 'none'})")
    if layer is None and len(found) > 1:
        raise refusal(where, f"{path} has several layers", ", ".join(layers), "name one with layer = ...")
    wanted = [facts for facts in found if layer in (None, facts.layer)]
    if not wanted:
        raise refusal(where, f"{path} has no layer {layer!r} with geometry", ", ".join(layers))
    values = {name: getattr(wanted[0], name) for name in VectorFacts.__slots__}
    return VectorFacts(**{**values, "layers": layers})


@contextmanager
def measures_dropped() -> Iterator[None]:
    """Opens a layer without the driver's warning that measures (M) are dropped; where it matters we say so."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Measured \(M\) geometry", category=UserWarning)
        yield


def _check_content(path: Path, driver: str, where: str) -> dict[str, str]:
    """What the driver itself does not notice or would wait for; gives the options to open the file with."""
    if driver == "GPKG":
        return _check_geopackage(path, where)
    if driver == "ESRI Shapefile":
        _check_shapefile(path, where)
    else:
        _check_text(path, where)
    return {}


def _check_text(path: Path, where: str) -> None:
    try:
        with path.open(encoding="utf-8") as file:
            while file.read(2**20):
                pass
    except UnicodeDecodeError as error:
        what = f"{path} is not UTF-8 text (byte 0x{error.object[error.start]:02x})"
        raise refusal(where, what, "UTF-8", "save it as UTF-8") from None


def _check_shapefile(path: Path, where: str) -> None:
    """A shapefile states its own length [16-bit words] at byte 24; .shx and .dbf must be there."""
    endings = {name.suffix.lower(): name for name in sidecars(path)}
    missing = [ending for ending in (".shx", ".dbf") if ending not in endings]
    if missing:
        raise refusal(where, f"{path} comes without its {' and '.join(missing)}", "", "copy all files of the shapefile")
    for name in (path, endings[".shx"]):
        stated = max(100, 2 * int.from_bytes(head_of(str(name), where)[24:28], "big"))
        if name.stat().st_size < stated:
            raise refusal(where, f"{name} is cut off or corrupt: {name.stat().st_size} bytes, {stated} stated")
    header = head_of(str(endings[".dbf"]), where)
    rows, start, width = (int.from_bytes(header[part], "little") for part in (slice(4, 8), slice(8, 10), slice(10, 12)))
    if len(header) < 32 or start + rows * width > endings[".dbf"].stat().st_size:
        raise refusal(where, f"{endings['.dbf']} is cut off or corrupt: {rows} rows of {width} bytes stated")


def _check_geopackage(path: Path, where: str) -> dict[str, str]:
    """Refuse a database that another program is changing; a quiet one in WAL mode is opened as immutable.

    The driver would fold pending changes into the source (WAL) or undo a half-written change (journal): it would write.
    """
    for ending in ("-wal", "-journal"):
        pending = path.with_name(path.name + ending)
        if pending.exists() and any(head_of(str(pending), where)):
            remedy = "close the program that has it open, or open and close it there once"
            raise refusal(where, f"{path} has unfinished changes in {pending.name}", "", remedy)
    head = head_of(str(path), where, 100)
    page = int.from_bytes(head[16:18], "big")
    stated = int.from_bytes(head[28:32], "big") * (65536 if page == 1 else page)
    if path.stat().st_size < stated:
        raise refusal(where, f"{path} is cut off: {path.stat().st_size} bytes, {stated} stated")
    immutable = 2 in head[18:20]
    _try_database(path, immutable, where)
    return {"IMMUTABLE": "YES"} if immutable else {}


def _try_database(path: Path, immutable: bool, where: str) -> None:
    """Read the schema once, read only: the driver would wait long for a lock, and not say why it gave up."""
    address = path.absolute().as_uri() + ("?mode=ro&immutable=1" if immutable else "?mode=ro")
    try:
        database = sqlite3.connect(address, uri=True, timeout=_LOCK_WAIT)
        try:
            database.execute("PRAGMA trusted_schema = OFF")
            database.execute("SELECT count(*) FROM sqlite_master").fetchone()
        finally:
            database.close()
    except (sqlite3.Error, UnicodeDecodeError) as error:  # a damaged name may be no text at all
        if "locked" in str(error):
            raise refusal(where, f"{path} is locked by another program", "", "close that program") from None
        raise refusal(where, f"{path} cannot be read as GPKG: cut off or corrupt ({error})") from None

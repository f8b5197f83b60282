"""LAS and LAZ files: which ones a path names; of one its header, its CRS, its points.

The order is that of `io.safe`: the name and the kind of file, its first bytes, and only then the reader. What the
header says of the file's own length is checked before anything is read by it. Source of offsets, flags and keys: ASPRS,
LAS Specification 1.4 - R15; OGC GeoTIFF 1.1 (19-008r4) for keys 4096 and 4099.
"""

from __future__ import annotations

import logging
import os
import struct
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import read_crs, vertical_unit_of
from geoadjust.io.raster.tiles import Listing, find_tiles
from geoadjust.io.safe import check_path

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ENDINGS = (".las", ".laz")
CHUNK_BYTES = 2**25
"""Points are read so many bytes at a time; measured: larger and smaller pieces are not faster."""
EXTRA_LIMIT = 2**26
"""Records after the points are looked into for a CRS up to this size [bytes]; waveforms stand there too."""
LEAST_PIECE = 20
"""Bytes of one point as it stands unpacked at the begin of each compressed piece."""
VERTICAL_CRS, VERTICAL_UNIT = 4096, 4099
KEY_UNITS = {9001: "m", 9002: "ft", 9003: "us-ft"}
INSTALL = "install the extra: pip install 'geoadjust[lidar]'"

logging.getLogger("laspy").addHandler(logging.NullHandler())  # what it logs comes as a fault


def is_cloud(path: str | tuple[str, ...]) -> bool:
    """Whether a surface's path names lidar points: a .las or .laz, a list that begins with one, a folder with some.

    Examples
    --------
    >>> is_cloud("city.LAZ"), is_cloud(("a.las", "b.las")), is_cloud("dtm.tif")
    (True, True, False)
    """
    first = path if isinstance(path, str) else path[0]
    if "://" not in first and os.path.isdir(first):
        return bool(_names(first))
    return first.lower().endswith(ENDINGS)


def find_clouds(path: str | tuple[str, ...], *, where: str) -> Listing:
    """Files of a delivery, as `find_tiles` finds those of a raster; a folder gives its .las and .laz files by name."""
    if not isinstance(path, str) or "://" in path or not os.path.isdir(path):
        return find_tiles(path, where=where)
    check_path(path, where=where, folder=True)
    names = _names(path)
    if not names:
        remedy = "name the folder that holds the files; those in folders inside it go into a list"
        raise InputError(Fault(where, f"folder {path} holds no .las or .laz", remedy=remedy))
    return Listing(path, Path(path).resolve().name or path, tuple(os.path.join(path, name) for name in names))


def _names(folder: str) -> list[str]:
    try:
        names = os.listdir(folder)
    except OSError:
        return []
    return sorted(name for name in names if name.lower().endswith(ENDINGS) and not name.startswith("."))


# ---------------------------------------------------------------- one file


@dataclass(frozen=True, slots=True)
class LasHeader:
    """What a file says without its points.

    `points` counts all of them, `pulses` the first returns (all points where the header does not count returns).
    `bounds` are west, south, east, north [CRS units], `scale` the steps of the three coordinates. `crs` is WKT, a code
    or '', `vertical_unit` what a key says of the heights where the CRS has no vertical part. Whether the points are
    classified is not known from a header.
    """

    path: str
    points: int
    pulses: int
    bounds: tuple[float, float, float, float]
    scale: tuple[float, float, float]
    version: str
    crs: str
    vertical_unit: str


def read_header(path: str, *, where: str) -> LasHeader:
    """Header of a file.

    Raises
    ------
    InputError
        Refused by `check_path`; not LAS; cut off or corrupt; the library that reads it is not installed.
    """
    checked = check_path(path, where=where)
    compressed = _check_head(checked, where)
    laspy = _library(path, where, compressed=compressed)
    with (
        checked.open("rb") as file,
        _reading(path, where),
        laspy.open(file, closefd=False, read_evlrs=False) as reader,
    ):
        header = reader.header
        crs, unit = _crs_of(header)
        if not crs and header.number_of_evlrs > 0 and checked.stat().st_size - header.start_of_first_evlr < EXTRA_LIMIT:
            header.read_evlrs(file)
            crs, unit = _crs_of(header)
        count, bounds = int(header.point_count), (header.mins, header.maxs)
        if count:
            _ = reader.point_source  # reads the table at the end that says where compressed points stand
        numbers = np.concatenate([header.scales, header.offsets, *bounds])
        odd = not np.isfinite(numbers).all() or not (header.scales > 0).all() or bool((bounds[0] > bounds[1]).any())
        if odd and count:
            raise InputError(Fault(where, f"{path} states scales or bounds that cannot be", remedy="write it anew"))
        west, south, _ = header.mins.tolist()
        east, north, _ = header.maxs.tolist()
        first = int(header.number_of_points_by_return[0])
        return LasHeader(
            path=path,
            points=count,
            pulses=first if 0 < first <= count else count,
            bounds=(west, south, east, north),
            scale=tuple(header.scales.tolist()),
            version=f"{header.version.major}.{header.version.minor}",
            crs=crs,
            vertical_unit=unit,
        )


@dataclass(frozen=True, slots=True, eq=False)
class LasPoints:
    """Some points of a file: those of the wanted classes, (k,) each [units of the file], and how many of each class
    there were, withheld and synthetic ones among them, (256,)."""

    east: Floats
    north: Floats
    height: Floats
    classes: Integers


def read_points(path: str, classes: Collection[int], *, where: str) -> Iterator[LasPoints]:
    """Points of a file, piece after piece; withheld and synthetic ones are left out.

    Raises
    ------
    InputError
        Cut off or corrupt, or no longer there.
    """
    checked = check_path(path, where=where)
    laspy = _library(path, where, compressed=_check_head(checked, where))
    wanted = np.zeros(256, dtype=bool)
    wanted[list(classes)] = True
    fields = laspy.DecompressionSelection.base().decompress_z().decompress_classification().decompress_flags()
    with (
        checked.open("rb") as file,
        _reading(path, where),
        laspy.open(file, closefd=False, read_evlrs=False, decompression_selection=fields) as reader,
    ):
        header, read = reader.header, 0
        for points in reader.chunk_iterator(max(CHUNK_BYTES // header.point_format.size, 1)):
            read += len(points)
            yield _wanted(points, wanted, header)
        if read != header.point_count:
            raise InputError(_cut_off(path, where, f"{read} points of {header.point_count}"))


def _wanted(points: Any, wanted: NDArray[np.bool_], header: Any) -> LasPoints:
    kind = np.asarray(points.classification)
    keep = wanted[kind] & ~np.asarray(points.withheld, dtype=bool) & ~np.asarray(points.synthetic, dtype=bool)
    east, north, height = (
        np.asarray(steps)[keep] * scale + offset
        for steps, scale, offset in zip((points.X, points.Y, points.Z), header.scales, header.offsets, strict=True)
    )
    return LasPoints(east, north, height, np.bincount(kind, minlength=256))


# ---------------------------------------------------------------- guards


def _library(path: str, where: str, *, compressed: bool) -> ModuleType:
    try:
        laspy = import_module("laspy")
    except ImportError:
        raise InputError(Fault(where, f"{path} holds lidar points; what reads them is not here", "", INSTALL)) from None
    if compressed and not laspy.LazBackend.detect_available():
        raise InputError(Fault(where, f"{path} is compressed; what unpacks it is not here", "", INSTALL))
    return laspy


@contextmanager
def _reading(path: str, where: str) -> Iterator[None]:
    """Whatever the reader raises means that the file is not what it says; a panic of the unpacker is no Exception."""
    try:
        yield
    except InputError:
        raise
    except BaseException as error:
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise InputError(_cut_off(path, where, str(error) or type(error).__name__)) from None


def _cut_off(path: str, where: str, why: str) -> Fault:
    return Fault(where, f"{path} is cut off or corrupt ({why})", "", "copy the file anew")


def _check_head(path: Path, where: str) -> bool:
    """Refuse what is not LAS, and what is shorter than it says; gives whether the points are compressed."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(375)
        if not head.startswith(b"LASF"):
            raise InputError(
                Fault(where, f"{path} does not begin like a LAS file", "LAS, LAZ", "name the points' file")
            )
        if len(head) < 227:
            raise InputError(_cut_off(str(path), where, f"{size} bytes"))
        begin, records, kind, length, count = struct.unpack_from("<IIBHI", head, 96)
        end, compressed = max(begin, 54 * records), bool(kind & 0xC0)
        if head[25] >= 4 and len(head) == 375:
            extra, extras, count = struct.unpack_from("<QIQ", head, 235)
            end = max(end, extra + 60 * extras if extras else 0)
        if not compressed:
            end = max(end, begin + count * length)
        elif count:
            end = max(end, _table_end(file, begin, size))
    if end > size:
        raise InputError(_cut_off(str(path), where, f"{size} bytes, {end} stated"))
    return compressed


def _table_end(file: BinaryIO, begin: int, size: int) -> int:
    """Least end of the table that says where compressed points stand; it is made room for by what it says of itself.

    Its place stands before the points, or at the end of the file where that was not known in time (-1). A piece of
    points takes LEAST_PIECE bytes at least, so their number is bounded by the file's size.
    """
    if begin + 8 > size:
        return begin + 8
    file.seek(begin)
    table = int(struct.unpack("<q", file.read(8))[0])
    if table == -1:
        file.seek(size - 8)
        table = int(struct.unpack("<q", file.read(8))[0])
    if not begin + 8 <= table <= size - 8:
        return max(size + 1, table + 8)
    file.seek(table + 4)
    pieces = int(struct.unpack("<I", file.read(4))[0])
    return max(table + 8, begin + 8 + LEAST_PIECE * pieces)


# ---------------------------------------------------------------- CRS


def _crs_of(header: Any) -> tuple[str, str]:
    """CRS of the records, as text for `read_crs`, and the unit of heights where it stands beside it."""
    records = [*header.vlrs, *(header.evlrs or [])]
    texts = [record.string.strip() for record in records if type(record).__name__ == "WktCoordinateSystemVlr"]
    if any(texts):
        return next(filter(None, texts)), ""
    found = [record.geo_keys for record in records if type(record).__name__ == "GeoKeyDirectoryVlr"]
    keys = {key.id: key.value_offset for group in found[:1] for key in group if key.tiff_tag_location == 0}
    return _crs_of_keys(keys)


def _crs_of_keys(keys: dict[int, int]) -> tuple[str, str]:
    """The same of GeoTIFF keys; codes that are not EPSG's (32767, and those before 1024) say nothing.

    Where the vertical CRS and the key of its unit contradict each other, neither counts: the job must say it.

    Examples
    --------
    >>> _crs_of_keys({3072: 2263, 4096: 6360}), _crs_of_keys({3072: 2263, 4096: 5103, 4099: 9003})
    (('EPSG:2263+6360', ''), ('EPSG:2263', 'us-ft'))
    """
    flat = next((keys[key] for key in (3072, 2048) if 1024 <= keys.get(key, 0) <= 32766), None)
    if flat is None:
        return "", ""
    unit, upright = KEY_UNITS.get(keys.get(VERTICAL_UNIT, 0), ""), keys.get(VERTICAL_CRS, 0)
    own = ""
    if 1024 <= upright <= 32766:
        try:
            own = vertical_unit_of(read_crs(f"EPSG:{upright}", where="crs")) or ""
        except InputError:
            own = ""
    if own and unit not in ("", own):
        return f"EPSG:{flat}", ""
    return (f"EPSG:{flat}+{upright}", "") if own else (f"EPSG:{flat}", unit)

"""GeoTIFF files, opened by the one driver that may: the guard of rasters."""

from __future__ import annotations

import os
import stat
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from geoadjust.io.safe import check_path, check_sidecars, head_of, kind_of, refusal

if TYPE_CHECKING:
    import rasterio

RASTER_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_MOST_BLOCKS = 4096


def open_raster(path: str | os.PathLike[str], *, where: str) -> rasterio.DatasetReader:
    """Open a GeoTIFF (a cloud-optimised one too), read only, with the GTiff driver and no other.

    A raster without a place on the earth is opened without a warning: look at ``crs`` and ``transform``.

    Raises
    ------
    InputError
        Refused by `check_path`; no TIFF (a virtual raster named .tif, say); cut off or corrupt; values whose meaning
        stands only in an ``.aux.xml``, which is not read.
    """
    checked = check_path(path, where=where)
    if not head_of(str(checked), where).startswith(RASTER_MAGIC):
        raise refusal(where, f"{checked} does not begin like a TIFF", "GeoTIFF", "convert it to GeoTIFF")
    check_sidecars(checked, where)
    import rasterio

    try:
        dataset = _open_tiff(checked)
        fault = _cut_off(dataset, checked.stat().st_size) or _left_aside(dataset, checked, where)
    except (rasterio.errors.RasterioError, rasterio._err.CPLE_BaseError, OSError, ValueError) as error:
        raise refusal(where, f"{checked} cannot be read as GeoTIFF: cut off or corrupt ({error})") from None
    if fault:
        dataset.close()
        raise refusal(where, f"{checked} {fault}")
    return dataset


def _open_tiff(path: Path) -> rasterio.DatasetReader:
    import rasterio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        return rasterio.open(path, driver="GTiff")


def _cut_off(dataset: rasterio.DatasetReader, size: int) -> str:
    """Says so where a block lies beyond the end of the file; of very many blocks, evenly spread ones are looked at."""
    height, width = dataset.block_shapes[0]
    across, down = -(-dataset.width // width), -(-dataset.height // height)
    step = max(1, across * down // _MOST_BLOCKS)
    numbers = [*range(0, across * down, step), across * down - 1]
    for band in {1, dataset.count}:
        for number in numbers:
            end = _block_end(dataset, band, f"{number % across}_{number // across}")
            if end > size:
                return f"is cut off: {size} bytes, a block ends at byte {end}"
    return ""


def _block_end(dataset: rasterio.DatasetReader, band: int, place: str) -> int:
    """First byte after a block; 0 for a block that is not stored (a gap of a sparse file)."""
    start, length = (dataset.get_tag_item(f"BLOCK_{what}_{place}", "TIFF", bidx=band) for what in ("OFFSET", "SIZE"))
    return int(start or 0) + int(length or 0)


def _left_aside(dataset: rasterio.DatasetReader, path: Path, where: str) -> str:
    """Says so where an .aux.xml (not read) states a nodata value, scale or offset that the TIFF itself does not."""
    aside = path.with_name(path.name + ".aux.xml")
    if not aside.exists() or not stat.S_ISREG(kind_of(str(aside), where)):
        return ""
    text = head_of(str(aside), where, 2**20)
    plain = {b"<NoDataValue": dataset.nodata is None, b"<Scale>": set(dataset.scales) == {1.0}}
    plain[b"<Offset>"] = set(dataset.offsets) == {0.0}
    stated = [name.decode().strip("<>") for name, absent in plain.items() if absent and name in text]
    return f"has its {', '.join(stated)} only in {aside.name}, which is not read: write it into the TIFF" * bool(stated)

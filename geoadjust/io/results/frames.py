"""Tables of an output set as frames, for people who go on with them in Python."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded
from geoadjust.io.results.columns import TABLES

if TYPE_CHECKING:
    import geopandas
    import pandas

FILE = "schedule.gpkg"
STATIONS = 16


def read_layer(folder: Path) -> geopandas.GeoDataFrame:
    """The layer `schedule`: one row per row of the input, its figures, then the columns of the input."""
    import pyogrio

    return pyogrio.read_dataframe(folder / FILE, layer="schedule", fid_as_index=False)


def read_table(folder: Path, name: str) -> pandas.DataFrame:
    """One of the other tables, as it is stored; the rows of a structure stand together."""
    import pyogrio

    found: pandas.DataFrame = pyogrio.read_dataframe(folder / FILE, layer=name, read_geometry=False)
    return found[[each.name for each in TABLES[name]]]


def long_ordinates(wide: pandas.DataFrame) -> pandas.DataFrame:
    """Ordinates in long form: a row for each station of each chimney.

    Parameters
    ----------
    wide : the table `ordinates`; `k` stations stand in the first `k` of its columns of heights

    Returns
    -------
    DataFrame
        row, structure_id, basis; station 1 ... k, clockwise from the mark; turn_deg from the mark, clockwise [deg];
        height_mm [mm]. Rows of one structure stand together, in the order of their stations.
    """
    import numpy as np

    columns = [f"h{station:02d}_mm" for station in range(1, STATIONS + 1)]
    count = wide["k"].to_numpy()
    there = np.arange(STATIONS) < count[:, None]
    kept = wide.loc[wide.index.repeat(count), ["row", "structure_id", "basis"]].reset_index(drop=True)
    kept["station"] = np.nonzero(there)[1] + 1
    kept["turn_deg"] = (kept["station"] - 1) * 360.0 / np.repeat(count, count)
    kept["height_mm"] = wide[columns].to_numpy(dtype=float)[there]
    return kept

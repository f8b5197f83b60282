"""Structures of a LandXML file's pipe networks as a layer: columns with names of ours, and points."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.io.landxml.structs import Structs, read_structs

Floats = NDArray[np.float64]

NUMBERS = ("elev_rim", "elev_sump", "diameter", "length", "width")
FIELDS = ("name", "network", "kind", "struct_type", *NUMBERS, "desc", "state", "inlet_case", "material")
USUAL = {"id": "name", "rim": "elev_rim"}
"""Our columns -> theirs, where the job does not say otherwise. The sump is no bearing and is never used."""


@lru_cache(maxsize=2)
def network_of(path: str, fingerprint: str, where: str) -> Structs:
    """The structures of a file; read once in a process as long as the file is the same.

    Raises
    ------
    InputError
        as `read_structs`
    """
    return read_structs(path, where=where)


def network_rows(structs: Structs) -> tuple[pa.Table, Floats, Floats, Floats, NDArray[np.int64]]:
    """Attributes FIELDS, and east, north, elevation (n,) of the centres with the number of their points, 0 or 1.

    A column with values that are no numbers is one of texts, so that those of its rows can be flagged as in any other
    layer. A structure that is an inlet is of kind inlet; no other word of the schema says a kind of ours.
    """
    columns = {
        "name": structs.name,
        "network": structs.network,
        "kind": ["inlet" if kind == "inlet" else "" for kind in structs.kind],
        "struct_type": structs.kind,
        **{name: _numbers(getattr(structs, name), structs.unread.get(name, {})) for name in NUMBERS},
        "desc": structs.desc,
        "state": structs.state,
        "inlet_case": structs.case,
        "material": structs.material,
    }
    there = np.isfinite(structs.east) & np.isfinite(structs.north)
    east, north = np.where(there, structs.east, np.nan), np.where(there, structs.north, np.nan)
    return pa.table(columns), east, north, structs.elevation, there.astype(np.int64)


def _numbers(values: Floats, unread: dict[int, str]) -> pa.Array:
    if not unread:
        return pa.array(values, from_pandas=True)
    return pa.array(
        [unread.get(row, "" if np.isnan(value) else repr(value)) for row, value in enumerate(values.tolist())]
    )

"""What an output set holds of some structures, as the core's bundles. Places 0, 1, ... stand for the rows asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.blank import blank
from geoadjust.core.columns import (
    RIM_BASES,
    Bars,
    Chimneys,
    Pavings,
    Reasons,
    RoadModels,
    Structures,
    Uncertainties,
    quantities_of,
)
from geoadjust.core.flags import CODES
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.measured import Planned
from geoadjust.core.rim import Roads
from geoadjust.io.results.bundles import read_bundle, read_lines
from geoadjust.io.results.columns import MODELS
from geoadjust.io.results.whole import WholeSet

Floats = NDArray[np.float64]


def read_marks(whole: WholeSet, rows: Sequence[int]) -> Floats:
    """Azimuth of the mark [rad], (n,); NaN = none."""
    return np.array([line[0] for line in read_lines(whole, "models", ["rims_mark"], rows)], dtype=float)


def read_structures(whole: WholeSet, rows: Sequence[int]) -> Structures:
    """The structures as they were taken in."""
    read = read_bundle(whole, "structures", Structures, rows)
    names = [rules.name for rules in whole.rule_sets]
    lines = read_lines(whole, "schedule", ["rule_set", "method", "rim_basis"], rows)
    basis = [RIM_BASES.index(line[2] or "none") for line in lines]
    return replace(
        read,
        row=np.arange(len(rows)),
        rule_set=np.array([names.index(line[0]) for line in lines], dtype=np.int64),
        other_owner=np.array([line[1] == "other_owner" for line in lines], dtype=bool),
        claimed_basis=np.array(basis, dtype=np.int8),
    )


def read_roads(whole: WholeSet, rows: Sequence[int]) -> Roads:
    """The three roads; what is stored of the existing one alone holds for the others too."""
    existing = read_bundle(whole, "existing", RoadModels, rows)
    milled, finished = (_like(existing, whole, name, rows) for name in ("milled", "finished"))
    n = len(rows)
    return Roads(existing, milled, finished, blank(Bars, n), read_bundle(whole, "pavings", Pavings, rows))


def _like(existing: RoadModels, whole: WholeSet, name: str, rows: Sequence[int]) -> RoadModels:
    stored = {column.source.partition(".")[2] for column in MODELS if column.source.startswith(f"{name}.")}
    read = read_bundle(whole, name, RoadModels, rows)
    return replace(existing, **{each: getattr(read, each) for each in quantities_of(RoadModels) if each in stored})


def read_planned(whole: WholeSet, rows: Sequence[int]) -> Planned:
    """The chimneys as they were planned, and how well they were known."""
    chimneys = read_bundle(whole, "chimneys", Chimneys, rows)
    known = read_bundle(whole, "uncertainties", Uncertainties, rows)
    return Planned(chimneys.height, known.chimney_sd, chimneys.tilt_east, chimneys.tilt_north, known.slope_sd)


def read_reasons(whole: WholeSet, rows: Sequence[int]) -> Reasons:
    """Reasons of the plan; their rows are places."""
    found: list[tuple[float, ...]] = []
    query = 'SELECT code, value, "limit", text FROM reasons WHERE "row" = ? ORDER BY fid'
    for place, row in enumerate(rows):
        for code, value, limit, text in whole.database.execute(query, (int(row),)):
            word = str(text).partition(" ")[0]
            subject = INPUT_NAMES.index(word) if word in INPUT_NAMES else -1
            found.append((place, CODES[code], *(np.nan if x is None else x for x in (value, limit)), subject))
    row_, code_, value_, limit_, subject_ = np.array(found, dtype=float).reshape(-1, 5).T
    return Reasons(
        row=row_.astype(np.int64),
        code=code_.astype(np.int16),
        value=value_,
        limit=limit_,
        subject=subject_.astype(np.int16),
    )

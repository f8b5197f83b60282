"""Makers of bundles for all tests: every field has a harmless value, so that a test says only what it is about.

The makers know the bundles' fields and nothing of the formulas under test. Session-wide, because hypothesis calls a
test many times with one fixture.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import pytest

from geoadjust.core import flags
from geoadjust.core.columns import Bars, Chimneys, Pavings, Reasons, Rims, RoadModels, Stacks, Structures, Verdicts
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.plan import Plan, plan_roads
from geoadjust.core.rim import Roads
from geoadjust.core.ring import Ring, grid_stencil, patch_half
from geoadjust.core.rules import RuleSet
from geoadjust.core.surface import GridSurface

NAN = float("nan")

STRUCTURE = {
    "rule_set": 0,
    "kind": 0,
    "other_owner": False,
    "paved": -1,
    "area_edge": NAN,
    "axis": 0.0,
    "axis_source": 0,
    "convergence": 0.0,
    "crown_offset": NAN,
    "street_side": NAN,
    "claimed_basis": 1,
    "rim": NAN,
    "gap": NAN,
    "bearing": NAN,
    "bearing_slope_east": 0.0,
    "bearing_slope_north": 0.0,
    "measure_down": NAN,
    "measure_down_from": -1,
    "existing_chimney": NAN,
    "existing_rings": NAN,
    "riser_present": -1,
    "chimney_condition": -1,
    "casting": -1,
    "recast": False,
    "size_known": True,
    "casting_height": 0.2,
    "new_casting_height": 0.2,
    "old_flange_diameter": 0.9,
    "flange_diameter": 0.9,
    "flange_length": NAN,
    "frame_top_diameter": 0.66,
    "frame_top_length": NAN,
    "frame_azimuth": 0.0,
    "flange_inside_diameter": NAN,
    "ridge_diameter": NAN,
    "bearing_outside_diameter": NAN,
    "bearing_inside_diameter": NAN,
    "seat_diameter": NAN,
    "floating": False,
    "travel": NAN,
    "mill": 0.0,
    "overlay": 0.0,
}
ROAD = {
    "height": 100.0,
    "slope_east": 0.0,
    "slope_north": 0.0,
    "fold": 0.0,
    "fold_azimuth": 0.0,
    "fold_offset": 0.0,
    "rms": 0.001,
    "scale": 0.006,
    "noise": 0.001,
    "samples": 400,
    "left_out": 0,
    "pattern": 400,
    "coverage": 1.0,
    "spacing": 0.1,
    "widened": False,
    "source": 0,
}


def _column(value: Any, n: int) -> np.ndarray:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value), n)).copy()


def _structures(n: int = 1, **fields: Any) -> Structures:
    """n manholes on the axis north, rim unknown (so taken as flush), nothing else known but the casting."""
    fields.setdefault("row", np.arange(n))
    if "casting_height" in fields:
        fields.setdefault("new_casting_height", fields["casting_height"])
    return Structures(**{name: _column(value, n) for name, value in {**STRUCTURE, **fields}.items()})


def _roads(n: int = 1, **fields: Any) -> RoadModels:
    """n well-fitted level roads at 100 m."""
    shape = np.where(_column(fields.get("fold", 0.0), n) != 0, 1, 0)
    fields.setdefault("shape", np.where(_column(fields.get("source", 0), n) < 0, -1, shape))
    covariance = fields.pop("covariance", np.diag([1e-8, 1e-8, 1e-8]))
    values = {name: _column(value, n) for name, value in {**ROAD, **fields}.items()}
    return RoadModels(covariance=np.broadcast_to(covariance, (n, 3, 3)).copy(), **values)


def _no_roads(n: int = 1, **fields: Any) -> RoadModels:
    """n places where no road could be fitted."""
    blank = dict.fromkeys(("height", "slope_east", "slope_north", "rms", "scale", "noise"), NAN)
    empty = {"samples": 0, "coverage": 0.0, "source": -1, "covariance": np.full((3, 3), NAN)}
    return _roads(n, **{**blank, **empty, **fields})


def _bars(n: int = 1, height: Any = NAN, slope: Any = NAN, first: Any = 0.0) -> Bars:
    """n x 8 bars; the first one lies along `first`."""
    azimuth = _column(first, n)[:, None] + np.arange(8) * (np.pi / 8)
    height, slope = (np.broadcast_to(np.asarray(item, dtype=float), (n, 8)).copy() for item in (height, slope))
    return Bars(height=height, slope=slope, azimuth=azimuth)


def _grid(z: Any, n: int = 1, cell: float = 0.1, column: Any = 0.0, row: Any = 0.0, ring: Ring | None = None):
    """Patches of the north-up raster of z(east, north) [m], each cover `column`, `row` cells off its middle cell.

    z gets arrays (n, p, p) of offsets from the covers' centres and may return NaN.
    """
    ring = ring or Ring()
    cells = np.broadcast_to(np.array([[1 / cell, 0.0], [0.0, -1 / cell]]), (n, 2, 2)).copy()
    column, row = _column(column, n).astype(float), _column(row, n).astype(float)
    half = patch_half(cells, ring)
    down, right = np.mgrid[-half : half + 1, -half : half + 1]
    east = cell * (right - column[:, None, None])
    north = -cell * (down - row[:, None, None])
    heights = np.ascontiguousarray(np.broadcast_to(z(east, north), east.shape), dtype=float)
    return GridSurface(heights, column, row, cells, stencil=grid_stencil(cells, ring), step=cell)


@dataclass
class Found:
    """All that the steps after the road found, and what they were given."""

    roads: Roads
    plan: Plan
    verdicts: Verdicts = field(init=False)
    reasons: Reasons = field(init=False)
    rims: Rims = field(init=False)
    chimneys: Chimneys = field(init=False)
    stacks: Stacks = field(init=False)

    def __post_init__(self) -> None:
        for name in ("verdicts", "reasons", "rims", "chimneys", "stacks"):
            setattr(self, name, getattr(self.plan, name))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.plan, name)

    def notes(self, row: int = 0) -> dict[str, tuple[float, float]]:
        """Code to value and limit of one row; a code that stands twice is an error."""
        notes = {}
        for index in np.flatnonzero(self.reasons.row == row):
            code = flags.FLAGS[self.reasons.code[index]].code
            assert code not in notes, f"{code} stands twice"
            notes[code] = (float(self.reasons.value[index]), float(self.reasons.limit[index]))
        return notes


def _found(
    structures: Structures,
    existing: RoadModels | None = None,
    finished: RoadModels | None = None,
    *,
    milled: RoadModels | None = None,
    bars: Bars | None = None,
    rules: RuleSet | None = None,
    catalogue: Catalogue | None = None,
    setting: Setting | None = None,
    paving_off: np.ndarray | None = None,
) -> Found:
    """The plan of structures on given roads; milled = existing - mill, finished = milled + overlay."""
    existing = existing if existing is not None else _roads(len(structures))
    if milled is None:
        milled = replace(existing, height=existing.height - structures.mill)
    if finished is None:
        finished = replace(milled, height=milled.height + structures.overlay)
    pavings = Pavings(np.full(len(structures), np.nan) if paving_off is None else paving_off)
    roads = Roads(existing, milled, finished, bars or _bars(len(structures)), pavings)
    setting = setting or Setting(Ring(), rough=0.010)
    return Found(roads, plan_roads(structures, roads, rules or RuleSet(), catalogue or Catalogue(), setting))


@pytest.fixture(scope="session")
def make_structures():
    """make_structures(n=1, **fields): Structures; fields are numbers or (n,)."""
    return _structures


@pytest.fixture(scope="session")
def make_roads():
    """make_roads(n=1, **fields): RoadModels."""
    return _roads


@pytest.fixture(scope="session")
def make_no_roads():
    """make_no_roads(n=1, **fields): RoadModels of places without a road."""
    return _no_roads


@pytest.fixture(scope="session")
def make_bars():
    """make_bars(n=1, height, slope, first): Bars."""
    return _bars


@pytest.fixture(scope="session")
def make_grid():
    """make_grid(z, n=1, cell=0.1, column, row, ring): GridSurface of z(east, north)."""
    return _grid


@pytest.fixture(scope="session")
def find():
    """find(structures, existing, finished, milled=, bars=, rules=, catalogue=, setting=): everything after the road."""
    return _found


@pytest.fixture(scope="session")
def make_bundle():
    """make_bundle(kind, n=1, **fields): any bundle of (n,) zeros; give the wider fields yourself."""

    def make(kind: type, n: int = 1, **given: Any):
        return kind(**{item.name: _column(given.get(item.name, 0.0), n) for item in fields(kind)})

    return make

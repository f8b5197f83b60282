"""What a set holds about one structure, in SI units; NaN where it holds nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geoadjust.core.parts import Catalogue, LinerPart, RingPart
from geoadjust.core.rules import RuleSet

FACTORS = {"mm": 1e-3, "m": 1.0, "pct": 1e-2, "deg": math.pi / 180}
NAN = math.nan


@dataclass(frozen=True, slots=True)
class Plane:
    """Height at the centre [m] and slopes [m/m]."""

    height: float
    east: float
    north: float


@dataclass(frozen=True, slots=True)
class Road:
    """A road model: a plane, and a fold where `fold` is not 0 (see `core.columns.RoadModels`)."""

    plane: Plane
    fold: float
    azimuth: float
    offset: float


@dataclass(frozen=True, slots=True)
class Outline:
    """A circle of diameter `width`, or a rectangle; `length` NaN = round. Metres, radians."""

    width: float
    length: float
    azimuth: float

    @property
    def round(self) -> bool:
        """Whether it is a circle."""
        return math.isnan(self.length)


@dataclass(frozen=True, slots=True)
class Facts:
    """One structure of a set. Rows are as stored; `settings` are the job's tables, `units` us or metric."""

    folder: str
    version: str
    units: str
    foot: str
    schedule: Mapping[str, Any]
    models: Mapping[str, Any]
    ordinates: Mapping[str, Any]
    stack_parts: Sequence[Mapping[str, Any]]
    reasons: Sequence[Mapping[str, Any]]
    rules: RuleSet
    catalogue: Catalogue
    settings: Mapping[str, Any]

    def value(self, column: str) -> float:
        """A published figure of the schedule [SI]; NaN where it is empty."""
        found = self.schedule[column]
        return NAN if found is None else float(found) * FACTORS.get(column.rsplit("_", 1)[-1], 1.0)

    def ordinate(self, column: str) -> float:
        """A figure of the structure's ordinates [SI]."""
        found = self.ordinates.get(column)
        return NAN if found is None else float(found) * FACTORS.get(column.rsplit("_", 1)[-1], 1.0)

    def text(self, column: str) -> str:
        """A published text; empty where there is none."""
        return str(self.schedule[column] or "")

    def model(self, name: str) -> float:
        """An inner figure `bundle_field` [SI]."""
        found = self.models[name]
        return NAN if found is None else float(found)

    def stated(self, name: str) -> float:
        """The same, 0 where it is not known."""
        found = self.model(name)
        return found if math.isfinite(found) else 0.0

    def index(self, name: str) -> int:
        """An inner word or index; -1 = none."""
        found = self.model(name)
        return int(found) if math.isfinite(found) else -1

    def yes(self, name: str) -> bool:
        """An inner yes or no."""
        return self.index(name) == 1

    def road(self, name: str) -> Road:
        """The road `existing`, `milled` or `finished`."""
        height, east, north, *fold = (
            self.model(f"{name}_{part}")
            for part in ("height", "slope_east", "slope_north", "fold", "fold_azimuth", "fold_offset")
        )
        return Road(Plane(height, east, north), *fold)

    @property
    def frame(self) -> Outline:
        """Outline of the frame's top."""
        return Outline(self.model("structures_frame_top_diameter"), self.model("structures_frame_top_length"), self._to)

    @property
    def flange(self) -> Outline:
        """Outline of the flange."""
        return Outline(self.model("structures_flange_diameter"), self.model("structures_flange_length"), self._to)

    @property
    def _to(self) -> float:
        """Direction of a rectangle's length: as stated, else the street axis, else north."""
        known = (self.model("structures_frame_azimuth"), self.value("axis_deg"), 0.0)
        return next(each for each in known if math.isfinite(each))

    @property
    def today(self) -> Plane:
        """Plane of today's rim."""
        return self._plane("existing_rim_m", "rims_existing_slope")

    @property
    def target(self) -> Plane:
        """Plane of the target rim."""
        return self._plane("target_rim_m", "rims_target_slope")

    @property
    def planned(self) -> Plane:
        """Plane of the cover as the method leaves it."""
        return Plane(*(self.model(f"results_{name}") for name in ("height", "slope_east", "slope_north")))

    def _plane(self, height: str, slope: str) -> Plane:
        return Plane(self.value(height), self.model(f"{slope}_east"), self.model(f"{slope}_north"))

    @property
    def outside(self) -> bool:
        """Outside the paving."""
        return self.model("structures_paved") == 0

    @property
    def axis_known(self) -> bool:
        """There is a street axis."""
        return math.isfinite(self.value("axis_deg"))

    @property
    def finished_table(self) -> Mapping[str, Any]:
        """The job's first [finished] table; empty where it has none."""
        tables = self.settings.get("finished") or [{}]
        return tables[0]  # type: ignore[no-any-return]

    @property
    def design(self) -> bool:
        """The finished road is a surface of its own: a design, or a survey after paving."""
        return bool(self.finished_table.get("path")) or self.apart

    @property
    def apart(self) -> bool:
        """The finished road was read from another surface than the road of today."""
        return self.index("finished_source") != self.index("existing_source")

    @property
    def surface_tables(self) -> list[tuple[str, Mapping[str, Any]]]:
        """Tables of the job's surfaces in the order in which they are counted, with the keys that they stand under."""
        roles = ("surface", "finished", "paved")
        return [(key, table) for key in roles for table in self.settings.get(key) or [] if table.get("path")]

    def surface_table(self, role: str) -> tuple[str, Mapping[str, Any]] | None:
        """Key and table of the surface that a road was read from."""
        tables, index = self.surface_tables, self.index(f"{role}_source")
        return tables[index] if 0 <= index < len(tables) else None

    @property
    def profiled(self) -> bool:
        """The milled road follows a profile."""
        placed = self.axis_known and math.isfinite(self.model("structures_crown_offset"))
        return self.finished_table.get("cross_slope") is not None and placed and not self.outside

    @property
    def method(self) -> str:
        """How the casting is brought to grade."""
        return self.text("method")

    @property
    def stacked(self) -> bool:
        """A chimney is built by calculation."""
        return self.text("kind") in ("manhole", "handhole") and not self.yes("structures_floating")

    def flagged(self, *codes: str) -> list[Mapping[str, Any]]:
        """Reasons of these codes."""
        return [reason for reason in self.reasons if reason["code"] in codes]

    def ring(self, name: str) -> RingPart:
        """A ring of the catalogue."""
        return next(part for part in self.catalogue.ring if part.id == name)

    def liner(self, name: str) -> LinerPart:
        """A liner of the catalogue."""
        return next(part for part in self.catalogue.liner if part.id == name)

"""A result: its tables as frames, its drawings, its explanations."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoadjust.api.drawing import Drawing
from geoadjust.io.results.frames import long_ordinates, read_layer, read_table
from geoadjust.io.results.sets import read_set
from geoadjust.run.draw import draw_chimney, draw_structures_of
from geoadjust.run.explain import explain_structure

if TYPE_CHECKING:
    import geopandas
    import pandas


class Schedule:
    """An output set, as `geoadjust.schedule` makes it and `geoadjust.open_set` opens it.

    Units stand in the columns' names: `_mm` [mm], `_m` [m], `_pct` [%], `_deg` [degrees]. `row` is the 0-based row of
    the input and joins all frames; an id may be blank or stand twice. Frames are read when they are first asked for,
    and kept.

    Parameters
    ----------
    folder : the output set
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self.record: Mapping[str, Any] = read_set(self.folder)

    @property
    def counts(self) -> Mapping[str, Mapping[str, int]]:
        """How many structures have which method, severity, readiness and flag."""
        return {name: self.record["counts"][name] for name in ("method", "severity", "ready", "flags")}

    @property
    def findings(self) -> tuple[str, ...]:
        """What was found over the whole run, in words."""
        return tuple(self.record["findings"])

    @cached_property
    def structures(self) -> geopandas.GeoDataFrame:
        """One row per row of the input: figures, flags, then the columns of the input; geometry: its point."""
        return read_layer(self.folder)

    @cached_property
    def ordinates(self) -> pandas.DataFrame:
        """Heights round each chimney, long: row, structure_id, basis, station, turn_deg, height_mm."""
        return long_ordinates(read_table(self.folder, "ordinates"))

    @cached_property
    def stack(self) -> pandas.DataFrame:
        """Parts of each chimney from the bearing up, long: row, structure_id, position, policy, kind, part, ..."""
        return read_table(self.folder, "stack_parts")

    @cached_property
    def reasons(self) -> pandas.DataFrame:
        """Why a structure is flagged, long: row, structure_id, code, severity, value, limit, unit, text."""
        return read_table(self.folder, "reasons")

    @cached_property
    def models(self) -> pandas.DataFrame:
        """What the figures were computed from: the road's planes, standard deviations, readings, in SI units."""
        return read_table(self.folder, "models")

    def frames(self) -> dict[str, pandas.DataFrame]:
        """Every table by its name."""
        return {"structures": self.structures, **{name: getattr(self, name) for name in FRAMES}}

    def explain(self, structure_id: str | None = None, *, row: int | None = None) -> str:
        """The whole computation of one structure as text.

        Raises
        ------
        InputError
            no such structure, or several of that id: give its row
        """
        return explain_structure(self.folder, structure_id, row=row)

    def plot(self, structure_id: str | None = None, *, row: int | None = None, street: str | None = None) -> Drawing:
        """The chimney of one structure; or the structures of one street; or, with nothing, all of them.

        Parameters
        ----------
        structure_id, row : of one structure: section, plan and the unrolled top
        street : as in the column `street`: plan, and the raise of each structure

        Raises
        ------
        InputError
            no such structure or street
        """
        if structure_id is None and row is None:
            return Drawing(draw_structures_of(self.folder, street))
        return Drawing(draw_chimney(self.folder, structure_id, row=row))

    def __len__(self) -> int:
        return sum(self.counts["method"].values())

    def __repr__(self) -> str:
        methods = ", ".join(f"{name} {count}" for name, count in _sorted(self.counts["method"]))
        return f"<Schedule of {len(self)} structures: {methods}>"

    def _repr_html_(self) -> str:
        """What a notebook shows: counts, findings, and that this is no approval."""
        rows = "".join(
            f"<tr><th>{name}</th><td>{escape(', '.join(f'{word} {count}' for word, count in _sorted(found)))}</td></tr>"
            for name, found in self.counts.items()
        )
        notes = "".join(f"<li>{escape(text)}</li>" for text in self.findings)
        return (
            f"<div><b>{len(self)} structures</b> in {escape(str(self.folder))}<table>{rows}</table><ul>{notes}</ul>"
            "<p>A plan, not an approval: measure on site before anything is cut.</p></div>"
        )

    def to_json(self) -> str:
        """Counts and findings as JSON."""
        return json.dumps({"structures": len(self), **self.counts, "findings": self.findings}, ensure_ascii=False)


FRAMES = ("ordinates", "stack", "reasons", "models")


def _sorted(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    return sorted(((name, count) for name, count in counts.items() if count), key=lambda each: (-each[1], each[0]))


def open_set(folder: str | Path) -> Schedule:
    """Open an output set that is there.

    Raises
    ------
    InputError
        no output set, or its files have changed
    """
    return Schedule(folder)

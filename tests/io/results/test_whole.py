"""Whole sets read back. Truth: the same tables by another reader (geopandas), and by plain SQL."""

from __future__ import annotations

import sqlite3

import geopandas
import numpy as np
import pytest

from geoadjust.errors import InputError
from geoadjust.io.results.read_back import read_structure
from geoadjust.io.results.whole import open_set
from geoadjust.run.demo import run_demo


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo") / "town"
    run_demo(place, overwrite=False, progress=lambda *_: None)
    return place / "out"


def test_columns_are_those_of_the_layer(folder):
    layer = geopandas.read_file(folder / "schedule.gpkg", layer="schedule")
    with open_set(folder) as whole:
        found = whole.columns("structure_id", "raise_mm", "east", "north", "method")
        assert whole.count == len(layer)
        assert whole.crs
    assert found["structure_id"] == layer["structure_id"].tolist()
    assert found["method"] == layer["method"].tolist()
    raises = np.array([np.nan if value is None else value for value in found["raise_mm"]])
    np.testing.assert_array_equal(raises, layer["raise_mm"].to_numpy())
    for name, there in (("east", layer.geometry.x), ("north", layer.geometry.y)):
        values = np.array([np.nan if value is None else value for value in found[name]])
        np.testing.assert_array_equal(values, there.to_numpy())
    assert None in found["east"]  # the demo has a structure without a place


def test_structures_in_any_order(folder):
    rows = [7, 0, 52, 7]
    with open_set(folder) as whole:
        found = list(whole.structures(rows))
        every = list(whole.structures())
    assert [one.schedule["row"] for one in found] == rows
    assert [one.schedule["row"] for one in every] == list(range(53))
    assert found[0] == found[3] == every[7] == read_structure(folder, row=7)


@pytest.mark.parametrize("table", ["stack_parts", "reasons", "ordinates"])
def test_every_line_of_a_table_belongs_to_its_structure(folder, table):
    database = sqlite3.connect(folder / "schedule.gpkg")
    wanted = dict(database.execute(f'SELECT "row", count(*) FROM {table} GROUP BY "row"').fetchall())
    database.close()
    with open_set(folder) as whole:
        for one in whole.structures():
            lines = getattr(one, table)
            lines = [lines] * bool(lines) if isinstance(lines, dict) else lines
            assert len(lines) == wanted.get(one.schedule["row"], 0)
            assert {line["row"] for line in lines} <= {one.schedule["row"]}


def test_a_row_that_is_not_there(folder):
    with open_set(folder) as whole, pytest.raises(InputError, match=r"no row 53 \(allowed: 0 to 52\)"):
        whole.structure(53)

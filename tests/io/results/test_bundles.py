"""Bundles and job rebuilt from a set. Truth: the tables by another reader (pandas), and the job itself."""

from __future__ import annotations

import sqlite3

import numpy as np
import pandas
import pytest

from geoadjust.core.columns import Chimneys, RoadModels, Structures
from geoadjust.io.jobfile import read_job
from geoadjust.io.results.bundles import read_bundle
from geoadjust.io.results.stored_job import stored_job
from geoadjust.io.results.whole import open_set
from geoadjust.process import plain
from geoadjust.run.demo import run_demo

ROWS = [41, 3, 17, 0]


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo") / "town"
    run_demo(place, overwrite=False, progress=lambda *_: None)
    return place


def tables(folder, name):
    database = sqlite3.connect(folder / "out" / "schedule.gpkg")
    found = pandas.read_sql(f"SELECT * FROM {name}", database, index_col="row").loc[ROWS]
    database.close()
    return found


def test_bundles_hold_what_the_tables_hold_in_the_order_that_was_asked_for(town):
    models, schedule = tables(town, "models"), tables(town, "schedule")
    with open_set(town / "out") as whole:
        roads = read_bundle(whole, "existing", RoadModels, ROWS)
        chimneys = read_bundle(whole, "chimneys", Chimneys, ROWS)
        structures = read_bundle(whole, "structures", Structures, ROWS)
    np.testing.assert_array_equal(roads.slope_east, models["existing_slope_east"])
    np.testing.assert_array_equal(roads.covariance[:, 0, 1], roads.covariance[:, 1, 0])
    np.testing.assert_allclose(1000 * chimneys.height, schedule["chimney_mm"].astype(float), atol=1e-6)
    assert len(structures) == len(ROWS)
    assert np.isfinite(roads.height).any()


def test_nothing_asked_for_is_nothing(town):
    with open_set(town / "out") as whole:
        assert len(read_bundle(whole, "existing", RoadModels, [])) == 0


def test_the_job_comes_back_but_for_folders(town):
    wanted = plain(read_job(town / "job.toml", {}, ()))
    with open_set(town / "out") as whole:
        found = plain(stored_job(whole))
    for key in ("rules", "ring"):
        assert found[key] == wanted[key]
    assert found["structures"]["dimension_unit"] == wanted["structures"]["dimension_unit"]
    assert found["finished"][0]["mill"] == wanted["finished"][0]["mill"]

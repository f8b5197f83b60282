"""GeoJSON read by pyogrio's GDAL and by json. Truth: the GeoPackage by sqlite3, pyproj for the degrees."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
from pyproj import CRS, Transformer

from geoadjust.errors import InputError
from geoadjust.io.exports.frame import frame_of
from geoadjust.io.exports.geojson import GeoJsonFacts, is_geojson, way_to_degrees, write_geojson
from geoadjust.io.results.columns import SCHEDULE
from geoadjust.io.results.whole import open_set
from tests.io.exports.conftest import make_covers, read_table


def export(folder: Path, path: Path) -> GeoJsonFacts:
    with open_set(folder) as whole:
        return write_geojson(whole, way_to_degrees(whole, frame_of(whole)), path)


@pytest.fixture(scope="module")
def path(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("json") / "schedule.geojson"
    export(demo, target)
    return target


def features_of(path: Path) -> list[dict[str, Any]]:
    def refuse(word: str) -> None:
        raise AssertionError(word)

    found = json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    assert found["type"] == "FeatureCollection"
    assert "crs" not in found  # RFC 7946, section 4
    return found["features"]


def test_places_are_pyprojs(demo: Path, path: Path) -> None:
    there = geopandas.read_file(demo / "schedule.gpkg", layer="schedule")
    wanted = Transformer.from_crs(there.crs, "EPSG:4326", always_xy=True).transform(there.geometry.x, there.geometry.y)
    found = geopandas.read_file(path)
    assert found.crs == "EPSG:4326"
    known = ~found.geometry.isna().to_numpy()
    assert known.sum() == np.isfinite(wanted[0]).sum() == len(found) - 1
    np.testing.assert_allclose(found.geometry.x[known], wanted[0][known], rtol=0, atol=6e-10)
    np.testing.assert_allclose(found.geometry.y[known], wanted[1][known], rtol=0, atol=6e-10)
    text = features_of(path)[0]["geometry"]["coordinates"]
    assert len(text) == 2
    assert -180 <= text[0] <= 180


def test_properties_are_the_layers(demo: Path, path: Path) -> None:
    names = [column.name for column in SCHEDULE]
    rows = read_table(demo, "schedule")
    found = features_of(path)
    assert [feature["id"] for feature in found] == [row["row"] for row in rows]
    assert [feature["properties"] for feature in found] == [{name: row[name] for name in names} for row in rows]


def test_names_come_out(hostile: Path, tmp_path: Path) -> None:
    export(hostile, tmp_path / "a.geojson")
    stored = [row["structure_id"] for row in read_table(hostile, "schedule")]
    assert [feature["properties"]["structure_id"] for feature in features_of(tmp_path / "a.geojson")] == stored
    assert geopandas.read_file(tmp_path / "a.geojson")["structure_id"].tolist() == stored


def test_another_datum_is_told(tmp_path: Path) -> None:
    """NAD83 to WGS 84 has a published operation; PROJ says how good it is."""
    folder = make_covers(tmp_path, ["a"], crs="EPSG:26917")
    facts = export(folder, tmp_path / "a.geojson")
    assert "NAD83" in facts.way
    assert facts.accuracy_m > 0
    begin = json.loads((tmp_path / "a.geojson").read_text())["geoadjust"]
    assert begin == {"way": facts.way, "accuracy_m": facts.accuracy_m}


def test_a_datum_that_nobody_vouches_for_is_refused(demo: Path) -> None:
    """An ellipsoid alone is no datum: PROJ has only a ballpark."""
    with open_set(demo) as whole:
        frame = replace(frame_of(whole), crs=CRS("+proj=utm +zone=17 +ellps=clrk66 +units=m +no_defs"))
        with pytest.raises(InputError, match=r"structures\.crs: no transformation of known accuracy"):
            way_to_degrees(whole, frame)


def test_ours_is_known(path: Path, tmp_path: Path) -> None:
    (tmp_path / "theirs.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    assert is_geojson(path)
    assert not is_geojson(tmp_path / "theirs.geojson")

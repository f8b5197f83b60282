"""Layers of lines and polygons: kinds by the codes of the standard, rows and columns as they stand, encodings."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from pyproj import CRS

from geoadjust.errors import InputError
from geoadjust.io.lines.shapes import LINES, POLYGONS, carry, check_kinds, layer_crs, read_shapes
from geoadjust.io.safe import probe_vector

UTM = CRS("EPSG:32617")
LONLAT = CRS("EPSG:4326")


def layer(path, geometries, columns=None, **options):
    columns = columns or {"a": list(range(len(geometries)))}
    geopandas.GeoDataFrame(columns, geometry=geometries, crs="EPSG:32617").to_file(path, **options)
    return probe_vector(path, where="x.path")


def wkb(code, order="little"):
    """Head of a geometry by its code in ISO 19125 / OGC 06-103r4: plain, + 1000 with Z, + 2000 with M, + 3000 both."""
    return bytes([order == "little"]) + code.to_bytes(4, order) + b"\0" * 8


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("more", [0, 1000, 2000, 3000])
def test_kinds_with_heights_and_measures_in_either_byte_order(tmp_path, order, more):
    facts = layer(tmp_path / "a.gpkg", [shapely.box(0, 0, 1, 1)])
    for allowed, codes in ((LINES, (2, 5)), (POLYGONS, (3, 6))):
        for code in range(1, 13):
            faults = check_kinds([wkb(code + more, order), None], facts, allowed, where="x", remedy="r")
            assert (not faults) == (code in codes)


def test_a_layer_of_other_things_says_what_and_how_many(tmp_path):
    facts = layer(tmp_path / "a.gpkg", [shapely.box(0, 0, 1, 1)])
    heads = [wkb(1), wkb(3), wkb(1), wkb(17)]
    (fault,) = check_kinds(heads, facts, POLYGONS, where="x.path", remedy="keep the polygons")
    assert "layer 'a'" in fault.what
    assert fault.what.endswith("holds 2 Point, 1 other geometries")
    assert (fault.where, fault.allowed, fault.remedy) == ("x.path", "Polygon, MultiPolygon", "keep the polygons")


@pytest.mark.parametrize("ending", [".gpkg", ".geojson", ".shp"])
def test_rows_keep_their_order_and_their_nulls(tmp_path, ending):
    shapes = [shapely.Point(3, 1), None, shapely.Point(1, 2)]
    facts = layer(tmp_path / f"a{ending}", shapes, {"a": [7, 8, 9], "b": ["x", "y", "z"]})
    found, cells = read_shapes(facts, where="x", columns=["b"])
    assert shapely.from_wkb(found).tolist() == shapes
    assert cells.column_names == ["b"]
    assert cells.column("b").to_pylist() == ["x", "y", "z"]
    assert read_shapes(facts, where="x")[1].num_columns == 0


@pytest.mark.parametrize(("stated", "readable"), [("CP1252", True), (None, True), ("UTF-8", False)])
def test_texts_of_a_shapefile_are_in_the_encoding_that_it_states(tmp_path, stated, readable):
    layer(tmp_path / "a.shp", [shapely.Point(0, 0)], {"mill": ["1½ in"]}, encoding="cp1252")
    (tmp_path / "a.cpg").unlink()
    if stated:
        (tmp_path / "a.cpg").write_text(stated)
    facts = probe_vector(tmp_path / "a.shp", where="x")
    if readable:
        assert read_shapes(facts, where="x", columns=["mill"])[1].column("mill").to_pylist() == ["1½ in"]
        return
    with pytest.raises(InputError, match=r"^x: .*UTF8"):
        read_shapes(facts, where="x", columns=["mill"])


def test_crs_of_the_file_or_of_the_job(tmp_path):
    facts = layer(tmp_path / "a.shp", [shapely.Point(0, 0)])
    assert layer_crs(facts, "", where="x.crs")[0].to_epsg() == 32617
    crs, (fault,) = layer_crs(facts, "EPSG:32618", where="x.crs")
    assert crs.to_epsg() == 32617
    assert (fault.where, "zone 18N" in fault.what, "zone 17N" in fault.what) == ("x.crs", True, True)
    (tmp_path / "a.prj").unlink()
    facts = probe_vector(tmp_path / "a.shp", where="x")
    assert layer_crs(facts, "EPSG:32618", where="x.crs")[0].to_epsg() == 32618
    crs, (fault,) = layer_crs(facts, "", where="x.crs")
    assert crs is None
    assert fault.what.endswith("states no CRS")


def test_carried_vertices_and_those_that_are_none():
    # on the central meridian the easting is 500000 by definition, at the equator the northing is 0
    vertices = np.array([[-81.0, 0.0], [np.nan, 0.0], [-81.0, 91.0], [500_000.0, 4_000_000.0]])
    carried = carry(vertices, LONLAT, UTM, where="x")
    assert_allclose(carried[0], [500_000, 0], atol=1e-6)
    assert np.isnan(carried[1:]).all()
    assert carry(vertices[:1], UTM, UTM, where="x").tolist() == vertices[:1].tolist()

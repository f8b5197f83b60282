"""Paving areas and centrelines in a whole job: told beforehand, used at each structure, named in the record."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import geopandas
import pytest
from shapely.geometry import LineString, Point, Polygon, box

from geoadjust.errors import InputError
from geoadjust.run.check import check_job
from geoadjust.run.sources import look_at_sources

EAST, NORTH = 500_000.0, 4_500_000.0


def digest(path: Path) -> str:
    return "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()


def place(east: float, north: float) -> Point:
    return Point(EAST + east, NORTH + north)


def paved_site(site: Any, shapes: list[Any] | None = None, **columns: list[Any]) -> Any:
    """A level road at 100 m; covers 0 and 1 in an area each, 2 outside, 3 in both; a street line that runs north.

    Lengths on the map are 0.9996 of those on the ground there.
    """
    site.road(lambda e, n: 100.0 + 0 * e * n)
    points = [place(-5, 0), place(8, 0), place(0, 15), place(0.5, 2)]
    site.structures({"id": list("abcd"), "casting_height": ["200 mm"] * 4}, points)
    shapes = shapes or [box(EAST - 10, NORTH - 8, EAST + 1, NORTH + 8), box(EAST, NORTH - 8, EAST + 12, NORTH + 8)]
    paving = geopandas.GeoDataFrame(
        columns or {"Mill": ["40 mm", None], "Overlay": ["70 mm", "20 mm"]}, geometry=shapes, crs="EPSG:32617"
    )
    paving.to_file(site.folder / "paving.gpkg")
    line = LineString([(EAST - 2, NORTH - 50), (EAST - 2, NORTH + 50)])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(site.folder / "streets.gpkg")
    (site.folder / "parts.toml").write_text('[[ring]]\nid = "r50"\nthickness = "50 mm"\n')
    site.flags |= {
        ("finished", "areas"): str(site.folder / "paving.gpkg"),
        ("finished", "mill"): "10 mm",
        ("centrelines", "path"): str(site.folder / "streets.gpkg"),
        ("catalogue", "path"): str(site.folder / "parts.toml"),
    }
    return site


def faults(site: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        check_job(site.job())
    return {fault.where: str(fault) for fault in caught.value.faults}


# ---------------------------------------------------------------- check


def test_check_says_how_many_structures_are_paved(site: Any) -> None:
    lines = check_job(paved_site(site).job()).lines
    (line,) = [line for line in lines if "paving area, of" in line]
    assert line == f"finished: 3 of 4 structures lie in a paving area, of 2 in {site.folder / 'paving.gpkg'}"
    assert any("outside the areas nothing is paved" in line for line in lines)


def test_check_says_nothing_of_areas_where_there_are_none(site: Any) -> None:
    paved_site(site)
    del site.flags[("finished", "areas")]
    assert not any("paving area" in line for line in check_job(site.job()).lines)


def test_faults_of_areas_and_centrelines_are_told_together(site: Any) -> None:
    bow = Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])
    paved_site(site, [bow], mill=["thick"])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[Point(0, 0)], crs="EPSG:32617").to_file(site.folder / "streets.gpkg")
    with pytest.raises(InputError) as caught:
        check_job(site.job())
    told = [str(fault) for fault in caught.value.faults]
    assert len(told) == 3
    for word in ("Self-intersection at 4.5 4.5", "feature 1 says 'thick'", "holds 1 Point"):
        assert any(word in fault for fault in told), word


def test_bare_numbers_in_the_areas_ask_for_the_unit(site: Any) -> None:
    paved_site(site, mill=[40, 50])
    assert "column mill of" in faults(site)["structures.dimension_unit"]
    site.flags[("structures", "dimension_unit")] = "mm"
    assert check_job(site.job()).structures == 4


@pytest.mark.parametrize("key", [("finished", "areas"), ("centrelines", "path"), ("catalogue", "path")])
def test_files_that_are_missing_are_told_by_their_key(site: Any, key: tuple[str, str]) -> None:
    paved_site(site)
    site.flags[key] = str(site.folder / "none.gpkg")
    assert list(faults(site)) == [".".join(key)]
    assert "missing" in faults(site)[".".join(key)]


def test_a_design_surface_and_areas_contradict_each_other(site: Any) -> None:
    paved_site(site)
    site.road(lambda e, n: 100.1 + 0 * e * n, name="design.tif", role="finished")
    with pytest.raises(InputError, match="both a design surface and paving areas"):
        site.job()


# ---------------------------------------------------------------- record


def test_files_are_told_by_their_content(site: Any) -> None:
    files = {file.role: file for file in look_at_sources(paved_site(site).job()).files}
    assert list(files) == ["areas", "centrelines", "catalogue"]
    for role, name in (("areas", "paving.gpkg"), ("centrelines", "streets.gpkg"), ("catalogue", "parts.toml")):
        assert files[role].path == str(site.folder / name)
        assert files[role].fingerprint == digest(site.folder / name)


def test_no_file_no_fingerprint(site: Any) -> None:
    paved_site(site)
    for key in (("finished", "areas"), ("centrelines", "path"), ("catalogue", "path")):
        del site.flags[key]
    assert look_at_sources(site.job()).files == ()


# ---------------------------------------------------------------- the whole job


def test_each_structure_is_paved_by_its_area(site: Any) -> None:
    rows = paved_site(site).run()
    # level road, cover taken as flush: what is raised is overlay - mill; b's area leaves mill to the job; c is outside
    assert [row["raise_mm"] for row in rows] == pytest.approx([30, 10, 0, 30], abs=1e-3)
    flags = [set(row["flags"].split()) for row in rows]
    assert ["not_paved" in found for found in flags] == [False, False, True, False]
    assert ["area_overlap" in found for found in flags] == [False, False, False, True]
    # edges at 1.0, 0.5 m from the last cover, inside its ring; the others lie 4 m and more off any edge
    assert ["mill_boundary_in_ring" in found for found in flags] == [False, False, False, True]


def test_the_record_names_the_files(site: Any) -> None:
    paved_site(site).run()
    facts = {row["key"]: json.loads(row["value"]) for row in site.table("run")}
    names = {"areas": "paving.gpkg", "centrelines": "streets.gpkg", "catalogue": "parts.toml"}
    prints = {role: digest(site.folder / name) for role, name in names.items()}
    assert facts["files"] == prints
    assert facts["settings"]["finished"][0]["areas"] == "paving.gpkg"
    sources = json.loads((site.folder / "out" / "run.json").read_text())["sources"]
    for role, name in names.items():
        assert sources[role] == {"path": str(site.folder / name), "fingerprint": prints[role]}

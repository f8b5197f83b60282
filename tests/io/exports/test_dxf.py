"""The drawing read by ezdxf and, where it is there, by GDAL's own reader. Truth: the GeoPackage by sqlite3."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import ezdxf
import geopandas
import numpy as np
import pyogrio
import pytest
from ezdxf.math import Vec3
from shapely.geometry import Point

from geoadjust.errors import InputError
from geoadjust.io.exports.dxf import DxfCounts, check_unit, dxf_text, is_dxf, write_dxf
from geoadjust.io.exports.frame import frame_of
from geoadjust.io.results.whole import open_set
from tests.io.exports.conftest import read_table
from tests.run.conftest import Site


def export(folder: Path, path: Path, by: str = "method") -> DxfCounts:
    with open_set(folder) as whole:
        return write_dxf(whole, frame_of(whole), path, by=by)


@pytest.fixture(scope="module")
def path(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("dxf") / "schedule.dxf"
    export(demo, target)
    return target


@pytest.fixture(scope="module")
def drawing(path: Path) -> Any:
    return ezdxf.readfile(path)


@pytest.fixture(scope="module")
def layer(demo: Path) -> Any:
    found = geopandas.read_file(demo / "schedule.gpkg", layer="schedule")
    return found[~found.geometry.isna() & ~found.geometry.is_empty]


def test_a_clean_drawing(drawing: Any) -> None:
    audit = drawing.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    assert drawing.acad_release == "R2010"
    assert drawing.header["$INSUNITS"] == 6  # metres


def test_points_are_the_targets(drawing: Any, layer: Any) -> None:
    points = np.array([entity.dxf.location.xyz for entity in drawing.modelspace().query("POINT")])
    assert len(points) == len(layer) == 52
    np.testing.assert_allclose(points[:, 0], layer.geometry.x, rtol=0, atol=1e-6)
    np.testing.assert_allclose(points[:, 1], layer.geometry.y, rtol=0, atol=1e-6)
    np.testing.assert_allclose(points[:, 2], layer["target_rim_m"].fillna(0), rtol=0, atol=1e-6)


def test_layers_are_the_methods(drawing: Any, layer: Any) -> None:
    unknown = layer["target_rim_m"].isna()
    wanted = Counter(layer["method"].str.upper().mask(unknown, "NO_TARGET"))
    assert Counter(entity.dxf.layer for entity in drawing.modelspace().query("POINT")) == wanted
    names = {f"{name}_TEXT": 2 * count for name, count in wanted.items()}
    assert Counter(entity.dxf.layer for entity in drawing.modelspace().query("TEXT")) == names
    assert {entity.dxf.layer for entity in drawing.modelspace()} <= {item.dxf.name for item in drawing.layers}


def test_layers_by_severity(demo: Path, tmp_path: Path, layer: Any) -> None:
    export(demo, tmp_path / "a.dxf", by="severity")
    found = Counter(entity.dxf.layer for entity in ezdxf.readfile(tmp_path / "a.dxf").modelspace().query("POINT"))
    assert sum(found.values()) == len(layer)
    assert set(found) <= {"INFO", "WARN", "STOP", "NO_TARGET"}


def test_outlines_are_the_frames(demo: Path, drawing: Any) -> None:
    models = read_table(demo, "models")
    lengths = {row["row"]: row["structures_frame_top_length"] for row in models}
    round_ones = [row["structures_frame_top_diameter"] for row in models if lengths[row["row"]] is None]
    circles = [entity.dxf.radius for entity in drawing.modelspace().query("CIRCLE")]
    assert set(np.round(circles, 4)) <= {round(size / 2 * 0.9997, 4) for size in round_ones if size} | {
        round(size / 2 * scale, 4) for size in round_ones if size for scale in (0.9996, 0.9997, 0.9998)
    }
    boxes = drawing.modelspace().query("LWPOLYLINE")
    assert len(boxes) == sum(length is not None for length in lengths.values()) > 0
    corners = [Vec3(corner) for corner in boxes[0].get_points("xy")]
    sides = [(a - b).magnitude for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    first = next(row for row in models if row["structures_frame_top_length"] is not None)
    wanted = [first["structures_frame_top_length"], first["structures_frame_top_diameter"]] * 2
    assert sides == pytest.approx([0.9997 * side for side in wanted], abs=1e-3)
    assert boxes[0].closed


def test_texts(drawing: Any) -> None:
    texts = [entity.plain_text() for entity in drawing.modelspace().query("TEXT")]
    assert texts[:2] == ["SS-101", "Raise 1/4 in - rings - ready: measure"]
    assert "cut" not in " ".join(texts)


def test_names_come_out(hostile: Path, tmp_path: Path) -> None:
    """What programs take for a code is shown by other characters; all else is the text itself."""
    export(hostile, tmp_path / "a.dxf")
    drawing = ezdxf.readfile(tmp_path / "a.dxf")
    assert drawing.audit().errors == []
    found = [entity.plain_text() for entity in drawing.modelspace().query("TEXT")][::2]
    odd = {
        "5%%d^J\\U+0041%%%": "5%％d^J＼U+0041%％%",
        "two\nlines": "two␊lines",
        "tab\tand\rreturn": "tab␉and␍return",
        "bell\x07": "bell␇",
        "": "row 24",
    }
    stored = [row["structure_id"] for row in read_table(hostile, "schedule")]
    assert found == [odd.get(name, name) for name in stored]


def test_a_text_that_is_too_long_says_so() -> None:
    text, cut = dxf_text("x" * 3000)
    assert (len(text), text[-4:], cut) == (2003, "x...", True)


@pytest.mark.skipif("DXF" not in pyogrio.list_drivers(), reason="this GDAL reads no DXF")
def test_another_reader_sees_the_same(path: Path, layer: Any) -> None:
    found = pyogrio.read_dataframe(path)
    points = found[found["SubClasses"].str.contains("AcDbPoint")]
    np.testing.assert_allclose(points.geometry.x.to_numpy(), layer.geometry.x, rtol=0, atol=1e-6)
    np.testing.assert_allclose(points.geometry.y.to_numpy(), layer.geometry.y, rtol=0, atol=1e-6)
    np.testing.assert_allclose(points.geometry.z.to_numpy(), layer["target_rim_m"].fillna(0), rtol=0, atol=1e-6)
    texts = found["Text"].dropna().tolist()
    names = [name or f"row {row}" for name, row in zip(layer["structure_id"], layer["row"], strict=True)]
    assert texts[::2] == names


def texts_by_gdal(path: Path) -> list[str]:
    """Ids: every second text."""
    return pyogrio.read_dataframe(path)["Text"].dropna().tolist()[::2]


@pytest.mark.skipif("DXF" not in pyogrio.list_drivers(), reason="this GDAL reads no DXF")
def test_another_reader_sees_hostile_names(hostile: Path, tmp_path: Path) -> None:
    """A drawing from R2007 on is in UTF-8, whatever its $DWGCODEPAGE says; GDAL 3.12 must be told so."""
    export(hostile, tmp_path / "a.dxf")
    pyogrio.set_gdal_config_options({"DXF_ENCODING": "UTF-8"})
    try:
        found = texts_by_gdal(tmp_path / "a.dxf")
    finally:
        pyogrio.set_gdal_config_options({"DXF_ENCODING": None})
    assert found[:12] == [row["structure_id"] for row in read_table(hostile, "schedule")][:12]
    assert found[12] == "5%％d^J＼U+0041%％%"
    assert found[17:21] == ["\u202eright to left", "שלום", "日本語", "😀"]


def test_feet(tmp_path: Path) -> None:
    """EPSG:2263 is in US survey feet: the elevation too, and the drawing says so."""
    site = Site(tmp_path)
    site.road(lambda e, n: 100 + 0 * e, centre=(1_000_000.0, 200_000.0), crs="EPSG:2263", cell=0.8, unit="us-ft")
    table = {"id": ["a"], "frame_top_diameter": ["24 in"], "gap": [0.0]}
    site.structures(table, [Point(1_000_000.0, 200_000.0)], "EPSG:2263")
    site.flags[("structures", "dimension_unit")] = "in"
    site.run()
    export(tmp_path / "out", tmp_path / "a.dxf")
    drawing = ezdxf.readfile(tmp_path / "a.dxf")
    assert drawing.header["$INSUNITS"] == 21
    point, circle = (drawing.modelspace().query(kind)[0] for kind in ("POINT", "CIRCLE"))
    assert point.dxf.location.isclose((1_000_000, 200_000, 100), abs_tol=1e-4)
    assert circle.dxf.radius == pytest.approx(12 * 0.0254 / (1200 / 3937), rel=2e-4)


def test_degrees_are_refused(demo: Path, tmp_path: Path) -> None:
    with open_set(demo) as whole:
        frame = frame_of(whole)
    check_unit(frame)
    with pytest.raises(InputError, match="a drawing needs lengths"):
        check_unit(replace(frame, unit="degree"))


def test_same_set_same_bytes(demo: Path, path: Path, tmp_path: Path) -> None:
    export(demo, tmp_path / "a.dxf")
    assert (tmp_path / "a.dxf").read_bytes() == path.read_bytes()
    assert ezdxf.options.write_fixed_meta_data_for_testing is False


def test_a_drawing_of_nothing(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No run makes a set without any place; the drawing of one would be empty and could be opened."""
    monkeypatch.setattr("geoadjust.io.exports.dxf.targets", lambda whole, frame: iter(()))
    assert not export(demo, tmp_path / "a.dxf").layers
    assert len(ezdxf.readfile(tmp_path / "a.dxf").modelspace()) == 0


def test_a_structure_without_a_place_is_counted(tmp_path: Path) -> None:
    site = Site(tmp_path)
    site.road(lambda e, n: 100 + 0 * e)
    table = {"id": ["a", "b"], "frame_top_diameter": ["660 mm"] * 2, "gap": [0.0] * 2}
    site.structures(table, [Point(), Point(500_000, 4_500_000)])
    site.flags |= {("structures", "dimension_unit"): "mm"}
    site.run()
    assert export(tmp_path / "out", tmp_path / "a.dxf").without_place == 1
    texts = ezdxf.readfile(tmp_path / "a.dxf").modelspace().query("TEXT")
    assert [entity.plain_text() for entity in texts][::2] == ["b"]


def test_ours_is_known(path: Path, tmp_path: Path) -> None:
    ezdxf.new().saveas(tmp_path / "theirs.dxf")
    assert is_dxf(path)
    assert not is_dxf(tmp_path / "theirs.dxf")

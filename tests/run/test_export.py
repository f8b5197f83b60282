"""`geoadjust export` end to end. Truth: the set by sqlite3; openpyxl, csv, json, ezdxf as readers."""

from __future__ import annotations

import csv
import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import openpyxl
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import Point

from geoadjust.cli import main
from geoadjust.errors import InputError
from geoadjust.io.results.people import FORMULA_STARTS
from geoadjust.run.demo import run_demo
from geoadjust.run.export import KINDS, ExportOptions, export_set, point_options
from tests.run.conftest import Site

ALL = "xlsx,points,geojson,dxf"
FILES = {"xlsx": "schedule.xlsx", "points": "points.csv", "geojson": "schedule.geojson", "dxf": "schedule.dxf"}
UNTOUCHED = ("monument", "other_owner", "not_paved")
HOSTILE = [
    *("0012", "1e5", "=1+1", "9223372036854775808", "NA", "TRUE", "@SUM(A1)", "x" * 300),
    *("\u202eright to left", "a\x07b", "<b>", "C:\\U+0041", "50%%d"),
]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's output set."""
    folder = tmp_path_factory.mktemp("export") / "demo"
    run_demo(folder, overwrite=False, progress=lambda stage, done, total: None)
    return folder / "out"


@pytest.fixture(scope="module")
def hostile(make_site: Callable[[], Site]) -> Path:
    """A set of structures whose ids other programs take for something else."""
    site, count = make_site(), len(HOSTILE)
    site.road(lambda e, n: 100 + 0.03 * e)
    table = {"id": HOSTILE, "frame_top_diameter": ["660 mm"] * count, "gap": [-10.0] * count, "axis": [30.0] * count}
    site.structures(table, [Point(500_000 + 2.5 * (i % 7) - 7, 4_500_000 + 2.5 * (i // 7)) for i in range(count)])
    site.flags |= {("structures", "dimension_unit"): "mm"}
    site.run()
    return site.folder / "out"


@pytest.fixture(scope="module")
def exported(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """All kinds of the demo, with four stations, and the machine summary."""
    out = tmp_path_factory.mktemp("files") / "new" / "deep"
    result = call(demo, out, "--stations", "4", "--json")
    assert result.exit_code == 0, result.stderr
    return out, json.loads(result.stdout)


def call(folder: Path, out: Path, *options: str, kinds: str = ALL) -> Result:
    return CliRunner().invoke(main, ["export", str(folder), "--out", str(out), "--as", kinds, *options])


def rows(folder: Path) -> list[dict[str, Any]]:
    with sqlite3.connect(folder / "schedule.gpkg") as database:
        database.row_factory = sqlite3.Row
        return [dict(line) for line in database.execute("SELECT * FROM schedule ORDER BY fid")]


def lines_of(path: Path) -> list[list[str]]:
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def ids_of(out: Path) -> dict[str, list[str]]:
    """Ids that each file shows, in its order, by a reader of another maker."""
    sheet = openpyxl.load_workbook(out / "schedule.xlsx")["schedule"]
    headings = [cell.value for cell in sheet[1]]
    cells = [row[headings.index("structure id")] for row in sheet.iter_rows(min_row=2)]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr", "n"}
    features = json.loads((out / "schedule.geojson").read_text(encoding="utf-8"))["features"]
    texts = [each.plain_text() for each in ezdxf.readfile(out / "schedule.dxf").modelspace().query("TEXT")]
    return {
        "xlsx": [cell.value for cell in cells],
        "points": [
            line[4].removeprefix("TARGET ").partition(" manhole - ")[0] for line in lines_of(out / "points.csv")
        ],
        "geojson": [feature["properties"]["structure_id"] for feature in features],
        "dxf": texts[::2],
    }


# ---------------------------------------------------------------- what is written


def test_every_kind_is_written_and_told(demo: Path, exported: tuple[Path, dict[str, Any]]) -> None:
    out, told = exported
    assert sorted(path.name for path in out.iterdir()) == sorted(FILES.values())
    assert {kind: name for kind, (name, _) in KINDS.items()} == FILES
    assert told["structures"] == len(rows(demo))
    for file, (kind, name) in zip(told["files"], FILES.items(), strict=True):
        assert (file["kind"], file["path"], file["bytes"]) == (kind, str(out / name), (out / name).stat().st_size)


def test_counts_are_those_of_the_set(demo: Path, exported: tuple[Path, dict[str, Any]]) -> None:
    out, told = exported
    schedule = rows(demo)
    xlsx, points, geojson, dxf = told["files"]
    with sqlite3.connect(demo / "schedule.gpkg") as database:
        for table, sheet in {"ordinates": "ordinates", "stack_parts": "stack parts", "reasons": "reasons"}.items():
            assert xlsx["sheets"][sheet] == database.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    assert xlsx["sheets"]["schedule"] == geojson["features"] == len(schedule)
    assert points["structures"] + sum(points["left_out"].values()) == len(schedule)
    assert points["points"] == len(lines_of(out / "points.csv")) - 1 == 5 * points["structures"]
    assert sum(dxf["layers"].values()) + dxf["left_out"] == len(schedule)
    assert all(points["left_out"][word] == sum(row["method"] == word for row in schedule) for word in UNTOUCHED)


def test_one_target_in_every_file(demo: Path, exported: tuple[Path, dict[str, Any]]) -> None:
    """Target rims [m] of the layer, the points (feet), the features and the drawing's points."""
    out, _ = exported
    wanted = {row["row"]: row["target_rim_m"] for row in rows(demo)}
    features = json.loads((out / "schedule.geojson").read_text(encoding="utf-8"))["features"]
    assert {feature["id"]: feature["properties"]["target_rim_m"] for feature in features} == wanted
    centres = [line for line in lines_of(out / "points.csv")[1:] if line[4].startswith("TARGET ")]
    for line in centres:
        assert float(line[3]) * 0.3048 == pytest.approx(wanted[(int(line[0]) - 1000) // 10], abs=2e-5)
    sheet = openpyxl.load_workbook(out / "schedule.xlsx")["schedule"]
    headings = [cell.value for cell in sheet[1]]
    column = headings.index("target rim [ft]") + 1
    cells = [sheet.cell(row + 2, column).value for row in wanted]
    assert [None if cell is None else round(cell * 0.3048, 3) for cell in cells] == [
        None if metres is None else pytest.approx(metres, abs=1e-3) for metres in wanted.values()
    ]
    drawn = ezdxf.readfile(out / "schedule.dxf").modelspace().query("POINT")
    heights = sorted(point.dxf.location.z for point in drawn if point.dxf.layer != "NO_TARGET")
    assert set(heights) <= {metres for metres in wanted.values() if metres is not None}


def test_people_are_told(demo: Path, tmp_path: Path) -> None:
    result = call(demo, tmp_path / "out", kinds="points,geojson")
    assert result.exit_code == 0
    assert f"wrote {tmp_path / 'out' / 'points.csv'}: 46 points of 46 structures\n" in result.output
    assert "note: points: northing and easting in m, elevations in ft, vertical datum" in result.output
    assert (
        "note: points: not staked out: survey monuments 1, outside the paving 1, of another owner 1," in result.output
    )
    assert "note: geojson: 1 structures without geometry" in result.output
    assert {path.name for path in (tmp_path / "out").glob("[!.]*")} == {"points.csv", "schedule.geojson"}


def test_the_options_reach_the_files(demo: Path, tmp_path: Path) -> None:
    given = ["--order", "easting,northing,skip,elevation,skip,point", "--first-point", "7", "--elevation-unit", "m"]
    result = call(demo, tmp_path, *given, "--layers", "severity", kinds="points,dxf")
    assert result.exit_code == 0, result.stderr
    lines = lines_of(tmp_path / "points.csv")
    assert lines[0] == ["easting_m", "northing_m", "", "elevation_m", "", "point"]
    first = rows(demo)[0]
    assert lines[1][5] == "7"
    assert float(lines[1][3]) == pytest.approx(first["target_rim_m"], abs=6e-5)
    layers = {each.dxf.layer for each in ezdxf.readfile(tmp_path / "schedule.dxf").modelspace().query("POINT")}
    assert layers - {"NO_TARGET"} <= {str(row["severity"]).upper() for row in rows(demo)}
    call(demo, tmp_path, "--no-header", "--overwrite", kinds="points")
    assert lines_of(tmp_path / "points.csv")[0][0] == "1000"


def test_same_set_same_bytes(demo: Path, exported: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    assert call(demo, tmp_path, "--stations", "4").exit_code == 0
    for name in FILES.values():
        assert (tmp_path / name).read_bytes() == (exported[0] / name).read_bytes(), name


# ---------------------------------------------------------------- hostile ids


def test_hostile_ids_come_out_as_they_are(hostile: Path, tmp_path: Path) -> None:
    """A control character becomes its picture; a drawing shows its own codes by other characters; else no change."""
    assert call(hostile, tmp_path, "--stations", "4").exit_code == 0
    found = ids_of(tmp_path)
    stored = [row["structure_id"] for row in rows(hostile)]
    assert stored == HOSTILE
    pictures = [name.replace("\x07", "␇") for name in HOSTILE]
    assert found["geojson"] == HOSTILE
    assert found["xlsx"] == pictures
    assert found["points"][1::5] == pictures
    drawn = {"C:\\U+0041": "C:＼U+0041", "50%%d": "50%％d"}
    assert found["dxf"] == [drawn.get(name, name) for name in pictures]


def test_no_cell_is_a_formula(hostile: Path, tmp_path: Path) -> None:
    assert call(hostile, tmp_path, kinds="xlsx,points").exit_code == 0
    book = openpyxl.load_workbook(tmp_path / "schedule.xlsx")
    assert {cell.data_type for sheet in book for line in sheet.iter_rows() for cell in line} <= {"s", "n", "inlineStr"}
    lines = lines_of(tmp_path / "points.csv")
    texts = [cell for line in lines for cell in line if not re.fullmatch(r"-?\d+(\.\d+)?", cell)]
    assert not [text for text in texts if re.match(FORMULA_STARTS, text)]


# ---------------------------------------------------------------- what is refused


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_only_our_files_are_replaced(demo: Path, tmp_path: Path) -> None:
    """Nothing without --overwrite; with it, not what another program saved under the name, and then no file at all."""
    assert call(demo, tmp_path, kinds="points,geojson").exit_code == 0
    before = (tmp_path / "points.csv").read_bytes()
    refused = call(demo, tmp_path, "--stations", "8", kinds="points,geojson")
    assert refused.exit_code == 6
    assert "points.csv: exists; name another folder, or give --overwrite" in refused.stderr
    (tmp_path / "schedule.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    refused = call(demo, tmp_path, "--stations", "8", "--overwrite", kinds="points,geojson")
    assert refused.exit_code == 6
    assert "schedule.geojson: exists and was not exported by geoadjust" in refused.stderr
    assert (tmp_path / "points.csv").read_bytes() == before
    (tmp_path / "schedule.geojson").unlink()
    assert call(demo, tmp_path, "--stations", "8", "--overwrite", kinds="points,geojson").exit_code == 0
    assert (tmp_path / "points.csv").read_bytes() != before


@pytest.mark.parametrize("name", list(FILES.values()))
def test_a_file_of_others_stays(demo: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("1,5.0,6.0,7.0,theirs\n")
    assert call(demo, tmp_path, "--overwrite").exit_code == 6
    assert names_in(tmp_path) == [name]
    assert (tmp_path / name).read_text() == "1,5.0,6.0,7.0,theirs\n"


def test_every_kind_replaces_its_own(demo: Path, tmp_path: Path) -> None:
    assert call(demo, tmp_path).exit_code == 0
    assert call(demo, tmp_path).exit_code == 6
    assert call(demo, tmp_path, "--overwrite").exit_code == 0


def test_the_set_itself_is_left_alone(demo: Path) -> None:
    before = names_in(demo)
    for out in (demo, demo / "exports"):
        refused = call(demo, out, kinds="points")
        assert refused.exit_code == 6
        assert "lies in the output set" in refused.stderr
    assert names_in(demo) == before


def test_no_set(demo: Path, tmp_path: Path) -> None:
    """A folder that is none, an empty one, and a set that was changed by hand."""
    (tmp_path / "empty").mkdir()
    shutil.copytree(demo, tmp_path / "changed")
    with open(tmp_path / "changed" / "schedule.csv", "a", encoding="utf-8") as file:
        file.write("one more line\n")
    for name in ("missing", "empty", "changed"):
        refused = call(tmp_path / name, tmp_path / "out", kinds="points")
        assert refused.exit_code == 3, name
        assert str(tmp_path / name) in refused.stderr
        assert not (tmp_path / "out").exists()


def test_a_place_that_cannot_be_written(demo: Path, tmp_path: Path) -> None:
    """A file stands where the folder should be (6); no folder can be made below a file (5)."""
    (tmp_path / "file").write_text("")
    assert call(demo, tmp_path / "file", kinds="points").exit_code == 6
    assert call(demo, tmp_path / "file" / "below", kinds="points").exit_code == 5
    assert names_in(tmp_path) == ["file"]


def test_a_full_disk_leaves_nothing(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 5, and no file of the kinds that were done before."""

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("geoadjust.run.export.write_dxf", full)
    refused = call(demo, tmp_path / "out", kinds="points,dxf")
    assert refused.exit_code == 5, refused.output
    assert names_in(tmp_path) == []


@pytest.mark.parametrize(("kind", "library"), [("xlsx", "xlsxwriter"), ("dxf", "ezdxf")])
def test_a_library_that_is_missing(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, library: str
) -> None:
    """Refused before anything is written; the other kinds need none."""

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr("geoadjust.io.exports.texts.import_module", missing)
    refused = call(demo, tmp_path / "out", kinds=f"points,{kind}")
    assert refused.exit_code == 3
    assert f"{kind} needs the library {library}, which is not installed" in refused.stderr
    assert "pip install 'geoadjust[export]'" in refused.stderr
    assert not (tmp_path / "out").exists()
    assert call(demo, tmp_path / "out", kinds="points,geojson").exit_code == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--as", "pdf"], "'pdf' is not one of xlsx, points, geojson, dxf"),
        (["--as", "points,points"], "points stands twice"),
        (["--as", ""], "nothing is not one of"),
        (["--as", "points", "--stations", "3"], "'3' is not one of '0', '4', '8'"),
        (["--as", "points", "--order", "northing,easting,northing"], "northing stands twice"),
        (["--as", "points", "--first-point", "-1"], "-1 is not in the range"),
    ],
)
def test_a_command_line_that_is_wrong(demo: Path, tmp_path: Path, options: list[str], words: str) -> None:
    refused = CliRunner().invoke(main, ["export", str(demo), "--out", str(tmp_path / "out"), *options])
    assert refused.exit_code == 2
    assert words in refused.stderr
    assert not (tmp_path / "out").exists()


def test_an_order_without_a_coordinate(demo: Path, tmp_path: Path) -> None:
    refused = call(demo, tmp_path / "out", "--order", "point,northing,easting", kinds="points")
    assert refused.exit_code == 3
    assert "not each of easting, northing, elevation once" in refused.stderr
    assert not (tmp_path / "out").exists()


def test_all_faults_of_a_program_together(demo: Path, tmp_path: Path) -> None:
    points = point_options(("depth",), 5, True, 1)
    with pytest.raises(InputError) as refused:
        export_set(demo, tmp_path, ExportOptions(("pdf",), points=points, height_unit="inch", layers="colour"))
    assert [fault.where for fault in refused.value.faults] == [
        *("--as", "--elevation-unit", "--layers", "--stations", "--order")
    ]

"""The field book of a whole job, and the way back: a book that is filled in is the road of the job.

Truth: pyproj's geodesics on the ellipsoid for distances and azimuths, closed forms of the road for the figures.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from pyproj import CRS, Geod, Proj, Transformer
from shapely.geometry import MultiPoint, Point

from geoadjust.cli import main
from geoadjust.core.columns import KINDS
from geoadjust.core.fieldbook import GROUP
from geoadjust.errors import InputError, OutputBusyError, OutputError
from geoadjust.io.intake.structures import BATCH
from geoadjust.run.fieldbook import write_fieldbook

EAST, NORTH = 500_000.0, 4_500_000.0
SCALE = 0.9996
"""Of lengths on the map at the central meridian of UTM (Snyder, PP 1395)."""
PAGE = Path(__file__).parents[2] / "docs" / "fieldbook.md"
BOOK_ORDER = [*["skip"] * 5, "point", "description", *["skip"] * 3, "northing", "easting", "elevation"]

Road = Callable[[Any, Any], Any]


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


def crown(e: Any, n: Any) -> Any:
    """2.5 % to both sides of east = 0.4, rising 1 % to the north."""
    return 100 - 0.025 * np.abs(e - 0.4) + 0.01 * n


def prepare(site: Any, *, crs: str = "EPSG:32617", unit: str = "m") -> Any:
    """A job whose road is not surveyed yet."""
    site.flags |= {("surface", "path"): str(site.folder / "survey.csv"), ("surface", "crs"): crs}
    site.flags[("surface", "vertical_unit")] = unit
    return site


def book(site: Any, *settings: str, name: str = "book.csv") -> list[dict[str, str]]:
    path = site.folder / name
    write_fieldbook(site.job(*settings), path)
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def covers(site: Any, places: list[Any], crs: str = "EPSG:32617", **columns: Any) -> Any:
    table = {"id": [f"c{i}" for i in range(len(places))], "frame_top_diameter": ["660 mm"] * len(places)}
    site.structures({**table, "axis": [0.0] * len(places), **columns}, places, crs)
    return site


# ---------------------------------------------------------------- on the ground


@pytest.mark.parametrize(
    ("crs", "place"),
    [
        ("EPSG:32617", (780_000.0, 4_500_000.0)),
        ("EPSG:2263", (1_050_000.0, 200_000.0)),
        ("EPSG:4326", (-73.9, 60.7)),
        ("EPSG:3857", (-8_226_000.0, 5_000_000.0)),
    ],
)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_distance_and_azimuth_hold_on_the_ground(site: Any, crs: str, place: tuple[float, float], units: str) -> None:
    """From the cover to each shot by Geod: the stated distance, and the azimuth from grid north by the convergence."""
    covers(prepare(site), [Point(place)], crs, axis=[25.0])
    found = [row for row in book(site, f"output.units='{units}'") if row["northing"]]
    assert len(found) == 12
    column, metres = ("distance_m", 1.0) if units == "metric" else ("distance_ft", 0.3048)
    to_degrees = Transformer.from_crs(crs, CRS(crs).geodetic_crs, always_xy=True)
    ends = np.array([to_degrees.transform(float(row["easting"]), float(row["northing"])) for row in found])
    centre = np.broadcast_to(to_degrees.transform(*place), ends.shape)
    turn, _, ground = CRS(crs).get_geod().inv(*centre.T, *ends.T)
    assert ground == pytest.approx([metres * float(row[column]) for row in found], abs=1e-3)
    meridian = 0.0 if CRS(crs).is_geographic else Proj(crs).get_factors(*centre[0]).meridian_convergence
    off = np.array([float(row["azimuth_deg"]) for row in found]) - (turn - meridian)
    assert (off + 180) % 360 - 180 == pytest.approx(np.zeros(12), abs=0.25)  # a millimetre on 0.33 m


def test_heights_in_feet_give_distances_in_feet(site: Any) -> None:
    """1.5 m / cos 22.5 deg = 5.3267 ft, next 0.05 ft above: 5.35. Which foot is no matter here: it is 2 ppm."""
    covers(prepare(site, unit="us-ft"), [Point(EAST, NORTH)])
    road = next(row for row in book(site) if row["code"] == "ROAD")
    assert road["distance_ft"] == "5.35"
    assert (float(road["northing"]) - NORTH) / SCALE == pytest.approx(5.35 * 0.3048, abs=6e-4)


# ---------------------------------------------------------------- the way back


def fill(rows: list[dict[str, str]], road: Road, gaps: list[float]) -> None:
    """Elevations at the places of the book: of the road, and of rims that stand so far above it."""
    for row in rows:
        if row["northing"]:
            place = float(row["easting"]) - EAST, float(row["northing"]) - NORTH
            gap = gaps[int(row["row"])] if row["code"] == "RIM" else 0.0
            row["elevation"] = repr(float(road(*place)) + gap)


def shoot(rows: list[dict[str, str]], point: str, road: Road, east: float, north: float) -> None:
    """A shot whose place only the surveyor knows."""
    row = next(row for row in rows if row["point"] == point)
    row |= {"easting": repr(EAST + east), "northing": repr(NORTH + north), "elevation": repr(float(road(east, north)))}


def write_survey(site: Any, rows: list[dict[str, str]]) -> None:
    """What a data collector hands over: point, northing, easting, elevation, code."""
    names = ("point", "northing", "easting", "elevation", "code")
    shot = [row for row in rows if row["elevation"]]
    (site.folder / "survey.csv").write_text("".join(",".join(row[name] for name in names) + "\n" for row in shot))


def rims(rows: list[dict[str, str]], count: int) -> list[float]:
    """Mean of the shots on each rim, as the page says."""
    found = [
        [float(row["elevation"]) for row in rows if row["row"] == str(i) and row["code"] == "RIM"] for i in range(count)
    ]
    assert [len(item) for item in found] == [4] * count
    return [float(np.mean(item)) for item in found]


CODES = "surface.codes=['ROAD', 'BREAK']"


@pytest.mark.parametrize("returned", ["survey", "book"])
def test_a_plane_road_comes_back(site: Any, returned: str) -> None:
    """Manhole, valve, inlet: the road at the cover, its slope, and the raise to it from rims that stand off it."""
    places, gaps = [(0.0, 0.0), (9.0, 4.0), (-3.0, 8.0)], [0.010, -0.004, 0.015]
    table: dict[str, Any] = {"kind": ["manhole", "valve", "inlet"], "crown_offset": ["0 m", "2 m", "-4 m"]}
    table["axis"] = [0.0, 37.0, 350.0]
    points = [Point(EAST + e, NORTH + n) for e, n in places]
    rows = book(covers(prepare(site), points, **table))
    fill(rows, plane, gaps)
    if returned == "survey":
        write_survey(site, rows)
        settings = [CODES]
    else:
        lines = [row for row in rows if row["elevation"] or row["code"] not in ("ROAD", "BREAK")]
        with open(site.folder / "survey.csv", "w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(lines)
        settings = [CODES, f"surface.order={BOOK_ORDER}"]
    covers(site, points, **table, rim=[f"{rim!r} m" for rim in rims(rows, 3)])
    for row, (east, north), gap in zip(site.run(*settings), places, gaps, strict=True):
        assert row["existing_m"] == pytest.approx(plane(east, north), abs=1e-4)
        assert row["raise_mm"] == pytest.approx(-1000 * gap, abs=0.1)
        assert row["slope_pct"] == pytest.approx(100 * SCALE * np.hypot(0.03, 0.02), abs=1e-3)
        assert row["coverage_pct"] == 100


def test_a_crown_comes_back_with_its_breakline(site: Any) -> None:
    """The mean of the crown along the frame's edge, by summing up the closed form; without the two shots it is lost."""
    rows = book(covers(prepare(site), [Point(EAST, NORTH)]))
    fill(rows, crown, [0.0])
    turn = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    truth = crown(SCALE * 0.33 * np.sin(turn), SCALE * 0.33 * np.cos(turn)).mean()
    write_survey(site, rows)
    without = site.run(CODES)[0]["existing_m"]
    shoot(rows, "0-B1", crown, 0.4, 2.1)
    shoot(rows, "0-B2", crown, 0.4, -2.3)
    write_survey(site, rows)
    (site.folder / "pairs.csv").write_text("0-B1,0-B2\n")
    found = site.run(CODES, f"surface.breaklines='{site.folder / 'pairs.csv'}'", overwrite=True)[0]
    assert found["road_shape"] == "break"
    assert found["existing_m"] == pytest.approx(truth, abs=1e-4)
    assert abs(without - truth) > 1e-3


# ---------------------------------------------------------------- what stands in it


def test_every_structure_is_in_the_book(site: Any) -> None:
    """Kinds, owners, points that are missing or two, ids that are hostile, sizes known and assumed."""
    points = [Point(EAST + 9 * i, NORTH) for i in range(7)]
    points[4], points[5] = Point(), MultiPoint([(EAST, NORTH), (EAST + 1, NORTH)])
    ids = ["=1+1", 'a, "b"', "twice", "twice", "", "x\ny", "last"]
    table = {
        "id": ids,
        "kind": ["manhole", "monument", "valve", "inlet", "manhole", "manhole", "handhole"],
        "owner": ["city", "city", "gas utility", "city", "city", "city", ""],
        "frame_top_diameter": ["660 mm", "", "", "400x600 mm", "", "", ""],
        "street": ["@home"] * 7,
        "paved": ["", "", "", "", "", "", "no"],
    }
    rows = book(covers(prepare(site), points, **table), "structures.owners=['city']")
    assert list(rows[0]) == ["row", "structure_id", "kind", "street", "shot", "point", "code", "what", "azimuth_deg",
                             "distance_m", "northing", "easting", "elevation"]  # fmt: skip
    assert {row["row"] for row in rows} == {"", *"0123456"}
    mine = {number: [row for row in rows if row["row"] == str(number)] for number in range(7)}
    assert [len(mine[number]) for number in range(7)] == [17, 1, 1, 16, 17, 17, 1]
    assert mine[0][0]["structure_id"] == "'=1+1"
    assert mine[0][0]["street"] == "'@home"
    assert mine[1][0]["what"].startswith("survey monument: do not disturb")
    assert mine[2][0]["what"] == "not ours, but of gas utility: notify the owner before the work; no shots"
    assert mine[3][0]["what"] == "rim edge, middle of the side, ahead"
    assert mine[3][0]["distance_m"] == "0.3"
    assert mine[4][0]["what"] == "position missing: find it first, then shoot as listed"
    assert mine[4][1]["what"] == "rim edge, ahead (size assumed)"
    assert not any(row["northing"] or row["easting"] for row in mine[4] + mine[5])
    assert mine[6][0]["what"] == "not in the paving: no shots"
    assert [mine[number][-1]["structure_id"] for number in (1, 3, 5)] == ['a, "b"', "twice", "x\ny"]
    points_named = [row["point"] for row in rows if row["point"]]
    assert len(set(points_named)) == len(points_named)
    assert not any(row["elevation"] for row in rows)


def test_control_first_and_last_and_an_earlier_shot_again(site: Any) -> None:
    rows = book(covers(prepare(site), [Point(EAST + 9 * i, NORTH) for i in range(GROUP + 2)]))
    checks = [(row["point"], row["what"].split(",")[0]) for row in rows if row["code"] == "CHECK"]
    assert checks == [
        ("CHECK-1", "check shot on a control point"),
        ("0-R1-2", "repeat of 0-R1: both elevations must agree"),
        (f"{GROUP}-R1-2", f"repeat of {GROUP}-R1: both elevations must agree"),
        ("CHECK-2", "check shot on a control point"),
    ]
    assert [rows[0]["point"], rows[-1]["point"]] == ["CHECK-1", "CHECK-2"]
    place = {row["point"]: (row["northing"], row["easting"]) for row in rows}
    assert place["0-R1-2"] == place["0-R1"]


def test_batches_hold_whole_groups() -> None:
    assert BATCH % GROUP == 0


def test_the_catalogue_and_the_rules_give_sizes(site: Any) -> None:
    """Today's casting, though another one will take its place; without any, the usual size or the flange."""
    part = '[[casting]]\nid = "{}"\nheight = "0.2 m"\nframe_top_diameter = "{} mm"\nflange_outside_diameter = "0.9 m"\n'
    (site.folder / "parts.toml").write_text(part.format("old", 700) + part.format("new", 500))
    table = {
        "casting": ["old", "", ""],
        "new_casting": ["new", "new", ""],
        "frame_top_diameter": ["", "", ""],
        "flange_outside_diameter": ["", "", "400 mm"],
    }
    covers(prepare(site), [Point(EAST + 9 * i, NORTH) for i in range(3)], **table)
    rows = book(site, f"catalogue.path='{site.folder / 'parts.toml'}'", "rules.usual_frame_diameter='620 mm'")
    first = {row["row"]: (row["distance_m"], "assumed" in row["what"]) for row in rows if row["point"].endswith("-E1")}
    assert first == {"0": ("0.35", False), "1": ("0.31", True), "2": ("0.2", True)}


def test_the_ring_and_the_bar_decide_how_far_out(site: Any) -> None:
    covers(prepare(site), [Point(EAST, NORTH)])
    found = []
    for number, settings in enumerate(([], ["ring.outer_radius='2 m'"], ["ring.bar_length='6 m'"])):
        rows = book(site, *settings, name=f"book{number}.csv")
        found.append(float(next(row["distance_m"] for row in rows if row["code"] == "ROAD")))
    assert found == [1.63, 2.17, 3.25]  # 1.5, 2, 3 over cos 22.5 deg, next centimetre above


def test_a_centreline_gives_the_axis_and_the_side(site: Any) -> None:
    import geopandas
    from shapely.geometry import LineString

    line = LineString([(EAST - 50, NORTH), (EAST + 50, NORTH)])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(site.folder / "lines.gpkg")
    table = {"id": ["c"], "kind": ["inlet"], "frame_top_diameter": ["660 mm"]}
    prepare(site).structures(table, [Point(EAST, NORTH - 4)])
    rows = book(site, f"centrelines.path='{site.folder / 'lines.gpkg'}'")
    told = {row["point"]: (row["what"], row["azimuth_deg"]) for row in rows}
    assert told["0-G1"] == ("gutter line, back", "270")
    assert told["0-R2"] == ("road, left", "0")
    assert told["0-G2"] == ("gutter line, ahead", "90")


# ---------------------------------------------------------------- the file and the command


def test_what_stands_there_is_kept(site: Any) -> None:
    covers(prepare(site), [Point(EAST, NORTH)])
    job, path = site.job(), site.folder / "book.csv"
    write_fieldbook(job, path)
    before = path.read_bytes()
    with pytest.raises(OutputBusyError, match="exists"):
        write_fieldbook(job, path)
    path.write_bytes(before[:-20])
    write_fieldbook(job, path, overwrite=True)
    assert path.read_bytes() == before
    path.write_text("point,northing\n")
    with pytest.raises(OutputBusyError, match="no field book"):
        write_fieldbook(job, path, overwrite=True)
    assert path.read_text() == "point,northing\n"
    with pytest.raises(OutputError, match="folder"):
        write_fieldbook(job, site.folder / "none" / "book.csv")
    assert [item.name for item in site.folder.iterdir() if item.name.startswith(".")] == []


def test_a_failure_leaves_nothing(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    covers(prepare(site), [Point(EAST, NORTH)])

    def fail(*given: Any) -> None:
        raise InputError(())

    monkeypatch.setattr("geoadjust.run.fieldbook.list_shots", fail)
    with pytest.raises(InputError):
        write_fieldbook(site.job(), site.folder / "book.csv")
    assert [item.name for item in site.folder.iterdir() if "book" in item.name] == []


def test_faults_of_the_structures_stop_it(site: Any) -> None:
    """A road that is not there does not; a catalogue or a layer that is not there does, with every fault."""
    covers(prepare(site), [Point(EAST, NORTH)])
    with pytest.raises(InputError) as caught:
        write_fieldbook(site.job("catalogue.path='none.toml'"), site.folder / "book.csv")
    assert {fault.where for fault in caught.value.faults} >= {"catalogue.path", "surface.path"}
    assert not (site.folder / "book.csv").exists()


def run(site: Any, *words: str) -> Any:
    options = [
        f"--set={table}.{key}={json.dumps(value)}"
        for (table, key), value in site.flags.items()
        if (table, key) != ("structures", "path")
    ]
    return CliRunner().invoke(main, ["check", "--structures", site.flags[("structures", "path")], *options, *words])


def test_the_command_writes_it_and_checks_the_rest(site: Any) -> None:
    """Before the survey the road is a fault, and the book is there; with a road all is well."""
    covers(prepare(site), [Point(EAST, NORTH)])
    path = site.folder / "book.csv"
    done = run(site, "--fieldbook", str(path))
    assert done.exit_code == 3
    assert "surface.path" in done.stderr
    assert f"wrote {path}: 18 lines for 1 structures" in done.stdout
    assert path.exists()
    assert run(site, "--fieldbook", str(path)).exit_code == 6
    del site.flags[("surface", "crs")]
    site.road(plane)
    done = run(site, "--fieldbook", str(path), "--overwrite", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["fieldbook"] == {"path": str(path), "structures": 1, "lines": 18}
    assert "fieldbook" not in json.loads(run(site, "--json").stdout)


def test_the_page_shows_lines_of_the_demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from geoadjust.io.jobfile import read_job
    from geoadjust.run.demo import run_demo

    monkeypatch.setattr("geoadjust.run.demo.run_schedule", lambda *given, **options: None)  # its inputs will do
    run_demo(tmp_path / "demo", overwrite=False, progress=lambda stage, done, total: None)
    write_fieldbook(read_job(tmp_path / "demo" / "job.toml", {}, ()), tmp_path / "book.csv")
    with open(tmp_path / "book.csv", encoding="utf-8", newline="") as file:
        real = list(csv.DictReader(file))
    lines = re.search(r"^\| row \|.*?\n\n", PAGE.read_text(encoding="utf-8"), flags=re.M | re.S)
    assert lines is not None
    cells = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines[0].strip().splitlines()]
    shown = [dict(zip(cells[0], row, strict=True)) for row in cells[2:]]
    assert len(shown) >= 10
    assert [row for row in shown if not any(row.items() <= item.items() for item in real)] == []
    assert {row["kind"] for row in shown} & set(KINDS) >= {"manhole", "inlet", "monument"}


def test_geod_is_that_of_the_crs() -> None:
    """The twin of the distances above knows the ellipsoid: a degree of longitude on the equator is a pi / 180."""
    assert Geod(ellps="WGS84").inv(0, 0, 1, 0)[2] == pytest.approx(np.pi / 180 * 6_378_137, abs=1e-3)

"""Acceptance by a survey after paving. Truth: covers and road that the test itself builds into the survey."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Point

from tests.run.commands import run

CENTRE = (500_000.0, 4_500_000.0)
PLACES = {"A": (-6.0, 2.0), "B": (0.0, -3.0), "C": (6.0, 4.0)}
OFF = {"A": 0.004, "B": -0.009, "C": 0.0}
"""Rim less road [m]."""
RADIUS = 0.33


def road(e, n):
    return 100 + 0.015 * e - 0.02 * n


def surveyed(e, n):
    """The road, and each cover flat in the road's slope, higher or lower by OFF."""
    z = road(e, n)
    for name, (east, north) in PLACES.items():
        z = z + np.where(np.hypot(e - east, n - north) <= RADIUS, OFF[name], 0.0)
    return z


@pytest.fixture(scope="module")
def plan(make_site) -> Path:
    site = make_site()
    site.road(road)
    n = len(PLACES)
    table = {"id": list(PLACES), "kind": ["manhole"] * n, "frame_top_diameter": ["660 mm"] * n}
    site.structures(table, [Point(CENTRE[0] + e, CENTRE[1] + n) for e, n in PLACES.values()])
    site.run("finished.mill=0", "finished.overlay=0")
    return site.folder


def _judged(plan: Path, *words: object) -> dict[str, dict]:
    told = json.loads(run("accept", plan / "out", *words, "--json", "--overwrite"))
    return {each["structure_id"]: each for each in told["judged"]}


def _gaps(folder: Path) -> dict[str, list[float]]:
    import geopandas

    found = geopandas.read_file(folder / "acceptance.gpkg", layer="gaps")
    return {name: group["gap_mm"].tolist() for name, group in found.groupby("structure_id")}


def test_covers_are_read_from_a_fine_raster(plan: Path, make_site, tmp_path: Path) -> None:
    after = make_site().road(surveyed, cell=0.05, cells=500)
    words = ["--paved", after, "--paved-unit", "m", "--day", "2026-06-20", "--out", tmp_path / "seen"]
    judged = _judged(plan, *words)
    gaps = _gaps(tmp_path / "seen")
    for name, off in OFF.items():
        assert gaps[name] == pytest.approx([1000 * off] * 4, abs=0.05)
    assert judged["B"]["outcome"] == "rework"  # 9 mm LOW
    assert judged["A"]["outcome"] == "open"  # nobody has looked at bedding and seal
    assert {code[:10] for code in judged["A"]["findings"]} == {"not_looked"}


def test_the_cover_counts_with_what_people_saw(plan: Path, make_site, tmp_path: Path) -> None:
    after = make_site().road(surveyed, cell=0.05, cells=500)
    table = tmp_path / "seen.csv"
    lines = [f"{name},2026-06-20,no,full,tight,no" for name in PLACES]
    table.write_text("\n".join(["id,date,rocking,bedding,seal,debris", *lines]) + "\n", encoding="utf-8")
    judged = _judged(plan, table, "--paved", after, "--paved-unit", "m", "--day", "2026-06-20", "--out", tmp_path / "o")
    assert {name: each["outcome"] for name, each in judged.items()} == {"A": "accepted", "B": "rework", "C": "accepted"}


def test_a_coarse_raster_does_not_show_the_cover(plan: Path, make_site, tmp_path: Path) -> None:
    after = make_site().road(surveyed, cell=0.25, cells=160)
    words = ["--paved", after, "--paved-unit", "m", "--day", "2026-06-20", "--out", tmp_path / "coarse"]
    judged = _judged(plan, *words)
    assert all("cover_not_seen" in each["findings"] and each["outcome"] == "open" for each in judged.values())


def test_elevations_of_rims_are_compared_with_the_surveyed_road(plan: Path, make_site, tmp_path: Path) -> None:
    after = make_site().road(lambda e, n: road(e, n) + 0.05, cell=0.25, cells=160)
    table = tmp_path / "rims.csv"
    lines = []
    for name, (east, north) in PLACES.items():
        for azimuth in (0, 90, 180, 270):
            turn = np.radians(azimuth)
            rim = road(east + RADIUS * np.sin(turn), north + RADIUS * np.cos(turn)) + 0.05 + OFF[name]
            lines.append(f"{name},2026-06-20,{rim:.5f} m,{azimuth},no,full,tight,no")
    table.write_text("\n".join(["id,date,rim,azimuth,rocking,bedding,seal,debris", *lines]) + "\n", encoding="utf-8")
    words = [table, "--paved", after, "--paved-unit", "m", "--day", "2026-06-20", "--out", tmp_path / "rims"]
    _judged(plan, *words)
    gaps = _gaps(tmp_path / "rims")
    for name, off in OFF.items():
        assert gaps[name] == pytest.approx([1000 * off] * 4, abs=0.05)


def _shots(folder: Path, *, covers: bool) -> Path:
    """Survey points: the road in a grid with a ring of shots round each frame, and four on each cover."""
    rows = []
    for e in np.arange(-14.0, 14.1, 1.0):
        for n in np.arange(-12.0, 12.1, 1.0):
            if all(np.hypot(e - a, n - b) > 0.6 for a, b in PLACES.values()):
                rows.append((e, n, float(road(e, n))))
    for name, (east, north) in PLACES.items():
        for k in range(16):
            turn = k * np.pi / 8
            e, n = east + 0.36 * np.sin(turn), north + 0.36 * np.cos(turn)
            rows.append((e, n, float(road(e, n))))
            if covers:
                e, n = east + 0.34 * np.sin(turn), north + 0.34 * np.cos(turn)
                rows.append((e, n, float(road(e, n)) + OFF[name]))
    path = folder / "shots.csv"
    lines = [f"{i},{CENTRE[1] + n:.4f},{CENTRE[0] + e:.4f},{z:.5f},RD" for i, (e, n, z) in enumerate(rows, 1)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("covers", [True, False])
def test_a_tin_shows_a_cover_only_where_shots_lie_on_it(plan: Path, tmp_path: Path, covers: bool) -> None:
    words = ["--paved", _shots(tmp_path, covers=covers), "--paved-unit", "m", "--paved-crs", "EPSG:32617"]
    words += ["--day", "2026-06-20"]
    judged = _judged(plan, *words, "--out", tmp_path / "tin")
    if not covers:
        assert all("cover_not_seen" in each["findings"] for each in judged.values())
        return
    gaps = _gaps(tmp_path / "tin")
    for name, off in OFF.items():
        assert gaps[name] == pytest.approx([1000 * off] * 4, abs=0.1)


def test_usage(plan: Path, tmp_path: Path) -> None:
    assert "--paved" in run("accept", plan / "out", "--out", tmp_path / "x", code=2)
    after = plan / "road.tif"
    assert "--day" in run(
        "accept", plan / "out", "--paved", after, "--paved-unit", "m", "--out", tmp_path / "x", code=3
    )

"""Output sets to export: the demo's street, and covers whose names are hostile. SQL reads them independently."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from shapely.geometry import Point

from geoadjust.run.demo import run_demo
from tests.run.conftest import Site

NAMES = [
    "0012",
    "1e5",
    "=1+1",
    "9223372036854775808",
    "NA",
    "TRUE",
    "-1",
    "+49",
    "@SUM(A1)",
    "<r><t>x</t></r>",
    "<b>&amp;\"'</b>]]></script>",
    "_x0041_",
    "5%%d^J\\U+0041%%%",
    'a,b;"c"',
    "two\nlines",
    "tab\tand\rreturn",
    "bell\x07",
    "\u202eright to left",
    "שלום",
    "日本語",
    "😀",
    "  blanks  ",
    "http://example.org",
    "x" * 300,
    "",
]
EAST, NORTH = 500_000.0, 4_500_000.0


def read_table(folder: Path, name: str) -> list[dict[str, Any]]:
    """Rows of a table by sqlite3, without geometry."""
    database = sqlite3.connect(folder / "schedule.gpkg")
    database.row_factory = sqlite3.Row
    rows = [dict(row) for row in database.execute(f"SELECT * FROM {name} ORDER BY fid")]
    database.close()
    return rows


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's set: US units."""
    place = tmp_path_factory.mktemp("demo") / "town"
    run_demo(place, overwrite=False, progress=lambda *_: None)
    return place / "out"


def make_covers(folder: Path, names: list[str], *settings: str, crs: str = "EPSG:32617", **columns: Any) -> Path:
    """Covers 2 m apart on a plane of 3 % to the east and -2 % to the north; gives the set."""
    site = Site(folder)
    site.road(lambda e, n: 100 + 0.03 * e - 0.02 * n, crs=crs)
    count = len(names)
    table = {"id": names, "frame_top_diameter": ["660 mm"] * count, "gap": [-10.0] * count, "axis": [30.0] * count}
    places = [Point(EAST + 2.5 * (i % 7) - 7, NORTH + 2.5 * (i // 7) - 5) for i in range(count)]
    site.structures({**table, **columns}, places, crs)
    site.flags |= {("structures", "dimension_unit"): "mm"}
    site.run(*settings)
    return folder / "out"


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A metric set whose ids are `NAMES`."""
    return make_covers(tmp_path_factory.mktemp("hostile"), NAMES, street=NAMES[::-1])

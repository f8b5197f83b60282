"""One structure of a set read back, against the same rows read by sqlite3 and the job read from its own files."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from geoadjust.errors import InputError
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.jobfile import read_job
from geoadjust.io.results.read_back import read_structure
from geoadjust.process import plain
from geoadjust.run.demo import run_demo


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the demo; its set stands in `out`."""
    folder = tmp_path_factory.mktemp("a folder") / "demo"
    run_demo(folder, overwrite=False, progress=lambda stage, done, total: None)
    return folder


@pytest.fixture
def copied(demo: Path, tmp_path: Path) -> Path:
    """A copy of the set that may be spoiled."""
    return Path(shutil.copytree(demo / "out", tmp_path / "out"))


def rows(out: Path, table: str, row: int) -> list[dict[str, Any]]:
    database = sqlite3.connect(out / "schedule.gpkg")
    database.row_factory = sqlite3.Row
    found = [dict(each) for each in database.execute(f'SELECT * FROM {table} WHERE "row" = ? ORDER BY fid', (row,))]
    database.close()
    return found


def seal(out: Path) -> None:
    """Write size and hash of the spoiled files into the record, as if they had been made so."""
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name in record["files"]:
        data = (out / name).read_bytes()
        record["files"][name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    (out / "run.json").write_text(json.dumps(record), encoding="utf-8")


def change(out: Path, statement: str, *values: str) -> None:
    """Change the set's tables; the layer's triggers look after its geometries, and none is changed here."""
    database = sqlite3.connect(out / "schedule.gpkg")
    for name in ("IsEmpty", "MinX", "MaxX", "MinY", "MaxY"):
        database.create_function(f"ST_{name}", 1, lambda geometry: geometry is None)
    database.execute(statement, values)
    database.commit()
    database.close()
    seal(out)


def fault_of(read: Callable[[], object]) -> str:
    with pytest.raises(InputError) as caught:
        read()
    (fault,) = caught.value.faults
    assert fault.remedy
    return str(fault)


# ---------------------------------------------------------------- what is read


@pytest.mark.parametrize("name", ["SS-133", "SS-146", "SS-147", "SD-103", "0012", "SS-117"])
def test_rows_of_all_tables_are_those_of_the_file(demo: Path, name: str) -> None:
    found = read_structure(demo / "out", name)
    row = found.schedule["row"]
    for table in ("schedule", "models"):
        (there,) = rows(demo / "out", table, row)
        mine = getattr(found, table)
        assert mine == {key: there[key] for key in mine}
        assert len(mine) > 40
    for table, mine in (("stack_parts", found.stack_parts), ("reasons", found.reasons)):
        there = rows(demo / "out", table, row)
        assert [dict(each) for each in mine] == [{key: each[key] for key in mine[0]} for each in there]
    there = rows(demo / "out", "ordinates", row)
    assert [found.ordinates] == [{key: each[key] for key in found.ordinates} for each in there] or (
        found.ordinates == {} and there == []
    )


def test_settings_and_parts_are_those_of_the_job(demo: Path) -> None:
    job = read_job(demo / "job.toml")
    by_name = {rules.name: rules for rules in job.rules}
    for name, used in (("SS-133", "example"), ("WV-105", "valves"), ("SS-143", "side lane")):
        found = read_structure(demo / "out", name)
        assert found.rules == by_name[used]
        assert found.catalogue == read_catalogue("", job.rules)
        assert found.settings["ring"] == plain(job.ring)
        assert found.settings["structures"]["rim_accuracy"] == job.structures.rim_accuracy
    assert (found.units, found.foot) == ("us", "ft")
    assert found.folder == str(demo / "out")


def test_units_are_those_that_people_read(demo: Path, tmp_path: Path) -> None:
    from geoadjust.run.schedule import run_schedule

    for units, foot, told in (("metric", "ft", ("metric", "ft")), ("us", "us-ft", ("us", "us-ft"))):
        out = tmp_path / f"{units}-{foot}"
        flags = {("output", "path"): str(out), ("structures", "vertical_unit"): foot}
        run_schedule(read_job(demo / "job.toml", flags, [f"output.units={units}"]))
        found = read_structure(out, "SS-133")
        assert (found.units, found.foot) == told


def test_reading_leaves_the_set_alone(copied: Path) -> None:
    before = {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in copied.iterdir()}
    for path in copied.iterdir():
        path.chmod(0o444)
    copied.chmod(0o555)
    try:
        read_structure(copied, "SS-133")
    finally:
        copied.chmod(0o755)
    assert {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in copied.iterdir()} == before


def test_odd_names_of_folders_are_names(copied: Path) -> None:
    odd = copied.rename(copied.with_name("a 100 % ?mode=rw#set"))
    assert read_structure(odd, "SS-133").schedule["structure_id"] == "SS-133"


# ---------------------------------------------------------------- which structure


def test_a_row_alone_says_which(demo: Path) -> None:
    assert read_structure(demo / "out", row=32).schedule["structure_id"] == "SS-133"
    assert read_structure(demo / "out", "SS-133", row=32).schedule["row"] == 32


def test_an_id_in_several_rows_lists_them(demo: Path) -> None:
    told = fault_of(lambda: read_structure(demo / "out", "SD-107"))
    assert "'SD-107' stands in 2 rows: row 6 (inlet, Sample Street), row 7 (inlet, Sample Street)" in told
    assert "--row 6" in told
    assert read_structure(demo / "out", "SD-107", row=7).schedule["row"] == 7


def test_many_rows_of_an_id_are_counted(copied: Path) -> None:
    change(copied, "UPDATE schedule SET structure_id = 'same', street = NULL WHERE \"row\" < 25")
    told = fault_of(lambda: read_structure(copied, "same"))
    assert "stands in 25 rows: row 0 (manhole, no street)" in told
    assert told.count("row ") == 10 + 1  # ten of them, --row 0
    assert "and 15 more" in told


def test_a_blank_id_is_found_by_an_empty_text(demo: Path) -> None:
    assert read_structure(demo / "out", "").schedule["row"] == 8


@pytest.mark.parametrize(("wrong", "like"), [("SS-1333", "SS-133"), ("ss-133", "SS-133"), (" 0012 ", "0012")])
def test_an_unknown_id_tells_close_ones(demo: Path, wrong: str, like: str) -> None:
    told = fault_of(lambda: read_structure(demo / "out", wrong))
    assert f"no structure {wrong!r}" in told
    assert like in told.partition("did you mean")[2]


def test_an_id_like_no_other_says_where_to_look(demo: Path) -> None:
    assert "look the id up in schedule.csv" in fault_of(lambda: read_structure(demo / "out", "nothing of the kind"))


def test_a_row_that_is_not_there(demo: Path) -> None:
    assert "no row 999 (allowed: 0 to 52)" in fault_of(lambda: read_structure(demo / "out", row=999))


def test_a_row_of_another_id(demo: Path) -> None:
    assert "row 32 is 'SS-133', not 'SS-134'" in fault_of(lambda: read_structure(demo / "out", "SS-134", row=32))


def test_neither_id_nor_row(demo: Path) -> None:
    assert "neither an id nor a row" in fault_of(lambda: read_structure(demo / "out"))


# ---------------------------------------------------------------- sets that are not what they were


def test_no_set(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not a result of geoadjust"):
        read_structure(tmp_path, "SS-133")


@pytest.mark.parametrize("name", ["schedule.gpkg", "schedule.csv", "columns.csv"])
def test_a_changed_file_is_refused(copied: Path, name: str) -> None:
    path = copied / name
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert f"{name}: changed" in fault_of(lambda: read_structure(copied, "SS-133"))


def test_a_missing_file_is_refused(copied: Path) -> None:
    (copied / "schedule.gpkg").unlink()
    assert "schedule.gpkg: missing" in fault_of(lambda: read_structure(copied, "SS-133"))


def test_a_set_of_another_kind(copied: Path) -> None:
    record = json.loads((copied / "run.json").read_text(encoding="utf-8"))
    del record["files"]["schedule.gpkg"]
    (copied / "run.json").write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(InputError, match=r"holds no schedule\.gpkg"):
        read_structure(copied, "SS-133")


def test_a_set_of_another_version(copied: Path) -> None:
    change(copied, "ALTER TABLE models DROP COLUMN chimneys_bed")
    told = fault_of(lambda: read_structure(copied, "SS-133"))
    assert "lacks 1 columns, models.chimneys_bed among them; it was made by geoadjust 0.1.0" in told


def test_rules_of_another_version(copied: Path) -> None:
    change(copied, "UPDATE run SET value = replace(value, ?, ?) WHERE key = 'rules'", '"joint"', '"mortar"')
    told = fault_of(lambda: read_structure(copied, "SS-133"))
    assert "joint, mortar" in told
    assert "run the job again" in told


def test_a_file_that_is_no_database(copied: Path) -> None:
    (copied / "schedule.gpkg").write_bytes(b"nothing of the kind" * 100)
    seal(copied)
    assert "cannot be read" in fault_of(lambda: read_structure(copied, "SS-133"))

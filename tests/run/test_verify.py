"""Does a result still stand? Nothing that was changed afterwards may go unseen, and what was not changed stands."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyogrio
import pytest

from geoadjust.run.demo import run_demo
from tests.run.commands import run
from tests.run.kinds import ROADS
from tests.run.test_same_road import KINDS
from tests.run.test_schedule import street


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("verify")
    run_demo(place, overwrite=True, progress=lambda *_: None)
    return place


@pytest.fixture
def demo(made: Path, tmp_path: Path) -> Path:
    """A demo of its own: its paths are where it was made, so it is found by --inputs."""
    shutil.copytree(made, tmp_path / "demo")
    return tmp_path / "demo"


def verified(folder: Path, *words: object, code: int = 0) -> dict[str, Any]:
    """What verify says as JSON; faults on stderr come after the line."""
    text = run("verify", folder, "--json", *words, code=code)
    found = json.loads(text.splitlines()[0])
    assert found["stands"] == (code == 0)
    return dict(found)


def sealed(folder: Path) -> None:
    """Make the record agree with the files, as somebody would who wants a change to go unseen."""
    record = json.loads((folder / "run.json").read_text())
    for name in record["files"]:
        content = (folder / name).read_bytes()
        record["files"][name] = {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
    (folder / "run.json").write_text(json.dumps(record))


def edit(folder: Path, *statements: str) -> None:
    """Change the database of a set; guards that need spatial functions are dropped first."""
    database = sqlite3.connect(folder / "schedule.gpkg")
    for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        database.execute(f'DROP TRIGGER "{name}"')
    for statement in statements:
        assert database.execute(statement).rowcount >= 1, statement
    database.commit()
    database.close()
    sealed(folder)


def test_an_untouched_result_stands_and_says_what_was_looked_at(made: Path) -> None:
    found = verified(made / "out")
    assert (found["files"], found["structures"], found["rows"], found["recomputed"]) == (3, 53, 53, 53)
    assert found["figures"] > 10_000
    assert {Path(path).name for path in found["sources"]} == {"structures.gpkg", "road.tif", "centrelines.gpkg"}
    assert "stands" in run("verify", made / "out").splitlines()[0]


def test_the_sources_are_left_as_they_were(demo: Path) -> None:
    def hashes() -> dict[str, str]:
        return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in demo.rglob("*") if path.is_file()}

    before = hashes()
    verified(demo / "out", "--inputs", demo)
    assert hashes() == before


def test_a_sample_is_random_and_can_be_taken_again(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import geoadjust.run.verify as module

    taken: list[list[int]] = []
    original = module.recompute
    monkeypatch.setattr(
        module, "recompute", lambda s, w, rows, n, b: (taken.append(rows), original(s, w, rows, n, b))[1]
    )
    first = verified(made / "out", "--sample", 5)
    again = verified(made / "out", "--sample", 5, "--seed", first["seed"])
    other = verified(made / "out", "--sample", 5, "--seed", 3)
    assert taken[0] == taken[1] != taken[2]
    assert first["recomputed"] == again["recomputed"] == other["recomputed"] == 5
    assert all(rows == sorted(set(rows)) for rows in taken)
    assert verified(made / "out", "--sample", 0)["recomputed"] == 0
    assert verified(made / "out", "--sample", "all")["seed"] is None


TAMPERED = {
    "a chimney": "UPDATE schedule SET chimney_mm = chimney_mm + 0.1 WHERE row = 0",
    "a word": "UPDATE schedule SET method = 'keep' WHERE row = 0",
    "a flag": "UPDATE schedule SET flags = '' WHERE row = 0",
    "a figure that became unknown": "UPDATE schedule SET raise_mm = NULL WHERE row = 0",
    "an ordinate": "UPDATE ordinates SET h01_mm = h01_mm + 0.1 WHERE row = (SELECT min(row) FROM ordinates)",
    "a part": "UPDATE stack_parts SET part = 'other' WHERE fid = 1",
    "a reason": 'UPDATE reasons SET "limit" = 1 WHERE fid = 1',
    "a reason less": "DELETE FROM reasons WHERE fid = 1",
    "an inner figure": "UPDATE models SET rims_target_slope_east = rims_target_slope_east + 0.001 WHERE row = 0",
}


@pytest.mark.parametrize("what", TAMPERED)
def test_a_changed_value_does_not_go_unseen(demo: Path, what: str) -> None:
    edit(demo / "out", TAMPERED[what])
    told = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    table = TAMPERED[what].split()[2 if "DELETE" in TAMPERED[what] else 1]
    assert any(table in each["where"] for each in told), told


def test_rows_are_compared_with_the_input(demo: Path) -> None:
    edit(demo / "out", "UPDATE schedule SET structure_id = 'SS-999' WHERE row = 3")
    told = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    assert [each["where"] for each in told] == ["row 3"]
    assert "SS-999" in told[0]["what"]


def test_a_row_that_went_is_missed(demo: Path) -> None:
    edit(demo / "out", "DELETE FROM schedule WHERE row = 20")
    told = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    assert any("52 rows, 53 recorded" in each["what"] for each in told)


def test_a_file_that_is_not_as_recorded(demo: Path) -> None:
    with (demo / "out" / "schedule.csv").open("a") as file:
        file.write("x\n")
    found = verified(demo / "out", "--inputs", demo, code=3)
    assert [Path(each["where"]).name for each in found["differences"]] == ["schedule.csv"]
    assert found["recomputed"] == 0


@pytest.mark.parametrize("name", ["structures.gpkg", "road.tif", "centrelines.gpkg"])
def test_a_source_that_has_changed_or_is_missing(demo: Path, name: str) -> None:
    with (demo / name).open("ab") as file:
        file.write(b"\0")
    told = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    assert len(told) == 1
    assert "the file has changed since this result was made" in told[0]["what"]
    record = json.loads((demo / "out" / "run.json").read_text())
    record["job"] = json.loads(json.dumps(record["job"]).replace(f"/{name}", f"/gone/{name}"))
    (demo / "out" / "run.json").write_text(json.dumps(record))
    (demo / name).unlink()
    told = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    assert any("missing" in each["what"] and name in each["what"] for each in told)


def test_an_edited_record_is_told(demo: Path) -> None:
    path = demo / "out" / "run.json"
    record = json.loads(path.read_text())
    record["job"]["finished"][0]["overlay"] = 0.06
    path.write_text(json.dumps(record))
    (told,) = verified(demo / "out", "--inputs", demo, code=3)["differences"]
    assert "another job" in told["what"]


def test_another_version_is_noted_and_the_figures_decide(demo: Path) -> None:
    edit(demo / "out", "UPDATE run SET value = '\"0.0.1\"' WHERE key = 'geoadjust'")
    found = verified(demo / "out", "--inputs", demo)
    assert any("0.0.1" in note for note in found["notes"])


def test_no_result_at_all(tmp_path: Path) -> None:
    assert "not a result" in run("verify", tmp_path, code=3)


def test_results_of_field_work_are_compared_by_their_files(made: Path, tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    lines = [f"SS-101,{clock},300 mm,finished,300 mm" for clock in (12, 3, 6, 9)]
    table.write_text("\n".join(["id,clock,reading,reference,radius", *lines]) + "\n")
    run("remeasure", made / "out", table, "--out", tmp_path / "again")
    found = verified(tmp_path / "again")
    assert "only its files were compared" in found["notes"][0]
    with (tmp_path / "again" / "schedule.gpkg").open("ab") as file:
        file.write(b"x")
    verified(tmp_path / "again", code=3)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_surface_is_read_again(make_site: Callable[[], Any], kind: str) -> None:
    site = KINDS[kind](make_site(), ROADS["twisted"])
    site.run()
    assert verified(site.folder / "out")["recomputed"] == 5


def test_the_bias_of_all_rims_is_part_of_it(site: Any) -> None:
    street(site, 60)
    layer = pyogrio.read_dataframe(site.flags[("structures", "path")])
    layer["rim"] += 0.05
    layer.to_file(site.folder / "biased.gpkg")
    site.flags[("structures", "path")] = str(site.folder / "biased.gpkg")
    site.run()
    assert verified(site.folder / "out", "--sample", 12)["recomputed"] == 12
    assert verified(site.folder / "out", "--sample", "all")["recomputed"] == 60
    edit(site.folder / "out", "UPDATE reasons SET value = value + 1 WHERE code = 'batch_bias'")
    told = verified(site.folder / "out", "--sample", "all", code=3)["differences"]
    assert any(each["where"] == "batch_bias" for each in told)

"""Histories as files: only added to, checked line by line, merged, shown."""

from __future__ import annotations

import csv
import json
import multiprocessing
import os
import shutil
import signal
import time
from pathlib import Path

import pytest

from geoadjust.core.history import FIELDS, make_event
from geoadjust.errors import OutputBusyError
from geoadjust.io import history_file
from geoadjust.io.history_file import add_events, read_history
from geoadjust.run.demo import run_demo
from tests.run.commands import run

GAPS = """id,date,gap_12,gap_3,gap_6,gap_9,rocking,bedding,seal,debris,by
SS-101,2026-06-02,2 mm LOW,1 mm PROUD,flush,3 mm LOW,no,full,tight,no,AB
SS-134,2026-06-02,9 mm LOW,1 mm PROUD,flush,3 mm LOW,no,full,tight,no,AB
SS-102,2026-06-02,1 mm LOW,,,,no,full,tight,no,AB
"""
STATES = """id,state,date,chimney_built,parts_built,by,note
SS-101,lowered,2026-05-20,,,EF,=1+1
SS-101,set,2026-05-30,7 1/4 in,two rings,EF,
NOBODY,set,2026-05-30,,,EF,
"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("history")
    run_demo(folder, overwrite=True, progress=lambda *_: None)
    (folder / "gaps.csv").write_text(GAPS, encoding="utf-8")
    (folder / "states.csv").write_text(STATES, encoding="utf-8")
    run("accept", folder / "out", folder / "gaps.csv", "--out", folder / "accepted")
    run("history", "add", folder / "plan.jsonl", folder / "out")
    return folder


@pytest.fixture
def history(demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo / "plan.jsonl", tmp_path / "history.jsonl"))


def test_a_plan_what_crews_say_and_acceptance_make_the_states(demo: Path, history: Path) -> None:
    before = history.read_bytes()
    told = run("history", "add", history, "--states", demo / "states.csv")
    assert "lowered 1, set 1" in told
    assert "NOBODY" in told
    assert "accepted 1" in run("history", "add", history, demo / "accepted")
    assert history.read_bytes().startswith(before)
    found = json.loads(run("history", "show", history, "--json"))
    states = {each["structure"]: each["state"] for each in found["structures"]}
    assert (states["SS-101"], states["SS-134"], states["SS-102"]) == ("accepted", "rework", "planned")
    assert sum(sum(counts.values()) for counts in found["streets"].values()) == len(states) == 53
    built = [event for event in read_history(history) if event.state == "set"]
    assert built[0].values == {"chimney_mm": 184.15, "parts": "two rings"}
    assert [(event.by, event.when) for event in built] == [("EF", "2026-05-30")]


def test_the_same_news_is_not_added_twice(demo: Path, history: Path) -> None:
    before = history.read_bytes()
    assert "53 were there already" in run("history", "add", history, demo / "out")
    assert history.read_bytes() == before


def test_structures_without_an_id_and_with_the_same_one_are_told_apart(demo: Path) -> None:
    names = [event.structure for event in read_history(demo / "plan.jsonl")]
    assert len(names) == len(set(names)) == 53
    assert any(name.startswith("(row ") for name in names)


def test_one_of_two_with_the_same_id_goes_on_in_its_own_chain(demo: Path, history: Path, tmp_path: Path) -> None:
    gaps = tmp_path / "gaps.csv"
    gaps.write_text("row,date,gap_12\n6,2026-06-02,90 mm LOW\n", encoding="utf-8")
    run("accept", demo / "out", gaps, "--out", tmp_path / "accepted")
    run("history", "add", history, tmp_path / "accepted")
    found = {each["structure"]: each for each in json.loads(run("history", "show", history, "--json"))["structures"]}
    assert len(found) == 53
    assert (found["SD-107 (row 6)"]["state"], found["SD-107 (row 7)"]["state"]) == ("rework", "planned")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda data: data.replace(b'"planned"', b'"accepted"', 1), "was changed"),
        (lambda data: data.replace(b",", b", ", 1), "was changed"),
        (lambda data: data[:-1], "cut off"),
        (lambda data: data + data.splitlines(keepends=True)[0], "the same event again"),
        (lambda data: data + b"{}\n", "no event"),
        (lambda data: data + b"\xff\n", "no event"),
        (lambda data: data + b"[" * 100_000 + b"\n", "no event"),
    ],
)
def test_a_changed_file_is_refused_and_left_as_it_is(demo: Path, history: Path, change, told: str) -> None:
    history.write_bytes(change(history.read_bytes()))
    before = history.read_bytes()
    assert told in run("history", "show", history, code=3)
    assert told in run("history", "add", history, demo / "accepted", code=3)
    assert history.read_bytes() == before


def test_an_event_may_not_be_lost_from_the_middle(demo: Path, history: Path) -> None:
    run("history", "add", history, demo / "accepted")
    lines = history.read_bytes().splitlines(keepends=True)
    history.write_bytes(b"".join(line for line in lines if b'"SS-101"' not in line or b"accepted" in line))
    assert "goes on from event" in run("history", "show", history, code=3)


def test_two_peoples_files_are_merged_and_conflicts_listed(demo: Path, history: Path, tmp_path: Path) -> None:
    other = Path(shutil.copy(history, tmp_path / "other.jsonl"))
    run("history", "add", history, "--states", demo / "states.csv")
    run("history", "add", other, demo / "accepted")
    whole = tmp_path / "whole.jsonl"
    done = json.loads(run("history", "merge", history, other, "--out", whole, "--json"))
    assert done["events"] == 53 + 2 + 3
    assert [each["structure"] for each in done["conflicts"]] == ["SS-101"]
    assert "exists" in run("history", "merge", history, other, "--out", whole, code=6)
    more = tmp_path / "more.csv"
    more.write_text("id,state,date,by\nSS-101,rework,2026-06-03,AB\n", encoding="utf-8")
    before = whole.read_bytes()
    assert "--settle" in run("history", "add", whole, "--states", more, code=3)
    assert whole.read_bytes() == before
    run("history", "add", whole, "--states", more, "--settle")
    found = json.loads(run("history", "show", whole, "--json"))
    assert found["conflicts"] == []
    assert {each["structure"]: each["state"] for each in found["structures"]}["SS-101"] == "rework"


def test_states_as_a_table(demo: Path, history: Path, tmp_path: Path) -> None:
    run("history", "show", history, "--out", tmp_path / "states.csv", "--street", "Side Lane")
    with open(tmp_path / "states.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["street"] for row in rows} == {"Side Lane"}
    assert "exists" in run("history", "show", history, "--out", tmp_path / "states.csv", code=6)
    assert "no structure on 'Elsewhere'" in run("history", "show", history, "--street", "Elsewhere", code=3)


def test_results_that_were_changed_are_not_believed(demo: Path, history: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(demo / "accepted", copy)
    with open(copy / "acceptance.gpkg", "ab") as file:
        file.write(b"x")
    before = history.read_bytes()
    run("history", "add", history, copy, code=3)
    assert history.read_bytes() == before


def test_other_names_and_usage(demo: Path, tmp_path: Path) -> None:
    assert ".jsonl" in run("history", "add", tmp_path / "h.csv", demo / "out", code=6)
    assert "--states" in run("history", "add", tmp_path / "h.jsonl", code=2)
    assert "add the plan first" in run("history", "add", tmp_path / "h.jsonl", "--states", demo / "states.csv", code=3)
    assert list(tmp_path.iterdir()) == []


def _one(number: int) -> object:
    return make_event(dict.fromkeys(FIELDS, "") | {"also": [], "source": {}, "values": {}, "structure": str(number)})


def test_a_killed_writer_leaves_a_whole_history(tmp_path: Path) -> None:
    """Killed at any moment: what is there is a whole history, and the next one goes on."""
    path = tmp_path / "history.jsonl"
    for delay in (0.05, 0.11, 0.17, 0.23):
        count = len(read_history(path)) if path.exists() else 0
        process = multiprocessing.get_context("fork").Process(target=_add_from, args=(path, count))
        process.start()
        time.sleep(delay)
        os.kill(process.pid, signal.SIGKILL)  # type: ignore[arg-type]
        process.join()
        if path.exists():
            assert len(read_history(path)) >= count
    add_events(path, lambda there: [_one(-1)])  # type: ignore[list-item]
    assert read_history(path)[-1].structure == "-1"
    assert [each.name for each in tmp_path.iterdir()] == ["history.jsonl"]


def _add_from(path: Path, count: int) -> None:
    for number in range(count, 10**6):
        add_events(path, lambda there, number=number: [_one(number)])  # type: ignore[misc,list-item]


def test_only_one_writes_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "history.jsonl"

    def meanwhile(there):
        with pytest.raises(OutputBusyError):
            add_events(path, lambda _: [])
        return [_one(1)]

    add_events(path, meanwhile)
    assert len(read_history(path)) == 1


def test_old_bytes_are_compared_before_the_file_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "history.jsonl"
    add_events(path, lambda there: [_one(1)])  # type: ignore[list-item]
    before = path.read_bytes()
    monkeypatch.setattr(history_file.Path, "read_bytes", lambda self: b"other" if self.suffix == ".part" else before)
    with pytest.raises(history_file.OutputError):
        add_events(path, lambda there: [_one(2)])  # type: ignore[list-item]
    monkeypatch.undo()
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["history.jsonl"]

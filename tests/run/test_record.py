"""Adjustment records: PDF and CSV of a history. Truth: the events themselves, read back by other readers."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from pypdf import PdfReader

from geoadjust.io.history_file import read_history
from geoadjust.run.demo import run_demo
from tests.run.commands import run

READINGS = """id,reading_12,reading_3,reading_6,reading_9,radius,reference,casting_height,by,taken_at
SS-101,332 mm,330 mm,328 mm,330 mm,300 mm,existing,180 mm,RS,2026-05-29
"""
STATES = "id,state,date,chimney_built,parts_built,by\nSS-101,set,2026-05-30,7 1/4 in,two rings,EF\n"
TESTS = """id,date,boundary,diameter,depth,start,end,seconds,by
SS-101,2026-05-31,on_frame,48 in,9 ft,10 inHg,9.4 inHg,2:30,CD
"""
GAPS = """id,date,gap_12,gap_3,gap_6,gap_9,rocking,bedding,seal,debris,by,note
SS-101,2026-06-02,2 mm LOW,1 mm PROUD,flush,3 mm LOW,no,full,tight,no,AB,=HYPERLINK("x")
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("record")
    run_demo(folder, overwrite=True, progress=lambda *_: None)
    for name, text in (("readings", READINGS), ("states", STATES), ("tests", TESTS), ("gaps", GAPS)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    run("init", folder / "examples", "--examples")
    run("remeasure", folder / "out", folder / "readings.csv", "--out", folder / "measured")
    table = folder / "examples" / "vacuum" / "by_depth.toml"
    run("vacuum", folder / "out", folder / "tests.csv", "--table", table, "--out", folder / "tested")
    run("accept", folder / "measured", folder / "gaps.csv", "--out", folder / "accepted")
    history = folder / "program.jsonl"
    run("history", "add", history, folder / "out", folder / "measured")
    run("history", "add", history, "--states", folder / "states.csv")
    run("history", "add", history, folder / "tested", folder / "accepted")
    run("record", history, "--out", folder / "records", "--units", "us")
    return folder


def test_every_structure_has_its_row_with_all_phases(place: Path) -> None:
    with open(place / "records" / "records.csv", encoding="utf-8", newline="") as file:
        rows = {row["structure"]: row for row in csv.DictReader(file)}
    assert len(rows) == 53
    row = rows["SS-101"]
    assert row["state"] == "accepted"
    assert [row[f"{phase}_when"][:10] for phase in ("measured", "built", "tested", "accepted")] == [
        "2026-05-29", "2026-05-30", "2026-05-31", "2026-06-02"
    ]  # fmt: skip
    assert float(row["built_chimney_mm"]) == pytest.approx(7.25 * 25.4)
    assert (row["tested_outcome"], row["accepted_outcome"], row["measured_by"]) == ("pass", "accepted", "RS")
    events = [event for event in read_history(place / "program.jsonl") if event.structure == "SS-101"]
    assert row["last_event"] == events[-1].event
    assert float(row["planned_chimney_mm"]) == events[0].values["chimney_mm"]
    assert float(row["measured_chimney_mm"]) == events[1].values["chimney_mm"]


def test_each_street_has_its_row(place: Path) -> None:
    with open(place / "records" / "streets.csv", encoding="utf-8", newline="") as file:
        rows = {row["street"]: row for row in csv.DictReader(file)}
    assert {name: (row["structures"], row["accepted"], row["planned"]) for name, row in rows.items()} == {
        "Sample Street": ("49", "1", "48"), "Side Lane": ("4", "0", "4")
    }  # fmt: skip
    assert {row["conflicts"] for row in rows.values()} == {"0"}


def test_each_structure_has_its_page_and_each_street_its_own(place: Path) -> None:
    reader = PdfReader(place / "records" / "records.pdf")
    pages = [page.extract_text() for page in reader.pages]
    found = [text for text in pages if text.startswith("SS-101\n")]
    assert len(found) == 1
    for words in (
        "Measured on the prepared bearing",
        "7 1/4 in",
        "two rings",
        "pass",
        "0.12 in LOW",
        "It is no approval",
    ):
        assert words in found[0].replace("\n", " "), words
    streets = [text for text in pages if text.startswith(("Sample Street\n", "Side Lane\n"))]
    assert len(streets) == 2
    names = {row.structure for row in read_history(place / "program.jsonl")}
    assert all(any(text.startswith(f"{name}\n") for text in pages) for name in names)


def test_only_what_was_asked_for(place: Path) -> None:
    told = json.loads(run("record", place / "program.jsonl", "--out", place / "one", "--id", "SS-101", "--json"))
    assert told["records"] == 1
    assert told["files"][0]["pages"] == 2
    assert "SS-999" in run("record", place / "program.jsonl", "--out", place / "no", "--id", "SS-999", code=3)
    assert not (place / "no").exists()


def test_files_of_others_are_never_replaced(place: Path) -> None:
    words = ["record", place / "program.jsonl", "--out", place / "mine"]
    run(*words)
    assert "--overwrite" in run(*words, code=6)
    run(*words, "--overwrite")
    (place / "mine" / "records.csv").write_text("my own notes", encoding="utf-8")
    assert "not exported by geoadjust" in run(*words, "--overwrite", code=6)


def test_foreign_and_hostile_names_are_kept(place: Path, tmp_path: Path) -> None:
    """A history in which names are long, foreign, or formulas: every one comes back whole."""
    from geoadjust.core.history import FIELDS, make_event
    from geoadjust.io.history_file import write_history

    names = ["=1+1", "@cmd", "Ωμέγα-7", "مرحبا", "<b>x</b>", "A" * 300, "a\nb"]
    blank = dict.fromkeys(FIELDS, "") | {"also": [], "source": {}, "values": {"note": "=2+2"}}
    write_history(tmp_path / "h.jsonl", [make_event(blank | {"structure": name, "state": "set"}) for name in names])
    run("record", tmp_path / "h.jsonl", "--out", tmp_path / "out")
    with open(tmp_path / "out" / "records.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["structure"].removeprefix("'") for row in rows] == names
    assert [row["structure"][0] == "'" for row in rows] == [name[0] in "=@" for name in names]

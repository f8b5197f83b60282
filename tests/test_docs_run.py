"""Every command that a page shows is run, in a folder that holds what the page speaks of."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from geoadjust.cli import main
from tests.test_docs import DOCS, PAGES, ROOT, commands, name

ENDS_OTHERWISE = {
    ("README.md", "check"): 3,  # nobody has said the unit of the heights, as the page says
    ("tutorial.md", "check .demo/job.toml --set structures.vertical_unit="): 3,
    ("tutorial.md", "schedule .demo/job.toml"): 6,  # shown on purpose
}
FROM_DEMO = ("tutorial.md", "use-program.md", "use-survey.md", "use-crews.md", "README.md")
"""Pages that begin with the demo; their commands run one after another."""


def fenced(page: str, first: str) -> str:
    """The table that a page shows, by its first column names."""
    text = (DOCS / page).read_text(encoding="utf-8")
    found = re.search(rf"^```text\n({re.escape(first)}.*?)^```$", text, re.M | re.S)
    assert found, (page, first)
    return found[1]


def run(words: list[str], code: int = 0) -> None:
    done = CliRunner().invoke(main, words)
    assert done.exit_code == code, (words, done.output)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the pages take for granted: the demo's job, its result, tables from the field, results made of them."""
    place = tmp_path_factory.mktemp("town")
    run(["demo", str(place)])
    (place / "readings.csv").write_text(fenced("remeasure.md", "id,reading_12"))
    (place / "gaps.csv").write_text(fenced("accept.md", "id,date,gap_12"))
    (place / "tests.csv").write_text(fenced("vacuum.md", "id,date,boundary"))
    (place / "crew.csv").write_text(fenced("history.md", "id,state,date"))
    (place / "seen.csv").write_text(fenced("accept.md", "id,date,gap_12"))
    shutil.copy(place / "road.tif", place / "after.tif")
    run(["init", str(place / "owner"), "--examples"])
    shutil.copy(next(place.glob("owner/**/by_depth_and_diameter.toml")), place / "owner.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        run(["remeasure", "out", "readings.csv", "--out", "measured"])
        run(["accept", "out", "gaps.csv", "--out", "accepted"])
        run(["vacuum", "out", "tests.csv", "--table", "owner.toml", "--out", "tested"])
        run(["history", "add", "program.jsonl", "out"])
        run(["history", "add", "theirs.jsonl", "out"])
    return place


@pytest.mark.parametrize("path", [path for path in PAGES if path.name in FROM_DEMO], ids=name)
def test_pages_that_begin_with_the_demo(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for words in commands(path):
        code = ENDS_OTHERWISE.get((path.name, " ".join(words)), ENDS_OTHERWISE.get((path.name, words[0]), 0))
        run(words, 4 if "--strict" in words else code)


@pytest.mark.parametrize(
    "path", [path for path in PAGES if path.name not in FROM_DEMO and list(commands(path))], ids=name
)
def test_every_other_command(path: Path, town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each in a copy of the town, without what it would replace."""
    for number, words in enumerate(commands(path)):
        place = tmp_path / str(number)
        shutil.copytree(town, place)
        monkeypatch.chdir(place)
        target = words[words.index("--out") + 1] if "--out" in words else "out" if words[0] == "schedule" else ""
        if target and "--overwrite" not in words:
            shutil.rmtree(place / target, ignore_errors=True)
        run(words)


def test_the_pages_have_as_many_commands_as_they_had() -> None:
    """A page whose blocks are not read any more would not be missed otherwise."""
    counted = {path.relative_to(ROOT).as_posix(): len(list(commands(path))) for path in PAGES}
    assert sum(counted.values()) >= 55
    assert sum(1 for count in counted.values() if count) >= 17

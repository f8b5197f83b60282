"""The command `explain`: what it prints, where it writes, how it says no."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from geoadjust.cli import main
from geoadjust.run.demo import run_demo
from geoadjust.run.explain import explain_structure


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Output folder of the demo."""
    folder = tmp_path_factory.mktemp("somewhere") / "demo"
    run_demo(folder, overwrite=False, progress=lambda stage, done, total: None)
    return folder / "out"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["explain", *map(str, words)])


def test_the_page_goes_to_stdout(out: Path) -> None:
    done = run(out, "SS-133")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == explain_structure(out, "SS-133")
    assert done.stdout.startswith(f"SS-133, row 32 of {out}\n")


def test_the_same_text_goes_into_a_new_file(out: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.txt"
    done = run(out, "SS-133", "--out", page)
    assert (done.exit_code, done.stdout) == (0, f"wrote {page}\n")
    assert page.read_text(encoding="utf-8") == run(out, "SS-133").stdout


def test_a_file_that_is_there_stays(out: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.txt"
    page.write_text("mine", encoding="utf-8")
    done = run(out, "SS-133", "--out", page)
    assert done.exit_code == 6
    assert "is not replaced" in done.stderr
    assert page.read_text(encoding="utf-8") == "mine"


def test_a_place_where_nothing_can_be_written(out: Path, tmp_path: Path) -> None:
    done = run(out, "SS-133", "--out", tmp_path / "nowhere" / "page.txt")
    assert done.exit_code == 5
    assert "page.txt" in done.stderr


def test_nothing_is_written_for_a_structure_that_is_not_there(out: Path, tmp_path: Path) -> None:
    done = run(out, "SS-1333", "--out", tmp_path / "page.txt")
    assert done.exit_code == 3
    assert "did you mean SS-133" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_id_in_several_rows_asks_for_the_row(out: Path) -> None:
    done = run(out, "SD-107")
    assert done.exit_code == 3
    assert "row 6 (inlet, Sample Street), row 7 (inlet, Sample Street)" in done.stderr
    assert run(out, "SD-107", "--row", "7").stdout.startswith("SD-107, row 7 of ")


def test_a_row_alone_will_do(out: Path) -> None:
    assert run(out, "--row", "32").stdout == run(out, "SS-133").stdout
    assert run(out, "--row", "8").stdout.startswith("(no id), row 8 of ")
    assert run(out, "").stdout == run(out, "--row", "8").stdout


def test_neither_id_nor_row(out: Path) -> None:
    done = run(out)
    assert done.exit_code == 3
    assert "--row N" in done.stderr


def test_no_set(tmp_path: Path) -> None:
    done = run(tmp_path, "SS-133")
    assert done.exit_code == 3
    assert "not a result of geoadjust" in done.stderr


def test_the_page_is_the_same_again_and_in_another_process(out: Path) -> None:
    again = subprocess.run(
        [sys.executable, "-m", "geoadjust.cli", "explain", str(out), "SS-147"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert again.stdout == explain_structure(out, "SS-147")


def test_help_says_what_it_does() -> None:
    done = run("--help")
    assert done.exit_code == 0
    assert "SET [ID]" in done.stdout
    assert "--row" in done.stdout

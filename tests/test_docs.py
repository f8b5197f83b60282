"""The pages say what the code does: generated pages are current, commands and links exist, pasted outputs are real."""

from __future__ import annotations

import csv
import importlib.util
import re
import shlex
import sqlite3
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from geoadjust.cli import main
from geoadjust.core.acceptance import KINDS as KINDS_OF_FINDINGS
from geoadjust.core.columns import KINDS, METHODS, READY, RIM_BASES, SEVERITIES
from geoadjust.core.flags import FLAGS
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.rules import RuleSet
from geoadjust.core.settings import settings_of
from geoadjust.io.results.columns import TABLES
from geoadjust.io.results.field_columns import FIELD_TABLES
from geoadjust.process import TABLES as JOB_TABLES
from geoadjust.process import validate_job, validate_table

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *DOCS.rglob("*.md")])
LATER: set[str] = set()
"""Words that no run of this version gives."""

SET_UP = "python3 -m venv .venv && .venv/bin/pip install -q -c .ci/constraints.txt"
TRY_IT = f"{SET_UP} . && .venv/bin/geoadjust demo .demo"
RUN_TESTS = f"{SET_UP} -e '.[test]' && .venv/bin/python -m pytest"


def text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def blocks(path: Path, language: str) -> list[str]:
    """Contents of the fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text(path), flags=re.M | re.S)


def commands(path: Path) -> Iterator[list[str]]:
    """Arguments of every geoadjust command in the sh blocks of a page."""
    for block in blocks(path, "sh"):
        for line in block.splitlines():
            for part in shlex.split(line, comments=True) and re.split(r" && ", line):
                words = shlex.split(part, comments=True)
                if words and words[0].rpartition("/")[2] == "geoadjust":
                    yield words[1:]


# ---------------------------------------------------------------- generated pages


def dictionary():
    spec = importlib.util.spec_from_file_location("make_dictionary", DOCS / "make_dictionary.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_generated_pages_are_current() -> None:
    for path, made in dictionary().pages().items():
        assert text(path) == made, f"{name(path)} is stale: run docs/make_dictionary.py"


def test_reference_has_every_column() -> None:
    page = text(DOCS / "reference" / "columns.md")
    missing = {
        column.name
        for columns in [*TABLES.values(), *FIELD_TABLES.values()]
        for column in columns
        if f"| `{column.name}` |" not in page
    }
    assert missing == set()


def test_reference_has_every_setting_input_column_flag_and_option() -> None:
    page = text(DOCS / "reference" / "settings.md")
    keys = {key for table in JOB_TABLES.values() for key in settings_of(table)}
    codes = {flag.code for flag in FLAGS}
    missing = {word for word in keys | codes | set(INPUT_NAMES) if f"| `{word}` |" not in page}
    options = {max(item.opts, key=len) for _, command in dictionary().commands_of(main) for item in command.params}
    missing |= {option for option in options if option.startswith("--") and f"`{option}" not in page}
    assert missing == set()


def test_reference_has_every_column_of_tables_from_the_field() -> None:
    page = text(DOCS / "reference" / "field.md")
    tables = dictionary().FROM_FIELD.values()
    assert {column.name for _, columns in tables for column in columns if f"| `{column.name}` |" not in page} == set()


# ---------------------------------------------------------------- words


def test_glossary_has_the_words_that_people_meet() -> None:
    page = text(DOCS / "glossary.md").lower()
    kinds = set(KINDS)
    terms = {"structure", "cover", "frame", "casting", "rim", "bearing", "chimney", "grade ring", "riser", "raise"}
    terms |= {"gap", "grade", "cross slope", "station", "ordinate", "mark", "long side", "proud", "low", "measure-down"}
    terms |= {"bar", "break", "axis", "stack", "joint", "recess", "fault", "flag", "output set"}
    words = kinds | terms | set(RIM_BASES) | set(SEVERITIES) | (set(READY) - LATER)
    assert {word for word in words if word not in page} == set()


def test_method_page_has_every_method_and_rule() -> None:
    page = text(DOCS / "method.md")
    assert {word for word in METHODS if f"`{word}`" not in page} == set()
    spoken = {"name", "kinds", "streets", "methods", "max_chimney", "usual_flange_diameter", "usual_frame_diameter"}
    spoken |= {"steep", "min_part"}
    assert {key for key in settings_of(RuleSet) if key not in page} <= spoken


def test_troubleshooting_has_every_flag() -> None:
    page = text(DOCS / "troubleshooting.md")
    assert {flag.code for flag in FLAGS if f"`{flag.code}`" not in page} == set()


def test_accept_page_has_every_finding() -> None:
    page = text(DOCS / "accept.md")
    assert {kind.code for kind in KINDS_OF_FINDINGS if f"| `{kind.code}` |" not in page} == set()


def test_developers_page_names_every_module() -> None:
    page = text(ROOT / "DEVELOPERS.md")
    modules = {path.name for path in (ROOT / "geoadjust").rglob("*.py")} - {"__init__.py"}
    assert {module for module in modules if module not in page} == set()


@pytest.mark.parametrize("path", PAGES, ids=name)
def test_nothing_of_the_workplace(path: Path) -> None:
    words = [
        "/" + "work/",
        "/" + "tmp/",
        "/" + "root",
        "/" + "home/",
        ".." + "/shared",
        "py" + "pi.",
        "python" + "hosted",
    ]
    words += ["local" + "host", "DESIGN" + ".md", "DOMAIN" + ".md", "ECO" + "SYSTEM", "REFER" + "ENCES.md"]
    found = [word for word in words if word in text(path)]
    assert found == []


# ---------------------------------------------------------------- links and commands


@pytest.mark.parametrize("path", PAGES, ids=name)
def test_links_lead_somewhere(path: Path) -> None:
    prose = re.sub(r"^```.*?^```$", "", text(path), flags=re.M | re.S)
    for target in re.findall(r"\]\(([^)\s]+)\)", prose):
        assert "://" not in target, target
        file, _, anchor = target.partition("#")
        there = (path.parent / file).resolve() if file else path
        assert there.exists(), target
        heads = re.findall(r"^#+ (.*)$", text(there), flags=re.M) if anchor else []
        anchors = {re.sub(r"[^\w\- ]", "", head).lower().replace(" ", "-") for head in heads}
        assert not anchor or anchor in anchors, target


def test_index_names_every_page() -> None:
    page = text(DOCS / "index.md")
    others = [path.relative_to(DOCS).as_posix() for path in DOCS.rglob("*.md") if path.name != "index.md"]
    assert [other for other in others if f"({other})" not in page] == []


@pytest.mark.parametrize("path", [path for path in PAGES if list(commands(path))], ids=name)
def test_commands_are_known(path: Path) -> None:
    for words in commands(path):
        command, rest = main.commands[words[0]], words[1:]
        while isinstance(command, click.Group):
            command, rest = command.commands[rest[0]], rest[1:]
        command.make_context(words[0], rest)  # refuses unknown options, words and missing arguments


def test_job_page_shows_jobs_that_are_valid() -> None:
    from geoadjust.core.parts import Catalogue

    job, rules, parts = (tomllib.loads(block) for block in blocks(DOCS / "job.md", "toml"))
    assert job["rules"] == {"path": "owner.toml"}
    assert job["catalogue"] == {"path": "parts.toml"}
    assert [item.name for item in validate_job({**job, **rules}).rules] == ["side streets", "all others"]
    assert validate_table(Catalogue, parts, where="parts").name == parts["name"]


def test_readme_commands_have_their_form() -> None:
    page = text(ROOT / "README.md")
    for heading, command in (("Try it", TRY_IT), ("Run the tests", RUN_TESTS)):
        section = page.split(f"\n## {heading}\n")[1].split("\n## ")[0]
        assert re.findall(r"^```sh\n(.*?)\n```$", section, flags=re.M | re.S) == [command]


def test_readme_commands_write_only_where_they_may() -> None:
    for words in commands(ROOT / "README.md"):
        places = [word for word in words if "/" in word or word.startswith(".")]
        assert places
        assert all(place.startswith(".demo") for place in places), words


# ---------------------------------------------------------------- outputs


@pytest.fixture(scope="module")
def tutorial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo in it."""
    folder = tmp_path_factory.mktemp("tutorial")
    done = subprocess.run(
        [sys.executable, "-m", "geoadjust.cli", "demo", ".demo"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (folder / "demo.txt").write_text(done.stdout, encoding="utf-8")
    return folder


def normal(output: str) -> str:
    """Output without line breaks, times and the folder's own path."""
    output = re.sub(r"in \d+\.\d s", "in T s", output)
    return " ".join(re.sub(r"\S*/\.demo/out: exists", ".../.demo/out: exists", output).split())


def test_tutorial_shows_real_outputs(tutorial: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tutorial)
    shown = re.findall(r"^```sh\n([^\n]*)\n```\n\n```text\n(.*?)^```$", text(DOCS / "tutorial.md"), flags=re.M | re.S)
    assert len(shown) >= 5
    for command, output in shown:
        words = shlex.split(command)[1:]
        if words[0] == "demo":
            found = text(tutorial / "demo.txt")
        else:
            found = CliRunner().invoke(main, words, prog_name="geoadjust").output
        assert normal(found) == normal(output), command


def test_the_site_has_every_page() -> None:
    spec = importlib.util.spec_from_file_location("make_site", DOCS / "make_site.py")
    assert spec is not None
    assert spec.loader is not None
    site = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(site)
    listed = {page for pages in site.SECTIONS.values() for page in pages} - {"decisions", "reference/api"}
    pages = {path.relative_to(DOCS).with_suffix("").as_posix() for path in DOCS.rglob("*.md")}
    pages = {page for page in pages if not page.startswith("decisions/")} - {"index"}
    assert listed == pages | {"README", "DEVELOPERS"}


def test_python_of_the_docs_runs(tutorial: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of one page run one after another, as in a notebook."""
    monkeypatch.chdir(tutorial)
    names: dict[str, object] = {}
    blocks = re.findall(r"^```python\n(.*?)^```$", text(DOCS / "python.md"), flags=re.M | re.S)
    assert len(blocks) == 2
    for block in blocks:
        exec(compile(block, "docs/python.md", "exec"), names)
    assert (tutorial / ".demo/chimney.svg").is_file()


def rows_of(page: str, first: str) -> list[dict[str, str]]:
    """Rows of the Markdown table whose first column bears this name."""
    lines = page[page.index(f"| {first} |") :].split("\n\n")[0].splitlines()
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [dict(zip(cells[0], row, strict=True)) for row in cells[2:]]


def test_tutorial_shows_real_rows(tutorial: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tutorial)
    out = tmp_path / "out"
    assert CliRunner().invoke(main, ["schedule", ".demo/job.toml", "--out", str(out)]).exit_code == 0
    with open(out / "schedule.csv", encoding="utf-8", newline="") as file:
        schedule = {row["structure_id"]: row for row in csv.DictReader(file)}
    page = text(DOCS / "tutorial.md")
    for row in rows_of(page, "structure_id"):
        assert row.items() <= schedule[row["structure_id"]].items()
    assert schedule["SS-136"]["lower_by_in"] == "2.5"
    with sqlite3.connect(out / "schedule.gpkg") as database:
        query = "SELECT code, severity, text FROM reasons WHERE structure_id = 'SS-148' ORDER BY fid"
        reasons = [dict(zip(("code", "severity", "text"), row, strict=True)) for row in database.execute(query)]
    database.close()
    assert rows_of(page, "code") == reasons

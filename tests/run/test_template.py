"""Templates of whole sets by the command: who gets one, on which circumference, what is refused.

The street rises 3 % and the liner `tube` has an outside diameter of 700 mm, so 2199.115 mm round it.
"""

import json
import math
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader
from shapely.geometry import Point

from geoadjust.cli import main
from geoadjust.errors import InputError, OutputBusyError
from geoadjust.run.template import MOST, TemplateOptions, draw_templates, is_template
from tests.run.test_methods import PARTS

AROUND = 700 * math.pi
IDS = ("A-1", "A-2", "twin", "twin", "=1+2 <b>", "yard")
NAMES = ["template-strip.pdf", "template-tiles.pdf"]


@pytest.fixture(scope="module")
def lined(make_site: Callable[[], Any]) -> Path:
    """A set of five liners and a cover outside the paving."""
    site = make_site()
    site.road(lambda e, n: 100 + 0.03 * n + 0.0 * e)
    count = len(IDS)
    table = {"id": list(IDS), "kind": ["manhole"] * count, "street": ["North"] * 2 + ["South"] * (count - 2)}
    table |= {
        "casting": ["cover"] * count,
        "gap": [0.0] * count,
        "existing_chimney": [60.0] * count,
        "paved": ["yes"] * 5 + ["no"],
    }
    table |= {"bearing_outside_diameter": [900.0] * count, "bearing_inside_diameter": [600.0] * count}
    site.structures(table, [Point(500_000, 4_500_000 + 2.0 * place - 5) for place in range(count)])
    (site.folder / "parts.toml").write_text(PARTS)
    site.flags |= {
        ("catalogue", "path"): str(site.folder / "parts.toml"),
        ("structures", "vertical_unit"): "m",
        ("structures", "dimension_unit"): "mm",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
    }
    rows = site.run()
    assert [row["method"] for row in rows] == ["liner"] * 5 + ["not_paved"]
    return Path(site.folder / "out")


def call(*words: object) -> Result:
    return CliRunner().invoke(main, ["template", *map(str, words)])


def table(folder: Path, text: str) -> Path:
    (folder / "tape.csv").write_text(text, encoding="utf-8")
    return folder / "tape.csv"


def test_every_liner_has_a_strip_and_tiles(lined: Path, tmp_path: Path) -> None:
    done = call(lined, "--out", tmp_path / "out", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == NAMES
    assert (told["structures"], told["left_out"]) == (6, {"not_paved": 1})
    assert [each["row"] for each in told["templates"]] == [0, 1, 2, 3, 4]
    for each in told["templates"]:
        assert each["circumference_assumed"]
        assert not each["measured_bearing"]
        assert each["circumference_mm"] == pytest.approx(AROUND, abs=0.001)
    strip, tiles = (PdfReader(tmp_path / "out" / name) for name in NAMES)
    assert len(strip.pages) == 5
    assert len(tiles.pages) == 5 * (1 + 10)
    for page in strip.pages:
        assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(AROUND + 50 + 14 + 30, abs=0.01)
    assert [entry["/Title"] for entry in tiles.outline] == list(IDS[:5])
    assert all("PLAN, NOT MEASURED" in page.extract_text() for page in [*strip.pages, *tiles.pages])


def test_heights_on_the_guide_are_those_of_the_set(lined: Path, tmp_path: Path) -> None:
    """Read by sqlite3, in millimetres."""
    draw_templates(lined, tmp_path / "out", TemplateOptions(ids=("A-1",)))
    with sqlite3.connect(lined / "schedule.gpkg") as database:
        names = ", ".join(f"h{place:02d}_mm" for place in range(1, 17))
        stored = database.execute(f'SELECT {names} FROM ordinates WHERE "row" = 0').fetchone()
    guide = PdfReader(tmp_path / "out" / NAMES[1]).pages[0].extract_text()
    lines = [line.strip() for line in guide.splitlines()]
    found = [float(line.removesuffix(" mm")) for line in lines if line.endswith(" mm") and line[0].isdigit()]
    assert [each for each in found if each != 100] == [math.floor(height + 0.5) for height in stored]


def test_a_measured_circumference_sets_the_length(lined: Path, tmp_path: Path) -> None:
    for place, (given, size) in enumerate((("86 5/8 in", 86.625 * 25.4), ("2205 mm", 2205.0))):
        out = tmp_path / str(place)
        done = call(lined, "--out", out, "--id", "A-2", "--circumference", given, "--json")
        assert done.exit_code == 0, done.output
        (told,) = json.loads(done.stdout)["templates"]
        assert (told["circumference_mm"], told["circumference_assumed"]) == (pytest.approx(size), False)
        (page,) = PdfReader(out / NAMES[0]).pages
        assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(size + 94, abs=0.01)
        assert "ASSUMED" not in page.extract_text()


def test_circumferences_from_a_table(lined: Path, tmp_path: Path) -> None:
    """Liners without a line keep the catalogue's; a structure that is no liner may stand in the table."""
    file = table(tmp_path, "id,circumference\nA-1,2200 mm\n=1+2 <b>,86 3/4 in\nyard,100 in\nA-2,\n")
    done = call(lined, "--out", tmp_path / "out", "--circumferences", file, "--json")
    assert done.exit_code == 0, done.output
    told = {each["row"]: each for each in json.loads(done.stdout)["templates"]}
    assert {row: each["circumference_assumed"] for row, each in told.items()} == {
        **{0: False, 1: True, 2: True, 3: True, 4: False}
    }
    assert told[0]["circumference_mm"] == 2200
    assert told[4]["circumference_mm"] == pytest.approx(86.75 * 25.4)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("id,circumference\nZ-9,2200 mm\n", "line 2: no structure with id 'Z-9'"),
        ("id,circumference\ntwin,2200 mm\n", "2 structures with id 'twin'"),
        ("id,circumference\nA-1,2200 mm\nA-1,2201 mm\n", "line 3: 'A-1' stands twice"),
        ("id,circumference\nA-1,2200\n", "a number without a unit"),
        ("id,circumference\nA-1,700 mm\n", "68 % under the 2199 mm"),
        ("id,circumference\nA-1,-2200 mm\n", "is not above zero"),
        ("name,circumference\nA-1,2200 mm\n", "allowed: id, circumference"),
    ],
)
def test_tables_that_cannot_be_are_refused(lined: Path, tmp_path: Path, text: str, said: str) -> None:
    done = call(lined, "--out", tmp_path / "out", "--circumferences", table(tmp_path, text))
    assert done.exit_code == 3
    assert said in done.output
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--id", "yard"), "--id: yard: its method is not_paved (allowed: liner)"),
        (("--id", "A-1", "--id", "nobody"), "--id: no structure with 'nobody'"),
        (("--street", "East"), "--street: no structure with 'East'"),
        (("--street", "North", "--id", "twin"), "no structure fits all filters"),
        (("--circumference", "2200 mm"), "--circumference: given for 5 liners"),
        (("--id", "A-1", "--circumference", "86 5/8"), "a number without a unit"),
        (("--id", "A-1", "--circumference", "1900 mm"), "14 % under the 2199 mm"),
        (("--id", "A-1", "--circumference", "2200 mm", "--circumferences", "x.csv"), "given beside"),
    ],
)
def test_what_cannot_be_is_refused(lined: Path, tmp_path: Path, given: tuple[str, ...], said: str) -> None:
    done = call(lined, "--out", tmp_path / "out", *given)
    assert done.exit_code == 3
    assert said in done.output
    assert not (tmp_path / "out").exists()


def test_faults_of_all_structures_are_told_at_once(lined: Path, tmp_path: Path) -> None:
    file = table(tmp_path, "id,circumference\nA-1,1 m\nA-2,1 m\n")
    with pytest.raises(InputError) as caught:
        draw_templates(lined, tmp_path / "out", TemplateOptions(circumferences=file))
    assert [fault.where for fault in caught.value.faults] == ["structure A-1", "structure A-2"]


def test_a_set_without_a_liner_is_refused(make_site: Callable[[], Any], tmp_path: Path) -> None:
    site = make_site()
    site.road(lambda e, n: 100 + 0.02 * e + 0.0 * n)
    site.structures({"id": ["one"], "kind": ["manhole"]}, [Point(500_000, 4_500_000)])
    site.run('structures.vertical_unit="m"', 'structures.dimension_unit="mm"')
    with pytest.raises(InputError, match="none of 1 structures has a liner"):
        draw_templates(site.folder / "out", tmp_path / "out", TemplateOptions())


def test_too_many_are_refused(lined: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST >= 100
    monkeypatch.setattr("geoadjust.run.template.MOST", 4)
    with pytest.raises(InputError, match="5 liners"):
        draw_templates(lined, tmp_path / "out", TemplateOptions())


def test_only_our_templates_are_replaced(lined: Path, tmp_path: Path) -> None:
    one = (lined, "--out", tmp_path, "--street", "North")
    first = call(*one)
    assert (first.exit_code, "2 templates of 6 structures" in first.output) == (0, True)
    assert "note: 2 of 2 are plans" in first.output
    assert all(is_template(tmp_path / name) for name in NAMES)
    before = [(tmp_path / name).read_bytes() for name in NAMES]
    assert call(*one).exit_code == 6
    assert call(*one, "--overwrite").exit_code == 0
    assert [(tmp_path / name).read_bytes() for name in NAMES] == before
    (tmp_path / NAMES[0]).write_bytes(b"%PDF-1.4\nsomebody's")
    assert call(*one, "--overwrite").exit_code == 6
    assert (tmp_path / NAMES[0]).read_bytes() == b"%PDF-1.4\nsomebody's"
    with pytest.raises(OutputBusyError):
        draw_templates(lined, lined / "inside", TemplateOptions())


def test_a_liner_longer_than_a_page_has_tiles_alone(
    lined: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geoadjust.report.template.document.LONGEST", 2000.0)
    written = draw_templates(lined, tmp_path, TemplateOptions(ids=("A-1",)))
    assert [path.name for path in tmp_path.iterdir()] == [NAMES[1]]
    assert any("tiles only" in note for note in written.notes)

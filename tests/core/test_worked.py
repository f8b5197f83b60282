"""Five structures worked by hand: every quantity of the sheets, to the digits that they state.

fixtures/worked holds a sheet to read (Markdown) and the same figures for this test (TOML). The sheets' figures were
worked out with decimal arithmetic apart from this package. Every figure of the TOML must stand in its sheet.
"""

import math
import re
import tomllib
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from geoadjust.core.columns import quantities_of
from geoadjust.core.flags import FLAGS
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.plan import Role, Scatter, Surfaces, plan
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.surface import GridSurface
from geoadjust.core.uncertainty import Accuracy
from geoadjust.units import parse_length, parse_ratio

FOLDER = Path(__file__).parents[2] / "fixtures" / "worked"
SHEETS = sorted(FOLDER.glob("*.toml"))
UNITS = {
    "m": 1.0, "mm": 0.001, "us-ft": 1200 / 3937, "%": 0.01, "deg": math.pi / 180, "": 1.0,
}  # fmt: skip
ANGLED = ("axis",)
SLOPED = ("slope_east", "slope_north")
PARTS = {"stacks.parts": "ring", "liners.part": "liner"}


def read(path):
    with path.open("rb") as file:
        return tomllib.load(file)


def inner(name, value, words=()):
    """What a sheet gives, in SI."""
    if words and isinstance(value, str):
        return words.index(value)
    if not isinstance(value, str):
        return value
    if name in ANGLED:
        return math.radians(float(value.removesuffix(" deg")))
    return float(parse_ratio(value) if name in SLOPED else parse_length(value))


def accuracy_of(given):
    """What a sheet says of its sources; everything that it does not say has the job's default."""
    lengths = {name: float(parse_length(value)) for name, value in given.items() if isinstance(value, str)}
    shifts = {name: tuple(map(float, map(parse_length, value))) for name, value in given.items() if name not in lengths}
    return Accuracy(**lengths, surfaces=shifts.get("existing", ()))


@pytest.fixture(scope="module", params=SHEETS, ids=lambda path: path.stem)
def worked(request, make_structures, make_grid):
    """The sheet's tables and the plan of its structure on a raster of its plane."""
    sheet = read(request.param)
    structures = make_structures()
    quantities = quantities_of(type(structures))
    given = {name: inner(name, value, quantities[name].words) for name, value in sheet["structure"].items()}
    given.setdefault("axis", math.nan)
    road = {name: inner(name, value) for name, value in sheet["road"].items()}
    grid: GridSurface = make_grid(
        lambda e, n: road["height"] + road["slope_east"] * e + road["slope_north"] * n, column=0.31, row=-0.17
    )
    rules = TypeAdapter(RuleSet).validate_python(sheet["rules"])
    catalogue = TypeAdapter(Catalogue).validate_python(sheet.get("catalogue", {}))
    surfaces = Surfaces(Role([grid], [Scatter()], [0]))
    setting = Setting(Ring(), rough=0.010, accuracy=accuracy_of(sheet.get("accuracy", {})))
    found = plan(make_structures(**given), surfaces, rules, catalogue, setting)
    return sheet, found, catalogue, request.param.with_suffix(".md").read_text(encoding="utf-8")


def shown(text):
    """Value, its unit, and half a unit of its last digit."""
    number, _, unit = text.partition(" ")
    return float(number), unit, 0.5 * 10.0 ** Decimal(number).as_tuple().exponent


def check(name, found, expected, words):
    if expected == "unknown":
        assert found == -1 if np.issubdtype(type(found), np.integer) else np.isnan(found), name
    elif words:
        assert found >= 0, name
        assert words[found] == expected, name
    else:
        value, unit, half = shown(expected)
        assert abs(found / UNITS[unit] - value) <= half + 1e-9, f"{name}: {found / UNITS[unit]} is not {expected}"


def test_five_sheets():
    assert [path.stem for path in SHEETS] == [path.stem for path in sorted(FOLDER.glob("*.md"))]
    assert len(SHEETS) == 5


def test_every_quantity_of_the_sheet(worked):
    sheet, found, catalogue, _ = worked
    for name, expected in sheet["expected"].items():
        bundle, field = name.split(".")
        values = getattr(getattr(found, bundle), field)[0]
        if name in PARTS:
            stock = getattr(catalogue, PARTS[name])
            chosen = [stock[part].id for part in np.atleast_1d(values) if part >= 0]
            assert chosen == ([expected] if isinstance(expected, str) else expected)
            continue
        words = quantities_of(type(getattr(found, bundle)))[field].words
        if isinstance(expected, list):
            for station, (value, text) in enumerate(zip(values, expected, strict=True), 1):
                check(f"{name} {station}", value, text, words)
        else:
            check(name, values, expected, words)


def test_all_reasons_of_the_sheet_and_no_other(worked):
    sheet, found, _, _ = worked
    reasons = found.reasons
    codes = [FLAGS[code].code for code in reasons.code]
    assert sorted(codes) == sorted(sheet["reasons"])
    for code, value, limit in zip(codes, reasons.value, reasons.limit, strict=True):
        for number, text in zip((value, limit), sheet["reasons"][code], strict=True):
            if text:
                assert abs(number - shown(text)[0]) <= shown(text)[2] + 1e-9, code
            else:
                assert np.isnan(number), code


def test_the_sheet_that_people_read_says_the_same(worked):
    """Every figure of the TOML stands in the sheet, in a row that names its quantity."""
    sheet, _, _, text = worked
    rows = [line for line in text.splitlines() if line.startswith("|")]

    def row_of(name):
        (row,) = [line for line in rows if f"`{name}`" in line]
        return row

    for name, expected in sheet["expected"].items():
        row = row_of(name)
        if name == "stacks.parts":
            assert row.endswith(f"| {' '.join(expected)} |")
        elif name == "stacks.turn":
            assert row.endswith(f"| {', '.join(turn for turn in expected if turn != 'unknown')} |")
        elif isinstance(expected, list):
            alone = len(set(expected)) == 1
            table = row if alone else text[text.index(row) :].split("\n\n")[0]
            assert set(re.findall(r"\d+\.\d+ mm", table)) == set(expected), name
        else:
            assert row.endswith(f"| {expected} |"), name
    for code, numbers in sheet["reasons"].items():
        assert all(number in row_of(code) for number in numbers), code


def test_spread_of_the_chimney(worked):
    """Largest less smallest height: on the sheet, and no field of its own."""
    sheet, found, _, text = worked
    if sheet["title"].startswith("A measure-down"):
        spread = 1000 * (found.chimneys.height_max - found.chimneys.height_min)[0]
        assert spread == pytest.approx(24.727, abs=5e-4)
        assert "| 24.727 mm |" in text

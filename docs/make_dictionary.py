"""Writes the pages of docs/reference from what the code declares.

Run it after a change of a column, a setting, an input column, a flag or an option:

    .venv/bin/python docs/make_dictionary.py

A test compares the pages with what this script makes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any

import click

from geoadjust.cli import main as cli
from geoadjust.core.columns import READY, SEVERITIES
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.inputs import INPUT_COLUMNS, InputColumn
from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.rules import RulesFile
from geoadjust.core.settings import Count, Length, Number, Ratio, Setting, Word, settings_of
from geoadjust.io.intake import gaps, readings, states, vacuum_tests
from geoadjust.io.intake.field_cells import FieldColumn
from geoadjust.io.results.columns import SCHEDULE, TABLES, Column
from geoadjust.io.results.field_columns import DESCRIBED, FIELD_TABLES, MADE_BY
from geoadjust.io.results.people import shown_name, shown_unit
from geoadjust.io.results.tables import RING_SCHEMA
from geoadjust.process import NEEDED, REPEATED, flags, job_schema
from geoadjust.process import TABLES as JOB_TABLES

REFERENCE = Path(__file__).parent / "reference"
MADE = "<!-- Made by docs/make_dictionary.py from the code: do not edit. -->\n"

RINGS = {
    "row": "0-based row of the input",
    "structure_id": "id of the structure, as read",
    "inner_m": "inner radius of the ring [m]",
    "outer_m": "outer radius of the ring [m]",
    "geom": "polygon in the structures' CRS",
}
"""The layer `rings` is not among the declared tables: it is written on request."""

GROUPS = {
    "text": "text",
    "word": "word",
    "position": "coordinate",
    "height": "length; bare numbers in `structures.vertical_unit`",
    "dimension": "length; bare numbers in `structures.dimension_unit`",
    "size": "length, or WIDTHxLENGTH; bare numbers in `structures.dimension_unit`",
    "angle": "degrees",
    "slope": "per cent",
    "count": "whole number",
    "yes_no": "1/0, yes/no, true/false",
}
LIMIT_UNITS = {"angle": (1.0, " deg"), "slope": (100.0, " %"), "count": (1.0, "")}
"""Factor and unit in which a group's limits are shown; all others are lengths in m."""

PARTS = {"casting": CastingPart, "ring": RingPart, "riser": RiserPart, "liner": LinerPart}
"""Tables of a catalogue."""

ENDLESS = 1e9
"""A number whose upper limit is this has none."""


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table."""
    head = list(head)
    lines = [head, ["---"] * len(head), *(list(row) for row in rows)]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines) + "\n"


def code(text: str) -> str:
    """Text in code style; nothing for an empty one."""
    return f"`{text}`" if text else ""


# ---------------------------------------------------------------- columns


def columns_page() -> str:
    """Every column of every table, and the names that people see in `schedule.csv`."""
    parts = [MADE, "# Columns of the result\n", COLUMNS_INTRO]
    for name, columns in TABLES.items():
        parts += [f"\n## `{name}`\n", f"{DESCRIBED[name]}.\n", table(COLUMN_HEAD, map(_column, columns))]
        if name == "schedule":
            parts.append(SCHEDULE_NOTE)
    for name, columns in FIELD_TABLES.items():
        made = f"{DESCRIBED[name]}. Made by `geoadjust {MADE_BY[name]}`.\n"
        parts += [f"\n## `{name}`\n", made, table(COLUMN_HEAD, map(_column, columns))]
    rows = [[code(name), code(str(RING_SCHEMA.field(name).type)), title] for name, title in RINGS.items()]
    parts += ["\n## `rings`\n", RINGS_NOTE, table(["column", "type", "meaning"], rows)]
    parts += ["\n## `schedule.csv`\n", CSV_NOTE, table(CSV_HEAD, _csv_rows())]
    return "\n".join(parts)


COLUMNS_INTRO = """\
`schedule.gpkg` is the record: SI units, unrounded for people. `schedule.csv` is for people: display units, rounded.
`columns.csv` in every output set says the same as this page for the units of that run.

`row` is the 0-based row of the input. It is the key of every table, because an id may be blank or stand twice. An empty
cell (NULL) means: not known, or not applicable here. The flags say why. The column *plus* says what a positive number
means.
"""

SCHEDULE_NOTE = """
The layer then carries every column of the input, unchanged. An input column that bears one of the names above, or a
name that a GeoPackage keeps for itself (`fid`, `geom`, `ogc_fid`, `rowid`), is called `src_` and its name. The geometry
is the input's point: the first one where a row has several, none where it has none.
"""

RINGS_NOTE = "Polygon layer, written only with `output.rings = true`: where the road was read round each cover.\n"

CSV_NOTE = """\
One row per input row, in input order. `us`: inches in sixteenths, written as decimals (2.25 is 2 1/4 in), and feet to 3
decimals. Which foot it is says `columns.csv`: the international foot, or the US survey foot where structures or surface
are in it. `metric`: millimetres to 1 decimal, metres to 3. Slopes have 3 decimals, angles 1. Coordinates are rounded to
about a millimetre. Ties are rounded away from zero, so that raise and lower print alike. A text that a spreadsheet
would take for a formula gets a leading apostrophe.
"""

COLUMN_HEAD = ["column", "type", "unit", "meaning", "plus", "words"]
CSV_HEAD = ["in `schedule`", "`us`", "unit", "`metric`", "unit"]


def _column(column: Column) -> list[str]:
    words = ", ".join(map(code, column.words))
    return [code(column.name), column.type, column.unit, column.title, column.plus, words]


def _csv_rows() -> Iterator[list[str]]:
    for column in SCHEDULE:
        us, metric = (shown_unit(column, units, "ft") for units in ("us", "metric"))
        foot = "ft or US survey ft" if us == "ft" else us
        yield [code(column.name), code(shown_name(column, "us")), foot, code(shown_name(column, "metric")), metric]
    for name in ("easting", "northing"):
        yield ["the point", code(name), "that of the CRS", code(name), "that of the CRS"]


# ---------------------------------------------------------------- settings


def settings_page() -> str:
    """Every table of the job, the catalogue, the input columns, the flags and the commands."""
    parts = [MADE, "# Settings, input columns, flags, commands\n", SETTINGS_INTRO, "\n## The job file\n"]
    reached = {(flag.table, flag.key): f"--{flag.name}" for flag in flags()}
    for name, declared in JOB_TABLES.items():
        head = f"[[{name}]]" if name == "rules" else f"[{name}]"
        parts += [f"\n### `{head}`\n", f"{_doc(declared)} {_use(name)}\n", _settings(declared, name, reached)]
        if name == "rules":
            parts += [RULES_NOTE, _settings(RulesFile, "rules", reached)]
    parts += ["\n## The catalogue\n", CATALOGUE_NOTE, _settings(Catalogue, "", {})]
    for name, part in PARTS.items():
        parts += [f"\n### `[[{name}]]`\n", f"{_doc(part)}\n", _settings(part, "", {})]
    parts += ["\n## Input columns\n", INPUT_NOTE, table(INPUT_HEAD, map(_input, INPUT_COLUMNS))]
    parts += ["\n## Flags\n", FLAGS_NOTE, table(FLAG_HEAD, map(_flag, sorted(FLAGS, key=lambda flag: flag.code)))]
    parts += ["\n## Commands\n", *_commands()]
    return "\n".join(parts)


SETTINGS_INTRO = """\
Lengths are text with their unit: `"7 3/4 in"`, `"1'-2 3/8\\""`, `"0.65 ft"`, `"200 mm"`. Slopes and shares are text or
numbers: `"2 %"`, `"1:48"`, `0.02`. Unknown keys are refused. Every key can be set from the command line with
`--set table.key=value`; the keys with an option of their own show it below. The defaults are the set named *example*;
they are nobody's standard.
"""

RULES_NOTE = """
Or one table with a path alone, which names a file of `[[rules]]` tables:
"""

CATALOGUE_NOTE = """\
A TOML file of parts, named by `catalogue.path`. Without it the built-in parts are used: invented round figures,
nobody's products.
"""

INPUT_NOTE = """\
Columns that the layer of structures may have. A column that already bears our name (in any case) needs no entry; all
others are mapped with `columns = { ours = "THEIRS" }`. `"@z"` stands for the points' own Z. Text with a unit is read in
any length column. A cell that cannot be read, or that lies outside the limits, is left out and flagged; the row stays.
Columns marked *kept* are read by no computation of this version.
"""

FLAGS_NOTE = """\
One row of table `reasons` per structure and flag. *At best* is the best `ready` that a structure with this flag can
have; the worst of its flags decides, and `order` has [rules of its own](../method-uncertainty.md) besides. Where the
method is `unknown`, so is `ready`. `{value}`, `{limit}` and `{subject}` are filled in per structure; `{subject}` is an
input column.
"""

INPUT_HEAD = ["column", "read as", "plausible", "meaning", "words", "used"]
FLAG_HEAD = ["flag", "severity", "at best", "unit", "sentence"]
SETTING_HEAD = ["key", "default", "allowed", "meaning", "option"]


def _doc(declared: type) -> str:
    return (declared.__doc__ or "").splitlines()[0]


def _use(name: str) -> str:
    needed = "Needed." if name in NEEDED else "May be left out."
    return f"{needed} May stand several times." if name in REPEATED else needed


def _settings(declared: type, name: str, reached: Mapping[tuple[str, str], str]) -> str:
    described = settings_of(declared)
    items = [item for item in fields(declared) if item.name in described]  # type: ignore[arg-type]
    rows = (_setting(item, described[item.name], reached.get((name, item.name), "")) for item in items)
    return table(SETTING_HEAD, rows)


def _setting(item: Any, setting: Setting, option: str) -> list[str]:
    return [code(item.name), _default(item, setting), _allowed(setting), setting.help, code(option)]


def _default(item: Any, setting: Setting) -> str:
    if item.default is MISSING and item.default_factory is MISSING:
        return "needed"
    default = item.default if item.default is not MISSING else item.default_factory()
    return "" if default in (None, "") or default == {} else code(setting.show(default))


def _allowed(setting: Setting) -> str:
    if isinstance(setting, Word):
        return ", ".join(code(word) for word in setting.words if word)
    if isinstance(setting, (Length, Count)):
        return f"{setting.low} to {setting.high}"
    if isinstance(setting, Number):
        return f"{setting.low:g} to {setting.high:g}" if setting.high < ENDLESS else f"{setting.low:g} and more"
    if isinstance(setting, Ratio):
        return f"{100 * setting.low:g} % to {100 * setting.high:g} %"
    return ""


def _input(column: InputColumn) -> list[str]:
    words = ", ".join(map(code, column.words))
    used = "yes" if column.used else "kept"
    return [code(column.name), GROUPS[column.group], _limits(column), column.help, words, used]


def _limits(column: InputColumn) -> str:
    if math.isinf(column.low):
        return ""
    factor, unit = LIMIT_UNITS.get(column.group, (1.0, " m"))
    return f"{factor * column.low:g} to {factor * column.high:g}{unit}"


def _flag(flag: Any) -> list[str]:
    return [code(flag.code), SEVERITIES[flag.severity], READY[flag.ready], flag.unit, flag.text]


def _commands() -> Iterator[str]:
    job = {f"--{flag.name}" for flag in flags()}
    for name, command in commands_of(cli):
        arguments = [item.make_metavar(click.Context(command)) for item in command.params if _is_argument(item)]
        yield f"\n### `{' '.join(['geoadjust', name, *arguments])}`\n"
        yield f"{(command.help or '').strip()}\n"
        takes_job = job <= {name for item in command.params for name in item.opts}
        options = [item for item in command.params if not _is_argument(item)]
        if takes_job:
            options = [item for item in options if not job & set(item.opts)]
            yield "Takes the options named above for keys of the job, and:\n"
        if options:
            yield table(["option", "meaning"], [[code(_option(item)), _option_help(item)] for item in options])


def commands_of(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command with its whole name, by name; those of a group behind it."""
    for name, command in sorted(group.commands.items()):
        yield f"{before}{name}", command
        if isinstance(command, click.Group):
            yield from commands_of(command, f"{before}{name} ")


def _is_argument(item: click.Parameter) -> bool:
    return isinstance(item, click.Argument)


def _option(item: click.Parameter) -> str:
    if getattr(item, "is_flag", False):
        return item.opts[0]
    kind = getattr(item, "type", None)
    metavar = "N" if isinstance(kind, click.IntRange) else item.make_metavar(click.Context(click.Command("x")))
    return f"{item.opts[0]} {metavar}"


def _option_help(item: Any) -> str:
    limits = f", {item.type.min} to {item.type.max}" if isinstance(item.type, click.IntRange) else ""
    return f"{item.help} (default {item.default}{limits})" if item.show_default and not item.is_flag else str(item.help)


# ---------------------------------------------------------------- tables from the field

FROM_FIELD: dict[str, tuple[str, tuple[FieldColumn, ...]]] = {
    "readings": ("Readings on prepared bearings, for `geoadjust remeasure`", readings.COLUMNS),
    "gaps": ("Gaps on finished covers, for `geoadjust accept`", gaps.COLUMNS),
    "tests": ("Vacuum tests, for `geoadjust vacuum`", vacuum_tests.COLUMNS),
    "states": ("What crews say of structures, for `geoadjust history add`", states.COLUMNS),
}
"""What people write in the field: what it is, and its columns."""

FIELD_INTRO = """\
Tables that people fill: CSV (commas or semicolons), a spreadsheet (extra `export`) or a GeoPackage. The first line
names the columns; their order is free, other columns are told and not read. Lengths have their units (`7 1/4 in`,
`184 mm`); `--unit` states that of bare numbers. Every fault of a table is told at once, with its line (exit code 3).
"""


def field_page() -> str:
    """Every column of every table that people fill."""
    parts = [MADE, "# Tables from the field\n", FIELD_INTRO]
    for name, (title, columns) in FROM_FIELD.items():
        parts += [
            f"\n## {name.capitalize()}\n",
            f"{title}.\n",
            table(["column", "holds", "meaning"], map(_field, columns)),
        ]
    return "\n".join(parts)


def _field(column: FieldColumn) -> list[str]:
    holds = f"one of {', '.join(map(code, column.words))}" if column.words else column.holds
    limits = f", {column.low:g} m to {column.high:g} m" if column.holds == "length" else ""
    return [code(column.name), holds + limits, column.help]


def pages() -> dict[Path, str]:
    """File to its text."""
    makers = {"columns.md": columns_page, "settings.md": settings_page, "field.md": field_page}
    schema = json.dumps(job_schema(), ensure_ascii=False, indent=2) + "\n"
    return {**{REFERENCE / name: make() for name, make in makers.items()}, REFERENCE / "job.schema.json": schema}


if __name__ == "__main__":
    REFERENCE.mkdir(exist_ok=True)
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8")

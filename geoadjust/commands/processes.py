"""Every command as a process of OGC API - Processes - Part 1 (OGC 18-062), made from what the command line declares.

What the standard has no word for stands in `additionalParameters` of an input: how the command line takes it
(`argument` with its place, or `option`), what a path leads to (`file`), the job's key (`key`), the input that it may be
left out for (`unless`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import click

from geoadjust import __version__
from geoadjust.commands.files import CSV, DXF, GEOJSON, GPKG, HTML, JSON, KINDS, PDF, TOML, XLSX
from geoadjust.commands.schemas import small
from geoadjust.process import NEEDED_PATHS, flags, job_schema

Output = tuple[str, str, str]
"""File in the folder, media type, what it is."""

ABOUT: tuple[Output, ...] = (
    ("columns.csv", CSV, "what each column means"),
    ("run.json", JSON, "how it was made"),
)
OUTPUT_SET: tuple[Output, ...] = (
    ("schedule.gpkg", GPKG, "layer of structures with all figures, and the tables"),
    ("schedule.csv", CSV, "the same for people, in their units"),
    *ABOUT,
)
OUTPUTS: dict[str, tuple[Output, ...]] = {
    "schedule": OUTPUT_SET,
    "demo": OUTPUT_SET,
    "remeasure": OUTPUT_SET,
    "init": (("job.toml", TOML, "a commented job file"),),
    "sheets": (("sheets.pdf", PDF, "field sheets"),),
    "template": (
        ("template-strip.pdf", PDF, "cut lines at 1:1 for a plotter"),
        ("template-tiles.pdf", PDF, "cut lines at 1:1 on pages to tape"),
    ),
    "report": (("report.html", HTML, "page with a map"),),
    "export": (
        ("schedule.xlsx", XLSX, "workbook"),
        ("points.csv", CSV, "points for stake-out"),
        ("schedule.geojson", GEOJSON, "features in longitude and latitude"),
        ("schedule.dxf", DXF, "drawing"),
    ),
    "accept": (
        ("acceptance.gpkg", GPKG, "layer of judged covers"),
        ("acceptance.csv", CSV, "the same for people"),
        *ABOUT,
    ),
    "vacuum": (
        ("vacuum.gpkg", GPKG, "layer of tested structures"),
        ("vacuum.csv", CSV, "the same for people"),
        *ABOUT,
    ),
    "record": (
        ("records.pdf", PDF, "a page for each street and structure"),
        ("records.csv", CSV, "the structures"),
        ("streets.csv", CSV, "the streets"),
    ),
}
"""Files that a process leaves in its folder; what it prints, and a file that an option names, are not among them."""

TITLES = {
    "accept": "Accept finished covers",
    "check": "Check a job",
    "demo": "Demo street",
    "describe": "Description for other programs",
    "explain": "Explain one structure",
    "export": "Files for other programs",
    "history-add": "Add to a history",
    "history-merge": "Merge two histories",
    "history-show": "Where each street stands",
    "init": "Commented job file",
    "plugin": "Plugin for the desktop GIS",
    "record": "Adjustment records",
    "remeasure": "Plan again from field readings",
    "report": "Map report",
    "schedule": "Schedule of structures",
    "sheets": "Field sheets",
    "template": "Cut lines at 1:1",
    "vacuum": "Vacuum tests",
    "verify": "Does a result still stand?",
}
"""What people read where they choose a process."""

WORDS = {"structure_id": "id of a structure", "command": "one of the commands"}
"""Arguments that are no paths."""

TEXT = {"type": "string"}
KEYWORDS = ("street castings", "manholes", "valves", "resurfacing")


def processes(root: click.Group) -> Iterator[tuple[str, click.Command]]:
    """Ids and commands; those of a group follow its name."""
    for name, command in sorted(root.commands.items()):
        if isinstance(command, click.Group):
            yield from ((f"{name}-{inner}", found) for inner, found in processes(command))
        else:
            yield name, command


def summary(name: str, command: click.Command) -> dict[str, Any]:
    """The entry of a process in the list of processes."""
    text = " ".join((command.help or "").split())
    return {
        "id": name,
        "title": TITLES.get(name, name),
        "description": text,
        "version": __version__,
        "keywords": list(KEYWORDS),
        "jobControlOptions": ["sync-execute"],
        "outputTransmission": ["reference"],
        "links": [],
    }


def process(name: str, command: click.Command) -> dict[str, Any]:
    """The whole description of a process."""
    arguments = [param for param in command.params if isinstance(param, click.Argument)]
    words = {"title": "command line", "parameters": [_fact("command", *name.split("-"))]}
    return {
        **summary(name, command),
        "additionalParameters": words,
        "inputs": {input_id(param): _input(param, arguments) for param in command.params},
        "outputs": {_output_id(file): _output(file, media, what) for file, media, what in OUTPUTS.get(name, ())},
    }


def input_id(param: click.Parameter) -> str:
    """Name of an input: that of the option without its dashes, or of the argument."""
    return param.opts[0].lstrip("-")


def holds(param: click.Parameter) -> str:
    """What the path of an input leads to; empty where it is no path."""
    return str(getattr(param.type, "holds", ""))


def _title(table: str, key: str) -> str:
    """What a key of the job is called.

    Examples
    --------
    >>> _title("structures", "path"), _title("surface", "vertical_unit")
    ('structures', 'surface: vertical unit')
    """
    return table if key == "path" else f"{table}: {key.replace('_', ' ')}"


def _fact(name: str, *values: str) -> dict[str, Any]:
    return {"name": name, "value": list(values)}


def _input(param: click.Parameter, arguments: list[click.Argument]) -> dict[str, Any]:
    job_flags = {f"--{flag.name}": flag for flag in flags()}
    facts = []
    if isinstance(param, click.Argument):
        facts.append(_fact("argument", str(arguments.index(param))))
    else:
        facts.append(_fact("option", *param.opts, *param.secondary_opts))
    flag = job_flags.get(param.opts[0]) if isinstance(param, click.Option) and "__" in str(param.name) else None
    if flag:
        facts.append(_fact("key", f"{flag.table}.{flag.key}"))
        if (flag.table, flag.key) in NEEDED_PATHS:
            facts.append(_fact("unless", "job"))
    if holds(param):
        facts.append(_fact("file", holds(param)))
    many = param.nargs == -1 or (param.multiple and not flag)
    told = getattr(param, "help", None) or KINDS.get(holds(param), (WORDS.get(str(param.name), ""),))[0]
    return {
        "title": _title(flag.table, flag.key) if flag else input_id(param).replace("-", " "),
        "description": told.rpartition(" [")[0] if flag else told,
        "minOccurs": 1 if param.required else 0,
        "maxOccurs": "unbounded" if many else 1,
        "schema": _schema(param),
        "additionalParameters": {"title": "command line", "parameters": facts},
    }


def _schema(param: click.Parameter) -> dict[str, Any]:
    """Schema of one value of an input."""
    kind = param.type
    found: dict[str, Any] = dict(TEXT)
    if getattr(param, "is_flag", False):
        found = {"type": "boolean"}
    elif isinstance(kind, click.Choice):
        found["enum"] = list(kind.choices)
    elif isinstance(kind, click.IntRange):
        limits = {"minimum": kind.min, "maximum": kind.max}
        found = {"type": "integer", **{key: value for key, value in limits.items() if value is not None}}
    elif isinstance(kind, click.DateTime):
        found["format"] = "date"
    elif holds(param):
        found = _file(holds(param))
    default = param.to_info_dict().get("default")
    if default is not None and not param.required and isinstance(default, (str, int, bool)) and default != "":
        found["default"] = default
    return found


def _file(what: str) -> dict[str, Any]:
    """Schema of a file: its path or a link to it, in one of these types."""
    typed = [{**TEXT, "contentMediaType": media} for media in KINDS[what][1]]
    if what == "job":
        return {"oneOf": [*typed, small(job_schema())]}
    return {"oneOf": typed} if len(typed) > 1 else typed[0] if typed else {**TEXT, "format": "path"}


def output_ids(name: str) -> frozenset[str]:
    """Ids of what a process makes."""
    return frozenset(_output_id(file) for file, _, _ in OUTPUTS.get(name, ()))


def _output_id(file: str) -> str:
    return file.replace(".", "-")


def _output(file: str, media: str, what: str) -> dict[str, Any]:
    facts: Mapping[str, Any] = {"title": "command line", "parameters": [_fact("file", file)]}
    return {
        "title": file,
        "description": what,
        "schema": {**TEXT, "contentMediaType": media},
        "additionalParameters": facts,
    }

"""From the declared settings to everything that is said about a job: validation, template, flags, JSON Schema.

Nothing here describes a setting; the fields of `geoadjust.core.rules` do. No file is touched here.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import cache
from typing import Any, get_args, get_type_hints

from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.rules import (
    CatalogueTable,
    CentrelinesTable,
    FinishedTable,
    Job,
    OutputTable,
    PavedTable,
    RingTable,
    RuleSet,
    RulesFile,
    StructuresTable,
    SurfaceTable,
)
from geoadjust.core.settings import Word, settings_of
from geoadjust.errors import Fault, InputError

TABLES: dict[str, type] = {
    "structures": StructuresTable,
    "surface": SurfaceTable,
    "finished": FinishedTable,
    "paved": PavedTable,
    "centrelines": CentrelinesTable,
    "ring": RingTable,
    "rules": RuleSet,
    "catalogue": CatalogueTable,
    "output": OutputTable,
}
REPEATED = ("surface", "finished", "paved", "rules")
NEEDED = ("structures", "surface", "output")


@dataclass(frozen=True, slots=True)
class Flag:
    """A command-line flag that reaches one key of the job."""

    name: str
    table: str
    key: str
    help: str
    words: tuple[str, ...]
    file: str = ""


def flags() -> Iterator[Flag]:
    """Flags of the common keys, in the order of the job's tables."""
    for table, declared in {**TABLES, "rules.path": RulesFile}.items():
        for key, setting in settings_of(declared).items():
            if setting.flag:
                words = tuple(word for word in setting.words if word) if isinstance(setting, Word) else ()
                yield Flag(setting.flag, table.partition(".")[0], key, setting.help, words, setting.file)


def validate_job(data: Mapping[str, Any]) -> Job:
    """A job from its tables as read from TOML.

    Parameters
    ----------
    data : the tables; `surface`, `finished`, `paved` and `rules` may be one table or a list

    Raises
    ------
    InputError
        with all faults together
    """
    from pydantic import ValidationError

    tables = {key: _as_list(value) if key in REPEATED else value for key, value in data.items()}
    tables.setdefault("output", {})
    job, faults = None, []
    try:
        job = _adapter(Job).validate_python(tables)
    except ValidationError as error:
        faults = [_fault(item, Job) for item in error.errors()]
    faults += _faults_between(tables, faults)
    if faults:
        raise InputError(faults)
    return job  # type: ignore[return-value]


def validate_table(table: type, data: Mapping[str, Any], *, where: str) -> Any:
    """One settings dataclass from a mapping; every fault is put under `where`."""
    from pydantic import ValidationError

    try:
        return _adapter(table).validate_python(data)
    except ValidationError as error:
        raise InputError([_fault(item, table, where) for item in error.errors()]) from None


def job_schema() -> dict[str, Any]:
    """JSON Schema of the job file: what people write, with the defaults as they would write them."""
    schema: dict[str, Any] = _adapter(Job).json_schema()
    for table in TABLES.values():
        _written_defaults(table, schema["$defs"][table.__name__]["properties"])
    tables = schema["properties"]
    for name, declared in TABLES.items():
        one: dict[str, Any] = {"$ref": f"#/$defs/{declared.__name__}"}
        tables[name] = {"anyOf": [one, {"type": "array", "items": one}]} if name in REPEATED else one
    schema["$defs"][RulesFile.__name__] = _adapter(RulesFile).json_schema()
    tables["rules"]["anyOf"].append({"$ref": f"#/$defs/{RulesFile.__name__}"})
    return {"$schema": DIALECT, **schema, "title": "A geoadjust job", "required": ["structures", "surface"]}


DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _written_defaults(table: type, properties: dict[str, Any]) -> None:
    """The validation knows defaults in metres; people write text with a unit."""
    settings = settings_of(table)
    for item in fields(table):
        default = properties[item.name].pop("default", None)
        if default is not None:
            written = tomllib.loads(f"value = {settings[item.name].show(default)}")["value"]
            properties[item.name]["default"] = written


@cache
def _adapter(table: type) -> Any:
    """Checks of one settings dataclass; made once in a process, since it takes longer than to use them."""
    from pydantic import TypeAdapter

    return TypeAdapter(table)


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, Mapping) else value


def _fault(error: Mapping[str, Any], table: type, where: str = "") -> Fault:
    """What a validation of `table` found, in our words."""
    path = [str(part) for part in error["loc"]]
    place = ".".join([where, *path] if where else path)
    if error["type"] == "missing":
        return Fault(place, "missing", remedy=f'write {path[-1]} = "..."')
    if error["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        known = _known_keys(path, table)
        close = difflib.get_close_matches(path[-1], known, n=1)
        return Fault(place, "unknown key", ", ".join(known), f"did you mean {close[0]}?" if close else "remove it")
    return Fault(place, error["msg"].removeprefix("Value error, "))


def _known_keys(path: list[str], table: type) -> list[str]:
    """Keys of the table that a path leads to, from `table` down; its last name is the unknown key."""
    for name in path[:-1]:
        if not name.isdigit():  # a place in a list
            table = _inner_table(get_type_hints(table)[name])
    return list(TABLES) if table is Job else [item.name for item in fields(table)]


def _inner_table(hint: Any) -> type:
    """The settings table in a hint: itself, or in a list, or where it may be missing."""
    return next(item for item in (hint, *get_args(hint)) if is_dataclass(item) and isinstance(item, type))


def _faults_between(tables: Mapping[str, Any], found: list[Fault]) -> list[Fault]:
    """Faults between keys, of tables as read; a table of a list that has a fault already is not judged as a whole."""
    faults = [*_column_faults(tables), *_rule_faults(tables), *_finished_faults(tables)]
    if tables.get("surface") == []:
        faults.append(Fault("surface", "no surface", remedy="write one [surface] table"))
    spoilt = {".".join(fault.where.split(".")[:2]) for fault in found}
    return [fault for fault in faults if fault.where not in spoilt]


def _items(tables: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    """Tables of a list as read; what is no table is left to the validation of types."""
    found = tables.get(name, [])
    return [item if isinstance(item, Mapping) else {} for item in found] if isinstance(found, list) else []


def _column_faults(tables: Mapping[str, Any]) -> Iterator[Fault]:
    structures = tables.get("structures")
    columns, kinds = (structures.get(key) if isinstance(structures, Mapping) else None for key in ("columns", "kinds"))
    for name in columns if isinstance(columns, Mapping) else ():
        if name not in INPUT_NAMES:
            close = difflib.get_close_matches(str(name), INPUT_NAMES, n=1)
            remedy = f"did you mean {close[0]}?" if close else "write ours = theirs"
            yield Fault(f"structures.columns.{name}", "not one of our columns", ", ".join(INPUT_NAMES), remedy)
    words = settings_of(StructuresTable)["default_kind"].schema()["enum"]
    for theirs, ours in kinds.items() if isinstance(kinds, Mapping) else ():
        if isinstance(ours, str) and ours not in words:
            yield Fault(f"structures.kinds.{theirs}", f"{ours!r} is not a kind", ", ".join(words))


def _rule_faults(tables: Mapping[str, Any]) -> Iterator[Fault]:
    if tables.get("rules") == []:
        yield Fault("rules", "no rule set", remedy="leave the table out, or write one")
    sets = _items(tables, "rules")
    names = [str(rules.get("name", RuleSet.name)) for rules in sets]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield Fault("rules", f"two rule sets are named {name!r}", remedy="give each its own name")
    for index, rules in enumerate(sets):
        last = index == len(sets) - 1
        condition = any(rules.get(key) for key in ("kinds", "streets", "pedestrian"))
        if last and condition:
            remedy = "add one without kinds, streets and pedestrian"
            yield Fault(f"rules.{index}", "the last rule set has a condition", remedy=remedy)
        if not last and not condition:
            yield Fault(f"rules.{index}", "matches everything, later sets are never used", remedy="put it last")


def _finished_faults(tables: Mapping[str, Any]) -> Iterator[Fault]:
    finished = _items(tables, "finished")
    for index, table in enumerate(finished):
        for key, word in (("overlay", "an overlay"), ("areas", "paving areas"), ("cross_slope", "a cross slope")):
            if table.get("path") and table.get(key) not in (None, ""):
                yield Fault(f"finished.{index}", f"both a design surface and {word}", remedy="keep one of them")
        if not table.get("path") and index:
            yield Fault(f"finished.{index}", "a second table without a design surface", remedy="keep one")
    if finished and any(table.get("path") for table in finished) != all(table.get("path") for table in finished):
        yield Fault("finished", "a design surface and a table without one", remedy="keep one of them")


def template() -> str:
    """A commented job file that says every key, its default and its help; an example where it has no default."""
    lines = [
        '# A geoadjust job. Lengths are text with their unit: "7 3/4 in", "0.65 ft", "200 mm", "1\'-2 3/8\\"".',
        "# A line that begins with # says the default; one that is marked [example] has none.",
        "",
    ]
    for name, table in TABLES.items():
        head = f"[[{name}]]" if name == "rules" else f"[{name}]"
        lines += [_line(head if name in NEEDED else f"# {head}", (table.__doc__ or "").splitlines()[0])]
        lines += [_template_line(name, item) for item in fields(table)]
        lines.append("")
    return "\n".join(lines)


NEEDED_PATHS = {
    ("structures", "path"): "covers.gpkg",
    ("surface", "path"): "road.tif",
    ("output", "path"): "out",
}
SUGGESTED = {
    ("surface", "vertical_unit"): "m",
    ("surface", "accuracy"): "15 mm",
    ("finished", "mill"): "40 mm",
    ("finished", "overlay"): "50 mm",
    ("finished", "accuracy"): "15 mm",
    ("finished", "cross_slope"): "2 %",
    ("paved", "path"): "as_built.tif",
    ("paved", "accuracy"): "15 mm",
    ("centrelines", "path"): "streets.gpkg",
    ("rules", "max_grade"): "5 %",
    ("rules", "max_cross_slope"): "1:48",
    ("rules", "max_edge_gap"): "6 mm",
    ("rules", "max_settlement"): "6 mm",
}
"""What a key without a default may look like."""


def _template_line(table: str, item: Any) -> str:
    setting = settings_of(TABLES[table])[item.name]
    place = table, item.name
    if place in NEEDED_PATHS:
        return _line(f'{item.name} = "{NEEDED_PATHS[place]}"', setting.help)
    if place in SUGGESTED:
        return _line(f'# {item.name} = "{SUGGESTED[place]}"', f"{setting.help} [example]")
    default = item.default if item.default is not MISSING else item.default_factory()
    return _line(f"# {item.name} = {setting.show(default)}", setting.help)


def _line(text: str, remark: str) -> str:
    return f"{text:<41} # {remark}"


def plain(value: Any) -> Any:
    """Settings as plain dictionaries, lists, numbers and texts (metres, m/m), for records and hashes.

    What is no number (NaN, infinity) becomes None: JSON has no word for it.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {key: plain(item) for key, item in sorted(value.items())}
    return None if isinstance(value, float) and not math.isfinite(value) else value

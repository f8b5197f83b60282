"""Catalogues of castings, rings and risers: a TOML file, or the built-in example."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib.resources import files
from math import comb
from pathlib import Path

from geoadjust.core.rules import Catalogue, RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.jobfile import read_toml
from geoadjust.process import validate_table

MOST_STACKS = 500_000


def read_catalogue(path: str, rules: Iterable[RuleSet]) -> Catalogue:
    """Parts of a catalogue.

    Parameters
    ----------
    path : TOML file; empty = the built-in example
    rules : rule sets that will use it; they decide how many stacks it makes

    Raises
    ------
    InputError
        naming every fault: unknown keys, sizes past their limits, ids that stand twice, too many stacks
    """
    where = path or "example catalogue"
    data = read_toml(Path(path), where="catalogue.path") if path else tomllib.loads(example_text())
    catalogue: Catalogue = validate_table(Catalogue, data, where=where)
    faults = [
        Fault(where, f"{kind} id {name!r} stands twice", remedy="give each part its own id")
        for kind, ids in (
            ("casting", _ids(catalogue.casting)),
            ("ring", _ids(catalogue.ring)),
            ("riser", _ids(catalogue.riser)),
        )
        for name in sorted({name for name in ids if ids.count(name) > 1})
    ]
    known = _ids(catalogue.casting)
    for riser in catalogue.riser:
        missing = [name for name in riser.castings if name not in known]
        faults += [Fault(where, f"riser {riser.id!r} names casting {name!r}, which is not listed") for name in missing]
    most = max((rule.max_rings for rule in rules), default=0)
    stacks = comb(sum(ring.available for ring in catalogue.ring) + most, most)
    if stacks > MOST_STACKS:
        what = f"{len(catalogue.ring)} rings, {most} at a time, make {stacks} stacks"
        faults.append(Fault(where, what, f"up to {MOST_STACKS}", "lower max_rings or set available = false"))
    if faults:
        raise InputError(faults)
    return catalogue


def example_text() -> str:
    """The built-in example catalogue as TOML."""
    return files("geoadjust.io").joinpath("example_parts.toml").read_text(encoding="utf-8")


def _ids(parts: Iterable[object]) -> list[str]:
    return [part.id for part in parts]  # type: ignore[attr-defined]

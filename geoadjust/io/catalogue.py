"""Catalogues of castings, rings, risers and liners: a TOML file, or the built-in example."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from importlib.resources import files
from math import comb
from pathlib import Path

from geoadjust.core.parts import FULL_TURN, CastingPart, Catalogue, LinerPart, RingPart
from geoadjust.core.rules import RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.jobfile import read_toml
from geoadjust.process import validate_table
from geoadjust.units import format_mm

MOST_STACKS = 500_000
MOST_TAPERED = 2
"""Tapered rings in one stack; two can be turned against each other, which makes every slope up to their sum."""
TURN_SLACK = 1e-6

Wrong = tuple[str, str, str, str]
"""Key of a part, what is wrong with it, what is allowed, what to write."""


def read_catalogue(path: str, rules: Iterable[RuleSet]) -> Catalogue:
    """Parts of a catalogue.

    Parameters
    ----------
    path : TOML file; empty = the built-in example
    rules : rule sets that will use it; they decide how many stacks it makes

    Raises
    ------
    InputError
        naming every fault: unknown keys, sizes past their limits or that cannot all be true, ids that stand twice, too
        many stacks
    """
    where = path or "example catalogue"
    data = read_toml(Path(path), where="catalogue.path") if path else tomllib.loads(example_text())
    catalogue: Catalogue = validate_table(Catalogue, data, where=where)
    faults = [
        *_id_faults(catalogue, where),
        *(
            Fault(f"{where}: {kind} {name!r}: {key}", what, allowed, remedy)
            for kind, name, (key, what, allowed, remedy) in _wrong_parts(catalogue)
        ),
        *_stack_faults(catalogue, rules, where),
    ]
    if faults:
        raise InputError(faults)
    return catalogue


def example_text() -> str:
    """The built-in example catalogue as TOML."""
    return files("geoadjust.io").joinpath("example_parts.toml").read_text(encoding="utf-8")


def count_stacks(flat: int, tapered: int, most: int) -> int:
    """Stacks of up to `most` rings, in any order, each kind as often as wanted, at most two of them tapered.

    Examples
    --------
    Of one flat ring F and one tapered ring T, at most two: none, F, FF, T, TF, TT.

    >>> count_stacks(1, 1, 2)
    6
    """
    return sum(
        (comb(tapered + turned - 1, turned) if turned else 1) * comb(flat + most - turned, most - turned)
        for turned in range(min(MOST_TAPERED, most) + 1)
    )


def _id_faults(catalogue: Catalogue, where: str) -> Iterator[Fault]:
    for kind in ("casting", "ring", "riser", "liner"):
        ids = [part.id for part in getattr(catalogue, kind)]
        for name in sorted({name for name in ids if ids.count(name) > 1}):
            yield Fault(where, f"{kind} id {name!r} stands twice", remedy="give each part its own id")
    known = [casting.id for casting in catalogue.casting]
    for riser in catalogue.riser:
        for name in riser.castings:
            if name not in known:
                what = f"riser {riser.id!r} names casting {name!r}, which is not listed"
                yield Fault(where, what, ", ".join(known), "list the casting, or take its name out")


def _stack_faults(catalogue: Catalogue, rules: Iterable[RuleSet], where: str) -> Iterator[Fault]:
    rings = [ring for ring in catalogue.ring if ring.available]
    flat = sum(ring.thickness is not None for ring in rings)
    most = max((rule.max_rings for rule in rules), default=0)
    stacks = count_stacks(flat, len(rings) - flat, most)
    if stacks > MOST_STACKS:
        what = f"{len(rings)} rings, {most} at a time, make {stacks} stacks"
        yield Fault(where, what, f"up to {MOST_STACKS}", "lower max_rings or set available = false")


def _wrong_parts(catalogue: Catalogue) -> Iterator[tuple[str, str, Wrong]]:
    for casting in catalogue.casting:
        yield from (("casting", casting.id, wrong) for wrong in _wrong_casting(casting))
    for ring in catalogue.ring:
        yield from (("ring", ring.id, wrong) for wrong in _wrong_ring(ring))
    for liner in catalogue.liner:
        yield from (("liner", liner.id, wrong) for wrong in _wrong_liner(liner))


def _wrong_casting(part: CastingPart) -> Iterator[Wrong]:
    """Rings of iron that would have no width; of a rectangle the smaller side counts, for the seat the larger one."""
    flange, top = min(_sides(part.flange_outside_diameter)), max(_sides(part.frame_top_diameter))
    yield from _wrong_order("flange_inside_diameter", part.flange_inside_diameter, "flange_outside_diameter", flange)
    yield from _wrong_order("ridge_diameter", part.ridge_diameter, "flange_outside_diameter", flange)
    yield from _wrong_order("seat_diameter", part.seat_diameter, "frame_top_diameter", top)
    for key in ("flange_inside_diameter", "seat_diameter"):
        if getattr(part, key) == 0:
            yield key, "0 mm", "more than 0 mm", "leave it out where it is unknown"


def _sides(size: tuple[float, float]) -> list[float]:
    """Diameter alone, or width and length."""
    return [side for side in size if side]


def _wrong_ring(part: RingPart) -> Iterator[Wrong]:
    sides = [name for name in ("thin", "thick") if getattr(part, name) is not None]
    allowed = "thickness, or thin and thick with outside_diameter"
    if part.thickness is None and not sides:
        yield "thickness", "missing, and so are thin and thick", allowed, 'write thickness = "50 mm"'
    elif part.thickness is not None and sides:
        what = f"stands beside {' and '.join(sides)}"
        yield "thickness", what, allowed, "keep thickness of a flat ring, thin and thick of a tapered one"
    elif len(sides) == 1:
        missing = "thick" if sides == ["thin"] else "thin"
        yield missing, f"missing, {sides[0]} is stated", allowed, f'write {missing} = "..."'
    elif sides:
        yield from _wrong_taper(part)
    turns = FULL_TURN / part.turn_step
    if abs(turns - round(turns)) > TURN_SLACK:
        what = f"a full turn is {turns:.6g} steps of {part.turn_step:g} degrees"
        yield "turn_step", what, "steps that make a full turn", "write for example turn_step = 5"
    yield from _wrong_order("inside_diameter", part.inside_diameter, "outside_diameter", part.outside_diameter)


def _wrong_taper(part: RingPart) -> Iterator[Wrong]:
    thin, thick = part.thin or 0.0, part.thick or 0.0
    if thick < thin:
        what = f"{format_mm(thick)} is less than thin, {format_mm(thin)}"
        yield "thick", what, "thin or more", "exchange thin and thick"
    if not part.outside_diameter:
        what = "missing, a tapered ring's slope follows from it"
        yield "outside_diameter", what, "true outside diameter", 'write outside_diameter = "..."'


def _wrong_liner(part: LinerPart) -> Iterator[Wrong]:
    yield from _wrong_order("inside_diameter", part.inside_diameter, "outside_diameter", part.outside_diameter)
    if part.height is not None and part.height < part.min_height:
        what = f"{format_mm(part.height)} is less than min_height, {format_mm(part.min_height)}"
        yield "height", what, "min_height or more", "lower min_height, or leave height out where any is to be had"


def _wrong_order(key: str, inner: float | None, other: str, outer: float | None) -> Iterator[Wrong]:
    """What lies inside must be smaller than what lies round it, where both are stated."""
    if inner is not None and outer is not None and inner >= outer:
        what = f"{format_mm(inner)} is not less than {other}, {format_mm(outer)}"
        yield key, what, f"less than {other}", f"correct {key} or {other}"

"""Stacks as people read them, and the table of their parts from the bearing upwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.columns import METHODS, POLICIES
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.io.intake.cells import Floats, different, numbers, rounded, table_schema, words
from geoadjust.io.results.columns import STACK_PARTS
from geoadjust.io.working.chunk_files import Records

NO_RING = "no ring"
KINDS = STACK_PARTS[4].words
OLD_STACK, JOINT, RING, LINER, RISER = range(len(KINDS))
NONE = -1

Index = NDArray[np.int64]


def stack_texts(results: Records, rings: Sequence[RingPart], bundle: str = "stacks") -> pa.Array:
    """Rings bottom to top joined by ' + ', a tapered one with its turn; each different stack is written once."""
    parts = results[f"{bundle}.parts"]
    turns = np.round(np.degrees(results[f"{bundle}.turn"]), 1) + 0.0
    if not parts.shape[1]:
        return pa.array([NO_RING] * len(parts), pa.string())
    rows, index = different(*parts.T, *turns.T)
    names = [_stack_text(*key, rings) for key in zip(parts[rows].tolist(), turns[rows].tolist(), strict=True)]
    return pa.array(names, pa.string()).take(pa.array(index))


def _stack_text(parts: Sequence[int], turns: Sequence[float], rings: Sequence[RingPart]) -> str:
    pieces = [
        rings[part].id + (f" (thick side {turn:g} deg)" if turn >= 0 else "")
        for part, turn in zip(parts, turns, strict=True)
        if part >= 0
    ]
    return " + ".join(pieces) or NO_RING


def stack_table(results: Records, ids: pa.Array, catalogue: Catalogue) -> pa.RecordBatch:
    """Rows of the table `stack_parts` of n structures; `ids` (n,).

    The thicknesses of one structure and policy add up to the chimney and, of ring stacks, the misfit; where the chimney
    stands square to a sloping bearing, along its axis.
    """
    method = results["verdicts.method"]
    riser, liner, rings = (np.flatnonzero(method == METHODS.index(name)) for name in ("riser", "liner", "rings"))
    others = np.flatnonzero(results["others.count"] >= 0)
    found = _in_order(
        _risers(results, riser, catalogue),
        _liners(results, liner, catalogue),
        _rings(results, rings, "stacks", catalogue),
        _rings(results, others, "others", catalogue),
    )
    names, tapers = _parts(catalogue)
    row = pa.array(found.row)
    arrays = [
        pa.array(results["structures.row"]).take(row),
        ids.take(row),
        pa.array(found.position),
        words(found.policy, POLICIES),
        words(found.kind, KINDS),
        words(found.part, names),
        pa.array(rounded(1000 * found.thickness, 3)),
        pa.array(tapers[found.part]),
        numbers(rounded(np.degrees(found.turn), 6)),
    ]
    return pa.record_batch(arrays, schema=table_schema(STACK_PARTS))


def _parts(catalogue: Catalogue) -> tuple[list[str], Floats]:
    """Ids of risers, liners and rings, one after the other, and their tapers [m/m], the last for what is no part."""
    parts: list[RiserPart | LinerPart | RingPart] = [*catalogue.riser, *catalogue.liner, *catalogue.ring]
    tapers = [round(part.taper, 9) if isinstance(part, RingPart) else 0.0 for part in parts]
    return [part.id for part in parts], np.array([*tapers, 0.0])


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Pieces of stacks, (k,) each: structure, place from 1 on the bearing upwards, policy and kind by index, -1 = none.

    `part` is an index in `_parts`, -1 = none; `thickness` at the centre [m]; `turn` of a thick side [rad], NaN = flat.
    """

    row: Index
    position: Index
    policy: Index
    kind: Index
    part: Index
    thickness: Floats
    turn: Floats


def _in_order(*groups: Pieces) -> Pieces:
    """All pieces, structure by structure; those of one keep the order of the groups."""
    order = np.argsort(np.concatenate([group.row for group in groups]), kind="stable")
    names = [field.name for field in fields(Pieces)]
    return Pieces(*(np.concatenate([getattr(group, name) for group in groups])[order] for name in names))


def _risers(results: Records, row: Index, catalogue: Catalogue) -> Pieces:
    """One piece each."""
    part = results["verdicts.riser"][row].astype(np.int64)
    heights = np.array([riser.height for riser in catalogue.riser])
    k = len(row)
    return Pieces(
        row=row,
        position=np.full(k, 1),
        policy=np.full(k, NONE),
        kind=np.full(k, RISER),
        part=part,
        thickness=heights[part] if k else np.empty(0),
        turn=np.full(k, np.nan),
    )


def _liners(results: Records, row: Index, catalogue: Catalogue) -> Pieces:
    """Bed, liner at its centre, and the joint under the flange.

    A face that is sawn square to the wall leaves more than the joint at the centre: half the wall times the slope, that
    is the slope times what the cut's radius is short of the outside.
    """
    k = len(row)
    joint, bed, wrap, radius = (
        results[name][row] for name in ("stacks.joint", "chimneys.bed", "cuts.wrap", "cuts.radius")
    )
    slope = np.hypot(results["chimneys.tilt_east"][row], results["chimneys.tilt_north"][row])
    liner = results["cuts.ordinates"][row].mean(axis=1)
    part = results["liners.part"][row].astype(np.int64) + len(catalogue.riser)
    none = np.full(k, NONE)
    return Pieces(
        row=np.repeat(row, 3),
        position=np.tile([1, 2, 3], k),
        policy=np.zeros(3 * k, dtype=np.int64),
        kind=np.tile([JOINT, LINER, JOINT], k),
        part=np.stack([none, part, none], axis=1).ravel(),
        thickness=np.stack([joint + bed, liner, joint + slope * (wrap - radius)], axis=1).ravel(),
        turn=np.full(3 * k, np.nan),
    )


def _rings(results: Records, row: Index, bundle: str, catalogue: Catalogue) -> Pieces:
    """The old stack where rings are added to it; each ring on its joint, the lowest on its bed; the joint on top.

    Every stack has the same places; those of a lower one stay empty.
    """

    def column(name: str) -> NDArray[Any]:
        return results[name][row][:, None]

    parts = results[f"{bundle}.parts"][row].astype(np.int64)
    policy = results[f"{bundle}.policy"][row].astype(np.int64)
    joint, added, kept = column(f"{bundle}.joint"), policy == POLICIES.index("add_on_top"), parts >= 0
    bed = kept & (np.cumsum(kept, axis=1) == 1) & ~added[:, None]
    places = len(row), 2 * parts.shape[1] + 2
    there, part = np.ones(places, dtype=bool), np.full(places, NONE)
    thickness, turn = np.empty(places), np.full(places, np.nan)
    under, rings = slice(1, -1, 2), slice(2, -1, 2)
    there[:, 0], there[:, under], there[:, rings] = added, kept, kept
    middles = np.array([*(ring.middle for ring in catalogue.ring), np.nan])
    thickness[:, :1] = column("structures.existing_chimney") - joint
    thickness[:, under], thickness[:, rings] = np.where(bed, column(f"{bundle}.bottom"), joint), middles[parts]
    thickness[:, -1:] = column(f"{bundle}.top")
    part[:, rings] = parts + len(catalogue.riser) + len(catalogue.liner)
    turn[:, rings] = results[f"{bundle}.turn"][row]
    kind = np.array([OLD_STACK, *(JOINT, RING) * parts.shape[1], JOINT])
    i, place = np.nonzero(there)
    return Pieces(
        row[i], np.cumsum(there, axis=1)[there], policy[i], kind[place], part[there], thickness[there], turn[there]
    )

"""Stacks as people read them, and the table of their parts from the bearing upwards."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from geoadjust.core.columns import METHODS, POLICIES
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.io.columns import STACK_PARTS
from geoadjust.io.spill import Records

NO_RING = "no ring"

Piece = tuple[str, str | None, float, float, float | None]
"""Kind, part, thickness [m], taper [m/m], turn [rad]."""


def stack_texts(results: Records, rings: Sequence[RingPart], bundle: str = "stacks") -> list[str]:
    """Rings bottom to top joined by ' + ', a tapered one with its turn; each different stack is written once."""
    parts = results[f"{bundle}.parts"]
    if not parts.shape[1]:
        return [NO_RING] * len(results)
    turns = np.round(np.degrees(results[f"{bundle}.turn"]), 1) + 0.0
    keys = np.concatenate([parts.astype(float), np.where(np.isfinite(turns), turns, -1.0)], axis=1)
    different, inverse = np.unique(keys, axis=0, return_inverse=True)
    names = [_stack_text(row, rings) for row in different]
    return [names[i] for i in inverse.ravel()]


def _stack_text(key: Any, rings: Sequence[RingPart]) -> str:
    half = len(key) // 2
    pieces = [
        rings[int(part)].id + (f" (thick side {turn:g} deg)" if turn >= 0 else "")
        for part, turn in zip(key[:half], key[half:], strict=True)
        if part >= 0
    ]
    return " + ".join(pieces) or NO_RING


def stack_rows(results: Records, ids: Sequence[str], catalogue: Catalogue) -> Iterator[tuple[Any, ...]]:
    """Rows of the table `stack_parts`.

    The thicknesses of one structure and policy add up to the chimney and, of ring stacks, the misfit; where the chimney
    stands square to a sloping bearing, along its axis.
    """
    method = results["verdicts.method"]
    asked = np.isin(method, [METHODS.index(name) for name in ("rings", "liner", "riser")])
    for i in np.flatnonzero(asked | (results["others.count"] >= 0)).tolist():
        record, row = results[i], int(results["structures.row"][i])
        for policy, pieces in _stacks_of(record, METHODS[method[i]], catalogue):
            for place, (kind, part, thickness, taper, turn) in enumerate(pieces, 1):
                mm = round(thickness * 1000, 3) + 0.0
                degrees = None if turn is None else round(float(np.degrees(turn)), 6) + 0.0
                yield row, ids[i], place, policy, kind, part, mm, round(taper, 9), degrees


def stack_table(results: Records, ids: Sequence[str], catalogue: Catalogue) -> pa.RecordBatch:
    """Rows of one bucket as Arrow."""
    schema = pa.schema([(column.name, _TYPES[column.type]) for column in STACK_PARTS])
    rows = list(stack_rows(results, ids, catalogue))
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(STACK_PARTS)
    arrays = [pa.array(list(values), kind) for values, kind in zip(columns, schema.types, strict=True)]
    return pa.record_batch(arrays, schema=schema)


_TYPES = {"text": pa.string(), "real": pa.float64(), "integer": pa.int64()}


def _stacks_of(record: Any, method: str, catalogue: Catalogue) -> Iterator[tuple[str | None, list[Piece]]]:
    if method == "riser":
        part = catalogue.riser[record["verdicts.riser"]]
        yield None, [("riser", part.id, part.height, 0.0, None)]
    elif method == "liner":
        yield POLICIES[0], _liner(record, catalogue)
    elif method == "rings":
        yield _stack(record, "stacks", catalogue)
    if record["others.count"] >= 0:
        yield _stack(record, "others", catalogue)


def _liner(record: Any, catalogue: Catalogue) -> list[Piece]:
    """Bed, liner at its centre, and the joint under the flange.

    A face that is sawn square to the wall leaves more than the joint at the centre: half the wall times the slope, that
    is the slope times what the cut's radius is short of the outside.
    """
    joint = float(record["stacks.joint"])
    slope = float(np.hypot(record["chimneys.tilt_east"], record["chimneys.tilt_north"]))
    deduct = slope * float(record["cuts.wrap"] - record["cuts.radius"])
    part = catalogue.liner[record["liners.part"]]
    return [
        ("joint", None, joint + float(record["chimneys.bed"]), 0.0, None),
        ("liner", part.id, float(np.mean(record["cuts.ordinates"])), 0.0, None),
        ("joint", None, joint + deduct, 0.0, None),
    ]


def _stack(record: Any, bundle: str, catalogue: Catalogue) -> tuple[str, list[Piece]]:
    joint, policy = float(record[f"{bundle}.joint"]), int(record[f"{bundle}.policy"])
    kept: list[tuple[RingPart, float]] = [
        (catalogue.ring[part], float(turn))
        for part, turn in zip(record[f"{bundle}.parts"], record[f"{bundle}.turn"], strict=True)
        if part >= 0
    ]
    pieces: list[Piece] = []
    added = POLICIES[policy] == "add_on_top"
    if added:
        pieces.append(("old_stack", None, float(record["structures.existing_chimney"]) - joint, 0.0, None))
    for place, (ring, turn) in enumerate(kept):
        below = joint if place or added else float(record[f"{bundle}.bottom"])
        pieces.append(("joint", None, below, 0.0, None))
        pieces.append(("ring", ring.id, ring.middle, ring.taper, turn if np.isfinite(turn) else None))
    pieces.append(("joint", None, float(record[f"{bundle}.top"]), 0.0, None))
    return POLICIES[policy], pieces

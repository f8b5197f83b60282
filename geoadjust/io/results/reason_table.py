"""The table of reasons: each structure's flags with value, limit, unit and a sentence."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from geoadjust.core.flag_list import FLAGS, Flag
from geoadjust.core.inputs import INPUT_COLUMNS, INPUT_NAMES
from geoadjust.io.intake.cells import Floats, alike, different, numbers, table_schema
from geoadjust.io.results.columns import REASONS
from geoadjust.io.working.chunk_files import Records
from geoadjust.units import format_mm

UNSIGNED = ("rim_disagrees", "batch_bias", "no_ring_stack")
"""Sentences that say how far off something is; the table's value keeps the sign."""

GROUP_UNITS = {"height": "m", "dimension": "m", "size": "m", "angle": "deg", "slope": "m/m"}
"""Units in which values of an input column are judged."""

DIGITS = {"m": 3}
"""Decimals of a figure in a sentence, by its unit; 1 of all others. A slope is said in per cent."""


def reason_table(reasons: Records, ids: pa.Array) -> pa.RecordBatch:
    """Reasons (k,) with their sentences; `ids` (k,) of their structures. Each different sentence is made once."""
    rows, index = _different_sentences(reasons)
    value, limit = reasons["value"], reasons["limit"]
    flags, subjects = [FLAGS[code] for code in reasons["code"][rows].tolist()], reasons["subject"][rows].tolist()
    figures = zip(flags, value[rows].tolist(), limit[rows].tolist(), subjects, strict=True)
    texts = (
        [flag.code for flag in flags],
        [REASONS[3].words[flag.severity] for flag in flags],
        [unit_of(flag, subject) for flag, subject in zip(flags, subjects, strict=True)],
        [sentence(*figure) for figure in figures],
    )
    code, severity, unit, text = (pa.array(column, pa.string()).take(pa.array(index)) for column in texts)
    arrays = [pa.array(reasons["row"]), ids, code, severity, numbers(value), numbers(limit), unit, text]
    return pa.record_batch(arrays, schema=table_schema(REASONS))


def _different_sentences(reasons: Records) -> tuple[np.ndarray, np.ndarray]:
    """Rows (m,) whose sentences differ, and which of them each reason (k,) has."""
    kinds, kind = different(reasons["code"], reasons["subject"])
    flags, subjects = [FLAGS[code] for code in reasons["code"][kinds].tolist()], reasons["subject"][kinds].tolist()
    per_unit = np.array([_steps(unit_of(*each)) for each in zip(flags, subjects, strict=True)], dtype=float)[kind]
    keys: list[Floats] = []
    for name in ("value", "limit"):
        said = np.array([f"{{{name}}}" in flag.text for flag in flags], dtype=bool)[kind]
        keys.append(alike(np.where(said, reasons[name], 0.0), per_unit))
    return different(kind, *keys)


def _steps(unit: str) -> float:
    """Steps per unit to which a figure is rounded."""
    return 1000.0 if unit == "m/m" else 10.0 ** DIGITS.get(unit, 1)


def unit_of(flag: Flag, subject: int) -> str:
    """Unit of a reason's value and limit: the flag's, else that of the column it speaks of.

    Examples
    --------
    >>> from geoadjust.core.flags import CODES
    >>> unit_of(FLAGS[CODES["value_implausible"]], INPUT_NAMES.index("axis")), unit_of(FLAGS[CODES["steep"]], -1)
    ('deg', '%')
    """
    return flag.unit or (GROUP_UNITS.get(INPUT_COLUMNS[subject].group, "") if subject >= 0 else "")


def sentence(flag: Flag, value: float, limit: float, subject: int) -> str:
    """The reason in words.

    Examples
    --------
    >>> from geoadjust.core.flags import CODES
    >>> sentence(FLAGS[CODES["steep"]], 12.345, 10.0, -1)
    'The finished road slopes 12.3 % (limit 10 %).'
    >>> sentence(FLAGS[CODES["value_implausible"]], 0.018, 0.025, INPUT_NAMES.index("casting_height"))
    'casting_height 0.018 m is not plausible (limit 0.025 m); left out.'
    """
    name = INPUT_NAMES[subject] if subject >= 0 else ""
    value = abs(value) if flag.code in UNSIGNED else value
    unit = unit_of(flag, subject)
    return flag.text.format(value=_figure(value, unit), limit=_figure(limit, unit), subject=name)


def _figure(value: float, unit: str) -> str:
    if not np.isfinite(value):
        return "an unknown amount"
    if unit == "mm":
        return format_mm(value / 1000, 1).replace(".0 mm", " mm")
    if unit == "m/m":
        value, unit = 100 * value, "%"
    digits = DIGITS.get(unit, 1)
    value = round(value, digits) + 0.0
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if abs(value) < 1e6 else f"{value:g}"
    return f"{text} {unit}".strip()

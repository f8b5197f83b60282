"""The reasons in words: each figure with its unit, and the table, which makes each different sentence once.

The table is held against `sentence`, called for every single reason.
"""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.flag_list import FLAGS
from geoadjust.core.flags import CODES
from geoadjust.core.inputs import INPUT_COLUMNS, INPUT_NAMES
from geoadjust.io.results.reason_table import reason_table, sentence, unit_of
from geoadjust.io.working.spill import to_records

# ---------------------------------------------------------------- one sentence


@pytest.mark.parametrize(
    ("code", "value", "limit", "subject", "text"),
    [
        ("not_flush", 50.8, 6.0, "", "Not kept: 50.8 mm off the finished road at its edge (tolerance 6 mm)."),
        ("duplicate_id", 3.0, math.nan, "", "The same id stands in 3 rows."),
        ("paving_unstated", math.nan, math.nan, "mill", "mill is blank and the job states none; taken as 0."),
        ("axis_ambiguous", 88.25, math.nan, "", "Two street axes differ by 88.2 deg: "),
        ("steep", math.nan, 10.0, "", "The finished road slopes an unknown amount (limit 10 %)."),
        ("steep", -0.04, 10.0, "", "The finished road slopes 0 % (limit 10 %)."),
        ("value_implausible", 9999.0, 9000.0, "rim", "rim 9999 m is not plausible (limit 9000 m); left out."),
        ("value_implausible", 0.0177, 0.025, "casting_height", "casting_height 0.018 m is not plausible (limit 0.025"),
        ("value_implausible", 3.2512, 3.0, "frame_top_diameter", "frame_top_diameter 3.251 m is not plausible (lim"),
        ("value_implausible", 400.0, 360.0, "axis", "axis 400 deg is not plausible (limit 360 deg); left out."),
        ("value_implausible", 0.4, 0.3, "bearing_slope", "bearing_slope 40 % is not plausible (limit 30 %); left "),
        ("value_implausible", 60.0, 50.0, "existing_rings", "existing_rings 60 is not plausible (limit 50); left out"),
        ("value_implausible", 1e30, 0.6, "mill", "mill 1e+30 m is not plausible (limit 0.6 m); left out."),
    ],
)
def test_sentences(code, value, limit, subject, text):
    number = INPUT_NAMES.index(subject) if subject else -1
    assert sentence(FLAGS[CODES[code]], value, limit, number).startswith(text)


JUDGED = [column for column in INPUT_COLUMNS if math.isfinite(column.high) or math.isfinite(column.low)]


@pytest.mark.parametrize("column", JUDGED, ids=lambda column: column.name)
def test_every_judged_column_says_its_unit(column):
    flag, subject = FLAGS[CODES["value_implausible"]], INPUT_NAMES.index(column.name)
    unit = unit_of(flag, subject)
    assert unit == {"angle": "deg", "slope": "m/m", "count": ""}.get(column.group, "m")
    shown = {"m/m": "%"}.get(unit, unit)
    assert f"{shown} is not" in sentence(flag, column.high, column.high, subject)


@pytest.mark.parametrize("flag", FLAGS, ids=lambda flag: flag.code)
def test_every_sentence_can_be_made(flag):
    for value in (0.0, 12.345, -9999.0, 1e300, math.nan):
        text = sentence(flag, value, value, 0)
        assert text.endswith(".")
        assert "nan" not in text
        assert "{" not in text


# ---------------------------------------------------------------- the table

REASON = {"row": np.int64, "code": np.int16, "value": np.float64, "limit": np.float64, "subject": np.int16}


def reasons_of(rows):
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(REASON)
    return to_records(
        {name: np.array(cells, kind) for (name, kind), cells in zip(REASON.items(), columns, strict=True)}
    )


def table_of(reasons):
    ids = pa.array([f"s{row}" for row in reasons["row"].tolist()], pa.string())
    return reason_table(reasons, ids).to_pylist()


def expected(reason):
    """One row of the table, made by itself."""
    row, code, value, limit, subject = reason.tolist()
    flag = FLAGS[code]
    return {
        "row": row,
        "structure_id": f"s{row}",
        "code": flag.code,
        "severity": ("info", "warn", "stop")[flag.severity],
        "value": value if math.isfinite(value) else None,
        "limit": limit if math.isfinite(limit) else None,
        "unit": unit_of(flag, subject),
        "text": sentence(flag, value, limit, subject),
    }


BESIDE = (0.0, 1e-15, -1e-15, 3e-12, -3e-12, 1e-7, -1e-7, 4e-5, -4e-5, 0.01)
TIES = st.builds(lambda half, beside: half / 20 + beside, st.integers(-300, 300), st.sampled_from(BESIDE))
MILLIMETRES = st.builds(lambda half, beside: half / 2000 + beside, st.integers(-300, 300), st.sampled_from(BESIDE))
ODD = st.sampled_from([math.nan, math.inf, -math.inf, -0.0, 0.0, 1e300, -1e300, 999_999.96, 1e6, 1e8, -1e9, 5e-324])
FIGURES = st.one_of(TIES, MILLIMETRES, ODD, st.floats())
REASONS = st.tuples(
    st.integers(0, 9),
    st.integers(0, len(FLAGS) - 1),
    FIGURES,
    FIGURES,
    st.integers(-1, len(INPUT_NAMES) - 1),
)


@given(st.lists(REASONS, max_size=40))
def test_the_table_is_every_reason_by_itself(rows):
    reasons = reasons_of(rows)
    assert table_of(reasons) == [expected(reason) for reason in reasons]


@pytest.mark.parametrize("flag", FLAGS, ids=lambda flag: flag.code)
def test_figures_that_read_alike_or_nearly(flag):
    # multiples of half of the last digit and their neighbours, with and without a column that they speak of
    values = [half / 20 + beside for half in range(-60, 61) for beside in BESIDE] + [math.nan, 1e300, -0.0]
    subjects = (-1, INPUT_NAMES.index("axis"), INPUT_NAMES.index("rim"), INPUT_NAMES.index("bearing_slope"))
    code = CODES[flag.code]
    reasons = reasons_of([(0, code, value, -value / 2, subject) for value in values for subject in subjects])
    assert table_of(reasons) == [expected(reason) for reason in reasons]

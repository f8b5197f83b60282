"""The order in one line: a sentence for every method and policy, in both systems of units, words and never a sign."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.columns import METHODS, POLICIES
from geoadjust.core.parts import Catalogue, LinerPart, RiserPart
from geoadjust.io.results.remarks import BARE_WORDS, POLICY_WORDS, SENTENCES, change_words, remarks
from geoadjust.io.results.stack_table import NO_RING
from geoadjust.io.working.spill import to_records
from geoadjust.units import format_raise

CATALOGUE = Catalogue(
    riser=(RiserPart("riser A", 0.025), RiserPart("riser B", 0.05)),
    liner=(LinerPart("liner A", outside_diameter=0.7, inside_diameter=0.6),),
)
NAN = math.nan


def remark(method, *, lift=0.0381, change=0.0381, lower=0.0, policy="", stack="r50", units="us", riser=-1, liner=-1):
    """The remark of one structure."""
    records = to_records(
        {
            "verdicts.method": np.array([METHODS.index(method)], dtype=np.int8),
            "rims.raise_": np.array([lift]),
            "chimneys.change": np.array([change]),
            "millings.lower_by": np.array([lower]),
            "verdicts.riser": np.array([riser], dtype=np.int16),
            "liners.part": np.array([liner], dtype=np.int16),
            "stacks.policy": np.array([POLICIES.index(policy) if policy else -1], dtype=np.int8),
        }
    )
    (text,) = remarks(records, pa.array([stack]), CATALOGUE, units).to_pylist()
    return text


# 38.1 mm = 1 1/2 in; 57.15 mm = 2 1/4 in
@pytest.mark.parametrize(
    ("method", "given", "us", "metric"),
    [
        ("monument", {}, *["Do not touch: a licensed land surveyor references it first."] * 2),
        ("other_owner", {}, *["Notify the owner."] * 2),
        ("not_paved", {"lift": 0.0}, *["Outside the paving."] * 2),
        ("keep", {"lift": 0.002}, *["Leave as it is."] * 2),
        ("keep", {"lower": 0.04}, *["Lower before milling, put back at today's height."] * 2),
        ("riser", {"riser": 1}, *[f"Raise {size}: riser riser B on the frame." for size in ("1 1/2 in", "38 mm")]),
        (
            "rings",
            {"policy": "replace_all", "stack": "r50 + r25"},
            "Raise 1 1/2 in: new rings on the bearing, bottom to top: r50 + r25.",
            "Raise 38 mm: new rings on the bearing, bottom to top: r50 + r25.",
        ),
        (
            "rings",
            {"policy": "add_on_top", "stack": "t (thick side 35 deg)", "lift": -0.05715},
            "Lower 2 1/4 in: rings on the old stack, bottom to top: t (thick side 35 deg).",
            "Lower 57 mm: rings on the old stack, bottom to top: t (thick side 35 deg).",
        ),
        (
            "rings",
            {"policy": "replace_all", "stack": "no ring"},
            "Raise 1 1/2 in: the frame in mortar on the bearing, no ring.",
            "Raise 38 mm: the frame in mortar on the bearing, no ring.",
        ),
        (
            "rings",
            {"policy": "add_on_top", "stack": "no ring", "lift": 0.0001},
            *["No change: the frame in a new joint on the old stack, no ring."] * 2,
        ),
        (
            "liner",
            {"liner": 0, "lift": NAN},
            *["Set to the target: liner liner A, cut to the ordinates after measuring again."] * 2,
        ),
        ("extend", {}, "Raise 1 1/2 in: draw the top section.", "Raise 38 mm: draw the top section."),
        ("extend", {"lift": 0.0}, *["No change."] * 2),
        ("replace_top", {}, "Raise 1 1/2 in: replace the top section.", "Raise 38 mm: replace the top section."),
        ("float", {}, *[f"Raise {size} with the paving; no chimney." for size in ("1 1/2 in", "38 mm")]),
        (
            "adjust",
            {"change": -0.05715},
            "Raise 1 1/2 in: take 2 1/4 in off the chimney at the centre.",
            "Raise 38 mm: take 57 mm off the chimney at the centre.",
        ),
        ("adjust", {"change": NAN, "lift": NAN}, *["Set to the target: see the chimney's height at the centre."] * 2),
        (
            "rebuild",
            {},
            "Raise 1 1/2 in: past the owner's limits, an engineer decides.",
            "Raise 38 mm: past the owner's limits, an engineer decides.",
        ),
        ("unknown", {"lift": NAN, "change": NAN}, *["Cannot be computed; see the reasons."] * 2),
    ],
)
def test_sentences(method, given, us, metric):
    assert remark(method, **given) == us
    assert remark(method, **given, units="metric") == metric


def test_every_method_has_its_sentence():
    assert list(SENTENCES) == list(METHODS)


@given(
    st.sampled_from(METHODS),
    st.sampled_from(["", *POLICIES]),
    st.sampled_from(["us", "metric"]),
    st.one_of(st.just(NAN), st.floats(-3, 3)),
    st.one_of(st.just(NAN), st.floats(-3, 3)),
    st.sampled_from([NAN, 0.0, 0.05]),
)
def test_words_never_signs(method, policy, units, lift, change, lower):
    text = remark(method, lift=lift, change=change, lower=lower, policy=policy, units=units, riser=0, liner=0)
    assert text.endswith(".")
    assert text[0].isalpha()
    assert not re.search(r"nan|inf|None|[{}+]|-\d", text)
    assert units == "us" or " in" not in re.findall(r"\d( in|)", text)


def test_the_sign_is_the_word():
    for lift, word in ((0.03, "Raise"), (-0.03, "Lower"), (0.0, "No change")):
        for method in ("riser", "rebuild", "replace_top", "float"):
            assert remark(method, lift=lift, riser=0).startswith(word)


def test_many_structures_keep_their_order():
    lifts = np.array([0.01, 0.02, 0.03])
    n = len(lifts)
    records = to_records(
        {
            "verdicts.method": np.full(n, METHODS.index("rings"), np.int8),
            "rims.raise_": lifts,
            "chimneys.change": lifts,
            "millings.lower_by": np.zeros(n),
            "verdicts.riser": np.full(n, -1, np.int16),
            "liners.part": np.full(n, -1, np.int16),
            "stacks.policy": np.zeros(n, np.int8),
        }
    )
    found = remarks(records, pa.array(["a", "b", "c"]), CATALOGUE, "metric").to_pylist()
    wanted = itertools.zip_longest((10, 20, 30), "abc")
    assert found == [f"Raise {mm} mm: new rings on the bearing, bottom to top: {name}." for mm, name in wanted]


@pytest.mark.parametrize(
    ("change", "units", "text"),
    [
        (0.060, "metric", "add 60 mm to the chimney"),
        (-0.035, "metric", "take 35 mm off the chimney"),
        (0.0001, "us", "leave the chimney as it is"),
        (-0.0381, "us", "take 1 1/2 in off the chimney"),
    ],
)
def test_changes_in_words(change, units, text):
    assert change_words(change, units) == text


# ---------------------------------------------------------------- a twin that goes structure by structure

ROWS = st.tuples(
    st.integers(0, len(METHODS) - 1),
    st.one_of(st.just(NAN), st.just(math.inf), st.floats(-3, 3), st.integers(-300, 300).map(lambda i: i * 0.0254 / 32)),
    st.one_of(st.just(NAN), st.floats(-3, 3), st.integers(-99, 99).map(lambda i: i / 2000)),
    st.sampled_from([NAN, 0.0, 0.05]),
    st.integers(-1, 1),
    st.integers(-1, 0),
    st.integers(-1, len(POLICIES) - 1),
    st.sampled_from(["r50", "r50 + t (thick side 35 deg)", NO_RING]),
)


def twin(method, lift, change, lower, riser, liner, policy, stack, *, units):
    """The line of one structure by itself."""
    name = METHODS[method]
    if name == "keep" and lower > 0:
        return "Lower before milling, put back at today's height."
    order = format_raise(lift, units) if math.isfinite(lift) else "Set to the target"
    if name == "extend" and order == "No change":
        return "No change."
    rings = ""
    if policy >= 0:
        word = POLICIES[policy]
        rings = BARE_WORDS[word] if stack == NO_RING else f"{POLICY_WORDS[word]}, bottom to top: {stack}"
    return SENTENCES[name].format(
        order=order,
        rings=rings,
        riser=CATALOGUE.riser[riser].id if riser >= 0 else "",
        liner=CATALOGUE.liner[liner].id if liner >= 0 else "",
        change=change_words(change, units),
    )


@given(st.lists(ROWS, min_size=1, max_size=40), st.sampled_from(["us", "metric"]))
def test_remarks_are_each_line_by_itself(rows, units):
    method, lift, change, lower, riser, liner, policy, stack = zip(*rows, strict=True)
    records = to_records(
        {
            "verdicts.method": np.array(method, dtype=np.int8),
            "rims.raise_": np.array(lift, dtype=float),
            "chimneys.change": np.array(change, dtype=float),
            "millings.lower_by": np.array(lower),
            "verdicts.riser": np.array(riser, dtype=np.int16),
            "liners.part": np.array(liner, dtype=np.int16),
            "stacks.policy": np.array(policy, dtype=np.int8),
        }
    )
    found = remarks(records, pa.array(stack, pa.string()), CATALOGUE, units).to_pylist()
    assert found == [twin(*row, units=units) for row in rows]


def test_changes_that_are_not_known():
    assert change_words(NAN, "us") == "see the chimney's height"


@pytest.mark.parametrize(("units", "step"), [("us", 0.0254 / 16), ("metric", 0.001)])
def test_every_step_of_a_raise_is_told(units, step):
    # eighths of a step, so that ties and their neighbours are among them
    lifts = np.arange(-240, 241) * step / 8
    n = len(lifts)
    records = to_records(
        {
            "verdicts.method": np.full(n, METHODS.index("adjust"), np.int8),
            "rims.raise_": lifts,
            "chimneys.change": -lifts,
            "millings.lower_by": np.zeros(n),
            "verdicts.riser": np.full(n, -1, np.int16),
            "liners.part": np.full(n, -1, np.int16),
            "stacks.policy": np.full(n, -1, np.int8),
        }
    )
    found = remarks(records, pa.array([NO_RING] * n), CATALOGUE, units).to_pylist()
    adjust = METHODS.index("adjust")
    assert found == [twin(adjust, lift, -lift, 0.0, -1, -1, -1, NO_RING, units=units) for lift in lifts.tolist()]
    assert len(set(found)) == 61

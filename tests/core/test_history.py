"""Histories replayed and merged. Truth: hashlib on text written by hand, and properties of unions."""

from __future__ import annotations

import hashlib
import json

from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.history import FIELDS, STATES, by_street, make_event, merge, replay

BLANK = dict.fromkeys(FIELDS, "") | {"also": [], "source": {}, "values": {}}


def event(state="", structure="MH-7", previous="", also=(), when="2026-05-04", **more):
    return make_event(
        BLANK | {"state": state, "structure": structure, "previous": previous, "also": list(also), "when": when} | more
    )


def chain(*states, structure="MH-7", previous=""):
    made = []
    for state in states:
        made.append(event(state, structure, previous))
        previous = made[-1].event
    return made


def test_an_event_is_named_by_the_sha256_of_what_it_says():
    text = (
        '{"also":[],"by":"AB","previous":"","recorded":"","source":{},"state":"set","street":"",'
        '"structure":"MH-7","values":{"chimney_mm":184.0},"when":"2026-05-04"}'
    )
    found = event("set", by="AB", values={"chimney_mm": 184.0})
    assert found.event == hashlib.sha256(text.encode()).hexdigest()
    assert json.loads(found.line()) == {"event": found.event, **json.loads(text)}


def test_every_word_of_an_event_is_in_its_name():
    plain = event("set")
    for name in FIELDS:
        other = {"also": ["x"], "source": {"kind": "x"}, "values": {"x": 1}}.get(name, "x")
        assert (
            make_event(BLANK | {"state": "set", "structure": "MH-7", "when": "2026-05-04"} | {name: other}).event
            != plain.event
        )


def test_the_state_is_that_of_the_last_event_that_states_one():
    for number, state in enumerate(STATES):
        standing = replay(chain(*STATES[: number + 1], ""))["MH-7"]
        assert (standing.state, standing.conflict, len(standing.events)) == (state, False, number + 2)
    assert replay(chain("accepted", "rework", "set", "accepted"))["MH-7"].state == "accepted"


def test_two_events_with_one_previous_are_a_conflict_until_one_names_both():
    first = event("planned")
    mine = event("set", previous=first.event, when="2026-05-05")
    theirs = event("rework", previous=first.event, when="2026-05-06")
    after = event("milled", previous=mine.event, when="2026-05-05")
    torn = merge([first, mine, after], [first, theirs])
    standing = replay(torn)["MH-7"]
    assert standing.conflict
    assert {each.event for each in standing.heads} == {after.event, theirs.event}
    assert standing.state == "rework"
    settled = event("set", previous=theirs.event, also=[after.event])
    standing = replay([*torn, settled])["MH-7"]
    assert (standing.state, standing.conflict) == ("set", False)


def test_two_first_events_of_one_structure_are_a_conflict():
    assert replay([event("planned", by="A"), event("planned", by="B")])["MH-7"].conflict


def test_streets_are_counted():
    events = [*chain("planned", "set", structure="A"), *chain("planned", structure="B")]
    assert by_street(replay(events).values()) == {"": {"set": 1, "planned": 1}}


names = st.sampled_from(["A", "B"])


@st.composite
def two_files(draw):
    """A common trunk, and what two people added to it."""
    trunk = [*chain("planned", structure="A"), *chain("planned", structure="B")]
    files = []
    for who in "XY":
        own = list(trunk)
        for state in draw(st.lists(st.tuples(names, st.sampled_from(STATES)), max_size=5)):
            head = replay(own)[state[0]].heads[0].event
            own.append(event(state[1], state[0], head, by=who))
        files.append(own)
    return files


@given(two_files())
def test_a_merge_loses_nothing_and_has_no_order(files):
    first, second = files
    whole, other = merge(first, second), merge(second, first)
    assert {each.event for each in whole} == {each.event for each in first} | {each.event for each in second}
    assert whole[: len(first)] == first
    assert merge(whole, second) == whole == merge(whole, first)
    for name, standing in replay(whole).items():
        turned = replay(other)[name]
        assert (standing.state, standing.conflict) == (turned.state, turned.conflict)
        both = [any(each.structure == name and each.by == who for each in whole) for who in "XY"]
        assert standing.conflict == all(both)

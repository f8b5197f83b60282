"""Errors help and travel: texts, exit codes, and the same error after pickling."""

from __future__ import annotations

import copy
import pickle

import pytest

from geoadjust import errors
from geoadjust.errors import (
    Fault,
    GeoadjustError,
    IncompleteError,
    InputError,
    OutputBusyError,
    OutputError,
    UsageError,
)

# exit codes as the command line documents them
CODES = {
    GeoadjustError: 1,
    UsageError: 2,
    InputError: 3,
    IncompleteError: 4,
    OutputError: 5,
    OutputBusyError: 6,
}


def every_class():
    found, waiting = [], [GeoadjustError]
    while waiting:
        found.append(waiting.pop())
        waiting += found[-1].__subclasses__()
    return found


def made(kind):
    """An error of a class, the way it is raised."""
    if issubclass(kind, InputError):
        return kind([Fault("a.b", "what", "allowed", "remedy"), Fault("c", "d")])
    return kind("the output folder is full")


def test_every_class_of_the_module_is_listed():
    declared = {value for value in vars(errors).values() if isinstance(value, type) and issubclass(value, Exception)}
    assert declared == set(CODES)


@pytest.mark.parametrize("kind", every_class(), ids=lambda kind: kind.__name__)
@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_every_class_survives_pickling(kind, protocol):
    error = made(kind)
    back = pickle.loads(pickle.dumps(error, protocol))
    assert type(back) is kind
    assert str(back) == str(error) != ""
    assert back.args == error.args
    assert back.exit_code == error.exit_code
    assert getattr(back, "faults", None) == getattr(error, "faults", None)


@pytest.mark.parametrize("kind", every_class(), ids=lambda kind: kind.__name__)
def test_every_class_can_be_copied(kind):
    assert str(copy.deepcopy(made(kind))) == str(made(kind))


@pytest.mark.parametrize(("kind", "code"), CODES.items(), ids=lambda item: getattr(item, "__name__", str(item)))
def test_exit_codes(kind, code):
    assert made(kind).exit_code == code
    assert isinstance(made(kind), GeoadjustError)


def test_exit_codes_are_told_apart():
    codes = [kind.exit_code for kind in every_class() if kind.__module__ == "geoadjust.errors"]
    assert len(set(codes)) == len(codes)


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (Fault("a", "b"), "a: b"),
        (Fault("a", "b", "c"), "a: b (allowed: c)"),
        (Fault("a", "b", remedy="d"), "a: b -> d"),
        (Fault("a", "b", "c", "d"), "a: b (allowed: c) -> d"),
    ],
)
def test_faults_say_thing_value_allowed_and_remedy(fault, text):
    assert str(fault) == text
    assert pickle.loads(pickle.dumps(fault)) == fault


def test_one_fault_or_many():
    one, two = Fault("a", "b"), Fault("c", "d")
    assert InputError(one).faults == (one,)
    assert InputError([one, two]).faults == InputError(fault for fault in (one, two)).faults == (one, two)
    assert str(InputError([one, two])) == "a: b\nc: d"

"""The ordered map: order, bounded work in flight, errors unchanged, and the same results from every engine.

What only a cluster can do is tested in `tests/run/test_cluster.py`.
"""

from __future__ import annotations

import inspect
import operator
import os
import re
import time

import numpy as np
import pytest

from geoadjust.core.ring import outer_radius
from geoadjust.engine import ENGINES, THREADS, map_ordered
from geoadjust.errors import InputError
from geoadjust.units import parse_length

# Functions for worker processes must be importable there by name, so they come from libraries and from the package.


@pytest.fixture(scope="module")
def everywhere():
    """Results of every engine on the same chunks."""

    def run(function, chunks, **options):
        chunks = list(chunks)
        return [list(map_ordered(function, chunks, engine=engine, **options)) for engine in ENGINES]

    return run


def test_all_engines_are_offered():
    assert set(ENGINES) >= {"serial", "processes", "dask"}


def test_all_engines_agree(everywhere):
    texts = [f"{n} {n % 15 + 1}/16 in" for n in range(40)]
    expected = [parse_length(text) for text in texts]
    assert everywhere(parse_length, texts, workers=2) == [expected] * len(ENGINES)


def test_order_is_kept_where_the_first_takes_longest():
    # the first sleeps while others finish; time.sleep gives None, so the order of the clock is what counts
    seconds = [0.4, 0.0, 0.0, 0.2, 0.0]
    assert list(map_ordered(time.sleep, seconds, engine="processes", workers=2)) == [None] * 5
    numbers = [300_000, 3, 200_000, 1, 2]  # sums of many numbers come later than sums of few
    chunks = [range(n) for n in numbers]
    assert list(map_ordered(sum, chunks, engine="processes", workers=2)) == [n * (n - 1) // 2 for n in numbers]


@pytest.mark.parametrize("engine", ENGINES)
def test_chunks_are_taken_one_by_one(engine):
    workers, taken, most = 2, [], 0

    def chunks():
        for n in range(-30, 0):
            taken.append(n)
            yield n

    for done, result in enumerate(map_ordered(abs, chunks(), engine=engine, workers=workers), 1):
        assert result == 31 - done
        most = max(most, len(taken) - done + 1)
    assert len(taken) == 30
    assert most <= (1 if engine == "serial" else 2 * workers + 1)
    assert engine == "serial" or most > 1


@pytest.mark.parametrize("engine", ENGINES)
def test_progress_is_told_after_each_chunk(engine):
    calls = []
    results = list(map_ordered(abs, [-1, 2, -3], engine=engine, workers=2, done=lambda: calls.append(1)))
    assert (results, len(calls)) == ([1, 2, 3], 3)


@pytest.mark.parametrize("engine", ENGINES)
def test_no_chunks(engine):
    assert list(map_ordered(abs, [], engine=engine, workers=2)) == []


def test_an_error_of_a_worker_arrives_unchanged():
    # describe_structures is importable everywhere, takes one thing, and refuses with faults
    from geoadjust.core.rules import StructuresTable
    from geoadjust.io.intake.structures import describe_structures

    caught = []
    for engine in ENGINES:
        with pytest.raises(InputError) as error:
            list(map_ordered(describe_structures, [StructuresTable("no such.gpkg")], engine=engine, workers=2))
        caught.append(error.value)
    assert [error.faults for error in caught] == [caught[0].faults] * len(ENGINES)
    assert caught[0].faults[0].where == "structures.path"
    assert {str(error) for error in caught} == {str(caught[0])}
    assert {error.exit_code for error in caught} == {3}


@pytest.mark.parametrize("engine", ENGINES)
def test_results_before_an_error_are_given(engine):
    results = map_ordered(operator.methodcaller("bit_length"), [1, 2, "x", 4], engine=engine, workers=1)
    assert [next(results), next(results)] == [1, 2]
    with pytest.raises(AttributeError):
        list(results)


@pytest.mark.parametrize("engine", ["processes", "dask"])
def test_workers_use_one_thread_each_and_the_environment_comes_back(monkeypatch, engine):
    monkeypatch.setenv(THREADS[0], "7")
    monkeypatch.delenv(THREADS[1], raising=False)
    found = list(map_ordered(os.getenv, THREADS, engine=engine, workers=1))
    assert found == ["1"] * len(THREADS)
    assert os.environ[THREADS[0]] == "7"
    assert THREADS[1] not in os.environ


@pytest.mark.parametrize("engine", ["processes", "dask"])
def test_workers_are_other_processes(engine):
    own = os.getpid()
    found = list(map_ordered(os.getpgid, [0, 0], engine=engine, workers=1))
    assert len(found) == 2
    parents = list(map_ordered(operator.methodcaller("__call__"), [os.getppid], engine=engine, workers=1))
    assert parents == [own]
    assert list(map_ordered(operator.methodcaller("__call__"), [os.getpid], engine="serial")) == [own]


@pytest.mark.parametrize("engine", ["processes", "dask"])
def test_leaving_early_ends_the_workers(engine):
    results = map_ordered(abs, range(-50, 0), engine=engine, workers=2)
    assert next(results) == 50
    started = time.monotonic()
    results.close()
    assert time.monotonic() - started < 10
    assert list(results) == []


def test_arrays_travel_bit_by_bit(everywhere):
    arrays = [np.array([0.1, np.nan, -0.0, 1e-310]), np.arange(3.0)]
    found = [[array.tobytes() for array in one] for one in everywhere(np.negative, arrays, workers=2)]
    assert found == [[np.negative(array).tobytes() for array in arrays]] * len(ENGINES)


def test_the_engine_knows_nothing_but_errors():
    import geoadjust.cluster as cluster
    import geoadjust.engine as engine

    for module in (engine, cluster):
        imported = re.findall(r"(?m)^(?:from|import) (geoadjust\.[\w.]*)", inspect.getsource(module))
        assert set(imported) == {"geoadjust.errors"}


def test_the_core_can_be_called_by_workers():
    from geoadjust.core.ring import Ring

    radius = outer_radius(np.array([0.1, 1.0]), Ring())
    assert radius.tolist() == [1.5, 2.5]

"""Reading one batch ahead: order, overlap, errors, and which thread holds the files."""

from __future__ import annotations

import threading

import pytest

from geoadjust.errors import Fault, InputError
from geoadjust.run import readers
from geoadjust.run.readers import close_readers, read_ahead


@pytest.fixture(autouse=True)
def closed():
    yield
    close_readers()


@pytest.mark.parametrize("ahead", [0, 1, 3])
@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_everything_is_read_once_in_order(count, ahead):
    seen = []
    found = read_ahead(lambda item: seen.append(item) or item * 10, range(count), ahead)
    assert list(found) == [10 * i for i in range(count)]
    assert seen == list(range(count))


def test_the_next_one_is_read_while_the_first_is_in_use():
    begun = [threading.Event() for _ in range(3)]

    def read(item):
        begun[item].set()
        return item

    found = read_ahead(read, range(3), 1)
    assert next(found) == 0
    assert begun[1].wait(10)  # without a second request; a reader that works on demand would never begin
    assert not begun[2].wait(0.05)
    assert list(found) == [1, 2]


def test_one_thread_reads_and_lives_on_to_the_next_chunk():
    names = {name for _ in range(3) for name in read_ahead(lambda _: threading.get_ident(), range(4), 2)}
    assert len(names) == 1
    assert threading.get_ident() not in names
    close_readers()
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("reader")]


def test_each_planning_thread_has_a_reading_thread_of_its_own():
    found, alive = [], threading.Barrier(2)  # both alive at once: a thread that has ended gives its number away

    def plan():
        found.extend(set(read_ahead(lambda _: threading.get_ident(), range(2), 2)))
        alive.wait(10)
        close_readers()

    threads = [threading.Thread(target=plan) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(found)) == 2


def test_a_fault_of_a_source_comes_out_where_its_batch_is_asked_for():
    def read(item):
        if item == 2:
            raise InputError(Fault("road.tif", "cannot be read"))
        return item

    found = read_ahead(read, range(9), 2)
    assert [next(found), next(found)] == [0, 1]
    with pytest.raises(InputError, match=r"road\.tif"):
        next(found)


def test_closing_closes_the_files_of_both_threads(monkeypatch):
    class Tiles:
        open = []

        def __init__(self, opener):
            self.open.append(threading.get_ident())

        def close(self):
            assert self.open.remove(threading.get_ident()) is None  # closed by the thread that opened them

    monkeypatch.setattr(readers, "OpenTiles", Tiles)
    monkeypatch.setattr(readers, "RasterReader", lambda facts, tiles: tiles)
    readers.open_reader(None)
    list(read_ahead(readers.open_reader, [None, None, None], 2))
    assert len(Tiles.open) == 2
    close_readers()
    assert Tiles.open == []
    close_readers()


def test_nothing_is_read_ahead_where_that_is_turned_off():
    seen = []
    found = read_ahead(lambda item: seen.append(item) or threading.get_ident(), range(3), 0)
    assert next(found) == threading.get_ident()
    assert seen == [0]

"""What a run keeps on disk: bits come back as they went in, buckets in input order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.io.spill import BUCKET, Spill, buckets_of, to_records


def arrays(rows):
    """Arrays of several shapes and types, told apart by their row."""
    rows = np.asarray(rows, dtype=np.int64)
    return {
        "row": rows,
        "height": np.where(rows % 7 == 0, np.nan, rows / 3.0),
        "kind": (rows % 5 - 1).astype(np.int8),
        "known": rows % 2 == 0,
        "ordinates": rows[:, None] + np.arange(16.0),
        "covariance": rows[:, None, None] + np.arange(9.0).reshape(3, 3),
    }


def assert_same(found, expected):
    assert list(found) == list(expected)
    for name, array in expected.items():
        assert found[name].dtype == array.dtype, name
        assert found[name].shape == array.shape, name
        assert found[name].tobytes() == np.ascontiguousarray(array).tobytes(), name


def test_records_hold_every_field():
    records = to_records(arrays([4, 9]))
    assert records.shape == (2,)
    assert_same({name: records[name] for name in records.dtype.names}, arrays([4, 9]))
    assert len(to_records(arrays([]))) == 0


def test_rows_come_back_in_the_order_asked_for(tmp_path):
    spill = Spill(tmp_path)
    spill.append("structures", arrays(range(100)))
    spill.append("structures", arrays(range(100, 130)))
    index = np.array([129, 0, 100, 99, 0])
    found = spill.rows("structures", index)
    assert_same(found, arrays(index))
    assert all(array.flags.c_contiguous for array in found.values())


def test_chunks_come_back_bit_by_bit_and_can_be_dropped(tmp_path):
    spill = Spill(tmp_path)
    spill.save("key-000001", arrays([3, 7]))
    assert_same(spill.load("key-000001"), arrays([3, 7]))
    assert [path.name for path in tmp_path.iterdir()] == ["key-000001.npz"]
    spill.drop("key-000001")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.filterwarnings("ignore:unclosed file:ResourceWarning")  # numpy's, where it cannot read on
@pytest.mark.parametrize("keep", [0, 10, -3])
def test_a_damaged_chunk_says_so(tmp_path, keep):
    spill = Spill(tmp_path)
    spill.save("key", arrays([3, 7]))
    path = tmp_path / "key.npz"
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(OSError, match=r"key\.npz was damaged"):
        spill.load("key")


def test_no_pickles(tmp_path):
    spill = Spill(tmp_path)
    np.savez(tmp_path / "key.npz", x=np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(OSError, match="damaged"):
        spill.load("key")


def test_shuffled_rows_are_sorted_into_buckets(tmp_path):
    spill = Spill(tmp_path)
    rows = np.random.default_rng(4).permutation(2 * BUCKET + 5)
    for part in np.array_split(rows, 7):
        spill.scatter("results", arrays(part))
    numbers = list(buckets_of(len(rows)))
    assert numbers == [0, 1, 2]
    found = [spill.bucket("results", number) for number in numbers]
    assert [len(records) for records in found] == [BUCKET, BUCKET, 5]
    joined = np.concatenate(found)
    assert_same({name: joined[name] for name in joined.dtype.names}, arrays(range(len(rows))))


def test_rows_that_stand_several_times_keep_their_order(tmp_path):
    spill = Spill(tmp_path)
    for code in range(3):
        spill.scatter("reasons", {"row": np.array([5, 1, 5]), "code": np.array([10, 20, 30]) + code})
    records = spill.bucket("reasons", 0)
    assert records["row"].tolist() == [1, 1, 1, 5, 5, 5, 5, 5, 5]
    assert records["code"].tolist() == [20, 21, 22, 10, 30, 11, 31, 12, 32]


def test_an_empty_bucket_has_the_fields_of_the_others(tmp_path):
    spill = Spill(tmp_path)
    assert len(spill.bucket("reasons", 0)) == 0
    spill.scatter("reasons", arrays([1]))
    empty = spill.bucket("reasons", 9)
    assert len(empty) == 0
    assert empty.dtype == spill.bucket("reasons", 0).dtype


def test_scattering_nothing_keeps_the_fields(tmp_path):
    spill = Spill(tmp_path)
    spill.scatter("reasons", arrays([]))
    assert len(spill.bucket("reasons", 0)) == 0
    assert "height" in spill.bucket("reasons", 0).dtype.names


@pytest.mark.parametrize(
    ("n", "numbers"), [(0, []), (1, [0]), (BUCKET, [0]), (BUCKET + 1, [0, 1]), (3 * BUCKET, [0, 1, 2])]
)
def test_numbers_of_buckets(n, numbers):
    assert list(buckets_of(n)) == numbers


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 5 * BUCKET), min_size=1, max_size=40), st.integers(1, 5))
def test_nothing_is_lost_however_it_is_split(tmp_path_factory, rows, parts):
    spill = Spill(tmp_path_factory.mktemp("spill"))
    for part in np.array_split(np.array(rows), parts):
        spill.scatter("reasons", arrays(part))
    found = [row for number in range(6) for row in spill.bucket("reasons", number)["row"].tolist()]
    assert found == sorted(rows)

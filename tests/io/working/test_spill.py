"""What a run keeps on disk: bits come back as they went in, buckets in input order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.io.working.spill import BUCKET, Spill, to_records


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
    spill = Spill(tmp_path, tmp_path)
    spill.append("structures", arrays(range(100)))
    spill.append("structures", arrays(range(100, 130)))
    index = np.array([129, 0, 100, 99, 0])
    found = spill.rows("structures", index)
    assert_same(found, arrays(index))
    assert all(array.flags.c_contiguous for array in found.values())


def test_rows_of_a_file_that_became_shorter_are_told(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    spill.append("structures", arrays(range(9)))
    path = tmp_path / "structures.rows"
    path.write_bytes(path.read_bytes()[:-1])
    assert spill.rows("structures", np.array([7]))["row"].tolist() == [7]
    with pytest.raises(OSError, match=r"structures\.rows was damaged"):
        spill.rows("structures", np.array([8]))


def chunk(rows):
    return {"results": arrays(rows), "reasons": {"row": np.asarray(rows), "code": np.asarray(rows) % 3}}


def all_rows(spill, kind, count):
    return [spill.bucket(kind, number) for number in range(-(-count // BUCKET))]


def test_shuffled_chunks_come_back_as_buckets_of_sorted_rows(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    rows = np.random.default_rng(4).permutation(2 * BUCKET + 5)
    for number, part in enumerate(np.array_split(rows, 7)):
        spill.keep(number, chunk(part))
    found = all_rows(spill, "results", len(rows))
    assert [len(records) for records in found] == [BUCKET, BUCKET, 5]
    joined = np.concatenate(found)
    assert_same({name: joined[name] for name in joined.dtype.names}, arrays(range(len(rows))))
    assert len(list(tmp_path.iterdir())) == 7


def test_rows_that_stand_several_times_keep_their_order(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    for code in range(3):
        spill.keep(code, {"reasons": {"row": np.array([5, 1, 5]), "code": np.array([10, 20, 30]) + code}})
    records = spill.bucket("reasons", 0)
    assert records["row"].tolist() == [1, 1, 1, 5, 5, 5, 5, 5, 5]
    assert records["code"].tolist() == [20, 21, 22, 10, 30, 11, 31, 12, 32]


def test_rows_of_the_door_come_before_those_of_the_chunks(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    spill.append_sorted("reasons", {"row": np.array([7, 2, 7]), "code": np.array([1, 2, 3])})
    spill.append_sorted("reasons", {"row": np.array([BUCKET + 1]), "code": np.array([4])})
    spill.keep(0, {"reasons": {"row": np.array([7, 0]), "code": np.array([5, 6])}})
    found = [spill.bucket("reasons", number) for number in (0, 1)]
    assert [records["row"].tolist() for records in found] == [[0, 2, 7, 7, 7], [BUCKET + 1]]
    assert [records["code"].tolist() for records in found] == [[6, 2, 1, 3, 5], [4]]


def test_an_empty_bucket_has_the_fields_of_the_others(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    assert len(spill.bucket("reasons", 0)) == 0
    spill.append_sorted("reasons", arrays([]))
    assert "height" in spill.bucket("reasons", 0).dtype.names
    spill.keep(0, {"reasons": arrays([1])})
    empty = spill.bucket("reasons", 9)
    assert len(empty) == 0
    assert empty.dtype == spill.bucket("reasons", 0).dtype


def test_other_fields_than_before_are_refused(tmp_path):
    spill = Spill(tmp_path, tmp_path)
    spill.keep(0, {"results": arrays([1])})
    with pytest.raises(ValueError, match="results: other fields"):
        spill.keep(1, {"results": {"row": np.array([2])}})
    assert [path.name for path in tmp_path.iterdir()] == ["chunk-000000"]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 5 * BUCKET), min_size=1, max_size=40), st.integers(1, 5))
def test_nothing_is_lost_however_it_is_split(tmp_path_factory, rows, parts):
    folder = tmp_path_factory.mktemp("spill")
    spill = Spill(folder, folder)
    for number, part in enumerate(np.array_split(np.array(rows), parts)):
        spill.keep(number, {"reasons": arrays(part)})
    found = [row for number in range(6) for row in spill.bucket("reasons", number)["row"].tolist()]
    assert found == sorted(rows)


# ---------------------------------------------------------------- chunks of an interrupted run

PARTS = ([9, 3, BUCKET + 4], [1, 2 * BUCKET, 7])


def kept(folder, key="k"):
    spill = Spill(folder, folder, key)
    for number, part in enumerate(PARTS):
        spill.keep(number, chunk(part))
    return spill


def test_recalled_chunks_are_as_good_as_computed_ones(tmp_path):
    first, second = kept(tmp_path), Spill(tmp_path, tmp_path, "k")
    for number, part in enumerate(PARTS):
        results = second.recall(number, np.array(part))
        assert results["row"].tolist() == sorted(part)
        assert results["height"].tobytes() == arrays(sorted(part))["height"].tobytes()
    for kind in ("results", "reasons"):
        for mine, theirs in zip(all_rows(first, kind, 3 * BUCKET), all_rows(second, kind, 3 * BUCKET), strict=True):
            assert mine.dtype == theirs.dtype
            assert mine.tobytes() == theirs.tobytes()


@pytest.mark.parametrize("rows", [[9, 3, 5], [9, 3], [9, 3, BUCKET + 4, 5]])
def test_a_chunk_of_other_rows_is_not_taken(tmp_path, rows):
    kept(tmp_path)
    spill = Spill(tmp_path, tmp_path, "k")
    assert spill.recall(0, np.array(rows)) is None
    assert len(spill.bucket("results", 0)) == 0


def test_a_chunk_that_is_missing_damaged_or_of_another_key_is_not_taken(tmp_path):
    kept(tmp_path)
    (tmp_path / "chunk-000001").write_bytes((tmp_path / "chunk-000001").read_bytes()[:-1])
    spill = Spill(tmp_path, tmp_path, "k")
    assert spill.recall(1, np.array(PARTS[1])) is None
    assert spill.recall(2, np.array(PARTS[1])) is None
    assert Spill(tmp_path, tmp_path, "other").recall(0, np.array(PARTS[0])) is None
    spill.keep(1, chunk(PARTS[1]))
    assert spill.bucket("results", 2)["row"].tolist() == [2 * BUCKET]


def test_a_chunk_that_is_damaged_while_the_run_goes_on_is_told(tmp_path):
    spill = kept(tmp_path)
    (tmp_path / "chunk-000001").write_bytes(b"")
    with pytest.raises(OSError, match="chunk-000001 was damaged while the run went on"):
        spill.bucket("results", 0)

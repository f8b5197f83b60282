"""Files of chunks: records come back bit by bit, and a file that is not whole is none."""

from __future__ import annotations

import errno
import io
import json
import struct
import zlib

import numpy as np
import pytest

from geoadjust.io.working import chunk_files
from geoadjust.io.working.chunk_files import read_chunk, read_records, write_chunk

FIELDS = [("row", "<i8"), ("height", "<f8"), ("kind", "i1"), ("known", "?"), ("plane", "<f4", (2, 3))]


def records(n, seed=0):
    found = np.zeros(n, dtype=FIELDS)
    rng = np.random.default_rng(seed)
    found["row"], found["height"] = np.arange(n) * 3, rng.normal(size=n)
    found["kind"], found["known"], found["plane"] = rng.integers(-9, 9, n), True, rng.normal(size=(n, 2, 3))
    found["height"][: n // 2] = np.nan
    return found


@pytest.fixture
def chunk(tmp_path):
    """A small chunk, and its path."""
    tables = {"results": records(3), "reasons": records(5, seed=1)[["row", "kind"]].copy()}
    tables["reasons"] = np.array(tables["reasons"].tolist(), dtype=[("row", "<i8"), ("kind", "i1")])
    path = tmp_path / "chunk-000007"
    return path, tables, write_chunk(path, "abc", 7, tables)


def test_tables_come_back_bit_by_bit(chunk):
    path, tables, places = chunk
    found, again = read_chunk(path, "abc", 7)
    assert again == places
    assert list(found) == list(tables)
    for name, table in tables.items():
        assert found[name].dtype == table.dtype
        assert found[name].tobytes() == table.tobytes()
    assert [file.name for file in path.parent.iterdir()] == ["chunk-000007"]


def test_an_empty_table_keeps_its_fields(tmp_path):
    write_chunk(tmp_path / "c", "k", 0, {"results": records(1), "reasons": records(0)})
    found, _ = read_chunk(tmp_path / "c", "k", 0)
    assert len(found["reasons"]) == 0
    assert found["reasons"].dtype == np.dtype(FIELDS)


def test_the_layout_is_as_documented(chunk):
    """Read by another way: the bytes taken apart by hand."""
    path, tables, places = chunk
    content = path.read_bytes()
    length, crc = struct.unpack("<II", content[8:16])
    header = json.loads(content[16 : 16 + length])
    assert content[:8] == b"geoadj01"
    assert zlib.crc32(content[16:]) == crc
    assert (header["key"], header["number"]) == ("abc", 7)
    assert [(table["name"], table["count"]) for table in header["tables"]] == [("results", 3), ("reasons", 5)]
    assert content[16 + length :] == tables["results"].tobytes() + tables["reasons"].tobytes()
    assert places == {"results": 16 + length, "reasons": 16 + length + tables["results"].nbytes}
    assert b"pickle" not in content


def test_any_flipped_bit_is_found(chunk):
    path, _, _ = chunk
    content = path.read_bytes()
    for place in range(len(content)):
        damaged = bytearray(content)
        damaged[place] ^= 1 << place % 8
        path.write_bytes(damaged)
        assert read_chunk(path, "abc", 7) is None, place


def test_any_truncation_is_found(chunk):
    path, _, _ = chunk
    content = path.read_bytes()
    for length in range(len(content)):
        path.write_bytes(content[:length])
        assert read_chunk(path, "abc", 7) is None, length
    path.write_bytes(content + b"\0")
    assert read_chunk(path, "abc", 7) is None


def test_a_chunk_of_another_run_or_another_place_is_none(chunk):
    path, _, _ = chunk
    assert read_chunk(path, "abd", 7) is None
    assert read_chunk(path, "abc", 8) is None
    assert read_chunk(path.with_name("chunk-000008"), "abc", 8) is None


@pytest.mark.parametrize(
    "tables",
    [
        [{"name": "results", "fields": [["row", "|O"]], "count": 1}],
        [{"name": "results", "fields": [["row", "nonsense"]], "count": 1}],
        [{"name": "results", "count": 1}],
        [{"name": "results", "fields": [["row", "<i8"]], "count": 9}],
        7,
    ],
    ids=["objects", "no type", "no fields", "too few bytes", "no tables"],
)
def test_a_strange_header_with_a_right_checksum_is_none(tmp_path, tables):
    header = json.dumps({"key": "k", "number": 0, "tables": tables}).encode()
    body = header + bytes(range(7))
    (tmp_path / "c").write_bytes(struct.pack("<8sII", b"geoadj01", len(header), zlib.crc32(body)) + body)
    assert read_chunk(tmp_path / "c", "k", 0) is None


def test_records_of_a_slice(chunk):
    path, tables, places = chunk
    size = tables["results"].itemsize
    into = np.empty(2 * size, dtype=np.uint8)
    read_records(path, places["results"] + size, into)
    assert into.tobytes() == tables["results"][1:].tobytes()


def test_a_file_that_became_shorter_is_told(chunk):
    path, tables, places = chunk
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(OSError, match="chunk-000007 was damaged"):
        read_records(path, places["reasons"], np.empty(tables["reasons"].nbytes, dtype=np.uint8))


class Full(io.FileIO):
    """A file on a disk that is full after 100 bytes."""

    def write(self, content):
        if self.tell() + len(content) > 100:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(content)


def test_a_full_disk_leaves_nothing_half_written(tmp_path, monkeypatch):
    monkeypatch.setattr(chunk_files, "open", Full, raising=False)
    with pytest.raises(OSError, match="No space"):
        write_chunk(tmp_path / "c", "k", 0, {"results": records(30)})
    assert list(tmp_path.iterdir()) == []

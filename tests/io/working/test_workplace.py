"""The work place: what is kept, what is told, and that nothing of somebody else's is removed."""

from __future__ import annotations

import json

import pytest

from geoadjust.errors import OutputBusyError
from geoadjust.io.working.workplace import WorkPlace, is_work_file

KEY = {"facts": {"rules": [1]}, "chunk": 10, "chunks": 4}


@pytest.fixture
def work(tmp_path):
    return WorkPlace(tmp_path / "out")


def put(work, *names):
    for name in names:
        (work.folder / name).write_bytes(b"x")


def test_it_lies_beside_the_target_and_is_private(work, tmp_path):
    work.begin(KEY)
    assert work.folder == tmp_path / ".out.work"
    assert work.folder.stat().st_mode & 0o777 == 0o700
    assert [path.name for path in work.folder.iterdir()] == ["key.json"]
    assert work.key() == KEY


def test_to_begin_removes_what_was_kept(work):
    work.begin(KEY)
    put(work, "chunk-000001", "chunk-000002.part")
    work.begin({**KEY, "chunk": 11})
    assert work.count() == 0
    assert work.key()["chunk"] == 11


def test_only_finished_chunks_count(work):
    assert work.count() == 0
    work.begin(KEY)
    put(work, "chunk-000000", "chunk-000003", "chunk-000004.part", "chunk-1234567")
    assert work.count() == 3


def test_left_with_chunks_it_stays_and_says_so(work):
    work.begin(KEY)
    put(work, "chunk-000000", "chunk-000003")
    text = work.leave()
    assert text.startswith(f"2 of 4 chunks are kept in {work.folder}: the same command with --resume goes on")
    assert "without --resume removes them" in text
    assert work.count() == 2


def test_left_without_a_finished_chunk_it_goes(work):
    assert work.leave() == ""
    work.begin(KEY)
    put(work, "chunk-000000.part")
    assert work.leave() == ""
    assert not work.folder.exists()


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", "7", "[" * 99_999, json.dumps({**KEY, "facts": 3}), json.dumps({**KEY, "chunk": "10"}),
        json.dumps({"facts": {}}), "\udcff",
    ],
)  # fmt: skip
def test_a_key_that_cannot_be_read_is_none(work, text):
    work.begin(KEY)
    (work.folder / "key.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    assert work.key() is None
    put(work, "chunk-000000")
    assert work.leave() == ""  # chunks without a key are of no use


def test_a_missing_key_is_none(work):
    assert work.key() is None
    work.folder.mkdir()
    assert work.key() is None


@pytest.mark.parametrize("name", ["notes.txt", "chunk-1", "chunk-000001.txt", "key.json~", "run.json"])
def test_what_is_not_ours_is_refused_and_left(work, name):
    work.begin(KEY)
    put(work, name)
    with pytest.raises(OutputBusyError, match="not ours, never removed"):
        work.judge()
    assert (work.folder / name).exists()


def test_a_folder_inside_is_not_ours(work):
    work.begin(KEY)
    (work.folder / "photos").mkdir()
    with pytest.raises(OutputBusyError, match="never removed: photos"):
        work.judge()


def test_a_link_or_a_file_in_its_place_is_refused(work, tmp_path):
    (tmp_path / "precious").mkdir()
    work.folder.symlink_to("precious")
    with pytest.raises(OutputBusyError, match="is not the folder"):
        work.judge()
    work.folder.unlink()
    work.folder.write_text("x")
    with pytest.raises(OutputBusyError, match="is not the folder"):
        work.judge()


def test_our_own_is_accepted(work):
    work.judge()
    work.begin(KEY)
    put(work, "chunk-000000", "chunk-000001.part", "key.json.part")
    work.judge()


@pytest.mark.parametrize(
    ("name", "ours"),
    [
        (".out.work/chunk-000001", True),
        (".out.work/chunk-000001.part", True),
        ("a/b/.out.work/key.json", True),
        (".out.work/sub/chunk-000001", False),
        (".out.work", False),
        ("out.work/chunk-000001", False),
        (".work/key.json", False),
        (".out.work/letter.txt", False),
        (".out.works/key.json", False),
        ("chunk-000001", False),
    ],
)
def test_names_of_a_work_place(name, ours):
    assert is_work_file(name) is ours

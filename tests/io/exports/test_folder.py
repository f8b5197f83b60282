"""Exported files are put in place together or not at all, and never over what others made."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from geoadjust.errors import OutputBusyError, OutputError
from geoadjust.io.exports.folder import ExportFolder


def is_ours(path: Path) -> bool:
    return path.read_text().startswith("ours")


FILES = {"a.txt": is_ours, "b.txt": is_ours}


def export(folder: Path, text: str = "ours", *, overwrite: bool = False) -> None:
    with ExportFolder(folder, FILES, overwrite=overwrite) as target:
        for name in FILES:
            target.path(name).write_text(text)
        target.commit()


def contents(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir()}


def test_files_beside_others(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    export(tmp_path)
    assert contents(tmp_path) == {"a.txt": "ours", "b.txt": "ours", "notes.txt": "mine"}


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    export(tmp_path / "out")
    with pytest.raises(OutputBusyError, match=r"a\.txt: exists; name another folder, or give --overwrite"):
        export(tmp_path / "out", "ours 2")
    assert contents(tmp_path / "out") == {"a.txt": "ours", "b.txt": "ours"}
    export(tmp_path / "out", "ours 2", overwrite=True)
    assert contents(tmp_path / "out") == {"a.txt": "ours 2", "b.txt": "ours 2"}


@pytest.mark.parametrize("make", ["file", "folder", "link"])
def test_what_others_made_is_never_replaced(tmp_path: Path, make: str) -> None:
    (tmp_path / "elsewhere").write_text("ours")
    path = tmp_path / "out" / "b.txt"
    path.parent.mkdir()
    {
        "file": lambda: path.write_text("mine"),
        "folder": path.mkdir,
        "link": lambda: path.symlink_to(tmp_path / "elsewhere"),
    }[make]()
    with pytest.raises(OutputBusyError, match="was not exported by geoadjust"):
        export(tmp_path / "out", overwrite=True)
    assert os.listdir(tmp_path / "out") == ["b.txt"]


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputBusyError, match="is not a folder"):
        export(tmp_path / "out", overwrite=True)


@pytest.mark.parametrize("where", ["a.txt", "out"])
def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    """No space while the first file, or the folder itself, is made safe."""

    def full(handle: int) -> None:
        name = os.path.basename(os.readlink(f"/proc/self/fd/{handle}"))
        if name == where:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="disk full"):
        export(tmp_path / "out")
    assert where == "out" or not (tmp_path / "out").exists()


def write_on_a_full_disk(folder: Path) -> None:
    with ExportFolder(folder, FILES) as target:
        target.path("a.txt").write_text("ours")
        raise OSError(errno.ENOSPC, "No space left on device")


def test_an_error_while_writing(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="disk full"):
        write_on_a_full_disk(tmp_path / "deep" / "out")
    assert os.listdir(tmp_path) == []


def test_left_overs_of_a_killed_run_go(tmp_path: Path) -> None:
    left = tmp_path / ".export.123-0123abcd.part"
    left.mkdir()
    (left / "a.txt").write_text("half")
    (tmp_path / ".export.lock").write_text("123\n")
    export(tmp_path)
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.txt"]


def test_two_at_a_time(tmp_path: Path) -> None:
    with ExportFolder(tmp_path, FILES), pytest.raises(OutputBusyError, match="another run"):
        export(tmp_path)
    assert os.listdir(tmp_path) == []

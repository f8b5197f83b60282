"""Output sets: the target is the old set or the new one, whatever happens; what is not ours is never replaced."""

import errno
import fcntl
import hashlib
import json
import os
import pickle
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from geoadjust.errors import InputError, OutputBusyError, OutputError
from geoadjust.io.results import sets
from geoadjust.io.results.sets import SetWriter, explain_os_error, read_set

LEFT_OVER = "1234567-0123abcd"


def write_set(target, text="old", *, overwrite=False, **record):
    with SetWriter(target, overwrite=overwrite) as writer:
        (writer.folder / "schedule.csv").write_text(text)
        (writer.folder / "maps").mkdir()
        (writer.folder / "maps" / "straße.html").write_text(text * 2)
        (writer.spill / "chunk.npz").write_bytes(b"chunk")
        writer.commit(record)
    return target


def names(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def text_of(target):
    read_set(target)
    return (target / "schedule.csv").read_text()


def run_child(code, *arguments):
    """Run code in another process; `sets` and `write_set` stand ready there."""
    here = "import sys, os, signal, importlib.util as u\nfrom pathlib import Path\n"
    here += f"s = u.spec_from_file_location('t', {__file__!r}); t = u.module_from_spec(s); s.loader.exec_module(t)\n"
    here += "sets, write_set, target = t.sets, t.write_set, Path(sys.argv[1])\n"
    return subprocess.Popen(
        [sys.executable, "-c", here + code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=with_root(),
    )


def with_root():
    root = str(Path(sets.__file__).parents[3])
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))}


class TestWrite:
    def test_record_lists_every_file(self, tmp_path):
        target = write_set(tmp_path / "out", "flush", command="schedule", street="Größe")
        assert names(target) == ["maps", "maps/straße.html", "run.json", "schedule.csv"]
        raw = (target / "run.json").read_bytes()
        record = json.loads(raw)
        assert record["files"]["schedule.csv"] == {"sha256": hashlib.sha256(b"flush").hexdigest(), "bytes": 5}
        assert list(record["files"]) == ["maps/straße.html", "schedule.csv"]
        assert list(record) == ["command", "files", "street"]
        assert raw.startswith(b'{\n "command"')
        assert raw.endswith(b"}\n")
        assert "Größe".encode() in raw
        assert read_set(target) == record

    def test_nothing_else_is_left(self, tmp_path):
        write_set(tmp_path / "out")
        write_set(tmp_path / "out", "new", overwrite=True)
        assert text_of(tmp_path / "out") == "new"
        assert os.listdir(tmp_path) == ["out"]

    def test_a_path_with_odd_bytes_survives_in_the_record(self, tmp_path):
        write_set(tmp_path / "out", source=os.fsdecode(b"stra\xdfe.tif"))
        assert os.fsencode(read_set(tmp_path / "out")["source"]) == b"stra\xdfe.tif"

    @pytest.mark.parametrize("umask", [0o022, 0o077, 0o002])
    def test_permissions_follow_the_umask(self, tmp_path, umask):
        before = os.umask(umask)
        try:
            with SetWriter(tmp_path / "out", overwrite=False) as writer:
                assert writer.folder.stat().st_mode & 0o777 == 0o700
                writer.commit({})
        finally:
            os.umask(before)
        assert (tmp_path / "out").stat().st_mode & 0o777 == 0o777 & ~umask

    def test_built_beside_the_target(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            assert writer.folder.parent == tmp_path
            assert writer.folder.name.startswith(f".out.{os.getpid()}-")
            assert writer.folder.name.endswith(".part")
            assert writer.spill.is_dir()
            assert not (tmp_path / "out").exists()

    def test_relative_target_survives_a_change_of_folder(self, tmp_path, monkeypatch):
        (tmp_path / "elsewhere").mkdir()
        monkeypatch.chdir(tmp_path)
        with SetWriter(Path("out"), overwrite=False) as writer:
            monkeypatch.chdir(tmp_path / "elsewhere")
            writer.commit({})
        assert read_set(tmp_path / "out") == {"files": {}}

    def test_parents_are_made_and_removed_again_after_a_failure(self, tmp_path):
        write_set(tmp_path / "a" / "b" / "out")
        with pytest.raises(ZeroDivisionError), SetWriter(tmp_path / "c" / "d" / "out", overwrite=False):
            raise ZeroDivisionError
        assert os.listdir(tmp_path) == ["a"]

    def write_half(self, target, error):
        with SetWriter(target, overwrite=True) as writer:
            (writer.folder / "schedule.csv").write_text("half")
            raise error

    @pytest.mark.parametrize("error", [ZeroDivisionError, KeyboardInterrupt, SystemExit, OutputError])
    def test_an_exception_leaves_the_old_set(self, tmp_path, error):
        write_set(tmp_path / "out")
        with pytest.raises(error):
            self.write_half(tmp_path / "out", error)
        assert text_of(tmp_path / "out") == "old"
        assert os.listdir(tmp_path) == ["out"]

    def test_no_commit_no_set(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            (writer.folder / "schedule.csv").write_text("x")
        assert os.listdir(tmp_path) == []

    def test_a_second_commit_is_refused(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=True) as writer:
            writer.commit({"run": 1})
            with pytest.raises(OutputError):
                writer.commit({"run": 2})
        assert read_set(tmp_path / "out")["run"] == 1

    def test_files_are_synced_before_the_swap_and_the_record_is_last(self, tmp_path, monkeypatch):
        order = []
        sync, swap = sets._sync, sets._swap
        monkeypatch.setattr(sets, "_sync", lambda path: (order.append(path.name), sync(path)))
        monkeypatch.setattr(sets, "_swap", lambda *paths: (order.append("swap"), swap(*paths)))
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            (writer.folder / "schedule.csv").write_text("x")
            writer.commit({})
        assert order == ["schedule.csv", "run.json", writer.folder.name, "swap", tmp_path.name]


class TestRefusals:
    def refused(self, target, *, overwrite, error=OutputBusyError):
        before = [(path, path.is_file() and path.read_bytes()) for path in sorted(target.parent.rglob("*"))]
        with pytest.raises(error) as caught, SetWriter(target, overwrite=overwrite):
            pass
        assert [(path, path.is_file() and path.read_bytes()) for path in sorted(target.parent.rglob("*"))] == before
        assert pickle.loads(pickle.dumps(caught.value)).exit_code == error.exit_code
        return str(caught.value)

    def test_exists(self, tmp_path):
        write_set(tmp_path / "out")
        assert self.refused(tmp_path / "out", overwrite=False).endswith("exists; give --overwrite to replace it")

    def test_empty_folder_and_left_over_need_overwrite(self, tmp_path):
        target = tmp_path / "out"
        (target / f".schedule.gpkg.{LEFT_OVER}.part").mkdir(parents=True)
        (target / f".schedule.gpkg.{LEFT_OVER}.part" / "half").write_text("x")
        assert self.refused(target, overwrite=False).endswith("exists; give --overwrite to replace it")
        assert text_of(write_set(target, overwrite=True)) == "old"
        (tmp_path / "empty").mkdir()
        assert self.refused(tmp_path / "empty", overwrite=False).endswith("exists; give --overwrite to replace it")
        assert text_of(write_set(tmp_path / "empty", overwrite=True)) == "old"

    @pytest.mark.parametrize("overwrite", [True, False])
    def test_no_folder(self, tmp_path, overwrite):
        (tmp_path / "out").write_text("letter")
        assert self.refused(tmp_path / "out", overwrite=overwrite).endswith("exists and is not a folder")

    @pytest.mark.parametrize("overwrite", [True, False])
    def test_link(self, tmp_path, overwrite):
        write_set(tmp_path / "real")
        (tmp_path / "out").symlink_to("real")
        assert f"is a link to {tmp_path / 'real'}" in self.refused(tmp_path / "out", overwrite=overwrite)
        (tmp_path / "nowhere").symlink_to("missing")
        assert "is a link" in self.refused(tmp_path / "nowhere", overwrite=overwrite)

    @pytest.mark.parametrize("overwrite", [True, False])
    @pytest.mark.parametrize("name", ["notes.txt", "maps/notes.txt", ".hidden", "other/deep/x.part"])
    def test_foreign_file(self, tmp_path, overwrite, name):
        target = write_set(tmp_path / "out")
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_text("mine")
        assert self.refused(target, overwrite=overwrite).endswith(f"are not ours, never replaced: {name}")

    def test_foreign_link_to_a_folder(self, tmp_path):
        target = write_set(tmp_path / "out")
        (target / "photos").symlink_to(tmp_path)
        assert self.refused(target, overwrite=True).endswith("never replaced: photos")

    def test_up_to_five_are_named(self, tmp_path):
        for number in range(7):
            (tmp_path / "out").mkdir(exist_ok=True)
            (tmp_path / "out" / f"{number}.jpg").write_text("x")
        assert self.refused(tmp_path / "out", overwrite=True).endswith(
            "never replaced: 0.jpg, 1.jpg, 2.jpg, 3.jpg, 4.jpg and 2 more"
        )

    @pytest.mark.parametrize("text", ["", "{}", "[1]", '{"files": []}', '{"files": {"a.csv": 1}}', "\xff", "[" * 99999])
    def test_a_record_that_is_not_ours(self, tmp_path, text):
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "run.json").write_bytes(text.encode("latin-1"))
        assert self.refused(tmp_path / "out", overwrite=True).endswith("never replaced: run.json")

    def test_top_of_the_tree(self):
        with pytest.raises(OutputBusyError, match="not a place for a result"):
            SetWriter(Path("/"), overwrite=True)

    def test_parent_is_a_file(self, tmp_path):
        (tmp_path / "file").write_text("x")
        assert str(tmp_path / "file") in self.refused(tmp_path / "file" / "out", overwrite=True, error=OutputError)

    def test_not_writable(self, tmp_path, monkeypatch):
        def deny(*_, **__):
            raise PermissionError(errno.EACCES, "Permission denied")

        monkeypatch.setattr(os, "open", deny)  # root may write anywhere, so the mode alone proves nothing
        assert self.refused(tmp_path / "out", overwrite=True, error=OutputError).endswith("out: no permission")

    def test_a_file_that_comes_meanwhile_is_kept(self, tmp_path):
        target = write_set(tmp_path / "out")
        with SetWriter(target, overwrite=True) as writer:
            (target / "notes.txt").write_text("mine")
            with pytest.raises(OutputBusyError, match=r"never replaced: notes\.txt"):
                writer.commit({})
        assert (target / "notes.txt").read_text() == "mine"
        assert text_of(target) == "old"

    def test_a_set_that_comes_meanwhile_is_kept(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            (tmp_path / "out").mkdir()
            with pytest.raises(OutputBusyError, match="exists"):
                writer.commit({})


class TestLock:
    def test_second_process_is_refused_while_the_first_writes(self, tmp_path):
        target = write_set(tmp_path / "out")
        code = "with sets.SetWriter(target, overwrite=True) as w:\n"
        code += "    print('in', flush=True); sys.stdin.read(1)\n    w.commit({'n': 2})"
        child = run_child(code, target)
        assert child.stdout.readline() == "in\n"
        with pytest.raises(OutputBusyError, match=f"another run \\(process {child.pid}\\) is writing here"):
            write_set(target, overwrite=True)
        assert text_of(target) == "old"
        assert child.communicate("x", timeout=30) == ("", "")
        assert read_set(target)["n"] == 2
        assert text_of(write_set(target, "third", overwrite=True)) == "third"
        assert os.listdir(tmp_path) == ["out"]

    def test_within_one_process(self, tmp_path):
        with (
            SetWriter(tmp_path / "out", overwrite=False) as writer,
            SetWriter(tmp_path / "out2", overwrite=False),
            pytest.raises(OutputBusyError, match="another run"),
            SetWriter(tmp_path / "out", overwrite=False),
        ):
            pass
        assert not writer.folder.exists()

    def test_left_over_lock_of_a_dead_process(self, tmp_path):
        (tmp_path / ".out.lock").write_text("1\n")
        assert text_of(write_set(tmp_path / "out")) == "old"
        assert os.listdir(tmp_path) == ["out"]

    def test_lock_that_lost_its_name_is_not_enough(self, tmp_path, monkeypatch):
        path = tmp_path / ".out.lock"
        flock, seen = fcntl.flock, []

        def late(handle, flags):
            if not seen:  # between open and lock the former holder leaves and removes the name
                path.unlink()
            seen.append(os.fstat(handle).st_ino)
            flock(handle, flags)

        monkeypatch.setattr(fcntl, "flock", late)
        handle = sets.take_lock(path)
        assert len(seen) == 2
        assert os.fstat(handle).st_ino == path.stat().st_ino
        sets.drop_lock(path, handle)
        assert not path.exists()

    def test_a_link_in_place_of_the_lock_is_not_followed(self, tmp_path):
        (tmp_path / "precious").write_text("mine")
        (tmp_path / ".out.lock").symlink_to("precious")
        with pytest.raises(OutputError):
            write_set(tmp_path / "out")
        assert (tmp_path / "precious").read_text() == "mine"


KILL = "def die(*_, **__): os.kill(os.getpid(), signal.SIGKILL)\n"
MOMENTS = {
    "after enter": ("old", "with sets.SetWriter(target, overwrite=True): die()"),
    "while files are written": (
        "old",
        "with sets.SetWriter(target, overwrite=True) as w:\n (w.folder / 'schedule.csv').write_text('new'); die()",
    ),
    "while hashing": ("old", "sets._sha256 = die; write_set(target, 'new', overwrite=True)"),
    "before the swap": ("old", "sets._swap = die; write_set(target, 'new', overwrite=True)"),
    "after the exchange": (
        "new",
        "e = sets._exchange\nsets._exchange = lambda *p: e(*p) and die()\nwrite_set(target, 'new', overwrite=True)",
    ),
    "while the old set is removed": (
        "new",
        "r = sets.shutil.rmtree\n"
        "def half(path, **o):\n"
        " if path.name == '.spill': return r(path)\n"
        " (path / 'schedule.csv').unlink(); die()\n"
        "sets.shutil.rmtree = half\nwrite_set(target, 'new', overwrite=True)",
    ),
}


class TestKilled:
    @pytest.mark.parametrize("moment", MOMENTS)
    def test_old_or_new_is_complete_and_the_next_run_works(self, tmp_path, moment):
        expected, code = MOMENTS[moment]
        target = write_set(tmp_path / "out")
        child = run_child(KILL + code, target)
        child.communicate(timeout=30)
        assert child.returncode == -signal.SIGKILL
        assert text_of(target) == expected
        assert len(os.listdir(tmp_path)) > 1  # it was really killed in the middle
        assert text_of(write_set(target, "next", overwrite=True)) == "next"
        assert os.listdir(tmp_path) == ["out"]

    @pytest.mark.parametrize("edited", [False, True])
    def test_between_two_renames_the_old_set_comes_back(self, tmp_path, edited):
        target = write_set(tmp_path / "out")
        if edited:
            (target / "schedule.csv").write_text("with a note")
        code = "sets._exchange = lambda *_: False\nr = os.rename\n"
        code += "os.rename = lambda a, b: die() if b == target else r(a, b)\n"
        child = run_child(KILL + code + "write_set(target, 'new', overwrite=True)", target)
        child.communicate(timeout=30)
        assert child.returncode == -signal.SIGKILL
        assert not target.exists()
        with pytest.raises(OutputBusyError, match="exists; give --overwrite"):
            write_set(target)
        assert (target / "schedule.csv").read_text() == ("with a note" if edited else "old")
        assert os.listdir(tmp_path) == ["out"]

    def test_a_link_is_no_old_set(self, tmp_path):
        write_set(tmp_path / "real")
        (tmp_path / f".out.{LEFT_OVER}.old").symlink_to("real")
        write_set(tmp_path / "out", "new")
        assert not (tmp_path / "out").is_symlink()
        assert text_of(tmp_path / "real") == "old"

    def test_left_overs_of_a_name_that_looks_like_a_pattern(self, tmp_path):
        (tmp_path / f".oxt.{LEFT_OVER}.part").mkdir()
        (tmp_path / f".o.t.{LEFT_OVER}.part").mkdir()
        write_set(tmp_path / "o.t")
        assert sorted(os.listdir(tmp_path)) == [f".oxt.{LEFT_OVER}.part", "o.t"]

    def test_only_our_own_left_overs_go(self, tmp_path):
        kept = [
            f".out.x.{LEFT_OVER}.part",
            f"out.{LEFT_OVER}.part",
            ".out.part",
            f".other.{LEFT_OVER}.part",
            ".out.5.part",
        ]
        for name in [*kept, f".out.{LEFT_OVER}.part", f".out.{LEFT_OVER}.old"]:
            (tmp_path / name).mkdir()
            (tmp_path / name / "file").write_text("x")
        (tmp_path / ".out.7-0123abcd.part").symlink_to(kept[0])
        write_set(tmp_path / "out")
        assert sorted(os.listdir(tmp_path)) == sorted([*kept, ".out.7-0123abcd.part", "out"])
        assert all((tmp_path / name / "file").exists() for name in kept)


class TestSwap:
    def test_old_set_is_whole_until_the_exchange(self, tmp_path, monkeypatch):
        target = write_set(tmp_path / "out")
        seen = []
        exchange = sets._exchange

        def watch(first, second):
            seen.append((text_of(second), text_of(first)))
            done = exchange(first, second)
            seen.append((text_of(second), text_of(first)))
            return done

        monkeypatch.setattr(sets, "_exchange", watch)
        write_set(target, "new", overwrite=True)
        assert seen == [("old", "new"), ("new", "old")]

    def test_two_renames_where_there_is_no_exchange(self, tmp_path, monkeypatch):
        target = write_set(tmp_path / "out")
        monkeypatch.setattr(sets, "_exchange", lambda *_: False)
        assert text_of(write_set(target, "new", overwrite=True)) == "new"
        assert os.listdir(tmp_path) == ["out"]

    def test_first_rename_is_undone_when_the_second_fails(self, tmp_path, monkeypatch):
        target = write_set(tmp_path / "out")
        rename = os.rename

        def fail(first, second):
            if str(first).endswith(".part"):
                raise OSError(errno.EIO, "Input/output error")
            rename(first, second)

        monkeypatch.setattr(sets, "_exchange", lambda *_: False)
        monkeypatch.setattr(os, "rename", fail)
        with pytest.raises(OutputError, match="Input/output error"):
            write_set(target, "new", overwrite=True)
        assert text_of(target) == "old"
        assert os.listdir(tmp_path) == ["out"]

    @pytest.mark.parametrize("number", [errno.ENOSYS, errno.EINVAL])
    def test_system_without_exchange(self, tmp_path, monkeypatch, number):
        monkeypatch.setattr(sets.ctypes, "CDLL", lambda *_, **__: SimpleNamespace(renameat2=lambda *_: -1))
        monkeypatch.setattr(sets.ctypes, "get_errno", lambda: number)
        assert sets._exchange(tmp_path / "a", tmp_path / "b") is False
        monkeypatch.setattr(sets.ctypes, "CDLL", lambda *_, **__: SimpleNamespace())
        assert sets._exchange(tmp_path / "a", tmp_path / "b") is False

    def test_other_failures_of_the_exchange_are_told(self, tmp_path):
        with pytest.raises(FileNotFoundError):
            sets._exchange(tmp_path / "a", tmp_path / "b")

    @pytest.mark.parametrize("step", ["_write_record", "_sha256", "_sync", "_swap", "_exchange"])
    def test_disk_full_at_any_step_leaves_the_old_set(self, tmp_path, monkeypatch, step):
        target = write_set(tmp_path / "out")

        def full(*_):
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(sets, step, full)
        with pytest.raises(OutputError, match="out: disk full"):
            write_set(target, "new", overwrite=True)
        monkeypatch.undo()
        assert text_of(target) == "old"
        assert os.listdir(tmp_path) == ["out"]


KEY = {"facts": {}, "chunk": 10, "chunks": 4}


def keep_chunks(writer, *numbers):
    writer.work.begin(KEY)
    for number in numbers:
        (writer.work.folder / f"chunk-{number:06d}").write_bytes(b"x")


def interrupt(target, error=KeyboardInterrupt, **options):
    with SetWriter(target, overwrite=False, **options) as writer:
        keep_chunks(writer, 0, 2)
        (writer.folder / "schedule.csv").write_text("half")
        raise error


class TestWork:
    @pytest.mark.parametrize("error", [KeyboardInterrupt, InputError([]), ZeroDivisionError, OutputError("x")])
    def test_finished_chunks_outlive_an_exception_and_it_says_so(self, tmp_path, error):
        with pytest.raises(error if isinstance(error, type) else type(error)) as caught:
            interrupt(tmp_path / "out", error)
        assert os.listdir(tmp_path) == [".out.work"]
        assert len(caught.value.__notes__) == 1
        assert caught.value.__notes__[0].startswith(f"2 of 4 chunks are kept in {tmp_path / '.out.work'}")

    def test_a_full_disk_says_so_too(self, tmp_path):
        with pytest.raises(OutputError, match="disk full") as caught:
            interrupt(tmp_path / "out", OSError(errno.ENOSPC, "No space left on device"))
        assert caught.value.__notes__[0].startswith("2 of 4 chunks are kept")

    def test_they_keep_the_parents_that_were_made(self, tmp_path):
        with pytest.raises(KeyboardInterrupt):
            interrupt(tmp_path / "a" / "out")
        assert names(tmp_path) == ["a", "a/.out.work"] + [
            f"a/.out.work/{name}" for name in ("chunk-000000", "chunk-000002", "key.json")
        ]

    def test_a_success_removes_them(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            keep_chunks(writer, 0, 1)
            writer.commit({})
        assert os.listdir(tmp_path) == ["out"]

    def test_they_are_there_to_resume_and_gone_otherwise(self, tmp_path):
        with pytest.raises(KeyboardInterrupt):
            interrupt(tmp_path / "out")
        with SetWriter(tmp_path / "out", overwrite=False, resume=True) as writer:
            assert writer.work.count() == 2
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            assert not writer.work.folder.exists()

    @pytest.mark.parametrize("resume", [True, False])
    def test_a_refused_run_does_not_touch_them(self, tmp_path, resume):
        with pytest.raises(KeyboardInterrupt):
            interrupt(tmp_path / "out")
        (tmp_path / "out").mkdir()
        with pytest.raises(OutputBusyError), SetWriter(tmp_path / "out", overwrite=False, resume=resume):
            pass
        assert names(tmp_path / ".out.work") == ["chunk-000000", "chunk-000002", "key.json"]

    def test_another_run_does_not_touch_them(self, tmp_path):
        with SetWriter(tmp_path / "out", overwrite=False) as writer:
            keep_chunks(writer, 0)
            for resume in (True, False):
                with pytest.raises(OutputBusyError), SetWriter(tmp_path / "out", overwrite=True, resume=resume):
                    pass
            assert writer.work.count() == 1

    @pytest.mark.parametrize("resume", [True, False])
    def test_a_result_named_like_a_work_place_is_never_removed(self, tmp_path, resume):
        write_set(tmp_path / ".out.work")
        with (
            pytest.raises(OutputBusyError, match="not ours"),
            SetWriter(tmp_path / "out", overwrite=True, resume=resume),
        ):
            pass
        assert text_of(tmp_path / ".out.work") == "old"

    def test_a_work_place_inside_a_target_is_not_foreign_but_other_files_in_it_are(self, tmp_path):
        target = write_set(tmp_path / "out")
        with pytest.raises(KeyboardInterrupt):
            interrupt(target / "sub")
        (target / ".sub.work" / "notes.txt").write_text("mine")
        with pytest.raises(OutputBusyError, match=r"never replaced: \.sub\.work/notes\.txt"):
            write_set(target, "new", overwrite=True)
        (target / ".sub.work" / "notes.txt").unlink()
        assert text_of(write_set(target, "new", overwrite=True)) == "new"

    def test_left_overs_of_a_killed_run_go_but_its_chunks_stay(self, tmp_path):
        code = KILL + "with sets.SetWriter(target, overwrite=False) as w: t.keep_chunks(w, 1, 2, 3); die()"
        child = run_child(code, tmp_path / "out")
        child.communicate(timeout=30)
        assert child.returncode == -signal.SIGKILL
        with SetWriter(tmp_path / "out", overwrite=False, resume=True) as writer:
            assert writer.work.count() == 3
        assert os.listdir(tmp_path) == [".out.work"]


class TestExplain:
    @pytest.mark.parametrize(
        ("number", "cause"),
        [
            (errno.ENOSPC, "disk full"),
            (errno.EDQUOT, "disk full (quota)"),
            (errno.EFBIG, "disk full (file size limit)"),
            (errno.EROFS, "read-only folder"),
            (errno.EACCES, "no permission"),
            (errno.EPERM, "no permission"),
        ],
    )
    def test_by_number(self, number, cause):
        assert str(explain_os_error(OSError(number, "text"), "out/a.csv")) == f"out/a.csv: {cause}"

    def test_other_numbers_keep_their_text(self):
        assert "Too many open files" in str(explain_os_error(OSError(errno.EMFILE, "Too many open files"), "out"))

    @pytest.mark.parametrize(
        ("free", "flags", "cause"),
        [
            (2**20 - 1, 0, "disk full"),
            (2**20, 0, "could not be written (no transaction)"),
            (2**30, os.ST_RDONLY, "read-only folder"),
        ],
    )
    def test_errors_of_drivers_ask_the_file_system(self, tmp_path, monkeypatch, free, flags, cause):
        facts = SimpleNamespace(f_bavail=free, f_frsize=1, f_flag=flags)
        monkeypatch.setattr(os, "statvfs", lambda folder: facts if folder == tmp_path else None)
        path = tmp_path / "missing" / "out"
        assert str(explain_os_error(RuntimeError("no transaction"), path)) == f"{path}: {cause}"
        assert str(explain_os_error(OSError("no transaction"), path)) == f"{path}: {cause}"

    def test_driver_error_in_a_closed_folder(self, tmp_path, monkeypatch):
        monkeypatch.setattr(os, "access", lambda *_: False)
        assert str(explain_os_error(RuntimeError("x"), tmp_path)) == f"{tmp_path}: no permission"

    def test_real_file_size_limit(self, tmp_path):
        target = write_set(tmp_path / "out")
        code = (
            "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (9999, 9999))\n"
            "from geoadjust.errors import OutputError\n"
            "try: write_set(target, 'n' * 99999, overwrite=True)\n"
            "except OutputError as error: print(error)"
        )
        out, err = run_child(code, target).communicate(timeout=30)
        assert (out, err) == (f"{target}: disk full (file size limit)\n", "")
        assert text_of(target) == "old"
        assert os.listdir(tmp_path) == ["out"]

    def test_an_error_of_reading_is_not_put_down_to_the_output(self, tmp_path):
        with pytest.raises(FileNotFoundError), SetWriter(tmp_path / "out", overwrite=False):
            (tmp_path / "missing").read_text()


class TestRead:
    def faults(self, target, **options):
        with pytest.raises(InputError) as caught:
            read_set(target, **options)
        return [f"{Path(fault.where).name}: {fault.what}" for fault in caught.value.faults]

    @pytest.mark.parametrize("make", [False, True])
    def test_no_set(self, tmp_path, make):
        if make:
            (tmp_path / "out").mkdir()
        assert self.faults(tmp_path / "out") == ["out: not a result of geoadjust"]

    def test_every_difference_is_named(self, tmp_path):
        target = write_set(tmp_path / "out")
        (target / "schedule.csv").write_text("longer")
        (target / "maps" / "straße.html").unlink()
        assert self.faults(target) == [
            "straße.html: missing or not readable (No such file or directory)",
            "schedule.csv: changed: 6 bytes, 3 recorded",
        ]

    def test_same_size_other_content(self, tmp_path):
        target = write_set(tmp_path / "out")
        (target / "schedule.csv").write_text("OLD")
        assert self.faults(target) == ["schedule.csv: changed: the content is not the one recorded"]
        assert "schedule.csv" in read_set(target, hashes=False)["files"]

    def test_link_or_pipe_in_place_of_a_file(self, tmp_path):
        target = write_set(tmp_path / "out")
        (target / "schedule.csv").rename(tmp_path / "away.csv")
        (target / "schedule.csv").symlink_to(tmp_path / "away.csv")
        assert self.faults(target) == ["schedule.csv: not an ordinary file"]
        (target / "schedule.csv").unlink()
        os.mkfifo(target / "schedule.csv")
        assert self.faults(target) == ["schedule.csv: not an ordinary file"]

    @pytest.mark.parametrize("name", ["../secret", "/etc/hostname", "a/../../b", "./a", "run.json", "", ".", "/"])
    def test_names_that_lead_elsewhere(self, tmp_path, name):
        target = write_set(tmp_path / "out")
        record = json.loads((target / "run.json").read_text())
        record["files"][name] = record["files"]["schedule.csv"]
        (target / "run.json").write_text(json.dumps(record))
        assert self.faults(target) == [f"run.json: odd entry {name!r}"]

    @pytest.mark.parametrize("name", ["a\0b", "\ud800"])
    def test_impossible_names(self, tmp_path, name):
        target = write_set(tmp_path / "out")
        (target / "run.json").write_text(json.dumps({"files": {name: {"sha256": "0" * 64, "bytes": 1}}}))
        assert "missing or not readable" in self.faults(target)[0]

    def test_broken_record(self, tmp_path):
        target = write_set(tmp_path / "out")
        os.truncate(target / "run.json", 20)
        assert self.faults(target)[0].startswith("run.json: cannot be read")

    def test_other_files_are_left_alone(self, tmp_path):
        target = write_set(tmp_path / "out", n=1)
        (target / "notes.txt").write_text("mine")
        assert read_set(target)["n"] == 1

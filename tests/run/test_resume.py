"""Interrupted runs go on where they were, and give the bytes of a run that was never interrupted."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio
from click.testing import CliRunner
from shapely.geometry import Point

import geoadjust
from geoadjust import cli
from geoadjust.errors import Fault, InputError, OutputBusyError, OutputError
from geoadjust.io.jobfile import read_job
from geoadjust.io.results import record
from geoadjust.io.working import chunk_files
from geoadjust.run import resume, workers
from geoadjust.run.schedule import Options, run_schedule

COUNT, CHUNK, CHUNKS = 60, 10, 6
PLACE = (500_000.0, 4_500_000.0)


@pytest.fixture(scope="module")
def street(make_site: Any) -> Any:
    """60 covers on a noisy, crowned road, all rims 50 mm off (so the bias of the batch is found), some without id."""
    site, rng = make_site(), np.random.default_rng(7)
    noise = rng.normal(0, 0.003, (400, 400))
    site.road(lambda e, n: 100 - 0.02 * np.abs(e) + 0.01 * n + noise, cells=400, dtype="float32")
    spread = rng.uniform(-45, 45, (COUNT, 2))
    table = {
        "id": [f"C{i}" if i % 9 else "" for i in range(COUNT)],
        "rim": (100.05 - 0.02 * np.abs(spread[:, 0]) + 0.01 * spread[:, 1]).tolist(),
        "axis": rng.uniform(0, 360, COUNT).tolist(),
        "casting": ["round-standard"] * COUNT,
        "existing_chimney": rng.uniform(80, 250, COUNT).tolist(),
    }
    site.structures(table, [Point(*place) for place in spread + PLACE])
    site.flags |= {("structures", "vertical_unit"): "m", ("structures", "dimension_unit"): "mm"}
    site.flags |= {("finished", "mill"): "40 mm", ("finished", "overlay"): "50 mm"}
    return site


class Bench:
    """Runs of one job into one output folder."""

    def __init__(self, flags: dict[tuple[str, str], Any], folder: Path) -> None:
        self.out = folder / "out"
        self.work = folder / ".out.work"
        self.flags = {**flags, ("output", "path"): str(self.out)}
        self.notes: list[str] = []

    def run(self, *settings: str, **options: Any) -> Any:
        chosen = {"chunk": CHUNK, "note": self.notes.append, **options}
        return run_schedule(read_job(None, self.flags, settings), Options(**chosen))

    def stop(self, kept: int, **options: Any) -> BaseException:
        """Interrupt a run after so many chunks."""

        def progress(stage: str, done: int, total: int) -> None:
            if done > kept:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt) as caught:
            self.run(progress=progress, **options)
        return caught.value

    def chunks(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in sorted(self.work.iterdir()) if path.name != "key.json"}

    def result(self) -> dict[str, str]:
        names = ("schedule.gpkg", "schedule.csv", "columns.csv")
        return {name: hashlib.sha256((self.out / name).read_bytes()).hexdigest() for name in names}

    def engine(self) -> dict[str, Any]:
        engine: dict[str, Any] = json.loads((self.out / "run.json").read_text())["engine"]
        return engine


@pytest.fixture
def bench(street: Any, tmp_path: Path) -> Bench:
    return Bench(street.flags, tmp_path)


@pytest.fixture(scope="module")
def whole(street: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Hashes of the result of a run that was never interrupted, in one chunk."""
    folder = tmp_path_factory.mktemp("whole")
    bench = Bench(street.flags, folder)
    summary = bench.run(chunk=4096)
    assert any("batch_bias" in finding for finding in summary.findings)
    assert sorted(path.name for path in folder.iterdir()) == ["out"]
    assert (bench.engine()["resumed"], bench.engine()["kept_chunks"]) == (False, 0)
    return bench.result()


# ---------------------------------------------------------------- killed

KILLED = """
import json, os, signal, sys
from geoadjust.io.results import geopackage
from geoadjust.io.results import sets
from geoadjust.io.jobfile import read_job
from geoadjust.run import schedule
flags, after, moment = json.loads(sys.argv[1])
def die(*_, **__): os.kill(os.getpid(), signal.SIGKILL)
def progress(stage, done, total):
    if done > after: die()
places = {"layer": (geopackage, "write_layer"), "tables": (geopackage, "finish"), "swap": (sets, "_swap")}
if moment: setattr(*places[moment], die)
job = read_job(None, {tuple(key): value for key, value in flags}, ())
schedule.run_schedule(job, schedule.Options(chunk=10, progress=progress))
"""


def kill(bench: Bench, after: int, moment: str = "") -> None:
    """Kill a run with signal 9 after so many chunks, or at a moment of writing."""
    arguments = json.dumps([[[list(key), value] for key, value in bench.flags.items()], after, moment])
    root = str(Path(geoadjust.__file__).parents[1])
    child = subprocess.run(
        [sys.executable, "-c", KILLED, arguments], check=False, env={**os.environ, "PYTHONPATH": root}
    )
    assert child.returncode == -signal.SIGKILL


@pytest.mark.parametrize("after", [0, 3, CHUNKS - 1])
def test_killed_after_some_chunks(bench: Bench, whole: dict[str, str], after: int) -> None:
    kill(bench, after)
    assert len(bench.chunks()) == after
    assert not bench.out.exists()
    bench.run(resume=True)
    assert bench.notes == [f"{after} of 6 chunks are taken from the interrupted run"]
    assert bench.result() == whole
    assert (bench.engine()["resumed"], bench.engine()["kept_chunks"]) == (True, after)
    assert os.listdir(bench.out.parent) == ["out"]


@pytest.mark.parametrize("moment", ["layer", "tables", "swap"])
def test_killed_while_the_result_is_written(bench: Bench, whole: dict[str, str], moment: str) -> None:
    kill(bench, CHUNKS, moment)
    assert len(bench.chunks()) == CHUNKS
    bench.run(resume=True)
    assert bench.engine()["kept_chunks"] == CHUNKS
    assert bench.result() == whole
    assert os.listdir(bench.out.parent) == ["out"]


# ---------------------------------------------------------------- interrupted in other ways


def test_nothing_computed_nothing_kept(bench: Bench) -> None:
    error = bench.stop(0)
    assert not hasattr(error, "__notes__")
    assert os.listdir(bench.out.parent) == []


def test_interrupted_says_what_is_kept(bench: Bench) -> None:
    error = bench.stop(4)
    assert error.__notes__[0].startswith(f"4 of 6 chunks are kept in {bench.work}: the same command with --resume")


@pytest.mark.parametrize("error", [RuntimeError("a bug"), InputError(Fault("road.tif", "cannot be read"))])
def test_whatever_ends_the_run_chunks_are_kept(
    bench: Bench, whole: dict[str, str], monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    plan = workers.plan_tasks

    def fail(tasks: Any) -> Any:
        yield from islice(plan(tasks), 2)
        raise error

    monkeypatch.setattr(workers, "plan_tasks", fail)
    with pytest.raises(type(error)) as caught:
        bench.run()
    assert caught.value.__notes__[0].startswith("2 of 6 chunks are kept")
    monkeypatch.undo()
    bench.run(resume=True)
    assert bench.engine()["kept_chunks"] == 2
    assert bench.result() == whole


def test_full_disk_while_a_chunk_is_written(
    bench: Bench, whole: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = []

    class Full(io.FileIO):
        def write(self, content: Any) -> int:
            if len(opened) == 4 and self.tell() > 0:
                raise OSError(errno.ENOSPC, "No space left on device")
            return super().write(content)

    def open_(path: Path, mode: str, **_: Any) -> Any:
        opened.append(path)
        return Full(path, mode)

    monkeypatch.setattr(chunk_files, "open", open_, raising=False)
    with pytest.raises(OutputError, match="disk full") as caught:
        bench.run()
    assert caught.value.__notes__[0].startswith("3 of 6 chunks are kept")
    assert list(bench.chunks()) == ["chunk-000000", "chunk-000001", "chunk-000002"]
    monkeypatch.undo()
    bench.run(resume=True)
    assert bench.result() == whole


def test_resumed_twice(bench: Bench, whole: dict[str, str]) -> None:
    bench.stop(2)
    error = bench.stop(4, resume=True)
    assert error.__notes__[0].startswith("4 of 6 chunks are kept")
    bench.run(resume=True)
    assert bench.engine()["kept_chunks"] == 4
    assert bench.result() == whole


def test_without_resume_everything_old_goes(bench: Bench) -> None:
    bench.stop(3)
    old = bench.chunks()
    bench.stop(1)
    assert list(bench.chunks()) == ["chunk-000000"]
    assert bench.chunks()["chunk-000000"] == old["chunk-000000"]  # the same structures, computed again


def test_nothing_to_resume_is_told(bench: Bench, whole: dict[str, str]) -> None:
    bench.run(resume=True)
    assert bench.notes == ["nothing to resume; starting from the beginning"]
    assert bench.result() == whole


def test_a_key_that_cannot_be_read_starts_anew(bench: Bench, whole: dict[str, str]) -> None:
    bench.stop(3)
    (bench.work / "key.json").write_text("{")
    bench.run(resume=True)
    assert bench.notes == ["nothing to resume; starting from the beginning"]
    assert bench.result() == whole


def test_the_interrupted_run_says_how_large_a_chunk_is(bench: Bench, whole: dict[str, str]) -> None:
    bench.stop(3)
    bench.run(resume=True, chunk=17)
    assert "going on with the 10 structures per chunk of the interrupted run, not 17" in bench.notes
    assert (bench.engine()["chunk"], bench.engine()["kept_chunks"]) == (CHUNK, 3)
    assert bench.result() == whole


@pytest.mark.parametrize("engines", [("serial", "processes"), ("processes", "serial")])
def test_the_engine_may_change(bench: Bench, whole: dict[str, str], engines: tuple[str, str]) -> None:
    bench.stop(2, engine=engines[0], workers=2)
    bench.run(resume=True, engine=engines[1], workers=2)
    assert bench.engine()["kept_chunks"] == 2
    assert bench.result() == whole


def test_a_result_is_replaced_only_with_overwrite(bench: Bench, whole: dict[str, str]) -> None:
    bench.run()
    bench.stop(3, overwrite=True)
    kept = bench.chunks()
    with pytest.raises(OutputBusyError, match="--overwrite"):
        bench.run(resume=True)
    assert bench.chunks() == kept
    assert bench.result() == whole
    bench.run(resume=True, overwrite=True)
    assert bench.engine()["kept_chunks"] == 3
    assert bench.result() == whole


def test_another_run_meanwhile_is_refused_and_touches_nothing(bench: Bench, whole: dict[str, str]) -> None:
    def progress(stage: str, done: int, total: int) -> None:
        if done == 4:
            before = bench.chunks()
            for again in (True, False):
                with pytest.raises(OutputBusyError, match="another run"):
                    bench.run(resume=again, overwrite=True)
            assert bench.chunks() == before
            assert len(before) == 3

    bench.run(progress=progress)
    assert bench.result() == whole


# ---------------------------------------------------------------- damaged chunks


def truncate(content: bytes) -> bytes:
    return content[: len(content) // 2]


def flip(content: bytes) -> bytes:
    place = len(content) * 2 // 3
    return content[:place] + bytes([content[place] ^ 4]) + content[place + 1 :]


@pytest.mark.parametrize("damage", [truncate, flip, lambda content: b"", lambda content: bytes(len(content))])
def test_a_damaged_chunk_is_computed_again(bench: Bench, whole: dict[str, str], damage: Any) -> None:
    bench.stop(4)
    path = bench.work / "chunk-000002"
    path.write_bytes(damage(path.read_bytes()))
    bench.run(resume=True)
    assert bench.notes == ["3 of 6 chunks are taken from the interrupted run"]
    assert bench.result() == whole


def test_chunks_that_lie_in_each_others_places_or_are_half_written(bench: Bench, whole: dict[str, str]) -> None:
    bench.stop(4)
    for old, new in (("0", "x"), ("1", "0"), ("x", "1")):
        (bench.work / f"chunk-00000{old}").rename(bench.work / f"chunk-00000{new}")
    (bench.work / "chunk-000003").rename(bench.work / "chunk-000003.part")
    bench.run(resume=True)
    assert bench.engine()["kept_chunks"] == 1
    assert bench.result() == whole
    assert os.listdir(bench.out.parent) == ["out"]


# ---------------------------------------------------------------- something differs


def refused(bench: Bench, *settings: str) -> dict[str, str]:
    """Faults of a refused resume, by place; the chunks are left as they are."""
    before = bench.chunks()
    with pytest.raises(InputError) as caught:
        bench.run(*settings, resume=True)
    assert bench.chunks() == before
    assert not bench.out.exists()
    assert all("without --resume" in fault.remedy for fault in caught.value.faults)
    return {fault.where: fault.what for fault in caught.value.faults}


def copied(bench: Bench, table: str) -> Path:
    """A copy of a source, under the same name, that a test may change."""
    old = Path(bench.flags[(table, "path")])
    new = bench.out.parent / "input" / old.name
    new.parent.mkdir(exist_ok=True)
    shutil.copy(old, new)
    bench.flags[(table, "path")] = str(new)
    return new


CHANGED = "changed since the interrupted run"
FILE = "the file has changed since the interrupted run"


def test_changed_structures(bench: Bench, whole: dict[str, str]) -> None:
    path = copied(bench, "structures")
    bench.stop(3)
    original, layer = path.read_bytes(), pyogrio.read_dataframe(path)
    layer.loc[5, "rim"] += 0.001
    path.unlink()
    layer.to_file(path)
    assert refused(bench) == {"structures": FILE}
    path.write_bytes(original)
    bench.run(resume=True)
    assert bench.engine()["kept_chunks"] == 3
    assert bench.result() == whole


def test_changed_raster(bench: Bench) -> None:
    path = copied(bench, "surface")
    bench.stop(3)
    with rasterio.open(path, "r+") as dataset:
        heights = dataset.read(1)
        heights[3, 3] += 0.01
        dataset.write(heights, 1)
    assert refused(bench) == {"surfaces.road": FILE}


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [
        (["rules.tolerance=9 mm"], {"rules.tolerance": CHANGED}),
        (["rules.max_rings=2", "rules.joint=5 mm"], {"rules.max_rings": CHANGED, "rules.joint": CHANGED}),
        (["ring.outer_radius=1.4 m"], {"ring.outer_radius": CHANGED}),
        (["structures.rim_accuracy=3 mm"], {"structures.rim_accuracy": CHANGED}),
        (["finished.mill=41 mm"], {"finished.mill": CHANGED}),
        (["surface.noise=2 mm"], {"surface.noise": CHANGED}),
    ],
)
def test_changed_settings(bench: Bench, settings: list[str], wanted: dict[str, str]) -> None:
    bench.stop(3)
    assert refused(bench, *settings) == wanted


def test_output_settings_decide_no_chunk(bench: Bench) -> None:
    bench.stop(3)
    bench.run("output.units=us", resume=True)
    mine = bench.result()
    again = Bench(bench.flags, bench.out.parent / "again")
    again.run("output.units=us")
    assert bench.engine()["kept_chunks"] == 3
    assert mine == again.result()


def test_changed_catalogue(bench: Bench) -> None:
    parts = Path(geoadjust.__file__).parent / "io" / "example_parts.toml"
    mine = bench.out.parent / "input" / "parts.toml"
    mine.parent.mkdir()
    mine.write_bytes(parts.read_bytes())
    bench.flags[("catalogue", "path")] = str(mine)
    bench.stop(3)
    text = mine.read_text()
    assert "[[riser]]" in text
    mine.write_text(text[: text.rindex("[[riser]]")])
    assert {"files.catalogue", "catalogue.riser"} <= set(refused(bench))


def test_changed_versions(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.stop(3)
    version = record.version
    monkeypatch.setattr(geoadjust, "__version__", "99.0")
    monkeypatch.setattr(record, "version", lambda name: "98.0" if name == "numpy" else version(name))
    monkeypatch.setattr(resume, "hash_of_code", lambda: "sha256:ab")
    found = refused(bench)
    assert found["geoadjust"].endswith("in the interrupted run, is '99.0' now")
    assert found["libraries.numpy"] == f"was {np.__version__!r} in the interrupted run, is '98.0' now"
    assert found["code"] == "the program has changed since the interrupted run"
    assert set(found) == {"geoadjust", "libraries.numpy", "code"}


def test_lists_of_other_lengths_and_things_that_are_new() -> None:
    before = {"rules": [{"a": 1}], "surfaces": {"x": {"fingerprint": "sha256:1"}}, "settings": {"ring": {"step": 1}}}
    now = {
        "rules": [{"a": 1}, {"a": 2}],
        "surfaces": {"x": {"fingerprint": "sha256:1"}, "y": {"fingerprint": "sha256:2"}},
        "settings": {"ring": {"step": 1}, "centrelines": {}},
    }
    found = {fault.where: fault.what for fault in resume.differences(before, now)}
    assert found == {"rules": CHANGED, "surfaces.y": CHANGED, "centrelines": CHANGED}
    assert list(resume.differences(now, now)) == []


def test_one_of_several_rule_sets_is_named_by_its_place() -> None:
    before = {"rules": [{"joint": 1}, {"joint": 1}]}
    (fault,) = resume.differences(before, {"rules": [{"joint": 1}, {"joint": 2}]})
    assert fault.where == "rules.1.joint"


# ---------------------------------------------------------------- the command line


def command(bench: Bench, *more: str) -> Any:
    arguments = ["schedule", "--chunk", str(CHUNK), *more]
    for (table, key), value in bench.flags.items():
        arguments += ["--set", f"{table}.{key}={value}"] if (table, key) != ("structures", "path") else []
    return CliRunner().invoke(cli.main, [*arguments, "--structures", bench.flags[("structures", "path")]])


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_signals_end_a_run_in_good_order(
    bench: Bench, whole: dict[str, str], monkeypatch: pytest.MonkeyPatch, number: int, code: int
) -> None:
    @contextmanager
    def progress(mode: str) -> Any:
        yield lambda stage, done, total: os.kill(os.getpid(), number) if done == 4 else None

    monkeypatch.setattr(sys.modules["geoadjust.commands.schedule"], "progress", progress)
    before = signal.getsignal(signal.SIGTERM)
    done = command(bench)
    assert signal.getsignal(signal.SIGTERM) is before
    assert done.exit_code == code
    told = done.output.splitlines()
    assert told[0] == "interrupted; nothing was replaced"
    assert told[1].startswith("3 of 6 chunks are kept in")
    monkeypatch.undo()
    done = command(bench, "--resume")
    assert done.exit_code == 0
    assert "note: 3 of 6 chunks are taken from the interrupted run" in done.output
    assert bench.result() == whole


def test_the_command_line_refuses_with_exit_3_and_says_what_is_kept(bench: Bench) -> None:
    bench.stop(3)
    done = command(bench, "--resume", "--set", "rules.joint=7 mm")
    assert done.exit_code == 3
    assert "rules.joint: changed since the interrupted run" in done.output
    assert "3 of 6 chunks are kept" in done.output

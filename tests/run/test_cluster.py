"""Runs on a cluster: the same bytes, whatever dies; refusals before any work; nothing left behind.

Workers are real processes. What they run is importable there by name: functions of this module and of the package.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import dask
import numpy as np
import psutil
import pytest
from click.testing import CliRunner
from distributed import Client, LocalCluster
from shapely.geometry import Point

import geoadjust
from geoadjust import cluster as ours
from geoadjust.cli import main
from geoadjust.core.rules import SurfaceTable
from geoadjust.engine import THREADS, check_engine, map_ordered
from geoadjust.errors import Fault, InputError, OutputError, UsageError
from geoadjust.io.raster.rasters import describe_raster
from geoadjust.run import workers as travel

ROOT = Path(__file__).parents[2]
ON_ANOTHER = {"engine": "dask", "scheduler": "tcp://10.0.0.5:8786"}
NO_SUCH_FILES = ["schedule", "--structures", "no such file", "--surface", "no such file", "--out", "no such file"]


# ---------------------------------------------------------------- what workers run


def square_after(chunk: tuple[float, int]) -> int:
    """Square of a number, after so many seconds."""
    time.sleep(chunk[0])
    return chunk[1] ** 2


def die_once(chunk: tuple[str, int]) -> int:
    """Square of a number; the first process that gets here kills itself."""
    marker, number = chunk
    if marker and not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number**2


def die(chunk: int) -> None:
    """Take the worker along."""
    os.kill(os.getpid(), signal.SIGKILL)


def refuse(count: int) -> None:
    """Refuse with so many faults."""
    raise InputError(Fault(f"row {number}", "bad", "good", "mend it") for number in range(count))


def fail(text: str) -> None:
    """A bug."""
    raise TimeoutError(text)


def process_facts(chunk: int) -> dict[str, Any]:
    """What this worker is: command, threads of libraries, listening sockets of it and of its parent."""
    own = psutil.Process()
    listening = [at for one in (own, own.parent()) for at in one.net_connections() if at.status == "LISTEN"]
    return {
        "command": sys.orig_argv,  # a library may have changed the process's title
        "threads": [os.environ.get(name) for name in THREADS],
        "listening": [tuple(at.laddr) for at in listening],
    }


def open_rasters() -> list[str]:
    """Rasters that this process has open."""
    return [file.path for file in psutil.Process().open_files() if file.path.endswith(".tif")]


def same_everywhere() -> dict[str, str]:
    """A fact that no two processes share."""
    return {"process": str(os.getpid())}


# ---------------------------------------------------------------- clusters


@contextmanager
def cluster_of(workers: int, threads: int = 1, **settings: Any) -> Iterator[LocalCluster]:
    """A cluster with nannied workers."""
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=workers,
            threads_per_worker=threads,
            host="127.0.0.1",
            dashboard_address=None,
            scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
            silence_logs=60,
        ) as cluster,
    ):
        yield cluster


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two workers with two threads each."""
    with cluster_of(2, 2) as made:
        yield made


@contextmanager
def running(*words: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """A command of dask as a process of its own, in another folder."""
    command = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
    paths = os.pathsep.join([environment.pop("path", ""), str(ROOT)]).strip(os.pathsep)
    with subprocess.Popen(
        command,
        cwd="/",
        env={**os.environ, **environment, "PYTHONPATH": paths},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def until(holds: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait until something holds."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


@contextmanager
def lone_scheduler(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A scheduler as a process of its own; its address."""
    told = folder / "scheduler.json"
    told.unlink(missing_ok=True)
    words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told))
    with running(*words) as process:
        until(lambda: told.exists() and told.read_text().endswith("}"))
        yield process, json.loads(told.read_text())["address"]


# ---------------------------------------------------------------- results


@pytest.fixture(scope="module")
def street(make_site: Any) -> Any:
    """300 structures on a noisy road; what a serial run makes of them."""
    site = make_site()
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 0.003, (200, 200))
    site.road(lambda e, n: 100 + 0.02 * e - 0.03 * n + noise, cells=200, tiled=True, blockxsize=64, blockysize=64)
    places = rng.uniform(-24, 24, (300, 2))
    table = {
        "id": [f"S-{number:03d}" for number in range(300)],
        "axis": rng.uniform(0, 360, 300).tolist(),
        "measure_down": ["300 mm"] * 300,
        "measure_down_from": ["existing"] * 300,
        "casting_height": ["200 mm"] * 300,
        "flange_outside_diameter": ["900 mm"] * 300,
    }
    site.structures(table, [Point(500_000 + east, 4_500_000 + north) for east, north in places])
    site.flags |= {("finished", "mill"): "40 mm", ("finished", "overlay"): "50 mm"}
    site.run()
    site.expected = digest(site)
    return site


def digest(site: Any) -> str:
    """Hash of the layer."""
    return hashlib.sha256((site.folder / "out" / "schedule.gpkg").read_bytes()).hexdigest()


@pytest.mark.parametrize("chunk", [97, 4096])
def test_every_engine_gives_the_same_bytes(street: Any, cluster: LocalCluster, chunk: int) -> None:
    found = {}
    for engine in ({}, {"engine": "processes"}, {"engine": "dask"}, {"scheduler": cluster.scheduler_address}):
        options = {"engine": "dask"} | engine if "scheduler" in engine else {"workers": 2} | engine
        street.run(overwrite=True, chunk=chunk, **options)
        found[str(engine)] = digest(street)
    assert found == dict.fromkeys(found, street.expected)


def test_the_record_names_the_scheduler(street: Any, cluster: LocalCluster) -> None:
    street.run(overwrite=True, engine="dask", scheduler=cluster.scheduler_address, chunk=100)
    told = json.loads((street.folder / "out" / "run.json").read_text())["engine"]
    assert (told["name"], told["scheduler"]) == ("dask", cluster.scheduler_address)


def test_paths_from_here_are_found_there(street: Any, cluster: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(street.folder)
    words = ["schedule", "--structures", "covers.gpkg", "--surface", "road.tif", "--vertical-unit", "m"]
    words += ["--mill", "40 mm", "--overlay", "50 mm", "--out", "out", "--overwrite", "--chunk", "97"]
    done = CliRunner().invoke(main, [*words, "--engine", "dask", "--scheduler", cluster.scheduler_address])
    assert done.exit_code == 0, done.output
    assert done.stderr == ""
    assert digest(street) == street.expected


def test_nothing_is_left_on_the_cluster(street: Any, cluster: LocalCluster) -> None:
    street.run(overwrite=True, engine="dask", scheduler=cluster.scheduler_address, chunk=20)
    until(lambda: not cluster.scheduler.tasks)
    with Client(cluster.scheduler_address, set_as_default=False) as client:
        assert set(client.run(lambda dask_worker: len(dask_worker.data)).values()) == {0}
        assert list(client.run(open_rasters).values()) == [[], []]


def test_a_run_that_is_left_early_leaves_nothing(cluster: LocalCluster) -> None:
    results = map_ordered(square_after, [(0.1, n) for n in range(50)], **at(cluster))
    assert next(results) == 0
    results.close()
    until(lambda: not cluster.scheduler.tasks)


def at(cluster: LocalCluster) -> dict[str, Any]:
    """Options of a map there."""
    return {"engine": "dask", "scheduler": cluster.scheduler_address}


def test_order_is_kept_and_work_is_bounded(cluster: LocalCluster) -> None:
    threads, taken, most = 4, 0, 0

    def chunks() -> Iterator[tuple[float, int]]:
        nonlocal taken
        for number in range(40):
            taken += 1
            yield (0.3 if number % 10 == 0 else 0.0), number

    for done, result in enumerate(map_ordered(square_after, chunks(), **at(cluster))):
        assert result == done**2
        most = max(most, taken - done)
    assert threads < most <= 2 * threads + 1


def test_arrays_may_be_changed_by_who_gets_them(cluster: LocalCluster) -> None:
    (found,) = map_ordered(np.negative, [np.arange(3.0)], **at(cluster))
    found += 1
    assert found.tolist() == [1, 0, -1]


# ---------------------------------------------------------------- errors of a chunk


def test_faults_of_a_worker_arrive_whole_and_name_its_host(cluster: LocalCluster) -> None:
    with pytest.raises(InputError) as caught:
        list(map_ordered(refuse, [400], **at(cluster)))  # longer than what the library lets an error be
    expected = [replace(fault, what=f"bad (on worker {socket.gethostname()})") for fault in faults_of(400)]
    assert list(caught.value.faults) == expected
    with pytest.raises(InputError) as caught:
        list(map_ordered(refuse, [2], engine="dask"))  # one machine: no host is named
    assert list(caught.value.faults) == faults_of(2)


def faults_of(count: int) -> list[Fault]:
    """What `refuse` says."""
    try:
        refuse(count)
    except InputError as error:
        return list(error.faults)
    raise AssertionError


def test_a_bug_in_a_chunk_shows_as_itself(cluster: LocalCluster) -> None:
    with pytest.raises(TimeoutError, match="a bug of ours"):
        list(map_ordered(fail, ["a bug of ours"], **at(cluster)))


# ---------------------------------------------------------------- what dies


def test_a_killed_worker_costs_its_chunk_only(tmp_path: Path) -> None:
    marker = str(tmp_path / "died")
    chunks = [(marker if number == 3 else "", number) for number in range(12)]
    assert list(map_ordered(die_once, chunks, engine="dask", workers=2)) == [n**2 for n in range(12)]
    assert Path(marker).exists()


def test_workers_killed_in_mid_run_change_nothing(street: Any) -> None:
    with (
        cluster_of(1) as nannied,
        running("worker", nannied.scheduler_address, "--nthreads", "1", "--no-nanny") as bare,
    ):
        until(lambda: len(nannied.scheduler.workers) == 2)
        with Client(nannied.scheduler_address, set_as_default=False) as client:
            (first,) = set(client.run(os.getpid).values()) - {bare.pid}
        killed = {3: bare.pid, 6: first}

        def kill(stage: str, done: int, total: int) -> None:
            if done in killed:
                os.kill(killed.pop(done), signal.SIGKILL)

        street.run(overwrite=True, progress=kill, chunk=15, **at(nannied))
        assert killed == {}
        assert bare.wait(10) == -signal.SIGKILL
        assert not psutil.pid_exists(first)
    assert digest(street) == street.expected


def test_a_chunk_that_takes_every_worker_along() -> None:
    with (
        cluster_of(1, **{"distributed.scheduler.allowed-failures": 1}) as small,
        pytest.raises(OutputError, match=r"2 workers were lost one after the other .* smaller --chunk"),
    ):
        list(map_ordered(die, [1], **at(small)))


def test_no_worker_is_waited_for_in_vain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ours, "PATIENCE", 0.5)
    monkeypatch.setattr(ours, "TICK", 0.1)
    with cluster_of(0) as empty, pytest.raises(OutputError, match=f"no worker was there at {empty.scheduler_address}"):
        list(map_ordered(abs, [-1], **at(empty)))


def test_all_workers_lost_in_mid_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ours, "PATIENCE", 0.5)
    monkeypatch.setattr(ours, "TICK", 0.1)
    with cluster_of(0) as empty, running("worker", empty.scheduler_address, "--nthreads", "1", "--no-nanny") as bare:
        until(lambda: bool(empty.scheduler.workers))
        results = map_ordered(square_after, [(0.0, 2), (0.0, 3), (60.0, 4)], **at(empty))
        assert next(results) == 4
        bare.kill()
        with pytest.raises(OutputError, match="no worker was there"):
            list(results)


def test_a_worker_that_comes_late_does_the_work() -> None:
    with cluster_of(0) as empty:

        def chunks() -> Iterator[int]:
            yield -1
            empty.scale(1)
            yield -2

        assert list(map_ordered(abs, chunks(), **at(empty))) == [1, 2]


def test_a_lost_scheduler_is_told_and_the_run_goes_on_later(street: Any, tmp_path: Path) -> None:
    with lone_scheduler(tmp_path) as (process, address), running("worker", address, "--nthreads", "1", "--no-nanny"):

        def kill(stage: str, done: int, total: int) -> None:
            if done == 5:
                process.kill()

        with pytest.raises(OutputError, match=f"the scheduler at {address} was lost") as caught:
            street.run(overwrite=True, chunk=15, progress=kill, engine="dask", scheduler=address)
    assert "--resume" in " ".join(caught.value.__notes__)
    street.run(overwrite=True, resume=True)
    assert json.loads((street.folder / "out" / "run.json").read_text())["engine"]["kept_chunks"] >= 4
    assert digest(street) == street.expected


# ---------------------------------------------------------------- refusals


def other_version(folder: Path) -> str:
    """A folder that makes a Python process believe that it has another geoadjust."""
    (folder / "sitecustomize.py").write_text("import geoadjust\ngeoadjust.__version__ = '0.0.1'\n")
    return str(folder)


def test_differing_workers_are_listed(cluster: LocalCluster, tmp_path: Path) -> None:
    words = ("worker", cluster.scheduler_address, "--nthreads", "1", "--no-nanny")
    with running(*words, path=other_version(tmp_path)):
        until(lambda: len(cluster.scheduler.workers) == 3)
        with pytest.raises(InputError) as caught:
            check_engine(**at(cluster))
    (fault,) = caught.value.faults
    assert fault.where.endswith(f"on {socket.gethostname()}")
    assert fault.what == f"geoadjust is 0.0.1 there, {geoadjust.__version__} here"
    until(lambda: len(cluster.scheduler.workers) == 2)
    check_engine(**at(cluster), same=travel.deciding_here)


def test_a_late_worker_that_differs_is_refused(tmp_path: Path) -> None:
    with cluster_of(0) as empty:
        words = ("worker", empty.scheduler_address, "--nthreads", "1", "--no-nanny")
        results = map_ordered(abs, [-1], **at(empty))
        with (
            running(*words, path=other_version(tmp_path)),
            pytest.raises(InputError, match=r"geoadjust is 0\.0\.1 there"),
        ):
            list(results)


def test_a_scheduler_that_differs_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geoadjust, "__version__", "9.9.9")
    with (
        lone_scheduler(tmp_path) as (_, address),
        pytest.raises(InputError, match=f"scheduler {address}: geoadjust is"),
    ):
        check_engine("dask", scheduler=address)


def test_callers_facts_are_compared_on_every_worker(cluster: LocalCluster) -> None:
    with pytest.raises(InputError) as caught:
        list(map_ordered(abs, [-1], **at(cluster), same=same_everywhere))
    assert len(caught.value.faults) == 2
    assert all(f"{os.getpid()} here" in fault.what for fault in caught.value.faults)


def test_a_file_that_differs_or_is_missing_there(tmp_path: Path) -> None:
    file = tmp_path / "road.tif"
    file.write_bytes(b"one")
    check = ours._check_of(partial(travel.deciding_here, (str(file),)))
    assert ours._differences(check) == []
    file.write_bytes(b"two")
    (found,) = ours._differences(check)
    assert found.startswith(f"{file} is sha256:")
    file.unlink()
    assert "No such file" in ours._differences(check)[0]


def test_every_tile_is_compared_before_it_is_read(street: Any) -> None:
    table = SurfaceTable(path=str(street.folder / "road.tif"), vertical_unit="m")
    (tile,) = describe_raster(table, where="surface").tiles
    travel._check_tile(tile)
    with pytest.raises(InputError, match="not the file that the run was started with"):
        travel._check_tile(replace(tile, fingerprint="sha256:0"))


@pytest.mark.parametrize(
    "options", [{"engine": "serial"}, {"workers": 2}, {"scheduler": "10.0.0.5:8786"}, {"scheduler": "inproc://1:2"}]
)
def test_usage(options: dict[str, Any], street: Any) -> None:
    with pytest.raises(UsageError) as caught:
        check_engine(**{**ON_ANOTHER, **options})
    assert caught.value.exit_code == 2
    with pytest.raises(UsageError):
        street.run(overwrite=True, **{**ON_ANOTHER, **options})


def test_a_missing_package_is_told_before_any_work(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = CliRunner().invoke(main, [*NO_SUCH_FILES, "--engine", "dask"])
    assert done.exit_code == 3
    assert "distributed" in done.stderr
    assert "geoadjust[cluster]" in done.stderr
    assert "no such file" not in done.stderr


@pytest.fixture(params=["nobody", "a stranger", "no such host"])
def silent(request: pytest.FixtureRequest) -> Iterator[str]:
    """Address where no scheduler answers."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        if request.param == "a stranger":
            listener.listen()
        host = "no-such-host.invalid" if request.param == "no such host" else "127.0.0.1"
        yield f"tcp://{host}:{listener.getsockname()[1]}"


def test_a_scheduler_that_does_not_answer(silent: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ours, "CONNECT", 0.4)
    done = CliRunner().invoke(main, [*NO_SUCH_FILES, "--engine", "dask", "--scheduler", silent])
    assert done.exit_code == 3
    assert f"no scheduler answers at {silent}" in done.stderr
    assert len(done.stderr.splitlines()) == 2


# ---------------------------------------------------------------- the cluster that is made for a run


def test_it_is_spawned_alone_and_seen_from_this_machine_only() -> None:
    (found,) = map_ordered(process_facts, [1], engine="dask")
    assert any("spawn" in word for word in found["command"])
    assert found["threads"] == ["1"] * len(THREADS)
    assert {host for host, _ in found["listening"]} == {"127.0.0.1"}


def test_its_pages_say_nothing(cluster: LocalCluster) -> None:
    own = {at.laddr.port for at in psutil.Process().net_connections() if at.status == "LISTEN"}
    results = map_ordered(pages_of, [1], engine="dask")
    found = {port: page for port, page in next(results).items() if port not in own}
    assert list(results) == []
    assert sorted(map(str, found.values())) == ["404", "404", "None", "None", "None"]
    assert _page(cluster.scheduler.http_server.port) == 200  # where pages are not turned off


def pages_of(chunk: int) -> dict[int, int | None]:
    """What every listening port of worker and parent answers to a browser; None where it does not speak HTTP."""
    return {port: _page(port) for _, port in process_facts(chunk)["listening"]}


def _page(port: int) -> int | None:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=1) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code
    except (OSError, http.client.HTTPException):
        return None


def test_it_is_quiet_and_ends_with_the_run(street: Any) -> None:
    words = ["--structures", "covers.gpkg", "--surface", "road.tif", "--vertical-unit", "m", "--mill", "40 mm"]
    words += [
        "--overlay",
        "50 mm",
        "--out",
        "out",
        "--overwrite",
        "--chunk",
        "97",
        "--engine",
        "dask",
        "--workers",
        "2",
    ]
    command = [sys.executable, "-m", "geoadjust.cli", "schedule", *words]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        command, cwd=street.folder, env=environment, capture_output=True, text=True, check=False, timeout=120
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert digest(street) == street.expected

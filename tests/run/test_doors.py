"""Every door that takes a file, and everything that is no ordinary file: refused within seconds, with its name, without
a connection, and nothing is written."""

from __future__ import annotations

import os
import signal
import socket
import threading
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from geoadjust.cli import main
from geoadjust.run.demo import run_demo
from geoadjust.run.history import add_results
from geoadjust.run.init import write_examples

SECONDS = 20

Door = Callable[[Path, str, Path], list[object]]
"""Words of a command: door(the demo's folder, the odd path, a folder to write into)."""


def of_job(*keys: str) -> Door:
    """The demo's job with another path under each key."""
    return lambda demo, odd, out: [
        "schedule", demo / "job.toml", "--out", out, *(f'--set={key}="{odd}"' for key in keys)
    ]  # fmt: skip


def by_flags(demo: Path, out: Path, *more: str) -> list[object]:
    """The demo's structures and road, without its job."""
    sources = ["--structures", demo / "structures.gpkg", "--surface", demo / "road.tif", "--vertical-unit", "m"]
    return ["schedule", *sources, "--out", out, *more]


DOORS: dict[str, Door] = {
    "job": lambda demo, odd, out: ["schedule", odd, "--out", out],
    "structures": of_job("structures.path"),
    "surface": of_job("surface.path"),
    "centrelines": of_job("centrelines.path"),
    "catalogue": of_job("catalogue.path"),
    "areas": of_job("finished.areas"),
    "design": lambda demo, odd, out: by_flags(demo, out, f'--set=finished.path="{odd}"'),
    "paved": of_job("paved.path"),
    "rules": lambda demo, odd, out: by_flags(demo, out, "--rules", odd),
    "set": lambda demo, odd, out: ["report", odd, "--out", out],
    "verify": lambda demo, odd, out: ["verify", odd],
    "readings": lambda demo, odd, out: ["remeasure", demo / "out", odd, "--out", out],
    "gaps": lambda demo, odd, out: ["accept", demo / "out", odd, "--out", out],
    "paved survey": lambda demo, odd, out: [
        "accept",
        demo / "out",
        "--paved",
        odd,
        "--day",
        "2026-06-02",
        "--out",
        out,
    ],
    "tests": lambda demo, odd, out: [
        "vacuum",
        demo / "out",
        odd,
        "--table",
        demo / "own/vacuum/by_depth.toml",
        "--out",
        out,
    ],
    "table": lambda demo, odd, out: ["vacuum", demo / "out", demo / "job.toml", "--table", odd, "--out", out],
    "states": lambda demo, odd, out: ["history", "add", demo / "street.jsonl", "--states", odd],
    "result": lambda demo, odd, out: ["history", "add", out / "h.jsonl", odd],
    "history": lambda demo, odd, out: ["record", odd, "--out", out],
    "font": lambda demo, odd, out: ["sheets", demo / "out", "--out", out, "--font", odd],
}
FOLDERS = ("set", "verify", "result", "surface", "design", "paved", "paved survey")
"""Doors that take a folder."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("doors")
    run_demo(place, overwrite=True, progress=lambda *_: None)
    write_examples(place / "own")
    add_results(place / "street.jsonl", [place / "out"])
    return place


@pytest.fixture
def odd(tmp_path: Path) -> Path:
    """A folder of things that are no ordinary file."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "dangling").symlink_to("nowhere")
    (tmp_path / "to-pipe").symlink_to("pipe")
    (tmp_path / "empty").touch()
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "socket"))
    with zipfile.ZipFile(tmp_path / "archive.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("covers.csv", "id,easting,northing\n" + "1,2,3\n" * 1000)
    return tmp_path


@contextmanager
def in_time() -> Iterator[None]:
    """Fail where an answer takes too long, a pipe that is waited for above all."""

    def late(number: int, frame: object) -> None:
        raise TimeoutError(f"no answer in {SECONDS} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def refused(words: list[object]) -> str:
    """What is said; exit code 3 and nothing else."""
    with in_time():
        done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 3, (done.exit_code, done.output, done.exception)
    return done.output


@pytest.mark.parametrize("name", ["pipe", "to-pipe", "loop", "dangling", "empty", "socket", "folder", "archive.zip"])
@pytest.mark.parametrize("door", DOORS)
def test_no_ordinary_file(demo: Path, odd: Path, door: str, name: str) -> None:
    out = odd / "made"
    text = refused(DOORS[door](demo, str(odd / name), out))
    assert name in text
    assert not out.exists()


@pytest.mark.parametrize("door", DOORS)
def test_devices(demo: Path, tmp_path: Path, door: str) -> None:
    for device in ("/dev/zero", "/dev/stdin"):
        assert device in refused(DOORS[door](demo, device, tmp_path / "made"))
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def listener() -> Iterator[tuple[int, list[object]]]:
    """A port on which nobody may call, and who did."""
    reached: list[object] = []
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)

        def listen() -> None:
            while not stop.is_set():
                try:
                    connection, _ = server.accept()
                except TimeoutError:
                    continue
                reached.append(connection)
                connection.close()

        thread = threading.Thread(target=listen)
        thread.start()
        yield server.getsockname()[1], reached
        stop.set()
        thread.join()


@pytest.mark.parametrize("door", DOORS)
def test_nothing_is_fetched(demo: Path, tmp_path: Path, listener: tuple[int, list[object]], door: str) -> None:
    port, reached = listener
    for style in ("http://127.0.0.1:{}/a.tif", "/vsicurl/http://127.0.0.1:{}/a.gpkg", "s3://127.0.0.1:{}/a.csv"):
        path = style.format(port)
        text = refused(DOORS[door](demo, path, tmp_path / "made"))
        assert "127.0.0.1" in text
    assert reached == []
    assert list(tmp_path.iterdir()) == []


def test_the_listener_hears() -> None:
    """The test above can fail."""
    fixture = listener.__wrapped__()  # type: ignore[attr-defined]
    port, reached = next(fixture)
    socket.create_connection(("127.0.0.1", port)).close()
    with pytest.raises(StopIteration):
        next(fixture)
    assert len(reached) == 1


def test_files_that_name_others_are_not_followed(
    demo: Path, tmp_path: Path, listener: tuple[int, list[object]]
) -> None:
    """Virtual rasters and layers, and a tile index, that name an address or a file of the system."""
    port, reached = listener
    for name, target in (("a.tif", f"http://127.0.0.1:{port}/x.tif"), ("b.tif", "/etc/passwd")):
        text = (
            '<VRTDataset rasterXSize="8" rasterYSize="8"><VRTRasterBand dataType="Byte" band="1">'
            f"<SimpleSource><SourceFilename>{target}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
        )
        (tmp_path / name).write_text(text)
        said = refused(DOORS["surface"](demo, str(tmp_path / name), tmp_path / "made"))
        assert "does not begin like a TIFF" in said
        assert "root:" not in said
    layer = f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>http://127.0.0.1:{port}/x</SrcDataSource>'
    for name in ("a.gpkg", "a.geojson", "a.shp"):
        (tmp_path / name).write_text(f"{layer}</OGRVRTLayer></OGRVRTDataSource>")
        refused(DOORS["structures"](demo, str(tmp_path / name), tmp_path / "made"))
    (tmp_path / "tiles.txt").write_text(f"http://127.0.0.1:{port}/x.tif\n/vsicurl/http://127.0.0.1:{port}/y.tif\n")
    refused(DOORS["surface"](demo, str(tmp_path / "tiles.txt"), tmp_path / "made"))
    assert reached == []

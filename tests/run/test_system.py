"""What the system allows: rights, memory, locks. Each run is a process of its own, as a user would start it."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import Point

from tests.run.test_schedule import street

GIB = 2**30


def schedule(
    site: Any, *more: object, before: Callable[[], None] | None = None, start: Sequence[str] = ()
) -> subprocess.CompletedProcess[str]:
    """`geoadjust schedule` with the site's flags."""
    named = {("structures", "path"): "--structures", ("surface", "path"): "--surface", ("output", "path"): "--out"}
    flags = [word for key, value in site.flags.items() if key in named for word in (named[key], value)]
    flags += [f"--set={'.'.join(key)}={value}" for key, value in site.flags.items() if key not in named]
    words = [*start, sys.executable, "-m", "geoadjust.cli", "schedule", *flags, *map(str, more)]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(
        words, capture_output=True, text=True, check=False, env=environment, preexec_fn=before, timeout=120
    )


AS_A_USER = [] if os.geteuid() else ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"]
"""Root may write anywhere; without these two rights a mode counts for root too."""


@pytest.mark.skipif(bool(AS_A_USER) and shutil.which("setpriv") is None, reason="root cannot give rights up here")
def test_a_folder_that_one_may_not_write_to(site: Any) -> None:
    street(site, 12)
    target = site.folder / "closed"
    target.mkdir(mode=0o555)
    site.flags["output", "path"] = str(target / "out")
    done = schedule(site, start=AS_A_USER)
    assert done.returncode == 5, done.stderr
    assert "no permission" in done.stderr
    assert list(target.iterdir()) == []


def test_a_result_that_another_program_holds_is_replaced_beneath_it(site: Any) -> None:
    """The other program keeps the file that it has open; the new one stands in the folder."""
    street(site, 12)
    assert schedule(site).returncode == 0
    path = site.folder / "out" / "schedule.gpkg"
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    done = schedule(site, "--overwrite", "--set", "rules.recess='3 mm'")
    assert done.returncode == 0, done.stderr
    new = sqlite3.connect(path)
    targets = [base.execute("SELECT target_rim_m FROM schedule").fetchall() for base in (holder, new)]
    assert np.ravel(targets[0]) - np.ravel(targets[1]) == pytest.approx(0.003, abs=1e-6)
    holder.execute("ROLLBACK")
    for base in (holder, new):
        base.close()


def test_160_gigabytes_in_a_file_of_a_few_megabytes(site: Any) -> None:
    """200,000 x 200,000 cells, of which one block is stored, at the far corner: no index of 32 bits reaches it."""
    side, cell, path = 200_000, 0.25, site.folder / "road.tif"
    profile = {"driver": "GTiff", "width": side, "height": side, "count": 1, "dtype": "float32", "crs": "EPSG:32617"}
    profile |= {
        "tiled": True,
        "blockxsize": 512,
        "blockysize": 512,
        "SPARSE_OK": True,
        "BIGTIFF": "YES",
        "nodata": -9999,
    }
    corner = (500_000.0 + cell * (side - 60), 4_500_000.0 - cell * (side - 60))
    with rasterio.open(path, "w", **profile, transform=from_origin(500_000, 4_500_000, cell, cell)) as dataset:
        block = np.full((512, 512), 123.5, "float32")
        window = rasterio.windows.Window(side - 512, side - 512, 512, 512)
        dataset.write(block, 1, window=window)
    assert path.stat().st_size < 8 * 2**20
    site.structures({"id": ["far", "hole"]}, [Point(*corner), Point(500_100, 4_499_900)])
    site.flags |= {("surface", "path"): str(path), ("surface", "vertical_unit"): "m"}

    def little_memory() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (3 * GIB, 3 * GIB))

    done = schedule(site, before=little_memory)
    assert done.returncode == 0, done.stderr
    far, hole = site.table("schedule")
    assert far["existing_m"] == 123.5
    assert hole["existing_m"] is None
    assert "no_surface" in hole["flags"]


def test_a_block_that_is_larger_than_memory_is_refused(site: Any) -> None:
    """One strip of 3.6 GB would be decoded whole for a cover of half a metre."""
    side, path = 30_000, site.folder / "road.tif"
    profile = {"driver": "GTiff", "width": side, "height": side, "count": 1, "dtype": "float32", "crs": "EPSG:32617"}
    profile |= {"blockysize": side, "compress": "deflate", "SPARSE_OK": True, "BIGTIFF": "YES"}
    with rasterio.open(path, "w", **profile, transform=from_origin(500_000, 4_500_000, 0.25, 0.25)):
        pass
    site.structures({"id": ["a"]}, [Point(503_000, 4_497_000)])
    site.flags |= {("surface", "path"): str(path), ("surface", "vertical_unit"): "m"}

    def little_memory() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (3 * GIB, 3 * GIB))

    done = schedule(site, before=little_memory)
    assert done.returncode == 3, done.stderr
    assert "road.tif" in done.stderr
    assert "block" in done.stderr or "strip" in done.stderr

"""Patches pieced together from tiles: exactly those of one merged raster, whatever is open, in whatever order.

The truth is the whole array, cut by numpy; the tiles and the merged raster are written by GDAL.
"""

from __future__ import annotations

import struct
import threading
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.raster import patches
from geoadjust.io.raster import rasters as surfaces
from geoadjust.io.raster.patches import OpenTiles, RasterReader
from geoadjust.io.raster.rasters import OPEN_TILES, describe_raster

# isort: split
import rasterio
from rasterio import Affine

NORTH_UP = Affine(0.5, 0, 500_000, 0, -0.5, 4_000_000)
ROWS, COLUMNS = [0, 37, 150, 151, 300], [0, 101, 128, 290]
"""Edges of uneven tiles; one of them is a single row."""


def write(path, cells, *, left=0, top=0, scale=None, offset=0.0, **profile):
    height, width = cells.shape
    made = {"driver": "GTiff", "count": 1, "height": height, "width": width, "dtype": cells.dtype, "crs": "EPSG:32617"}
    with rasterio.open(path, "w", transform=NORTH_UP * Affine.translation(left, top), **made, **profile) as file:
        file.write(cells, 1)
        if scale is not None:
            file.scales, file.offsets = (scale,), (offset,)
    return str(path)


def describe(path, unit="m"):
    return describe_raster(SurfaceTable(path, vertical_unit=unit), where="surface")


def read(facts, column, row, half, tiles=None):
    reader = RasterReader(facts, tiles)
    try:
        return reader.patches(np.asarray(column), np.asarray(row), half)
    finally:
        if tiles is None:
            reader.close()


def cut(cells, column, row, half):
    """Squares of the whole array, NaN outside."""
    wide = np.pad(cells, half + 40, constant_values=np.nan)
    return np.stack(
        [wide[r + 40 : r + 41 + 2 * half, c + 40 : c + 41 + 2 * half] for c, r in zip(column, row, strict=True)]
    )


LAYOUTS = [
    {},
    {"blockysize": 1},
    {"tiled": True, "blockxsize": 16, "blockysize": 32},
    {"compress": "deflate", "predictor": 3, "tiled": True, "blockxsize": 64, "blockysize": 64},
]


@pytest.fixture(scope="module")
def street(tmp_path_factory):
    """Cells, facts of the merged raster, and facts of its tiles, in several layouts and with a nodata value each."""
    folder = tmp_path_factory.mktemp("street")
    rng = np.random.default_rng(6)
    cells = rng.uniform(10, 20, (ROWS[-1], COLUMNS[-1])).astype("float32")
    holes = rng.random(cells.shape) < 0.02
    merged = write(folder / "merged.tif", np.where(holes, np.float32(-9999), cells), nodata=-9999)
    (folder / "tiles").mkdir()
    number = 0
    for top, bottom in pairwise(ROWS):
        for left, right in pairwise(COLUMNS):
            place, nodata = np.s_[top:bottom, left:right], (-9999, -1, 0, np.nan)[number % 4]
            values = np.where(holes[place], np.float32(nodata), cells[place])
            name = folder / "tiles" / f"{(7 * number) % 12:02} {number}.tif"  # by name they are in no order of place
            write(name, values, left=left, top=top, nodata=nodata, **LAYOUTS[number % 4])
            number += 1
    truth = np.where(holes, np.nan, cells.astype(float))
    return truth, describe(merged), describe(str(folder / "tiles"))


places = st.lists(st.tuples(st.integers(-20, 310), st.integers(-20, 320)), min_size=1, max_size=12)


@settings(max_examples=40, deadline=None)
@given(places, st.integers(0, 20), st.randoms(use_true_random=False))
def test_tiles_give_what_one_raster_gives(street, centres, half, random):
    truth, merged, tiled = street
    column, row = np.array(centres, dtype=np.int64).T
    expected = cut(truth, column.tolist(), row.tolist(), half)
    np.testing.assert_array_equal(read(merged, column, row, half), expected)
    shuffled = list(tiled.tiles)
    random.shuffle(shuffled)
    for facts in (tiled, replace(tiled, tiles=tuple(shuffled))):
        np.testing.assert_array_equal(read(facts, column, row, half), expected)
    east, north = NORTH_UP * (column + 0.5, row + 0.5)
    near = tiled.near(np.asarray(east), np.asarray(north), half)
    np.testing.assert_array_equal(read(near, column, row, half), expected)


def test_a_footprint_across_four_tiles(street):
    truth, _, tiled = street
    column, row = np.array([101, 100, 128, 127, 110]), np.array([37, 36, 150, 151, 151])
    found = read(tiled, column, row, 4)  # 2 m are 4 cells
    np.testing.assert_array_equal(found, cut(truth, column.tolist(), row.tolist(), 4))
    assert np.isfinite(found).mean() > 0.9


def test_few_structures_and_many_give_the_same(street):
    """Few patches are turned into elevations after they are cut, many before."""
    truth, merged, _ = street
    row, column = np.mgrid[0:300:3, 0:290:3].reshape(2, -1)
    many = read(merged, column, row, 6)
    np.testing.assert_array_equal(many, cut(truth, column.tolist(), row.tolist(), 6))
    for n in (0, 77, 5000, len(row) - 1):
        np.testing.assert_array_equal(read(merged, column[n : n + 1], row[n : n + 1], 6), many[n : n + 1])


def test_holes_between_tiles_have_no_cells(street):
    truth, _, tiled = street
    gone = [tile for tile in tiled.tiles if (tile.left, tile.top) == (101, 37)]
    assert len(gone) == 1
    facts = replace(tiled, tiles=tuple(tile for tile in tiled.tiles if tile not in gone))
    expected = truth.copy()
    expected[37:150, 101:128] = np.nan
    row, column = np.mgrid[-5:305:9, -5:295:9].reshape(2, -1)
    np.testing.assert_array_equal(read(facts, column, row, 7), cut(expected, column.tolist(), row.tolist(), 7))
    assert np.isnan(read(facts, [114], [90], 7)).all()


def test_the_first_tile_with_a_value_wins(tmp_path):
    first, second, third = (np.full((20, 20), value) for value in (1.0, 2.0, 3.0))
    first[5:8, :] = -9999.0
    second[6, :] = np.nan
    names = [write(tmp_path / "c.tif", first, nodata=-9999), write(tmp_path / "b.tif", second, left=10)]
    names += [write(tmp_path / "a.tif", third, left=5, top=2)]

    def stacked(*tiles):
        cells = np.full((22, 30), np.nan)
        for values, left, top in tiles[::-1]:
            part = cells[top : top + 20, left : left + 20]
            part[...] = np.where(np.isnan(values), part, values)
        return cells

    known = np.where(first == -9999, np.nan, first)
    row, column = np.mgrid[0:22, 0:30].reshape(2, -1)
    expected = stacked((known, 0, 0), (second, 10, 0), (third, 5, 2))
    assert np.isfinite(expected[6, 5:10]).all()
    assert set(np.unique(expected[:20])) >= {1.0, 2.0, 3.0}
    for half in (0, 3):
        found = read(describe(tuple(names)), column, row, half)
        np.testing.assert_array_equal(found, cut(expected, column.tolist(), row.tolist(), half))
    by_name = stacked((third, 5, 2), (second, 10, 0), (known, 0, 0))  # a folder goes by name
    np.testing.assert_array_equal(read(describe(str(tmp_path)), column, row, 0).ravel(), by_name.ravel())


def test_each_tile_has_its_own_scale_offset_type_and_mask(tmp_path):
    metres = 100 + np.arange(64).reshape(8, 8) / 100
    whole = np.round((metres - 90) * 100).astype("int16")
    whole[3, 3] = -32768
    write(tmp_path / "a.tif", whole, scale=0.01, offset=90.0, nodata=-32768)
    write(tmp_path / "b.tif", metres, left=8)
    masked = write(tmp_path / "c.tif", metres.astype("float32"), left=16)
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(masked, "r+") as file:
        file.write_mask(metres < 100.5)
    found = read(describe(str(tmp_path), unit="ft"), [11], [3], 12)[0]
    whole = whole * 0.01 + 90.0
    whole[3, 3] = np.nan
    third = np.where(metres < 100.5, metres.astype("float32").astype(float), np.nan)
    expected = np.full((25, 25), np.nan)
    expected[9:17, 1:25] = np.concatenate([whole, metres, third], axis=1) * 0.3048
    np.testing.assert_array_equal(found, expected)


# ---------------------------------------------------------------- open files


def count_opens(monkeypatch):
    opened = []
    monkeypatch.setattr(
        patches, "open_raster", lambda path, where: (opened.append(path), original(path, where=where))[1]
    )
    return opened


original = patches.open_raster


@pytest.mark.parametrize("limit", [1, 2, 3])
def test_fewer_open_tiles_than_a_footprint_touches(street, monkeypatch, limit):
    truth, _, tiled = street
    opened = count_opens(monkeypatch)
    pool = OpenTiles(limit)
    datasets = []
    column, row = np.array([101, 128, 5, 101]), np.array([37, 150, 5, 37])
    try:
        for n in range(4):
            found = read(tiled, column[n : n + 1], row[n : n + 1], 5, pool)
            np.testing.assert_array_equal(found, cut(truth, column[n : n + 1].tolist(), row[n : n + 1].tolist(), 5))
            datasets += pool._datasets.values()
            assert len(pool) <= limit
        assert sum(not dataset.closed for dataset in set(datasets)) <= limit
        assert len(opened) > len(set(opened))  # some had to be opened again
    finally:
        pool.close()
    assert all(dataset.closed for dataset in datasets)


def test_a_walk_in_order_opens_each_tile_once(street, monkeypatch):
    _, _, tiled = street
    opened = count_opens(monkeypatch)
    row, column = np.mgrid[0:300:10, 0:290:10].reshape(2, -1)
    pool = OpenTiles()
    for n in range(0, len(row), 50):
        read(tiled, column[n : n + 50], row[n : n + 50], 8, pool)
    assert sorted(opened) == sorted(tile.path for tile in tiled.tiles)
    assert len(pool) == len(tiled.tiles)
    pool.close()
    assert len(pool) == 0


def test_tiles_behind_a_full_one_are_not_opened(tmp_path, monkeypatch):
    over = write(tmp_path / "a.tif", np.full((20, 20), 5.0))
    under = write(tmp_path / "b.tif", np.full((20, 20), 6.0))
    facts = describe((over, under))
    opened = count_opens(monkeypatch)
    assert (read(facts, [10], [10], 4) == 5.0).all()
    assert opened == [over]


def test_a_changed_tile_is_opened_anew(tmp_path):
    """A worker may live longer than a file: what is open is known by its fingerprint too."""
    path = write(tmp_path / "a.tif", np.full((20, 20), 5.0))
    pool = OpenTiles()
    assert (read(describe(path), [10], [10], 2, pool) == 5.0).all()
    (tmp_path / "a.tif").unlink()
    write(tmp_path / "a.tif", np.full((20, 20), 6.0))
    assert (read(describe(path), [10], [10], 2, pool) == 6.0).all()
    pool.close()


def test_threads_have_files_of_their_own(street):
    from geoadjust.run.readers import close_readers, open_reader

    truth, _, tiled = street
    row, column = np.mgrid[0:300:5, 0:290:5].reshape(2, -1)
    expected = cut(truth, column.tolist(), row.tolist(), 6)
    wrong, left_open, barrier = [], [], threading.Barrier(3)

    def work():
        barrier.wait()
        for n in range(0, len(row), 300):
            found = open_reader(tiled).patches(column[n : n + 300], row[n : n + 300], 6)
            wrong.append(not np.array_equal(found, expected[n : n + 300], equal_nan=True))
        pool = open_reader(tiled)._tiles
        datasets = list(pool._datasets.values())
        close_readers()
        close_readers()
        left_open.extend(dataset for dataset in datasets if not dataset.closed)

    mine = open_reader(tiled)
    mine.patches(column[:10], row[:10], 6)
    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(wrong) == 3 * len(range(0, len(row), 300))
    assert not any(wrong)
    assert not left_open
    assert len(mine._tiles) > 0  # those of this thread are untouched
    np.testing.assert_array_equal(mine.patches(column[:10], row[:10], 6), expected[:10])
    close_readers()
    assert len(mine._tiles) == 0


def test_a_tile_that_vanished_is_named(tmp_path):
    paths = [write(tmp_path / f"{n}.tif", np.full((20, 20), 5.0), left=20 * n) for n in range(2)]
    facts = describe(tuple(paths))
    (tmp_path / "1.tif").unlink()
    with pytest.raises(InputError, match=r"1\.tif is missing"):
        read(facts, [20], [10], 4)


def test_two_thousand_tiles(tmp_path):
    """10 m of street each; more than may be open, and more than one square of patches touches at a time."""
    rng = np.random.default_rng(2)
    truth = rng.uniform(10, 20, (640, 800)).astype("float32")
    first = Path(write(tmp_path / "000_000.tif", truth[:16, :16])).read_bytes()
    tie = struct.pack("<2d", 500_000.0, 4_000_000.0)
    assert first.count(tie) == first.count(truth[:16, :16].tobytes()) == 1
    for top in range(0, 640, 16):
        for left in range(0, 800, 16):  # GDAL would take long to write them
            data = first.replace(tie, struct.pack("<2d", 500_000 + left / 2, 4_000_000 - top / 2))
            data = data.replace(truth[:16, :16].tobytes(), truth[top : top + 16, left : left + 16].tobytes())
            (tmp_path / f"{top:03}_{left:03}.tif").write_bytes(data)
    facts = describe(str(tmp_path))
    assert len(facts.tiles) == 2000
    assert (facts.width, facts.height, facts.transform) == (800, 640, tuple(NORTH_UP)[:6])
    row, column = rng.integers(0, 640, 60), rng.integers(0, 800, 60)
    east, north = NORTH_UP * (column + 0.5, row + 0.5)
    assert facts.covers(east, north).all()
    near = facts.near(east, north, 8)
    assert 100 < len(near.tiles) < 60 * 9
    pool = OpenTiles()
    found = read(near, column, row, 8, pool)
    assert len(pool) == OPEN_TILES
    pool.close()
    np.testing.assert_array_equal(found, cut(truth.astype(float), column.tolist(), row.tolist(), 8))


@pytest.mark.skipif(not Path("/proc/self/io").exists(), reason="bytes read are counted by Linux alone")
def test_a_striped_raster_is_decoded_about_once(tmp_path, monkeypatch):
    """Strips of one row over 3000 cells, with no more cache than the walk asks for; counted as bytes of the file."""
    monkeypatch.setattr(surfaces, "CACHE", 2**20)
    cells = np.random.default_rng(3).uniform(10, 20, (1100, 3000)).astype("float32")
    path = write(tmp_path / "road.tif", cells, blockysize=1, compress="deflate")
    facts = describe(path)
    assert facts.group[1] == 3000
    assert surfaces.cache_bytes(facts) < 0.75 * cells.nbytes
    rng = np.random.default_rng(4)
    column, row = rng.integers(0, 3000, 1500), rng.integers(0, 1100, 1500)
    east, north = NORTH_UP * (column + 0.5, row + 0.5)
    order = np.argsort(facts.group_of(east, north), kind="stable")
    pool = OpenTiles()
    read(facts, column[:1], row[:1], 8, pool)
    before = bytes_read()
    for n in range(0, 1500, 500):
        read(facts, column[order[n : n + 500]], row[order[n : n + 500]], 8, pool)
    size = (tmp_path / "road.tif").stat().st_size
    pool.close()
    assert 0.9 * size < bytes_read() - before < 1.2 * size


def bytes_read():
    """Bytes that this process has read by calls of the system (Linux)."""
    with open("/proc/self/io", encoding="ascii") as file:
        return int(file.readline().split()[1])

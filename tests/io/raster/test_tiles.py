"""One surface of many files: which files, where each lies, what is refused; GDAL wrote the tiles and the indexes."""

from __future__ import annotations

import math
import os
import warnings
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.raster import rasters as surfaces
from geoadjust.io.raster.rasters import describe_raster
from geoadjust.io.raster.tiles import MOST_TOLD, find_tiles, place_tiles, tell_together

# isort: split
import rasterio
from rasterio import Affine

NORTH_UP = Affine(0.5, 0, 500_000, 0, -0.5, 4_000_000)


def write(path, cells, *, left=0, top=0, transform=NORTH_UP, crs="EPSG:32617", **profile):
    """One tile of (rows, columns) cells whose first cell is (top, left) of the grid."""
    height, width = cells.shape
    made = {"driver": "GTiff", "count": 1, "height": height, "width": width, "dtype": cells.dtype, "crs": crs}
    place = transform * Affine.translation(left, top)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(path, "w", transform=place, **{**made, **profile}) as file:
            file.write(cells, 1)
    return str(path)


def cells(height=8, width=8):
    return np.full((height, width), 50.0)


def three(folder: Path):
    """Three tiles; their names are out of order in every sense but that of text."""
    folder.mkdir(exist_ok=True)
    return [write(folder / name, cells(), left=8 * i) for i, name in enumerate(("b 10.tif", "b 9.TIF", "a.tiff"))]


def describe(path, **table):
    return describe_raster(SurfaceTable(path, vertical_unit=table.pop("unit", "m"), **table), where="surface")


def faults(path, **table):
    with pytest.raises(InputError) as caught:
        describe(path, **table)
    return [str(fault) for fault in caught.value.faults]


def index(path, names, *, field="location", shape=None, **settings):
    """An index as people make it: a polygon and a path for each tile."""
    shapes = [shape or shapely.box(i, 0, i + 1, 1) for i in range(len(names))]
    geopandas.GeoDataFrame({"nr": range(len(names)), field: names}, geometry=shapes, crs="EPSG:32617").to_file(
        path, **settings
    )
    return str(path)


# ---------------------------------------------------------------- which files


def test_a_folder_gives_its_tiles_by_name(tmp_path):
    paths = three(tmp_path / "my tiles")
    (tmp_path / "my tiles" / "._a.tif").write_bytes(b"resource fork")
    (tmp_path / "my tiles" / "readme.txt").write_text("nothing")
    (tmp_path / "my tiles" / "old").mkdir()
    write(tmp_path / "my tiles" / "old" / "c.tif", cells())
    listing = find_tiles(str(tmp_path / "my tiles"), where="surface.path")
    assert listing.files == (paths[2], paths[0], paths[1])
    assert (listing.name, listing.path) == ("my tiles", str(tmp_path / "my tiles"))


def test_one_file_is_a_listing_of_one(tmp_path):
    path = write(tmp_path / "road.tif", cells())
    for given in (path, (path,)):
        listing = find_tiles(given, where="surface.path")
        assert (listing.path, listing.name, listing.files) == (path, "road", (path,))


def test_a_list_keeps_its_order_and_names_a_file_once(tmp_path):
    paths = three(tmp_path)
    listing = find_tiles((paths[1], paths[0], paths[1]), where="surface.path")
    assert listing.files == (paths[1], paths[0])
    assert (listing.name, listing.path) == ("b 9", f"{paths[1]} and 1 more")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_text_file_is_relative_to_itself(tmp_path, end, mark):
    paths = three(tmp_path / "tiles")
    lines = ["# north first", "", "tiles/b 9.TIF", "  tiles/b 10.tif  ", paths[2], "tiles/b 9.TIF"]
    (tmp_path / "all of them.txt").write_bytes((mark + end.join(lines) + end).encode())
    listing = find_tiles(str(tmp_path / "all of them.txt"), where="surface.path")
    assert listing.files == (paths[1], paths[0], paths[2])
    assert listing.name == "all of them"
    assert len(describe(str(tmp_path / "all of them.txt")).tiles) == 3


@pytest.mark.parametrize("name", ["index.gpkg", "index.geojson", "index.shp"])
@pytest.mark.parametrize("field", ["location", "LOCATION"])
def test_an_index_is_relative_to_itself(tmp_path, name, field):
    paths = three(tmp_path / "tiles")
    path = index(tmp_path / name, ["tiles/b 9.TIF", "tiles/a.tiff", paths[0]], field=field)
    facts = describe(path)
    assert [tile.path for tile in facts.tiles] == [paths[1], paths[2], paths[0]]
    assert (facts.name, facts.path, facts.width) == ("index", path, 24)


LISTS = {
    "an empty folder": (lambda folder: str(folder), "holds no .tif or .tiff -> name the folder that holds the tiles"),
    "a missing folder": (lambda folder: str(folder / "tiles"), "tiles is missing"),
    "a text without a line": (lambda folder: text(folder, "# nothing\n"), "names no tile"),
    "a text in another encoding": (lambda folder: text(folder, "größe.tif".encode("latin-1")), "is not UTF-8 text"),
    "no such field": (lambda folder: index(folder / "i.gpkg", ["a.tif"], field="path"), "no text field 'location'"),
    "a number": (lambda folder: index(folder / "i.gpkg", [7]), "rename the field that holds the tiles' paths"),
    "a row without": (lambda folder: index(folder / "i.gpkg", ["a.tif", None]), "row 1 (from 0) has no location"),
    "points": (lambda folder: index(folder / "i.gpkg", ["a.tif"], shape=shapely.Point(0, 0)), "1 Point"),
}


def text(folder, content):
    (folder / "list.txt").write_bytes(content if isinstance(content, bytes) else content.encode())
    return str(folder / "list.txt")


@pytest.mark.parametrize(("make", "says"), LISTS.values(), ids=LISTS)
def test_listings_that_are_refused(tmp_path, make, says):
    (told,) = faults(make(tmp_path))
    assert says in told
    assert told.startswith(("surface.path: ", "surface: "))


def test_an_index_of_several_layers(tmp_path):
    for layer in ("one", "two"):
        index(tmp_path / "i.gpkg", ["a.tif"], layer=layer)
    (told,) = faults(str(tmp_path / "i.gpkg"))
    assert "has several layers" in told
    assert "a file of its own" in told


@pytest.mark.parametrize("kind", ["text", "index", "list"])
def test_hostile_entries_are_refused_as_a_single_path_is(tmp_path, kind):
    good = write(tmp_path / "good.tif", cells())
    os.mkfifo(tmp_path / "pipe.tif")
    (tmp_path / "virtual.tif").write_text("<VRTDataset/>")
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "folder.tif").mkdir()
    remote = "https://example.org/a.tif"
    names = [
        remote,
        "/vsicurl/" + remote,
        "/dev/zero",
        "pipe.tif",
        "virtual.tif",
        "empty.tif",
        "folder.tif",
        "gone.tif",
    ]
    if kind == "text":
        path = text(tmp_path, "\n".join([good, *names]))
    elif kind == "index":
        path = index(tmp_path / "i.gpkg", [good, *names])
    else:
        path = (good, *(name if ":" in name or name[0] == "/" else str(tmp_path / name) for name in names))
    told = faults(path)
    words = ["is not a local file (the same: a.tif)", "is a device", "is a pipe", "does not begin like a TIFF"]
    words += ["is empty", "is a folder", "is missing"]
    assert len(told) == len(words)
    for fault, word in zip(told, words, strict=True):
        assert word in fault


def test_a_remote_list_or_folder_is_refused():
    for path in ("https://example.org/tiles.txt", "https://example.org/tiles/", "s3://bucket/index.gpkg"):
        (told,) = faults(path)
        assert "is not a local file" in told


def test_an_index_that_lists_itself_or_a_list_is_refused(tmp_path):
    path = index(tmp_path / "i.gpkg", ["i.gpkg", "list.txt"])
    text(tmp_path, "a.tif")
    (told,) = faults(path)
    assert "does not begin like a TIFF (the same: list.txt)" in told


# ---------------------------------------------------------------- one grid


GRIDS = {
    "north up": NORTH_UP,
    "south up": Affine(0.5, 0, 500_000, 0, 0.5, 4_000_000),
    "odd cells": Affine(0.1, 0, 123_456.7, 0, -0.3, 4_000_000.1),
    "rotated": Affine.translation(500_000, 4_000_000) * Affine.rotation(33) * Affine.scale(0.5, -0.5),
}


@pytest.mark.parametrize("transform", GRIDS.values(), ids=GRIDS)
def test_tiles_get_their_places(tmp_path, transform):
    places = [(40, 30, 10, 8), (0, 30, 40, 8), (0, 0, 40, 30), (40, 0, 10, 30)]  # left, top, width, height
    paths = [
        write(tmp_path / f"{i}.tif", cells(height, width), left=left, top=top, transform=transform)
        for i, (left, top, width, height) in enumerate(places)
    ]
    facts = describe(tuple(paths))
    assert [(tile.left, tile.top, tile.width, tile.height) for tile in facts.tiles] == places
    assert (facts.width, facts.height) == (50, 38)
    whole = describe(write(tmp_path / "whole.tif", cells(38, 50), transform=transform))
    np.testing.assert_allclose(facts.transform, whole.transform, rtol=1e-14)
    if not transform.b:
        assert facts.transform[2:] == whole.transform[2:]  # corner to the last bit


def test_a_north_up_grid_without_a_corner_tile(tmp_path):
    paths = [write(tmp_path / f"{i}.tif", cells(), left=10 * i, top=24 - 8 * i) for i in range(3)]
    facts = describe(tuple(paths))
    assert [(tile.left, tile.top) for tile in facts.tiles] == [(0, 16), (10, 8), (20, 0)]
    assert facts.transform == tuple(NORTH_UP * Affine.translation(0, 8))[:6]


def test_a_rotated_grid_without_a_corner_tile(tmp_path):
    grid = GRIDS["rotated"]
    paths = [write(tmp_path / f"{i}.tif", cells(), left=10 * i, top=24 - 8 * i, transform=grid) for i in range(3)]
    facts = describe(tuple(paths))
    np.testing.assert_allclose(facts.transform, tuple(grid * Affine.translation(0, 8))[:6], rtol=1e-12)


@pytest.mark.parametrize(("off", "wanted"), [(0.0009, True), (0.0011, False), (0.5, False), (-0.0011, False)])
def test_tiles_off_the_grid(tmp_path, off, wanted):
    paths = (write(tmp_path / "a.tif", cells()), write(tmp_path / "b.tif", cells(), left=8 + off))
    if wanted:
        assert describe(paths).tiles[1].left == 8
        return
    (told,) = faults(paths)
    assert f"b.tif lies {abs(off):.3f} cells off the grid of {paths[0]}" in told
    assert "rewrite it on one grid with the others" in told


OTHERS = {
    "cell size": Affine(0.25, 0, 500_008, 0, -0.25, 4_000_000),
    "south up": Affine(0.5, 0, 500_008, 0, 0.5, 4_000_000),
    "rotation": Affine.translation(500_008, 4_000_000) * Affine.rotation(1) * Affine.scale(0.5, -0.5),
    "drift": Affine(0.5 * 1.0002, 0, 500_008, 0, -0.5, 4_000_000),  # 8 cells of it are 0.0016 cells too long
}


@pytest.mark.parametrize("transform", OTHERS.values(), ids=OTHERS)
def test_tiles_with_other_cells(tmp_path, transform):
    paths = (write(tmp_path / "a.tif", cells()), write(tmp_path / "b.tif", cells(), transform=transform))
    (told,) = faults(paths)
    assert "b.tif has cells [" in told
    assert "rewrite it on one grid" in told


def test_a_drift_too_small_to_matter(tmp_path):
    grid = Affine(0.5 * (1 + 1e-5), 0, 500_004, 0, -0.5, 4_000_000)
    assert (
        len(describe((write(tmp_path / "a.tif", cells()), write(tmp_path / "b.tif", cells(), transform=grid))).tiles)
        == 2
    )


def test_cells_without_an_area(tmp_path):
    grid = Affine(0.5, 0.5, 500_000, 0.5, 0.5, 4_000_000)
    (told,) = faults(write(tmp_path / "a.tif", cells(), transform=grid))
    assert "cells without an area" in told


# ---------------------------------------------------------------- what tiles say


def test_tiles_of_another_crs_unit_or_datum(tmp_path):
    first = write(tmp_path / "a.tif", cells(), crs="EPSG:2263+6360")
    grid = {"left": 8}
    feet = write(tmp_path / "b.tif", cells(), crs="EPSG:2263+8228", **grid)
    (told,) = faults((first, feet), unit="")
    assert told.startswith("surface.vertical_unit: ")
    assert f"{feet} has heights in ft, {first} in us-ft" in told
    zone = write(tmp_path / "c.tif", cells(), crs="EPSG:2262+6360", **grid)
    (told,) = faults((first, zone), unit="")
    assert told.startswith("surface.crs: ")
    assert "New York West" in told
    assert "New York Long Island" in told
    bare = write(tmp_path / "d.tif", cells(), crs="EPSG:2263", **grid)
    (told,) = faults((first, bare), unit="us-ft")
    assert told.startswith("surface.vertical_datum: ")
    assert "no vertical datum" in told
    facts = describe((first, bare), unit="us-ft", vertical_datum="EPSG:6360")
    assert (facts.vertical_unit, facts.vertical_datum, len(facts.tiles)) == ("us-ft", "EPSG:6360", 2)


def test_a_crs_that_says_the_same_in_other_words(tmp_path):
    named = write(tmp_path / "a.tif", cells())
    spelt = write(tmp_path / "b.tif", cells(), left=8, crs="+proj=utm +zone=17 +datum=WGS84 +units=m")
    assert len(describe((named, spelt)).tiles) == 2


def test_what_the_table_states_holds_for_all_tiles(tmp_path):
    paths = tuple(write(tmp_path / f"{i}.tif", cells(), left=8 * i, crs=None) for i in range(3))
    facts = describe(paths, unit="ft", crs="EPSG:32617", noise=0.01, name="lidar")
    assert (facts.name, facts.vertical_unit, facts.noise) == ("lidar", "ft", 0.01)
    told = faults(paths, unit="")
    assert len(told) == 2  # the same for three tiles is told once
    assert all("0.tif" in fault and "(the same: 1.tif, 2.tif)" in fault for fault in told)
    (told,) = faults(paths, crs="EPSG:32617", band=2)
    assert "has 1 bands, not 2 (the same: 1.tif, 2.tif)" in told
    (told,) = faults(paths, crs="EPSG:0000001")
    assert "EPSG:0000001" in told


def test_all_faults_of_all_tiles_in_ten_lines(tmp_path):
    paths = [write(tmp_path / f"{i:02}.tif", cells(), left=8 * i + 0.01 * i) for i in range(30)]
    told = faults(tuple(paths))
    assert len(told) == MOST_TOLD + 1
    assert all(f"{i:02}.tif lies 0.{i:02}0 cells off" in told[i - 1] for i in range(1, MOST_TOLD + 1))
    assert "and 19 more faults of tiles" in told[-1]


def test_faults_of_opening_and_of_placing_are_told_together(tmp_path):
    good, off = write(tmp_path / "a.tif", cells()), write(tmp_path / "b.tif", cells(), left=8.3)
    other = write(tmp_path / "c.tif", cells(), left=16, crs="EPSG:32618")
    told = faults((str(tmp_path / "gone.tif"), good, off, other))
    assert [any(word in fault for fault in told) for word in ("is missing", "0.300 cells off", "zone 18N")] == [
        True
    ] * 3
    assert len(told) == 3


def test_a_damaged_tile_is_a_fault(tmp_path):
    paths = three(tmp_path)
    data = Path(paths[1]).read_bytes()
    Path(paths[1]).write_bytes(data[:-100])
    (told,) = faults(str(tmp_path))
    assert "b 9.TIF" in told
    assert "cut off" in told


def test_told_together_leaves_few_faults_as_they_are():
    found = [(str(i), Fault("surface", f"{i} is missing", "", f"look for {i}")) for i in range(MOST_TOLD)]
    assert tell_together(found) == [fault for _, fault in found]


# ---------------------------------------------------------------- facts of all tiles


def test_the_fingerprint_tells_contents_places_names_and_order(tmp_path):
    made = tmp_path / "one"
    paths = three(made)
    mark = describe(tuple(paths)).fingerprint
    assert mark.startswith("sha256:")
    moved = tmp_path / "two"
    assert describe(tuple(three(moved))).fingerprint == mark  # folders do not count
    assert describe(tuple(paths[::-1])).fingerprint != mark
    assert describe(tuple(paths[:2])).fingerprint != mark
    renamed = str(Path(paths[0]).rename(made / "z.tif"))
    assert describe((renamed, *paths[1:])).fingerprint != mark
    write(moved / "a.tiff", cells() + 1e-9, left=16)
    assert describe(tuple(str(moved / Path(path).name) for path in paths)).fingerprint != mark
    write(moved / "a.tiff", cells(), left=24)
    assert describe(tuple(str(moved / Path(path).name) for path in paths)).fingerprint != mark


def test_a_folder_of_one_tile_is_that_raster(tmp_path):
    path = write(tmp_path / "road.tif", cells())
    alone, inside = describe(path), describe(str(tmp_path))
    assert inside.fingerprint == alone.fingerprint
    assert inside.tiles == alone.tiles


def test_the_largest_block_and_cell_count(tmp_path):
    rows = write(tmp_path / "a.tif", np.zeros((64, 64), dtype="float32"), blockysize=1)
    square = {"tiled": True, "blockxsize": 32, "blockysize": 32}
    squares = write(tmp_path / "b.tif", np.zeros((64, 64), dtype="float64"), left=64, **square)
    facts = describe((rows, squares))
    assert (facts.block, facts.cell_bytes, facts.tile_size) == ((32, 64), 8, (64, 64))


# ---------------------------------------------------------------- where there are cells


def scattered(count=60, seed=4):
    """Facts of tiles of many sizes, some of them overlapping, with holes between them; no file is there."""
    rng = np.random.default_rng(seed)
    sides = rng.integers(1, 90, (count, 2))
    places = rng.integers(0, 400, (count, 2))
    return sides, places


@pytest.fixture
def made_up(tmp_path):
    facts = describe(write(tmp_path / "road.tif", cells()))
    sides, places = scattered()
    tiles = tuple(
        replace(facts.tiles[0], path=f"{i}.tif", left=int(x), top=int(y), width=int(w), height=int(h))
        for i, ((w, h), (x, y)) in enumerate(zip(sides, places, strict=True))
    )
    return replace(facts, width=500, height=500, tiles=tiles)


def test_points_lie_on_tiles_not_between_them(made_up):
    rng = np.random.default_rng(8)
    column = np.concatenate([rng.uniform(-5, 505, 3000), rng.integers(0, 500, 3000).astype(float)])  # also on edges
    row = np.concatenate([rng.uniform(-5, 505, 3000), rng.integers(0, 500, 3000).astype(float)])
    east, north = NORTH_UP * (column, row)
    expected = [
        any(t.left <= c < t.left + t.width and t.top <= r < t.top + t.height for t in made_up.tiles)
        for c, r in zip(column.tolist(), row.tolist(), strict=True)
    ]
    found = made_up.covers(east, north)
    assert found.tolist() == expected
    assert 0.1 < found.mean() < 0.9
    assert not made_up.covers(np.array([math.nan, 1e300]), np.array([math.nan, 0.0])).any()


def test_points_are_looked_for_in_parts(made_up, monkeypatch):
    rng = np.random.default_rng(9)
    east, north = NORTH_UP * (rng.uniform(0, 500, 1000), rng.uniform(0, 500, 1000))
    whole = made_up.covers(east, north)
    monkeypatch.setattr(surfaces, "MOST_POINTS", 7)
    np.testing.assert_array_equal(made_up.covers(east, north), whole)


def test_near_keeps_every_tile_that_a_patch_touches_in_order(made_up):
    rng = np.random.default_rng(10)
    for half in (0, 3, 12):
        column, row = rng.uniform(-20, 520, (2, 15))
        east, north = NORTH_UP * (column + 0.5, row + 0.5)
        near = made_up.near(np.append(east, math.nan), np.append(north, math.nan), half)
        middle = np.floor(np.stack([column, row], axis=1) + 0.5)
        needed = [
            tile
            for tile in made_up.tiles
            if any(
                tile.left <= c + half
                and c - half < tile.left + tile.width
                and tile.top <= r + half
                and r - half < tile.top + tile.height
                for c, r in middle.tolist()
            )
        ]
        assert set(needed) <= set(near.tiles)
        assert [tile for tile in made_up.tiles if tile in near.tiles] == list(near.tiles)
        assert len(near.tiles) < len(made_up.tiles)
        assert (near.width, near.transform, near.fingerprint) == (500, made_up.transform, made_up.fingerprint)
        np.testing.assert_array_equal(near.group_of(east, north), made_up.group_of(east, north))


def test_near_nothing(made_up):
    assert made_up.near(np.array([math.nan, 0.0]), np.array([math.nan, 0.0]), 5).tiles == ()


def test_a_strip_holds_two_rows_of_its_tiles_open(made_up):
    """Counted square by square: the tiles that two rows of one strip and its neighbours touch."""
    for side in (100, 256, 500, 1000, 2500):
        tiles = tuple(
            replace(made_up.tiles[0], path=f"{i} {j}", left=side * i, top=side * j, width=side, height=side)
            for i in range(60)
            for j in range(12)
        )
        facts = replace(
            made_up,
            width=60 * side,
            height=12 * side,
            tiles=tiles,
            tile_size=(side, side),
            block=(256, 256),
            cell_bytes=4,
        )
        tall, wide = facts.group
        across = facts.strip + 2  # with one on either side
        columns = {c // side for c in range(wide * 7 - wide, wide * 7 + wide * (across - 1))}
        rows = {r // side for r in range(tall * 3 - 20, tall * 5 + 20)}
        open_at_once = len(columns) * len(rows)
        if side >= 500:  # of smaller ones a single square may touch more
            assert open_at_once <= surfaces.OPEN_TILES
            assert facts.strip > 1


@pytest.mark.parametrize(
    ("size", "block", "wanted"), [((50_000, 3_000), (1, 50_000), 146.5), ((7_000, 7_000), (7_000, 7_000), 187)]
)
def test_the_cache_holds_what_is_there_and_no_more(made_up, size, block, wanted):
    tile = replace(made_up.tiles[0], left=0, top=0, width=size[0], height=size[1], block=block)
    facts = replace(
        made_up, width=size[0], height=size[1], tiles=(tile,), tile_size=size[::-1], block=block, cell_bytes=4
    )
    assert surfaces.cache_bytes(facts) / 2**20 == pytest.approx(wanted, abs=1)


def test_the_grid_of_one_tile():
    grid, found = place_tiles(
        ["a.tif"], np.array([[0.5, 0, 10, 0, -0.5, 20]]), np.array([[7, 9]]), where="surface.path"
    )
    assert (grid.transform, grid.width, grid.height, found) == ((0.5, 0.0, 10.0, 0.0, -0.5, 20.0), 7, 9, [])

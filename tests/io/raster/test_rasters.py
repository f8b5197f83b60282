"""Road rasters: what a file says, its cells by brute force, and one ground plane that has one grade in every CRS.

Rasters are written by GDAL (through rasterio); the raw TIFF tags are read here with struct, by the TIFF 6.0 and
GeoTIFF 1.1 (OGC 19-008r4) specifications.
"""

from __future__ import annotations

import math
import struct
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Proj, Transformer

from geoadjust.core.edge import edge_plane
from geoadjust.core.outline import Outlines
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.coordinates.heights import datum_name
from geoadjust.io.raster import rasters as surfaces
from geoadjust.io.raster.patches import RasterReader, plan_patches, read_surface, to_elevations
from geoadjust.io.raster.rasters import CACHE, LEAST_GROUP, cache_bytes, describe_raster

# isort: split
import rasterio
from rasterio import Affine
from rasterio.enums import ColorInterp

NORTH_UP = Affine(0.5, 0, 500_000, 0, -0.5, 4_000_050)
FOOT, US_FOOT = 0.3048, 1200 / 3937


def write(
    path, cells, *, crs="EPSG:32617", transform=NORTH_UP, tags=None, mask=None, scale=None, offset=None, **profile
):
    """Write (rows, columns) or (bands, rows, columns) cells; a mask is written into the file."""
    cells = np.atleast_3d(cells.T).T if cells.ndim == 2 else cells
    count, height, width = cells.shape
    made = {"driver": "GTiff", "count": count, "height": height, "width": width, "dtype": cells.dtype, "crs": crs}
    with warnings.catch_warnings(), rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(path, "w", transform=transform, **made, **profile) as file:
            file.write(cells)
            file.update_tags(**(tags or {}))
            if scale is not None:
                file.scales, file.offsets = (scale,) * count, (offset or 0.0,) * count
            if mask is not None:
                file.write_mask(mask)
    return path


def describe(path, *, unit="m", **table):
    return describe_raster(SurfaceTable(str(path), vertical_unit=unit, **table), where="surface")


def faults(path, **table):
    with pytest.raises(InputError) as caught:
        describe(path, **table)
    return {fault.where: fault for fault in caught.value.faults}


def whole(facts):
    """All cells, through one patch each time: the smallest patch is one cell."""
    reader = RasterReader(facts)
    row, column = np.mgrid[: facts.height, : facts.width].reshape(2, -1)
    try:
        return reader.patches(column, row, 0).reshape(facts.height, facts.width)
    finally:
        reader.close()


def ramp(height=6, width=5, dtype="float64"):
    return (100 + np.add.outer(np.arange(height), 0.25 * np.arange(width))).astype(dtype)


# ---------------------------------------------------------------- cells


@pytest.mark.parametrize("dtype", ["float32", "float64", "int16", "uint16", "int32", "uint8"])
def test_cells_of_every_type(tmp_path, dtype):
    cells = ramp(dtype=dtype)
    np.testing.assert_array_equal(whole(describe(write(tmp_path / "road.tif", cells))), cells.astype(float))


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", FOOT), ("us-ft", US_FOOT)])
def test_cells_become_metres(tmp_path, unit, metres):
    facts = describe(write(tmp_path / "road.tif", ramp()), unit=unit)
    assert (facts.vertical_unit, facts.to_metres) == (unit, pytest.approx(metres, rel=1e-15))
    np.testing.assert_allclose(whole(facts), ramp() * metres, rtol=1e-15)


def test_scaled_whole_numbers(tmp_path):
    # centimetres above 100 m, in US survey feet after that
    cells = np.arange(30, dtype="int16").reshape(6, 5)
    cells[2, 2] = -9999
    path = write(tmp_path / "road.tif", cells, scale=0.01, offset=100.0, nodata=-9999)
    expected = (cells * 0.01 + 100.0) * US_FOOT
    expected[2, 2] = np.nan
    np.testing.assert_allclose(whole(describe(path, unit="us-ft")), expected, rtol=1e-15)


@pytest.mark.parametrize(
    ("dtype", "nodata", "hole"),
    [
        ("float32", -9999, -9999),
        ("float32", math.nan, math.nan),
        ("float32", -3.4028234663852886e38, np.float32(-3.4028234663852886e38)),
        ("float64", -9999, -9999),
        ("float32", 101.0, 101.0),  # a declared value is missing whatever it is
        ("float32", None, math.nan),
        ("float32", None, math.inf),
        ("float32", None, -9999),  # nobody declared these, and no road lies there
        ("float32", None, -3.4e38),
        ("float64", None, -1.7976931348623157e308),
        ("float32", None, 9999),
        ("float32", 0, -9999),
        ("int16", None, -9999),
        ("int16", -32768, -32768),
        ("uint16", 65535, 65535),
    ],
)
def test_holes(tmp_path, dtype, nodata, hole):
    cells = np.full((6, 5), 77, dtype=dtype)
    cells[2, 3] = hole
    found = whole(describe(write(tmp_path / "road.tif", cells, nodata=nodata)))
    expected = np.full((6, 5), 77.0)
    expected[2, 3] = np.nan
    np.testing.assert_array_equal(found, expected)


def test_nodata_is_compared_in_the_type_of_the_cells(tmp_path):
    # -3.4e38 as text is not the float32 that stands in the cells; both GDAL and we round it first
    cells = np.full((4, 4), 50, dtype="float32")
    cells[1, 1] = np.float32(0.1)
    facts = describe(write(tmp_path / "road.tif", cells, nodata=np.float32(0.1).item()))
    assert np.isnan(whole(facts)[1, 1])


def test_holes_of_a_mask(tmp_path):
    cells = ramp()
    mask = np.full(cells.shape, 255, dtype="uint8")
    mask[1, 4] = mask[5, 0] = 0
    facts = describe(write(tmp_path / "road.tif", cells, mask=mask))
    assert facts.tiles[0].masked
    np.testing.assert_array_equal(whole(facts), np.where(mask == 0, np.nan, cells))
    assert not describe(write(tmp_path / "plain.tif", cells)).tiles[0].masked


def test_holes_of_an_alpha_band(tmp_path):
    cells = np.stack([np.arange(30).reshape(6, 5), np.full((6, 5), 255)]).astype("uint8")
    cells[1, 3, 3] = 0
    path = write(tmp_path / "road.tif", cells, photometric="MINISBLACK", alpha="YES")
    with rasterio.open(path) as file:
        assert file.colorinterp[1] == ColorInterp.alpha
    expected = cells[0].astype(float)
    expected[3, 3] = np.nan
    np.testing.assert_array_equal(whole(describe(path)), expected)


def test_heights_that_no_road_has_are_missing():
    class Plain:
        nodata, scale, offset = None, 1.0, 0.0

    raw = np.array([[-1641.0, -1640.0, 0.0, 29527.0, 29528.0]])  # -500 m and 9000 m in feet: -1640.4, 29527.6
    found = to_elevations(raw, Plain, FOOT, None)
    assert np.isnan(found).tolist() == [[True, False, False, False, True]]


def test_another_band(tmp_path):
    path = write(tmp_path / "road.tif", np.stack([ramp(), ramp() + 7]))
    np.testing.assert_array_equal(whole(describe(path, band=2)), ramp() + 7)


LAYOUTS = {
    "strips of one row": {"blockysize": 1},
    "strips": {"blockysize": 7},
    "a tall strip and a row": {"blockysize": 89},
    "tiles": {"tiled": True, "blockxsize": 16, "blockysize": 32},
    "deflated tiles": {"tiled": True, "blockxsize": 32, "blockysize": 32, "compress": "deflate", "predictor": 3},
    "big": {"bigtiff": "YES"},
}


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_every_layout_gives_the_same_cells(tmp_path, layout):
    cells = ramp(90, 70, "float32")
    facts = describe(write(tmp_path / "road.tif", cells, **layout))
    np.testing.assert_array_equal(whole(facts), cells.astype(float))
    assert facts.block[0] == layout.get("blockysize", facts.block[0])
    assert facts.group == (LEAST_GROUP, LEAST_GROUP)


# ---------------------------------------------------------------- patches


def brute_force(cells, column, row, half):
    """The slice of the whole array round a cell, NaN outside."""
    size = 2 * half + 1
    found = np.full((len(column), size, size), np.nan)
    for n, (c, r) in enumerate(zip(column.tolist(), row.tolist(), strict=True)):
        for i in range(size):
            for j in range(size):
                y, x = r - half + i, c - half + j
                if 0 <= y < cells.shape[0] and 0 <= x < cells.shape[1]:
                    found[n, i, j] = cells[y, x]
    return found


@pytest.fixture(scope="module")
def noisy(tmp_path_factory):
    """A raster of several groups, with holes: its facts and its cells."""
    rng = np.random.default_rng(3)
    cells = rng.uniform(10, 20, (600, 530))
    cells[rng.random(cells.shape) < 0.02] = -9999.0
    folder = tmp_path_factory.mktemp("noisy")
    path = write(folder / "road.tif", cells, nodata=-9999.0, tiled=True, blockxsize=64, blockysize=64)
    return describe(path), np.where(cells == -9999.0, np.nan, cells)


places = st.lists(st.tuples(st.integers(-20, 560), st.integers(-20, 620)), min_size=1, max_size=12)


@settings(max_examples=40, deadline=None)
@given(places, st.integers(0, 6))
def test_patches_are_slices_of_the_whole(noisy, centres, half):
    facts, cells = noisy
    column, row = np.array(centres, dtype=np.int64).T
    reader = RasterReader(facts)
    try:
        found = reader.patches(column, row, half)
        np.testing.assert_array_equal(found, brute_force(cells, column, row, half))
        order = np.random.default_rng(len(centres)).permutation(len(centres))
        np.testing.assert_array_equal(reader.patches(column[order], row[order], half), found[order])
        one = np.concatenate([reader.patches(column[i : i + 1], row[i : i + 1], half) for i in range(len(centres))])
        np.testing.assert_array_equal(one, found)
    finally:
        reader.close()


def test_patches_at_the_corners_and_far_outside(noisy):
    facts, cells = noisy
    column = np.array([0, 529, 0, 529, -3, 532, -1_000_000, 255, 256, 100, 100, 100, -4, 533, -5])
    row = np.array([0, 0, 599, 599, 100, 100, -1_000_000, 256, 255, 10**9, -3, 602, -4, 603, 5])
    reader = RasterReader(facts)
    try:
        found = reader.patches(column, row, 4)
    finally:
        reader.close()
    np.testing.assert_array_equal(found, brute_force(cells, column, row, 4))
    assert np.isnan(found[[6, 9, 14]]).all()
    assert np.isfinite(found[[4, 5, 10, 11]]).any(axis=(1, 2)).all()


def test_a_damaged_block_is_a_fault(tmp_path):
    cells = np.random.default_rng(1).uniform(10, 20, (64, 64))
    path = write(tmp_path / "road.tif", cells, compress="deflate", tiled=True, blockxsize=64, blockysize=64)
    with rasterio.open(path) as file:
        start = int(file.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
    data = bytearray(path.read_bytes())
    data[start : start + 64] = bytes(64)
    path.write_bytes(data)
    reader = RasterReader(describe(path))
    try:
        with pytest.raises(InputError, match="cannot be read"):
            reader.patches(np.array([5]), np.array([5]), 2)
    finally:
        reader.close()


# ---------------------------------------------------------------- groups


def test_groups_tell_the_squares_apart(noisy):
    facts, _ = noisy
    tall, wide = facts.group
    rng = np.random.default_rng(5)
    column, row = rng.uniform(0, facts.width, 3000), rng.uniform(0, facts.height, 3000)
    affine = Affine(*facts.transform)
    east, north = affine * (column + 0.5, row + 0.5)
    squares = [(int(r // tall), int(c // wide)) for r, c in zip(row, column, strict=True)]
    pairs = set(zip(squares, facts.group_of(east, north).tolist(), strict=True))
    assert len(pairs) == len(set(squares)) == len({group for _, group in pairs}) > 4


def test_squares_of_one_strip_are_walked_row_by_row(noisy):
    facts, _ = noisy
    assert facts.strip >= 3
    affine = Affine(*facts.transform)
    centres = [(128 + 256 * right, 128 + 256 * down) for down in range(3) for right in range(2)]
    east, north = np.array([affine * (c + 0.5, r + 0.5) for c, r in centres]).T
    numbers = facts.group_of(east, north).tolist()
    assert numbers == sorted(numbers)


def test_points_without_a_place_have_a_group_too(noisy):
    facts, _ = noisy
    found = facts.group_of(np.array([np.nan, 1e300, -1e300]), np.array([np.nan, 0.0, -1e300]))
    assert (found >= 0).all()


def test_the_cache_holds_two_rows_of_a_strip(tmp_path):
    rows = np.zeros((2, 40_000), dtype="float32")
    facts = describe(write(tmp_path / "wide.tif", rows, blockysize=1))
    tall, wide = facts.group
    assert (tall, wide) == (LEAST_GROUP, 40_000)
    assert cache_bytes(facts) >= 2 * tall * wide * 4
    assert cache_bytes(describe(write(tmp_path / "small.tif", ramp()))) == CACHE


def test_what_a_raster_covers(noisy):
    facts, _ = noisy
    inside = [(500_000.01, 4_000_049.99), (500_264.99, 3_999_750.01)]
    outside = [(499_999.99, 4_000_049.0), (500_001.0, 4_000_050.01), (500_265.01, 3_999_800.0), (math.nan, 1.0)]
    east, north = np.array([*inside, *outside]).T
    assert facts.covers(east, north).tolist() == [True, True, False, False, False, False]


# ---------------------------------------------------------------- place of the cells


def tiff_tag(path, number):
    """Doubles of a tag of a little-endian classic TIFF (TIFF 6.0, section 2)."""
    data = path.read_bytes()
    (start,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, start)
    for n in range(entries):
        tag, _, count, place = struct.unpack_from("<HHII", data, start + 2 + 12 * n)
        if tag == number:
            return struct.unpack_from(f"<{count}d", data, place)
    raise AssertionError(f"no tag {number}")


TIE_POINT = 33922


def test_pixel_is_point_lies_where_its_cells_lie(tmp_path):
    # GeoTIFF 1.1: with PixelIsPoint the tie point is the first cell's centre, with PixelIsArea its outer corner
    area = write(tmp_path / "area.tif", ramp(), tags={"AREA_OR_POINT": "Area"})
    point = write(tmp_path / "point.tif", ramp(), tags={"AREA_OR_POINT": "Point"})
    assert tiff_tag(area, TIE_POINT)[3:5] == (500_000.0, 4_000_050.0)
    assert tiff_tag(point, TIE_POINT)[3:5] == (500_000.25, 4_000_049.75)
    assert describe(area).transform == describe(point).transform == tuple(NORTH_UP)[:6]


TRANSFORMS = {
    "north up": NORTH_UP,
    "south up": Affine(0.5, 0, 500_000, 0, 0.5, 4_000_000),
    "rotated": Affine.translation(500_000, 4_000_000) * Affine.rotation(33) * Affine.scale(0.5, -0.5),
    "not square": Affine(0.4, 0, 500_000, 0, -0.25, 4_000_050),
    "sheared": Affine(0.4, 0.1, 500_000, -0.05, -0.3, 4_000_050),
}


@pytest.mark.parametrize("transform", TRANSFORMS.values(), ids=TRANSFORMS)
def test_cells_are_found_from_coordinates(tmp_path, transform):
    facts = describe(write(tmp_path / "road.tif", ramp(20, 30), transform=transform))
    column, row = np.array([0.0, 29.0, 7.25]), np.array([0.0, 19.0, 3.5])
    east, north = transform * (column + 0.5, row + 0.5)
    found = facts.cell_of(np.asarray(east), np.asarray(north))
    np.testing.assert_allclose(found, [column, row], atol=1e-8)


# ---------------------------------------------------------------- one plane, one grade

SLOPE, UPHILL = 0.0375, math.radians(63.0)  # of the ground, uphill as a true azimuth


def slope_and_uphill(facts, structures_crs, east, north, *, ring=Ring()):  # noqa: B008
    """Slope and grid uphill azimuth of the fitted road at one cover, the way a run finds them."""
    reader = RasterReader(facts)
    try:
        way = Georeference(CRS(structures_crs), CRS(facts.crs), where="surface.crs")
        jacobians = way.jacobians(east, north)
        patches = plan_patches(facts, jacobians, ring, where="surface")
        grid = read_surface(reader, patches, *way.to_target(east, north), jacobians)
    finally:
        reader.close()
    n = len(east)
    frame = Outlines(np.full(n, 0.66), np.full(n, np.nan), np.zeros(n))
    roads = fit_roads(grid.samples(np.full(n, 0.45), ring), ring, frame)
    _, slope_east, slope_north = edge_plane(roads, frame).T
    return np.hypot(slope_east, slope_north), np.arctan2(slope_east, slope_north), roads


@pytest.mark.parametrize("transform", TRANSFORMS.values(), ids=TRANSFORMS)
def test_every_orientation_gives_the_same_plane(tmp_path, transform):
    # in a local CRS a map unit is a metre on the ground: z = 50 + 0.02 e - 0.03 n by construction
    local = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["E",EAST],AXIS["N",NORTH]]'
    row, column = np.mgrid[:60, :60]
    east, north = transform * (column + 0.5, row + 0.5)
    middle = transform * (30.3, 29.6)
    cells = 50 + 0.02 * (east - middle[0]) - 0.03 * (north - middle[1])
    facts = describe(write(tmp_path / "road.tif", cells, crs=local, transform=transform))
    place = np.array([middle[0]]), np.array([middle[1]])
    slope, uphill, roads = slope_and_uphill(facts, local, *place)
    assert roads.height[0] == pytest.approx(50.0, abs=1e-6)
    assert slope[0] == pytest.approx(math.hypot(0.02, 0.03), rel=1e-7)
    assert uphill[0] == pytest.approx(math.atan2(0.02, -0.03), abs=1e-6)


def test_point_and_area_rasters_give_the_same_road(tmp_path):
    found = []
    for tag in ("Area", "Point"):
        path = write(tmp_path / f"{tag}.tif", ramp(60, 60), tags={"AREA_OR_POINT": tag})
        place = np.array([500_015.2]), np.array([4_000_034.9])
        found.append(slope_and_uphill(describe(path), "EPSG:32617", *place)[2])
    np.testing.assert_array_equal(found[0].height, found[1].height)
    # the first cell's centre lies at 500000.25, 4000049.75: 100 + 15.1/0.5 rows + 0.25 columns
    assert found[0].height[0] == pytest.approx(100 + (49.75 - 34.9) / 0.5 + 0.25 * (15.2 - 0.25) / 0.5, abs=1e-6)


RASTERS = {
    "UTM": ("EPSG:26918", Affine(0.1, 0, 0, 0, -0.1, 0)),
    "state plane, US survey feet": ("EPSG:2263", Affine(0.3, 0, 0, 0, -0.3, 0)),
    "longitude and latitude": ("EPSG:4326", Affine(1.2e-6, 0, 0, 0, -0.9e-6, 0)),
    "web Mercator": ("EPSG:3857", Affine(0.13, 0, 0, 0, -0.13, 0)),
    "another UTM zone, south up": ("EPSG:32617", Affine(0.1, 0, 0, 0, 0.1, 0)),
}
LONGITUDE, LATITUDE = -73.93, 40.71


def ground_plane(crs, transform, size=80):
    """Cells of the ground plane SLOPE, UPHILL through 20 m at the place, and the raster's transform.

    Distance and azimuth of each cell come from geodesics on the ellipsoid of the raster's own datum.
    """
    geodetic = CRS(crs).geodetic_crs
    to_map = Transformer.from_crs(geodetic, crs, always_xy=True)
    x, y = to_map.transform(LONGITUDE, LATITUDE)
    affine = Affine.translation(x, y) * transform * Affine.translation(-size / 2 + 0.2, -size / 2 - 0.3)
    row, column = np.mgrid[:size, :size]
    east, north = affine * (column + 0.5, row + 0.5)
    longitude, latitude = to_map.transform(east, north, direction="INVERSE")
    geod = Geod(a=geodetic.ellipsoid.semi_major_metre, b=geodetic.ellipsoid.semi_minor_metre)
    start = np.full(east.shape, LONGITUDE), np.full(east.shape, LATITUDE)
    azimuth, _, distance = geod.inv(*start, longitude, latitude)
    return 20 + SLOPE * distance * np.cos(np.radians(azimuth) - UPHILL), affine


@pytest.mark.parametrize("structures_crs", ["EPSG:26918", "EPSG:2263", "EPSG:4269"])
@pytest.mark.parametrize(("crs", "transform"), RASTERS.values(), ids=RASTERS)
def test_one_ground_plane_has_one_grade_in_every_crs(tmp_path, crs, transform, structures_crs):
    cells, affine = ground_plane(crs, transform)
    facts = describe(write(tmp_path / "road.tif", cells, crs=crs, transform=affine))
    to_map = Transformer.from_crs(CRS(structures_crs).geodetic_crs, structures_crs, always_xy=True)
    x, y = to_map.transform(LONGITUDE, LATITUDE)
    slope, uphill, _ = slope_and_uphill(facts, structures_crs, np.array([x]), np.array([y]))
    assert slope[0] == pytest.approx(SLOPE, rel=1e-4)
    grid_north = math.radians(Proj(structures_crs).get_factors(LONGITUDE, LATITUDE).meridian_convergence)
    turned = 0.0 if CRS(structures_crs).is_geographic else grid_north
    assert uphill[0] == pytest.approx(UPHILL - turned, abs=1e-4)


def test_map_metres_would_fail_the_gate(tmp_path):
    # the same raster in web Mercator read as if its metres were true: 1 / cos(latitude) off, so the test above can fail
    cells, affine = ground_plane(*RASTERS["web Mercator"])
    row_slope, column_slope = (np.gradient(cells, axis=axis).mean() for axis in (0, 1))
    naive = math.hypot(column_slope / affine.a, row_slope / affine.e)
    assert naive / SLOPE == pytest.approx(math.cos(math.radians(LATITUDE)), rel=0.01)


def test_a_grade_along_an_axis(tmp_path):
    # a plane that rises 3 % along the azimuth 20 degrees and falls 2 % to the right of it, grid and ground alike
    axis, grade, cross = math.radians(20.0), 0.03, -0.02
    row, column = np.mgrid[:60, :60]
    east, north = 0.1 * column, -0.1 * row
    along, right = east * math.sin(axis) + north * math.cos(axis), east * math.cos(axis) - north * math.sin(axis)
    local = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["E",EAST],AXIS["N",NORTH]]'
    path = write(tmp_path / "road.tif", 9 + grade * along + cross * right, crs=local, transform=Affine.scale(0.1, -0.1))
    slope, uphill, _ = slope_and_uphill(describe(path), local, np.array([3.0]), np.array([-3.0]))
    assert slope[0] * math.cos(uphill[0] - axis) == pytest.approx(grade, rel=1e-6)
    assert slope[0] * math.sin(uphill[0] - axis) == pytest.approx(cross, rel=1e-6)


# ---------------------------------------------------------------- surfaces round covers


def test_covers_off_the_raster_or_without_a_place_get_nothing(noisy):
    facts, _ = noisy
    east = np.array([500_100.0, 0.0, math.nan, 1e12])
    north = np.array([3_999_900.0, 0.0, math.nan, 1e12])
    jacobians = np.broadcast_to(np.eye(2), (4, 2, 2)).copy()
    jacobians[2] = np.nan
    patches = plan_patches(facts, np.eye(2)[None], Ring(), where="surface")
    reader = RasterReader(facts)
    try:
        grid = read_surface(reader, patches, east, north, jacobians)
    finally:
        reader.close()
    assert np.isfinite(grid.heights[0]).any()
    assert np.isnan(grid.heights[1:]).all()
    assert (np.abs(grid.column) <= 0.5).all()
    assert (np.abs(grid.row) <= 0.5).all()


@pytest.mark.parametrize(("cell", "wanted"), [(0.1, True), (1.0, True), (1.3, False), (2.0, False)])
def test_coarse_rasters_are_refused(tmp_path, cell, wanted):
    transform = Affine(cell, 0, 500_000, 0, -cell, 4_000_000)
    facts = describe(write(tmp_path / "road.tif", ramp(), transform=transform))
    if wanted:
        plan = plan_patches(facts, np.eye(2)[None], Ring(), where="surface.path")
        assert plan.step == pytest.approx(cell)
        assert plan.half * cell >= max(1.5, 2.5 * cell)
        return
    with pytest.raises(InputError, match=f"cells of {cell:.2f} m") as caught:
        plan_patches(facts, np.eye(2)[None], Ring(), where="surface.path")
    assert caught.value.faults[0].where == "surface.path"


# ---------------------------------------------------------------- facts and faults


def test_facts_of_a_plain_raster(tmp_path):
    path = write(tmp_path / "Main Street.tif", ramp(7, 9, "float32"), nodata=-9999)
    facts = describe(path, noise=0.01)
    (tile,) = facts.tiles
    assert (facts.name, facts.width, facts.height, facts.band, facts.noise) == ("Main Street", 9, 7, 1, 0.01)
    assert (tile.path, tile.left, tile.top, tile.width, tile.height) == (str(path), 0, 0, 9, 7)
    assert (tile.dtype, tile.nodata, tile.scale, tile.offset) == ("float32", -9999, 1.0, 0.0)
    assert describe(path, name="existing").name == "existing"
    assert CRS(facts.crs).to_epsg() == 32617


def test_all_faults_are_told_together(tmp_path):
    path = write(tmp_path / "road.tif", ramp(), crs=None, transform=Affine.identity())
    found = faults(path, unit="")
    assert set(found) == {"surface.path", "surface.crs", "surface.vertical_unit"}
    assert "no geotransform" in found["surface.path"].what
    assert found["surface.crs"].remedy == 'write crs = "EPSG:..."'
    assert found["surface.vertical_unit"].allowed == "m, ft, us-ft"


def test_a_band_that_is_not_there(tmp_path):
    fault = faults(write(tmp_path / "road.tif", ramp()), band=3)["surface.band"]
    assert "has 1 bands, not 3" in fault.what
    assert fault.allowed == "1 to 1"


def test_a_crs_from_the_job(tmp_path):
    path = write(tmp_path / "road.tif", ramp(), crs=None)
    assert CRS(describe(path, crs="EPSG:32617").crs).to_epsg() == 32617


def test_a_contradicted_crs(tmp_path):
    path = write(tmp_path / "road.tif", ramp())
    assert describe(path, crs="EPSG:32617").crs == describe(path).crs
    fault = faults(path, crs="EPSG:32618")["surface.crs"]
    assert "zone 18N" in fault.what
    assert "zone 17N" in fault.what


def test_units_of_a_compound_crs(tmp_path):
    # EPSG:6360 is NAVD88 height in US survey feet, EPSG:8228 the same in feet, EPSG:5703 in metres
    for code, unit in (("6360", "us-ft"), ("8228", "ft"), ("5703", "m")):
        path = write(tmp_path / f"{code}.tif", ramp(), crs=f"EPSG:2263+{code}")
        facts = describe(path, unit="")
        assert (facts.vertical_unit, datum_name(facts.vertical_datum)) == (unit, "North American Vertical Datum 1988")
        assert not CRS(facts.crs).is_compound


def test_a_contradicted_vertical_unit(tmp_path):
    path = write(tmp_path / "road.tif", ramp(), crs="EPSG:2263+6360")
    assert describe(path, unit="us-ft").vertical_unit == "us-ft"
    fault = faults(path, unit="ft")["surface.vertical_unit"]
    assert "the job says ft" in fault.what
    assert "says us-ft" in fault.what


def test_complex_cells_are_no_heights(tmp_path):
    path = write(tmp_path / "road.tif", ramp().astype("complex64"))
    assert "complex64" in faults(path)["surface.path"].what


def test_one_giant_strip_is_refused(tmp_path):
    path, width, height = tmp_path / "road.tif", 20_000, 4_000  # GDAL stores it in strips of 3999 rows and of 1
    made = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:32617", "transform": NORTH_UP}
    with rasterio.open(path, "w", width=width, height=height, blockysize=height - 1, sparse_ok=True, **made):
        pass
    assert path.stat().st_size < 2**20
    fault = faults(path)["surface.path"]
    assert "3999 x 20000 cells, 305 MiB" in fault.what
    assert "tiled" in fault.remedy
    assert 4 * width * (height - 1) > surfaces.LARGEST_BLOCK


def test_a_text_named_tif_is_refused(tmp_path):
    (tmp_path / "road.tif").write_text("<VRTDataset/>")
    assert "surface" in faults(tmp_path / "road.tif")

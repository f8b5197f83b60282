"""Lidar deliveries: what headers say, what is refused, and exact sums of the points round structures.

Files are made by laspy; the naive twin reads them back whole and adds fractions, one point after the other.
"""

from __future__ import annotations

import os
import shutil
from collections import defaultdict
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from geoadjust.core.cloud import merge_sums, plan_cells, spread_cells
from geoadjust.core.outline import Outlines
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.heights import datum_name
from geoadjust.io.lidar import gather as gathering
from geoadjust.io.lidar import las
from geoadjust.io.lidar.clouds import describe_cloud, plan_cloud
from geoadjust.io.lidar.gather import gather, recall_sums, spill_sums
from geoadjust.io.lidar.las import find_clouds, is_cloud, read_header

laspy = pytest.importorskip("laspy")

RING = Ring()
METRES, FEET = "EPSG:32617+5703", "EPSG:2263+6360"
US_FOOT = 1200 / 3937
CORNER = 500_000.0, 4_000_000.0


def write(
    path,
    points,
    *,
    kind=2,
    crs=METRES,
    keys=None,
    scale=0.001,
    offset=(500_000.0, 4_000_000.0, 0.0),
    point_format=6,
    version="1.4",
    **fields,
):
    """A file of points (3, k): easting, northing, height in its own units; `keys` are GeoTIFF keys and their values."""
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales, header.offsets = np.broadcast_to(scale, 3).astype(float), np.array(offset, dtype=float)
    if crs:
        header.vlrs.append(laspy.vlrs.known.WktCoordinateSystemVlr(CRS(crs).to_wkt("WKT1_GDAL")))
    if keys:
        record = laspy.vlrs.known.GeoKeyDirectoryVlr()
        entries = [laspy.vlrs.known.GeoKeyEntryStruct(id=key, tiff_tag_location=0, count=1) for key in keys]
        for entry, value in zip(entries, keys.values(), strict=True):
            entry.value_offset = value
        record.geo_keys, record.geo_keys_header.number_of_keys = entries, len(entries)
        header.vlrs.append(record)
    file = laspy.LasData(header)
    file.x, file.y, file.z = np.asarray(points, dtype=float)
    file.classification = np.broadcast_to(kind, len(file.x)).astype(np.uint8)
    file.return_number = fields.pop("return_number", np.ones(len(file.x), dtype=np.uint8))
    for name, values in fields.items():
        setattr(file, name, values)
    file.write(str(path))
    return str(path)


def scatter(count=4000, *, side=12.0, seed=0, corner=CORNER, road=lambda e, n: 50 + 0.02 * e - 0.03 * n, foot=1.0):
    """Points (3, k) of a road, evenly over a square whose corner is `corner` [units of `foot` m]."""
    east, north = np.random.default_rng(seed).uniform(0, side, (2, count))
    return np.stack([corner[0] + east / foot, corner[1] + north / foot, road(east, north) / foot])


def describe(path, **table):
    return describe_cloud(SurfaceTable(path, **table), where="surface")


def faults(path, **table):
    with pytest.raises(InputError) as caught:
        describe(path, **table)
    return [str(fault) for fault in caught.value.faults]


def covers(n=4, *, seed=1, side=12.0, corner=CORNER, foot=1.0):
    """Places (n,) in the square, in units of the file, and their offsets from its corner [m]."""
    east, north = np.random.default_rng(seed).uniform(1, side - 1, (2, n))
    return corner[0] + east / foot, corner[1] + north / foot, east, north


def square(n, jacobian=1.0):
    return np.ascontiguousarray(np.broadcast_to(np.eye(2) * jacobian, (n, 2, 2)))


def gathered(path, east, north, jacobians, *, cell=0.25, classes=(2,), **table):
    facts = describe(path, **table)
    plan = plan_cloud(facts, RING, cell=cell, where="surface")
    sums = merge_sums(list(gather(facts, plan, east, north, jacobians, classes=classes, where="surface")))
    return facts, plan, sums


def same(one, other):
    assert (one.key == other.key).all()
    assert (one.total == other.total).all()


# ---------------------------------------------------------------- headers


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize(("point_format", "version"), [(0, "1.2"), (3, "1.2"), (1, "1.3"), (6, "1.4"), (8, "1.4")])
def test_facts_are_those_of_the_header(tmp_path, ending, point_format, version):
    points = scatter(900)
    returns = np.where(np.arange(900) < 600, 1, 2)
    path = write(tmp_path / f"a.{ending}", points, point_format=point_format, version=version, return_number=returns)
    facts = describe(path)
    (file,) = facts.files
    assert (file.header.points, file.header.pulses, file.header.version) == (900, 600, version)
    west, south, east, north = file.header.bounds
    assert (west, south) == pytest.approx(points[:2].min(axis=1), abs=6e-4)
    assert (east, north) == pytest.approx(points[:2].max(axis=1), abs=6e-4)
    assert file.header.scale == (0.001, 0.001, 0.001)
    assert (facts.vertical_unit, facts.vertical_datum) == ("m", "EPSG:5703")
    assert CRS(facts.crs) == CRS("EPSG:32617")
    assert (facts.name, facts.path) == ("a", path)
    assert facts.density == pytest.approx(600 / 144, rel=0.02)
    assert facts.fingerprint.startswith("sha256:")


def test_density_is_per_square_metre_in_feet_and_degrees_too(tmp_path):
    feet = write(tmp_path / "f.laz", scatter(900, foot=US_FOOT), crs=FEET)
    assert describe(feet).density == pytest.approx(900 / 144, rel=0.02)
    degree = np.array([1 / (111_320 * np.cos(np.radians(36))), 1 / 111_320])
    east, north = np.random.default_rng(0).uniform(0, 12, (2, 900)) * degree[:, None]
    points = [-81 + east, 36 + north, np.full(900, 5.0)]
    degrees = write(tmp_path / "d.laz", points, crs="EPSG:4326", scale=(1e-9, 1e-9, 0.001), offset=(-81, 36, 0))
    assert describe(degrees, vertical_unit="m").density == pytest.approx(900 / 144, rel=0.02)


@pytest.mark.parametrize(
    ("keys", "unit", "datum"),
    [
        ({3072: 32617, 4096: 5703}, "m", "North American Vertical Datum 1988"),
        ({3072: 2263, 4096: 6360, 4099: 9003}, "us-ft", "North American Vertical Datum 1988"),
        ({3072: 2263, 4099: 9003}, "us-ft", ""),
        ({3072: 2263, 4096: 5103, 4099: 9002}, "ft", ""),  # a code of the first GeoTIFF, no EPSG CRS
        ({3072: 32617, 4096: 32767, 4099: 9001}, "m", ""),
    ],
)
def test_geotiff_keys_say_crs_and_unit(tmp_path, keys, unit, datum):
    # OGC GeoTIFF 1.1: 3072 projected CRS, 4096 vertical CRS, 4099 unit: 9001 m, 9002 foot, 9003 US survey foot
    path = write(tmp_path / "a.las", scatter(10), crs="", keys=keys, point_format=1, version="1.2")
    facts = describe(path)
    named = datum_name(facts.vertical_datum) if facts.vertical_datum else ""
    assert (facts.vertical_unit, named) == (unit, datum)
    assert CRS(facts.crs) == CRS(keys[3072])


def test_what_a_file_does_not_say_must_stand_in_the_job(tmp_path):
    bare = write(tmp_path / "bare.laz", scatter(10), crs="")
    flat = write(tmp_path / "flat.laz", scatter(10), crs="EPSG:32617")
    doubtful = write(tmp_path / "doubt.laz", scatter(10), crs="", keys={3072: 32617, 4096: 5703, 4099: 9003})
    assert any("states no CRS" in fault for fault in faults(bare, vertical_unit="m"))
    assert describe(bare, crs="EPSG:32617", vertical_unit="m").vertical_unit == "m"
    for path in (flat, doubtful):
        (fault,) = faults(path)
        assert fault.startswith("surface.vertical_unit: missing")
    assert describe(flat, vertical_unit="us-ft").to_metres == pytest.approx(US_FOOT, abs=1e-15)
    (fault,) = faults(write(tmp_path / "a.laz", scatter(10)), vertical_unit="ft")
    assert "the job says ft" in fault
    (fault,) = faults(flat, vertical_unit="m", crs="EPSG:2263")
    assert fault.startswith("surface.crs: the job says NAD83")


def test_a_crs_in_a_record_after_the_points_counts(tmp_path):
    header = laspy.LasHeader(point_format=6, version="1.4")
    file = laspy.LasData(header)
    file.x, file.y, file.z = scatter(20) - np.array([[500_000.0], [4_000_000.0], [0.0]])
    file.evlrs = laspy.vlrs.vlrlist.VLRList([laspy.vlrs.known.WktCoordinateSystemVlr(CRS(METRES).to_wkt("WKT1_GDAL"))])
    file.write(str(tmp_path / "a.laz"))
    assert CRS(read_header(str(tmp_path / "a.laz"), where="x").crs) == CRS(METRES)


# ---------------------------------------------------------------- files


def test_a_delivery_is_a_file_a_folder_or_a_list(tmp_path):
    folder = tmp_path / "tiles"
    folder.mkdir()
    names = ("b 2.laz", "b 10.LAZ", "a.las")
    paths = [write(folder / name.lower(), scatter(10, seed=i)) for i, name in enumerate(names)]
    os.rename(paths[1], folder / names[1])
    (folder / ".hidden.laz").write_bytes(b"LASF")
    (folder / "index.tif").write_bytes(b"II*\0")
    assert [os.path.basename(name) for name in find_clouds(str(folder), where="x").files] == [
        "a.las",
        "b 10.LAZ",
        "b 2.laz",
    ]
    facts = describe(str(folder))
    assert (len(facts.files), facts.name) == (3, "tiles")
    assert is_cloud(str(folder))
    assert is_cloud(("x.laz", "y.tif"))
    assert not is_cloud(str(tmp_path))
    assert not is_cloud("https://example.org/tiles")
    listing = tmp_path / "list.txt"
    listing.write_text("tiles/a.las\ntiles/b 2.laz\n")
    assert len(describe(str(listing)).files) == 2
    assert len(describe((paths[0], paths[2])).files) == 2
    assert describe((paths[0], paths[2])).fingerprint != describe((paths[2], paths[0])).fingerprint


def test_files_of_one_delivery_agree(tmp_path):
    first = write(tmp_path / "a.laz", scatter(10))
    others = [write(tmp_path / f"{name}.laz", scatter(10), crs="EPSG:32618+5703") for name in "bcdefg"]
    unit = write(tmp_path / "h.laz", scatter(10), crs="EPSG:32617+8228")
    datum = write(tmp_path / "i.laz", scatter(10), crs="EPSG:32617+5701")
    found = faults((first, *others, unit, datum))
    assert len(found) == 3
    assert "b.laz says WGS 84 / UTM zone 18N" in found[0]
    assert "(the same: c.laz, d.laz, e.laz and 2 more)" in found[0]
    assert found[1].startswith("surface.vertical_unit:")
    assert found[2].startswith("surface.vertical_datum:")


def test_a_file_without_points_is_passed_over_unless_it_is_the_only_one(tmp_path):
    empty = write(tmp_path / "a.las", np.empty((3, 0)))
    (fault,) = faults(empty)
    assert fault == f"surface.path: {empty} holds no point"
    full = write(tmp_path / "b.las", scatter(10))
    assert [file.header.path for file in describe((empty, full)).files] == [full]


def test_what_is_no_file_of_points_is_refused(tmp_path):
    pipe = tmp_path / "pipe.laz"
    os.mkfifo(pipe)
    nothing = tmp_path / "nothing.laz"
    nothing.touch()
    text = tmp_path / "text.las"
    text.write_text("east,north,height\n" * 40)
    folder = tmp_path / "folder"
    folder.mkdir()
    expected = {
        str(pipe): "a pipe",
        str(nothing): "is empty",
        str(text): "does not begin like a LAS file",
        str(folder): "holds no .las or .laz",
        str(tmp_path / "gone.laz"): "is missing",
        "https://example.org/a.laz": "is not a local file",
        "/vsicurl/a.laz": "is not a local file",
    }
    for path, words in expected.items():
        (fault,) = faults(path)
        assert fault.startswith("surface.path: ")
        assert words in fault


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_file_that_is_cut_off_is_refused_before_a_point_is_read(tmp_path, ending):
    whole = write(tmp_path / f"whole.{ending}", scatter(3000))
    size = os.path.getsize(whole)
    for length in [5, 90, 226, 227, 374, 375, 400, 1000, size // 3, size // 2, size - 300, size - 1]:
        path = tmp_path / f"cut.{ending}"
        path.write_bytes(Path(whole).read_bytes()[:length])
        assert len(faults(str(path))) == 1


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_damaged_file_gives_a_fault_or_points_and_nothing_else(tmp_path, ending, capfd):
    whole = Path(write(tmp_path / f"whole.{ending}", scatter(3000))).read_bytes()
    rng, path, refused = np.random.default_rng(7), tmp_path / f"bad.{ending}", []
    east, north, *_ = covers()
    for trial in range(60):
        damaged = bytearray(whole)
        last = len(whole) if trial % 2 else 1500
        for place in rng.integers(0, last, 6):
            damaged[place] = rng.integers(256)
        path.write_bytes(damaged)
        try:
            with np.errstate(all="ignore"):
                gathered(str(path), east, north, square(4), crs="" if trial % 3 else "EPSG:32617", vertical_unit="m")
        except InputError as error:
            refused.append(error.faults)
    assert len(refused) > 10
    assert all(isinstance(fault, Fault) for faults in refused for fault in faults)
    assert "Traceback" not in capfd.readouterr().err


def test_a_table_of_compressed_points_is_not_believed_beyond_the_file(tmp_path):
    # the unpacker makes room for as many pieces as stand there: 2^32 of them would be 64 GB
    whole = Path(write(tmp_path / "whole.laz", scatter(3000))).read_bytes()
    begin = int.from_bytes(whole[96:100], "little")
    table = int.from_bytes(whole[begin : begin + 8], "little")
    path = tmp_path / "bad.laz"
    many, back, late = bytearray(whole), bytearray(whole), bytearray(whole) + whole[begin : begin + 8]
    many[table + 4 : table + 8] = b"\xff" * 4
    back[begin : begin + 8] = b"\0" * 8
    for damaged in (many, back):
        path.write_bytes(damaged)
        assert "cut off or corrupt" in faults(str(path))[0]
    late[begin : begin + 8] = b"\xff" * 8  # as written where the file cannot be gone back in
    path.write_bytes(late)
    place = covers()[:2]
    same(gathered(str(path), *place, square(4))[2], gathered(str(tmp_path / "whole.laz"), *place, square(4))[2])


def test_a_panic_of_the_unpacker_is_a_fault_and_an_interrupt_is_none():
    panic = type("PanicException", (BaseException,), {})
    with (
        pytest.raises(InputError, match=r"a\.laz is cut off or corrupt \(index out of bounds\)"),
        las._reading("a.laz", "x"),
    ):
        raise panic("index out of bounds")
    with pytest.raises(KeyboardInterrupt), las._reading("a.laz", "x"):
        raise KeyboardInterrupt


def test_without_the_library_the_remedy_is_told(tmp_path, monkeypatch):
    path = write(tmp_path / "a.laz", scatter(10))

    def missing(name):
        raise ImportError(name)

    monkeypatch.setattr(las, "import_module", missing)
    (fault,) = faults(path)
    assert "geoadjust[lidar]" in fault
    monkeypatch.undo()
    monkeypatch.setattr(laspy.LazBackend, "detect_available", lambda: ())
    (fault,) = faults(path)
    assert "geoadjust[lidar]" in fault
    assert describe(write(tmp_path / "a.las", scatter(10))).name == "a"


# ---------------------------------------------------------------- points


def naive(path, plan, east, north, inverse):
    """Sums by structure, row and column, with fractions; the cell by the definition."""
    found = defaultdict(lambda: [0, Fraction(0), Fraction(0), Fraction(0)])
    file = laspy.read(path)
    scales, offsets = ([Fraction(repr(float(v))) for v in part] for part in (file.header.scales, file.header.offsets))
    keep = (np.asarray(file.classification) == 2) & (np.asarray(file.withheld) == 0) & (np.asarray(file.synthetic) == 0)
    steps = np.stack([file.X, file.Y, file.Z])[:, keep].T.tolist()
    for point in steps:
        place = [step * scale + offset for step, scale, offset in zip(point, scales, offsets, strict=True)]
        for one in range(len(east)):
            off = [place[0] - Fraction(float(east[one])), place[1] - Fraction(float(north[one]))]
            column, row = (inverse[one] @ [float(v) for v in off] / plan.cell + 0.5 + plan.half).tolist()
            if 0 <= column < plan.size and 0 <= row < plan.size:
                cell = found[one, int(row), int(column)]
                for index, value in enumerate((1, *off, place[2])):
                    cell[index] += value
    return found


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize("turn", [0.0, 0.6])
def test_sums_are_those_of_a_naive_twin(tmp_path, ending, turn):
    rng = np.random.default_rng(4)
    points = scatter(1500, side=40.0, corner=(999_990.0, 210_000.0), foot=US_FOOT)
    path = write(
        tmp_path / f"a.{ending}",
        points,
        crs=FEET,
        kind=rng.choice([1, 2, 2, 2], 1500),
        withheld=rng.random(1500) < 0.1,
        synthetic=rng.random(1500) < 0.1,
        scale=0.01,
        offset=(999_000.0, 210_000.0, 0.0),
    )
    east, north, *_ = covers(7, side=8.0, corner=(999_990.0, 210_000.0), foot=US_FOOT)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) / US_FOOT
    jacobians = np.ascontiguousarray(np.broadcast_to(matrix, (7, 2, 2)))
    facts, plan, sums = gathered(path, east, north, jacobians, cell=0.5)
    surface = spread_cells(sums, plan, east, north, jacobians, facts.to_metres)
    inverse = np.linalg.inv(jacobians)
    expected = naive(path, plan, east, north, inverse)
    assert len(sums) == len(expected) == np.isfinite(surface.height).sum() > 40
    for place, (count, right, up, height) in expected.items():
        off = inverse[place[0]] @ [float(right / count), float(up / count)]
        assert [surface.east[place], surface.north[place]] == pytest.approx(off, abs=1e-9)
        assert surface.height[place] == pytest.approx(float(height / count) * US_FOOT, abs=1e-9)
    assert sums.total[0].tolist() == [
        expected[divmod(key, plan.size**2)[0], *divmod(key % plan.size**2, plan.size)][0] for key in sums.key.tolist()
    ]


def test_chunks_tiles_order_and_packing_do_not_change_a_bit(tmp_path, monkeypatch):
    points = scatter(6000).round(3)
    whole = write(tmp_path / "whole.laz", points)
    east, north, *_ = covers(9)
    jacobians = square(9, 1.0001)
    _, plan, sums = gathered(whole, east, north, jacobians)
    assert sums.total[0].max() > 2
    part = np.random.default_rng(0).integers(0, 3, 6000)
    offsets = [(500_000.0, 4_000_000.0, 0.0), (500_003.217, 4_000_001.5, 40.0), (0.0, 3_900_000.0, -7.001)]
    tiles = [
        write(
            tmp_path / f"{i}.{'laz' if i else 'las'}", points[:, part == i], scale=(0.001, 0.001, 0.0005)[i], offset=o
        )
        for i, o in enumerate(offsets)
    ]
    same(gathered(tuple(tiles), east, north, jacobians)[2], sums)
    same(gathered(tuple(reversed(tiles)), east, north, jacobians)[2], sums)
    monkeypatch.setattr(las, "CHUNK_BYTES", 30 * 17)
    same(gathered(whole, east, north, jacobians)[2], sums)
    order = np.random.default_rng(1).permutation(9)
    _, _, turned = gathered(whole, east[order], north[order], jacobians)
    tables = [
        spread_cells(s, plan, e, n, jacobians, 1.0)
        for s, e, n in ((sums, east, north), (turned, east[order], north[order]))
    ]
    for name in ("east", "north", "height"):
        assert np.array_equal(getattr(tables[0], name)[order], getattr(tables[1], name), equal_nan=True)


def test_pieces_kept_on_disk_are_the_same_sums(tmp_path, monkeypatch):
    path = write(tmp_path / "a.laz", scatter(6000))
    east, north, *_ = covers(9)
    facts, plan, sums = gathered(path, east, north, square(9))
    monkeypatch.setattr(las, "CHUNK_BYTES", 30 * 500)
    monkeypatch.setattr(gathering, "MOST_SUMS", 300)
    pieces = list(gather(facts, plan, east, north, square(9), where="surface"))
    assert len(pieces) > 3
    assert max(map(len, pieces)) < len(sums)
    same(merge_sums(pieces), sums)
    spill_sums(pieces, tmp_path, [4, 4, 9], plan)
    for run, (first, last) in enumerate([(0, 4), (4, 4), (4, 9)]):
        same(recall_sums(tmp_path, run), sums.between(first, last, plan))


def test_only_files_near_a_structure_are_opened(tmp_path, monkeypatch):
    tiles = [
        write(tmp_path / f"{i}.laz", scatter(2000, seed=i, corner=(CORNER[0] + 12 * i, CORNER[1]))) for i in range(4)
    ]
    opened = []

    def spied(path, *args, **more):
        opened.append(path)
        return las.read_points(path, *args, **more)

    monkeypatch.setattr(gathering, "read_points", spied)
    east, north = np.array([500_011.0, 500_030.0, np.nan]), np.array([4_000_006.0, 4_000_006.0, 4_000_006.0])
    facts, plan, sums = gathered(tuple(tiles), east, north, square(3))
    assert opened == tiles[:3]  # the first structure lies 1 m from the second tile
    assert (sums.points(3, plan) > 0).tolist() == [True, True, False]
    assert facts.group_of(east, north).tolist() == [0, 2, -1]
    assert facts.covers(east, north).tolist() == [True, True, False]


def test_a_structure_without_points_is_data(tmp_path):
    path = write(tmp_path / "a.laz", scatter(4000))
    east, north = np.array([500_006.0, 500_900.0, np.nan, 500_006.0]), np.full(4, 4_000_006.0)
    jacobians = square(4)
    jacobians[3] = np.nan
    facts, plan, sums = gathered(path, east, north, jacobians)
    surface = spread_cells(sums, plan, east, north, jacobians, facts.to_metres)
    assert np.isfinite(surface.height).any(axis=(1, 2)).tolist() == [True, False, False, False]
    blank = np.full(4, np.nan)
    models = fit_roads(surface.samples(np.full(4, 0.4575), RING), RING, Outlines(np.full(4, 0.66), blank, blank))
    assert models.source.tolist() == [0, -1, -1, -1]
    nowhere = gathered(path, east[1:2], north[1:2], jacobians[1:2])[2]
    assert len(nowhere) == 0


def test_classes_flags_and_wild_heights(tmp_path):
    points = np.repeat([[500_006.0], [4_000_006.0], [50.0]], 8, axis=1)
    points[2, 6:] = [9100.0, -600.0]
    path = write(
        tmp_path / "a.laz",
        points,
        kind=[2, 2, 2, 11, 11, 7, 2, 2],
        withheld=[0, 1, 0, 0, 0, 0, 0, 0],
        synthetic=[0, 0, 1, 0, 0, 0, 0, 0],
    )
    place = np.array([500_006.0]), np.array([4_000_006.0]), square(1)
    for classes, count in (((2,), 1), ((11,), 2), ((2, 11), 3), ((7, 200), 1)):
        assert gathered(path, *place, classes=classes)[2].total[0].tolist() == [count]


@pytest.mark.parametrize(("point_format", "version"), [(1, "1.2"), (6, "1.4")])
def test_without_a_ground_class_the_classes_are_told(tmp_path, point_format, version):
    kind = np.where(np.arange(4000) < 3900, 1, 6)
    path = write(tmp_path / "a.laz", scatter(4000), kind=kind, point_format=point_format, version=version)
    east, north, *_ = covers()
    with pytest.raises(InputError) as caught:
        gathered(path, east, north, square(4))
    (fault,) = caught.value.faults
    assert fault.where == "surface.classes"
    assert "no point of class 2" in fault.what
    assert fault.what.endswith("1 (3,900), 6 (100)")
    assert "classes = [...]" in fault.remedy
    assert len(gathered(path, east, north, square(4), classes=(1, 6))[2])
    assert len(gathered(path, east + 500, north, square(4))[2]) == 0  # no structure near: nothing is said of classes


def test_a_file_that_vanishes_is_a_fault(tmp_path):
    path = write(tmp_path / "a.laz", scatter(50))
    facts = describe(path)
    os.remove(path)
    with pytest.raises(InputError, match="is missing"):
        list(gather(facts, plan_cells(0.25, RING), *covers()[:2], square(4), where="surface"))


def test_cells_are_stated_or_chosen_from_the_density(tmp_path):
    dense, sparse = (write(tmp_path / f"{n}.laz", scatter(n)) for n in (7200, 200))
    facts = describe(dense)
    assert plan_cloud(facts, RING, where="surface").cell == 0.25  # 50 pulses per square metre, three in a cell
    assert plan_cloud(facts, RING, cell=0.4, where="surface").cell == 0.4
    with pytest.raises(InputError, match=r"cells of 1\.\d+ m: .* has 1\.\d pulses per square metre"):
        plan_cloud(describe(sparse), RING, where="surface")


# ---------------------------------------------------------------- roads

ROADS = {
    "tilted": (lambda e, n: 50 + 0.02 * e - 0.03 * n, 5e-4),
    "crowned": (lambda e, n: 50 - 0.025 * np.abs(e - 6.2) + 0.01 * n, 6e-4),
    "twisted": (lambda e, n: 50 + 0.02 * e + 0.002 * (e - 6) * (n - 6), 2e-3),
}


@pytest.mark.parametrize("foot", [1.0, US_FOOT], ids=["m", "us-ft"])
@pytest.mark.parametrize(("road", "slack"), ROADS.values(), ids=ROADS)
def test_a_road_comes_back_through_a_file(tmp_path, road, slack, foot):
    # steps of a millimetre (or of 0.001 ft) and the width of a cell are all that is lost
    corner = CORNER if foot == 1 else (999_000.0, 210_000.0)
    path = write(
        tmp_path / "a.laz",
        scatter(60_000, road=road, corner=corner, foot=foot),
        crs=METRES if foot == 1 else FEET,
        offset=(*corner, 0.0),
    )
    east, north, right, up = covers(12, side=9.0, corner=(corner[0] + 1.5 / foot, corner[1] + 1.5 / foot), foot=foot)
    jacobians = square(12, 1 / foot)
    facts, plan, sums = gathered(path, east, north, jacobians, cell=0)
    assert plan.cell == 0.1
    surface = spread_cells(sums, plan, east, north, jacobians, facts.to_metres)
    blank = np.full(12, np.nan)
    models = fit_roads(surface.samples(np.full(12, 0.4575), RING), RING, Outlines(np.full(12, 0.66), blank, blank))
    assert (models.source == 0).all()
    heights = surface.levelled(models).heights_at(*np.zeros((2, 12, 1)))[:, 0]
    assert heights == pytest.approx(road(right + 1.5, up + 1.5), abs=slack)


def test_a_copy_under_another_name_is_the_same_survey(tmp_path):
    path = write(tmp_path / "a.laz", scatter(50))
    shutil.copy(path, tmp_path / "b.laz")
    assert describe(path).fingerprint == describe(str(tmp_path / "b.laz")).fingerprint

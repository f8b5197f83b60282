"""CRS door and ground frames: truth from geodesics on the ellipsoid, published formulas and definitions."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from geoadjust.errors import InputError
from geoadjust.io.coordinates.crs import (
    horizontal,
    horizontal_unit_of,
    read_crs,
    same_crs,
    vertical_name_of,
    vertical_unit_of,
)
from geoadjust.io.coordinates.georeference import Georeference

LOCAL = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["E",EAST],AXIS["N",NORTH]]'
LOCAL_FEET = 'LOCAL_CS["site grid",UNIT["foot",0.3048],AXIS["E",EAST],AXIS["N",NORTH]]'


def georeference(structures: str, target: str) -> Georeference:
    return Georeference(
        read_crs(structures, where="structures.crs"), read_crs(target, where="surface.crs"), where="job"
    )


def places(code: str, longitude: float, latitude: float, count: int = 40, spread: float = 0.2):
    """Points of a CRS around a place, by its own longitude and latitude (degrees from Greenwich, about)."""
    rng = np.random.default_rng(20)
    lon, lat = (middle + rng.uniform(-spread, spread, count) for middle in (longitude, latitude))
    return Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(lon, lat)


def walk(code: str, east, north, azimuth, metres: float):
    """Walk on the CRS's own ellipsoid from points of the CRS: azimuth [rad] from true north, clockwise."""
    crs, geodetic = CRS(code), CRS(code).geodetic_crs
    degrees = math.degrees(geodetic.axis_info[0].unit_conversion_factor)
    to_map = Transformer.from_crs(geodetic, crs, always_xy=True)
    lon, lat = to_map.transform(east, north, direction="INVERSE")
    geod = Geod(a=crs.ellipsoid.semi_major_metre, b=crs.ellipsoid.semi_minor_metre)
    lon, lat, _ = geod.fwd(lon * degrees, lat * degrees, np.degrees(azimuth), np.full(np.shape(east), metres))
    return to_map.transform(lon / degrees, lat / degrees)


# ---------------------------------------------------------------- read

NONSENSE = ["nonsense", "", " ", "EPSG:999999", "2263", "+init=epsg:4326", "init=EPSG:4326", "EPSG:2263\0", "\ud800"]
NONSENSE += ["{bad", "{}", "[1]", "GEOGCS[", "EPSG:1188", "/etc/hostname", "+proj=utm +zone=99", "WGS 84 / UTM zone 1"]
NONSENSE += ["x" * 9999]


@pytest.mark.parametrize(
    "text",
    NONSENSE,
)
def test_nonsense_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(InputError) as caught:
        read_crs(text, where="surface.crs")
    (fault,) = caught.value.faults
    assert fault.where == "surface.crs"
    assert fault.what
    assert "EPSG" in fault.allowed
    assert fault.remedy
    assert len(str(fault)) < 400


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_a_crs_or_a_fault(text: str) -> None:
    fault: InputError | None = None
    try:
        read_crs(text, where="x")
    except InputError as error:
        fault = error
    assert fault is None or str(fault).startswith("x: ")


@pytest.mark.parametrize("version", ["WKT1_ESRI", "WKT1_GDAL", "WKT2_2019"])
@pytest.mark.parametrize("code", ["EPSG:2263", "EPSG:4326", "EPSG:3346", "EPSG:31467"])
def test_one_crs_in_every_dialect_is_the_same(code: str, version: str) -> None:
    wkt = read_crs(code, where="x").to_wkt(version)
    assert same_crs(read_crs(wkt, where="x"), CRS(code))


def test_the_network_is_off() -> None:
    assert not pyproj.network.is_network_enabled()


# ---------------------------------------------------------------- parts and units


@pytest.mark.parametrize(
    ("code", "unit", "name"),
    [
        ("EPSG:2263+6360", "us-ft", "North American Vertical Datum 1988"),
        ("EPSG:2263+8228", "ft", "North American Vertical Datum 1988"),
        ("EPSG:2263+5703", "m", "North American Vertical Datum 1988"),
        ("EPSG:8767", "us-ft", "North American Vertical Datum 1988"),
        ("EPSG:7415", "m", "Normaal Amsterdams Peil"),
        ("EPSG:5703", "m", "North American Vertical Datum 1988"),
        ("EPSG:4979", "m", "ellipsoidal height, World Geodetic System 1984 ensemble"),
        ("EPSG:2263", None, None),
        ("EPSG:4326", None, None),
    ],
)
def test_vertical_part(code: str, unit: str | None, name: str | None) -> None:
    assert vertical_unit_of(CRS(code)) == unit
    assert vertical_name_of(CRS(code)) == name


def test_vertical_part_under_an_attached_geoid() -> None:
    text = "+proj=utm +zone=17 +ellps=GRS80 +towgs84=0,0,0 +geoidgrids=none.gtx +vunits=us-ft +type=crs"
    crs = read_crs(text, where="x")
    assert vertical_unit_of(crs) == "us-ft"
    assert horizontal_unit_of(crs) == "m"


def test_an_attached_datum_shift_does_not_make_another_crs() -> None:
    plain = CRS("EPSG:27700").to_wkt("WKT1_GDAL")
    spheroid = 'AUTHORITY["EPSG","7001"]]'
    assert spheroid in plain
    shifted = CRS(plain.replace(spheroid, spheroid + ",TOWGS84[446.448,-125.157,542.06,0.15,0.247,0.842,-20.489]"))
    assert shifted.is_bound
    assert same_crs(shifted, CRS("EPSG:27700"))
    assert horizontal_unit_of(shifted) == "m"
    geo = Georeference(shifted, CRS("EPSG:4326"), where="x", bounds=(4e5, 3e5, 4.1e5, 3.1e5))
    other = georeference("EPSG:27700", "EPSG:4326")  # EPSG 1314 has the same seven parameters
    point = np.array([4e5]), np.array([3e5])
    assert np.abs(np.stack(geo.to_target(*point)) - np.stack(other.to_target(*point))).max() < 1e-9
    assert np.abs(geo.jacobians(*point) - other.jacobians(*point)).max() < 1e-13


@pytest.mark.parametrize("code", ["EPSG:5715", "EPSG:5195"])
def test_depths_and_odd_vertical_units_are_refused(code: str) -> None:
    text = {"EPSG:5195": 'VERT_CS["v",VERT_DATUM["d",2005],UNIT["fathom",1.8288],AXIS["H",UP]]'}.get(code, code)
    with pytest.raises(InputError, match=r"surface\.crs: .*(down|fathom).*->"):
        vertical_unit_of(CRS(text), where="surface.crs")


@pytest.mark.parametrize(
    ("code", "unit"),
    [
        ("EPSG:32617", "m"),
        ("EPSG:2263", "us-ft"),
        ("EPSG:2263+5703", "us-ft"),
        ("EPSG:2222", "ft"),
        (LOCAL_FEET, "ft"),
        ("EPSG:4326", "degree"),
        ("EPSG:4979", "degree"),
    ],
)
def test_horizontal_unit(code: str, unit: str) -> None:
    assert horizontal_unit_of(CRS(code)) == unit


def test_a_truncated_us_survey_foot_is_still_one_and_a_foot_is_not() -> None:
    wkt = CRS("EPSG:2263").to_wkt("WKT1_GDAL")
    exact = 'UNIT["US survey foot",0.304800609601219'
    assert exact in wkt
    assert horizontal_unit_of(CRS(wkt.replace(exact, 'UNIT["foot of the file",0.3048006'))) == "us-ft"
    assert horizontal_unit_of(CRS(wkt.replace(exact, 'UNIT["foot of the file",0.3048'))) == "ft"


# grad, Clarke's foot, Indian yard, chain, kilometre
@pytest.mark.parametrize("code", ["EPSG:4807", "EPSG:2314", "EPSG:24370", "EPSG:3167", "+proj=utm +zone=17 +units=km"])
def test_other_horizontal_units_are_refused(code: str) -> None:
    with pytest.raises(InputError, match=r"structures: .*->"):
        horizontal_unit_of(CRS(code), where="structures")


@pytest.mark.parametrize("code", ["EPSG:5703", "EPSG:4978"])
def test_without_a_horizontal_part_it_is_refused(code: str) -> None:
    with pytest.raises(InputError, match="no east and north"):
        horizontal(CRS(code))


def test_horizontal_part_has_two_axes() -> None:
    for code in ("EPSG:4979", "EPSG:2263+6360", "EPSG:7415", "EPSG:32617", LOCAL):
        assert len(horizontal(CRS(code)).axis_info) == 2
    assert horizontal(CRS("EPSG:4979")) == CRS("EPSG:4326")


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [
        ("EPSG:2263", "EPSG:2263+6360", True),
        ("EPSG:4326", "OGC:CRS84", True),
        ("EPSG:4979", "EPSG:4326", True),
        (LOCAL, LOCAL, True),
        (LOCAL, LOCAL_FEET, False),
        ("EPSG:32617", "EPSG:26917", False),
        ("EPSG:2263", "EPSG:32118", False),  # the same zone in metres
        ("EPSG:4326", "EPSG:4269", False),
        ("EPSG:32617", "EPSG:32618", False),
    ],
)
def test_same_crs(a: str, b: str, same: bool) -> None:
    assert same_crs(CRS(a), CRS(b)) is same
    assert same_crs(CRS(b), CRS(a)) is same

"""Ways between coordinate systems: operations, ground metres, grid north, against published formulas and geodesics."""

from __future__ import annotations

import math
import pickle
from fractions import Fraction

import numpy as np
import pytest
from pyproj import CRS, Geod, Proj, Transformer

from geoadjust.errors import InputError
from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.coordinates.georeference import Georeference, looks_like_degrees, swapped_hint
from geoadjust.io.coordinates.ground import differences
from geoadjust.io.coordinates.operations import transformer

LOCAL = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["E",EAST],AXIS["N",NORTH]]'
LOCAL_FEET = 'LOCAL_CS["site grid",UNIT["foot",0.3048],AXIS["E",EAST],AXIS["N",NORTH]]'

# structures' CRS, target CRS, a place in both (longitude, latitude)
PAIRS = [
    ("EPSG:32617", "EPSG:32617", -80.2, 40.0),
    ("EPSG:32617", "EPSG:32618", -78.0, 40.0),
    ("EPSG:26917", "EPSG:32617", -80.0, 43.6),
    ("EPSG:2263", "EPSG:2263", -73.9, 40.7),
    ("EPSG:2263", "EPSG:32618", -73.9, 40.7),
    ("EPSG:2263", "EPSG:4326", -73.9, 40.7),
    ("EPSG:32617", "EPSG:3857", -80.2, 40.0),
    ("EPSG:3857", "EPSG:3857", 10.0, 50.0),
    ("EPSG:3857", "EPSG:32632", 10.0, 50.0),
    ("EPSG:4326", "EPSG:4326", 10.0, 50.0),
    ("EPSG:4326", "EPSG:32632", 10.0, 50.0),
    ("EPSG:3346", "EPSG:4326", 24.5, 55.0),
    ("EPSG:31467", "EPSG:25832", 9.2, 50.0),
    ("EPSG:27700", "EPSG:32630", -2.3, 53.0),
    ("EPSG:27572", "EPSG:4326", 2.3, 48.0),  # base CRS in grads from Paris
    ("EPSG:2053", "EPSG:4326", 29.3, -28.0),  # west, south axes
    ("EPSG:5513", "EPSG:4326", 15.0, 50.0),  # south, west axes
    ("EPSG:32733", "EPSG:32734", 17.9, -33.9),
]


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


def test_the_same_crs_keeps_every_bit() -> None:
    east = np.array([583123.123456789, 1 / 3, -0.0, 1e300])
    north = np.array([4412345.987654321, 2 / 3, 0.0, 7.0])
    got = georeference("EPSG:32617", "EPSG:32617+5703").to_target(east, north)
    assert got[0].tobytes() == east.tobytes()
    assert got[1].tobytes() == north.tobytes()
    assert not np.shares_memory(got[0], east)


@pytest.mark.parametrize(("code", "meridian", "easting"), [("EPSG:3346", 24.0, 5e5), ("EPSG:31467", 9.0, 3.5e6)])
def test_easting_comes_first_whatever_the_axis_order(code: str, meridian: float, easting: float) -> None:
    """By the definition of the zones: on the central meridian the easting is the false easting."""
    geodetic = CRS(code).geodetic_crs.to_wkt()
    east, north = georeference(geodetic, code).to_target(np.array([meridian]), np.array([52.0]))
    assert east[0] == pytest.approx(easting, abs=1e-6)
    assert 5.7e6 < north[0] < 5.8e6
    longitude, latitude = georeference(code, geodetic).to_target(east, north)
    assert (longitude[0], latitude[0]) == pytest.approx((meridian, 52.0), abs=1e-10)


@pytest.mark.parametrize("target", ["EPSG:32617", "EPSG:32618", "EPSG:4326", "EPSG:3857"])
def test_nan_and_infinity_become_nan_and_stay_alone(target: str) -> None:
    geo = georeference("EPSG:32617", target)
    east = np.array([6e5, np.nan, 6e5, np.inf, -np.inf, 1e300, 6e5])
    north = np.array([4.4e6, 4.4e6, np.nan, 4.4e6, 4.4e6, np.inf, 4.4e6])
    first, second = geo.to_target(east, north)
    jacobians, convergence = geo.frames(east, north)
    bad = [False, True, True, True, True, True, False]
    for values in (first, second, convergence, jacobians[:, 0, 0], jacobians[:, 1, 0]):
        assert np.isnan(values).tolist() == bad
    assert first[0] == first[-1]


def test_what_cannot_be_carried_is_nan() -> None:
    geo = georeference("EPSG:4326", "EPSG:32617")
    east, north = geo.to_target(np.array([-81.0, -81.0]), np.array([95.0, 40.0]))
    assert np.isnan(east).tolist() == np.isnan(north).tolist() == [True, False]
    for far in (1e14, 1e300):
        assert np.isnan(georeference("EPSG:32617", "EPSG:32618").jacobians(np.array([far]), np.array([far]))).all()


def test_nothing_in_nothing_out_and_shapes_are_checked() -> None:
    geo = georeference("EPSG:32617", "EPSG:4326")
    none = np.empty(0)
    assert geo.jacobians(none, none).shape == (0, 2, 2)
    assert geo.convergence(none, none).shape == geo.to_target(none, none)[0].shape == (0,)
    with pytest.raises(ValueError, match="one length"):
        geo.to_target(np.zeros(2), np.zeros(3))
    with pytest.raises(ValueError, match="arrays"):
        geo.frames(np.zeros((2, 2)), np.zeros((2, 2)))


# ---------------------------------------------------------------- refusals and the run record


def test_a_missing_grid_is_named() -> None:
    bounds = (-80.0, 40.0, -79.0, 41.0)
    with pytest.raises(InputError) as caught:
        Georeference(CRS("EPSG:4267"), CRS("EPSG:4269"), where="surface.crs", bounds=bounds)
    (fault,) = caught.value.faults
    assert fault.where == "surface.crs"
    assert "NAD27" in fault.what
    assert "NAD83" in fault.what
    assert "us_noaa_conus.tif" in fault.remedy
    assert "state the CRS" in fault.remedy
    with pytest.raises(InputError, match=r"\.tif"):
        georeference("EPSG:4267", "EPSG:4269")


@pytest.mark.parametrize("target", ["EPSG:4326", "EPSG:32617"])
def test_an_unknown_datum_is_refused(target: str) -> None:
    with pytest.raises(InputError, match=r"no transformation of known accuracy.*-> state the CRS"):
        georeference("+proj=longlat +ellps=GRS80 +type=crs", target)


def test_a_projection_without_a_way_back_is_refused_for_structures() -> None:
    with pytest.raises(InputError, match="job: "):
        georeference("+proj=airy +datum=WGS84 +type=crs", "EPSG:4326")


def test_a_local_crs_goes_only_with_itself() -> None:
    for pair in ((LOCAL, "EPSG:32617"), ("EPSG:32617", LOCAL), (LOCAL, LOCAL_FEET)):
        with pytest.raises(InputError, match=r"local CRS.*-> bring structures and surface into one CRS"):
            georeference(*pair)
    geo = georeference(LOCAL_FEET, LOCAL_FEET)
    east, north = np.array([100.0, np.nan]), np.array([50.0, 1.0])
    foot = float(1 / Fraction(3048, 10000))
    assert geo.jacobians(east, north)[0] == pytest.approx(np.eye(2) * foot, rel=1e-12)
    assert np.isnan(geo.jacobians(east, north)[1]).all()
    assert geo.convergence(east, north)[0] == 0
    assert geo.to_target(east, north)[0][0] == 100.0


def test_units_that_cannot_be_used_are_refused_on_both_sides() -> None:
    for pair in (("EPSG:4807", "EPSG:4326"), ("EPSG:4326", "EPSG:4807")):
        with pytest.raises(InputError, match="grad"):
            georeference(*pair)


def test_the_run_record_names_the_operation() -> None:
    same = georeference("EPSG:2263", "EPSG:2263+6360")
    assert (same.description, same.accuracy_m, same.missing_grids) == ("none: the same CRS", 0.0, ())
    zones = georeference("EPSG:32617", "EPSG:32618")
    assert "UTM zone 18N" in zones.description
    assert zones.accuracy_m == 0.0
    datums = georeference("EPSG:2263", "EPSG:4326")
    assert "NAD83 to WGS 84" in datums.description
    assert datums.accuracy_m == 4.0  # EPSG operation 1188
    assert "us_noaa_nyhpgn.tif" in datums.missing_grids
    best = georeference("EPSG:32617", "EPSG:26917")
    assert (best.accuracy_m, best.missing_grids) == (4.0, ())
    assert math.isnan(georeference("+proj=utm +zone=17 +ellps=GRS80 +towgs84=1,2,3 +type=crs", "EPSG:4326").accuracy_m)


def test_bounds_choose_the_operation_made_for_the_area() -> None:
    """EPSG 1776, 1777 and 1778: DHDN to ETRS89 for all of West Germany (3 m), its south and its north (1 m)."""
    crs, target = CRS("EPSG:31467"), CRS("EPSG:25832")
    south = Georeference(crs, target, where="x", bounds=(3.5e6, 5.32e6, 3.51e6, 5.33e6))
    north = Georeference(crs, target, where="x", bounds=(3.5e6, 5.97e6, 3.5e6, 5.97e6))
    everywhere = Georeference(crs, target, where="x")
    assert (south.accuracy_m, north.accuracy_m, everywhere.accuracy_m) == (1.0, 1.0, 3.0)
    assert len({south.description, north.description, everywhere.description}) == 3


# ---------------------------------------------------------------- ground frames


@pytest.mark.parametrize(("structures", "target", "longitude", "latitude"), PAIRS)
def test_jacobian_equals_a_walk_on_the_ellipsoid(
    structures: str, target: str, longitude: float, latitude: float
) -> None:
    geo = georeference(structures, target)
    east, north = places(structures, longitude, latitude)
    jacobians, convergence = geo.frames(east, north)
    for azimuth in np.arange(0, 2 * np.pi, np.pi / 6):
        ends = [geo.to_target(*walk(structures, east, north, convergence + azimuth, metres)) for metres in (1, -1)]
        truth = np.stack([(ahead - behind) / 2 for ahead, behind in zip(*ends, strict=True)], axis=1)
        got = jacobians @ np.array([np.sin(azimuth), np.cos(azimuth)])
        error = np.linalg.norm(got - truth, axis=1) / np.linalg.norm(truth, axis=1)
        assert error.max() < 5e-8


@pytest.mark.parametrize(("structures", "target", "longitude", "latitude"), PAIRS)
def test_grid_north_keeps_the_easting(structures: str, target: str, longitude: float, latitude: float) -> None:
    """The definition of grid north, walked: constant easting, growing northing (falling southing)."""
    east, north = places(structures, longitude, latitude)
    convergence = georeference(structures, target).convergence(east, north)
    axes = [axis.direction for axis in CRS(structures).axis_info]
    ahead, behind = (walk(structures, east, north, convergence, metres) for metres in (10, -10))
    moved = np.stack([a - b for a, b in zip(ahead, behind, strict=True)])
    along, fixed = (moved[0], moved[1]) if axes == ["south", "west"] else (moved[1], moved[0])
    assert (along < 0).all() if "south" in axes else (along > 0).all()
    assert np.abs(fixed / along).max() < 1e-8
    assert np.abs(convergence).max() < 0.2


@pytest.mark.parametrize(("code", "longitude", "latitude"), [("EPSG:32617", -79.0, 40.0), ("EPSG:2263", -73.6, 40.8)])
def test_scale_and_convergence_of_conformal_maps(code: str, longitude: float, latitude: float) -> None:
    """J = k I, and k and the convergence with its sign as PROJ's own factors have them."""
    east, north = places(code, longitude, latitude)
    jacobians, convergence = georeference(code, code).frames(east, north)
    lon, lat = Transformer.from_crs(code, CRS(code).geodetic_crs, always_xy=True).transform(east, north)
    factors = Proj(code).get_factors(lon, lat)
    scale = np.asarray(factors.meridional_scale) / CRS(code).axis_info[0].unit_conversion_factor
    assert jacobians[:, 0, 0] == pytest.approx(scale, rel=1e-8)
    assert jacobians[:, 1, 1] == pytest.approx(scale, rel=1e-8)
    assert np.abs(jacobians[:, [0, 1], [1, 0]] / scale[:, None]).max() < 1e-8
    assert np.degrees(convergence) == pytest.approx(np.asarray(factors.meridian_convergence), abs=1e-6)


def test_transverse_mercator_by_snyder() -> None:
    """Snyder 1987, USGS PP 1395, eq. 8-11 (scale); tan(gamma) = tan(dlon) sin(lat) on the sphere; from memory."""
    longitude, latitude = np.array([-83.0, -81.5, -81.0, -79.2]), np.array([25.0, 33.3, 45.0, 52.0])
    east, north = Proj("EPSG:32617")(longitude, latitude)
    jacobians, convergence = georeference("EPSG:32617", "EPSG:32617").frames(east, north)
    ellipsoid, lat, turn = CRS("EPSG:4326").ellipsoid, np.radians(latitude), np.radians(longitude + 81)
    squared = 1 - (ellipsoid.semi_minor_metre / ellipsoid.semi_major_metre) ** 2
    second = squared / (1 - squared)
    c, t, a = second * np.cos(lat) ** 2, np.tan(lat) ** 2, turn * np.cos(lat)
    scale = 1 + (1 + c) * a**2 / 2 + (5 - 4 * t + 42 * c + 13 * c**2 - 28 * second) * a**4 / 24
    assert jacobians[:, 0, 0] == pytest.approx(0.9996 * scale, rel=1e-8)
    assert jacobians[2, 1, 1] == pytest.approx(0.9996, rel=2e-9)
    assert np.tan(convergence) == pytest.approx(np.tan(turn) * np.sin(lat), abs=3e-5)
    assert (np.sign(np.round(convergence, 9)) == [-1, -1, 0, 1]).all()


def lambert(latitude: float) -> tuple[float, float]:
    """Scale and cone constant of EPSG:2263 (standard parallels 41 02 and 40 40): Snyder 1987, eq. 15-1 to 15-4, 15-8,
    from memory."""
    ellipsoid = CRS("EPSG:4269").ellipsoid
    e = math.sqrt(1 - (ellipsoid.semi_minor_metre / ellipsoid.semi_major_metre) ** 2)

    def m(phi: float) -> float:
        return math.cos(phi) / math.sqrt(1 - (e * math.sin(phi)) ** 2)

    def t(phi: float) -> float:
        return math.tan(math.pi / 4 - phi / 2) * ((1 + e * math.sin(phi)) / (1 - e * math.sin(phi))) ** (e / 2)

    one, two, phi = math.radians(41 + 2 / 60), math.radians(40 + 40 / 60), math.radians(latitude)
    n = math.log(m(one) / m(two)) / math.log(t(one) / t(two))
    return m(one) * (t(phi) / t(one)) ** n / m(phi), n


def test_new_york_state_plane_by_snyder() -> None:
    """Scale in US survey feet, convergence n (lon - lon0) with lon0 = 74 W, plus east of it."""
    longitude, latitude = -73.5, 40.72
    east, north = Proj("EPSG:2263")(np.array([longitude]), np.array([latitude]))
    assert east[0] > 984250  # false easting 300000 m
    jacobians, convergence = georeference("EPSG:2263", "EPSG:2263").frames(east, north)
    scale, cone = lambert(latitude)
    assert jacobians[0] == pytest.approx(np.eye(2) * scale * 3937 / 1200, rel=3e-9, abs=1e-8)
    assert convergence[0] == pytest.approx(cone * math.radians(longitude + 74), rel=1e-8)


def test_web_mercator_by_its_published_scale() -> None:
    """EPSG Guidance Note 7-2, Popular Visualisation Pseudo-Mercator: k = R / (nu cos phi), h = R / (rho cos phi), from
    memory. Also what tells it from the sphere: east and north differ by up to 0.7 %."""
    latitude = np.array([0.0, 30.0, 50.0, 60.0])
    east, north = Proj("EPSG:3857")(np.full(4, 10.0), latitude)
    jacobians, convergence = georeference("EPSG:3857", "EPSG:3857").frames(east, north)
    phi, a, f = np.radians(latitude), 6378137.0, 1 / 298.257223563
    w = 1 - f * (2 - f) * np.sin(phi) ** 2
    assert jacobians[:, 0, 0] == pytest.approx(np.sqrt(w) / np.cos(phi), rel=1e-8)
    assert jacobians[:, 1, 1] == pytest.approx(a / (a * (1 - f) ** 2 / w**1.5 * np.cos(phi)), rel=1e-8)
    assert jacobians[0, 1, 1] / jacobians[0, 0, 0] == pytest.approx(1 / (1 - f) ** 2, rel=1e-8)
    assert (convergence == 0).all()


def test_degrees_per_metre() -> None:
    """One degree at 45 degrees: 111.132 km of meridian, 78.847 km of parallel (tables, from memory)."""
    geo = georeference("EPSG:4326", "EPSG:4326")
    (jacobian,) = geo.jacobians(np.array([10.0]), np.array([45.0]))
    assert 1 / jacobian.diagonal() == pytest.approx([78846.8, 111131.8], abs=0.3)
    assert jacobian[0, 1] == jacobian[1, 0] == 0


def test_two_datums_and_two_zones_agree_on_the_ground() -> None:
    """A datum shift of nothing changes J by nothing but the ellipsoids' 1e-9; a zone's J is k times a rotation."""
    east, north = places("EPSG:26917", -79.0, 43.6)
    nad83 = georeference("EPSG:26917", "EPSG:26917").jacobians(east, north)
    wgs84 = georeference("EPSG:26917", "EPSG:32617").jacobians(east, north)
    assert np.abs(nad83 - wgs84).max() < 1e-8
    zone18 = georeference("EPSG:32617", "EPSG:32618")
    jacobians, convergence = zone18.frames(east, north)
    there = georeference("EPSG:32618", "EPSG:32618").frames(*zone18.to_target(east, north))
    turn = convergence - there[1]  # grid azimuth in zone 18 = grid azimuth in zone 17 + turn
    rotation = np.stack([np.cos(turn), np.sin(turn), -np.sin(turn), np.cos(turn)], axis=1).reshape(-1, 2, 2)
    assert np.abs(jacobians - there[0][:, :1, :1] * rotation).max() < 1e-8
    assert np.degrees(turn).max() > 3


@pytest.mark.parametrize("structures", ["EPSG:32617", "EPSG:4326"])
def test_the_same_road_has_the_same_grade_in_every_crs(structures: str) -> None:
    """A plane on the ground, known only through geodesics, fitted through J in four rasters' CRSs: within 1e-6."""
    east, north = places(structures, -73.9, 40.7, count=1)
    wgs84 = Geod(ellps="WGS84")
    azimuth, radius = np.linspace(0, 360, 24, endpoint=False), np.linspace(0.8, 1.5, 24)
    lon, lat = georeference(structures, "EPSG:4326").to_target(east, north)
    ring = wgs84.fwd(np.full(24, lon[0]), np.full(24, lat[0]), azimuth, radius)[:2]
    for target in ("EPSG:32617", "EPSG:32618", "EPSG:2263", "EPSG:4326", "EPSG:3857"):
        geo = georeference(structures, target)
        jacobians, convergence = geo.frames(east, north)
        centre = geo.to_target(east, north)
        offsets = np.stack(georeference("EPSG:4326", target).to_target(*ring)) - np.stack(centre)
        ground = np.linalg.solve(jacobians[0], offsets)
        uphill = np.radians(azimuth) - convergence[0] - np.radians(30)  # plane rises 5 % towards 30 degrees, grid
        fall = np.linalg.lstsq(ground.T, 0.05 * radius * np.cos(uphill), rcond=None)[0]
        assert fall == pytest.approx([0.05 * np.sin(np.radians(30)), 0.05 * np.cos(np.radians(30))], rel=1e-6), target


# ---------------------------------------------------------------- lattice


@pytest.mark.parametrize(("structures", "target", "longitude", "latitude"), PAIRS)
def test_interpolation_equals_the_direct_computation(
    structures: str, target: str, longitude: float, latitude: float
) -> None:
    geo = georeference(structures, target)
    east, north = (np.asarray(values) for values in places(structures, longitude, latitude, count=300))
    jacobians, convergence = geo.frames(east, north)
    exact = geo._exact(east, north)
    difference = np.abs(jacobians.reshape(-1, 4) - exact[:4].T)
    assert difference.max() < 1e-8 * np.abs(exact[:4]).max()
    assert np.abs(convergence - np.arctan2(exact[4], exact[5])).max() < 1e-9
    assert difference.max() > 0  # it is an interpolation


@pytest.mark.parametrize(("structures", "target", "longitude", "latitude"), PAIRS[:12])
def test_splitting_and_shuffling_change_no_bit(structures: str, target: str, longitude: float, latitude: float) -> None:
    geo = georeference(structures, target)
    east, north = (np.asarray(values) for values in places(structures, longitude, latitude, count=101))
    jacobians, convergence = geo.frames(east, north)
    order = np.random.default_rng(3).permutation(101)
    for part in (*np.split(order, [1, 4, 11, 60]), *order[:15, None]):
        got = geo.frames(east[part], north[part])
        assert got[0].tobytes() == jacobians[part].tobytes()
        assert got[1].tobytes() == convergence[part].tobytes()


def test_each_node_is_computed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """2 km x 1 km of structures: 4 x 2 cells, 5 x 3 nodes, whatever their number."""
    seen: list[int] = []
    exact = Georeference._exact
    monkeypatch.setattr(Georeference, "_exact", lambda self, e, n: (seen.append(e.size), exact(self, e, n))[1])
    rng = np.random.default_rng(5)
    georeference("EPSG:32617", "EPSG:4326").frames(rng.uniform(6e5, 602e3, 5000), rng.uniform(44e5, 4401e3, 5000))
    assert seen == [15]


def test_where_a_node_fails_the_point_is_computed_itself() -> None:
    """The last lattice row lies beyond the pole: points next to it are computed without it."""
    geo = georeference("EPSG:4326", "EPSG:4326")
    east, north = np.array([10.0, 10.0]), np.array([89.998, 45.0])
    jacobians = geo.jacobians(east, north)
    assert np.isfinite(jacobians).all()
    exact = geo._exact(east[:1], north[:1])
    assert jacobians[0].ravel().tolist() == exact[:4, 0].tolist()
    assert np.isnan(geo.jacobians(east, np.array([90.1, -91.0]))).all()


def test_the_antimeridian_and_the_pole_do_not_crash() -> None:
    """Taveuni, Fiji, lies on 180 degrees: the map jumps there, J does not."""
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32701", always_xy=True).transform(
        np.array([179.9, 179.9999, 180.0, -179.9999, -179.9]), np.full(5, -16.8)
    )
    for target in ("EPSG:4326", "EPSG:3857"):
        jacobians = georeference("EPSG:32701", target).jacobians(east, north)
        assert np.abs(jacobians - jacobians[0]).max() < 2e-3 * np.abs(jacobians).max()
        size = np.sqrt(np.abs(np.linalg.det(jacobians)))
        assert size == pytest.approx(np.full(5, size[0]), rel=1e-5)
    degrees = georeference("EPSG:4326", "EPSG:32660")
    assert np.isfinite(degrees.jacobians(np.array([180.0, 179.9999]), np.array([-16.8, -16.8]))).all()
    for code in ("EPSG:3995", "EPSG:32661"):
        pole = Proj(code)(0.0, 90.0)
        jacobians, convergence = georeference(code, code).frames(np.array([pole[0]]), np.array([pole[1]]))
        assert jacobians.shape == (1, 2, 2)
        assert convergence.shape == (1,)


@pytest.mark.parametrize(("target", "slack"), [("EPSG:4326", 1e-9), ("EPSG:3857", 1e-5)])
def test_the_antimeridian_is_a_meridian_like_any_other(target: str, slack: float) -> None:
    """Zones are copies of each other: J of zone 60 at 180 degrees is J of zone 59 at 174 degrees."""
    longitude, latitude = np.array([179.9, 179.9996, 180.0]), np.full(3, -16.8)
    geo = georeference("EPSG:32760", target), georeference("EPSG:32759", target)
    points = Proj("EPSG:32760")(longitude, latitude), Proj("EPSG:32759")(longitude - 6, latitude)
    there, here = (g.jacobians(*point).reshape(-1, 4).T for g, point in zip(geo, points, strict=True))
    assert np.abs(there - here).max() < slack * np.abs(here).max()
    there, here = (g._exact(*point)[:4] for g, point in zip(geo, points, strict=True))  # differences across the jump
    assert np.abs(there - here).max() < slack * np.abs(here).max()


def test_jump_takes_the_side_that_does_not_jump() -> None:
    values = np.zeros((2, 5, 2))
    values[0, :, 0] = [0.0, 1.0, -1.0, 0.0, 0.0]
    values[0, :, 1] = [0.0, -4e7, -1.0, 0.0, 0.0]
    values[1] = [[0, 0], [0, 0], [0, 0], [1, 1], [-1, np.nan]]
    got = differences(values, 0.0)
    assert got.tolist() == [[[1, 1], [0, 0]], [[0, 0], [1, 1]]]


# ---------------------------------------------------------------- travel


@pytest.mark.parametrize("pair", [("EPSG:2263", "EPSG:4326"), ("EPSG:31467", "EPSG:25832"), (LOCAL, LOCAL)])
def test_pickling_keeps_every_bit(pair: tuple[str, str]) -> None:
    geo = georeference(*pair)
    east, north = np.array([3.5e6, 987654.3]), np.array([5.5e6, 201234.5])
    before = [*geo.to_target(east, north), *geo.frames(east, north)]
    copy = pickle.loads(pickle.dumps(geo))
    transformer.cache_clear()
    after = [*copy.to_target(east, north), *copy.frames(east, north)]
    assert copy == geo
    assert [values.tobytes() for values in before] == [values.tobytes() for values in after]
    assert (copy.description, copy.accuracy_m) == (geo.description, geo.accuracy_m)


def test_a_georeference_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        georeference("EPSG:2263", "EPSG:2263").description = "x"  # type: ignore[misc]


# ---------------------------------------------------------------- hints


def test_looks_like_degrees() -> None:
    lon, lat, utm = np.array([-80.0, np.nan, -81.0]), np.array([40.0, 41.0, np.inf]), CRS("EPSG:32617+5703")
    assert looks_like_degrees(lon, lat, utm)
    assert not looks_like_degrees(lon, lat, CRS("EPSG:4326"))
    assert not looks_like_degrees(lon, lat, CRS(LOCAL))
    assert not looks_like_degrees(lon[1:], lat[1:], utm)
    assert not looks_like_degrees(np.array([-80.0, 6e5]), np.array([40.0, 4.4e6]), utm)
    assert not looks_like_degrees(np.array([91.0]), np.array([91.0]), utm)
    assert not looks_like_degrees(np.empty(0), np.empty(0), utm)


def test_swapped_hint() -> None:
    geo, bounds = georeference("EPSG:32617", "EPSG:32618"), (-5e4, 4.3e6, 6e5, 4.7e6)
    east, north = np.array([6e5, 6.1e5, 6.2e5, np.nan]), np.array([4.4e6, 4.5e6, 4.5e6, 4.4e6])
    assert not swapped_hint(east, north, geo, bounds)
    assert swapped_hint(north, east, geo, bounds)
    assert not swapped_hint(north, east, geo, (0.0, 0.0, 1.0, 1.0))
    one_fits = np.array([4.4e6, 4.4e6, 6e5]), np.array([6e5, 6e5, 4.4e6])
    assert not swapped_hint(*one_fits, geo, bounds)
    half = np.array([4.4e6, 0.0]), np.array([6e5, 0.0])
    assert not swapped_hint(*half, geo, bounds)
    assert not swapped_hint(np.empty(0), np.empty(0), geo, bounds)

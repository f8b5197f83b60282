"""Vertical datums: named, compared, shifted, or refused.

Truth: parameters of operations that the EPSG dataset publishes; a grid made here, whose one value is known.
"""

from __future__ import annotations

import os
import struct
import subprocess
import sys

import numpy as np
import pytest
from pyproj import CRS

from geoadjust.errors import InputError
from geoadjust.io.coordinates.heights import NO_SHIFT, datum_name, datum_text_of, find_shift

WHERE = "surface.vertical_datum"
DELFT = (85_000.0, 447_000.0)
BATUMI = (720_000.0, 4_611_000.0)


def shift(crs, source, target, place):
    bounds = (place[0] - 50, place[1] - 50, place[0] + 50, place[1] + 50)
    found = find_shift(CRS(crs), source, target, bounds, where=WHERE)
    return found, found.at(*(np.array([value]) for value in place))


def refused(crs, source, target, place=(500_000.0, 4_500_000.0)):
    with pytest.raises(InputError) as caught:
        shift(crs, source, target, place)
    (fault,) = caught.value.faults
    assert fault.where == WHERE
    assert fault.remedy
    return str(fault)


@pytest.mark.parametrize(
    ("crs", "source", "target", "place", "metres", "tolerance"),
    [
        # EPSG operation 5425, NAP height to EVRF2000 height (1): vertical offset -0.005 m, accuracy 0.1 m
        ("EPSG:28992", "EPSG:5709", "EPSG:5730", DELFT, -0.005, 1e-9),
        # EPSG operation 5447, Baltic 1977 height to Black Sea height (1): vertical offset 0.4 m
        ("EPSG:32637", "EPSG:5705", "EPSG:5735", BATUMI, 0.4, 1e-9),
        ("EPSG:32637", "EPSG:5735", "EPSG:5705", BATUMI, -0.4, 1e-9),
    ],
)
def test_published_offsets(crs, source, target, place, metres, tolerance):
    found, by = shift(crs, source, target, place)
    assert by == pytest.approx([metres], abs=tolerance)
    assert "accuracy" in found.description


def test_the_way_back_undoes_it():
    assert (
        shift("EPSG:28992", "EPSG:5709", "EPSG:5730", DELFT)[1]
        == -shift("EPSG:28992", "EPSG:5730", "EPSG:5709", DELFT)[1]
    )


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ("", "EPSG:5703"),
        ("EPSG:5703", ""),
        ("EPSG:5703", "EPSG:6360"),
        ("EPSG:5703", "EPSG:32617+5703"),
        ("mill", "mill"),
    ],
)
def test_one_datum_needs_nothing(source, target):
    # 5703 and 6360 are NAVD88 in metres and in US survey feet: units are dealt with elsewhere
    found, by = shift("EPSG:32617", source, target, (500_000.0, 4_500_000.0))
    assert found is NO_SHIFT
    assert by.tolist() == [0.0]
    assert found.description == ""


def test_a_grid_that_is_missing_is_named():
    told = refused("EPSG:32617", "EPSG:5703", "EPSG:5702")
    assert "us_noaa_vertcone.tif" in told
    assert "vertical_datum" in told.split("->")[1]
    assert "us_nga_egm96_15.tif" in refused("EPSG:32617", "EPSG:4979", "EPSG:5773")


@pytest.mark.parametrize(
    ("crs", "source", "target", "words"),
    [
        ("EPSG:32617", "EPSG:5703", "town datum", "'town datum' go together"),
        ("EPSG:32617", "EPSG:5703", "EPSG:5730", "no transformation of known accuracy"),
        ("EPSG:26917", "EPSG:4979", "EPSG:5703", "ellipsoidal heights on"),
        ("EPSG:32617", "EPSG:4326", "EPSG:5703", "has no heights"),
        ("EPSG:32617", "EPSG:99999", "EPSG:5703", "not a known CRS"),
        ('LOCAL_CS["yard", UNIT["metre", 1]]', "EPSG:5709", "EPSG:5730", "local CRS"),
    ],
)
def test_nothing_is_compared_unchanged(crs, source, target, words):
    assert words in refused(crs, source, target)


def test_outside_the_area_of_use_there_is_no_operation():
    # the offset of 0.4 m is published for the shores of the Black Sea, not for the Urals
    assert "no transformation" in refused("EPSG:32641", "EPSG:5705", "EPSG:5735", (500_000.0, 6_500_000.0))


@pytest.mark.parametrize(
    ("crs", "text", "name"),
    [
        ("EPSG:2263+6360", "EPSG:6360", "North American Vertical Datum 1988"),
        ("EPSG:4979", "EPSG:4979", "ellipsoidal height, World Geodetic System 1984 ensemble"),
    ],
)
def test_a_datum_is_kept_as_a_text_that_can_be_read_again(crs, text, name):
    assert datum_text_of(CRS(crs)) == text
    assert datum_name(text) == name


def test_a_datum_without_a_code_is_kept_as_wkt():
    wkt = CRS("EPSG:5703").to_wkt().replace("NAVD88 height", "yard height").replace('ID["EPSG",5703]', 'ID["YARD",1]')
    own = CRS.from_wkt(wkt)
    text = datum_text_of(own)
    assert datum_name(text) == "North American Vertical Datum 1988"


GRID_JOB = """
import numpy as np
from pyproj import CRS, datadir
import sys
datadir.append_data_dir(sys.argv[1])
from geoadjust.io.coordinates.heights import find_shift
found = find_shift(CRS("EPSG:32631"), "EPSG:4979", "EPSG:5773", (499000, 5499000, 501000, 5501000), where="surface")
print(found.at(np.array([500000.0, 900000.0]), np.array([5500000.0, 100000.0])).tolist())
"""


def test_ellipsoidal_heights_by_a_grid_that_is_there(tmp_path):
    """A grid of the geoid's name, 43.25 m everywhere within 2 to 4 degrees east, 49 to 51 north.

    Format: GTX of NOAA's VDatum: south, west, steps, rows, columns, then float32 from the south, all big-endian.
    """
    rows = columns = 9
    head = struct.pack(">4d2i", 49.0, 2.0, 0.25, 0.25, rows, columns)
    (tmp_path / "egm96_15.gtx").write_bytes(head + np.full((rows, columns), 43.25, ">f4").tobytes())
    environment = {**os.environ, "PROJ_NETWORK": "OFF"}
    run = [sys.executable, "-c", GRID_JOB, str(tmp_path)]
    done = subprocess.run(run, capture_output=True, text=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    near, far = done.stdout.strip().strip("[]").split(", ")
    assert float(near) == pytest.approx(-43.25, abs=1e-6)  # H = h - N
    assert far == "nan"

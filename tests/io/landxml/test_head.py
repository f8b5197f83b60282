"""Units and CRS that a file states of itself, and those that are refused.

Truth: the words of the published schema; other spellings and URNs from memory.
"""

from __future__ import annotations

import pytest

from geoadjust.io.landxml.document import describe_landxml
from geoadjust.io.landxml.structs import read_structs
from tests.io.landxml.writing import METRES, WHERE, WKT, fault, text_of


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        ("", ("", "")),
        ('<Metric linearUnit="meter"/>', ("m", "m")),
        ('<Metric linearUnit="meter" elevationUnit="meter"/>', ("m", "m")),
        ('<Metric linearUnit="meter" elevationUnit="feet"/>', ("m", "")),
        ('<Imperial linearUnit="foot"/>', ("ft", "ft")),
        ('<Imperial linearUnit="USSurveyFoot" elevationUnit="feet"/>', ("us-ft", "us-ft")),
        ('<Imperial linearUnit="USSurveyFoot" elevationUnit="meter"/>', ("us-ft", "")),
        ('<Imperial linearUnit="foot" elevationUnit="miles" diameterUnit="yard"/>', ("ft", "")),
        ('<Metric elevationUnit="meter"/>', ("", "")),
        ('<Metric linearUnit="metre" elevationUnit="Metres"/>', ("m", "m")),
        ('<Metric linearUnit="m"/>', ("m", "m")),
        ('<Imperial linearUnit="feet" elevationUnit="foot"/>', ("ft", "ft")),
        ('<Imperial linearUnit="International Foot"/>', ("ft", "ft")),
        ('<Imperial linearUnit="ft" elevationUnit="USSurveyFoot"/>', ("ft", "")),
        ('<Imperial linearUnit="US_Survey-Feet" elevationUnit="foot"/>', ("us-ft", "us-ft")),
        ('<Imperial linearUnit="US-ft" elevationUnit="internationalFoot"/>', ("us-ft", "")),
        ('<Imperial linearUnit=""/>', ("", "")),
    ],
)
def test_units(write, units, expected):
    facts = describe_landxml(write(text_of(units=f"<Units>{units}</Units>")), where=WHERE)
    assert (facts.horizontal_unit, facts.vertical_unit) == expected


def test_lengths_that_are_no_coordinates_are_refused(write):
    path = write(text_of(units='<Units>\n<Metric linearUnit="millimeter"/></Units>'))
    message = fault(describe_landxml, path)
    assert "linearUnit='millimeter', line 2 (allowed: meter, foot, USSurveyFoot)" in message
    twice = METRES + '<Units><Imperial linearUnit="foot"/></Units>'
    assert "differently" in fault(describe_landxml, write(text_of(units=twice)))
    assert describe_landxml(write(text_of(units=METRES + METRES)), where=WHERE).horizontal_unit == "m"


@pytest.mark.parametrize(
    ("attributes", "crs"),
    [
        ('epsgCode="32617"', "EPSG:32617"),
        ('epsgCode=" EPSG:2263+6360 "', "EPSG:2263+6360"),
        ('epsgCode="urn:ogc:def:crs:EPSG::32617"', "EPSG:32617"),
        ('epsgCode="urn:ogc:def:crs:EPSG:9.8.15:32617"', "EPSG:32617"),
        ('ogcWktCode="http://www.opengis.net/def/crs/EPSG/0/32617"', "EPSG:32617"),
        ('epsgCode="urn:ogc:def:crs:OGC::84"', ""),
        ('epsgCode="0"', ""),
        ('epsgCode="none" name="EPSG:32617"', ""),
        (f"ogcWktCode='{WKT}'", WKT),
        (f"""epsgCode="" ogcWktCode="{WKT.replace('"', "&quot;")}" """, WKT),
        (f"epsgCode='32617' ogcWktCode='{WKT}'", "EPSG:32617"),
        ('ogcWktCode="EPSG:32617"', "EPSG:32617"),
        ('ogcWktCode="32617"', ""),
        ('ogcWktCode="UTM17"', ""),
        ("", ""),
    ],
)
def test_crs(write, attributes, crs):
    inside = f'<CoordinateSystem {attributes} verticalDatum="" verticalCoordinateSystemName="Datum 7"/>'
    facts = describe_landxml(write(text_of(inside)), where=WHERE)
    assert (facts.crs, facts.vertical_datum) == (crs, "Datum 7")


def test_units_and_crs_of_a_survey_are_not_those_of_the_file(write):
    inside = '<Units><Imperial linearUnit="foot"/></Units><CoordinateSystem epsgCode="2263"/>'
    path = write(text_of(f"<Survey><SurveyHeader>{inside}</SurveyHeader></Survey>"))
    facts = describe_landxml(path, where=WHERE)
    assert (facts.horizontal_unit, facts.crs) == ("m", "")


@pytest.mark.parametrize(
    "units", ['Metric linearUnit="foot"', 'Metric linearUnit="USSurveyFoot"', 'Imperial linearUnit="meter"']
)
def test_a_unit_of_the_other_system_is_refused(write, units):
    message = fault(describe_landxml, write(text_of(units=f"<Units><{units}/></Units>")))
    assert units.split("=")[1].strip('"') in message
    assert f"in {units.split()[0]}, line 1" in message


@pytest.mark.parametrize("unit", ["kilometer", "mile", "chain", "1", "meter foot"])
def test_units_without_a_meaning_here_are_refused(write, unit):
    assert repr(unit) in fault(describe_landxml, write(text_of(units=f'<Units><Metric linearUnit="{unit}"/></Units>')))


def test_two_crs(write):
    one, other, none = (f'<CoordinateSystem epsgCode="{code}"/>' for code in ("32617", "32618", ""))
    for call in (describe_landxml, read_structs):
        assert "names its CRS twice, and differently, line 1" in fault(call, write(text_of(one, other)))
        assert call(write(text_of(none, one, none, one)), where=WHERE).crs == "EPSG:32617"

"""Structures of pipe networks, read from files written by hand.

The second reader is ElementTree of the standard library, on the same text.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from geoadjust.io.landxml.document import describe_landxml
from geoadjust.io.landxml.structs import read_structs
from tests.io.landxml.writing import WHERE, fault, surface, text_of, with_surfaces

STRUCTS = """
<CoordinateSystem epsgCode="2263"/>
<CgPoints><CgPoint name="C1"> 5 6 7 </CgPoint><CgPoint name="twice">1 1</CgPoint><CgPoint name="twice">2 2</CgPoint>
</CgPoints>
<PipeNetworks><PipeNetwork name="storm"><Structs>
<Struct name="M 1" desc="manhole" elevRim="101.5" elevSump="97.25" state="existing"><Center>20.5 10.25</Center>
<CircStruct diameter="48" material="concrete" inletCase="round"/><Connection/><Invert elev="97.5"/></Struct>
<Struct name="I 2"><Center>21 11 1.5E+02</Center><RectStruct length="36" width="24"/>
<Feature><Center>0 0</Center><CircStruct diameter="1"/></Feature></Struct>
</Structs><Pipes><Pipe name="p"><Center>1 1</Center></Pipe></Pipes></PipeNetwork>
<PipeNetwork name="water"><Structs>
<Struct name="V" elevRim=""><Center pntRef="C1"/><Connection/></Struct>
<Struct name="W"><Center pntRef="twice"/><InletStruct/></Struct>
<Struct name="X" elevRim="NaN"><Center pntRef="none"/><OutletStruct/></Struct>
<Struct name="Y"><Center pntRef="C1">8 9</Center></Struct>
</Structs></PipeNetwork></PipeNetworks>
"""
FEET = '<Units><Imperial linearUnit="USSurveyFoot" diameterUnit="inch"/></Units>'


def test_structures(write):
    path = write(text_of(STRUCTS, units=FEET))
    found = read_structs(path, where=WHERE)
    assert len(found) == describe_landxml(path, where=WHERE).structs == 6
    assert found.name == ["M 1", "I 2", "V", "W", "X", "Y"]
    assert found.network == ["storm"] * 2 + ["water"] * 4
    assert found.kind == ["circular", "rectangular", "connection", "inlet", "outlet", ""]
    nan = float("nan")
    np.testing.assert_array_equal(found.north, [20.5, 21, 5, nan, nan, 8])
    np.testing.assert_array_equal(found.east, [10.25, 11, 6, nan, nan, 9])
    np.testing.assert_array_equal(found.elevation, [nan, 150, 7, nan, nan, nan])
    np.testing.assert_array_equal(found.elev_rim, [101.5] + [nan] * 5)
    np.testing.assert_array_equal(found.elev_sump, [97.25] + [nan] * 5)
    np.testing.assert_array_equal(found.diameter, [48] + [nan] * 5)
    np.testing.assert_array_equal(found.length, [nan, 36] + [nan] * 4)
    np.testing.assert_array_equal(found.width, [nan, 24] + [nan] * 4)
    assert (found.desc[0], found.state[0], found.case[0], found.material[0]) == (
        "manhole",
        "existing",
        "round",
        "concrete",
    )
    assert found.desc[1:] == found.state[1:] == found.case[1:] == found.material[1:] == [""] * 5
    units = (found.horizontal_unit, found.vertical_unit, found.diameter_unit, found.width_unit)
    assert units == ("us-ft", "us-ft", "in", "")
    assert found.crs == "EPSG:2263"


def test_the_structures_are_those_that_the_second_reader_finds(write):
    path = write(text_of(STRUCTS, units=FEET))
    root = ElementTree.parse(path).getroot()
    space = root.tag.removesuffix("LandXML")
    steps = "/".join(space + name for name in ("PipeNetworks", "PipeNetwork", "Structs", "Struct"))
    assert read_structs(path, where=WHERE).name == [struct.get("name") for struct in root.findall(steps)]


def test_units_inside_a_network(write):
    own = '<Structs><Units><Metric linearUnit="meter" diameterUnit="millimeter"/></Units>'
    mixed = text_of(STRUCTS.replace("<Structs>", own, 1), units=FEET)
    assert "networks in different units" in fault(read_structs, write(mixed))
    found = read_structs(write(text_of(STRUCTS.replace("<Structs>", own), units=FEET)), where=WHERE)
    assert (found.horizontal_unit, found.vertical_unit, found.diameter_unit) == ("m", "m", "mm")


def test_values_that_are_no_numbers_stay_as_texts(write):
    """A bad row is data: the other rows are read, and the text that stands there is kept."""
    bad = STRUCTS.replace("101.5", "101,5").replace('diameter="48"', 'diameter="INF"').replace("21 11 1.5E+02", "21")
    bad = bad.replace('elevRim=""', 'elevRim="-1.797693E+308"')
    found = read_structs(write(text_of(bad, units=FEET)), where=WHERE)
    assert found.unread == {"elev_rim": {0: "101,5", 2: "-1.797693E+308"}, "diameter": {0: "INF"}}
    assert np.isnan(found.elev_rim).all()
    nan = float("nan")
    np.testing.assert_array_equal(found.north, [20.5, nan, 5, nan, nan, 8])
    np.testing.assert_array_equal(found.elev_sump, [97.25] + [nan] * 5)


@pytest.mark.parametrize(
    "text", ["20,5 10,25", "20.5", "1 2 3 4", "20.5 10.25 x", "20.5\u00a010.25", "NaN NaN", "INF 1", "1e300 1"]
)
def test_centres_that_cannot_be_read(write, text):
    network = "<PipeNetworks><PipeNetwork><Structs>{}</Structs></PipeNetwork></PipeNetworks>"
    good = '<Struct name="A"><Center>20.5 10.25 NaN</Center></Struct>'
    bad = f'<Struct name="B"><Center>{text}</Center></Struct>'
    found = read_structs(write(text_of(network.format(good + bad))), where=WHERE)
    np.testing.assert_array_equal(found.north, [20.5, np.nan])
    np.testing.assert_array_equal(found.elevation, [np.nan, np.nan])
    message = fault(read_structs, write(text_of(network.format("<Struct/>" + bad + bad))))
    assert f"no centre of a structure that can be read (first, of 'B': {text!r})" in message


def test_references_that_the_schema_text_spells_otherwise(write):
    text = STRUCTS.replace('<Center pntRef="C1"/>', '<Center refPnt=" C1 "/>').replace("<OutletStruct/>", "<Pond/>")
    points = text[text.index("<CgPoints>") : text.index("<PipeNetworks>")]
    after = text.replace(points, "") + points
    for one in (text, after):
        found = read_structs(write(text_of(one, units=FEET)), where=WHERE)
        assert (found.north[2], found.east[2], found.elevation[2]) == (5, 6, 7)
        assert np.isnan(found.north[3:5]).all()
        assert found.kind[4] == "pond"


def test_units_of_a_block_that_contradict_each_other(write):
    own = '<Structs><Units><Metric linearUnit="meter"/><Imperial linearUnit="foot"/></Units>'
    assert "states its units twice" in fault(read_structs, write(text_of(STRUCTS.replace("<Structs>", own))))


def test_a_block_without_structures_has_no_say_in_the_units(write):
    own = '<Structs><Units><Imperial linearUnit="foot"/></Units></Structs><Structs>'
    found = read_structs(write(text_of(STRUCTS.replace("<Structs>", own))), where=WHERE)
    assert found.horizontal_unit == "m"


def test_odd_sizes_and_no_structures(write):
    odd = '<Units><Imperial linearUnit="foot" diameterUnit="yard"/></Units>'
    assert "diameterUnit='yard'" in fault(read_structs, write(text_of(STRUCTS, units=odd)))
    found = read_structs(write(with_surfaces(surface())), where=WHERE)
    assert (len(found), found.east.shape, found.horizontal_unit) == (0, (0,), "m")

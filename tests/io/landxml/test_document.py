"""LandXML read from small files written by hand after the published schema, and from random TINs written here.

The second reader is ElementTree of the standard library, on the same text. What the schema says (LandXML-1.2, posted
2008-07-29): P is "northing easting elevation" with a required positive id, unique per surface; F lists 3 (TIN) or 4
(grid) of those ids, i="1" is invisible; elevationUnit is meter, kilometer, feet or miles, and meter by default.
"""

from __future__ import annotations

import codecs
import gzip
import os
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.errors import InputError
from geoadjust.io.landxml import meshes as landxml_faces
from geoadjust.io.landxml import stream as landxml_parts
from geoadjust.io.landxml.document import SurfaceFacts, describe_landxml, read_mesh, read_surface
from geoadjust.io.landxml.structs import read_structs

WHERE = "surface.path"
SPACE = "http://www.landxml.org/schema/LandXML-{}"
METRES = '<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units>'
POINTS = '<P id="7">20 10 1.5</P><P id="3">20 11 1.25</P><P id="40">21 10 1.0</P><P id="5">21 11 0.75</P>'
FACES = "<F>7 3 40</F><F>3 5 40</F>"
VERTICES = [[10, 20, 1.5], [11, 20, 1.25], [10, 21, 1.0], [11, 21, 0.75]]
WKT = 'LOCAL_CS["yard", UNIT["metre", 1]]'


def surface(name="EG", points=POINTS, faces=FACES, *, kind="TIN"):
    definition = f'<Definition surfType="{kind}"><Pnts>{points}</Pnts><Faces>{faces}</Faces></Definition>'
    return f'<Surface name="{name}">{definition}</Surface>'


def text_of(*parts, version="1.2", space=None, units=METRES):
    space = SPACE.format(version) if space is None else space
    named = f' xmlns="{space}"' if space else ""
    return f'<LandXML{named} version="{version}">{units}{"".join(parts)}</LandXML>'


def with_surfaces(*surfaces, **options):
    return text_of(f"<Surfaces>{''.join(surfaces)}</Surfaces>", **options)


@pytest.fixture
def write(tmp_path):
    def _write(text, name="road.xml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return _write


def fault(call, *arguments):
    with pytest.raises(InputError) as caught:
        call(*arguments, where=WHERE)
    assert {one.where for one in caught.value.faults} == {WHERE}
    return str(caught.value)


# What a file says


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.2", "2.0"])
def test_every_version_is_read(write, version):
    path = write(with_surfaces(surface(), version=version))
    facts = describe_landxml(path, where=WHERE)
    assert (facts.version, facts.surfaces) == (version, (SurfaceFacts("EG", 4, 2, "TIN"),))
    assert read_mesh(path, where=WHERE).vertices.tolist() == VERTICES


@pytest.mark.parametrize("space", ["", "http://example.org/profile"])
def test_no_namespace_and_that_of_a_national_profile_are_read(write, space):
    mesh = read_mesh(write(with_surfaces(surface(), space=space)), where=WHERE)
    assert mesh.vertices.tolist() == VERTICES
    assert mesh.vertices.dtype == np.float64
    assert mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]
    assert mesh.faces.dtype == np.int32


def test_a_prefix_of_the_namespace_is_read(write):
    text = with_surfaces(surface(), space="")
    for name in ("LandXML", "Units", "Metric", "Surfaces", "Surface", "Definition", "Pnts", "Faces", "P", "F"):
        for end in (" ", ">", "/"):
            text = text.replace(f"<{name}{end}", f"<lx:{name}{end}").replace(f"</{name}>", f"</lx:{name}>")
    text = text.replace("<lx:LandXML", f'<lx:LandXML xmlns:lx="{SPACE.format("1.2")}"')
    assert "<P" not in text
    assert read_mesh(write(text), where=WHERE).vertices.tolist() == VERTICES


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


# Geometry


def test_points_of_other_elements_are_passed_over(write):
    odd = '<x:P id="1" xmlns:x="http://example.org/x">9 9 9</x:P><x:F xmlns:x="http://example.org/x">7 7 7</x:F>'
    feature = f"<Feature><P id='2'>8 8 8</P><Pnts>{POINTS}</Pnts><F>1 1 1</F><Faces>{FACES}</Faces></Feature>"
    source = f"<SourceData><DataPoints><PntList3D>1 2 3</PntList3D></DataPoints><Pnts>{POINTS}</Pnts></SourceData>"
    inside = '<P id="7">20 <!-- note --><x:P xmlns:x="http://example.org/x">5 5</x:P>10 1.<![CDATA[5]]></P>'
    points = odd + inside + POINTS.split("</P>", 1)[1] + feature
    text = with_surfaces(
        surface(points=points, faces=odd + FACES + feature).replace("<Definition", source + "<Definition")
    )
    path = write(text_of(f"<Parcels>{surface()}</Parcels>", text[text.index("<Surfaces") : text.index("</LandXML>")]))
    read = read_surface(path, where=WHERE)
    assert read.facts.surfaces == (SurfaceFacts("EG", 4, 2, "TIN"),)
    assert read.facts.surfaces == describe_landxml(path, where=WHERE).surfaces
    assert read.mesh.vertices.tolist() == VERTICES
    assert read.mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]


def test_several_blocks_and_faces_before_points(write):
    first, second = POINTS.split("</P>", 1)[0] + "</P>", POINTS.split("</P>", 1)[1]
    blocks = f"<Faces><F>7 3 40</F></Faces><Pnts>{first}</Pnts>"
    blocks += f"<Faces><F n='1 0 0' b='5'>3 5 40</F></Faces><Pnts>{second}</Pnts>"
    path = write(with_surfaces(f'<Surface name="EG"><Definition surfType="TIN">{blocks}</Definition></Surface>'))
    mesh = read_mesh(path, where=WHERE)
    assert mesh.vertices.tolist() == VERTICES
    assert mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]


def test_definitions_of_one_surface_belong_together(write):
    first, second = surface(faces="<F>7 3 40</F>"), surface(points="", faces="<F>3 5 40</F>")
    path = write(with_surfaces(first.replace("</Surface>", "") + second.removeprefix('<Surface name="EG">')))
    assert describe_landxml(path, where=WHERE).surfaces == (SurfaceFacts("EG", 4, 2, "TIN"),)
    assert read_mesh(path, where=WHERE).faces.tolist() == [[0, 1, 2], [1, 3, 2]]


def test_invisible_faces_are_holes(write):
    faces = '<F i="1">7 3 40</F><F i="0">3 5 40</F><F i="1">1 2 3 4</F>'
    path = write(with_surfaces(surface(faces=faces)))
    read = read_surface(path, where=WHERE)
    assert read.mesh.faces.tolist() == [[1, 3, 2]]
    assert read.hidden == 2
    assert read.facts.surfaces == describe_landxml(path, where=WHERE).surfaces == (SurfaceFacts("EG", 4, 1, "TIN"),)


def test_faces_that_repeat_a_point_are_left_out(write):
    read = read_surface(write(with_surfaces(surface(faces=f"<F>7 7 3</F>{FACES}<F>5 3 5</F>"))), where=WHERE)
    assert read.mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]
    assert (read.repeated, read.hidden) == (2, 0)
    message = fault(read_mesh, write(with_surfaces(surface(faces="<F>7 7 3</F>"))))
    assert "no face with three different points" in message


def test_faces_that_name_a_missing_point(write):
    faces = FACES + "<F i='1'>1 1 1</F>" + "<F>7 3 99</F><F>0 6 3</F><F>41 5 3</F><F>-7 5 3</F>"
    message = fault(read_mesh, write(with_surfaces(surface(faces=faces))))
    assert "4 faces that name a point that is not there (F 4 names 99; F 5 names 0, 6; F 6 names 41; ...)" in message


def test_ids_without_gaps_miss_points_too(write):
    points = "".join(f'<P id="{number}">{number % 2} {number // 2} 0</P>' for number in (4, 5, 6))
    message = fault(read_mesh, write(with_surfaces(surface(points=points, faces="<F>4 5 6</F><F>3 5 7</F>"))))
    assert "F 2 names 3, 7" in message


@pytest.mark.parametrize(
    ("bad", "shown"),
    [
        ('<P id="9">1 2</P>', "P '9', line 1: '1 2'"),
        ('<P id="9">1 2 3 4</P>', "P '9', line 1: '1 2 3 4'"),
        ('<P id="9" pntRef="A"/>', "P '9', line 1: ''"),
        ("<P>1 2 3</P>", "P '', line 1: no id"),
        ('<P id="9">1 2 3,5</P>', "P '9': '1 2 3,5'"),
        ('<P id="9">1 2 NaN</P>', "P '9': '1 2 NaN'"),
        ('<P id="9">1 INF 3</P>', "P '9': '1 INF 3'"),
        ('<P id="9">1 2 1e999</P>', "P '9': '1 2 1e999'"),
        ('<P id="9">1 2_0 3</P>', "P '9': '1 2_0 3'"),
        ('<P id="9">1 2 -</P>', "P '9': '1 2 -'"),
        ('<P id="9">1 2 ٣</P>', "P '9': '1 2 ٣'"),
        ('<P id="A9">1 2 3</P>', "P 'A9': the id is no whole number"),
        ('<P id="99999999999999999999">1 2 3</P>', "P '99999999999999999999': the id is no whole number"),
    ],
)
def test_bad_points(write, bad, shown):
    message = fault(read_mesh, write(with_surfaces(surface(points=POINTS + bad))))
    assert f"surface 'EG' has 1 bad points ({shown})" in message


@pytest.mark.parametrize(
    ("bad", "shown"),
    [
        ("<F>7 3 40 5</F>", "F 3, line 1: '7 3 40 5'"),
        ("<F>7 3</F>", "F 3, line 1: '7 3'"),
        ("<F/>", "F 3, line 1: ''"),
        ("<F>7 3 4.5</F>", "F 3: '7 3 4.5'"),
        ("<F>7 3 x</F>", "F 3: '7 3 x'"),
    ],
)
def test_bad_faces(write, bad, shown):
    message = fault(read_mesh, write(with_surfaces(surface(faces=FACES + bad))))
    assert f"surface 'EG' has 1 bad faces ({shown})" in message


def test_bad_points_and_faces_are_told_together_and_few_of_them(write):
    bad = "".join(f'<P id="{number}">1 2</P>' for number in range(50, 90))
    with pytest.raises(InputError) as caught:
        read_mesh(write(with_surfaces(surface(points=POINTS + bad, faces="<F>1</F>"))), where=WHERE)
    assert len(caught.value.faults) == 2
    assert "40 bad points" in str(caught.value)
    assert "P '52'" in str(caught.value)
    assert "P '53'" not in str(caught.value)


def test_an_id_that_two_points_carry(write):
    message = fault(read_mesh, write(with_surfaces(surface(points=POINTS + '<P id="07">1 2 3</P>'))))
    assert "1 ids that more than one point carries (7)" in message


def second_reader(path):
    """Vertices by id and faces by ids, with ElementTree."""
    root = ElementTree.parse(path).getroot()
    space = root.tag.removesuffix("LandXML")
    steps = "/".join(space + name for name in ("Surfaces", "Surface", "Definition"))
    numbers = [
        (int(point.get("id")), [float(value) for value in point.text.split()])
        for point in root.findall(f"{steps}/{space}Pnts/{space}P")
    ]
    faces = [
        [int(value) for value in face.text.split()]
        for face in root.findall(f"{steps}/{space}Faces/{space}F")
        if face.get("i") != "1"
    ]
    return numbers, faces


FORMS = ("{!r}", "{:.3f}", "{:+.9E}", "{:e}", "{:g}", "{:020.6f}")
BLANKS = (" ", "\n", "\t", "  \r\n ", "&#10;", "&#x20;")


@st.composite
def tins(draw):
    ids = draw(st.lists(st.integers(1, 10**12), min_size=3, max_size=30, unique=True))
    number = st.floats(-1e8, 1e8)
    points = []
    for one in ids:
        texts = [draw(st.sampled_from(FORMS)).format(draw(number)) for _ in range(3)]
        gap, edge = draw(st.sampled_from(BLANKS)), draw(st.sampled_from(("", *BLANKS)))
        points.append(f'<P id="{one}">{edge}{gap.join(texts)}{edge}</P>')
    faces = []
    for _ in range(draw(st.integers(1, 30))):
        corners = draw(st.lists(st.sampled_from(ids), min_size=3, max_size=3, unique=True))
        hidden = draw(st.sampled_from(("", "", ' i="1"')))
        faces.append(f"<F{hidden}>{draw(st.sampled_from(BLANKS)).join(map(str, corners))}</F>")
    return points, ["<F>" + " ".join(map(str, ids[:3])) + "</F>", *faces]


@settings(max_examples=60, deadline=None)
@given(tin=tins(), block=st.sampled_from((1, 2, 5, 1000)), chunk=st.sampled_from((7, 100, 2**18)))
def test_random_tins_are_read_as_by_the_second_reader(tmp_path_factory, tin, block, chunk):
    points, faces = tin
    path = tmp_path_factory.mktemp("tin") / "road.xml"
    path.write_text(with_surfaces(surface(points="\n".join(points), faces="\n  ".join(faces))), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(landxml_faces, "BLOCK", block)
        patch.setattr(landxml_parts, "CHUNK", chunk)
        mesh = read_mesh(path, where=WHERE)
    numbers, corners = second_reader(path)
    assert mesh.vertices.tolist() == [[east, north, height] for _, (north, east, height) in numbers]
    ids = np.array([one for one, _ in numbers])
    assert ids[mesh.faces].tolist() == corners


# Which surface


def test_the_only_surface_with_triangles_is_taken(write):
    source = '<Surface name="source"><SourceData/></Surface>'
    path = write(with_surfaces(source, surface("grid", kind="grid"), surface("EG"), surface("empty", faces="")))
    facts = describe_landxml(path, where=WHERE)
    assert [(one.name, one.points, one.faces, one.usable) for one in facts.surfaces] == [
        ("source", 0, 0, False),
        ("grid", 4, 0, False),
        ("EG", 4, 2, True),
        ("empty", 4, 0, False),
    ]
    read = read_surface(path, where=WHERE)
    assert read.surface.name == "EG"
    assert read.facts == facts
    assert read.mesh.vertices.tolist() == VERTICES


def test_several_surfaces_must_be_named(write):
    other = surface("Top ", points=POINTS.replace("1.5", "9.5"))
    path = write(with_surfaces(surface("EG"), other))
    listed = "'EG' (4 points, 2 faces), 'Top ' (4 points, 2 faces)"
    for name, what in (("", "has several surfaces"), ("Top", "has no surface 'Top'"), ("eg", "has no surface 'eg'")):
        message = fault(read_mesh, path, name)
        assert what in message
        assert listed in message
        assert 'layer = "..."' in message
    assert read_mesh(path, "Top ", where=WHERE).vertices[0].tolist() == [10, 20, 9.5]
    assert read_mesh(path, "EG", where=WHERE).vertices[0].tolist() == [10, 20, 1.5]


def test_a_long_list_is_cut(write):
    message = fault(read_mesh, write(with_surfaces(*(surface(f"S{number}") for number in range(13)))))
    assert "'S9' (4 points, 2 faces) and 3 more" in message
    assert "'S10'" not in message


def test_a_name_that_two_surfaces_have(write):
    path = write(with_surfaces(surface("EG"), surface("FG"), surface("EG", faces="")))
    assert "has 2 surfaces 'EG'" in fault(read_mesh, path, "EG")
    assert len(read_mesh(path, "FG", where=WHERE).faces) == 2


def test_faults_of_a_surface_that_is_not_read_are_left_alone(write):
    path = write(with_surfaces(surface("bad", points='<P id="1">x</P>', faces="<F>1</F>"), surface("EG")))
    assert len(read_mesh(path, "EG", where=WHERE).faces) == 2
    assert "bad points" in fault(read_mesh, path, "bad")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('<Surface name="EG"><SourceData/></Surface>', "has only the data that triangles are made from"),
        (surface(kind="grid", faces="<F>7 3 5 40</F>"), "is a grid, not triangles"),
        (surface(points="", faces=""), "is empty: 0 points, 0 visible faces"),
        (surface(points=""), "is empty: 0 points, 2 visible faces"),
        (surface(faces='<F i="1">7 3 40</F>'), "is empty: 4 points, 0 visible faces"),
    ],
)
def test_surfaces_without_triangles(write, text, what):
    path = write(with_surfaces(text))
    for name in ("", "EG"):
        message = fault(read_mesh, path, name)
        assert f"surface 'EG' {what}" in message
        assert "->" in message


def test_no_surface_and_none_with_triangles(write):
    assert "has no surface" in fault(read_mesh, write(text_of()))
    path = write(with_surfaces(surface("A", kind="grid"), surface("B", faces="")))
    assert "no surface with triangles: 'A' (4 points, 0 faces, grid), 'B' (4 points, 0 faces)" in fault(read_mesh, path)


# Files that are no LandXML


GOOD = with_surfaces(surface())


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("northing easting\n1 2", "is not XML (syntax error, line 1)"),
        ("\n\n<?xml version='1.0'?><LandXML/>", "is not XML"),
        ('<kml xmlns="http://www.opengis.net/kml/2.2"/>', "begins with <kml>, not with <LandXML>"),
        ("<landxml/>", "begins with <landxml>"),
        (GOOD[: len(GOOD) // 2], "is cut off"),
        (GOOD.removesuffix("</LandXML>"), "is cut off"),
        (GOOD.replace("</Pnts>", "\n</Points>"), "is broken XML (mismatched tag, line 2)"),
        (GOOD.replace("20 10", "20 &b; 10"), "is broken XML (undefined entity"),
        (GOOD + GOOD, "is broken XML"),
        ('<?xml version="1.0" encoding="x-none"?>' + GOOD, "has an encoding that cannot be read"),
        ('<?xml version="1.0" encoding="gb2312"?>' + GOOD, "has an encoding that cannot be read"),
        (GOOD.encode().replace(b"EG", b"\xe4"), "is broken XML (not well-formed (invalid token)"),
        (b"\x00\x01\x02\x03", "is not XML"),
        (b"", "is empty"),
        (gzip.compress(GOOD.encode()), "is an archive"),
        (b"PK\x03\x04" + GOOD.encode(), "is an archive"),
    ],
)
def test_files_that_are_refused(write, text, what):
    for call in (describe_landxml, read_mesh, read_structs):
        assert what in fault(call, write(text))


@pytest.mark.parametrize(
    "doctype",
    [
        "<!DOCTYPE LandXML>",
        '<!DOCTYPE LandXML SYSTEM "file:///dev/zero">',
        '<!DOCTYPE LandXML [<!ENTITY a "b"><!ENTITY c "&a;&a;&a;&a;">]>',
    ],
)
def test_a_document_type_is_refused(write, doctype):
    for call in (describe_landxml, read_mesh, read_structs):
        assert "has a document type (DOCTYPE), line 2" in fault(call, write("<?xml version='1.0'?>\n" + doctype + GOOD))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1", "windows-1252", "us-ascii"])
def test_encodings(write, encoding):
    name = "EG" if encoding == "us-ascii" else "Straße é"
    text = f'<?xml version="1.0" encoding="{encoding}"?>' + with_surfaces(surface(name))
    assert read_surface(write(text.encode(encoding)), where=WHERE).surface.name == name


def test_byte_order_marks(write):
    for mark, encoding in ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        assert len(read_mesh(write(mark + GOOD.encode(encoding)), where=WHERE).faces) == 2


def test_paths_that_are_no_files(tmp_path):
    os.mkfifo(tmp_path / "pipe.xml")
    for path in (
        tmp_path,
        tmp_path / "pipe.xml",
        tmp_path / "none.xml",
        Path("/dev/zero"),
        "https://example.org/a.xml",
    ):
        for call in (describe_landxml, read_mesh, read_structs):
            fault(call, path)


def test_limits(write, monkeypatch):
    deep = "<a>" * 200 + "</a>" * 200
    assert "128 elements inside each other" in fault(describe_landxml, write(text_of(deep)))
    assert describe_landxml(write(text_of("<a>" * 128 + "</a>" * 128)), where=WHERE).surfaces == ()
    monkeypatch.setattr(landxml_parts, "LONGEST", 10_000)
    monkeypatch.setattr(landxml_parts, "CHUNK", 1000)
    monkeypatch.setattr(landxml_parts, "PIECE", 1000)
    long = "1" * 50_000
    for text in (
        with_surfaces(surface(f"{long}")),
        text_of(f"<!--{long}-->"),
        with_surfaces(surface(points=f'<P id="1">{long}</P>')),
        with_surfaces(surface(points=f'<P id="1">{"<a/> " * 10_000}</P>')),
    ):
        assert "does not end" in fault(read_mesh, write(text))
    many = surface(points="<a/>\n" * 20_000 + POINTS)
    assert len(read_mesh(write(with_surfaces(many)), where=WHERE).faces) == 2


# Structures of pipe networks


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


def test_values_that_are_no_numbers(write):
    bad = STRUCTS.replace("101.5", "101,5").replace('diameter="48"', 'diameter="INF"').replace("21 11 1.5E+02", "21")
    message = fault(read_structs, write(text_of(bad, units=FEET)))
    assert "structure 'M 1', line 6, has elev_rim '101,5', not a number" in message
    assert "has diameter 'INF'" in message
    assert "structure 'I 2', line 8, has the centre '21', not northing, easting, elevation" in message
    many = "".join(f'<Struct name="{number}" elevRim="x"/>' for number in range(40))
    text = text_of(f"<PipeNetworks><PipeNetwork><Structs>{many}</Structs></PipeNetwork></PipeNetworks>")
    assert len(fault(read_structs, write(text)).splitlines()) == 10


def test_odd_sizes_and_no_structures(write):
    odd = '<Units><Imperial linearUnit="foot" diameterUnit="yard"/></Units>'
    assert "diameterUnit='yard'" in fault(read_structs, write(text_of(STRUCTS, units=odd)))
    found = read_structs(write(GOOD), where=WHERE)
    assert (len(found), found.east.shape, found.horizontal_unit) == (0, (0,), "m")

"""LandXML read from small files written by hand after the published schema, and from random TINs written here.

The second reader is ElementTree of the standard library, on the same text. What the schema says (LandXML-1.2, posted
2008-07-29): P is "northing easting elevation" with a required positive id, unique per surface; F lists 3 (TIN) or 4
(grid) of those ids, i="1" is invisible; elevationUnit is meter, kilometer, feet or miles, and meter by default.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.errors import InputError
from geoadjust.io.landxml import meshes as landxml_faces
from geoadjust.io.landxml import stream as landxml_parts
from geoadjust.io.landxml.document import SurfaceFacts, describe_landxml, read_mesh, read_surface
from tests.io.landxml.writing import (
    FACES,
    POINTS,
    SPACE,
    VERTICES,
    WHERE,
    fault,
    surface,
    text_of,
    with_surfaces,
)

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


@pytest.mark.parametrize("space", ["", SPACE.format("1.0"), "https://www.landxml.org/schema/LandXML-1.1"])
def test_namespaces_that_a_writer_mixes(write, space):
    """Half a surface must not look like a whole one: a second block of faces in another namespace, or in none."""
    blocks = f"</Faces><Faces xmlns='{space}'><F>7 3 5</F></Faces>"
    path = write(with_surfaces(surface().replace("</Faces>", blocks)))
    assert read_mesh(path, where=WHERE).faces.tolist() == [[0, 1, 2], [1, 3, 2], [0, 1, 3]]
    path = write(with_surfaces(surface()).replace("<Surfaces>", f"<Surfaces xmlns='{space}'>"))
    assert read_surface(path, where=WHERE).facts.surfaces == (SurfaceFacts("EG", 4, 2, "TIN"),)
    path = write(with_surfaces(surface().replace("<Faces>", f"<Faces xmlns='{SPACE.format('1.2')}'>"), space=""))
    assert len(read_mesh(path, where=WHERE).faces) == 2


def test_text_in_pieces(write):
    """Comments, processing instructions, CDATA and references of characters are no part of a text's meaning."""
    text = with_surfaces(surface())
    text = text.replace("20 10 1.5", "2<?x y?>0 <!-- note -->1<![CDATA[0]]>&#32;&#x31;.5\r\n\t")
    text = text.replace("7 3 40", "<![CDATA[7 3]]><!-- --> 4<?p?>0").replace('id="7"', "code='a' id = '7'\n")
    mesh = read_mesh(write(text), where=WHERE)
    assert mesh.vertices.tolist() == VERTICES
    assert mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]


def test_definitions_of_one_surface_belong_together(write):
    first, second = surface(faces="<F>7 3 40</F>"), surface(points="", faces="<F>3 5 40</F>")
    path = write(with_surfaces(first.replace("</Surface>", "") + second.removeprefix('<Surface name="EG">')))
    assert describe_landxml(path, where=WHERE).surfaces == (SurfaceFacts("EG", 4, 2, "TIN"),)
    assert read_mesh(path, where=WHERE).faces.tolist() == [[0, 1, 2], [1, 3, 2]]


def test_invisible_faces_are_holes(write):
    faces = '<F i=" 01 ">7 3 40</F><F i="0">3 5 40</F><F i="1">1 2 3 4</F>'
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
        ('<P id="9" pntRef="A"/>', "P '9', line 1: refers to the point 'A' outside the surface"),
        ('<P id="9"/>', "P '9', line 1: ''"),
        ("<P>1 2 3</P>", "P '', line 1: no id"),
        ('<P id="9">1 2 3,5</P>', "P '9': '1 2 3,5'"),
        ('<P id="9">1 2 NaN</P>', "P '9': '1 2 NaN'"),
        ('<P id="9">1 INF 3</P>', "P '9': '1 INF 3'"),
        ('<P id="9">1 2 1e999</P>', "P '9': '1 2 1e999'"),
        ('<P id="9">1 2 -1.797693E+308</P>', "P '9': '1 2 -1.797693E+308'"),
        ('<P id="9">1000000000 2 3</P>', "P '9': '1000000000 2 3'"),
        ('<P id="x">1 y z</P>', "P 'x': the id is no whole number"),
        ('<P id="9">1 2_0 3</P>', "P '9': '1 2_0 3'"),
        ('<P id="9">1 2 -</P>', "P '9': '1 2 -'"),
        ('<P id="9">1 2 ٣</P>', "P '9', line 1: '1 2 ٣'"),
        ('<P id="9">1\u00a0200 3</P>', "P '9', line 1: '1\\xa0200 3'"),
        ('<P id="9">1.200,5 2 3</P>', "P '9': '1.200,5 2 3'"),
        ('<P id="9">1 200 2 3</P>', "P '9', line 1: '1 200 2 3'"),
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
        ("<F>7 3\u00a040</F>", "F 3, line 1: '7 3\\xa040'"),
        ("<F>7,3,40</F>", "F 3, line 1: '7,3,40'"),
        ('<F i="2">7 3 40</F>', "F 3, line 1: i='2'"),
        ('<F i="no">7 3 40</F>', "F 3, line 1: i='no'"),
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


def test_surfaces_that_no_name_tells_apart(write):
    for names in (("", ""), ("EG", "EG"), ("", "EG")):
        message = fault(read_mesh, write(with_surfaces(*map(surface, names))))
        assert "give each a name of its own" in message
        assert "layer" not in message


def test_long_texts_are_cut_in_a_fault(write):
    long = "7" * 100_000
    texts = (
        with_surfaces(surface(long), surface("EG")),
        with_surfaces(surface(points=f'{POINTS}<P id="{long}">1 2 3</P>')),
        with_surfaces(surface(points=f'{POINTS}<P id="{long}">1 2</P>')),
        with_surfaces(surface(points=f'{POINTS}<P id="9">1 2 {long}</P>')),
        with_surfaces(surface(faces=f"<F>7 3 {long}</F>")),
        with_surfaces(surface(faces=f"<F i='{long}'>7 3 40</F>")),
    )
    for text in texts:
        message = fault(read_mesh, write(text))
        assert "77777'..." in message
        assert len(message) < 600


def test_a_surface_with_bad_points_is_counted_like_any_other(write):
    bad = surface("bad", points=POINTS + '<P id="x">1 2 3</P><P id="9">1 2</P>', faces=FACES + "<F>1</F>")
    path = write(with_surfaces(bad, surface("EG")))
    assert "'bad' (6 points, 3 faces), 'EG' (4 points, 2 faces)" in fault(read_mesh, path)
    assert describe_landxml(path, where=WHERE).surfaces[0] == SurfaceFacts("bad", 6, 3, "TIN")


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

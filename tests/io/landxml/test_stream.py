"""What is no LandXML, what the parser must not be made to do, and every encoding."""

from __future__ import annotations

import codecs
import gzip
import os
from pathlib import Path

import pytest

from geoadjust.io.landxml import stream as landxml_parts
from geoadjust.io.landxml.document import describe_landxml, read_mesh, read_surface
from geoadjust.io.landxml.structs import read_structs
from tests.io.landxml.writing import POINTS, WHERE, fault, surface, text_of, with_surfaces

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
        (GOOD + "\0\0", "is broken XML"),
        ('<?xml version="1.0" encoding="utf-16"?>' + GOOD, "has an encoding that cannot be read"),
        ('<?xml version="1.0" encoding="hex"?>' + GOOD, "has an encoding that cannot be read"),
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


def test_more_of_a_thing_than_is_kept(write, monkeypatch):
    monkeypatch.setattr(landxml_parts, "CHUNK", 1000)
    monkeypatch.setattr(landxml_parts, "MOST_NAMES", 500)
    monkeypatch.setattr("geoadjust.io.landxml.document.MOST_SURFACES", 20)
    monkeypatch.setattr("geoadjust.io.landxml.structs.MOST_STRUCTS", 20)
    names = "".join(f"<n{number}/>" for number in range(1000))
    spaces = "".join(f"<n xmlns='u{number}'/>" for number in range(1000))
    prefixes = "".join(f"<n xmlns:p{number}='u'/>" for number in range(1000))
    for text in (names, spaces, prefixes):
        assert "more than 500 different names" in fault(read_mesh, write(text_of(text)))
    assert describe_landxml(write(text_of("<n/>" * 1000)), where=WHERE).surfaces == ()
    assert "more than 20 surfaces, line 1" in fault(describe_landxml, write(with_surfaces("<Surface/>" * 21)))
    assert len(describe_landxml(write(with_surfaces("<Surface/>" * 20)), where=WHERE).surfaces) == 20
    structs = "<PipeNetworks><PipeNetwork><Structs>{}</Structs></PipeNetwork></PipeNetworks>"
    assert "more than 20 structures" in fault(read_structs, write(text_of(structs.format("<Struct/>" * 21))))
    assert len(read_structs(write(text_of(structs.format("<Struct/>" * 20))), where=WHERE)) == 20

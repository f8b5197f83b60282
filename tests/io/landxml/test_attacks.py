"""Files that are cut off, damaged or hostile: always a clear fault or a right reading, in bounded memory.

A right reading is that of a second reader, ElementTree of the standard library, of the same bytes. A file with a
changed digit is another file. Seeds are fixed.
"""

from __future__ import annotations

import tracemalloc
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from geoadjust.errors import InputError
from geoadjust.io.landxml.document import describe_landxml, read_surface
from geoadjust.io.landxml.structs import read_structs
from tests.io.landxml.writing import WHERE, fault, surface, text_of

CASES = 300
MIB = 2**20


def site():
    """A file with two surfaces, one of them with a hole, a CRS, and a network."""
    points = "\n".join(f'<P id="{10 + 3 * k}">{4500000 + k // 5} {500000 + k % 5} {100 + k / 8}</P>' for k in range(25))
    west = [k for k in range(20) if k % 5 < 4]
    corners = [(k, k + 1, k + 5) for k in west] + [(k + 1, k + 6, k + 5) for k in west]
    faces = []
    for row, corner in enumerate(corners):
        hidden = ' i="1"' if row == 7 else ""
        faces.append(f"<F{hidden} n='{row} 0 {row + 1}'>{' '.join(str(10 + 3 * k) for k in corner)}</F>")
    structs = "".join(
        f'<Struct name="S{k}" elevRim="{100 + k}"><Center>{4500000 + k} 500001</Center><InletStruct/></Struct>\n'
        for k in range(4)
    )
    network = f'<PipeNetworks><PipeNetwork name="é"><Structs>{structs}</Structs></PipeNetwork></PipeNetworks>'
    surfaces = f"<Surfaces>{surface('EG', points, chr(10).join(faces))}\n{surface('FG')}</Surfaces>"
    return text_of('<CoordinateSystem epsgCode="32617"/>', network, surfaces)


def attempt(call, *arguments):
    """What a reader gives; None where it refuses with faults that are short and have their place."""
    try:
        return call(*arguments, where=WHERE)
    except InputError as error:
        faults = error.faults
    assert faults
    assert all(one.where == WHERE and len(str(one)) < 1000 for one in faults)
    return None


def below(root, path):
    space = root.tag.removesuffix(root.tag.rpartition("}")[2])
    return root.findall("/".join(space + step for step in path.split("/")))


def own_text(element):
    return (element.text or "") + "".join(child.tail or "" for child in element)


def check_surface(read, data):
    """Vertices and visible faces of the surface EG."""
    (eg,) = (one for one in below(ElementTree.fromstring(data), "Surfaces/Surface") if one.get("name") == "EG")
    points = below(eg, "Definition/Pnts/P")
    ids = {int(point.get("id")): place for place, point in enumerate(points)}
    vertices = [[float(value) for value in own_text(point).split()] for point in points]
    shown = [face for face in below(eg, "Definition/Faces/F") if face.get("i") != "1"]
    faces = [[ids[int(one)] for one in own_text(face).split()] for face in shown]
    assert read.mesh.vertices[:, [1, 0, 2]].tolist() == vertices
    assert read.mesh.faces.tolist() == [face for face in faces if len(set(face)) == 3]


def check_structs(read, data):
    """Names, and rims where they are numbers."""
    structs = below(ElementTree.fromstring(data), "PipeNetworks/PipeNetwork/Structs/Struct")
    assert read.name == [one.get("name", "") for one in structs]
    for row, one in enumerate(structs):
        if not np.isnan(read.elev_rim[row]):
            assert read.elev_rim[row] == float(one.get("elevRim"))


def check(path, data):
    """Read surface and network, and compare what is read; how many of the two were."""
    found, structs = attempt(read_surface, path, "EG"), attempt(read_structs, path)
    if found is not None:
        check_surface(found, data)
    if structs is not None:
        check_structs(structs, data)
    return (found is not None) + (structs is not None)


def test_the_whole_file_is_read(write):
    path = write(site())
    assert check(path, path.read_bytes()) == 2
    assert len(read_surface(path, "EG", where=WHERE).mesh.faces) == 31
    assert len(read_structs(path, where=WHERE)) == 4


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_cut_off_anywhere(write, encoding):
    data = site().encode(encoding)
    for part in range(1, 100):
        path = write(data[: len(data) * part // 100])
        for call in (describe_landxml, read_surface, read_structs):
            assert "is cut off" in fault(call, path)


def flipped(data, random):
    """One to three bits turned over."""
    changed = bytearray(data)
    for place in random.integers(0, len(data), random.integers(1, 4)):
        changed[place] ^= 1 << int(random.integers(0, 8))
    return bytes(changed)


def replaced(data, random):
    """A stretch of the file written over with another stretch of it."""
    start, other = (int(place) for place in random.integers(0, len(data) - 40, 2))
    gone, size = (int(length) for length in random.integers(1, 40, 2))
    return data[:start] + data[other : other + size] + data[start + gone :]


def without_a_line(data, random):
    """One to three lines lost: often valid XML that lacks points, faces or the end of a block."""
    lines = data.splitlines(keepends=True)
    for _ in range(int(random.integers(1, 4))):
        del lines[int(random.integers(0, len(lines)))]
    return b"".join(lines)


@pytest.mark.parametrize("damage", [flipped, replaced, without_a_line])
def test_damaged(write, damage):
    data, random = site().encode(), np.random.default_rng(4)
    changed = [damage(data, random) for _ in range(CASES)]
    read = sum(check(write(one), one) for one in changed)
    assert 0 < read < 2 * CASES


HOSTILE = {
    "elements": ("", "<junk a='1'><b/></junk>", ""),
    "prefixes": ("", "<n xmlns:p{}='u'/>", ""),
    "text": ("", "1234567890 ", ""),
    "text passed over": ("<x>", "1234567890 ", "</x>"),
    "text of a point": ("<Surfaces><Surface><Definition><Pnts><P id='1'>", "1234567890 ", ""),
    "attribute": ("<x a='", "1234567890 ", "'/>"),
    "comment": ("<!--", "1234567890 ", "-->"),
    "deep": ("", "<a>", ""),
    "points": ("<Surfaces><Surface><Definition><Pnts>", "<P id='1'>x</P>", "</Pnts></Definition></Surface></Surfaces>"),
    "surfaces": ("<Surfaces>", "<Surface/>", "</Surfaces>"),
    "blocks": ("<PipeNetworks><PipeNetwork>", "<Structs/>", "</PipeNetwork></PipeNetworks>"),
    "named points": ("<CgPoints>", "<CgPoint name='1'>1 2 3</CgPoint>", "</CgPoints>"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_memory_does_not_grow_with_the_file(write, monkeypatch, name):
    """2 MiB of one thing under limits of 1/4 MiB and 2000 names."""
    monkeypatch.setattr("geoadjust.io.landxml.stream.LONGEST", MIB // 4)
    monkeypatch.setattr("geoadjust.io.landxml.stream.CHUNK", MIB // 16)
    monkeypatch.setattr("geoadjust.io.landxml.stream.MOST_NAMES", 2000)
    before, one, after = HOSTILE[name]
    path = write(text_of(before, *(one.format(number) for number in range(2 * MIB // len(one))), after))
    tracemalloc.start()
    try:
        for call in (read_surface, read_structs):
            attempt(call, path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2 * MIB

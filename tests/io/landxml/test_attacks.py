"""Files that are cut off, damaged or hostile: always a clear fault or a right reading, in bounded memory and time.

A right reading is the one of a second reader, ElementTree of the standard library, of the same bytes. A changed digit
is a right reading of another file. Seeds are fixed.
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
HIDDEN = ' i="1"'
MIB = 2**20


def site():
    """A file with two surfaces, one of them with a hole, a CRS, and a network."""
    points = "\n".join(f'<P id="{10 + 3 * k}">{4500000 + k // 5} {500000 + k % 5} {100 + k / 8}</P>' for k in range(25))
    corners = [(k, k + 1, k + 5) for k in range(20) if k % 5 < 4] + [
        (k + 1, k + 6, k + 5) for k in range(20) if k % 5 < 4
    ]
    faces = "\n".join(
        f"<F{HIDDEN * (row == 7)} n='{row} 0 {row + 1}'>{' '.join(str(10 + 3 * k) for k in corner)}</F>"
        for row, corner in enumerate(corners)
    )
    structs = "".join(
        f'<Struct name="S{k}" elevRim="{100 + k}"><Center>{4500000 + k} 500001</Center><InletStruct/></Struct>\n'
        for k in range(4)
    )
    network = f'<PipeNetworks><PipeNetwork name="é"><Structs>{structs}</Structs></PipeNetwork></PipeNetworks>'
    surfaces = f"<Surfaces>{surface('EG', points, faces)}\n{surface('FG')}</Surfaces>"
    return text_of('<CoordinateSystem epsgCode="32617"/>', network, surfaces)


def read(path):
    """What the door reads of the surface EG and of the network; None where it refuses with short faults."""
    found, faults = [], []
    for call, arguments in ((read_surface, ("EG",)), (read_structs, ())):
        try:
            found.append(call(path, *arguments, where=WHERE))
        except InputError as error:
            found.append(None)
            faults.append([str(one) for one in error.faults])
    assert all(faults)
    assert all(one.startswith(WHERE) and len(one) < 1000 for told in faults for one in told)
    return found


def find(above, path):
    """Elements by their path, in the namespace of the root."""
    root, element = above
    space = root.tag.removesuffix("LandXML")
    return element.findall("/".join(space + step for step in path.split("/")))


def second_surface(root):
    """Vertices, northing first, and visible faces of the surface EG, by a second reader."""
    (eg,) = (one for one in find((root, root), "Surfaces/Surface") if one.get("name") == "EG")
    points = find((root, eg), "Definition/Pnts/P")
    faces = [face for face in find((root, eg), "Definition/Faces/F") if face.get("i", "0") != "1"]
    ids = {int(point.get("id")): place for place, point in enumerate(points)}
    vertices = [[float(value) for value in "".join(point.itertext()).split()] for point in points]
    return vertices, [[ids[int(one)] for one in face.text.split()] for face in faces]


def check_against(data, found):
    """Compare what the door read with the second reader; whether it read anything."""
    surface_read, structs = found
    if surface_read is None and structs is None:
        return False
    root = ElementTree.fromstring(data)
    if surface_read is not None:
        vertices, faces = second_surface(root)
        assert surface_read.mesh.vertices[:, [1, 0, 2]].tolist() == vertices
        assert surface_read.mesh.faces.tolist() == [face for face in faces if len(set(face)) == 3]
    if structs is not None:
        network = find((root, root), "PipeNetworks/PipeNetwork/Structs/Struct")
        assert list(structs.name) == [one.get("name", "") for one in network]
    return True


def test_the_whole_file_is_read(write):
    data = site().encode()
    found = read(write(data))
    assert check_against(data, found)
    assert len(found[0].mesh.faces) == 31
    assert len(found[1]) == 4


def test_cut_off_anywhere(write):
    data = site().encode()
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
    size = int(random.integers(1, 40))
    return data[:start] + data[other : other + size] + data[start + int(random.integers(0, 40)) :]


@pytest.mark.parametrize("damage", [flipped, replaced])
def test_damaged(write, damage):
    data, random = site().encode(), np.random.default_rng(4)
    read_right = 0
    for _ in range(CASES):
        changed = damage(data, random)
        read_right += check_against(changed, read(write(changed)))
    assert 0 < read_right < CASES


def hostile(name, size):
    """Pieces of a file that is about `size` bytes long."""
    units = {
        "elements": ("", "<junk a='1'><b/></junk>", ""),
        "text": ("", "1234567890 ", ""),
        "text of a point": ("<Surfaces><Surface><Definition><Pnts><P id='1'>", "1234567890 ", ""),
        "attribute": ("<x a='", "1234567890 ", "'/>"),
        "comment": ("<!--", "1234567890 ", "-->"),
        "deep": ("", "<a>", ""),
        "points": ("<Surfaces><Surface><Definition><Pnts>", "<P/>", ""),
        "surfaces": ("<Surfaces>", "<Surface/>", ""),
        "structures": ("<PipeNetworks><PipeNetwork><Structs>", "<Struct/>", ""),
        "blocks": ("<PipeNetworks><PipeNetwork>", "<Structs/>", ""),
        "named points": ("<CgPoints>", "<CgPoint name='1'>1 2 3</CgPoint>", ""),
    }
    before, one, after = units[name]
    return text_of(before, one * (size // len(one)), after)


def peak_of(call, path):
    """Most bytes that a call holds; a refusal is short."""
    told = ""
    tracemalloc.start()
    try:
        call(path, where=WHERE)
    except InputError as error:
        told = str(error)
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert len(told) < 1000
    return peak


@pytest.mark.parametrize("call", [describe_landxml, read_surface, read_structs])
@pytest.mark.parametrize(
    "name", ["elements", "text", "text of a point", "attribute", "comment", "deep", "points", "surfaces", "blocks"]
)
def test_memory_does_not_grow_with_the_file(write, monkeypatch, name, call):
    monkeypatch.setattr("geoadjust.io.landxml.stream.LONGEST", MIB // 4)
    small, large = (peak_of(call, write(hostile(name, int(size * MIB)).encode(), f"{size}.xml")) for size in (0.5, 2))
    assert large < small + MIB

"""Pipe networks of LandXML as a layer of structures: positions, rims, kinds, units, and what is refused.

Truth: the numbers written into the file. Element and attribute names: the LandXML 1.2 schema (from memory).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from geoadjust.core.rules import StructuresTable
from geoadjust.errors import InputError
from geoadjust.io.intake.structures import describe_structures, read_batches

HEAD = '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">'
FOOT = 0.3048
BODIES = [
    '<Struct name="SS-1" elevRim="{a}" elevSump="{s}" desc="&lt;old&gt;"><CircStruct diameter="1.2"/>'
    "<Center>4500000.5 500001.25</Center></Struct>",
    '<Struct name="IN-2" elevRim="{b}"><InletStruct inletCase="curb"/><Center>4500010 500002 97.5</Center></Struct>',
    '<Struct name="SS-3"><RectStruct length="2" width="1"/></Struct>',
]


def write(path: Path, *, units: str = "meter", epsg: str = "32617", bodies: list[str] | None = None) -> Path:
    system = "Metric" if units == "meter" else "Imperial"
    scale = 1.0 if units == "meter" else 1 / FOOT
    text = "".join(bodies if bodies is not None else BODIES)
    text = text.format(a=100.125 * scale, b=99.5 * scale, s=97.0 * scale)
    crs = f'<CoordinateSystem epsgCode="{epsg}"/>' if epsg else ""
    unit = f'<Units><{system} linearUnit="{units}"/></Units>' if units else ""
    network = f'<PipeNetworks><PipeNetwork name="sewer"><Structs>{text}</Structs></PipeNetwork></PipeNetworks>'
    path.write_text(f"{HEAD}{unit}{crs}{network}</LandXML>")
    return path


def facts(path: Path, **settings: Any) -> Any:
    return describe_structures(StructuresTable(str(path), **settings))


def test_every_structure_is_a_row(tmp_path: Path) -> None:
    found = facts(write(tmp_path / "net.xml"))
    (batch,) = read_batches(found)
    assert batch.attributes.column("name").to_pylist() == ["SS-1", "IN-2", "SS-3"]
    assert batch.attributes.column("kind").to_pylist() == ["", "inlet", ""]
    assert batch.attributes.column("struct_type").to_pylist() == ["circular", "inlet", "rectangular"]
    assert batch.attributes.column("elev_rim").to_pylist() == [100.125, 99.5, None]
    assert batch.attributes.column("desc").to_pylist() == ["<old>", "", ""]
    assert batch.east.tolist()[:2] == [500001.25, 500002.0]
    assert batch.north.tolist()[:2] == [4500000.5, 4500010.0]
    assert batch.parts.tolist() == [1, 1, 0]
    assert found.columns["id"], found.columns["rim"] == ("name", "elev_rim")
    assert "bearing" not in found.columns
    assert found.vertical_unit == "m"


def test_batches_and_chosen_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoadjust.io.intake.structures.BATCH", 2)
    batches = list(read_batches(facts(write(tmp_path / "net.xml")), only=["name"]))
    assert [batch.first for batch in batches] == [0, 2]
    assert [batch.attributes.column_names for batch in batches] == [["name"], ["name"]]
    assert [len(batch) for batch in batches] == [2, 1]


def test_the_job_maps_otherwise(tmp_path: Path) -> None:
    found = facts(write(tmp_path / "net.xml"), columns={"id": "desc", "note": "name"})
    assert found.columns["id"] == "desc"
    assert found.columns["rim"] == "elev_rim"


@pytest.mark.parametrize(
    ("settings", "where", "text"),
    [
        ({"units": "foot"}, "structures.crs", "coordinates in ft"),
        ({"epsg": ""}, "structures.crs", "states no CRS"),
        ({"bodies": []}, "structures.path", "no structure"),
    ],
)
def test_what_is_refused(tmp_path: Path, settings: dict[str, Any], where: str, text: str) -> None:
    with pytest.raises(InputError) as caught:
        facts(write(tmp_path / "net.xml", **settings))
    assert [text in str(fault) for fault in caught.value.faults if fault.where == where] == [True]

"""What decides a result: equal for equal runs, different as soon as anything that matters differs."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace

import pytest

import geoadjust
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.rules import FinishedTable, Job, OutputTable, RuleSet, StructuresTable, SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.intake.structures import StructureFacts
from geoadjust.io.raster.rasters import RasterFacts
from geoadjust.io.raster.tiles import Tile
from geoadjust.io.results.record import (
    LIBRARIES,
    SourceFile,
    deciding_facts,
    describe_file,
    hash_of,
    hash_of_code,
    run_facts,
    source_facts,
)


@dataclass(frozen=True)
class Sources:
    job: Job
    structures: StructureFacts
    surfaces: tuple[RasterFacts, ...]
    catalogue: Catalogue
    files: tuple[SourceFile, ...] = ()


JOB = Job(
    structures=StructuresTable("/data/in/covers.gpkg", columns={"id": "NO"}),
    surface=(SurfaceTable("/data/in/road.tif", vertical_unit="m"),),
    output=OutputTable("/data/out"),
    finished=(FinishedTable(mill=0.04, areas="/data/in/paving.gpkg"),),
)
STRUCTURES = StructureFacts("/data/in/covers.gpkg", "GPKG", "covers", "EPSG:32617", ("NO",), {"id": "NO"}, "sha256:aa")
ROAD = RasterFacts(
    path="/data/in/road.tif",
    name="road",
    band=1,
    crs="EPSG:32617",
    vertical_unit="m",
    vertical_datum="",
    noise=0.0,
    density=0.0,
    width=10,
    height=20,
    transform=(0.5, 0.0, 0.0, 0.0, -0.5, 0.0),
    block=(64, 64),
    cell_bytes=4,
    tile_size=(20, 10),
    fingerprint="sha256:bb",
    tiles=(Tile("/data/in/road.tif", 0, 0, 10, 20, (64, 64), "float32", None, False, 1.0, 0.0, "sha256:bb"),),
)
SOURCES = Sources(JOB, STRUCTURES, (ROAD,), Catalogue(ring=(RingPart("r", 0.05),)))


def changed(**parts):
    """The sources with something else in some of their parts."""
    sources = SOURCES
    for name, values in parts.items():
        whole = name in ("surfaces", "files")
        sources = replace(sources, **{name: values if whole else replace(getattr(sources, name), **values)})
    return sources


# ---------------------------------------------------------------- the table of the run


def test_every_value_is_json():
    facts = run_facts(SOURCES, {"road": "none: the same CRS"})
    parsed = {key: json.loads(value) for key, value in facts.items()}
    assert parsed["geoadjust"] == geoadjust.__version__
    assert set(parsed["libraries"]) == set(LIBRARIES)
    assert parsed["rules"][0]["name"] == "example"
    assert parsed["catalogue"]["ring"][0]["id"] == "r"
    assert parsed["structures"] == {"fingerprint": "sha256:aa", "columns": {"id": "NO"}}
    assert parsed["surfaces"]["road"]["fingerprint"] == "sha256:bb"
    assert parsed["operations"] == {"road": "none: the same CRS"}
    assert parsed["settings"]["finished"][0]["mill"] == 0.04
    assert parsed["files"] == {}


def refuse(name):
    raise ValueError(f"{name} is no JSON")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_every_value_is_strict_json(value):
    # RFC 8259, 6: numbers that are not finite are not permitted
    rules = RuleSet(max_chimney=value)
    ring = RingPart("r", value, price=value)
    facts = run_facts(changed(job={"rules": (rules,)}, catalogue={"ring": (ring,)}), {})
    parsed = {key: json.loads(text, parse_constant=refuse) for key, text in facts.items()}
    assert parsed["rules"][0]["max_chimney"] is None
    assert parsed["catalogue"]["ring"][0]["price"] is None


def test_no_folder_and_no_output_stand_in_it():
    text = json.dumps(run_facts(SOURCES, {}))
    assert "/data" not in text
    assert "covers.gpkg" in text
    assert "paving.gpkg" in text
    assert "output" not in json.loads(run_facts(SOURCES, {})["settings"])


def test_non_ascii_and_odd_texts_are_kept():
    sources = changed(structures={"columns": {"id": 'Größe "№"\n'}})
    assert json.loads(run_facts(sources, {})["structures"])["columns"]["id"] == 'Größe "№"\n'


# ---------------------------------------------------------------- the hash


def settings_hash(sources):
    return hash_of(deciding_facts(sources, {}))


def test_equal_sources_have_equal_hashes():
    assert settings_hash(SOURCES) == settings_hash(changed(job={})) == settings_hash(replace(SOURCES))
    assert len(settings_hash(SOURCES)) == 24
    assert int(settings_hash(SOURCES), 16) > 0


MOVED = {
    "another output folder": {"job": {"output": OutputTable("/elsewhere", units="us")}},
    "the same files in another folder": {"job": {"structures": replace(JOB.structures, path="/mnt/covers.gpkg")}},
    "paving areas in another folder": {"job": {"finished": (replace(JOB.finished[0], areas="/mnt/paving.gpkg"),)}},
    "another order of the mapping": {"structures": {"columns": dict(reversed([*STRUCTURES.columns.items()]))}},
}


@pytest.mark.parametrize("parts", MOVED.values(), ids=MOVED)
def test_what_changes_no_figure_changes_no_hash(parts):
    assert settings_hash(changed(**parts)) == settings_hash(SOURCES)


OTHERS = {
    "a rule": {"job": {"rules": (RuleSet(tolerance=0.007),)}},
    "the ring": {"job": {"ring": replace(JOB.ring, outer_radius=1.6)}},
    "mill": {"job": {"finished": (FinishedTable(mill=0.05),)}},
    "a unit of the structures": {"job": {"structures": replace(JOB.structures, dimension_unit="in")}},
    "the structures": {"structures": {"fingerprint": "sha256:ab"}},
    "their columns": {"structures": {"columns": {"id": "OTHER"}}},
    "their crs": {"structures": {"crs": "EPSG:32618"}},
    "the raster": {"surfaces": (replace(ROAD, fingerprint="sha256:bc"),)},
    "its band": {"surfaces": (replace(ROAD, band=2),)},
    "its unit": {"surfaces": (replace(ROAD, vertical_unit="ft"),)},
    "a design surface": {"surfaces": (ROAD, replace(ROAD, name="design", fingerprint="sha256:dd"))},
    "the catalogue": {"catalogue": {"ring": (RingPart("r", 0.051),)}},
    "paving areas": {"files": (SourceFile("areas", "/data/in/a.gpkg", "sha256:ee"),)},
    "other paving areas": {"files": (SourceFile("areas", "/data/in/a.gpkg", "sha256:ef"),)},
    "centrelines": {"files": (SourceFile("centrelines", "/data/in/s.gpkg", "sha256:ee"),)},
    "the file of the catalogue": {"files": (SourceFile("catalogue", "/data/in/p.toml", "sha256:ee"),)},
    "a price": {"catalogue": {"ring": (RingPart("r", 0.05, price=3.0),)}},
}


@pytest.mark.parametrize("parts", OTHERS.values(), ids=OTHERS)
def test_what_changes_a_figure_changes_the_hash(parts):
    assert settings_hash(changed(**parts)) != settings_hash(SOURCES)


def test_all_hashes_differ():
    hashes = {settings_hash(changed(**parts)) for parts in OTHERS.values()}
    assert len(hashes) == len(OTHERS)


def test_odd_file_names_have_a_hash():
    # bytes of a name that are no UTF-8 reach us as lone surrogates (PEP 383)
    assert settings_hash(changed(job={"structures": replace(JOB.structures, path="/in/\udcff.gpkg")}))


def test_the_way_of_the_coordinates_changes_the_hash():
    assert hash_of(deciding_facts(SOURCES, {"road": "a"})) != hash_of(deciding_facts(SOURCES, {"road": "b"}))


def test_the_code_has_a_hash_of_its_text(tmp_path, monkeypatch):
    (tmp_path / "core").mkdir()
    (tmp_path / "__init__.py").write_text("1")
    (tmp_path / "core" / "a.py").write_text("2")
    monkeypatch.setattr(geoadjust, "__file__", str(tmp_path / "__init__.py"))
    first = hash_of_code()
    assert first == "sha256:" + hashlib.sha256(b"__init__.py\n1core/a.py\n2").hexdigest()
    (tmp_path / "core" / "a.py").write_text("3")
    assert hash_of_code() != first


# ---------------------------------------------------------------- sources


def test_sources_say_where_they_lie():
    found = source_facts(SOURCES)
    assert found["structures"] == {"path": "/data/in/covers.gpkg", "layer": "covers", "fingerprint": "sha256:aa"}
    (road,) = found["surfaces"]
    assert (road["path"], road["size"], road["band"]) == ("/data/in/road.tif", [10, 20], 1)
    assert json.loads(json.dumps(found)) == found


FILES = (SourceFile("areas", "/data/in/paving.gpkg", "sha256:ee"), SourceFile("catalogue", "/data/p.toml", "sha256:ff"))


def test_files_that_are_read_whole_are_told_by_role():
    sources = changed(files=FILES)
    parsed = json.loads(run_facts(sources, {})["files"])
    assert parsed == {"areas": "sha256:ee", "catalogue": "sha256:ff"}
    found = source_facts(sources)
    assert found["areas"] == {"path": "/data/in/paving.gpkg", "fingerprint": "sha256:ee"}
    assert found["catalogue"]["path"] == "/data/p.toml"
    assert "centrelines" not in found


def test_a_file_is_told_by_its_content(tmp_path):
    # FIPS 180-4, example of one block: the message "abc"
    path = tmp_path / "parts.toml"
    path.write_bytes(b"abc")
    file = describe_file("catalogue", str(path), where="catalogue.path")
    assert (file.role, file.path) == ("catalogue", str(path))
    assert file.fingerprint == "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_file_that_is_missing_is_told_with_its_job_key(tmp_path):
    with pytest.raises(InputError, match=r"^centrelines\.path: .*missing"):
        describe_file("centrelines", str(tmp_path / "s.gpkg"), where="centrelines.path")

"""Job files: the file, flags on top, --set on top of both; every fault with its place."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from geoadjust.errors import InputError, UsageError
from geoadjust.io.jobfile import read_job, read_toml
from geoadjust.process import template

LEAST = '[structures]\npath = "covers.gpkg"\n[surface]\npath = "road.tif"\n'


def write(folder, text, name="job.toml", encoding="utf-8"):
    path = folder / name
    path.write_text(text, encoding=encoding)
    return path


@pytest.fixture
def least(tmp_path):
    return write(tmp_path, LEAST)


def faults(*arguments, **options):
    with pytest.raises(InputError) as caught:
        read_job(*arguments, **options)
    return {fault.where: fault for fault in caught.value.faults}


# ---------------------------------------------------------------- the file


def test_the_template_can_be_read(tmp_path):
    job = read_job(write(tmp_path, template()))
    assert Path(job.structures.path) == tmp_path / "covers.gpkg"


def test_a_byte_order_mark_does_no_harm(tmp_path):
    assert read_job(write(tmp_path, LEAST, encoding="utf-8-sig")).surface[0].band == 1


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends(tmp_path, end):
    path = tmp_path / "job.toml"
    path.write_bytes(LEAST.replace("\n", end).encode())
    assert read_job(path).structures.layer == ""


@pytest.mark.parametrize("nested", ["[" * 5000 + "]" * 5000, "{a = " * 5000 + "1" + "}" * 5000])
def test_a_file_that_is_nested_too_deeply_is_a_fault(tmp_path, nested):
    path = write(tmp_path, f"x = {nested}\n{LEAST}")
    assert "nested too deeply" in faults(path)[str(path)].what


def test_a_syntax_fault_names_file_and_line(tmp_path):
    path = write(tmp_path, LEAST + "[ring\n")
    ((where, fault),) = faults(path).items()
    assert where == str(path)
    assert "line 5" in fault.what


def test_a_file_that_is_no_text(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(b"[structures]\npath = '\xff'\n")
    assert "not valid TOML" in next(iter(faults(path).values())).what


@pytest.mark.parametrize("name", ["missing.toml", "."])
def test_no_such_file(tmp_path, name):
    assert "job" in faults(tmp_path / name)


def test_a_table_twice_is_a_syntax_fault(tmp_path):
    path = write(tmp_path, LEAST + '[surface]\npath = "again.tif"\n')
    with pytest.raises(InputError, match="not valid TOML"):
        read_toml(path, where="job")


def test_all_faults_at_once(tmp_path):
    text = '[structures]\nlayr = "x"\n[surface]\npath = "r"\nband = 0\n[ring]\nstep = 3\n[typo]\n'
    found = faults(write(tmp_path, text))
    assert set(found) == {"structures.path", "structures.layr", "surface.0.band", "ring.step", "typo"}
    assert found["structures.layr"].remedy == "did you mean layer?"


# ---------------------------------------------------------------- paths


def test_paths_are_relative_to_the_job_file(tmp_path, monkeypatch):
    text = LEAST + '[finished]\npath = "../design.tif"\n[centrelines]\npath = "lines/s.gpkg"\n'
    text += '[catalogue]\npath = "parts.toml"\n[output]\npath = "out"\n'
    folder = tmp_path / "jobs"
    folder.mkdir()
    path = write(folder, text)
    monkeypatch.chdir(tmp_path)
    job = read_job(Path("jobs/job.toml"))
    found = [job.structures.path, job.surface[0].path, job.finished[0].path, job.centrelines.path, job.output.path]
    expected = ["covers.gpkg", "road.tif", "../design.tif", "lines/s.gpkg", "out"]
    assert [os.path.normpath(item) for item in found] == [os.path.normpath(f"jobs/{item}") for item in expected]
    assert os.path.normpath(read_job(path).catalogue.path) == str(folder / "parts.toml")


def test_the_path_of_paving_areas_is_relative_to_the_job_file(tmp_path, monkeypatch):
    folder = tmp_path / "jobs"
    folder.mkdir()
    write(folder, LEAST + '[finished]\nareas = "maps/paving.gpkg"\nareas_layer = "phase 1"\n')
    monkeypatch.chdir(tmp_path)
    finished = read_job(Path("jobs/job.toml")).finished[0]
    assert os.path.normpath(finished.areas) == os.path.normpath("jobs/maps/paving.gpkg")
    assert (finished.path, finished.areas_layer) == ("", "phase 1")
    here = read_job(Path("jobs/job.toml"), {("finished", "areas"): "here.gpkg"})
    assert here.finished[0].areas == "here.gpkg"


def test_absolute_paths_stay(tmp_path):
    text = LEAST.replace("road.tif", "/somewhere/road.tif")
    assert read_job(write(tmp_path, text)).surface[0].path == "/somewhere/road.tif"


def test_addresses_stay_what_they_are(tmp_path):
    text = LEAST.replace("road.tif", "https://example.org/road.tif")
    assert read_job(write(tmp_path, text)).surface[0].path == "https://example.org/road.tif"


def test_every_surface_of_a_list(tmp_path):
    text = '[structures]\npath = "c.gpkg"\n[[surface]]\npath = "a.tif"\n[[surface]]\npath = "b.tif"\n'
    assert [Path(table.path).name for table in read_job(write(tmp_path, text)).surface] == ["a.tif", "b.tif"]
    assert all(Path(table.path).parent == tmp_path for table in read_job(tmp_path / "job.toml").surface)


def test_an_empty_path_is_no_path(tmp_path):
    job = read_job(write(tmp_path, LEAST + '[finished]\npath = ""\nmill = "1 in"\n'))
    assert job.finished[0].path == ""


# ---------------------------------------------------------------- flags


def test_flags_beat_the_file(least):
    flags = {("surface", "vertical_unit"): "ft", ("output", "path"): "here", ("structures", "path"): "other.gpkg"}
    job = read_job(least, flags)
    assert (job.surface[0].vertical_unit, job.output.path, job.structures.path) == ("ft", "here", "other.gpkg")
    assert job.surface[0].path == str(least.parent / "road.tif")


def test_flags_alone_make_a_job():
    job = read_job(None, {("structures", "path"): "c.gpkg", ("surface", "path"): "r.tif", ("finished", "mill"): "1 in"})
    assert (job.structures.path, job.surface[0].path) == ("c.gpkg", "r.tif")
    assert job.finished[0].mill == pytest.approx(0.0254)


def test_a_flag_speaks_to_every_surface(tmp_path):
    text = '[structures]\npath = "c.gpkg"\n[[surface]]\npath = "a.tif"\n[[surface]]\npath = "b.tif"\n'
    job = read_job(write(tmp_path, text), {("surface", "vertical_unit"): "m"})
    assert [table.vertical_unit for table in job.surface] == ["m", "m"]


def test_a_rules_file_of_a_flag_beats_the_file(tmp_path, monkeypatch):
    write(tmp_path, '[[rules]]\nname = "owner"\n', "owner.toml")
    path = write(tmp_path, LEAST + '[[rules]]\nname = "job"\n')
    monkeypatch.chdir(tmp_path)
    assert [rules.name for rules in read_job(path, {("rules", "path"): "owner.toml"}).rules] == ["owner"]


def test_a_wrong_flag_is_a_fault_of_its_key(least):
    assert set(faults(least, {("finished", "mill"): "40"})) == {"finished.0.mill"}


# ---------------------------------------------------------------- rules of the owner


def test_rules_of_their_own_file(tmp_path):
    (tmp_path / "standards").mkdir()
    rules = '[[rules]]\nname = "valves"\nkinds = ["valve"]\n[[rules]]\nname = "rest"\ntolerance = "1/4 in"\n'
    write(tmp_path / "standards", rules, "owner.toml")
    path = write(tmp_path, LEAST + '[rules]\npath = "standards/owner.toml"\n')
    job = read_job(path, settings=["rules.recess=3 mm"])
    assert [(rules.name, rules.recess) for rules in job.rules] == [("valves", 0.003), ("rest", 0.003)]
    assert job.rules[1].tolerance == pytest.approx(0.00635)


def test_a_rules_file_and_rules_together(tmp_path):
    path = write(tmp_path, LEAST + '[rules]\npath = "owner.toml"\nrecess = "3 mm"\n')
    assert "path and recess together" in faults(path)["rules"].what


def test_a_rules_file_that_is_missing_or_broken(tmp_path):
    path = write(tmp_path, LEAST + '[rules]\npath = "owner.toml"\n')
    assert set(faults(path)) == {"rules.path"}
    write(tmp_path, "[[rules]\n", "owner.toml")
    assert "not valid TOML" in faults(path)[str(tmp_path / "owner.toml")].what
    write(tmp_path, '[[rule]]\nname = "a"\n', "owner.toml")
    assert "no rule set" in faults(path)["rules"].what


# ---------------------------------------------------------------- --set


def test_set_beats_flags_and_file(least):
    job = read_job(least, {("surface", "vertical_unit"): "ft"}, ["surface.vertical_unit=m", "structures.layer=x"])
    assert (job.surface[0].vertical_unit, job.structures.layer) == ("m", "x")


def test_the_last_set_wins(least):
    assert read_job(least, settings=["structures.layer=a", "structures.layer=b"]).structures.layer == "b"


def test_rules_speak_to_all_sets(tmp_path):
    text = LEAST + '[[rules]]\nname = "a"\nkinds = ["valve"]\ntolerance = "1 mm"\n[[rules]]\nname = "b"\n'
    job = read_job(write(tmp_path, text), settings=["rules.tolerance=5 mm", "rules.max_rings=3"])
    assert [(rules.tolerance, rules.max_rings) for rules in job.rules] == [(0.005, 3), (0.005, 3)]
    assert [rules.tolerance for rules in read_job(write(tmp_path, LEAST), settings=["rules.tolerance=5 mm"]).rules] == [
        0.005
    ]


def test_nested_keys(least):
    settings = ["structures.columns.rim=RIM", "structures.columns.id=NO", 'structures.kinds.CB="inlet"']
    job = read_job(least, settings=settings)
    assert job.structures.columns == {"rim": "RIM", "id": "NO"}
    assert job.structures.kinds == {"CB": "inlet"}


def test_nested_keys_join_those_of_the_file(tmp_path):
    text = LEAST.replace("[surface]", 'columns = { id = "NO", rim = "OLD" }\n[surface]')
    job = read_job(write(tmp_path, text), settings=["structures.columns.rim=RIM"])
    assert job.structures.columns == {"id": "NO", "rim": "RIM"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("structures.layer=plain text", "plain text"),
        ('structures.layer="quoted"', "quoted"),
        ("structures.layer=a=b", "a=b"),
        ("structures.layer= spaced ", "spaced"),
        ("structures.layer=", ""),
        ("structures.layer='0012'", "0012"),
    ],
)
def test_values_are_toml_or_plain_text(least, text, expected):
    assert read_job(least, settings=[text]).structures.layer == expected


def test_values_of_other_types(least):
    job = read_job(least, settings=["output.rings=true", "surface.band=2", "structures.owners=['a', 'b']"])
    assert (job.output.rings, job.surface[0].band, job.structures.owners) == (True, 2, ["a", "b"])


def test_a_value_cannot_bring_another_table(least):
    job = read_job(least, settings=["structures.layer='x'\n[surface]\npath='evil'"])
    assert job.structures.layer == "x"
    assert job.surface[0].path == str(least.parent / "road.tif")


@pytest.mark.parametrize("text", ["nothing", "structures", "structures=", ".x=1", "tables.x=1", "structures.=1", "=1"])
def test_what_set_does_not_understand(least, text):
    with pytest.raises(UsageError, match=r"table\.key=value"):
        read_job(least, settings=[text])


@pytest.mark.parametrize(
    "text", ["structures.path.x=1", "structures.path.x.y=1", "surface.path.x=1", "structures.columns.rim.x=1"]
)
def test_set_cannot_reach_inside_a_value(tmp_path, text):
    path = write(tmp_path, LEAST.replace("[surface]", 'columns = { rim = "RIM" }\n[surface]'))
    with pytest.raises(UsageError, match="is no table"):
        read_job(path, settings=[text])


def test_a_value_that_is_nested_too_deeply(least):
    with pytest.raises(UsageError, match="nested too deeply"):
        read_job(least, settings=[f"structures.owners={'[' * 5000}{']' * 5000}"])


def test_a_wrong_key_of_set_is_a_fault(least):
    found = faults(least, settings=["rules.tolerence=5 mm", "ring.step=7"])
    assert set(found) == {"rules.0.tolerence", "ring.step"}
    assert found["rules.0.tolerence"].remedy == "did you mean tolerance?"


def test_set_makes_missing_tables(least):
    job = read_job(least, settings=["centrelines.path=streets.gpkg", "finished.mill=40 mm"])
    assert (job.centrelines.path, job.finished[0].mill) == ("streets.gpkg", 0.04)


def test_toml_is_read_as_the_standard_library_reads_it(least):
    assert read_toml(least, where="job") == tomllib.loads(LEAST)

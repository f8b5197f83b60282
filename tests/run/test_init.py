"""The job file and the examples that `init` writes: read back, sourced, and doing what their publishers say."""

import re
import tomllib
from fractions import Fraction

import numpy as np
import pytest

from geoadjust.core.columns import KINDS, METHODS
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.errors import OutputBusyError
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.jobfile import read_job
from geoadjust.run.init import example_rules, write_examples, write_job_template

INCH = Fraction(254, 10000)
PUBLISHED = {
    ("chimney-heights.toml", "rings up to 12 in", "max_chimney"): 12 * INCH,
    ("chimney-heights.toml", "16 in from cone to frame", "max_chimney"): 16 * INCH,
    ("chimney-heights.toml", "neck up to 26 in", "max_chimney"): 26 * INCH,
    ("chimney-heights.toml", "three rings", "max_rings"): 3,
    ("chimney-heights.toml", "three rings", "joint"): INCH / 2,
    ("chimney-heights.toml", "two to six rings of 2 in", "max_rings"): 6,
    ("chimney-heights.toml", "two to six rings of 2 in", "max_chimney"): 6 * 2 * INCH,
    ("tolerances.toml", "drainage, flush to 6 mm low", "recess"): Fraction(3, 1000),
    ("tolerances.toml", "drainage, flush to 6 mm low", "tolerance"): Fraction(3, 1000),
    ("tolerances.toml", "6 mm against the mean", "tolerance"): Fraction(6, 1000),
    ("tolerances.toml", "5 mm", "tolerance"): Fraction(5, 1000),
    ("tolerances.toml", "1/4 in", "tolerance"): INCH / 4,
    ("pedestrian-routes.toml", "pedestrian route", "max_edge_gap"): INCH / 4,
    ("pedestrian-routes.toml", "pedestrian route", "max_cross_slope"): Fraction(1, 48),
    ("pedestrian-routes.toml", "pedestrian route", "max_grade"): Fraction(1, 20),
    ("milling-first.toml", "lower, mill, pave, raise", "sequence"): "lower_mill_pave_raise",
    ("raised-before-paving.toml", "raised before paving", "sequence"): "raise_before_paving",
}
"""Limits as published, without geoadjust's own reading of lengths."""

JOB = '[structures]\npath = "covers.csv"\n[surface]\npath = "road.tif"\n[rules]\npath = "rules/{name}"\n'


@pytest.fixture(scope="module")
def rules(tmp_path_factory):
    """Rule sets of every example file by file name, read as a job reads them."""
    folder = tmp_path_factory.mktemp("examples")
    write_examples(folder)
    found = {}
    for name, _ in example_rules():
        (folder / "job.toml").write_text(JOB.format(name=name))
        found[name] = read_job(folder / "job.toml").rules
    return found


def one(rules, file, name):
    (found,) = [item for item in rules[file] if item.name == name]
    return found


def test_values_are_the_published_ones(rules):
    for (file, name, key), value in PUBLISHED.items():
        found = getattr(one(rules, file, name), key)
        assert found == value if isinstance(value, str) else found == pytest.approx(float(value), abs=1e-9), (file, key)


def test_every_limit_of_the_files_is_in_the_table_above():
    told = {"name", "streets", "kinds", "pedestrian", "source", "measured_by"}
    for name, text in example_rules():
        for table in tomllib.loads(text)["rules"]:
            assert {(name, table["name"], key) for key in set(table) - told} <= set(PUBLISHED)


def test_every_set_names_document_and_edition():
    for _, text in example_rules():
        assert "the owner's standard in force governs" in text
        for table in tomllib.loads(text)["rules"]:
            assert re.search(r"(19|20)\d\d|edition not stated", table["source"]), table["name"]
            assert len(table["source"]) > 30


def test_the_last_set_of_each_file_has_no_condition(rules):
    for sets in rules.values():
        assert (sets[-1].kinds, sets[-1].streets, sets[-1].pedestrian) == ((), (), "")


RINGS = Catalogue(ring=(RingPart("two", thickness=float(2 * INCH)),))


@pytest.mark.parametrize(("inches", "limit"), [(12, "rings up to 12 in"), (16, "16 in from cone to frame")])
def test_a_chimney_above_the_limit_is_for_an_engineer(inches, limit, rules, make_structures, make_roads, find):
    """Chimney = 100 m - bearing - 0.2 m casting; just below the limit it may be adjusted, just above it may not."""
    own = one(rules, "chimney-heights.toml", limit)
    for over, past in ((-0.001, False), (0.001, True)):
        structures = make_structures(bearing=100 - 0.2 - float(inches * INCH) - over, bearing_inside_diameter=0.6)
        found = find(structures, make_roads(), rules=own)
        assert ("chimney_past_limit" in found.notes()) == past
        assert (METHODS[found.verdicts.method[0]] == "rebuild") == past


def test_three_rings_of_2_in_and_not_a_fourth(rules, make_structures, make_roads, find):
    own = one(rules, "chimney-heights.toml", "three rings")
    for count, method in ((3, "rings"), (4, "rebuild")):
        height = float(count * 2 * INCH + (count + 1) * INCH / 2)
        found = find(make_structures(bearing=100 - 0.2 - height), make_roads(), rules=own, catalogue=RINGS)
        assert METHODS[found.verdicts.method[0]] == method
        assert ("rings_past_limit" in found.notes()) == (count == 4)


def test_six_rings_of_2_in(rules, make_structures, make_roads, find):
    own = one(rules, "chimney-heights.toml", "two to six rings of 2 in")
    height = float(5 * 2 * INCH) + 6 * own.joint
    found = find(make_structures(bearing=100 - 0.2 - height), make_roads(), rules=own, catalogue=RINGS)
    assert found.stacks.count.tolist() == [5]


@pytest.mark.parametrize(
    ("file", "name", "gaps"),
    [
        ("tolerances.toml", "6 mm against the mean", {-6.5: False, -5.5: True, 0.0: True, 5.5: True, 6.5: False}),
        ("tolerances.toml", "drainage, flush to 6 mm low", {-6.5: False, -5.5: True, -0.5: True, 0.5: False}),
        ("tolerances.toml", "5 mm", {-5.5: False, -4.5: True, 4.5: True, 5.5: False}),
        ("tolerances.toml", "1/4 in", {-6.5: False, -6.2: True, 6.2: True, 6.5: False}),
    ],
)
def test_which_gaps_may_stay(file, name, gaps, rules, make_structures, make_roads, find):
    """A cover so many mm above the road, on a plane, nothing paved."""
    own = one(rules, file, name)
    kind = KINDS.index("inlet") if own.kinds else 0
    structures = make_structures(len(gaps), gap=np.array(list(gaps)) / 1000, kind=kind)
    found = find(structures, make_roads(len(gaps), slope_east=0.02), rules=own)
    stays = [METHODS[method] == "keep" for method in found.verdicts.method]
    assert stays == list(gaps.values())


def test_mean_and_edge_differ_on_a_crown(rules, make_structures, make_roads, find):
    """A cover 5 mm low that is tilted by 0.9 % against the new road is 0.009 x 330 mm more off at one edge, which the
    mean of the adjacent road does not see."""
    crown = make_roads(slope_east=0.03, fold=-0.06, fold_azimuth=np.pi / 2)
    new = make_roads(slope_east=0.03 + 0.009, fold=-0.06, fold_azimuth=np.pi / 2)
    structures = make_structures(gap=-0.005)
    mean = find(structures, crown, new, rules=one(rules, "tolerances.toml", "6 mm against the mean"))
    edge = find(structures, crown, new, rules=one(rules, "tolerances.toml", "1/4 in"))
    assert METHODS[mean.verdicts.method[0]] == "keep"
    assert METHODS[edge.verdicts.method[0]] != "keep"
    assert edge.notes()["not_flush"][0] == pytest.approx(5 + 330 * 0.009, abs=1e-6)


def test_pedestrian_route(rules, make_structures, make_roads, find):
    own = one(rules, "pedestrian-routes.toml", "pedestrian route")
    for east, north, codes in (
        (0.02, 0.04, set()),
        (0.022, 0.04, {"cross_slope_past_limit"}),
        (0.0, 0.06, {"grade_past_limit"}),
    ):
        found = find(make_structures(gap=0.0), make_roads(slope_east=east, slope_north=north), rules=own)
        assert {code for code in found.notes() if code.endswith("past_limit")} == codes
    crown = make_roads(slope_east=0.05, fold=-0.1, fold_azimuth=np.pi / 2)
    found = find(make_structures(gap=0.0), crown, rules=own)
    assert found.notes()["edge_past_limit"][0] == pytest.approx(1000 * 0.05 * 0.33 * 2 / np.pi, abs=1e-3)


def test_sequences(rules, make_structures, make_roads, find):
    """Raised before paving, the cover stands above the milled road by the overlay: 50 mm."""
    structures = make_structures(gap=0.0, mill=0.040, overlay=0.050, existing_chimney=0.3)
    before = find(structures, make_roads(), rules=one(rules, "raised-before-paving.toml", "raised before paving"))
    assert before.notes()["bump_to_traffic"][0] == pytest.approx(50.0, abs=1e-6)
    after = find(structures, make_roads(), rules=one(rules, "milling-first.toml", "lower, mill, pave, raise"))
    assert "bump_to_traffic" not in after.notes()


def test_parts_are_read_back(tmp_path, rules):
    write_examples(tmp_path)
    assert read_catalogue(str(tmp_path / "parts.toml"), rules["milling-first.toml"]) == read_catalogue("", ())


def test_nothing_is_replaced(tmp_path):
    write_job_template(tmp_path)
    with pytest.raises(OutputBusyError, match=r"job\.toml exists"):
        write_job_template(tmp_path)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "tolerances.toml").write_text("mine")
    with pytest.raises(OutputBusyError, match=r"tolerances\.toml exists"):
        write_examples(tmp_path)
    assert not (tmp_path / "parts.toml").exists()
    assert (tmp_path / "rules" / "tolerances.toml").read_text() == "mine"

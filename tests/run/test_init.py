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
MM = Fraction(1, 1000)
PUBLISHED = {
    ("tall-12-inch", "max_chimney"): 12 * INCH,
    ("cone-to-frame-16-inch", "max_chimney"): 16 * INCH,
    ("neck-26-inch", "max_chimney"): 26 * INCH,
    ("three-rings", "max_rings"): 3,
    ("three-rings", "joint"): INCH / 2,
    ("six-rings-2-inch", "max_rings"): 6,
    ("six-rings-2-inch", "joint"): 6 * MM,
    ("six-rings-2-inch", "bedding_wedge"): 20 * MM,
    ("six-rings-2-inch", "max_chimney"): 6 * 2 * INCH + 7 * 6 * MM + 20 * MM,
    ("drainage-0-to-6-mm-low", "recess"): 3 * MM,
    ("drainage-0-to-6-mm-low", "tolerance"): 3 * MM,
    ("adjacent-mean-6-mm", "tolerance"): 6 * MM,
    ("level-5-mm", "tolerance"): 5 * MM,
    ("quarter-inch", "tolerance"): INCH / 4,
    ("pedestrian-route", "tolerance"): INCH / 4,
    ("pedestrian-route", "max_edge_gap"): INCH / 4,
    ("pedestrian-route", "max_grade"): Fraction(1, 20),
    ("pedestrian-route", "max_cross_slope"): Fraction(1, 48),
    ("pedestrian-crosswalk", "tolerance"): INCH / 4,
    ("pedestrian-crosswalk", "max_edge_gap"): INCH / 4,
    ("pedestrian-crosswalk", "max_grade"): Fraction(1, 48),
    ("pedestrian-crosswalk", "max_cross_slope"): Fraction(1, 20),
    ("lower-mill-pave-raise", "sequence"): "lower_mill_pave_raise",
    ("raise-before-paving", "sequence"): "raise_before_paving",
}
"""Limits as published, without geoadjust's own reading of lengths."""

JOB = '[structures]\npath = "covers.csv"\n[surface]\npath = "road.tif"\n[rules]\npath = "rules/{name}"\n'


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Rule sets of every example file, read as a job reads them."""
    folder = tmp_path_factory.mktemp("examples")
    write_examples(folder)
    found = {}
    for name, _ in example_rules():
        (folder / "job.toml").write_text(JOB.format(name=name))
        found[name] = read_job(folder / "job.toml").rules
    return found


@pytest.fixture(scope="module")
def rules(files):
    """Rule sets by name; no name stands twice."""
    every = [item for sets in files.values() for item in sets]
    assert len({item.name for item in every}) == len(every)
    return {item.name: item for item in every}


def test_values_are_the_published_ones(rules):
    for (name, key), value in PUBLISHED.items():
        found = getattr(rules[name], key)
        assert found == value if isinstance(value, str) else found == pytest.approx(float(value), abs=1e-9), (name, key)


def test_every_limit_of_the_files_is_in_the_table_above():
    told = {"name", "streets", "kinds", "pedestrian", "source", "measured_by", "rim_reference"}
    for _, text in example_rules():
        for table in tomllib.loads(text)["rules"]:
            assert {(table["name"], key) for key in set(table) - told} <= set(PUBLISHED)


def test_every_set_names_document_and_year_or_says_that_it_has_none():
    for _, text in example_rules():
        assert "the owner's standard in force governs" in text
        assert "No national limit exists" in text
        for table in tomllib.loads(text)["rules"]:
            assert re.search(r"(19|20)\d\d|year not stated|no published limit", table["source"]), table["name"]


def test_the_last_set_of_each_file_has_no_condition(files):
    for sets in files.values():
        assert (sets[-1].kinds, sets[-1].streets, sets[-1].pedestrian) == ((), (), "")


RINGS = Catalogue(ring=(RingPart("two", thickness=float(2 * INCH)),))


@pytest.mark.parametrize(
    ("inches", "limit"), [(12, "tall-12-inch"), (16, "cone-to-frame-16-inch"), (26, "neck-26-inch")]
)
def test_a_chimney_above_the_limit_is_for_an_engineer(inches, limit, rules, make_structures, make_roads, find):
    """Chimney = 100 m - bearing - 0.2 m casting; just below the limit it may be adjusted, just above it may not."""
    own = rules[limit]
    for over, past in ((-0.001, False), (0.001, True)):
        structures = make_structures(bearing=100 - 0.2 - float(inches * INCH) - over, bearing_inside_diameter=0.6)
        found = find(structures, make_roads(), rules=own)
        assert ("chimney_past_limit" in found.notes()) == past
        assert (METHODS[found.verdicts.method[0]] == "rebuild") == past


def test_three_rings_of_2_in_and_not_a_fourth(rules, make_structures, make_roads, find):
    own = rules["three-rings"]
    for count, method in ((3, "rings"), (4, "rebuild")):
        height = float(count * 2 * INCH + (count + 1) * INCH / 2)
        found = find(make_structures(bearing=100 - 0.2 - height), make_roads(), rules=own, catalogue=RINGS)
        assert METHODS[found.verdicts.method[0]] == method
        assert ("rings_past_limit" in found.notes()) == (count == 4)


@pytest.mark.parametrize("slope", [0.0, 0.01, 0.02])
def test_six_rings_of_2_in_and_not_a_seventh(slope, rules, make_structures, make_roads, find):
    """n rings, n + 1 joints, half the wedge of slope x 0.9 m at the centre, under a casting of 0.2 m (tilted)."""
    own = rules["six-rings-2-inch"]
    for count, method in ((4, "rings"), (6, "rings"), (7, "rebuild")):
        height = float(count * 2 * INCH) + (count + 1) * own.joint + slope * 0.9 / 2
        structures = make_structures(bearing=100 - 0.2 * np.sqrt(1 + slope**2) - height)
        found = find(structures, make_roads(slope_north=slope), rules=own, catalogue=RINGS)
        assert METHODS[found.verdicts.method[0]] == method
        assert found.stacks.count[0] == (count if method == "rings" else -1)


def test_across_a_street_the_two_slopes_change_places(rules, make_structures, make_roads, find):
    own = rules["pedestrian-crosswalk"]
    for east, north, codes in (
        (0.04, 0.01, set()),
        (0.01, 0.04, {"grade_past_limit"}),
        (0.06, 0.01, {"cross_slope_past_limit"}),
    ):
        found = find(make_structures(gap=0.0), make_roads(slope_east=east, slope_north=north), rules=own)
        assert {code for code in found.notes() if code.endswith("past_limit")} == codes


@pytest.mark.parametrize(
    ("name", "gaps"),
    [
        ("adjacent-mean-6-mm", {-6.5: False, -5.5: True, 0.0: True, 5.5: True, 6.5: False}),
        ("drainage-0-to-6-mm-low", {-6.5: False, -5.5: True, -0.5: True, 0.5: False}),
        ("level-5-mm", {-5.5: False, -4.5: True, 4.5: True, 5.5: False}),
        ("quarter-inch", {-6.5: False, -6.2: True, 6.2: True, 6.5: False}),
    ],
)
def test_which_gaps_may_stay(name, gaps, rules, make_structures, make_roads, find):
    """A cover so many mm above the road, on a plane, nothing paved."""
    own = rules[name]
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
    mean = find(structures, crown, new, rules=rules["adjacent-mean-6-mm"])
    edge = find(structures, crown, new, rules=rules["quarter-inch"])
    assert METHODS[mean.verdicts.method[0]] == "keep"
    assert METHODS[edge.verdicts.method[0]] != "keep"
    assert edge.notes()["not_flush"][0] == pytest.approx(5 + 330 * 0.009, abs=1e-6)


def test_pedestrian_route(rules, make_structures, make_roads, find):
    own = rules["pedestrian-route"]
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
    before = find(structures, make_roads(), rules=rules["raise-before-paving"])
    assert before.notes()["bump_to_traffic"][0] == pytest.approx(50.0, abs=1e-6)
    after = find(structures, make_roads(), rules=rules["lower-mill-pave-raise"])
    assert "bump_to_traffic" not in after.notes()


def test_parts_are_read_back(tmp_path, rules):
    write_examples(tmp_path)
    assert read_catalogue(str(tmp_path / "parts.toml"), [rules["three-rings"]]) == read_catalogue("", ())


def test_nothing_is_replaced(tmp_path):
    write_job_template(tmp_path)
    with pytest.raises(OutputBusyError, match=r"job\.toml exists"):
        write_job_template(tmp_path)
    with pytest.raises(OutputBusyError, match=r"job\.toml exists"):
        write_examples(tmp_path)
    (tmp_path / "job.toml").unlink()
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "quarter_inch.toml").write_text("mine")
    with pytest.raises(OutputBusyError, match=r"quarter_inch\.toml exists"):
        write_examples(tmp_path)
    assert not (tmp_path / "parts.toml").exists()
    assert not (tmp_path / "job.toml").exists()
    assert (tmp_path / "rules" / "quarter_inch.toml").read_text() == "mine"

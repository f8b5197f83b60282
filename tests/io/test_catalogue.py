"""Catalogues of parts: the example, owners' files, and every fault of one file together."""

from __future__ import annotations

import tomllib
from math import comb

import pytest

from geoadjust.core.parts import Catalogue
from geoadjust.core.rules import RuleSet
from geoadjust.errors import InputError
from geoadjust.io.catalogue import MOST_STACKS, example_text, read_catalogue

CASTING = '[[casting]]\nid = "A"\nheight = "7 in"\nframe_top_diameter = "26 in"\nflange_outside_diameter = "36 in"\n'
RING = '[[ring]]\nid = "R2"\nthickness = "2 in"\n'
RISER = '[[riser]]\nid = "L1"\nheight = "1 1/2 in"\ncastings = ["A"]\n'


def write(tmp_path, text):
    path = tmp_path / "parts.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def faults(path, rules=None):
    with pytest.raises(InputError) as caught:
        read_catalogue(path, rules or [RuleSet()])
    return [str(fault) for fault in caught.value.faults]


def test_parts_become_metres(tmp_path):
    found = read_catalogue(write(tmp_path, 'name = "owner"\n' + CASTING + RING + RISER), [RuleSet()])
    assert found.name == "owner"
    (casting,), (ring,), (riser,) = found.casting, found.ring, found.riser
    assert (casting.id, casting.height) == ("A", pytest.approx(7 * 0.0254))
    assert casting.flange_outside_diameter == pytest.approx(36 * 0.0254)
    assert (ring.thickness, ring.available, ring.price) == (pytest.approx(2 * 0.0254), True, 0.0)
    assert (riser.height, riser.castings) == (pytest.approx(1.5 * 0.0254), ("A",))


def test_the_example_is_a_catalogue():
    found = read_catalogue("", [RuleSet()])
    data = tomllib.loads(example_text())
    for kind in ("casting", "ring", "riser"):
        assert [part.id for part in getattr(found, kind)] == [part["id"] for part in data[kind]]
        assert getattr(found, kind)
    assert found.name == "example"


def test_an_empty_list_of_parts_is_a_catalogue(tmp_path):
    assert read_catalogue(write(tmp_path, "# nothing yet\n"), [RuleSet()]) == Catalogue()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (CASTING + CASTING, "casting id 'A' stands twice"),
        (RING + RING, "ring id 'R2' stands twice"),
        (RISER + RISER + CASTING, "riser id 'L1' stands twice"),
        (RISER, "riser 'L1' names casting 'A', which is not listed"),
        (CASTING.replace("7 in", "7"), "without a unit"),
        (CASTING.replace('"7 in"', "7"), "has no unit"),
        (CASTING.replace("7 in", "7 ft"), "outside"),
        (CASTING.replace('height = "7 in"\n', ""), "height: missing"),
        (RING.replace("thickness", "thikness"), "unknown key"),
        (RING + 'taper = "1 %"\n', "unknown key"),
        ('[[liner]]\nid = "x"\n', "unknown key"),
        (RING.replace('"R2"', "2"), "ring.0.id"),
    ],
)
def test_faults_of_a_catalogue(tmp_path, text, said):
    path = write(tmp_path, text)
    found = faults(path)
    assert any(said in fault for fault in found), found
    assert all(fault.startswith(path) for fault in found)


def test_all_faults_are_told_together(tmp_path):
    text = CASTING + CASTING + RING + RING + RISER.replace('["A"]', '["A", "B", "C"]')
    assert len(faults(write(tmp_path, text))) == 4


def test_one_id_may_name_parts_of_two_kinds(tmp_path):
    assert read_catalogue(write(tmp_path, CASTING + RING.replace("R2", "A")), [RuleSet()]).ring[0].id == "A"


def many_rings(n, available="true"):
    return "".join(f'[[ring]]\nid = "r{i}"\nthickness = "{20 + i} mm"\navailable = {available}\n' for i in range(n))


def test_too_many_stacks_are_refused(tmp_path):
    # combinations with repetition of n rings, up to k at a time: comb(n + k, k); comb(68, 4) = 814,385
    path = write(tmp_path, many_rings(64))
    assert comb(64 + 4, 4) == 814_385 > MOST_STACKS
    (found,) = faults(path, [RuleSet(max_rings=4)])
    assert "814385 stacks" in found
    assert "max_rings" in found
    assert len(read_catalogue(path, [RuleSet(max_rings=3)]).ring) == 64
    assert faults(path, [RuleSet(max_rings=2), RuleSet(max_rings=4)]) == [found]


def test_parts_that_are_not_to_be_had_do_not_count(tmp_path):
    assert len(read_catalogue(write(tmp_path, many_rings(64, "false")), [RuleSet()]).ring) == 64


def test_a_missing_or_broken_file(tmp_path):
    (found,) = faults(str(tmp_path / "no.toml"))
    assert found.startswith("catalogue.path")
    (found,) = faults(write(tmp_path, "[[ring]\n"))
    assert "not valid TOML" in found
    assert "line 1" in found

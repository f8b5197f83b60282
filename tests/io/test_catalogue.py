"""Catalogues of parts: the example, owners' files, and every fault of one file together."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from itertools import combinations_with_replacement
from math import comb

import pytest

from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.rules import RuleSet
from geoadjust.errors import InputError
from geoadjust.io.catalogue import MOST_STACKS, count_stacks, example_text, read_catalogue

CASTING = '[[casting]]\nid = "A"\nheight = "7 in"\nframe_top_diameter = "26 in"\nflange_outside_diameter = "36 in"\n'
RING = '[[ring]]\nid = "R2"\nthickness = "2 in"\n'
TAPER = '[[ring]]\nid = "T"\nthin = "1/2 in"\nthick = "1 1/2 in"\noutside_diameter = "36 in"\n'
LINER = '[[liner]]\nid = "N"\noutside_diameter = "30 in"\ninside_diameter = "26 in"\nheight = "24 in"\n'
RISER = '[[riser]]\nid = "L1"\nheight = "1 1/2 in"\ncastings = ["A"]\n'


def write(tmp_path, text):
    path = tmp_path / "parts.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def raw_faults(path, rules=None):
    with pytest.raises(InputError) as caught:
        read_catalogue(path, rules or [RuleSet()])
    return caught.value.faults


def faults(path, rules=None):
    return [str(fault) for fault in raw_faults(path, rules)]


def test_parts_become_metres(tmp_path):
    found = read_catalogue(write(tmp_path, 'name = "owner"\n' + CASTING + RING + TAPER + RISER + LINER), [RuleSet()])
    assert found.name == "owner"
    (casting,), (ring, taper), (riser,), (liner,) = found.casting, found.ring, found.riser, found.liner
    assert (casting.id, casting.height) == ("A", pytest.approx(7 * 0.0254))
    assert casting.flange_outside_diameter == pytest.approx((36 * 0.0254, 0.0))
    assert (casting.ridge_diameter, casting.floating, casting.travel) == (None, False, None)
    assert (ring.thickness, ring.available, ring.price) == (pytest.approx(2 * 0.0254), True, 0.0)
    assert (riser.height, riser.castings) == (pytest.approx(1.5 * 0.0254), ("A",))
    assert (taper.middle, taper.taper) == (pytest.approx(0.0254), pytest.approx(1 / 36))
    assert (liner.outside_diameter, liner.height) == (pytest.approx(30 * 0.0254), pytest.approx(24 * 0.0254))


def test_the_example_is_a_catalogue():
    found = read_catalogue("", [RuleSet()])
    data = tomllib.loads(example_text())
    for kind in ("casting", "ring", "riser", "liner"):
        assert [part.id for part in getattr(found, kind)] == [part["id"] for part in data[kind]]
        assert getattr(found, kind)
    assert found.name == "example"


def test_the_example_keeps_the_names_that_job_files_use():
    # a second list on purpose
    found = read_catalogue("", [RuleSet()])
    assert {"round-light", "round-standard", "round-tall", "valve-box"} <= {part.id for part in found.casting}
    rings = {f"ring-{height}" for height in (25, 40, 50, 75, 100, 150)}
    assert rings <= {part.id for part in found.ring}
    assert {"riser-25", "riser-38", "riser-50"} == {part.id for part in found.riser}


def test_the_example_has_a_part_of_every_sort():
    found = read_catalogue("", [RuleSet()])
    assert [part.id for part in found.casting if part.floating] == ["round-floating"]
    assert [part.id for part in found.casting if part.travel is not None] == ["valve-box"]
    square = [part.id for part in found.casting if part.frame_top_diameter[1]]
    assert square == [part.id for part in found.casting if part.flange_outside_diameter[1]]
    assert square == ["inlet-grate"]
    assert [part.id for part in found.casting if part.ridge_diameter] == ["round-tall"]
    assert sum(part.taper > 0 for part in found.ring) == 2
    seats = {part.id: part.seat_diameter for part in found.casting}
    assert seats["round-standard"] == seats["round-tall"] == found.riser[0].seat_diameter


def test_the_example_s_liners_fit_its_round_castings():
    """Each of the three castings has one whose wall stands wholly under the flange and clear of what hangs below."""
    found = read_catalogue("", [RuleSet()])
    for name in ("round-light", "round-standard", "round-tall"):
        (casting,) = (part for part in found.casting if part.id == name)
        hangs = max(casting.ridge_diameter, casting.flange_inside_diameter)
        clear = hangs + 2 * RuleSet().liner_clearance
        fits = [
            part.id
            for part in found.liner
            if part.inside_diameter >= clear and part.outside_diameter <= casting.flange_outside_diameter[0]
        ]
        assert fits, name
    assert all(0.04 <= (part.outside_diameter - part.inside_diameter) / 2 <= 0.06001 for part in found.liner)


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
        ('[[lining]]\nid = "x"\n', "unknown key"),
        ('[[liner]]\nid = "x"\n', "outside_diameter: missing"),
        (LINER + LINER, "liner id 'N' stands twice"),
        (CASTING.replace('"26 in"', '"26"'), "without a unit"),
        (CASTING.replace('"26 in"', '"26 x 400 in"'), "outside"),
        (RING.replace('"R2"', "2"), "ring.0.id"),
    ],
)
def test_faults_of_a_catalogue(tmp_path, text, said):
    path = write(tmp_path, text)
    found = faults(path)
    assert any(said in fault for fault in found), found
    assert all(fault.startswith(path) for fault in found)


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        (RING.replace('thickness = "2 in"\n', ""), "ring 'R2': thickness", "missing, and so are thin and thick"),
        (RING + 'thin = "1 in"\n', "ring 'R2': thickness", "stands beside thin"),
        (TAPER + 'thickness = "1 in"\n', "ring 'T': thickness", "stands beside thin and thick"),
        (TAPER.replace('thin = "1/2 in"\n', ""), "ring 'T': thin", "missing, thick is stated"),
        (TAPER.replace('thick = "1 1/2 in"\n', ""), "ring 'T': thick", "missing, thin is stated"),
        (TAPER.replace("1 1/2 in", "1/4 in"), "ring 'T': thick", "6.4 mm is less than thin, 12.7 mm"),
        (TAPER.replace('outside_diameter = "36 in"\n', ""), "ring 'T': outside_diameter", "missing"),
        (TAPER.replace('"36 in"', "0"), "ring 'T': outside_diameter", "missing"),
        (TAPER + "turn_step = 7\n", "ring 'T': turn_step", "51.4286 steps of 7 degrees"),
        (TAPER + "turn_step = 200\n", "ring 'T': turn_step", "1.8 steps"),
        (
            TAPER + 'inside_diameter = "36 in"\n',
            "ring 'T': inside_diameter",
            "914.4 mm is not less than outside_diameter",
        ),
        (LINER.replace("26 in", "31 in"), "liner 'N': inside_diameter", "787.4 mm is not less than outside_diameter"),
        (LINER + 'min_height = "25 in"\n', "liner 'N': height", "less than min_height, 635.0 mm"),
        (CASTING + 'flange_inside_diameter = "36 in"\n', "casting 'A': flange_inside_diameter", "not less than"),
        (CASTING + "flange_inside_diameter = 0\n", "casting 'A': flange_inside_diameter", "0 mm"),
        (
            CASTING + 'ridge_diameter = "37 in"\n',
            "casting 'A': ridge_diameter",
            "not less than flange_outside_diameter",
        ),
        (CASTING + 'seat_diameter = "26 in"\n', "casting 'A': seat_diameter", "not less than frame_top_diameter"),
        (
            CASTING.replace("36 in", "36x20 in") + 'flange_inside_diameter = "24 in"\n',
            "casting 'A': flange_inside_diameter",
            "609.6 mm is not less than flange_outside_diameter, 508.0 mm",
        ),
    ],
)
def test_sizes_that_cannot_all_be_true(tmp_path, text, place, said):
    path = write(tmp_path, text)
    (fault,) = raw_faults(path)
    assert fault.where == f"{path}: {place}"
    assert said in fault.what
    assert fault.allowed
    assert fault.remedy


@pytest.mark.parametrize(
    "text",
    [
        TAPER.replace("1 1/2 in", "1/2 in"),  # a taper of nothing
        TAPER.replace('"1/2 in"', "0"),  # a feather edge
        *(TAPER + f"turn_step = {step}\n" for step in (1, 2.5, 7.5, 22.5, 45, 120, 360)),
        CASTING + "ridge_diameter = 0\n",
        CASTING + 'flange_inside_diameter = "25 in"\nridge_diameter = "27 in"\nseat_diameter = "25 in"\n',
        CASTING.replace("26 in", "20x26 in") + 'seat_diameter = "25 in"\n',  # of the longer side
        RING + 'inside_diameter = "24 in"\n',  # its outside is unknown
        LINER.replace('height = "24 in"\n', 'min_height = "30 in"\n'),
    ],
)
def test_sizes_that_may_stand_together(tmp_path, text):
    assert read_catalogue(write(tmp_path, text), [RuleSet()]) != Catalogue()


@pytest.mark.parametrize(
    ("text", "key", "part", "close"),
    [
        (RING.replace("thickness", "thikness"), "ring.0.thikness", RingPart, "thickness"),
        (CASTING + 'ridge_diamter = "1 in"\n', "casting.0.ridge_diamter", CastingPart, "ridge_diameter"),
        (CASTING + RISER + 'seat = "1 in"\n', "riser.0.seat", RiserPart, ""),
        (LINER + LINER + 'outside_diam = "1 in"\n', "liner.1.outside_diam", LinerPart, "outside_diameter"),
        ("nmae = 1\n", "nmae", Catalogue, "name"),
    ],
)
def test_unknown_keys_suggest_those_of_the_part(tmp_path, text, key, part, close):
    path = write(tmp_path, text)
    (fault,) = (fault for fault in raw_faults(path) if fault.what == "unknown key")
    assert fault.where == f"{path}.{key}"
    assert fault.allowed == ", ".join(item.name for item in fields(part))
    assert fault.remedy == (f"did you mean {close}?" if close else "remove it")


def test_all_faults_are_told_together(tmp_path):
    text = CASTING + CASTING + RING + RING + RISER.replace('["A"]', '["A", "B", "C"]')
    assert len(faults(write(tmp_path, text))) == 4
    text += TAPER.replace("1 1/2 in", "1/4 in") + "turn_step = 7\n" + LINER.replace("26 in", "31 in")
    assert len(faults(write(tmp_path, text))) == 7


def test_one_id_may_name_parts_of_two_kinds(tmp_path):
    assert read_catalogue(write(tmp_path, CASTING + RING.replace("R2", "A")), [RuleSet()]).ring[0].id == "A"


def many_rings(n, available="true", first=0):
    rings = range(first, first + n)
    return "".join(f'[[ring]]\nid = "r{i}"\nthickness = "{20 + i} mm"\navailable = {available}\n' for i in rings)


def many_tapers(n):
    size = 'thick = "90 mm"\noutside_diameter = "900 mm"'
    return "".join(f'[[ring]]\nid = "t{i}"\nthin = "{10 + i} mm"\n{size}\n' for i in range(n))


@pytest.mark.parametrize("flat", range(4))
@pytest.mark.parametrize("tapered", range(4))
@pytest.mark.parametrize("most", range(6))
def test_stacks_are_counted_like_a_list_of_them_all(flat, tapered, most):
    rings = ["F"] * flat + ["T"] * tapered
    stacks = [
        stack
        for count in range(most + 1)
        for stack in combinations_with_replacement(range(len(rings)), count)
        if sum(rings[index] == "T" for index in stack) <= 2
    ]
    assert count_stacks(flat, tapered, most) == len(stacks)


def test_too_many_stacks_are_refused(tmp_path):
    # combinations with repetition of n flat rings, up to k at a time: comb(n + k, k); comb(68, 4) = 814,385
    path = write(tmp_path, many_rings(64))
    assert comb(64 + 4, 4) == 814_385 > MOST_STACKS
    (found,) = faults(path, [RuleSet(max_rings=4)])
    assert "64 rings, 4 at a time, make 814385 stacks" in found
    assert "lower max_rings" in found
    assert len(read_catalogue(path, [RuleSet(max_rings=3)]).ring) == 64
    assert faults(path, [RuleSet(max_rings=2), RuleSet(max_rings=4)]) == [found]


def test_many_tapered_rings_make_few_stacks(tmp_path):
    # none, one or two of 64: 1 + 64 + 64 * 65 / 2, with 4, 3 and 2 rings of no flat kind left over
    path = write(tmp_path, many_tapers(64))
    assert len(read_catalogue(path, [RuleSet(max_rings=8)]).ring) == 64
    path = write(tmp_path, many_tapers(64) + many_rings(20))
    (found,) = faults(path, [RuleSet(max_rings=4)])
    assert f"84 rings, 4 at a time, make {comb(24, 4) + 64 * comb(23, 3) + 2080 * comb(22, 2)} stacks" in found


def test_parts_that_are_not_to_be_had_do_not_count(tmp_path):
    assert len(read_catalogue(write(tmp_path, many_rings(64, "false")), [RuleSet()]).ring) == 64
    (found,) = faults(write(tmp_path, many_rings(64) + many_rings(5, "false", first=64)))
    assert "64 rings" in found


def test_a_missing_or_broken_file(tmp_path):
    (found,) = faults(str(tmp_path / "no.toml"))
    assert found.startswith("catalogue.path")
    (found,) = faults(write(tmp_path, "[[ring]\n"))
    assert "not valid TOML" in found
    assert "line 1" in found

"""The lists of the field book: where the shots lie, and which structure gets which.

Truth: shapely's polygons, for the octagon and for the sides of a frame. What is shot is common practice, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from shapely import affinity

from geoadjust.core.columns import KINDS
from geoadjust.core.fieldbook import (
    CODES,
    DIRECTIONS,
    GROUP,
    ITEMS,
    NOTES,
    FieldPlaces,
    FieldShots,
    list_shots,
    road_distance,
)

NAN = np.nan
PLACE = {
    "kind": KINDS.index("manhole"),
    "note": -1,
    "placed": True,
    "axis": 0.0,
    "street_side": NAN,
    "width": 0.66,
    "length": NAN,
    "frame_azimuth": 0.0,
    "assumed": False,
    "road": 1.63,
}
MANHOLE = ["E1", "E2", "E3", "E4", *(f"R{i}" for i in range(1, 9)), "K1", "K2", "B1", "B2"]


def places(n: int = 1, **given: Any) -> FieldPlaces:
    values = {name: np.broadcast_to(np.asarray(given.get(name, value)), n).copy() for name, value in PLACE.items()}
    return FieldPlaces(row=np.arange(n), **values)


def labels(shots: FieldShots, structure: int = 0) -> list[str]:
    return [ITEMS[item].label for item in shots.item[shots.structure == structure]]


def of_code(shots: FieldShots, *codes: str) -> np.ndarray:
    """Offsets (k, 2) of the shots of some codes, in their order."""
    chosen = [ITEMS[item].code in codes for item in shots.item]
    return np.stack([shots.east, shots.north], axis=1)[chosen]


@pytest.mark.parametrize("seed", range(8))
def test_the_octagon_encloses_the_ring(seed: int) -> None:
    """Every point of the ring lies in the polygon of the eight road shots; 3 % farther in, it would not."""
    random = np.random.default_rng(seed)
    outer, axis = random.uniform(0.6, 3.0), random.uniform(0, 2 * np.pi)
    distance = road_distance(outer, np.array([0.1]), 0.35, 0.001)[0]
    octagon = shapely.Polygon(of_code(list_shots(places(axis=axis, road=distance)), "ROAD"))
    turn, radius = random.uniform(0, 2 * np.pi, 4000), outer * np.sqrt(random.uniform(0, 1, 4000))
    ring = shapely.points(
        np.append(radius, [outer] * 360) * np.sin(np.append(turn, np.radians(np.arange(360)))),
        np.append(radius, [outer] * 360) * np.cos(np.append(turn, np.radians(np.arange(360)))),
    )
    assert shapely.covers(octagon, ring).all()
    assert not shapely.covers(affinity.scale(octagon, 0.97, 0.97, origin=(0, 0)), ring).all()


@pytest.mark.parametrize("side", [0.3, 2.0, 4.5])
def test_the_half_octagon_encloses_the_street_side(side: float) -> None:
    """Every point of the ring's half towards the street lies in the polygon of the gutter and road shots."""
    inlet = places(kind=KINDS.index("inlet"), axis=side + np.pi / 2, street_side=side, road=1.5 / np.cos(np.pi / 8))
    half = shapely.Polygon(of_code(list_shots(inlet), "ROAD", "BREAK")).buffer(1e-9)
    random = np.random.default_rng(1)
    turn, radius = side + random.uniform(-np.pi / 2, np.pi / 2, 4000), 1.5 * np.sqrt(random.uniform(0, 1, 4000))
    assert shapely.covers(half, shapely.points(radius * np.sin(turn), radius * np.cos(turn))).all()
    gutter = of_code(list_shots(inlet), "BREAK")
    assert gutter @ [np.sin(side), np.cos(side)] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_road_shots_stay_off_a_large_frame() -> None:
    """Half a frame of 3 m and 0.35 m of collar, seen from the octagon's side: its inscribed circle is 1.85 m."""
    found = road_distance(1.5, np.array([0.33, 1.5]), 0.35, 0.01)
    assert (found * np.cos(np.pi / 8) >= [1.5, 1.85]).all()
    assert (found * np.cos(np.pi / 8) < [1.51, 1.86]).all()


@pytest.mark.parametrize("azimuth", [0.0, 0.7, 3.0])
def test_a_rectangle_is_shot_in_the_middle_of_its_sides(azimuth: float) -> None:
    shots = list_shots(places(width=0.4, length=0.9, frame_azimuth=azimuth, axis=0.1))
    frame = affinity.rotate(shapely.box(-0.2, -0.45, 0.2, 0.45), -azimuth, origin=(0, 0), use_radians=True)
    corners = np.array(frame.exterior.coords)
    middles = (corners[1:] + corners[:-1]) / 2
    rim = of_code(shots, "RIM")
    apart = np.hypot(*(rim[:, None] - middles).transpose(2, 0, 1))
    assert apart.min(axis=1) == pytest.approx(np.zeros(4), abs=1e-9)
    assert sorted(apart.argmin(axis=1)) == [0, 1, 2, 3]
    assert rim[0] == pytest.approx([0.45 * np.sin(azimuth), 0.45 * np.cos(azimuth)])


def test_a_round_rim_is_shot_along_and_across_the_axis() -> None:
    rim = of_code(list_shots(places(axis=np.pi / 6, frame_azimuth=2.0)), "RIM")
    assert np.hypot(*rim.T) == pytest.approx([0.33] * 4)
    assert np.degrees(np.arctan2(*rim.T)) % 360 == pytest.approx([30, 120, 210, 300])


def test_a_rectangle_of_unknown_direction_has_no_places() -> None:
    shots = list_shots(places(length=0.9, frame_azimuth=NAN, axis=NAN))
    assert np.isnan(of_code(shots, "RIM")).all()
    assert (shots.direction[:4] == -1).all()
    assert np.isfinite(of_code(shots, "ROAD")).all()


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, MANHOLE),
        ({"kind": KINDS.index("valve")}, MANHOLE),
        ({"kind": KINDS.index("handhole"), "placed": False}, ["", *MANHOLE]),
        (
            {"kind": KINDS.index("inlet"), "street_side": 1.0},
            ["E1", "E2", "E3", "E4", "G1", "R1", "R2", "R3", "G2", "K1", "K2"],
        ),
        ({"kind": KINDS.index("inlet")}, [*MANHOLE[:12], "G1", "G2", "K1", "K2"]),
        ({"note": NOTES.index("monument"), "kind": KINDS.index("monument")}, [""]),
        ({"note": NOTES.index("other_owner"), "placed": False}, [""]),
        ({"note": NOTES.index("not_paved")}, [""]),
    ],
)
def test_the_list_of_each_kind(given: dict[str, Any], expected: list[str]) -> None:
    shots = list_shots(places(**given))
    assert labels(shots) == expected
    assert shots.number[shots.number > 0].tolist() == list(range(1, len([label for label in expected if label]) + 1))


def test_without_a_position_nothing_has_coordinates() -> None:
    shots = list_shots(places(placed=False))
    assert np.isnan(shots.east).all()
    assert np.isnan(shots.north).all()
    assert np.isfinite(shots.distance).sum() == 12
    assert ITEMS[shots.item[0]].what.startswith("position missing")


def test_directions_are_those_of_who_looks_along_the_axis() -> None:
    """The street runs east: ahead is east, right is south."""
    shots = list_shots(places(axis=np.pi / 2))
    road = {
        DIRECTIONS[d]: (e, n)
        for d, e, n, i in zip(shots.direction, shots.east, shots.north, shots.item, strict=True)
        if ITEMS[i].code == "ROAD"
    }
    assert road["ahead"] == pytest.approx((1.63, 0))
    assert road["right"] == pytest.approx((0, -1.63))
    assert road["back left"] == pytest.approx((-1.63 / 2**0.5, 1.63 / 2**0.5))
    unknown = list_shots(places(axis=NAN))
    assert [DIRECTIONS[d] for d in unknown.direction[:4]] == ["grid north", "grid east", "grid south", "grid west"]
    assert unknown.north[0] == pytest.approx(0.33)


def test_an_earlier_shot_is_repeated_in_each_group() -> None:
    """Two whole groups and a part of one; in the second only one structure is shot, which nobody drives back to."""
    n = 2 * GROUP + 3
    note = np.where((np.arange(n) >= GROUP) & (np.arange(n) < 2 * GROUP - 1), 0, -1)
    note[0] = 1
    shots = list_shots(places(n, note=note))
    again = [place for place, item in enumerate(shots.item) if ITEMS[item].code == "CHECK"]
    assert shots.structure[again].tolist() == [1, 2 * GROUP]
    assert shots.after[again].tolist() == [GROUP - 1, n - 1]
    for place in again:
        first = next(
            i
            for i in range(len(shots))
            if shots.structure[i] == shots.structure[place] and ITEMS[shots.item[i]].label == "R1"
        )
        assert (shots.east[first], shots.north[first]) == (shots.east[place], shots.north[place])
        assert first < place
    assert again[0] == np.flatnonzero(shots.structure == GROUP - 1).max() + 1
    assert again[1] == len(shots) - 1


def test_an_inlet_is_repeated_where_its_first_road_shot_lies() -> None:
    shots = list_shots(places(2, kind=KINDS.index("inlet"), street_side=1.0))
    first = [ITEMS[item].label for item in shots.item].index("R1")
    assert (shots.east[-1], shots.north[-1]) == (shots.east[first], shots.north[first])
    assert ITEMS[shots.item[-1]].code == "CHECK"


def test_no_structure_is_lost() -> None:
    """Every mixture of kinds, notes and missing facts has a line, in the order of the input."""
    random = np.random.default_rng(5)
    n = 400
    shots = list_shots(
        places(
            n,
            kind=random.integers(0, len(KINDS), n),
            note=random.integers(-1, 3, n),
            placed=random.random(n) < 0.7,
            axis=np.where(random.random(n) < 0.5, NAN, 1.0),
            street_side=np.where(random.random(n) < 0.5, NAN, 2.0),
            length=np.where(random.random(n) < 0.5, NAN, 0.9),
        )
    )
    assert set(shots.structure) == set(range(n))
    assert (np.diff(shots.after) >= 0).all()
    assert {item.code for item in ITEMS} == set(CODES)

"""The order of the visit: closed forms on straight and bent streets, and what no order may do."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.visit import visit_order

NAN = float("nan")


def order(street: list[int], east: list[float], north: list[float], axis: list[float] | None = None) -> list[int]:
    axes = np.array([NAN] * len(street) if axis is None else axis)
    return visit_order(np.array(street), np.array(east), np.array(north), axes).tolist()


def test_a_straight_street_is_walked_from_end_to_end() -> None:
    """Both sides together: the offset of 4 m to the side does not matter."""
    assert order([0] * 4, [0.0, 90.0, 30.0, 60.0], [0.0, 4.0, 4.0, 0.0]) == [0, 2, 3, 1]


def test_the_axes_say_which_end_comes_first() -> None:
    west = [np.radians(270)] * 3
    assert order([0] * 3, [0.0, 50.0, 20.0], [0.0, 0.0, 0.0], west) == [1, 2, 0]


def test_a_street_at_right_angles_is_walked_north() -> None:
    assert order([0] * 3, [0.0, 0.0, 0.0], [30.0, 0.0, 60.0]) == [1, 0, 2]


def test_a_bent_street_is_followed_round_its_corner() -> None:
    """An L: 0 to 100 m east, then north. Along one line the last ones would come before the corner."""
    east, north = [0.0, 50.0, 100.0, 100.0, 100.0], [0.0, 0.0, 0.0, 50.0, 100.0]
    found = order([0] * 5, east, north)
    assert found in ([0, 1, 2, 3, 4], [4, 3, 2, 1, 0])


def test_streets_follow_each_other_and_none_comes_last() -> None:
    assert order([-1, 1, 0, 1], [0.0, 5.0, 9.0, 1.0], [0.0] * 4) == [2, 3, 1, 0]


def test_no_position_comes_last_in_its_street() -> None:
    assert order([0, 0, 1], [NAN, 3.0, 1.0], [0.0, 0.0, 0.0]) == [1, 0, 2]


def test_of_two_at_one_place_the_lower_row_comes_first() -> None:
    assert order([0, 0, 0], [1.0, 1.0, 0.0], [0.0, 0.0, 0.0]) == [2, 0, 1]


def test_nothing_is_an_order_too() -> None:
    assert order([], [], []) == []


PLACE = st.floats(-500, 500) | st.just(NAN)


@given(st.lists(st.tuples(st.integers(-1, 3), PLACE, PLACE, st.floats(0, 7) | st.just(NAN)), max_size=30))
def test_every_structure_is_visited_once_and_streets_stay_together(rows: list[tuple[int, float, float, float]]) -> None:
    street, east, north, axis = ([row[place] for row in rows] for place in range(4))
    found = order(street, east, north, axis)
    assert sorted(found) == list(range(len(rows)))
    visited = [street[row] for row in found]
    changes = sum(one != two for one, two in pairwise(visited))
    assert changes == max(len(set(street)) - 1, 0)

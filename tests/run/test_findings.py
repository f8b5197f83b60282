"""The bias of a whole batch of surveyed rims."""

from __future__ import annotations

import numpy as np
import pytest

from geoadjust.run.findings import find_bias


def rims(bias: float, count: int = 40, noise: float = 0.01) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    road = rng.uniform(100, 110, count)
    return road + bias + rng.normal(0, noise, count), road


def test_a_clear_bias_is_found_with_its_size() -> None:
    bias = find_bias(*rims(-0.06))
    assert bias is not None
    assert bias.median == pytest.approx(-0.06, abs=0.01)
    assert bias.count == 40


@pytest.mark.parametrize(("offset", "count", "noise"), [(0.06, 19, 0.01), (0.02, 40, 0.005), (0.06, 20, 0.5)])
def test_few_small_or_scattered_is_no_bias(offset: float, count: int, noise: float) -> None:
    assert find_bias(*rims(offset, count, noise)) is None


def test_the_standard_error_of_a_median_against_simulation() -> None:
    rng = np.random.default_rng(5)
    medians = np.median(rng.normal(0, 1, (4000, 101)), axis=1)
    rim = rng.normal(0.5, 1, 101)
    bias = find_bias(rim + 5, np.zeros(101))
    assert bias is not None
    assert bias.error == pytest.approx(medians.std(), rel=0.25)  # one sample's MAD scatters


@pytest.mark.parametrize(
    ("factor", "offset", "words"),
    [(1 / 0.3048, 0, "feet"), (0.3048, 0, "metres"), (1, 0.4, "datum"), (1, 32.0, "datum"), (1, 0.05, "older")],
)
def test_likely_causes(factor: float, offset: float, words: str) -> None:
    _, road = rims(0)
    bias = find_bias(road * factor + offset, road)
    assert bias is not None
    assert words in bias.causes
    assert "mm off the road" in bias.sentence()


def test_missing_values_do_not_count() -> None:
    rim, road = rims(0.06)
    rim[:25] = np.nan
    assert find_bias(rim, road) is None

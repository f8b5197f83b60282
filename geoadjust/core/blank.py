"""Bundles in which nothing is known yet, to be filled field by field."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import B, Bundle, quantities_of

FLAGS = frozenset({"other_owner", "recast", "size_known", "floating", "widened"})
"""Fields that are yes or no."""
COUNTS = frozenset({"row", "rule_set", "casting", "source", "samples", "left_out", "pattern"})
"""Fields that are integers; -1 = none."""
YES_NO_UNKNOWN = frozenset({"paved", "riser_present"})
"""Yes, no, or -1 = not stated."""
SHAPES = {"covariance": (3, 3)}
"""Of one structure's value where it is no single number."""


def blank(kind: type[B], n: int) -> B:
    """A bundle of n structures: NaN, -1, no.

    Examples
    --------
    >>> from geoadjust.core.columns import RoadModels
    >>> road = blank(RoadModels, 2)
    >>> road.height.tolist(), road.source.tolist(), road.covariance.shape
    ([nan, nan], [-1, -1], (2, 3, 3))
    """
    return kind(*(blank_field(kind, name, n) for name in quantities_of(kind)))


def blank_field(kind: type[Bundle], name: str, n: int) -> NDArray[Any]:
    """One field of it."""
    if name in FLAGS:
        return np.zeros(n, dtype=bool)
    if name in COUNTS:
        return np.full(n, -1, dtype=np.int64)
    if name in YES_NO_UNKNOWN or quantities_of(kind)[name].words:
        return np.full(n, -1, dtype=np.int8)
    return np.full((n, *SHAPES.get(name, ())), np.nan)

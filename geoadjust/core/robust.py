"""Robust scale and weights of residuals; samples that are missing never move them.

Source of the tuning constant: Holland and Welsch 1977, from memory, checked in tests against a reference library.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BISQUARE = 4.685
MAD_TO_SD = 1.4826


def robust_scale(residual: Floats, valid: Mask, floor: float) -> Floats:
    """1.4826 x median |residual| over the valid samples, not below the floor [m], (n,).

    Of an even number of samples the upper one of the two in the middle. Where more than half of a row lies within the
    floor the median need not be found.
    """
    size = np.abs(residual)
    within = valid & (size <= floor / MAD_TO_SD)
    scale = np.full(len(residual), floor)
    left = np.flatnonzero(within.sum(axis=1) <= valid.sum(axis=1) // 2)
    if len(left):
        scale[left] = np.maximum(MAD_TO_SD * _median(size[left], valid[left]), floor)
    return scale


def _median(size: Floats, valid: Mask) -> Floats:
    """Upper median of the valid values (n, m); infinite without any.

    Missing samples are split between both ends of the order, so that the median stands at one fixed place.
    """
    m = size.shape[1]
    missing = np.cumsum(~valid, axis=1)
    low = missing <= m // 2 - (m - missing[:, -1:]) // 2
    padded = np.where(valid, size, np.where(low, -1.0, np.inf))
    return np.asarray(np.partition(padded, m // 2, axis=1)[:, m // 2])


def bisquare(residual: Floats, valid: Floats, scale: Floats) -> Floats:
    """Weights (1 - (r / cs)^2)^2, 0 beyond cs and where `valid` (n, m) of 1 and 0 says that there is no sample."""
    found = residual * (1 / (BISQUARE * scale))[:, None]
    found *= found
    np.subtract(1.0, found, out=found)
    np.maximum(found, 0.0, out=found)
    found *= found
    return np.multiply(found, valid, out=found)

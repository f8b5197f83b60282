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

    Missing samples are split between both ends of the order, so that the median stands at one fixed place.
    """
    m = residual.shape[1]
    missing = np.cumsum(~valid, axis=1)
    low = missing <= m // 2 - (m - missing[:, -1:]) // 2
    padded = np.where(valid, np.abs(residual), np.where(low, -1.0, np.inf))
    return np.maximum(MAD_TO_SD * np.partition(padded, m // 2, axis=1)[:, m // 2], floor)


def bisquare(residual: Floats, valid: Mask, scale: Floats) -> Floats:
    """Weights (1 - (r / cs)^2)^2, 0 beyond cs and where there is no sample."""
    u = residual / (BISQUARE * scale)[:, None]
    inside = np.maximum(1 - u * u, 0.0)
    return np.where(valid, inside * inside, 0.0)

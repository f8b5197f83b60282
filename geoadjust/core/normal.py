"""The normal distribution: its probability below a limit, within an interval, within a union of intervals.

erfc(x) for x >= 0 is the rational form of W. J. Cody, Rational Chebyshev approximations for the error function,
Math. Comp. 23 (1969), 631-637, which he gives for 0.46875 <= x <= 4. It is used for all x here: beyond 4 it is off by
less than 1e-22, below 0.46875 by less than 5e-12.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ABOVE = (
    2.15311535474403846e-8,
    5.64188496988670089e-1,
    8.88314979438837594,
    6.61191906371416295e1,
    2.98635138197400131e2,
    8.81952221241769090e2,
    1.71204761263407058e3,
    2.05107837782607147e3,
    1.23033935479799725e3,
)
BELOW = (
    1.0,
    1.57449261107098347e1,
    1.17693950891312499e2,
    5.37181101862009858e2,
    1.62138957456669019e3,
    3.29079923573345963e3,
    4.36261909014324716e3,
    3.43936767414372164e3,
    1.23033935480374942e3,
)
FARTHEST = 30.0
"""exp(-x^2) is 0 from here on."""


def normal_cdf(z: ArrayLike) -> Floats:
    """Probability that a standard normal variable lies below z, of any shape; NaN stays NaN.

    Absolute error below 3e-12; normal_cdf(z) + normal_cdf(-z) is 1.

    Examples
    --------
    The 97.5 % point of printed tables:

    >>> normal_cdf([-np.inf, 0.0, 1.959964, np.inf]).round(7).tolist()
    [0.0, 0.5, 0.975, 1.0]
    """
    values = np.asarray(z, dtype=float)
    x = np.minimum(np.abs(values) / np.sqrt(2.0), FARTHEST)
    tail = 0.5 * np.exp(-x * x) * np.polyval(ABOVE, x) / np.polyval(BELOW, x)
    return np.asarray(np.where(values > 0, 1.0 - tail, tail))


def interval_probability(mean: Floats, sd: Floats, low: Floats, high: Floats) -> Floats:
    """Probability that a normal variable lies in the closed interval from low to high.

    Parameters
    ----------
    mean, sd : (n,); with sd 0 the variable is its mean
    low, high : (n,), may be infinite; low above high = no interval

    Returns
    -------
    (n,); NaN where one of the four is NaN, the mean or the sd is not finite, or the sd is below 0

    Examples
    --------
    >>> mean, low, high = np.zeros(3), np.full(3, -1.0), np.full(3, 1.0)
    >>> interval_probability(mean, np.array([1.0, 0.0, np.nan]), low, high).round(4).tolist()
    [0.6827, 1.0, nan]
    """
    whole = union_probability(mean, sd, np.asarray(low)[:, None], np.asarray(high)[:, None])
    return np.where(np.isnan(low) | np.isnan(high), np.nan, whole)


def union_probability(mean: Floats, sd: Floats, low: Floats, high: Floats) -> Floats:
    """Probability that a normal variable lies in at least one of k closed intervals.

    The intervals of a row are put in order of their lower ends; each adds what lies above all before it.

    Parameters
    ----------
    mean, sd : (n,); with sd 0 the variable is its mean
    low, high : (n, k), may be infinite and may overlap; low above high or NaN = no interval

    Returns
    -------
    (n,); 0 where there is no interval; NaN where the mean or the sd is not finite, or the sd is below 0

    Examples
    --------
    Two intervals that overlap are one from -1 to 1:

    >>> low, high = np.array([[0.0, -1.0, np.nan]]), np.array([[1.0, 0.5, 2.0]])
    >>> union_probability(np.zeros(1), np.ones(1), low, high).round(4).tolist()
    [0.6827]
    """
    known = np.isfinite(mean) & np.isfinite(sd) & (np.asarray(sd) >= 0)
    some = low <= high
    start, end = np.where(some, low, np.inf), np.where(some, high, -np.inf)
    order = np.argsort(start, axis=1, kind="stable")
    start, end = np.take_along_axis(start, order, axis=1), np.take_along_axis(end, order, axis=1)
    before = np.full(end.shape, -np.inf)
    before[:, 1:] = np.maximum.accumulate(end, axis=1)[:, :-1]
    start = np.maximum(start, before)
    added = np.maximum(_below(mean, sd, end) - _below(mean, sd, start), 0.0)
    middle = np.asarray(mean)[:, None]
    hit = (some & (low <= middle) & (middle <= high)).any(axis=1)
    total = np.where(np.asarray(sd) > 0, np.clip(np.einsum("ij->i", added), 0.0, 1.0), hit)
    return np.where(known, total, np.nan)


def _below(mean: Floats, sd: Floats, limit: Floats) -> Floats:
    """Probability below limits (n, k), for sd above 0."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return normal_cdf((limit - np.asarray(mean)[:, None]) / np.asarray(sd)[:, None])

"""Planes through samples: least squares, and a fit that a kerb, a wall or a parked car in the ring cannot tilt.

Least squares breaks down where a kerb stands in the ring, and so does a Huber fit. The fit starts from one of 17
least-squares planes (the whole ring, and 16 with 3/8 of it left out), the one with the smallest sum of min(r, step)^2,
followed by up to 8 rounds of bisquare weights (c = 4.685, scale 1.4826 MAD, floored). Two short cuts: where no sample
lies farther than the step from the plane of the whole ring, that plane is the start; where at most one in twenty does
(a stone, a leaf, a lidar echo) and all others lie within half the step of the plane without them, the start is that
plane. A plane that a round moves by less than `SETTLED` is done; each structure stops by itself, so that its plane
never depends on its neighbours.

Every plane comes from the sums of 1, e, n, ee, en, nn over the samples, once weighted and once weighted times height;
the products are made once per structure and used in all rounds.

Source of the bisquare: Beaton and Tukey 1974; Holland and Welsch 1977 (constants from memory, checked in tests against
a reference library). All fits work in offsets from the cover's centre and in heights above the ring's mean.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.robust import bisquare, robust_scale

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ARCS = 16
ARCS_KEPT = 10
ROUNDS = 8
FIRST_ROUNDS = 5
"""After so many rounds those structures whose plane still moves go on by themselves."""
SETTLED = 1e-8
"""Largest change of the plane within 1 m of the centre in one round [m] that is no movement any more."""
FEW = 0.05


def dot(left: Floats, right: Floats) -> Floats:
    """Row sums of products, (n,): the same bits for any number of rows."""
    return np.asarray(np.einsum("nm,nm->n", left, right))


def powers(east: Floats, north: Floats) -> Floats:
    """1, e, n, ee, en, nn of offsets (n, m), as (n, 6, m)."""
    found = np.empty((len(east), 6, east.shape[1]))
    found[:, 0], found[:, 1], found[:, 2] = 1.0, east, north
    np.multiply(east, east, out=found[:, 3])
    np.multiply(east, north, out=found[:, 4])
    np.multiply(north, north, out=found[:, 5])
    return found


def moments(weight: Floats, basis: Floats) -> Floats:
    """Weighted sums of 1, e, n, ee, en, nn, (n, 6)."""
    return np.asarray(np.einsum("nm,nkm->nk", weight, basis))


def fit_weighted(weight: Floats, basis: Floats, height: Floats) -> Floats:
    """Weighted least-squares planes (n, 3) from the `powers` of the offsets; as `solve_planes`."""
    count, e, n, ee, en, nn = moments(weight, basis).T
    z, ez, nz = np.einsum("nm,nkm->nk", weight * height, basis[:, :3]).T
    return planes_from_moments(count, e, n, z, ee, en, nn, ez, nz)


def solve_planes(weight: Floats, east: Floats, north: Floats, height: Floats) -> Floats:
    """Weighted least-squares planes, from sums centred on the weighted mean.

    Parameters
    ----------
    weight, east, north, height : (n, m); a weight of 0 leaves a sample out

    Returns
    -------
    (n, 3) height at the centre [m], slope east, slope north [m/m]; NaN where the samples span no plane.

    Examples
    --------
    >>> e = np.array([[0.0, 1.0, 0.0, 1.0]]); n = np.array([[0.0, 0.0, 1.0, 1.0]])
    >>> solve_planes(np.ones((1, 4)), e, n, 5 + 0.02 * e - 0.03 * n).round(12).tolist()
    [[5.0, 0.02, -0.03]]
    """
    total = np.einsum("nm->n", weight)
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = [dot(weight, values) / total for values in (east, north, height)]
    e, n, z = (values - mean[:, None] for values, mean in zip((east, north, height), middle, strict=True))
    we, wn = weight * e, weight * n
    return _planes_from_sums(dot(we, e), dot(we, n), dot(wn, n), dot(we, z), dot(wn, z), middle)


def planes_from_moments(
    count: Floats,
    e: Floats,
    n: Floats,
    z: Floats,
    ee: Floats,
    en: Floats,
    nn: Floats,
    ez: Floats,
    nz: Floats,
) -> Floats:
    """Planes (n, 3) from weighted sums about the cover's centre, (n,) each."""
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = [e / count, n / count, z / count]
        centred = (ee - e * middle[0], en - e * middle[1], nn - n * middle[1], ez - e * middle[2], nz - n * middle[2])
    return _planes_from_sums(*centred, middle)


def _planes_from_sums(ee: Floats, en: Floats, nn: Floats, ez: Floats, nz: Floats, middle: list[Floats]) -> Floats:
    determinant = ee * nn - en * en
    with np.errstate(divide="ignore", invalid="ignore"):
        spans = determinant > 1e-9 * (ee + nn) ** 2
        slope_east = np.where(spans, (nn * ez - en * nz) / determinant, np.nan)
        slope_north = np.where(spans, (ee * nz - en * ez) / determinant, np.nan)
    height = middle[2] - slope_east * middle[0] - slope_north * middle[1]
    return np.stack([height, slope_east, slope_north], axis=1)


def residuals(planes: Floats, east: Floats, north: Floats, height: Floats) -> Floats:
    """Height minus plane [m], (n, m)."""
    found = planes[:, 1, None] * east
    found += planes[:, 2, None] * north
    found += planes[:, 0, None]
    return np.subtract(height, found, out=found)


def fit_planes(basis: Floats, height: Floats, *, step: float, floor: float) -> tuple[Floats, Floats, Floats]:
    """Robust planes.

    Parameters
    ----------
    basis : (n, 6, m) `powers` of the samples' offsets [m]
    height : (n, m) [m]; NaN heights are left out
    step : a residual that no pavement has [m]
    floor : least scale of the residuals [m]

    Returns
    -------
    planes (n, 3), weights (n, m), scale (n,) [m]
    """
    seen = np.isfinite(height)
    z = np.where(seen, height, 0.0)
    start = _start(seen, basis, z, step)
    planes, weight, scale, moving = _settle(seen, basis, z, start, floor, FIRST_ROUNDS)
    left = np.flatnonzero(moving)
    if len(left):
        some = _settle(seen[left], basis[left], z[left], planes[left], floor, ROUNDS - FIRST_ROUNDS)
        planes[left], weight[left], scale[left], _ = some
    return planes, weight, scale


def _settle(
    seen: Mask, basis: Floats, height: Floats, planes: Floats, floor: float, rounds: int
) -> tuple[Floats, Floats, Floats, Mask]:
    """Rounds of bisquare weights: planes, weights, scale, and which planes the last round still moved."""
    ones = seen.astype(float)
    for _ in range(rounds):
        before = planes
        residual = residuals(before, basis[:, 1], basis[:, 2], height)
        scale = robust_scale(residual, seen, floor)
        weight = bisquare(residual, ones, scale)
        planes = fit_weighted(weight, basis, height)
    with np.errstate(invalid="ignore"):
        moving = np.abs(planes - before).max(axis=1) > SETTLED
    return planes, weight, scale, moving


def _start(seen: Mask, basis: Floats, height: Floats, step: float) -> Floats:
    planes = fit_weighted(seen.astype(float), basis, height)
    kept = _within(planes, seen, basis, height, step)
    tried = np.flatnonzero((kept != seen).any(axis=1))
    if len(tried):
        seen, kept, basis, height = seen[tried], kept[tried], basis[tried], height[tried]
        without = fit_weighted(kept.astype(float), basis, height)
        stray = seen & ~_within(without, seen, basis, height, step / 2)
        sound = (stray.sum(axis=1) <= FEW * seen.sum(axis=1)) & ~(stray & kept).any(axis=1)
        doubtful = np.flatnonzero(~sound)
        some = seen[doubtful].astype(float), basis[doubtful], height[doubtful]
        without[doubtful] = _best_start(*some, planes[tried[doubtful]], step)
        planes[tried] = without
    return planes


def _within(planes: Floats, seen: Mask, basis: Floats, height: Floats, reach: float) -> Mask:
    """Samples (n, m) that lie at most `reach` [m] from the planes."""
    with np.errstate(invalid="ignore"):
        return np.asarray(seen & (np.abs(residuals(planes, basis[:, 1], basis[:, 2], height)) <= reach))


def _best_start(ones: Floats, basis: Floats, height: Floats, whole: Floats, step: float) -> Floats:
    sums = _arc_sums(ones, basis, height)
    best, least = whole, _clipped(whole, ones, basis, height, step)
    ring = np.concatenate([sums, sums], axis=1)
    for first in range(ARCS):
        planes = planes_from_moments(*np.einsum("nak->kn", ring[:, first : first + ARCS_KEPT]))
        loss = _clipped(planes, ones, basis, height, step)
        better = loss < least
        best, least = np.where(better[:, None], planes, best), np.where(better, loss, least)
    return best


def _clipped(planes: Floats, ones: Floats, basis: Floats, height: Floats, step: float) -> Floats:
    """Sum of min(r, step)^2 of each ring, (n,)."""
    residual = residuals(planes, basis[:, 1], basis[:, 2], height)
    squares = np.minimum(residual * residual, step * step)
    return np.where(np.isfinite(planes[:, 0]), dot(squares, ones), np.inf)


def _arc_sums(ones: Floats, basis: Floats, height: Floats) -> Floats:
    """Sums of 1, e, n, z, ee, en, nn, ez, nz over each sixteenth of the ring, (n, 16, 9)."""
    east, north = basis[:, 1], basis[:, 2]
    arc = np.floor(np.arctan2(east, north) * (ARCS / (2 * np.pi))).astype(np.int64) % ARCS
    place = (np.arange(len(east))[:, None] * ARCS + arc).ravel()
    _, _, _, ee, en, nn = (ones * basis[:, k] for k in range(6))
    e, n, z = ones * east, ones * north, ones * height
    products = (ones, e, n, z, ee, en, nn, e * height, n * height)
    size = len(east) * ARCS
    sums = [np.bincount(place, weights=product.ravel(), minlength=size) for product in products]
    return np.asarray(np.stack(sums, axis=1).reshape(len(east), ARCS, len(products)), dtype=np.float64)

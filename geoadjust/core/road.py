"""The road next to a cover: a plane that a kerb cannot tilt, or two planes that meet in a break.

**Plane.** Least squares breaks down where a kerb, a wall or a parked car stands in the ring, and so does a Huber fit.
The fit starts from one of 17 least-squares planes (the whole ring, and 16 with 3/8 of it left out), the one with the
smallest sum of min(r, step)^2, followed by 8 rounds of bisquare weights (c = 4.685, scale 1.4826 MAD, floored).
Where no residual of the whole-ring plane passes the step, that plane is the start.

**Break.** z = h + gE e + gN n + k max(0, e sin a + n cos a - t): direction from the principal curvature of the
residuals, offset by a scan, then Gauss-Newton with the same weights. It replaces the plane where an F statistic on the
clipped residuals says so clearly.

Sources: bisquare and its tuning constant: Beaton and Tukey 1974; Holland and Welsch 1977 (constants from memory,
checked in tests against a reference library). All fits work in offsets from the cover's centre.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import RoadModels, Samples, take
from geoadjust.core.edge import edge_jacobian
from geoadjust.core.fold import Fold, find_folds
from geoadjust.core.outline import Outlines
from geoadjust.core.ring import Ring
from geoadjust.core.robust import bisquare, robust_scale

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ARCS = 16
ARCS_KEPT = 10
ROUNDS = 8
EFFICIENCY = 0.95


def dot(left: Floats, right: Floats) -> Floats:
    """Row sums of products, (n,): the same bits for any number of rows."""
    return np.asarray(np.einsum("nm,nm->n", left, right))


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
    return np.asarray(height - planes[:, 0, None] - planes[:, 1, None] * east - planes[:, 2, None] * north)


def fit_planes(
    east: Floats, north: Floats, height: Floats, *, step: float, floor: float
) -> tuple[Floats, Floats, Floats]:
    """Robust planes.

    Parameters
    ----------
    east, north, height : (n, m) [m]; NaN heights are left out
    step : a residual that no pavement has [m]
    floor : least scale of the residuals [m]

    Returns
    -------
    planes (n, 3), weights (n, m), scale (n,) [m]
    """
    valid = np.isfinite(height)
    z = np.where(valid, height, 0.0)
    planes = _start(valid, east, north, z, step)
    for _ in range(ROUNDS):
        residual = residuals(planes, east, north, z)
        scale = robust_scale(residual, valid, floor)
        weight = bisquare(residual, valid, scale)
        planes = solve_planes(weight, east, north, z)
    return planes, weight, scale


def _start(valid: Mask, east: Floats, north: Floats, height: Floats, step: float) -> Floats:
    planes = solve_planes(valid.astype(float), east, north, height)
    worst = np.where(valid, np.abs(residuals(planes, east, north, height)), 0.0).max(axis=1)
    doubtful = np.flatnonzero(worst > step)
    if len(doubtful):
        samples = east[doubtful], north[doubtful], height[doubtful]
        planes[doubtful] = _best_start(valid[doubtful], *samples, planes[doubtful], step)
    return planes


def _best_start(valid: Mask, east: Floats, north: Floats, height: Floats, whole: Floats, step: float) -> Floats:
    sums = _arc_sums(valid, east, north, height)
    best, least = whole, _clipped(whole, valid, east, north, height, step)
    ring = np.concatenate([sums, sums], axis=1)
    for first in range(ARCS):
        planes = _planes_from_moments(np.einsum("nak->nk", ring[:, first : first + ARCS_KEPT]))
        loss = _clipped(planes, valid, east, north, height, step)
        better = loss < least
        best, least = np.where(better[:, None], planes, best), np.where(better, loss, least)
    return best


def _clipped(planes: Floats, valid: Mask, east: Floats, north: Floats, height: Floats, step: float) -> Floats:
    residual = np.minimum(np.abs(residuals(planes, east, north, height)), step)
    residual = np.where(valid, residual, 0.0)
    return np.where(np.isfinite(planes[:, 0]), dot(residual, residual), np.inf)


def _arc_sums(valid: Mask, east: Floats, north: Floats, height: Floats) -> Floats:
    """Sums of 1, e, n, z, ee, en, nn, ez, nz over each sixteenth of the ring, (n, 16, 9)."""
    arc = np.floor(np.arctan2(east, north) * (ARCS / (2 * np.pi))).astype(np.int64) % ARCS
    place = (np.arange(len(east))[:, None] * ARCS + arc).ravel()
    ones = valid.astype(float)
    e, n = ones * east, ones * north
    products = (ones, e, n, ones * height, e * east, e * north, n * north, e * height, n * height)
    size = len(east) * ARCS
    sums = [np.bincount(place, weights=product.ravel(), minlength=size) for product in products]
    return np.asarray(np.stack(sums, axis=1).reshape(len(east), ARCS, len(products)), dtype=np.float64)


def _planes_from_moments(sums: Floats) -> Floats:
    count, e, n, z, ee, en, nn, ez, nz = sums.T
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = [e / count, n / count, z / count]
        centred = (ee - e * middle[0], en - e * middle[1], nn - n * middle[1], ez - e * middle[2], nz - n * middle[2])
    return _planes_from_sums(*centred, middle)


def fit_roads(samples: Samples, ring: Ring, edge: Outlines, *, noise: float = 0.0, density: float = 0.0) -> RoadModels:
    """Road model of each structure; NaN where the ring holds too few samples.

    Parameters
    ----------
    samples : (n, m)
    ring : settings
    edge : n outlines of the frame's top; the covariance is that of the road's plane along them
    noise : stated independent noise of one sample, one sd [m]; 0 = the scatter about the model
    density : points per square metre that the samples were made of; 0 = each sample stands for itself

    Returns
    -------
    RoadModels, `source` 0 where the road was fitted and -1 elsewhere
    """
    count = np.isfinite(samples.height).sum(axis=1)
    coverage = count / np.maximum(samples.pattern, 1)
    enough = (count >= ring.min_samples) & (coverage >= ring.min_coverage) & (samples.spacing <= ring.max_cell)
    height = np.where(enough[:, None], samples.height, np.nan)
    level = _mean_height(height)
    height = height - level[:, None]
    step = max(ring.step, 3 * noise)
    planes, weight, scale = fit_planes(samples.east, samples.north, height, step=step, floor=ring.noise_floor)
    fold = find_folds(samples.east, samples.north, height, planes, step=ring.step, floor=ring.noise_floor)
    planes = np.where(fold.found[:, None], fold.planes, planes)
    weight = np.where(fold.found[:, None], fold.weight, weight)
    residual = residuals(planes, samples.east, samples.north, np.where(np.isfinite(height), height, 0.0))
    residual = residual - fold.lift(samples.east, samples.north)
    residual = np.where(weight > 0, residual, 0.0)
    models = _models(samples, planes, weight, residual, scale, level, fold, count, coverage)
    noises = _sample_noise(models, noise, density)
    return replace(models, covariance=_edge_covariance(models, fold, edge), noise=noises)


def _sample_noise(models: RoadModels, noise: float, density: float) -> Floats:
    """Sd of one sample as the covariance of the fit takes it [m], (n,).

    Cells that were made of fewer points than cells share their errors: n_eff = area x density. Bisquare weights cost
    5 % of the efficiency of least squares (Holland and Welsch 1977, from memory).
    """
    own = np.full(len(models), noise) if noise else models.rms
    points = np.minimum(density * models.spacing**2, 1.0) if density else np.ones(len(models))
    return np.asarray(own / np.sqrt(points * EFFICIENCY))


def _edge_covariance(models: RoadModels, fold: Fold, edge: Outlines) -> Floats:
    """Covariance (n, 3, 3) of the road's plane along the frame's edge; on one plane it is the plane's own."""
    covariance = models.covariance.copy()
    folded = np.flatnonzero(fold.found)
    if len(folded):
        turn = edge_jacobian(take(models, folded), edge.take(folded))
        spread = np.einsum("nia,nab,njb->nij", turn, fold.cofactor[folded], turn)
        covariance[folded] = spread * (models.scale[folded] ** 2)[:, None, None]
    return covariance


def _mean_height(height: Floats) -> Floats:
    valid = np.isfinite(height)
    count = np.maximum(valid.sum(axis=1), 1)
    return np.asarray(np.einsum("nm->n", np.where(valid, height, 0.0)) / count)


def _models(
    samples: Samples,
    planes: Floats,
    weight: Floats,
    residual: Floats,
    scale: Floats,
    level: Floats,
    fold: Fold,
    count: NDArray[np.int64],
    coverage: Floats,
) -> RoadModels:
    fitted = np.isfinite(planes[:, 0])
    kept = (weight > 0).sum(axis=1)
    rms = np.sqrt(dot(residual, residual) / np.maximum(kept - 3, 1))
    return RoadModels(
        height=planes[:, 0] + level,
        slope_east=np.ascontiguousarray(planes[:, 1]),
        slope_north=np.ascontiguousarray(planes[:, 2]),
        fold=np.where(fold.found, fold.change, 0.0),
        fold_azimuth=fold.azimuth,
        fold_offset=fold.offset,
        covariance=covariance(weight > 0, samples.east, samples.north, scale),
        rms=np.where(fitted, rms, np.nan),
        scale=np.where(fitted, scale, np.nan),
        noise=np.where(fitted, rms, np.nan),
        samples=np.where(fitted, kept, count),
        left_out=np.where(fitted, count - kept, 0),
        pattern=samples.pattern,
        coverage=coverage,
        shape=np.where(fitted, np.where(fold.found, 1, 0), -1).astype(np.int8),
        spacing=samples.spacing,
        widened=samples.widened,
        source=np.where(fitted, 0, -1).astype(np.int8),
    )


def covariance(kept: Mask, east: Floats, north: Floats, scale: Floats) -> Floats:
    """scale^2 (X'X)^-1 of height, slope east, slope north over the kept samples, (n, 3, 3); NaN if singular."""
    ones = kept.astype(float)
    basis = np.stack([ones, ones * east, ones * north], axis=2)
    normal = np.einsum("nma,nmb->nab", basis, basis)
    bad = ~(np.linalg.det(normal) > 1e-9)
    normal[bad] = np.eye(3)
    inverse = np.linalg.inv(normal) * np.where(bad, 0.0, scale**2)[:, None, None]
    inverse[bad] = np.nan
    return inverse

"""The road next to a cover: a plane that a kerb cannot tilt, or two planes that meet in a break.

**Plane.** A robust fit, see `plane`.

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
from geoadjust.core.plane import dot, fit_planes, moments, powers, residuals
from geoadjust.core.ring import Ring

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

EFFICIENCY = 0.95


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
    basis = powers(samples.east, samples.north)
    planes, weight, scale = fit_planes(basis, height, step=step, floor=ring.noise_floor)
    fold = find_folds(basis, height, planes, step=ring.step, floor=ring.noise_floor)
    folded = np.flatnonzero(fold.found)
    planes[folded], weight[folded] = fold.planes[folded], fold.weight[folded]
    residual = residuals(planes, samples.east, samples.north, np.where(np.isfinite(height), height, 0.0))
    residual[folded] -= fold.lift(samples.east, samples.north)[folded]
    residual = np.where(weight > 0, residual, 0.0)
    models = _models(samples, basis, planes, weight, residual, scale, level, fold, count, coverage)
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
    basis: Floats,
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
        covariance=covariance(weight > 0, basis, scale),
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


def covariance(kept: Mask, basis: Floats, scale: Floats) -> Floats:
    """scale^2 (X'X)^-1 of height, slope east, slope north over the kept samples, (n, 3, 3); NaN if singular."""
    count, e, n, ee, en, nn = moments(kept.astype(float), basis).T
    normal = np.stack([count, e, n, e, ee, en, n, en, nn], axis=1).reshape(-1, 3, 3)
    bad = ~(np.linalg.det(normal) > 1e-9)
    normal[bad] = np.eye(3)
    inverse = np.linalg.inv(normal) * np.where(bad, 0.0, scale**2)[:, None, None]
    inverse[bad] = np.nan
    return inverse

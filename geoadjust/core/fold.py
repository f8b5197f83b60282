"""Two planes that meet in a break: crown, gutter line, grade break.

Model: z = h + gE e + gN n + k max(0, s - t), s = e sin a + n cos a. A function of s alone bends the residuals of a
plane in one direction, so the quadratic form fitted to them has its principal axis along a: that is the start. The
offset t is scanned, then a and t are refined by Gauss-Newton together with the linear part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.plane import residuals
from geoadjust.core.robust import bisquare, robust_scale

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAR_STEPS = 3.0
"""Samples within this many steps of the plane may belong to the road on the other side of a break."""
OFFSETS = 13
REFINEMENTS = 8
LEAST_SAMPLES = 16
LEAST_BEND = 8.0
"""Smallest F statistic of a quadratic form on the residuals for which a fold is tried at all."""
CLIP = 3.0
LEAST_SCALE = 0.001
LEAST_CHANGE = 0.005
LEAST_F = 15.0
LEAST_SIDE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Fold:
    """Folds of n structures; where `found` is False the other fields are 0 and the road is one plane."""

    found: Mask
    planes: Floats
    change: Floats
    azimuth: Floats
    offset: Floats
    weight: Floats
    cofactor: Floats
    """(n, 6, 6): covariance of (height, slope_east, slope_north, change, azimuth, offset) for samples of sd 1."""

    def lift(self, east: Floats, north: Floats) -> Floats:
        """k max(0, s - t) at offsets (n, m) [m]; 0 where there is no fold."""
        return _lift(self.change, self.azimuth, self.offset, east, north)


def _lift(change: Floats, azimuth: Floats, offset: Floats, east: Floats, north: Floats) -> Floats:
    beyond = np.sin(azimuth)[:, None] * east + np.cos(azimuth)[:, None] * north - offset[:, None]
    return change[:, None] * np.maximum(beyond, 0.0)


def find_folds(basis: Floats, height: Floats, planes: Floats, *, step: float, floor: float) -> Fold:
    """Fold of each structure where one explains the samples clearly better than the plane.

    Parameters
    ----------
    basis : (n, 6, m) `powers` of the samples' offsets [m]
    height : (n, m) [m]; NaN heights are left out
    planes : (n, 3) robust planes of the same samples
    step : a residual that no pavement has [m]
    floor : least scale of the residuals [m]
    """
    n, m = height.shape
    blank = [np.zeros((n, 3)), *(np.zeros(n) for _ in range(3)), np.zeros((n, m)), np.zeros((n, 6, 6))]
    fold = Fold(np.zeros(n, dtype=bool), *blank)
    valid = np.isfinite(height)
    z = np.where(valid, height, 0.0)
    flat = residuals(planes, basis[:, 1], basis[:, 2], z)
    near = (valid & (np.abs(flat) <= NEAR_STEPS * step)).astype(float)
    bends, azimuth = _bends(near, basis, flat)
    tried = np.flatnonzero(bends & (np.einsum("nm->n", near) >= LEAST_SAMPLES))
    if not len(tried):
        return fold
    samples = basis[tried, 1], basis[tried, 2], z[tried], flat[tried]
    some = _fit(valid[tried], near[tried], *samples, azimuth[tried], floor)
    for whole, part in zip(_fields(fold), _fields(some), strict=True):
        whole[tried] = np.where(_like(some.found, part), part, 0)
    return fold


def _fields(fold: Fold) -> list[NDArray[Any]]:
    return [fold.found, fold.planes, fold.change, fold.azimuth, fold.offset, fold.weight, fold.cofactor]


def _like(found: Mask, part: NDArray[Any]) -> Mask:
    return found.reshape(-1, *(1,) * (part.ndim - 1))


def _fit(
    valid: Mask, near: Floats, east: Floats, north: Floats, z: Floats, flat: Floats, azimuth: Floats, floor: float
) -> Fold:
    offset = _scan(near, east, north, flat, azimuth)
    weight = near
    for _ in range(REFINEMENTS):
        solution, azimuth, offset = _refine(weight, east, north, z, azimuth, offset)
        residual = z - _model(solution, azimuth, offset, east, north)
        weight = bisquare(residual, near, robust_scale(residual, near > 0, floor))
    beyond = np.sin(azimuth)[:, None] * east + np.cos(azimuth)[:, None] * north > offset[:, None]
    found = (
        _clearly_better(flat, z - _model(solution, azimuth, offset, east, north), valid)
        & (np.abs(solution[:, 3]) >= LEAST_CHANGE)
        & _both_sides(weight > 0, beyond)
    )
    spread = cofactor(weight > 0, east, north, solution[:, 3], azimuth, offset)
    return Fold(found, solution[:, :3], solution[:, 3], np.mod(azimuth, 2 * np.pi), offset, weight, spread)


def cofactor(kept: Mask, east: Floats, north: Floats, change: Floats, azimuth: Floats, offset: Floats) -> Floats:
    """Inverse normal matrix of a fold's six parameters over the kept samples, (n, 6, 6).

    Times the variance of one sample it is their covariance, to first order.
    """
    ones = kept.astype(float)
    basis = np.stack([ones * column for column in _derivatives(east, north, change, azimuth, offset)], axis=2)
    normal = np.einsum("nma,nmb->nab", basis, basis) + 1e-9 * np.eye(6)
    return np.asarray(np.linalg.inv(normal))


def _derivatives(east: Floats, north: Floats, change: Floats, azimuth: Floats, offset: Floats) -> list[Floats]:
    """Of the model with respect to height, slopes, change, azimuth and offset, (n, m) each."""
    sin, cos = np.sin(azimuth)[:, None], np.cos(azimuth)[:, None]
    s = sin * east + cos * north - offset[:, None]
    beyond = change[:, None] * (s > 0)
    return [np.ones_like(east), east, north, np.maximum(s, 0.0), beyond * (cos * east - sin * north), -beyond]


def _model(solution: Floats, azimuth: Floats, offset: Floats, east: Floats, north: Floats) -> Floats:
    plane = solution[:, 0, None] + solution[:, 1, None] * east + solution[:, 2, None] * north
    return np.asarray(plane + _lift(solution[:, 3], azimuth, offset, east, north))


def _solve(weight: Floats, basis: list[Floats], height: Floats) -> tuple[Floats, Floats]:
    """Weighted least squares on any basis: solution (n, size) and the squares it explains (n,)."""
    weighted = [weight * column for column in basis]
    size = len(basis)
    normal = np.empty((len(height), size, size))
    right = np.empty((len(height), size))
    for i in range(size):
        right[:, i] = np.einsum("nm,nm->n", weighted[i], height)
        for j in range(i, size):
            normal[:, i, j] = normal[:, j, i] = np.einsum("nm,nm->n", weighted[i], basis[j])
    return _explained(normal, right)


def _explained(normal: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Solution of normal equations and the squares it explains."""
    solution = np.linalg.solve(normal + 1e-9 * np.eye(normal.shape[1]), right[:, :, None])[:, :, 0]
    return np.asarray(solution), np.asarray(np.einsum("nk,nk->n", solution, right))


def _bends(weight: Floats, basis: Floats, flat: Floats) -> tuple[Mask, Floats]:
    """Whether a quadratic form fits the residuals better than a plane, and the azimuth of its greatest curvature."""
    normal = np.matmul(weight[:, None, :] * basis, basis.transpose(0, 2, 1))
    right = np.einsum("nm,nkm->nk", weight * flat, basis)
    _, plain = _explained(normal[:, :3, :3], right[:, :3])
    form, bent = _explained(normal, right)
    left = np.einsum("nm,nm->n", weight * flat, flat) - bent
    freedom = np.einsum("nm->n", weight) - 6
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (bent - plain) / 3 / (left / freedom)
    aa, ab, bb = form[:, 3], form[:, 4] / 2, form[:, 5]
    axis = 0.5 * np.arctan2(2 * ab, bb - aa)
    along = aa * np.sin(axis) ** 2 + 2 * ab * np.sin(axis) * np.cos(axis) + bb * np.cos(axis) ** 2
    across = aa + bb - along
    return ratio > LEAST_BEND, np.where(np.abs(along) >= np.abs(across), axis, axis + np.pi / 2)


def _scan(weight: Floats, east: Floats, north: Floats, flat: Floats, azimuth: Floats) -> Floats:
    """Offset that explains the most, from a fixed grid across the ring."""
    s = np.sin(azimuth)[:, None] * east + np.cos(azimuth)[:, None] * north
    reach = np.where(weight > 0, np.abs(s), 0.0).max(axis=1)
    ones = np.ones_like(east)
    best, most = np.zeros(len(east)), np.full(len(east), -np.inf)
    for share in np.linspace(-0.85, 0.85, OFFSETS):
        offset = share * reach
        _, explained = _solve(weight, [ones, east, north, np.maximum(s - offset[:, None], 0.0)], flat)
        best, most = np.where(explained > most, offset, best), np.maximum(explained, most)
    return best


def _refine(
    weight: Floats, east: Floats, north: Floats, z: Floats, azimuth: Floats, offset: Floats
) -> tuple[Floats, Floats, Floats]:
    """One Gauss-Newton step on azimuth and offset, then the linear part anew."""
    sin, cos = np.sin(azimuth)[:, None], np.cos(azimuth)[:, None]
    s = sin * east + cos * north - offset[:, None]
    ones = np.ones_like(east)
    solution, _ = _solve(weight, [ones, east, north, np.maximum(s, 0.0)], z)
    step, _ = _solve(weight, _derivatives(east, north, solution[:, 3], azimuth, offset), z)
    azimuth = azimuth + np.clip(step[:, 4], -0.2, 0.2)
    offset = offset + np.clip(step[:, 5], -0.2, 0.2)
    s = np.sin(azimuth)[:, None] * east + np.cos(azimuth)[:, None] * north - offset[:, None]
    solution, _ = _solve(weight, [ones, east, north, np.maximum(s, 0.0)], z)
    return solution, azimuth, offset


def _clearly_better(flat: Floats, bent: Floats, valid: Mask) -> Mask:
    """F statistic on squares clipped at three times the smaller of both scales.

    A step (a patch, a plate) leaves most samples of a plane untouched and none of a fold's, so the plane wins there.
    """
    scale = np.minimum(robust_scale(flat, valid, 0.0), robust_scale(bent, valid, 0.0))
    clip = (CLIP * np.maximum(scale, LEAST_SCALE))[:, None]
    clipped = [np.where(valid, np.minimum(np.abs(residual), clip), 0.0) for residual in (flat, bent)]
    plane, fold = (np.einsum("nm,nm->n", residual, residual) for residual in clipped)
    freedom = np.maximum(valid.sum(axis=1) - 6, 1)
    return np.asarray((plane - fold) / 3 > LEAST_F * np.maximum(fold / freedom, LEAST_SCALE**2 / 9))


def _both_sides(kept: Mask, beyond: Mask) -> Mask:
    share = (kept & beyond).sum(axis=1) / np.maximum(kept.sum(axis=1), 1)
    return np.asarray((share >= LEAST_SIDE) & (share <= 1 - LEAST_SIDE))

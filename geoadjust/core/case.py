"""All that is known of the structures when a method is chosen, and how far off the owner takes a rim to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import KINDS, Bars, Chimneys, Liners, Millings, Rims, Stacks, Structures
from geoadjust.core.parts import Catalogue
from geoadjust.core.rim import frame_edges
from geoadjust.core.rules import RuleSet
from geoadjust.core.shelf import SLACK
from geoadjust.core.stack import Demand

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

STACKED = (KINDS.index("manhole"), KINDS.index("handhole"))
"""Kinds whose castings stand on a chimney that is built by calculation."""


def has_chimney(structures: Structures) -> Mask:
    """Where a chimney carries the casting: neither a valve's sliding top nor a casting that floats in the pavement."""
    return np.asarray(~structures.floating & (structures.kind != KINDS.index("valve")))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All that is known of the structures when the method is chosen."""

    structures: Structures
    rims: Rims
    bars: Bars
    millings: Millings
    chimneys: Chimneys
    demand: Demand
    stacks: Stacks
    liners: Liners
    rules: RuleSet
    catalogue: Catalogue

    def tilt(self) -> tuple[Floats, Floats]:
        """Gradient of today's frame against the target plane [m/m]."""
        rims = self.rims
        return rims.existing_slope_east - rims.target_slope_east, rims.existing_slope_north - rims.target_slope_north

    def off(self, centre: Floats) -> Floats:
        """How far off [m] a rim is that lies `centre` above the target and has today's tilt, as the owner measures it.

        `edge`: worst place on the frame's edge. `adjacent_mean`: the mean, that is the centre. `bar`: the worse of the
        bars along and across the street, of all eight bars without an axis.
        """
        if self.rules.measured_by == "edge":
            return np.asarray(np.abs(centre) + frame_edges(self.structures).support(*self.tilt()))
        if self.rules.measured_by == "adjacent_mean":
            return np.abs(centre)
        under = self.rims.target + centre + self.rules.recess
        gaps = np.abs(under[:, None] - self.bars.height)
        half = gaps.shape[1] // 2
        both = np.where(np.isfinite(self.structures.axis), np.maximum(gaps[:, 0], gaps[:, half]), gaps.max(axis=1))
        return np.where(np.isfinite(both), both, np.abs(centre))

    def level(self) -> Mask:
        """Where today's tilt is within the owner's tolerance."""
        return np.asarray(np.hypot(*self.tilt()) <= self.rules.tilt_tolerance + SLACK)

    def stacked(self) -> Mask:
        """Where a chimney is built by calculation."""
        return np.isin(self.structures.kind, STACKED) & ~self.structures.floating

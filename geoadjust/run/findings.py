"""What only the whole run shows: that all surveyed rims together lie off the road."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_RIMS = 20
LEAST_BIAS = 0.030
LEAST_ERRORS = 3.0


@dataclass(frozen=True, slots=True)
class Bias:
    """Median of rim minus road over all surveyed rims [m], its robust standard error [m], and the likely causes."""

    median: float
    error: float
    count: int
    causes: str

    def sentence(self) -> str:
        """The finding in words."""
        return (
            f"batch_bias: the median of {self.count} surveyed rims lies {1000 * self.median:+.0f} mm off the road "
            f"(standard error {1000 * self.error:.0f} mm). Likely: {self.causes}"
        )


def find_bias(rim: Floats, road: Floats) -> Bias | None:
    """Bias of surveyed rims against the road, or None.

    Parameters
    ----------
    rim, road : (n,) elevations [m]; NaN where there is none

    Returns
    -------
    Bias where at least 20 rims have a median beyond 30 mm and beyond three robust standard errors
    (1.4826 MAD sqrt(pi / 2n), the standard error of a median of normal values)
    """
    both = np.isfinite(rim) & np.isfinite(road)
    if both.sum() < LEAST_RIMS:
        return None
    off = (rim - road)[both]
    median = float(np.median(off))
    error = float(1.4826 * np.median(np.abs(off - median)) * np.sqrt(np.pi / 2 / len(off)))
    if abs(median) <= max(LEAST_BIAS, LEAST_ERRORS * error):
        return None
    return Bias(median, error, len(off), _causes(median, float(np.median(rim[both])), float(np.median(road[both]))))


def _causes(median: float, rim: float, road: float) -> str:
    ratio = rim / road if road else float("nan")
    if abs(ratio - 1 / 0.3048) < 0.15:
        return "the rims are in feet and read as metres; mend structures.vertical_unit"
    if abs(ratio - 0.3048) < 0.015:
        return "the rims are in metres and read as feet, or the surface is; mend the vertical units"
    if abs(median) > 2.0:
        return "rims and surface are on different vertical datums, or most rims are blank values such as 0"
    if abs(median) > 0.1:
        return "rims and surface are on different vertical datums or geoid models"
    return "an older or differently levelled survey, a surface with a bias of its own, or paving since then"

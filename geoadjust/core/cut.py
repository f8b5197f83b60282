"""The cut: heights of the cut-to-fit part round its outline, or the change of the chimney there.

    cut(x) = height - bed - 2 joints + g . x          basis `height`
    dH(x)  = change + (g1 - g0) . x                   basis `change`

The figures are the finished edge of the piece that is kept; the kerf lies in the waste. A liner is cut at the radius
that its cut style says (`liner.liner_radii`); everything else is given on the flange's outside. Rough cut = long side +
allowance. On a rectangle: four mid-sides and four corners.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.chimney import along_axis
from geoadjust.core.columns import METHODS, Chimneys, Cuts, Liners, Rims, Structures
from geoadjust.core.liner import liner_radii
from geoadjust.core.outline import Outlines
from geoadjust.core.parts import Catalogue
from geoadjust.core.rim import flange_edges
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]

HEIGHT, CHANGE = 0, 1


def make_cuts(
    structures: Structures,
    rims: Rims,
    chimneys: Chimneys,
    liners: Liners,
    method: NDArray[np.int8],
    rules: RuleSet,
    catalogue: Catalogue,
) -> Cuts:
    """Ordinates of each structure: on the liner where that is the method, else on the flange's outside.

    Returns
    -------
    Cuts; basis -1 and NaN where neither the height nor its change is known
    """
    known = np.isfinite(chimneys.height)
    basis = np.where(known, HEIGHT, np.where(np.isfinite(chimneys.change), CHANGE, -1)).astype(np.int8)
    tilt = np.hypot(chimneys.tilt_east, chimneys.tilt_north)
    lined = method == METHODS.index("liner")
    radius, wrap, deduct = (np.where(lined, values, np.nan) for values in liner_radii(liners, tilt, catalogue, rules))
    flange = flange_edges(structures)
    outline = Outlines(np.where(lined, 2 * radius, flange.width), flange.length, flange.azimuth)
    factor = along_axis(structures, chimneys, rules)
    centre = chimneys.height * factor - chimneys.bed - 2 * rules.joint - np.where(lined, deduct, 0.0)
    east, north = chimneys.tilt_east * factor, chimneys.tilt_north * factor
    rough = centre + outline.support(east, north) + rules.rough_cut_allowance
    own = known[:, None]
    ordinates, count = _ordinates(
        outline,
        rims.mark,
        np.where(known, centre, chimneys.change),
        np.where(own, np.column_stack([east, north]), np.column_stack([chimneys.change_east, chimneys.change_north])),
    )
    circle = outline.is_round
    half = outline.width / 2
    return Cuts(
        basis=basis,
        count=np.where(basis >= 0, count, 0),
        first=np.where(circle, rims.mark, outline.azimuth),
        radius=np.where(circle, half, np.nan),
        wrap=np.where(circle, np.where(lined, wrap, half), np.nan),
        ordinates=np.where(basis[:, None] >= 0, ordinates, np.nan),
        rough_cut=np.where(known, rough, np.nan),
    )


def _ordinates(outline: Outlines, mark: Floats, centre: Floats, gradient: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Heights at the stations, (n, 16), and how many of them there are."""
    east, north, count = outline.stations(mark)
    heights = centre[:, None] + gradient[:, :1] * east + gradient[:, 1:] * north
    return heights, count


def unrolled(centre: Floats, radius: Floats, slope: Floats, uphill: Floats, along: Floats) -> Floats:
    """Cut line of a cylinder unrolled, z(x) = Hc + R s cos(x/R - uphill) [m].

    Parameters
    ----------
    centre, radius, slope, uphill : (n,) [m], [m], [m/m], [rad]
    along : (n, k) distance round the circumference [m]

    Examples
    --------
    A plane at 45 degrees unrolls to a sine (Apostol and Mnatsakanian, Am. Math. Monthly, May 2007):

    >>> unrolled(np.zeros(1), np.ones(1), np.ones(1), np.array([np.pi / 2]), np.array([[0.5]])).round(12).tolist()
    [[0.479425538604]]
    """
    swing = (radius * slope)[:, None]
    return np.asarray(centre[:, None] + swing * np.cos(along / radius[:, None] - uphill[:, None]))

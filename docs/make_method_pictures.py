"""Makes the figures of the method pages: drawings by the product's own functions, or from its own numbers.

.venv/bin/python docs/make_method_pictures.py
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np

import geoadjust
from geoadjust.core.normal import interval_probability
from geoadjust.core.ring import Ring, inner_radius, outer_radius
from geoadjust.report.figures import DASH, DOTS, FINE, HIGH, STRONG, THIN, Figure
from geoadjust.report.svg import svg
from geoadjust.run.demo import run_demo

PICTURES = Path(__file__).parent / "pictures"
FLANGE, FRAME, CELL = 0.915, 0.66, 0.25
SCALE = 28.0
"""Millimetres of the drawing for a metre of the road round a cover."""


def ring() -> Figure:
    """The annulus on a raster of 0.25 m cells: which cells are samples."""
    middle = 1.85 * SCALE
    figure = Figure(2 * middle + 62, 2 * middle, "The ring, cells of 0.25 m")
    inner = float(inner_radius(np.array([FLANGE / 2]), np.array([CELL]), Ring())[0])
    outer = float(outer_radius(np.array([CELL]), Ring())[0])
    east, north = 0.06, -0.04  # the cover does not lie in the middle of a cell
    count = 0
    for row in range(-7, 7):
        for column in range(-7, 7):
            e, n = (column + 0.5) * CELL - east, (row + 0.5) * CELL - north
            inside = inner <= math.hypot(e, n) <= outer
            count += inside
            x, y, half = middle + e * SCALE, middle - n * SCALE, CELL * SCALE / 2
            corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
            figure.line(*corners, width=THIN, closed=True, fill=0.85 if inside else 1.0)
            if inside:
                figure.circle((x, y), 0.5, 0.0, fill=0.0)
    for radius, width, dash in (
        (FRAME / 2, STRONG, ()),
        (FLANGE / 2, FINE, DASH),
        (inner, FINE, ()),
        (outer, FINE, ()),
    ):
        figure.circle((middle, middle), radius * SCALE, width, dash)
    told = [
        f"frame {FRAME * 1000:.0f} mm",
        f"flange {FLANGE * 1000:.0f} mm (broken)",
        f"inner radius {inner:.4f} m",
        f"outer radius {outer:.1f} m",
        f"{count} samples",
    ]
    for place, text in enumerate(told):
        figure.word((2 * middle + 4, 12 + 7.0 * place), text)
    return figure


def bar() -> Figure:
    """A cover on a crown: the road next to the rim, and the bar that is laid across it."""
    figure = Figure(190.0, 58.0, "A cover on a crown of 3 %, heights 8 times enlarged")
    slope, half, edge = 0.03, Ring().bar_length / 2, FRAME / 2
    inner = float(inner_radius(np.array([FLANGE / 2]), np.array([CELL]), Ring())[0])
    across, up, middle, level = 42.0, 8 * 42.0, 70.0, 18.0

    def at(t: float, z: float) -> tuple[float, float]:
        return middle + across * t, level - up * z

    for side in (-1, 1):
        figure.line(at(side * inner, -slope * inner), at(side * 1.6, -slope * 1.6), width=STRONG)
        figure.line(at(0, 0), at(side * inner, -slope * inner), width=FINE, dash=DOTS)
        figure.line(at(side * edge, 0.02), at(side * edge, -0.05), width=THIN, dash=DASH)
    beside, chord = -slope * edge * 2 / math.pi, -slope * inner
    figure.line(at(-edge, beside), at(edge, beside), width=STRONG)
    figure.line(at(-half, chord), at(half, chord), width=FINE)
    figure.word((138, at(0, beside)[1]), f"next to the rim {1000 * beside:.1f} mm")
    figure.word((138, at(0, chord)[1] + HIGH / 2), f"under the bar {1000 * chord:.1f} mm")
    figure.word((middle, 6.0), "frame", "center")
    for side, name in ((-1, "road as read"), (1, "road as read")):
        figure.word((middle + side * 48, 50.0), name, "center")
    return figure


def shares() -> Figure:
    """A raise of 35 mm with a standard deviation of 8 mm, and what it means where a riser makes 25 to 50 mm."""
    width, base, mean, sd = 150.0, 44.0, 35.0, 8.0
    figure = Figure(width, 56.0, "A raise of 35 mm, sd 8 mm, and a riser for 25 to 50 mm")

    def x(value: float) -> float:
        return 8 + value * 2.0

    def height(value: float) -> float:
        return base - 36 * math.exp(-0.5 * ((value - mean) / sd) ** 2)

    low, high = 25.0, 50.0
    inside = [(x(v), height(v)) for v in np.linspace(low, high, 60)]
    figure.line((x(low), base), *inside, (x(high), base), width=0.0, closed=True, fill=0.85)
    figure.line(*[(x(v), height(v)) for v in np.linspace(0, 68, 140)], width=STRONG)
    figure.line((x(0), base), (x(68), base), width=FINE)
    share = interval_probability(*(np.array([value / 1000]) for value in (mean, sd, low, high)))
    figure.word((x(37.5), base - 9), f"riser {100 * float(share[0]):.1f} %", "center", bold=True)
    for value in (0, 25, 50):
        figure.line((x(value), base), (x(value), base + 1.5), width=FINE)
        figure.word((x(value), base + 2.5 + HIGH), f"{value} mm", "center")
    return figure


def main() -> None:
    """All figures."""
    for name, drawn in (("ring", ring()), ("bar", bar()), ("shares", shares())):
        (PICTURES / f"method-{name}.svg").write_text(svg(drawn), encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        run_demo(Path(folder) / "demo", overwrite=False, progress=lambda *_: None)
        result = geoadjust.open_set(Path(folder) / "demo/out")
        lined = result.structures[result.structures.method == "liner"].iloc[0]
        stacked = result.structures[result.structures.method == "rings"].iloc[0]
        for name, row in (("rings", stacked.row), ("liner", lined.row)):
            (PICTURES / f"method-{name}.svg").write_text(str(result.plot(row=int(row))), encoding="utf-8")


if __name__ == "__main__":
    main()

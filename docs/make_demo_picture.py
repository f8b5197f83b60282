"""Makes docs/demo.png from the demo's files and its output set; needs matplotlib, which geoadjust itself does not.

    geoadjust demo .demo
    python docs/make_demo_picture.py .demo docs/demo.png

Everything drawn is read from the files: road.tif, out/schedule.gpkg. The relief is smoothed over 0.5 m for the eye.
"""

from __future__ import annotations

import sqlite3
import sys
import textwrap
from collections import Counter
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import rasterio
from numpy.typing import NDArray

matplotlib.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.offsetbox import AnnotationBbox, HPacker, TextArea, VPacker
from matplotlib.patches import Polygon

Row = dict[str, Any]
Image = NDArray[np.float64]
Box = tuple[float, float, float, float]

LOOK = {
    "info": ("s", "#2b6f77", 42, "information only"),
    "warn": ("D", "#e08a00", 42, "look at the flags"),
    "stop": ("X", "#8b1e63", 70, "not to be worked on as it stands"),
}
PAPER, INK, FAINT = "#faf8f3", "#23262b", "#8a8d92"
ROAD = LinearSegmentedColormap.from_list("road", ["#50565c", "#a9adab", "#f1efe8"])
SECTION, CURVE = "SS-128", "SS-148"
FIRST = 6.0
"""Metres along the axis of the first structure, which lies on it."""
EXCERPT = (183.0, 250.0)
"""Metres along the axis that the lower map shows."""


def main(folder: Path, target: Path) -> None:
    """Draw the picture."""
    rows, ordinates, parts, models = read_set(folder / "out" / "schedule.gpkg")
    height, extent = read_road(folder / "road.tif")
    figure = plt.figure(figsize=(16, 12.4), dpi=100, facecolor=PAPER)
    relief = shade(height)
    draw_overview(figure.add_axes((0.02, 0.685, 0.58, 0.255)), relief, height, extent, rows)
    draw_key(figure.add_axes((0.61, 0.685, 0.37, 0.255)), rows)
    draw_excerpt(figure.add_axes((0.02, 0.29, 0.96, 0.375)), relief, extent, rows)
    chosen = {row["structure_id"]: row for row in rows}
    draw_curve(figure.add_axes((0.055, 0.05, 0.40, 0.195)), chosen[CURVE], ordinates[chosen[CURVE]["row"]])
    section = chosen[SECTION]["row"]
    draw_section(figure.add_axes((0.50, 0.015, 0.48, 0.23)), chosen[SECTION], parts[section], models[section])
    figure.text(0.02, 0.958, "Sample Street, an invented job", fontsize=21, color=INK, weight="bold")
    about = "Milled by 40 mm, paved with 50 mm. Road raster with 0.1 m cells. A plan, not an approval."
    figure.text(0.98, 0.96, about, fontsize=12.5, color=INK, ha="right")
    figure.savefig(target, facecolor=PAPER)
    shrink(target)


def read_set(path: Path) -> tuple[list[Row], dict[int, Row], dict[int, list[Row]], dict[int, Row]]:
    """Schedule, ordinates, stack parts and models of an output set."""
    database = sqlite3.connect(path)
    database.row_factory = sqlite3.Row

    def table(name: str) -> list[Row]:
        return [dict(row) for row in database.execute(f"SELECT * FROM {name}")]

    rows = table("schedule")
    for row in rows:
        blob = row["geom"]
        row["place"] = None if blob is None or blob[3] & 16 else np.frombuffer(blob[-16:], "<f8")
    parts: dict[int, list[Row]] = {}
    for part in table("stack_parts"):
        parts.setdefault(part["row"], []).append(part)
    by_row = ({row["row"]: row for row in table(name)} for name in ("ordinates", "models"))
    ordinates, models = by_row
    database.close()
    return rows, ordinates, parts, models


def read_road(path: Path) -> tuple[Image, Box]:
    """Heights with NaN for holes, and west, east, south, north."""
    with rasterio.open(path) as file:
        height = file.read(1, masked=True).filled(np.nan).astype(float)
        west, south, east, north = file.bounds
    return height, (west, east, south, north)


def shade(height: Image) -> Image:
    """Relief lit from the north-west, smoothed over 5 cells; NaN where there is no road."""
    padded = np.pad(height, 2, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (5, 5))
    known = np.isfinite(windows).sum(axis=(2, 3))
    smooth = np.where(known > 0, np.nansum(windows, axis=(2, 3)) / np.maximum(known, 1), np.nan)
    north, east = np.gradient(smooth, -0.1, 0.1)
    steep = 6.0
    light = np.array([-1.0, 1.0, 2.2]) / np.linalg.norm([-1.0, 1.0, 2.2])
    lit = (-steep * east * light[0] - steep * north * light[1] + light[2]) / np.sqrt(
        1 + steep**2 * (east**2 + north**2)
    )
    return np.where(np.isfinite(height), lit, np.nan)


def draw_overview(axes: Axes, relief: Image, height: Image, extent: Box, rows: list[Row]) -> None:
    """The whole street with contours and symbols, north up."""
    show(axes, relief, extent)
    known = height[::4, ::4]
    east = np.linspace(extent[0], extent[1], known.shape[1])
    north = np.linspace(extent[3], extent[2], known.shape[0])
    lines = axes.contour(east, north, known, np.arange(214.0, 221.0, 0.5), colors="#5a3d2b", linewidths=0.5, alpha=0.8)
    axes.clabel(lines, lines.levels[::2], fontsize=7.5, fmt="%.0f m", colors="#5a3d2b")
    for severity in LOOK:
        put_symbols(axes, [row["place"] for row in rows if row["severity"] == severity], severity, 0.6)
    axes.set_xlim(extent[0] - 36, extent[1] + 3)
    axes.set_ylim(extent[2] - 2, extent[3] + 3)
    scale_bar(axes, extent[1] - 60, extent[2] + 5, 40)
    compass(axes, extent[1] - 9, extent[2] + 5, 12, 0.0)
    corners = [(EXCERPT[0], -8), (EXCERPT[1], -8), (EXCERPT[1], 8), (EXCERPT[0], 8)]
    outline = np.array([to_map(rows[0], *corner) for corner in corners])
    axes.add_patch(Polygon(outline, fill=False, edgecolor=INK, linewidth=0.9, linestyle=(0, (5, 3))))
    axes.text(outline[0][0] - 12, outline[0][1] + 3, "see below", fontsize=9.5, color=INK, ha="right")


def draw_key(axes: Axes, rows: list[Row]) -> None:
    """What the symbols mean, and how many castings are brought to grade in which way."""
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.axis("off")
    axes.text(0.02, 0.93, f"{len(rows)} castings by severity", fontsize=12, color=INK, weight="bold", va="center")
    for index, (severity, (shape, colour, area, words)) in enumerate(LOOK.items()):
        count = sum(row["severity"] == severity for row in rows)
        at = 0.80 - 0.11 * index
        axes.scatter([0.04], [at], s=area * 1.6, marker=shape, color=colour, edgecolor="white", linewidth=0.7)
        axes.text(0.08, at, f"{count}", fontsize=11.5, color=INK, va="center")
        axes.text(0.14, at, f"{severity}: {words}", fontsize=11.5, color=INK, va="center")
    axes.text(0.02, 0.43, "and by method", fontsize=12, color=INK, weight="bold", va="center")
    counts = Counter(row["method"] for row in rows)
    for index, (method, count) in enumerate(counts.most_common()):
        across, at = 0.04 + 0.33 * (index // 5), 0.33 - 0.08 * (index % 5)
        axes.barh(at, 0.005 * count, height=0.045, left=across, color="#b9ad92")
        axes.text(across + 0.005 * count + 0.012, at, f"{method.replace('_', ' ')} {count}", fontsize=10,
                  color=INK, va="center")  # fmt: skip


def to_map(crown: Row, along: float, offset: float) -> Image:
    """A point of the street: the first structure lies on the axis, and the schedule says the axis's direction."""
    axis = np.radians(crown["axis_deg"])
    ahead, right = np.array([np.sin(axis), np.cos(axis)]), np.array([np.cos(axis), -np.sin(axis)])
    return np.asarray(crown["place"] + (along - FIRST) * ahead + offset * right)


def to_street(crown: Row, place: Image) -> tuple[float, float]:
    """Metres along the axis, and to the right of it."""
    axis = np.radians(crown["axis_deg"])
    east, north = place - crown["place"]
    return float(FIRST + east * np.sin(axis) + north * np.cos(axis)), float(east * np.cos(axis) - north * np.sin(axis))


def draw_excerpt(axes: Axes, relief: Image, extent: Box, rows: list[Row]) -> None:
    """A part of the street with the orders in words; turned so that the axis runs across the page, true to scale."""
    along, left = np.arange(*EXCERPT, 0.05), np.arange(7.0, -7.0, -0.05)
    places = to_map(rows[0], 0.0, 0.0)[:, None, None] + np.einsum(
        "ki,irc->krc",
        np.stack([to_map(rows[0], 1.0, 0.0) - to_map(rows[0], 0.0, 0.0),
                  to_map(rows[0], 0.0, 1.0) - to_map(rows[0], 0.0, 0.0)], axis=1),
        np.stack(np.meshgrid(along, -left)),
    )  # fmt: skip
    column, row = ((places[0] - extent[0]) / 0.1).astype(int), ((extent[3] - places[1]) / 0.1).astype(int)
    inside = (column >= 0) & (row >= 0) & (column < relief.shape[1]) & (row < relief.shape[0])
    turned = np.where(inside, relief[np.clip(row, 0, len(relief) - 1), np.clip(column, 0, relief.shape[1] - 1)], np.nan)
    show(axes, turned, (*EXCERPT, -7.0, 7.0))
    axes.set_xlim(*EXCERPT)
    axes.set_ylim(-10.2, 10.2)
    found = [(*to_street(rows[0], item["place"]), item) for item in rows if item["place"] is not None]
    found = [item for item in found if EXCERPT[0] < item[0] < EXCERPT[1] and abs(item[1]) < 7]
    for severity in LOOK:
        some = [np.array([s, -u]) for s, u, item in found if item["severity"] == severity]
        put_symbols(axes, some, severity, 1.7)
    for side in (1, -1):
        some_rows = sorted((item for item in found if (item[1] < 0) == (side > 0)), key=lambda item: item[0])
        columns = np.linspace(EXCERPT[0] + 4.7, EXCERPT[1] - 4.7, len(some_rows))
        for (s, u, item), at in zip(some_rows, columns, strict=True):
            label(axes, item, (s, -u), (float(at), side * 6.6), side)
    scale_bar(axes, EXCERPT[0] + 25.5, -5.9, 5)
    compass(axes, EXCERPT[0] + 38.5, -6.0, 1.6, float(rows[0]["axis_deg"]) - 90)


def label(axes: Axes, row: Row, symbol: tuple[float, float], place: tuple[float, float], side: int) -> None:
    """Id and order beside the road, with a line to the symbol."""
    colour = LOOK[row["severity"]][1]
    axes.plot([symbol[0], place[0]], [symbol[1], place[1]], color=colour, linewidth=1.0, zorder=2)
    head = TextArea(f"{row['structure_id']}", textprops={"fontsize": 9.8, "weight": "bold", "color": INK})
    ready = TextArea(f"{row['ready']}", textprops={"fontsize": 9.8, "style": "italic", "color": INK})
    order = "\n".join(textwrap.wrap(row["remark"], 26)[:4])
    words = TextArea(order, textprops={"fontsize": 9.5, "color": INK, "linespacing": 1.2})
    block_of_text = VPacker(children=[HPacker(children=[head, ready], pad=0, sep=8), words], pad=0, sep=3)
    box = AnnotationBbox(
        block_of_text,
        place,
        box_alignment=(0.5, 0.0 if side > 0 else 1.0),
        pad=0.35,
        bboxprops={"facecolor": PAPER, "edgecolor": colour, "linewidth": 1.0},
    )
    axes.add_artist(box)


def put_symbols(axes: Axes, places: list[Image | None], severity: str, size: float) -> None:
    """Symbols of one severity."""
    shape, colour, area, _ = LOOK[severity]
    there = np.array([place for place in places if place is not None]).reshape(-1, 2)
    look = {"marker": shape, "color": colour, "edgecolor": "white", "linewidth": 0.7, "zorder": 5}
    axes.scatter(there[:, 0], there[:, 1], s=area * size, **look)


def show(axes: Axes, relief: Image, extent: Box) -> None:
    """The relief on plain paper."""
    low, high = np.nanpercentile(relief, [1, 99.5])
    axes.imshow(relief, extent=extent, cmap=ROAD, vmin=low, vmax=high, interpolation="antialiased", zorder=1)
    axes.set_facecolor(PAPER)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color("#cfcabd")


def scale_bar(axes: Axes, at: float, low: float, length: float) -> None:
    """A scale bar."""
    axes.plot([at, at + length], [low, low], color=INK, linewidth=3, solid_capstyle="butt", zorder=6)
    axes.annotate(f"{length:.0f} m", (at + length / 2, low), (0, 4), textcoords="offset points", ha="center",
                  fontsize=10, color=INK)  # fmt: skip


def compass(axes: Axes, at: float, low: float, length: float, turned: float) -> None:
    """A north arrow, turned to the left by so many degrees."""
    aside, up = length * np.sin(np.radians(turned)), length * np.cos(np.radians(turned))
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.4}
    axes.annotate("", (at - aside, low + up), (at, low), arrowprops=arrow)
    axes.annotate("N", (at - aside, low + up), (5, -6), textcoords="offset points", fontsize=11, color=INK,
                  weight="bold")  # fmt: skip


def draw_curve(axes: Axes, row: Row, ordinates: Row) -> None:
    """Heights of the cut part round the circumference."""
    count = ordinates["k"]
    heights = np.array([ordinates[f"h{i:02d}_mm"] for i in range(1, count + 1)])
    station = np.arange(1, count + 2)
    wrapped = np.append(heights, heights[0])
    turn = np.linspace(0, 2 * np.pi, 400)
    middle = heights.mean()
    swing = abs(np.sum(heights * np.exp(2j * np.pi * np.arange(count) / count))) * 2 / count
    towards = np.radians(row["long_side_deg"] - ordinates["mark_deg"])
    axes.fill_between(1 + turn * count / (2 * np.pi), 0, middle + swing * np.cos(turn - towards), color="#d9cfb8")
    axes.plot(1 + turn * count / (2 * np.pi), middle + swing * np.cos(turn - towards), color="#7a5a2b", linewidth=1.6)
    axes.plot(station, wrapped, "o", color=INK, markersize=4)
    for at, value in zip(station[:-1:2], heights[::2], strict=True):
        axes.text(at, value + 6, f"{value:.0f}", ha="center", fontsize=9, color=INK)
    axes.set_ylim(0, heights.max() * 1.28)
    axes.set_xlim(0.6, count + 1.4)
    axes.set_xticks(station, [*map(str, station[:-1]), "1"], fontsize=9)
    axes.tick_params(axis="y", labelsize=9)
    axes.set_xlabel("station, clockwise from the mark", fontsize=10, color=INK)
    axes.set_ylabel("height of the cut part [mm]", fontsize=10, color=INK)
    title = f"{row['structure_id']}: {row['liner']}, unrolled, on a road of {row['slope_pct']:.1f} % (joints taken off)"
    axes.set_title(title, loc="left", fontsize=11.5, color=INK, weight="bold")
    plain(axes)


def draw_section(axes: Axes, row: Row, parts: list[Row], model: Row) -> None:
    """Bearing, joints, rings and casting of one structure, cut uphill through the centre, true to scale."""
    half, slope = model["structures_flange_diameter"] * 500, row["slope_pct"] / 100
    inside, foot = half - 75, 0.0
    for part in parts:
        top, ring = foot + part["thickness_mm"], part["kind"] == "ring"
        for side in (-1, 1):
            block(axes, side * inside, side * half, foot, top, foot, top, "#b9b2a4" if ring else "#5d564c")
        if ring:
            axes.text(half + 20, (foot + top) / 2, f"{part['part']}", fontsize=10, va="center", color=INK)
        foot = top
    tall = 1000 * model["structures_new_casting_height"]
    rim = row["chimney_mm"] + tall * np.sqrt(1 + slope**2)
    draw_casting(axes, half, rim - tall * np.sqrt(1 + slope**2), rim, slope)
    draw_roads(axes, row, half, rim, slope)
    for side in (-1, 1):
        block(axes, side * (inside - 10), side * (half + 40), -60, 0, -60, 0, "#e4dfd3")
    axes.text(half + 60, -30, "cone", fontsize=10.5, va="center", color=INK)
    measure(axes, -half - 45, 0.0, row["chimney_mm"], f"chimney\n{row['chimney_mm']:.0f} mm")
    axes.set_xlim(-1000, 1000)
    axes.set_ylim(-80, rim + 70)
    axes.set_aspect("equal")
    axes.axis("off")
    title = f"{row['structure_id']}, cut uphill, true to scale: {row['remark']}"
    axes.set_title("\n".join(textwrap.wrap(title, 88)), loc="left", fontsize=11.5, color=INK, weight="bold")


def measure(axes: Axes, at: float, low: float, high: float, words: str) -> None:
    """A vertical dimension."""
    axes.annotate("", (at, low), (at, high), arrowprops={"arrowstyle": "<->", "color": INK, "linewidth": 1.0})
    axes.text(at - 20, (low + high) / 2, words, fontsize=10.5, ha="right", va="center", color=INK)


def draw_casting(axes: Axes, half: float, flange: float, rim: float, slope: float) -> None:
    """Frame and cover, tilted with the road."""
    low, high = slope * np.array([-half, half])
    for side, tilt in ((-1, low), (1, high)):
        inner = side * (half - 95)
        block(axes, inner, side * half, flange + slope * inner, flange + 22 + slope * inner, flange + tilt,
              flange + 22 + tilt, "#31363d")  # fmt: skip
        block(axes, inner, side * (half - 70), flange + slope * inner, rim + slope * inner,
              flange + slope * side * (half - 70), rim + slope * side * (half - 70), "#31363d")  # fmt: skip
    wide = half - 95
    block(axes, -wide, wide, rim - 32 - slope * wide, rim - slope * wide, rim - 32 + slope * wide, rim + slope * wide,
          "#31363d")  # fmt: skip


def draw_roads(axes: Axes, row: Row, half: float, rim: float, slope: float) -> None:
    """Today's road and the finished one beside the casting."""
    lower = 1000 * (row["finished_m"] - row["existing_m"])
    across = np.array([half + 5, 980.0])
    for by, style, words in ((0.0, "-", "finished road"), (-lower, (0, (4, 3)), "today's road")):
        for side in (-1, 1):
            axes.plot(side * across, rim + by + slope * side * across, color="#6b1f1f", linewidth=1.5, linestyle=style)
        place = (rim + slope * 700 + 26) if by == 0 else (rim + slope * 700 - lower - 26)
        where = 700
        axes.text(where, place, words, fontsize=10.5, color="#6b1f1f", va="center")


def block(axes: Axes, x0: float, x1: float, y0: float, y1: float, z0: float, z1: float, colour: str) -> None:
    """A four-cornered piece: from y0 to y1 at x0, from z0 to z1 at x1."""
    corners = [(x0, y0), (x1, z0), (x1, z1), (x0, y1)]
    axes.add_patch(Polygon(corners, facecolor=colour, edgecolor=INK, linewidth=0.6))


def plain(axes: Axes) -> None:
    """Only the two axes that are needed."""
    axes.set_facecolor(PAPER)
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    axes.tick_params(colors=INK)


def shrink(path: Path) -> None:
    """Fewer colours, a smaller file, no date in it."""
    from PIL import Image as Picture

    picture = Picture.open(path).convert("RGB").quantize(256, kmeans=2, dither=Picture.Dither.NONE)
    picture.save(path, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))

"""A road that is a plane, from a small JSON file: crs, transform, width, height, level, grade_east, grade_north."""

import json
from pathlib import Path

import numpy as np


class Formula:
    """A reader of surfaces: made with a path and options, asked for describe() and window(bounds)."""

    def __init__(self, path, options):
        self.road = json.loads(Path(path).read_text(encoding="utf-8"))
        self.lift = float(options.get("lift", "0"))
        self.trouble = options.get("trouble", "")

    def describe(self):
        """The grid of the plane."""
        told = {name: self.road[name] for name in ("crs", "transform", "width", "height", "vertical_unit")}
        if self.trouble == "grid":
            told["transform"] = [1, 0, 0, 0, 1, 0]
        if self.trouble == "no transform":
            del told["transform"]
        return told

    def window(self, bounds):
        """Heights at the centres of the cells within bounds."""
        if self.trouble == "window":
            raise OSError("the formula is gone")
        west, south, east, north = bounds
        cell, _, c, _, _, f = self.road["transform"]
        e = np.arange(west + cell / 2, east - cell / 4, cell) - c
        n = np.arange(north - cell / 2, south + cell / 4, -cell) - f
        level = self.road["level"] + self.lift
        found = level + self.road["grade_east"] * e[None, :] + self.road["grade_north"] * n[:, None]
        return found[:-1] if self.trouble == "shape" else found

"""The structures as a DXF drawing (R2010): a point at the target rim, the frame's outline, two lines of text.

Everything stands at its true coordinates, in the unit of the structures' CRS; elevations are in that unit too, because
a drawing has one unit. Each method, or each severity, has a layer, and one for its texts. Structures without a target
lie at elevation 0 on the layer NO_TARGET, those without a position are left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from geoadjust.core.columns import METHODS, SEVERITIES
from geoadjust.errors import Fault, InputError
from geoadjust.io.exports.frame import SetFrame
from geoadjust.io.exports.targets import Targets, targets
from geoadjust.io.exports.texts import load, one_line
from geoadjust.io.results.whole import WholeSet
from geoadjust.units import factor, from_metres

VERSION = "R2010"
MARK = "999\ngeoadjust export\n"
"""A comment at the head of the file."""
UNITS = {"m": 6, "ft": 2, "us-ft": 21}
"""$INSUNITS by unit."""
LAYERS: dict[str, tuple[str, ...]] = {"method": METHODS, "severity": SEVERITIES}
COLOURS = (1, 5, 3, 6, 4, 30, 2, 94, 200, 140, 40, 12, 8)
"""Colour numbers of the layers, in the order of the words."""
NO_TARGET = "NO_TARGET"
STYLE, FONT = "NAMES", "arial.ttf"
TEXT_HEIGHT = 0.25
"""Of the ids [m on the map]; the order below them is 2/3 as high."""
LONGEST = 2000
"""Characters of a text; a program reads at most 2049."""


@dataclass(slots=True)
class DxfCounts:
    """Structures by layer, those without a position, and texts that were cut."""

    layers: Counter[str] = field(default_factory=Counter)
    without_place: int = 0
    cut: int = 0


def check_unit(frame: SetFrame) -> None:
    """Refuse a CRS in degrees.

    Raises
    ------
    InputError
        the drawing would be in degrees
    """
    if frame.unit not in UNITS:
        what = f"{frame.crs.name!r} is in degrees; a drawing needs lengths"
        remedy = "bring the structures into a projected CRS and run the job again, or leave dxf out of --as"
        raise InputError(Fault("structures.crs", what, "a CRS in m, ft or us-ft", remedy))


def write_dxf(whole: WholeSet, frame: SetFrame, path: Path, *, by: str = "method") -> DxfCounts:
    """Write the drawing of a set. It is made in memory, about 3 kB for each structure.

    Parameters
    ----------
    by : what the layers are: method or severity

    Raises
    ------
    InputError
        the library that writes drawings is not installed; a CRS in degrees
    """
    library = load("ezdxf", "dxf")
    check_unit(frame)
    counts = DxfCounts()
    with _same_bytes(library):
        drawing = library.new(VERSION)
        drawing.header["$INSUNITS"] = UNITS[frame.unit]
        drawing.header["$MEASUREMENT"] = int(frame.unit == "m")
        drawing.header.custom_vars.append("CRS", dxf_text(frame.text if len(frame.text) < 100 else frame.crs.name)[0])
        drawing.header.custom_vars.append("vertical datum", dxf_text(frame.datum or "not stated")[0])
        drawing.styles.add(STYLE, font=FONT)
        _add_layers(drawing, by)
        space = drawing.modelspace()
        for batch in targets(whole, frame):
            _add(space, batch, whole.units, frame.unit, by, counts)
        _frame_the_view(drawing, space, counts)
        with open(path, "w", encoding=drawing.output_encoding, errors="dxfreplace", newline="\r\n") as file:
            file.write(MARK)
            drawing.write(file)
    return counts


def is_dxf(path: Path) -> bool:
    """Whether a file was written here, by the comment at its head."""
    with open(path, "rb") as file:
        return file.read(len(MARK) + 2).replace(b"\r", b"") == MARK.encode()


def dxf_text(text: str) -> tuple[str, bool]:
    """A text that no program takes for a control code, and whether it was cut.

    A caret is written as the format asks; a second % in a row and the \\ of \\U+ and \\M+ are shown in full width.

    Examples
    --------
    >>> dxf_text("5%%d of A^J\\\\U+0041")
    ('5%％d of A^ J＼U+0041', False)
    """
    plain = one_line(text)
    cut = len(plain) > LONGEST
    plain = f"{plain[:LONGEST]}..." if cut else plain
    while "%%" in plain:
        plain = plain.replace("%%", "%\uff05", 1)
    for code in ("U+", "u+", "M+", "m+"):
        plain = plain.replace(f"\\{code}", f"\uff3c{code}")
    return plain.replace("^", "^ "), cut


@contextmanager
def _same_bytes(library: Any) -> Iterator[None]:
    """Let the library write no time and no random name: the same set gives the same bytes."""
    before = library.options.write_fixed_meta_data_for_testing
    library.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        library.options.write_fixed_meta_data_for_testing = before


def _add_layers(drawing: Any, by: str) -> None:
    for word, colour in zip(LAYERS[by], COLOURS, strict=False):
        drawing.layers.add(word.upper(), color=colour)
        drawing.layers.add(f"{word.upper()}_TEXT", color=colour)
    drawing.layers.add(NO_TARGET, color=8)
    drawing.layers.add(f"{NO_TARGET}_TEXT", color=8)


def _add(space: Any, batch: Targets, units: str, unit: str, by: str, counts: DxfCounts) -> None:
    """Draw some structures."""
    per_metre = 1 / factor(unit)
    (east_east, east_north), (north_east, north_north) = np.moveaxis(batch.jacobian, 0, 2)
    scale = np.sqrt(np.abs(east_east * north_north - east_north * north_east))
    corners = np.stack(batch.on_map(*batch.frame.corners()), axis=2)
    heights = np.asarray(from_metres(batch.height, unit))
    for index in range(len(batch)):
        east, north, height = float(batch.east[index]), float(batch.north[index]), float(heights[index])
        if east != east:
            counts.without_place += 1
            continue
        known = height == height
        layer = batch.texts[by][index].upper() if known else NO_TARGET
        counts.layers[layer] += 1
        place = (east, north, height if known else 0.0)
        space.add_point(place, {"layer": layer})
        _add_outline(space, batch, index, place, float(scale[index]), corners[index], layer)
        counts.cut += _add_texts(space, batch, index, place, per_metre, units, layer)


def _add_outline(
    space: Any, batch: Targets, index: int, place: tuple[float, float, float], scale: float, corners: Any, layer: str
) -> None:
    """The frame's top; nothing where its size or direction is not known."""
    width = float(batch.frame.width[index])
    if batch.frame.is_round[index]:
        if width > 0:
            space.add_circle(place, width / 2 * scale, {"layer": layer})
    elif np.isfinite(corners).all():
        style = {"layer": layer, "elevation": place[2]}
        space.add_lwpolyline([tuple(corner) for corner in corners.tolist()], close=True, dxfattribs=style)


def _add_texts(
    space: Any,
    batch: Targets,
    index: int,
    place: tuple[float, float, float],
    per_metre: float,
    units: str,
    layer: str,
) -> bool:
    """Id and order, to the right of the point; whether the id was cut."""
    texts = batch.texts
    order = [batch.order(index, units), texts["method"][index], f"ready: {texts['ready'][index]}"]
    name, cut = dxf_text(batch.name(index))
    lines = ((name, TEXT_HEIGHT, 0.1), (" - ".join(filter(None, order)), TEXT_HEIGHT * 2 / 3, -0.2))
    for text, height, above in lines:
        spot = place[0] + 0.5 * per_metre, place[1] + above * per_metre, place[2]
        style = {"layer": f"{layer}_TEXT", "style": STYLE, "insert": spot}
        space.add_text(text, height=height * per_metre, dxfattribs=style)
    return cut


def _frame_the_view(drawing: Any, space: Any, counts: DxfCounts) -> None:
    """Open on the structures, not on the origin of the CRS."""
    if not counts.layers:
        return
    spots = np.array([point.dxf.location.xyz for point in space.query("POINT")])
    low, high = spots.min(axis=0), spots.max(axis=0)
    drawing.header["$EXTMIN"], drawing.header["$EXTMAX"] = tuple(low), tuple(high)
    middle, size = (low + high) / 2, max(float((high - low)[:2].max()) * 1.1, 20.0)
    drawing.set_modelspace_vport(size, center=(float(middle[0]), float(middle[1])))

"""Outlines, roads and gaps on a page: supports, the road along an edge, where a cover stands highest over a road."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoadjust.report.facts import Outline, Plane, Road
from geoadjust.report.numbers import Figure, degrees, metres, mm, pure
from geoadjust.report.page import Page

Place = tuple[float, float]
CORNERS = ((1.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0))
"""Corners of a rectangle clockwise from front right, in half widths (to the right) and half lengths (ahead)."""


def support(page: Page, name: str, outline: Outline, east: float, north: float) -> float:
    """Line of the greatest rise of a gradient over an outline [m]."""
    if east == 0 and north == 0:
        page.word(name, "nothing, there is no slope")
        return 0.0
    if outline.round:
        return page.line(
            name,
            "radius * slope",
            "{width} / 2 * hypot({east}, {north})",
            "mm",
            width=mm(outline.width),
            east=pure(east),
            north=pure(north),
        )
    return page.line(
        name,
        "half width * slope across + half length * slope along",
        "{width} / 2 * abs({east} * cos({to}) - {north} * sin({to})) + "
        "{length} / 2 * abs({east} * sin({to}) + {north} * cos({to}))",
        "mm",
        width=mm(outline.width),
        length=mm(outline.length),
        east=pure(east),
        north=pure(north),
        to=degrees(outline.azimuth),
    )


def tell_road(page: Page, road: Road) -> None:
    """The model's figures."""
    if road.fold == 0:
        page.text("A plane, z(e, n): h + gE e + gN n, with e and n the metres east and north of the cover's centre.")
    else:
        page.text(
            "Two planes that meet in a break, z(e, n): h + gE e + gN n + k max(0, e sin a + n cos a - t), with e and n "
            "the metres east and north of the cover's centre."
        )
    page.fact("h, height at the centre", metres(road.plane.height))
    page.fact("gE, slope towards east", pure(road.plane.east))
    page.fact("gN, slope towards north", pure(road.plane.north))
    if road.fold != 0:
        page.fact("k, change of slope (plus: valley, minus: crown)", pure(road.fold))
        page.fact("a, direction across the break", degrees(road.azimuth))
        page.fact("t, distance of the break from the centre in that direction", metres(road.offset))


def road_along_edge(page: Page, road: Road, edge: Outline, name: str, column: str, held: Plane | None = None) -> None:
    """The plane through the road along an edge: mean height, which stands in a column, and slopes where they are held.

    Parameters
    ----------
    held : slopes that the set holds, if it does
    """
    if road.fold == 0:
        page.same(f"{name}, mean along the edge (that is h)", metres(road.plane.height), column, us=True)
        if held is not None:
            page.same("its slope towards east (that is gE)", pure(road.plane.east), held=held.east)
            page.same("its slope towards north (that is gN)", pure(road.plane.north), held=held.north)
        return
    mean, east, north = (_round_fold if edge.round else _box_fold)(page, road, edge)
    page.line(
        f"{name}, mean along the edge",
        "h + k * mean of the part beyond",
        "{h} + {k} * {mean}",
        column=column,
        us=True,
        h=metres(road.plane.height),
        k=pure(road.fold),
        mean=metres(mean),
    )
    if held is not None:
        for word, whole, plain, part in (
            ("east", held.east, road.plane.east, east),
            ("north", held.north, road.plane.north, north),
        ):
            page.line(
                f"its slope towards {word}",
                f"g{word[0].upper()} + k * {word} slope of the part beyond",
                "{g} + {k} * {part}",
                stored=whole,
                g=pure(plain),
                k=pure(road.fold),
                part=pure(part),
            )


def _round_fold(page: Page, road: Road, edge: Outline) -> tuple[float, float, float]:
    """Mean and slopes of max(0, distance beyond the break) along a circle."""
    radius = mm(edge.width / 2)
    x = page.line(
        "x, break over radius",
        "t / R held to -1 .. 1",
        "max(-1, min(1, {t} / {r}))",
        t=mm(road.offset),
        r=radius,
    )
    if x == -1:
        mean = page.line("mean of the part beyond", "-t", "-1 * {t}", "mm", t=mm(road.offset))
    else:
        mean = page.line(
            "mean of the part beyond",
            "R / pi (sqrt(1 - x^2) - x acos x)",
            "{r} / pi * (sqrt(1 - {x}^2) - {x} * acos({x}))",
            "mm",
            r=radius,
            x=pure(x),
        )
    slope = page.line(
        "slope of the part beyond",
        "(acos x - x sqrt(1 - x^2)) / pi",
        "(acos({x}) - {x} * sqrt(1 - {x}^2)) / pi",
        x=pure(x),
    )
    turn = {"s": pure(slope), "a": degrees(road.azimuth)}
    east = page.line("east slope of the part beyond", "slope * sin a", "{s} * sin({a})", figures=turn)
    north = page.line("north slope of the part beyond", "slope * cos a", "{s} * cos({a})", figures=turn)
    return mean, east, north


@dataclass(frozen=True, slots=True)
class Piece:
    """Stretch of a rectangle's side beyond the break: share of the edge; right, ahead and beyond [m] at its ends."""

    share: float
    first: tuple[float, float, float]
    last: tuple[float, float, float]


def pieces_beyond(road: Road, edge: Outline) -> list[Piece]:
    """Stretches of a rectangle's sides beyond the break, clockwise."""
    turn = road.azimuth - edge.azimuth
    right, ahead = math.sin(turn), math.cos(turn)
    places = [(p * edge.width / 2, q * edge.length / 2) for p, q in CORNERS]
    corners = [(p, q, p * right + q * ahead - road.offset) for p, q in places]
    pieces = []
    for first, last in zip(corners, [*corners[1:], corners[0]], strict=True):
        if max(first[2], last[2]) <= 0:
            continue
        at = first[2] / (first[2] - last[2]) if first[2] != last[2] else 0.0
        cut = (first[0] + at * (last[0] - first[0]), first[1] + at * (last[1] - first[1]), 0.0)
        first, last = (cut if first[2] < 0 else first), (cut if last[2] < 0 else last)
        size = math.hypot(last[0] - first[0], last[1] - first[1])
        pieces.append(Piece(size / (2 * (edge.width + edge.length)), first, last))
    return pieces


def _box_fold(page: Page, road: Road, edge: Outline) -> tuple[float, float, float]:
    """Mean and slopes of max(0, distance beyond the break) along a rectangle, stretch by stretch."""
    pieces = pieces_beyond(road, edge)
    page.text(
        "Along a rectangle the part beyond the break is linear on each stretch of a side; p and q are millimetres to "
        "the right and ahead of the centre, d is p sin(a - direction) + q cos(a - direction) - t."
    )
    if not pieces:
        page.text("No stretch of the edge lies beyond the break.")
        return 0.0, 0.0, 0.0
    turn = {"turn": degrees(road.azimuth - edge.azimuth), "t": mm(road.offset)}
    means: list[tuple[float, float]] = []
    rights: list[tuple[float, float]] = []
    aheads: list[tuple[float, float]] = []
    for number, piece in enumerate(pieces, 1):
        share = page.line(
            f"stretch {number}, share of the edge",
            "",
            "hypot({p1} - {p0}, {q1} - {q0}) / (2 * ({width} + {length}))",
            p0=mm(piece.first[0]),
            q0=mm(piece.first[1]),
            p1=mm(piece.last[0]),
            q1=mm(piece.last[1]),
            width=mm(edge.width),
            length=mm(edge.length),
        )
        ends = [
            page.line(
                f"stretch {number}, d at its {word}",
                "",
                "{p} * sin({turn}) + {q} * cos({turn}) - {t}",
                "mm",
                p=mm(end[0]),
                q=mm(end[1]),
                figures=turn,
            )
            for word, end in (("beginning", piece.first), ("end", piece.last))
        ]
        means.append((share, (ends[0] + ends[1]) / 2))
        page.line(f"stretch {number}, mean of d", "", "({d0} + {d1}) / 2", "mm", d0=mm(ends[0]), d1=mm(ends[1]))
        for found, word, place in ((rights, "p", 0), (aheads, "q", 1)):
            moment = page.line(
                f"stretch {number}, mean of {word} d",
                f"(2 {word}0 d0 + {word}0 d1 + {word}1 d0 + 2 {word}1 d1) / 6",
                "(2 * {x0} * {d0} + {x0} * {d1} + {x1} * {d0} + 2 * {x1} * {d1}) / 6",
                "mm2",
                x0=mm(piece.first[place]),
                x1=mm(piece.last[place]),
                d0=mm(ends[0]),
                d1=mm(ends[1]),
            )
            found.append((share, moment))
    mean = _weighted(page, "mean of the part beyond", means, "mm")
    across = _box_slope(page, "right", rights, edge.width, edge.length)
    along = _box_slope(page, "ahead", aheads, edge.length, edge.width)
    turned = {"p": pure(across), "q": pure(along), "to": degrees(edge.azimuth)}
    east = page.line("east slope of the part beyond", "", "{p} * cos({to}) + {q} * sin({to})", figures=turned)
    north = page.line("north slope of the part beyond", "", "{q} * cos({to}) - {p} * sin({to})", figures=turned)
    return mean, east, north


def _weighted(page: Page, name: str, parts: list[tuple[float, float]], unit: str) -> float:
    figure = mm if unit == "mm" else squares
    template = " + ".join(f"{{w{i}}} * {{v{i}}}" for i in range(len(parts)))
    figures = {f"w{i}": pure(share) for i, (share, _) in enumerate(parts)}
    figures |= {f"v{i}": figure(value) for i, (_, value) in enumerate(parts)}
    return page.line(name, "sum of share * mean", template, unit, figures=figures)


def _box_slope(page: Page, word: str, moments: list[tuple[float, float]], own: float, other: float) -> float:
    """Slope of the part beyond in a rectangle's own direction: mean of place * d over mean of place^2."""
    whole = _weighted(page, f"moment to the {word}" if word == "right" else "moment ahead", moments, "mm2")
    return page.line(
        f"slope of the part beyond, {word}",
        "12 (W + L) moment / (W^2 (W + 3 L))" if word == "right" else "12 (W + L) moment / (L^2 (L + 3 W))",
        "12 * ({own} + {other}) * {moment} / (({own})^2 * ({own} + 3 * {other}))",
        own=mm(own),
        other=mm(other),
        moment=squares(whole),
    )


def squares(value: float) -> Figure:
    """An area or a variance in square millimetres."""
    return Figure(value, "mm2")


@dataclass(frozen=True, slots=True)
class Gap:
    """A cover's plane minus a road: height + east e + north n - fold max(0, distance beyond the break)."""

    height: float
    east: float
    north: float
    road: Road

    @property
    def constant(self) -> bool:
        """The same all round."""
        return self.road.fold == 0 and max(abs(self.east), abs(self.north)) < 5e-10

    def at(self, place: Place) -> float:
        """Gap at offsets east and north [m]."""
        east, north = place
        beyond = east * math.sin(self.road.azimuth) + north * math.cos(self.road.azimuth) - self.road.offset
        return self.height + self.east * east + self.north * north - self.road.fold * max(0.0, beyond)


def gap_between(page: Page, cover: str, plane: Plane, road_name: str, road: Road) -> Gap:
    """Lines of the difference of a cover's plane and a road model."""
    height = page.line(
        "gap at the centre, without the break" if road.fold else "gap at the centre",
        f"{cover} - {road_name}",
        "{z} - {h}",
        "mm",
        z=metres(plane.height),
        h=metres(road.plane.height),
    )
    parts = (plane.east, road.plane.east), (plane.north, road.plane.north)
    if road.fold == 0 and all(abs(mine - theirs) < 5e-10 for mine, theirs in parts):
        page.text("Both have the same slope: the gap is the same all round.")
        return Gap(height, 0.0, 0.0, road)
    east, north = (
        page.line(f"gap's slope towards {word}", "", "{mine} - {theirs}", mine=pure(mine), theirs=pure(theirs))
        for word, (mine, theirs) in zip(("east", "north"), parts, strict=True)
    )
    return Gap(height, east, north, road)


def gap_line(page: Page, name: str, gap: Gap, place: Place, column: str = "", stored: float | None = None) -> float:
    """Line of a gap at a place."""
    if gap.constant:
        return page.same(name, mm(gap.height), column, held=stored)
    template = "{d} + {ge} * {e} + {gn} * {n}"
    figures = {"d": mm(gap.height), "ge": pure(gap.east), "gn": pure(gap.north), "e": mm(place[0]), "n": mm(place[1])}
    if gap.road.fold:
        template += " - {k} * max(0, {e} * sin({a}) + {n} * cos({a}) - {t})"
        figures |= {"k": pure(gap.road.fold), "a": degrees(gap.road.azimuth), "t": mm(gap.road.offset)}
    return page.line(name, "", template, "mm", column=column, stored=stored, figures=figures)


def extreme_places(gap: Gap, edge: Outline) -> tuple[Place, Place]:
    """Where a gap is smallest and largest on an outline, offsets east and north [m].

    On a circle at the break's crossings or where one of the two sines turns; on a rectangle at corners and crossings.
    """
    places = _circle_places(gap, edge) if edge.round else _box_places(gap, edge)
    return min(places, key=gap.at), max(places, key=gap.at)


def _circle_places(gap: Gap, edge: Outline) -> list[Place]:
    radius, road = edge.width / 2, gap.road
    turns = [math.atan2(gap.east, gap.north)]
    beyond = gap.east - road.fold * math.sin(road.azimuth), gap.north - road.fold * math.cos(road.azimuth)
    turns.append(math.atan2(*beyond))
    kink = math.acos(max(-1.0, min(1.0, road.offset / radius)))
    azimuths = [*turns, *(turn + math.pi for turn in turns), road.azimuth + kink, road.azimuth - kink]
    return [(radius * math.sin(azimuth), radius * math.cos(azimuth)) for azimuth in azimuths]


def _box_places(gap: Gap, edge: Outline) -> list[Place]:
    corners = [(p * edge.width / 2, q * edge.length / 2) for p, q in CORNERS]
    ends = [end[:2] for piece in pieces_beyond(gap.road, edge) for end in (piece.first, piece.last)]
    return [turned(edge, *place) for place in [*corners, *ends]]


def turned(edge: Outline, right: float, ahead: float) -> Place:
    """Offsets east and north [m] of a place to the right and ahead."""
    sin, cos = math.sin(edge.azimuth), math.cos(edge.azimuth)
    return right * cos + ahead * sin, ahead * cos - right * sin


def place_words(place: Place) -> str:
    """Where a place lies."""
    azimuth = math.degrees(math.atan2(*place)) % 360
    return f"at {azimuth:.1f} deg, {1000 * math.hypot(*place):.1f} mm from the centre"

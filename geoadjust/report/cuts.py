"""Section on the ordinates: heights of the cut part, or the change, round the outline."""

from __future__ import annotations

import math

from geoadjust.core.outline import BOX_ACROSS, BOX_ALONG
from geoadjust.report.numbers import degrees, mm, pure
from geoadjust.report.page import ROUNDING, Page
from geoadjust.report.parts import tell_cut_radius
from geoadjust.report.shapes import support, turned
from geoadjust.report.stacks import along_factor


def tell_cut(page: Page) -> None:
    """Ordinates with their formula, and the rough cut."""
    facts = page.facts
    page.section("Ordinates and cut")
    if not facts.ordinates:
        page.text("No ordinates: neither the chimney's height nor its change is known.")
        return
    heights = facts.ordinates["basis"] == "height"
    lined = facts.method == "liner"
    page.word(
        "the ordinates are", "heights of the cut part, without joints and bed" if heights else "changes: what to add"
    )
    east, north = _gradient(page, heights)
    radius, deduct = facts.ordinate("radius_mm"), 0.0
    if lined:
        liner = facts.liner(facts.text("liner"))
        slope = math.hypot(facts.model("chimneys_tilt_east"), facts.model("chimneys_tilt_north"))
        radius, deduct = tell_cut_radius(page, liner, slope)
    centre = _centre(page, heights, lined, deduct)
    if math.isfinite(radius):
        swing = _tell_circle(page, centre, radius, east, north)
    else:
        swing = _tell_box(page, centre, east, north)
    if heights:
        page.line(
            "rough cut",
            "centre + swing + rules.rough_cut_allowance",
            "{c} + {swing} + {more}",
            column="rough_cut_mm",
            us=True,
            c=mm(centre),
            swing=mm(swing),
            more=mm(facts.rules.rough_cut_allowance),
        )
    page.text("The figures are the finished edge of the piece that is kept; the saw's kerf lies in the waste.")


def _gradient(page: Page, heights: bool) -> tuple[float, float]:
    """Slope of the cut, or of the change."""
    facts = page.facts
    name = "chimneys_tilt" if heights else "chimneys_change"
    east, north = facts.model(f"{name}_east"), facts.model(f"{name}_north")
    factor = along_factor(facts) if heights else 1.0
    if factor == 1.0:
        return page.fact("slope towards east, gE", pure(east)), page.fact("slope towards north, gN", pure(north))
    return (
        page.line("slope towards east along the axis, gE", "", "{g} * {f}", g=pure(east), f=pure(factor)),
        page.line("slope towards north along the axis, gN", "", "{g} * {f}", g=pure(north), f=pure(factor)),
    )


def _centre(page: Page, heights: bool, lined: bool, deduct: float) -> float:
    facts = page.facts
    if not heights:
        return page.fact("at the centre (the change)", mm(facts.value("stack_change_mm")))
    factor, bed = along_factor(facts), facts.model("chimneys_bed")
    figures = {"c": mm(facts.value("chimney_mm")), "joint": mm(facts.rules.joint)}
    template, words = "{c}", "chimney"
    for wanted, word, part, figure in (
        (factor != 1.0, " along its axis", " * {f}", pure(factor)),
        (bed > 0, " - bed", " - {bed}", mm(bed)),
        (True, " - 2 joints", " - 2 * {joint}", figures["joint"]),
        (lined and deduct > 0, " - what the level face takes", " - {less}", mm(deduct)),
    ):
        if wanted:
            words, template = words + word, template + part
            figures[part.split("{")[1].rstrip("}")] = figure
    return page.line("at the centre", words, template, "mm", us=True, figures=figures)


def _tell_circle(page: Page, centre: float, radius: float, east: float, north: float) -> float:
    """Stations clockwise from the mark; the swing [m]."""
    facts = page.facts
    swing = page.line(
        "swing",
        "radius * sqrt(gE^2 + gN^2)",
        "{r} * hypot({e}, {n})",
        "mm",
        r=mm(radius),
        e=pure(east),
        n=pure(north),
    )
    page.same("radius of the stations", mm(radius), "radius_mm", held=facts.ordinate("radius_mm"))
    wrap, mark = facts.ordinate("wrap_mm"), facts.ordinate("mark_deg")
    page.same("radius on which a template is wrapped (the outside)", mm(wrap), "wrap_mm", held=wrap)
    page.same("mark, station 1", degrees(facts.model("rims_mark")), "mark_deg", held=mark)
    uphill = math.atan2(east, north) % (2 * math.pi)
    page.fact("uphill of that slope", degrees(uphill))
    count = int(facts.ordinates["k"])
    page.text(
        f"Station i lies at mark + (i - 1) {360 / count:g} deg, clockwise seen from above; its figure is centre + "
        "swing * cos(azimuth - uphill)."
    )
    for i in range(1, count + 1):
        at = (mark + (i - 1) * 2 * math.pi / count) % (2 * math.pi)
        page.line(
            f"h{i:02d}",
            "",
            "{c} + {swing} * cos({at} - {uphill})",
            "mm",
            column=f"h{i:02d}_mm",
            stored=facts.ordinate(f"h{i:02d}_mm"),
            us=True,
            slack=2 * ROUNDING,
            c=mm(centre),
            swing=mm(swing),
            at=degrees(at),
            uphill=degrees(uphill),
        )
    return swing


def _tell_box(page: Page, centre: float, east: float, north: float) -> float:
    """Mid-sides and corners of a rectangle, clockwise from the mid-side at its direction; the greatest rise [m]."""
    facts, flange = page.facts, page.facts.flange
    swing = support(page, "greatest rise over the flange", flange, east, north)
    page.same("direction of the length", degrees(flange.azimuth), "mark_deg", held=facts.ordinate("mark_deg"))
    page.text(
        "Stations: the mid-side at that direction, then clockwise corner, mid-side and so on; the figure is centre + "
        "gE e + gN n, with e and n millimetres east and north of the chimney's axis."
    )
    for i, (right, ahead) in enumerate(zip(BOX_ACROSS, BOX_ALONG, strict=True), 1):
        e, n = turned(flange, right * flange.width / 2, ahead * flange.length / 2)
        page.line(
            f"h{i:02d}",
            "",
            "{c} + {ge} * {e} + {gn} * {n}",
            "mm",
            column=f"h{i:02d}_mm",
            stored=facts.ordinate(f"h{i:02d}_mm"),
            us=True,
            slack=2 * ROUNDING,
            c=mm(centre),
            ge=pure(east),
            gn=pure(north),
            e=mm(e),
            n=mm(n),
        )
    return swing

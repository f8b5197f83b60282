"""Sections on the road: of today, milled, finished; how it was read."""

from __future__ import annotations

import math

from geoadjust.core.ring import HALF_DIAGONAL, LEAST_CELLS_OUT
from geoadjust.report.facts import Facts, Plane, Road
from geoadjust.report.numbers import Figure, degrees, metres, mm, pure
from geoadjust.report.page import Page
from geoadjust.report.shapes import road_along_edge, tell_road

CAUSES = ("position_missing", "no_surface", "surface_too_coarse", "few_samples")


def tell_today(page: Page) -> None:
    """The road of today: model, how it was read, mean along the frame's edge."""
    facts = page.facts
    page.section("The road of today")
    road = facts.road("existing")
    if not math.isfinite(road.plane.height):
        page.text(f"No road: {reasons(facts, *CAUSES) or 'it could not be fitted.'}")
        return
    _tell_reading(page, "existing" if facts.design and not facts.outside else "")
    tell_road(page, road)
    held = Plane(math.nan, facts.today.east, facts.today.north)
    road_along_edge(page, road, facts.frame, "existing road", "existing_m", held)


def reasons(facts: Facts, *codes: str) -> str:
    """Sentences of these reasons in one text."""
    return " ".join(str(reason["text"]) for reason in facts.flagged(*codes))


def _tell_reading(page: Page, bundle: str) -> None:
    """Ring, samples, scatter; of the finished road from the schedule, of the existing one from the inner figures."""
    facts, ring = page.facts, page.facts.settings["ring"]
    own = not bundle
    spacing = facts.model("existing_spacing") if bundle or not facts.design or facts.outside else math.nan
    if math.isfinite(spacing):
        _tell_ring(page, spacing)
    left_name = "samples_left_out" if own else ""
    kept, left = (
        page.fact(
            name,
            Figure(facts.model(f"{bundle}_{inner}") if bundle else math.nan, "count"),
            column if own else "",
        )
        for name, inner, column in (("samples kept", "samples", "samples"), ("left out", "left_out", left_name))
    )
    counts = {"kept": Figure(kept, "count"), "left": Figure(left, "count")}
    both = page.line("samples with a value", "kept + left out", "{kept} + {left}", "count", figures=counts)
    page.rule(Figure(both, "count"), ">=", "ring.min_samples", Figure(float(ring["min_samples"]), "count"))
    coverage = page.fact(
        "share of the ring's cells with a value",
        Figure(facts.model(f"{bundle}_coverage") if bundle else math.nan, "%"),
        "coverage_pct" if own else "",
    )
    page.rule(Figure(coverage, "%"), ">=", "ring.min_coverage", Figure(ring["min_coverage"], "%"))
    share = page.line("share left out", "", "{left} / ({left} + {kept})", "%", figures=counts)
    page.rule(Figure(share, "%"), "<=", "ring.max_left_out", Figure(ring["max_left_out"], "%"))
    if own:
        page.word("shape of the road", facts.text("road_shape") or "not known", "road_shape")
    rms = page.fact(
        "scatter of the kept samples about the model (rms)",
        mm(facts.model(f"{bundle}_rms") if bundle else math.nan),
        "fit_rms_mm" if own else "",
    )
    page.rule(mm(rms), "<=", "ring.rough", mm(ring["rough"]))


def _tell_ring(page: Page, spacing: float) -> None:
    facts, ring = page.facts, page.facts.settings["ring"]
    flange = facts.flange
    size = flange.width if flange.round else math.hypot(flange.width, flange.length)
    page.line(
        "ring, inner radius",
        f"larger flange / 2 + max(ring.inner_clearance, {HALF_DIAGONAL:g} cells)",
        f"max({{new}}, {{old}}) / 2 + max({{clear}}, {HALF_DIAGONAL:g} * {{cell}})",
        "mm",
        new=mm(size),
        old=mm(facts.model("structures_old_flange_diameter")),
        clear=mm(ring["inner_clearance"]),
        cell=mm(spacing),
    )
    page.line(
        "ring, outer radius",
        f"max(ring.outer_radius, {LEAST_CELLS_OUT:g} cells)",
        f"max({{outer}}, {LEAST_CELLS_OUT:g} * {{cell}})",
        "mm",
        outer=mm(ring["outer_radius"]),
        cell=mm(spacing),
    )


def tell_finished(page: Page) -> None:
    """Milled and finished road."""
    facts = page.facts
    page.section("The milled and the finished road")
    existing, finished = facts.road("existing"), facts.road("finished")
    if facts.outside:
        page.text("Outside the paving: the finished road is the road of today.")
        if math.isfinite(existing.plane.height):
            page.same("finished road", metres(facts.value("existing_m")), "finished_m", us=True)
        return
    if not math.isfinite(existing.plane.height) and not facts.design:
        page.text("Not known: there is no road of today to start from.")
        return
    _tell_depths(page)
    if facts.profiled:
        _tell_profile(page, existing)
    elif math.isfinite(facts.value("milled_m")):
        page.line(
            "milled road, mean along the edge",
            "existing road - mill",
            "{z} - {mill}",
            column="milled_m",
            z=metres(facts.value("existing_m")),
            mill=metres(facts.stated("structures_mill")),
        )
    else:
        page.text("Nothing is milled here.")
    if facts.design:
        _tell_design(page, finished)
    elif facts.profiled:
        page.line(
            "finished road, mean along the edge",
            "milled road + overlay",
            "{z} + {overlay}",
            column="finished_m",
            z=metres(facts.value("milled_m")),
            overlay=metres(facts.stated("structures_overlay")),
            us=True,
        )
    else:
        page.line(
            "finished road, mean along the edge",
            "existing road - mill + overlay",
            "{z} - {mill} + {overlay}",
            column="finished_m",
            z=metres(facts.value("existing_m")),
            mill=metres(facts.stated("structures_mill")),
            overlay=metres(facts.stated("structures_overlay")),
            us=True,
        )
        page.text("Its slopes and its break are those of the road of today.")


def _tell_depths(page: Page) -> None:
    facts = page.facts
    names = ("mill",) if facts.design else ("mill", "overlay")
    for name in names:
        if math.isfinite(facts.model(f"structures_{name}")):
            depth = mm(facts.model(f"structures_{name}"))
            page.fact(f"{name} (the structure's own, its paving area's or finished.{name})", depth, us=True)
        else:
            page.word(name, "not stated anywhere; counts as 0")


def _tell_design(page: Page, finished: Road) -> None:
    facts = page.facts
    if not math.isfinite(finished.plane.height):
        page.text("The finished road is a surface of its own, and could not be read here.")
        return
    named = facts.surface_table("finished")
    surveyed = named is not None and named[0] == "paved"
    name = "the finished road was surveyed after paving" if surveyed else "the finished road is a surface of its own"
    page.word(name, facts.text("surface_source"))
    _tell_reading(page, "")
    tell_road(page, finished)
    held = Plane(math.nan, facts.target.east, facts.target.north) if follows_road(facts) else None
    road_along_edge(page, finished, facts.frame, "finished road", "finished_m", held)
    if math.isfinite(facts.value("paving_off_mm")):
        off = page.fact(
            "paved road less the planned one, mean along the edge", mm(facts.value("paving_off_mm")), "paving_off_mm"
        )
        page.rule(mm(abs(off)), "<=", "rules.paving_tolerance", mm(facts.rules.paving_tolerance))


def follows_road(facts: Facts) -> bool:
    """Whether the target's slopes are those of the finished road, not those of the bars."""
    return facts.rules.rim_reference != "bar" or bool(facts.flagged("bar_unreadable"))


def _tell_profile(page: Page, existing: Road) -> None:
    """The milled road falls from the crown line to both sides."""
    facts, milled = page.facts, page.facts.road("milled")
    fall = float(facts.finished_table["cross_slope"])
    o, axis = facts.model("structures_crown_offset"), facts.value("axis_deg")
    page.text(
        "Milled to a profile: the crown line is milled by the stated depth, and the milled road falls from there to "
        "both sides by finished.cross_slope."
    )
    page.fact("c, finished.cross_slope", Figure(fall, "%"))
    page.fact("o, distance from the crown line (plus: right of the axis)", metres(o))
    turn = {"o": metres(o), "axis": degrees(axis)}
    east = page.line("crown line nearest by, east", "-o cos(axis)", "-1 * {o} * cos({axis})", "m", figures=turn)
    north = page.line("crown line nearest by, north", "o sin(axis)", "{o} * sin({axis})", "m", figures=turn)
    crown = _road_height(page, "road of today there", existing, east, north)
    grade = page.line(
        "its grade along the axis",
        "",
        "{ge} * sin({axis}) + {gn} * cos({axis})",
        ge=pure(facts.today.east),
        gn=pure(facts.today.north),
        axis=degrees(axis),
    )
    mill = metres(facts.stated("structures_mill"))
    page.line(
        "milled road, h",
        "road at the crown line - mill + c o",
        "{z} - {mill} + {c} * {o}",
        "m",
        stored=milled.plane.height,
        z=metres(crown),
        mill=mill,
        c=pure(fall),
        o=metres(o),
    )
    figures = {"g": pure(grade), "c": pure(fall), "axis": degrees(axis)}
    page.line("gE", "", "{g} * sin({axis}) + {c} * cos({axis})", stored=milled.plane.east, figures=figures)
    page.line("gN", "", "{g} * cos({axis}) - {c} * sin({axis})", stored=milled.plane.north, figures=figures)
    page.line("k", "-2 c", "-2 * {c}", stored=milled.fold, c=pure(fall))
    page.fact("a, at right angles to the axis", degrees(milled.azimuth))
    page.line("t", "-o", "-1 * {o}", "m", stored=milled.offset, o=metres(o))
    held = None
    if follows_road(facts) and not facts.design:
        held = Plane(math.nan, facts.target.east, facts.target.north)
    road_along_edge(page, milled, facts.frame, "milled road", "milled_m", held)


def _road_height(page: Page, name: str, road: Road, east: float, north: float) -> float:
    template = "{h} + {ge} * {e} + {gn} * {n}"
    figures = {
        "h": metres(road.plane.height),
        "ge": pure(road.plane.east),
        "gn": pure(road.plane.north),
        "e": metres(east),
        "n": metres(north),
    }
    if road.fold:
        template += " + {k} * max(0, {e} * sin({a}) + {n} * cos({a}) - {t})"
        figures |= {"k": pure(road.fold), "a": degrees(road.azimuth), "t": metres(road.offset)}
    return page.line(name, "", template, "m", figures=figures)

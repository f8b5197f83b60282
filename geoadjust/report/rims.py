"""Sections on the rim: existing and target rim, raise, slopes, and what milling asks of the casting."""

from __future__ import annotations

import math

from geoadjust.core.columns import LOWER_HOW
from geoadjust.report.facts import Facts, Plane
from geoadjust.report.numbers import Figure, degrees, metres, mm, pure
from geoadjust.report.page import SLACK, Page
from geoadjust.report.roads import follows_road, reasons
from geoadjust.report.shapes import Gap, extreme_places, gap_between, gap_line, place_words

NO_CHANGE = 0.0005


def tell_rim(page: Page) -> None:
    """Existing rim, target, raise."""
    facts = page.facts
    page.section("Rim and raise")
    _tell_existing(page)
    _tell_target(page)
    lift = facts.value("raise_mm")
    if not math.isfinite(lift):
        page.text("No raise: the target or the existing rim is not known.")
        return
    page.line(
        "raise",
        "target - existing rim",
        "{target} - {rim}",
        column="raise_mm",
        us=True,
        target=metres(facts.value("target_rim_m")),
        rim=metres(facts.value("existing_rim_m")),
    )
    page.word("action (none below 0.5 mm, and where nothing is moved)", facts.text("action"), "action")


def _tell_existing(page: Page) -> None:
    facts, basis = page.facts, page.facts.text("rim_basis")
    words = {
        "gap": "the gap measured on site",
        "surveyed": "the surveyed rim elevation",
        "assumed_flush": "nothing that can be believed, so the cover is taken as flush with the road",
        "none": "nothing",
    }
    page.word("the existing rim rests on", f"{basis} ({words.get(basis, 'nothing')})", "rim_basis")
    road, rim = facts.value("existing_m"), facts.model("structures_rim")
    surveyed = basis == "surveyed"
    if math.isfinite(rim):
        page.fact("rim as surveyed", metres(rim))
        if math.isfinite(road) and basis in ("surveyed", "assumed_flush"):
            off = page.line(
                "rim as surveyed off the road", "", "abs({rim} - {road})", "mm", rim=metres(rim), road=metres(road)
            )
            page.rule(mm(off), "<=", "rules.max_rim_gap", mm(facts.rules.max_rim_gap))
    if not math.isfinite(facts.value("existing_rim_m")):
        page.text(f"No existing rim. {reasons(facts, 'rim_missing', 'no_surface', 'few_samples')}".strip())
        return
    if surveyed:
        page.same("existing rim, as surveyed", metres(rim), "existing_rim_m", us=True)
    else:
        gap = facts.model("structures_gap") if basis == "gap" else 0.0
        page.line(
            "existing rim",
            "existing road + gap" if basis == "gap" else "existing road + 0",
            "{road} + {gap}",
            column="existing_rim_m",
            us=True,
            road=metres(road),
            gap=metres(gap),
        )
    if math.isfinite(road):
        rim = facts.value("existing_rim_m")
        page.line(
            "gap today (plus: PROUD)",
            "existing rim - existing road",
            "{rim} - {road}",
            column="gap_mm",
            us=True,
            rim=metres(rim),
            road=metres(road),
        )


def _tell_target(page: Page) -> None:
    facts = page.facts
    if not math.isfinite(facts.value("target_rim_m")):
        page.text("No target: the finished road is not known.")
    elif facts.outside:
        page.same(
            "target rim, today's (outside the paving)", metres(facts.value("existing_rim_m")), "target_rim_m", us=True
        )
    elif follows_road(facts):
        page.line(
            "target rim",
            "finished road - rules.recess",
            "{road} - {recess}",
            column="target_rim_m",
            us=True,
            road=metres(facts.value("finished_m")),
            recess=metres(facts.rules.recess),
        )
    else:
        page.text(
            "rules.rim_reference is bar: the target is the mean of eight bars laid across the cover, less "
            "rules.recess. The bars themselves are not kept in the set."
        )
        page.fact("target rim", metres(0.0), "target_rim_m")


def tell_slopes(page: Page) -> None:
    """Slope of the target plane, uphill, grade and cross slope."""
    facts, target = page.facts, page.facts.target
    page.section("Slope of the target plane")
    if not math.isfinite(target.east):
        page.text("No slope: there is no target plane.")
        return
    where = (
        "today's frame" if facts.outside else "the finished road along the edge" if follows_road(facts) else "the bars"
    )
    page.text(f"The target plane has the slope of {where}.")
    page.fact("slope towards east, gE", pure(target.east))
    page.fact("slope towards north, gN", pure(target.north))
    parts = {"e": pure(target.east), "n": pure(target.north)}
    slope = page.line("slope", "sqrt(gE^2 + gN^2)", "hypot({e}, {n})", column="slope_pct", figures=parts)
    page.rule(Figure(slope, "%"), "<=", "rules.steep", Figure(facts.rules.steep, "%"))
    tell_azimuth(page, "uphill azimuth", "uphill_deg", target.east, target.north)
    axis = facts.value("axis_deg")
    if not math.isfinite(axis):
        page.text(f"No street axis, so no grade and no cross slope. {reasons(facts, 'axis_ambiguous')}".strip())
        return
    page.fact("a, street axis", degrees(axis))
    turn = {**parts, "a": degrees(axis)}
    page.line(
        "grade (plus: rises ahead)",
        "gE sin a + gN cos a",
        "{e} * sin({a}) + {n} * cos({a})",
        column="grade_pct",
        figures=turn,
    )
    page.line(
        "cross slope (plus: rises to the right)",
        "gE cos a - gN sin a",
        "{e} * cos({a}) - {n} * sin({a})",
        column="cross_slope_pct",
        figures=turn,
    )


def tell_azimuth(page: Page, name: str, column: str, east: float, north: float) -> None:
    """Line of a gradient's azimuth in 0 to 360 degrees."""
    size = math.hypot(east, north)
    if size == 0:
        page.fact(name, degrees(0.0), column)
        return
    whole = " + 360 deg" if math.atan2(east, north) < 0 else ""
    page.line(
        name,
        "atan2(east, north)",
        f"atan2({{e}}, {{n}}){whole}",
        column=column,
        slack=2e-8 + 2e-9 / size,
        e=pure(east),
        n=pure(north),
    )


def tell_milling(page: Page) -> None:
    """Lowering before milling, and the bumps and holes in between."""
    facts = page.facts
    page.section("Milling: how far the rim must go down, and what traffic meets in between")
    lower = facts.value("lower_by_mm")
    milling = math.isfinite(facts.value("milled_m"))
    if not milling:
        known = math.isfinite(lower)
        page.text("Nothing is milled: nothing is lowered." if known else "Not known: the road or the rim is missing.")
        if not known or facts.value("interim_bump_mm") == 0 == facts.value("interim_hole_mm"):
            return
    if not math.isfinite(lower):
        page.text("Not known: the existing rim is missing.")
        return
    gap = gap_between(page, "today's rim", facts.today, "milled road", facts.road("milled"))
    low, high = _extremes(page, gap, "today's rim over the milled road")
    down = _tell_lowering(page, high, lower) if milling else 0.0
    _tell_traffic(page, high, low, down, milling)


def _extremes(page: Page, gap: Gap, what: str) -> tuple[float, float]:
    """Lines of the smallest and the largest gap on the frame's edge."""
    smallest, largest = extreme_places(gap, page.facts.frame)
    if gap.constant:
        return gap.height, gap.height
    low = gap_line(page, f"least of {what} ({place_words(smallest)})", gap, smallest)
    return low, gap_line(page, f"most of {what} ({place_words(largest)})", gap, largest)


def _tell_lowering(page: Page, high: float, lower: float) -> float:
    """How far it goes down, how, and how deep the iron or the plate then lies below today's rim [m]."""
    facts, rules, how = page.facts, page.facts.rules, page.facts.text("lower_how")
    page.line(
        "lower by",
        "max(0, most + rules.milling_clearance)",
        "max(0, {high} + {clear})",
        column="lower_by_mm",
        us=True,
        high=mm(high),
        clear=mm(rules.milling_clearance),
    )
    if lower <= SLACK:
        page.text("Today's rim is low enough: it is not lowered.")
        return 0.0
    page.word("how", how.replace("_", " ") or "not known", "lower_how")
    chimney = facts.model("structures_existing_chimney")
    if math.isfinite(chimney):
        page.text("Rings are taken out where the old chimney is tall enough:", indent="    ")
        page.rule(mm(chimney), ">=", "lower by", mm(lower))
    if how == LOWER_HOW[0]:
        return lower
    return _tell_plate(page, lower, chimney)


def _tell_plate(page: Page, lower: float, chimney: float) -> float:
    facts, rules = page.facts, page.facts.rules
    height, today = facts.model("structures_casting_height"), facts.today
    if not math.isfinite(height):
        page.text("A plate's level is not known: the casting's height is missing.")
        return math.nan
    on_stack = page.line(
        "plate's top below today's rim, on the old stack",
        "casting height * sqrt(1 + s0^2) - plate",
        "{h} * sqrt(1 + {e}^2 + {n}^2) - {plate}",
        "mm",
        h=mm(height),
        e=pure(today.east),
        n=pure(today.north),
        plate=mm(rules.plate_thickness),
    )
    room = on_stack
    if math.isfinite(chimney):
        room = page.line(
            "the same on the bearing",
            "that + old chimney",
            "{on} + {chimney}",
            "mm",
            on=mm(on_stack),
            chimney=mm(chimney),
        )
    else:
        page.text("The old chimney is not known and counts as none.", indent="    ")
    page.rule(mm(room), ">=", "lower by", mm(lower))
    opening = facts.model("structures_bearing_inside_diameter")
    if math.isfinite(opening):
        wide = page.line("opening and a seat of 25 mm all round", "", "{d} + 2 * 25.0 mm", "mm", d=mm(opening))
        page.rule(mm(wide), "<=", "rules.plate_diameter", mm(rules.plate_diameter))
    else:
        page.text("The opening is not known; it counts as covered by the plate.", indent="    ")
    if facts.text("lower_how") != LOWER_HOW[1]:
        return 0.0
    page.text("The plate lies on the old stack where that is low enough, else on the bearing.", indent="    ")
    return on_stack if on_stack >= lower - SLACK else room


def _tell_traffic(page: Page, high: float, low: float, down: float, milling: bool) -> None:
    facts, rules = page.facts, page.facts.rules
    bump, hole = facts.value("interim_bump_mm"), facts.value("interim_hole_mm")
    before = rules.sequence == "raise_before_paving"
    page.text(f"rules.sequence is {rules.sequence}.")
    if before and math.isfinite(bump):
        page.text("The cover is raised before the paving: the bump is the target over the milled road.")
        gap = gap_between(page, "target rim", facts.target, "milled road", facts.road("milled"))
        _, above = _extremes(page, gap, "the target over the milled road")
        page.line(
            "iron above the road in between", "max(0, most)", "max(0, {x})", column="interim_bump_mm", x=mm(above)
        )
    elif math.isfinite(bump) and milling:
        page.line(
            "iron above the road in between",
            "max(0, most - how far it goes down)",
            "max(0, {high} - {down})",
            column="interim_bump_mm",
            high=mm(high),
            down=mm(down),
        )
    if math.isfinite(hole) and milling:
        page.line(
            "iron below the road in between",
            "max(0, how far it goes down - least)",
            "max(0, {down} - {low})",
            column="interim_hole_mm",
            down=mm(down),
            low=mm(low),
        )
    if not (math.isfinite(bump) and math.isfinite(hole)):
        page.text("Bump or hole not known: how the casting is lowered is not known.")
    for value, name, limit in ((bump, "max_bump", rules.max_bump), (hole, "max_hole", rules.max_hole)):
        if math.isfinite(value):
            page.rule(mm(value), "<=", f"rules.{name}", mm(limit))


def level(facts: Facts) -> Plane:
    """Today's frame against the target plane; height 0."""
    return Plane(0.0, facts.today.east - facts.target.east, facts.today.north - facts.target.north)

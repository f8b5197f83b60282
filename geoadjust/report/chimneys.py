"""Sections on the chimney: bearing, height with its true extremes, the change."""

from __future__ import annotations

import math

from geoadjust.core.columns import BEARING_SOURCES, REFERENCES
from geoadjust.report.facts import Facts, Outline
from geoadjust.report.numbers import Figure, degrees, metres, mm, pure
from geoadjust.report.page import ROUNDING, Page
from geoadjust.report.rims import tell_azimuth
from geoadjust.report.roads import reasons
from geoadjust.report.shapes import support

LEVEL_WITHIN = 3e-9
"""A slope [m/m] below what the set's rounding tells."""
LEVELS = {"rim": "existing_rim_m", "existing": "existing_m", "milled": "milled_m", "finished": "finished_m"}
BEARING_CODES = ("bearing_disagrees", "measure_down_is_depth", "measure_down_from_missing", "riser_present")


def tell_bearing(page: Page) -> None:
    """The bearing's elevation and what it rests on."""
    facts = page.facts
    page.section("Bearing")
    source = facts.index("chimneys_bearing_source")
    _tell_stated(page)
    if source < 0:
        page.text(
            f"No bearing: neither an elevation, nor a measure-down with its reference, nor the old chimney's height "
            f"under a known casting and rim. {reasons(facts, *BEARING_CODES)}"
        )
        return
    {"bearing": _by_elevation, "measure_down": _by_measure_down, "existing_chimney": _by_chimney}[
        BEARING_SOURCES[source]
    ](page)
    east, north = _bearing_slope(facts)
    if east or north:
        page.fact("the bearing's slope towards east", pure(east))
        page.fact("the bearing's slope towards north", pure(north))
        page.line("the bearing's slope", "", "hypot({e}, {n})", "%", e=pure(east), n=pure(north))


def _bearing_slope(facts: Facts) -> tuple[float, float]:
    return facts.model("structures_bearing_slope_east"), facts.model("structures_bearing_slope_north")


def _tell_stated(page: Page) -> None:
    """An elevation or a measure-down that is stated, with the rule that says whether it is believed."""
    facts, most = page.facts, page.facts.rules.max_measure_down
    bearing, down = facts.model("structures_bearing"), facts.model("structures_measure_down")
    top = facts.value("existing_rim_m")
    top = top if math.isfinite(top) else facts.value("target_rim_m")
    if math.isfinite(bearing):
        page.fact("bearing as surveyed", metres(bearing))
        depth = page.line("its depth below the rim", "", "{top} - {b}", "mm", top=metres(top), b=metres(bearing))
        page.rule(mm(depth), ">=", "level with the rim", mm(0.0))
        page.rule(mm(depth), "<=", "rules.max_measure_down", mm(most))
    if math.isfinite(down):
        page.fact("measure-down", mm(down))
        level = facts.index("structures_measure_down_from")
        page.word("measured down from", REFERENCES[level] if level >= 0 else "not stated")
        page.rule(mm(down), "<=", "rules.max_measure_down", mm(most), slack=0.0)


def _by_elevation(page: Page) -> None:
    page.same("bearing, as surveyed", metres(page.facts.model("structures_bearing")), "bearing_m", us=True)


def _by_measure_down(page: Page) -> None:
    facts = page.facts
    level = REFERENCES[facts.index("structures_measure_down_from")]
    page.line(
        "bearing",
        f"{level.replace('rim', 'existing rim')}{' road' * (level != 'rim')} - measure-down",
        "{level} - {down}",
        column="bearing_m",
        us=True,
        level=metres(facts.value(LEVELS[level])),
        down=metres(facts.model("structures_measure_down")),
    )


def _by_chimney(page: Page) -> None:
    facts, today = page.facts, page.facts.today
    page.line(
        "bearing",
        "existing rim - casting height * sqrt(1 + s0^2) - old chimney",
        "{rim} - {h} * sqrt(1 + {e}^2 + {n}^2) - {chimney}",
        column="bearing_m",
        us=True,
        rim=metres(facts.value("existing_rim_m")),
        h=metres(facts.model("structures_casting_height")),
        e=pure(today.east),
        n=pure(today.north),
        chimney=metres(facts.model("structures_existing_chimney")),
    )


def tell_chimney(page: Page) -> None:
    """Height between bearing and flange, joints included."""
    facts, rules = page.facts, page.facts.rules
    page.section("Chimney: between bearing and flange, joints included")
    height = facts.value("chimney_mm")
    if not math.isfinite(height):
        page.text(f"No height: {_why_no_height(facts)}")
        if math.isfinite(facts.value("foot_shift_mm")):
            _tell_foot(page)
        return
    target, flange = facts.target, facts.flange
    casting = facts.model("structures_new_casting_height")
    drop = page.line(
        "the flange below the rim, measured vertically",
        "casting height * sqrt(1 + s^2)",
        "{h} * sqrt(1 + {s}^2)",
        "mm",
        h=mm(casting),
        s=pure(facts.value("slope_pct")),
    )
    page.line(
        "chimney at the centre",
        "target - bearing - that",
        "{target} - {bearing} - {drop}",
        column="chimney_mm",
        us=True,
        target=metres(facts.value("target_rim_m")),
        bearing=metres(facts.value("bearing_m")),
        drop=metres(drop),
    )
    b_east, b_north = _bearing_slope(facts)
    east, north = target.east - b_east, target.north - b_north
    if b_east or b_north:
        for word, plane, bearing in (("east", target.east, b_east), ("north", target.north, b_north)):
            page.line(f"slope between flange and bearing, {word}", "", "{g} - {b}", g=pure(plane), b=pure(bearing))
    swing = support(page, "higher and lower at the flange's edge by", flange, east, north)
    for name, sign, column in (("smallest", "-", "chimney_min_mm"), ("greatest", "+", "chimney_max_mm")):
        page.line(
            f"chimney, {name}",
            f"centre {sign} that",
            f"{{h}} {sign} {{swing}}",
            column=column,
            us=True,
            h=mm(height),
            swing=mm(swing),
        )
    page.rule(mm(facts.value("chimney_max_mm")), "<=", "rules.max_chimney", mm(rules.max_chimney))
    page.rule(mm(facts.value("chimney_min_mm")), ">=", "rules.min_part", mm(rules.min_part))
    _tell_long_side(page, east, north)
    _tell_foot(page)
    _tell_tilt(page, b_east, b_north)


def _why_no_height(facts: Facts) -> str:
    if facts.yes("structures_floating"):
        return "the casting is borne by the pavement, no chimney is built for it."
    if not math.isfinite(facts.value("bearing_m")):
        return "the bearing is not known."
    if not math.isfinite(facts.model("structures_new_casting_height")):
        return "the height of the casting that will stand is not known."
    return "the target is not known."


def _tell_long_side(page: Page, east: float, north: float) -> None:
    """Azimuth of the farthest point of the flange uphill: on a rectangle one of its corners."""
    flange = page.facts.flange
    if math.hypot(east, north) == 0:
        page.fact("long side (level, so uphill)", degrees(0.0), "long_side_deg")
    elif flange.round:
        tell_azimuth(page, "long side", "long_side_deg", east, north)
    else:
        _tell_corner(page, flange, east, north)


def _signs(part: float) -> tuple[float, ...]:
    """Which sides lie uphill; where the slope is next to nothing, any."""
    return (-1.0, 0.0, 1.0) if abs(part) < LEVEL_WITHIN else (math.copysign(1.0, part),)


def _tell_corner(page: Page, flange: Outline, east: float, north: float) -> None:
    """Azimuth of a rectangle's corner, or mid-side, that lies farthest uphill."""
    sin, cos = math.sin(flange.azimuth), math.cos(flange.azimuth)
    held = page.facts.value("long_side_deg")
    places = [_signs(part) for part in (east * cos - north * sin, east * sin + north * cos)]
    if max(map(len, places)) > 1:
        page.text("The slope runs along a side, so that two corners are equally high; one of them is told.")
    right, ahead, whole = min(
        (
            (right, ahead, math.atan2(right * flange.width, ahead * flange.length) + flange.azimuth)
            for right in places[0]
            for ahead in places[1]
        ),
        key=lambda each: 1 - math.cos(each[2] - held),
    )
    turns = math.floor(whole / (2 * math.pi))
    page.text(
        "Seen along the flange's direction the farthest corner lies to the right or left (1, -1), ahead or behind."
    )
    page.line(
        "long side",
        "atan2(right * width, ahead * length) + direction",
        "atan2({right} * {w}, {ahead} * {l}) + {to}" + (" - 360 deg" if turns > 0 else " + 360 deg") * bool(turns),
        column="long_side_deg",
        right=Figure(right, "count"),
        ahead=Figure(ahead, "count"),
        w=mm(flange.width),
        l=mm(flange.length),
        to=degrees(flange.azimuth),
    )


def _tell_foot(page: Page) -> None:
    facts, rules, target = page.facts, page.facts.rules, page.facts.target
    h, s = mm(facts.model("structures_new_casting_height")), pure(facts.value("slope_pct"))
    b_east, b_north = _bearing_slope(facts)
    known = math.isfinite(facts.value("chimney_mm"))
    if rules.stand == "plumb" or not known or not (b_east or b_north):
        page.line(
            "the casting's foot moves uphill where the cover keeps its place",
            "h s / sqrt(1 + s^2)",
            "{h} * {s} / sqrt(1 + {s}^2)",
            column="foot_shift_mm",
            h=h,
            s=s,
        )
        return
    lift = page.line("h / sqrt(1 + s^2)", "", "{h} / sqrt(1 + {s}^2)", "mm", h=h, s=s)
    own = {"be": pure(b_east), "bn": pure(b_north)}
    lean = page.line(
        "chimney / sqrt(1 + b^2)",
        "",
        "{c} / sqrt(1 + {be}^2 + {bn}^2)",
        "mm",
        c=mm(facts.value("chimney_mm")),
        figures=own,
    )
    page.line(
        "the flange's centre off the bearing's where the cover keeps its place",
        "",
        "hypot({lift} * {e} + {lean} * {be}, {lift} * {n} + {lean} * {bn})",
        column="foot_shift_mm",
        lift=mm(lift),
        lean=mm(lean),
        e=pure(target.east),
        n=pure(target.north),
        figures=own,
    )


def _tell_tilt(page: Page, b_east: float, b_north: float) -> None:
    """Slope that the parts have to make; the bed that levels a sloping bearing; lengths along a leaning axis."""
    facts, rules, target = page.facts, page.facts.rules, page.facts.target
    page.text(f"rules.stand is {rules.stand}, rules.hold is {rules.hold}.")
    plumb = rules.stand == "plumb"
    for word, plane, bearing in (("east", target.east, b_east), ("north", target.north, b_north)):
        name, held = f"slope that the parts have to make, {word}", facts.model(f"chimneys_tilt_{word}")
        if plumb:
            page.same(f"{name} (the target's)", pure(plane), held=held)
        else:
            page.line(name, "target - bearing", "{g} - {b}", stored=held, g=pure(plane), b=pure(bearing))
    if plumb and (b_east or b_north):
        bed = support(page, "bed of mortar that levels the bearing, at the centre", facts.flange, b_east, b_north)
        page.same("bed", mm(bed), held=facts.model("chimneys_bed"))
    along(page)


def along(page: Page) -> float:
    """Length along the chimney's axis over the vertical height; a line where it is not 1."""
    facts = page.facts
    b_east, b_north = _bearing_slope(facts)
    if facts.rules.stand == "plumb" or not (b_east or b_north):
        return 1.0
    return page.line(
        "length along the chimney's axis over vertical height",
        "sqrt(1 + b^2) / (1 + g.b)",
        "sqrt(1 + {be}^2 + {bn}^2) / (1 + {e} * {be} + {n} * {bn})",
        be=pure(b_east),
        bn=pure(b_north),
        e=pure(facts.target.east),
        n=pure(facts.target.north),
    )


def tell_change(page: Page) -> None:
    """What to add to the chimney, or to take off."""
    facts, rules = page.facts, page.facts.rules
    page.section("Change of the chimney against today")
    change = facts.value("stack_change_mm")
    if not math.isfinite(change):
        page.text(f"No change is known: {_why_no_change(facts)}")
        return
    old, new = facts.model("structures_casting_height"), facts.model("structures_new_casting_height")
    if math.isnan(old) and math.isnan(new):
        page.text(
            "The casting's height is not known and the casting stays: rules.usual_casting_height stands for both."
        )
        old = new = rules.usual_casting_height
    today = facts.today
    page.line(
        "change at the centre (plus: add)",
        "raise - (new casting * sqrt(1 + s1^2) - old casting * sqrt(1 + s0^2))",
        "{lift} - ({new} * sqrt(1 + {s}^2) - {old} * sqrt(1 + {e}^2 + {n}^2))",
        column="stack_change_mm",
        us=True,
        lift=mm(facts.value("raise_mm")),
        new=mm(new),
        old=mm(old),
        s=pure(facts.value("slope_pct")),
        e=pure(today.east),
        n=pure(today.north),
    )
    east, north = (
        page.line(
            f"slope to add, {word}",
            "target - today",
            "{g} - {t}",
            stored=facts.model(f"chimneys_change_{word}"),
            g=pure(getattr(facts.target, word)),
            t=pure(getattr(today, word)),
        )
        for word in ("east", "north")
    )
    swing = support(page, "more and less at the flange's edge by", facts.flange, east, north)
    for name, sign, column in (("smallest", "-", "stack_change_min_mm"), ("largest", "+", "stack_change_max_mm")):
        page.line(
            f"change, {name}",
            f"centre {sign} that",
            f"{{c}} {sign} {{swing}}",
            column=column,
            us=True,
            c=mm(change),
            swing=mm(swing),
            slack=2 * ROUNDING,
        )
    _judge_change(page, east, north)


def _judge_change(page: Page, east: float, north: float) -> None:
    facts, rules = page.facts, page.facts.rules
    if not math.isfinite(facts.value("chimney_mm")):
        page.rule(mm(facts.value("stack_change_max_mm")), "<=", "rules.max_chimney", mm(rules.max_chimney))
        _tell_long_side(page, east, north)
    chimney, least = facts.model("structures_existing_chimney"), facts.value("stack_change_min_mm")
    if math.isfinite(chimney) and least < 0:
        page.text("What is taken off must be there:", indent="    ")
        page.rule(mm(-least), "<=", "old chimney", mm(chimney))


def _why_no_change(facts: Facts) -> str:
    if facts.yes("structures_floating"):
        return "the casting is borne by the pavement."
    if not math.isfinite(facts.value("raise_mm")):
        return "there is no raise."
    return "one of the two castings' heights is not known."

"""Sections on what needs no stack: whether the cover may stay, a riser, a liner."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoadjust.core.parts import LinerPart, RiserPart
from geoadjust.report.facts import Facts
from geoadjust.report.numbers import Figure, metres, mm, pure
from geoadjust.report.page import SLACK, Page
from geoadjust.report.rims import level
from geoadjust.report.roads import reasons
from geoadjust.report.shapes import support
from geoadjust.report.stacks import along_factor, unused

LEAST_SEAT = 0.025
STILL = ("monument", "other_owner", "not_paved", "unknown")


def tell_stay(page: Page) -> None:
    """Whether today's cover may stay where it is."""
    facts, rules = page.facts, page.facts.rules
    page.section("May the cover stay as it is?")
    lift = facts.value("raise_mm")
    if not math.isfinite(lift):
        page.text("Not known: there is no raise.")
        return
    if facts.outside:
        page.text("Outside the paving: it stays.")
        return
    apart = page.facts.target.east, page.facts.today.east, page.facts.target.north, page.facts.today.north
    tilt = page.line(
        "tilt of today's frame against the target",
        "",
        "hypot({a} - {b}, {c} - {d})",
        "%",
        a=pure(apart[1]),
        b=pure(apart[0]),
        c=pure(apart[3]),
        d=pure(apart[2]),
    )
    straight = page.rule(Figure(tilt, "%"), "<=", "rules.tilt_tolerance", Figure(rules.tilt_tolerance, "%"))
    off = tell_off(page).line(page, "today's cover off the finished road", "-", "raise", "{lift}", lift=_in(page, lift))
    flush = not facts.flagged("not_flush")
    if math.isfinite(off):
        flush = page.rule(mm(off), "<=", "rules.tolerance", mm(rules.tolerance))
    else:
        page.text(reasons(facts, "not_flush") or "The set holds no flag against it.")
    known = facts.text("rim_basis") in ("gap", "surveyed")
    recast = facts.yes("structures_recast")
    others = [
        "" if known else "today's rim is only assumed to be flush",
        "another casting takes the place" if recast else "",
        "" if "keep" in rules.methods else "rules.methods does not hold keep",
    ]
    against = [each for each in others if each]
    if straight and flush and not against:
        page.text("It may stay.")
    else:
        page.text(f"It may not stay{': ' * bool(against)}{'; '.join(against)}.")


@dataclass(frozen=True, slots=True)
class Off:
    """How far off a rim is, as rules.measured_by says: all round the edge by `swing`, or against two bars [m]."""

    swing: float = 0.0
    bars: tuple[float, ...] = ()
    known: bool = True

    def line(self, page: Page, name: str, sign: str, words: str, template: str, **centre: Figure) -> float:
        """Line of a rim that lies so far over (+) or under (-) the target, with today's tilt [m]; NaN = not known."""
        facts = page.facts
        if not self.known:
            page.word(name, "the worst of eight bars counts, which the set does not hold")
            return math.nan
        if self.bars:
            rim = f"{{t}} {sign} ({template}) + {{r}}"
            return page.line(
                name,
                f"the worse bar, target {sign} ({words}) + rules.recess against it",
                f"max(abs({rim} - {{x}}), abs({rim} - {{y}}))",
                "mm",
                t=metres(facts.value("target_rim_m")),
                r=metres(facts.rules.recess),
                x=metres(self.bars[0]),
                y=metres(self.bars[1]),
                figures=centre,
            )
        if not self.swing:
            return page.line(name, f"|{words}|", f"abs({template})", "mm", figures=centre)
        return page.line(
            name, f"|{words}| + tilt", f"abs({template}) + {{swing}}", "mm", swing=mm(self.swing), figures=centre
        )


def tell_off(page: Page) -> Off:
    """What today's tilt, or the bars, mean for how far a rim is off."""
    facts, rules = page.facts, page.facts.rules
    page.text(f"rules.measured_by is {rules.measured_by}.")
    if rules.measured_by == "edge":
        tilt = level(facts)
        return Off(support(page, "today's tilt makes at the frame's edge", facts.frame, tilt.east, tilt.north))
    if rules.measured_by == "adjacent_mean":
        return Off()
    if not facts.axis_known:
        return Off(known=False)
    held = [facts.value(f"bar_{word}_mm") for word in ("along", "across")]
    if not all(math.isfinite(each) for each in held):
        page.text("A bar could not be laid; the mean of the road counts.")
        return Off()
    heights = [
        page.line(
            f"bar {word} the axis, at the centre",
            f"planned rim - bar_{word}",
            "{z} - {gap}",
            "m",
            z=metres(facts.planned.height),
            gap=metres(each),
        )
        for word, each in zip(("along", "across"), held, strict=True)
    ]
    return Off(bars=tuple(heights))


def tell_riser(page: Page) -> None:
    """A riser on the frame."""
    facts, rules = page.facts, page.facts.rules
    page.section("Riser")
    lift, chosen = facts.value("raise_mm"), facts.index("verdicts_riser")
    if facts.method in STILL or not math.isfinite(lift):
        page.text(f"No riser: the method is {facts.method}.")
        return
    if facts.method == "keep":
        page.text("No riser is needed: the cover may stay.")
        return
    if "riser" not in rules.methods:
        page.text("No riser: rules.methods does not hold riser.")
        return
    page.rule(mm(lift), ">=", "least raise of a riser", mm(0.0005), slack=0.0)
    page.rule(mm(lift), "<=", "rules.max_riser", mm(rules.max_riser))
    codes = ("raise_past_riser", "riser_not_allowed", "seat_unknown", "no_riser_seats")
    against = reasons(facts, *codes)
    if against or not facts.stacked:
        page.text(against or "No riser: this kind takes none.")
        return
    risers = facts.catalogue.riser if chosen < 0 else (facts.catalogue.riser[chosen],)
    off = tell_off(page)
    for riser in risers:
        if riser_seats(facts, riser):
            _tell_riser(page, riser, off)
    if chosen < 0:
        page.text(
            reasons(facts, "no_riser_fits") or "No riser was looked for: an earlier method of rules.methods fits."
        )


def riser_seats(facts: Facts, riser: RiserPart) -> bool:
    """Whether a riser seats in today's frame."""
    index = facts.index("structures_casting")
    casting = facts.catalogue.casting[index].id if index >= 0 else ""
    named = not riser.castings or casting in riser.castings
    seat = facts.model("structures_seat_diameter")
    fits = riser.seat_diameter is None or abs(seat - riser.seat_diameter) <= facts.rules.seat_tolerance + SLACK
    return bool(riser.available and named and fits)


def _in(page: Page, length: float) -> Figure:
    """Millimetres, or metres where elevations of bars stand beside it."""
    return metres(length) if page.facts.rules.measured_by == "bar" else mm(length)


def _tell_riser(page: Page, riser: RiserPart, off: Off) -> None:
    facts, rules, today = page.facts, page.facts.rules, page.facts.today
    if riser.seat_diameter is not None:
        seat = facts.model("structures_seat_diameter")
        own = f"{1000 * riser.seat_diameter:.1f} mm, the frame's {1000 * seat:.1f} mm"
        page.text(f"{riser.id}: its seat is {own}; they differ by")
        page.rule(mm(abs(seat - riser.seat_diameter)), "<=", "rules.seat_tolerance", mm(rules.seat_tolerance))
    lift = page.line(
        f"{riser.id}, lifts the cover's centre by",
        "height * sqrt(1 + s0^2)",
        "{h} * sqrt(1 + {e}^2 + {n}^2)",
        "mm",
        h=mm(riser.height),
        e=pure(today.east),
        n=pure(today.north),
    )
    figures = {"lift": _in(page, lift), "up": _in(page, facts.value("raise_mm"))}
    left = off.line(page, f"{riser.id}, cover off the finished road", "+", "lift - raise", "{lift} - {up}", **figures)
    if math.isfinite(left):
        page.rule(mm(left), "<=", "rules.tolerance", mm(rules.tolerance))


def tell_liner(page: Page) -> None:
    """The cut-to-fit liner: clearances, and whether it can be cut to length."""
    facts = page.facts
    page.section("Liner")
    if facts.method != "liner":
        codes = ("liner_does_not_clear", "liner_too_short", "liner_too_long", "liner_unchecked")
        page.text(f"No liner is cut: {unused(facts, 'liner')}. {reasons(facts, *codes)}".strip())
        return
    liner = facts.liner(facts.text("liner"))
    page.word("liner", liner.id, "liner")
    page.fact("outside diameter", mm(liner.outside_diameter))
    page.fact("inside diameter", mm(liner.inside_diameter))
    if facts.flagged("liner_unchecked"):
        page.text(reasons(facts, "liner_unchecked"))
    _tell_clearances(page, liner)
    _tell_length(page, liner)


def _tell_clearances(page: Page, liner: LinerPart) -> None:
    """Radial clearances; each must not be short of what is asked."""
    facts, rules = page.facts, page.facts.rules
    shift = facts.value("foot_shift_mm") if rules.hold == "cover" else 0.0
    if shift:
        page.text("The cover keeps its place: the casting's foot stands off the chimney's axis by the foot shift.")
    inside, outside = liner.inside_diameter / 2, liner.outside_diameter / 2
    page.rule(mm(inside), ">=", "rules.clear_opening / 2", mm(rules.clear_opening / 2))
    ridge = facts.model("structures_ridge_diameter")
    if math.isfinite(ridge) and ridge != 0:
        need = page.line(
            "room for what hangs below the flange",
            "ridge / 2 + foot shift + rules.liner_clearance",
            "{d} / 2 + {shift} + {clear}",
            "mm",
            d=mm(ridge),
            shift=mm(shift),
            clear=mm(rules.liner_clearance),
        )
        page.rule(mm(inside), ">=", "that", mm(need))
    if facts.yes("structures_size_known"):
        reach = page.line(
            "outside that the flange covers",
            "flange / 2 - foot shift",
            "{d} / 2 - {shift}",
            "mm",
            d=mm(facts.flange.width),
            shift=mm(shift),
        )
        page.rule(mm(outside), "<=", "that", mm(reach))
    iron = facts.model("structures_flange_inside_diameter")
    if math.isfinite(iron):
        need = page.line(
            "outside that gives the flange a seat",
            "flange inside / 2 + foot shift + min(wall, 25 mm)",
            "{d} / 2 + {shift} + min({ro} - {ri}, 25.0 mm)",
            "mm",
            d=mm(iron),
            shift=mm(shift),
            ro=mm(outside),
            ri=mm(inside),
        )
        page.rule(mm(outside), ">=", "that", mm(need))
    bearing_out, bearing_in = (facts.model(f"structures_bearing_{side}_diameter") for side in ("outside", "inside"))
    if math.isfinite(bearing_out):
        page.rule(mm(outside), "<=", "bearing outside / 2", mm(bearing_out / 2))
    if math.isfinite(bearing_in):
        page.rule(mm(inside), ">=", "bearing inside / 2", mm(bearing_in / 2))


def tell_cut_radius(page: Page, liner: LinerPart, slope: float) -> tuple[float, float]:
    """Lines of the radius of the cut edge's swing, and of what a level face takes off the height on the axis [m]."""
    facts = page.facts
    sizes = {"do": mm(liner.outside_diameter), "di": mm(liner.inside_diameter)}
    page.text(f"rules.cut_style is {facts.rules.cut_style}.")
    if facts.rules.cut_style == "in_plane":
        return page.line("radius of the cut's swing", "outside / 2", "{do} / 2", "mm", do=sizes["do"]), 0.0
    radius = page.line("radius of the cut's swing", "(outside + inside) / 4", "({do} + {di}) / 4", "mm", figures=sizes)
    deduct = page.line(
        "a face level across the wall lies lower on the axis by",
        "wall * slope / 2",
        "({do} - {di}) / 2 * {s} / 2",
        "mm",
        s=pure(slope),
        figures=sizes,
    )
    return radius, deduct


def _tell_length(page: Page, liner: LinerPart) -> None:
    facts, rules = page.facts, page.facts.rules
    east, north = facts.model("chimneys_tilt_east"), facts.model("chimneys_tilt_north")
    slope = page.line("slope that the cut has to make", "", "hypot({e}, {n})", e=pure(east), n=pure(north))
    radius, deduct = tell_cut_radius(page, liner, slope)
    factor = along_factor(facts)
    whole = page.line(
        "liner on the axis",
        "chimney - bed - 2 joints - that",
        "{c} * {f} - {bed} - 2 * {joint} - {less}" if factor != 1 else "{c} - {bed} - 2 * {joint} - {less}",
        "mm",
        c=mm(facts.value("chimney_mm")),
        bed=mm(facts.model("chimneys_bed")),
        joint=mm(rules.joint),
        less=mm(deduct),
        figures={"f": pure(factor)} if factor != 1 else {},
    )
    swing = page.line(
        "its swing at that radius",
        "radius * slope",
        "{r} * {s} * {f}" if factor != 1 else "{r} * {s}",
        "mm",
        r=mm(radius),
        s=pure(slope),
        figures={"f": pure(factor)} if factor != 1 else {},
    )
    figures = {"m": mm(whole), "w": mm(swing)}
    short = page.line("short side", "", "{m} - {w}", "mm", us=True, figures=figures)
    page.rule(mm(short), ">=", "the liner's least height", mm(liner.min_height))
    page.rule(mm(short), ">=", "rules.min_part", mm(rules.min_part))
    long = page.line("long side", "", "{m} + {w}", "mm", us=True, figures=figures)
    if liner.height is None:
        page.text("Its stock height is as long as wanted.")
    else:
        page.rule(mm(long), "<=", "stock height", mm(liner.height))

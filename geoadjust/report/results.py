"""Section on what remains: the cover as the method leaves it, against the finished road."""

from __future__ import annotations

import math

from geoadjust.report.facts import Plane
from geoadjust.report.numbers import Figure, degrees, metres, mm, pure
from geoadjust.report.page import Page
from geoadjust.report.shapes import Gap, Place, extreme_places, gap_between, gap_line, place_words

ENDS = (("ahead", 0.0), ("behind", math.pi), ("right", math.pi / 2), ("left", 1.5 * math.pi))


def tell_result(page: Page) -> None:
    """Planned plane, gaps all round, at the ends of both diameters, under the bars; the limits of the cover."""
    facts = page.facts
    page.section("What remains: planned cover against the finished road, plus is PROUD")
    planned = facts.planned
    if not math.isfinite(planned.height):
        page.text("Not known: there is no planned cover.")
        return
    _tell_planned(page, planned)
    if not math.isfinite(facts.value("finished_m")):
        page.text("There is no finished road to compare it with.")
        return
    page.line(
        "gap, mean along the edge",
        "planned rim - finished road along the edge",
        "{z} - {road}",
        column="gap_mean_mm",
        us=True,
        z=metres(planned.height),
        road=metres(facts.value("finished_m")),
    )
    gap = gap_between(page, "planned rim", planned, "finished road", facts.road("finished"))
    for place, name, column in zip(
        extreme_places(gap, facts.frame), ("smallest", "largest"), ("gap_min_mm", "gap_max_mm"), strict=True
    ):
        where = "" if gap.constant else f" ({place_words(place)})"
        gap_line(page, f"gap, {name}{where}", gap, place, column)
    _tell_ends(page, gap)
    for word in ("along", "across"):
        if math.isfinite(facts.value(f"bar_{word}_mm")):
            page.fact(
                f"planned rim over a bar {word} the axis (the bar is not kept in the set)",
                mm(0.0),
                f"bar_{word}_mm",
            )
    _tell_limits(page, planned)


def _tell_planned(page: Page, planned: Plane) -> None:
    """The plane that the method leaves."""
    facts, method = page.facts, page.facts.method
    still = method in ("keep", "not_paved")
    base = facts.today if still or method == "riser" else facts.target
    name = "today's rim" if still or method == "riser" else "the target rim"
    if method == "riser":
        page.line(
            "planned rim at the centre",
            "today's rim + riser * sqrt(1 + s0^2)",
            "{z} + {h} * sqrt(1 + {e}^2 + {n}^2)",
            "m",
            stored=planned.height,
            us=True,
            z=metres(base.height),
            h=metres(facts.catalogue.riser[facts.index("verdicts_riser")].height),
            e=pure(base.east),
            n=pure(base.north),
        )
    elif method == "rings":
        page.line(
            "planned rim at the centre",
            "target rim + misfit",
            "{z} + {misfit}",
            "m",
            stored=planned.height,
            us=True,
            z=metres(base.height),
            misfit=metres(facts.value("stack_misfit_mm")),
        )
    else:
        page.same(f"planned rim at the centre ({name})", metres(base.height), held=planned.height, us=True)
    for word in ("east", "north"):
        left = facts.model(f"stacks_left_{word}") if method == "rings" else 0.0
        held, slope = getattr(planned, word), pure(getattr(base, word))
        if not left:
            page.same(f"its slope, {word} (that of {name})", slope, held=held)
            continue
        page.line(
            f"its slope, {word}",
            "target rim's - what rings and bedding leave undone",
            "{g} - {left}",
            stored=held,
            g=slope,
            left=pure(left),
        )


def _tell_ends(page: Page, gap: Gap) -> None:
    """Gaps at the ends of the diameters along and across the axis; of each pair the one that is farther off."""
    facts = page.facts
    if not facts.axis_known:
        page.text("No street axis, so no gaps along and across it.")
        return
    if gap.constant:
        for word in ("along", "across"):
            gap_line(page, f"gap {word} the axis", gap, (0.0, 0.0), f"gap_{word}_mm")
        return
    found = {word: _tell_end(page, gap, word, turn) for word, turn in ENDS}
    for word, pair in (("along", ("ahead", "behind")), ("across", ("right", "left"))):
        first, second = (found[end] for end in pair)
        worse = first if abs(first) >= abs(second) else second
        page.same(f"gap {word} the axis, the end that is farther off", mm(worse), f"gap_{word}_mm")


def _tell_end(page: Page, gap: Gap, word: str, turn: float) -> float:
    facts, edge = page.facts, page.facts.frame
    azimuth = facts.value("axis_deg") + turn
    if edge.round:
        reach = edge.width / 2
    else:
        reach = page.line(
            f"edge of the frame {word}, from the centre",
            "1 / 2 / max(|sin| / width, |cos| / length)",
            "0.5 / max(abs(sin({at} - {to})) / {width}, abs(cos({at} - {to})) / {length})",
            "mm",
            at=degrees(azimuth),
            to=degrees(edge.azimuth),
            width=mm(edge.width),
            length=mm(edge.length),
        )
    place: Place = (reach * math.sin(azimuth), reach * math.cos(azimuth))
    return gap_line(page, f"gap {word} ({place_words(place)})", gap, place)


def _tell_limits(page: Page, planned: Plane) -> None:
    """Grade, cross slope and step at the edge of the finished cover."""
    facts, rules = page.facts, page.facts.rules
    worst = max(facts.value("gap_max_mm"), -facts.value("gap_min_mm"))
    if rules.max_edge_gap is None:
        page.text("rules.max_edge_gap sets no limit to the step at the edge.")
    else:
        page.rule(mm(worst), "<=", "rules.max_edge_gap", mm(rules.max_edge_gap))
    axis = facts.value("axis_deg")
    for name, word, template, limit in (
        ("grade", "max_grade", "{e} * sin({a}) + {n} * cos({a})", rules.max_grade),
        ("cross slope", "max_cross_slope", "{e} * cos({a}) - {n} * sin({a})", rules.max_cross_slope),
    ):
        if limit is None:
            page.text(f"rules.{word} sets no limit to the cover's {name}.")
        elif not math.isfinite(axis):
            page.text(f"rules.{word} is not tested: there is no street axis.")
        else:
            slope = page.line(
                f"{name} of the planned cover",
                "",
                template,
                "%",
                e=pure(planned.east),
                n=pure(planned.north),
                a=degrees(axis),
            )
            page.rule(Figure(abs(slope), "%"), "<=", f"rules.{word}", Figure(limit, "%"))

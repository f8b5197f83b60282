"""Section on the rings: parts bottom to top as a sum, turn of the tapers, wedge, what is left."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from geoadjust.report.facts import Facts
from geoadjust.report.numbers import Figure, degrees, mm, pure
from geoadjust.report.page import ROUNDING, Page
from geoadjust.report.roads import reasons
from geoadjust.report.shapes import support

Parts = Sequence[Mapping[str, Any]]
CODES = ("taper_past_limit", "foot_off_bearing", "no_ring_stack", "rings_past_limit", "chimney_too_thin")
POLICIES = {"replace_all": "the rings take the old stack's place", "add_on_top": "the rings are added to the old stack"}


def tell_stacks(page: Page) -> None:
    """The stack of the method, and the one by the other policy where both are told."""
    facts = page.facts
    page.section("Stack of rings")
    if facts.method != "rings":
        page.text(f"No stack of rings is built: {unused(facts, 'rings')}. {reasons(facts, *CODES)}".strip())
    else:
        _tell_stack(page, facts.text("stack_policy"), "stacks")
    if facts.text("other_stack"):
        page.text("The old chimney's condition is not known, so what the other policy asks for is told as well.")
        _tell_stack(page, "add_on_top", "others")


def unused(facts: Facts, method: str) -> str:
    """Why a method is not the one that was chosen."""
    if method not in facts.rules.methods:
        return f"rules.methods does not hold {method}"
    return f"the method is {facts.method}"


def _tell_stack(page: Page, policy: str, bundle: str) -> None:
    facts = page.facts
    parts = [part for part in facts.stack_parts if part["policy"] == policy]
    own = bundle == "stacks"
    page.word("stack, bottom to top", facts.text("stack" if own else "other_stack"), "stack" if own else "other_stack")
    page.word("policy", f"{policy}, {POLICIES[policy]}", "stack_policy" if own else "")
    left = _tell_tapers(page, parts, policy)
    rest = page.line("r, slope left to the bedding", "", "hypot({e}, {n})", e=pure(left[0]), n=pure(left[1]))
    extent = _extent(page, policy)
    rules = facts.rules
    column = "bedding_wedge_mm" if bundle == "stacks" else ""
    wedge = page.line(
        "wedge: bedding thickness difference across the flange",
        "min(r D, rules.bedding_wedge)",
        "min({r} * {d}, {most})",
        "mm",
        column=column,
        stored=None if column else facts.model(f"{bundle}_wedge"),
        r=pure(rest),
        d=mm(extent),
        most=mm(rules.bedding_wedge),
    )
    _tell_left(page, bundle, left, rest, extent)
    _tell_joints(page, parts, policy, wedge, bundle)
    total = _tell_sum(page, parts)
    _tell_misfit(page, policy, bundle, total)


def _tell_tapers(page: Page, parts: Parts, policy: str) -> tuple[float, float]:
    """Slope that is asked for, less what each tapered ring makes."""
    facts = page.facts
    name = "chimneys_change" if policy == "add_on_top" else "chimneys_tilt"
    left = facts.model(f"{name}_east"), facts.model(f"{name}_north")
    if policy != "add_on_top" and facts.rules.stand == "square_to_bearing":
        factor = along_factor(facts)
        left = tuple(  # type: ignore[assignment]
            page.line(
                f"slope asked of the parts along their axis, {word}", "", "{g} * {f}", g=pure(each), f=pure(factor)
            )
            for word, each in zip(("east", "north"), left, strict=True)
        )
    page.fact("slope asked for, east", pure(left[0]))
    page.fact("slope asked for, north", pure(left[1]))
    mark = facts.model("rims_mark")
    for part in parts:
        if not part["taper"]:
            continue
        ring, turn = facts.ring(part["part"]), math.radians(part["turn_deg"])
        taper = page.line(
            f"{ring.id}, taper",
            "(thick - thin) / outside diameter",
            "({thick} - {thin}) / {d}",
            stored=part["taper"],
            thick=mm(ring.thick or 0.0),
            thin=mm(ring.thin or 0.0),
            d=mm(ring.outside_diameter or math.nan),
        )
        toward = page.line(
            f"{ring.id}, azimuth of the thick side",
            "mark + turn",
            "{mark} + {turn}",
            "deg",
            mark=degrees(mark),
            turn=degrees(turn),
        )
        turned = {"taper": pure(taper), "at": degrees(toward)}
        east = page.line(f"{ring.id}, slope made, east", "", "{taper} * sin({at})", figures=turned)
        north = page.line(f"{ring.id}, slope made, north", "", "{taper} * cos({at})", figures=turned)
        left = (
            page.line("slope left, east", "", "{g} - {t}", g=pure(left[0]), t=pure(east)),
            page.line("slope left, north", "", "{g} - {t}", g=pure(left[1]), t=pure(north)),
        )
    return left


def along_factor(facts: Facts) -> float:
    """Length along the chimney's axis over the vertical height."""
    if facts.rules.stand == "plumb":
        return 1.0
    east, north = facts.model("structures_bearing_slope_east"), facts.model("structures_bearing_slope_north")
    return math.sqrt(1 + east**2 + north**2) / (1 + facts.target.east * east + facts.target.north * north)


def _extent(page: Page, policy: str) -> float:
    """Extent of the flange in the direction of the slope that is asked for [m]."""
    facts = page.facts
    name = "chimneys_change" if policy == "add_on_top" else "chimneys_tilt"
    east, north = facts.model(f"{name}_east"), facts.model(f"{name}_north")
    size = math.hypot(east, north)
    if facts.flange.round or size == 0:
        return page.fact("D, extent of the flange in that direction", mm(facts.flange.width))
    half = support(page, "half the flange's extent times the slope", facts.flange, east, north)
    return page.line(
        "D, extent of the flange in the direction of the slope",
        "",
        "2 * {half} / hypot({e}, {n})",
        "mm",
        half=mm(half),
        e=pure(east),
        n=pure(north),
    )


def _tell_left(page: Page, bundle: str, left: tuple[float, float], rest: float, extent: float) -> None:
    rules = page.facts.rules
    over = page.line(
        "slope that the bedding cannot take",
        "max(0, r - rules.bedding_wedge / D)",
        "max(0, {r} - {most} / {d})",
        r=pure(rest),
        most=mm(rules.bedding_wedge),
        d=mm(extent),
    )
    page.rule(Figure(over, "%"), "<=", "rules.tilt_tolerance", Figure(rules.tilt_tolerance, "%"))
    if over <= 0:
        return
    for word, each in zip(("east", "north"), left, strict=True):
        page.line(
            f"slope left undone, {word}",
            "that part of r",
            "{g} * {over} / {r}",
            stored=page.facts.model(f"{bundle}_left_{word}"),
            slack=1e-7,
            g=pure(each),
            over=pure(over),
            r=pure(rest),
        )


def _tell_joints(page: Page, parts: Parts, policy: str, wedge: float, bundle: str) -> None:
    facts, rules = page.facts, page.facts.rules
    page.fact("one joint, rules.joint", mm(rules.joint))
    rings = sum(part["kind"] == "ring" for part in parts)
    bed = 0.0 if policy == "add_on_top" else facts.model("chimneys_bed")
    under = bed if not rings else 0.0
    page.line(
        "mortar under the flange",
        "joint + wedge / 2" + " + bed" * bool(under),
        "{joint} + {wedge} / 2" + " + {bed}" * bool(under),
        "mm",
        stored=parts[-1]["thickness_mm"] / 1000,
        joint=mm(rules.joint),
        wedge=mm(wedge),
        figures={"bed": mm(bed)} if under else {},
    )
    if policy != "add_on_top" and rings:
        page.line(
            "mortar on the bearing",
            "joint + bed",
            "{joint} + {bed}",
            "mm",
            stored=parts[0]["thickness_mm"] / 1000,
            joint=mm(rules.joint),
            bed=mm(bed),
        )
    if policy == "add_on_top":
        page.line(
            "old stack without its top joint, which is renewed",
            "old chimney - joint",
            "{chimney} - {joint}",
            "mm",
            stored=parts[0]["thickness_mm"] / 1000,
            chimney=mm(facts.model("structures_existing_chimney")),
            joint=mm(rules.joint),
        )


def _tell_sum(page: Page, parts: Parts) -> float:
    """Parts from the bearing up, and their sum."""
    for part in parts:
        turn = part["turn_deg"]
        side = f", thick side {turn:g} deg from the mark" if turn is not None else ""
        name = f"{part['kind'].replace('_', ' ')} {part['part'] or ''}".rstrip()
        page.fact(f"part {part['position']}, {name}{side}", mm(part["thickness_mm"] / 1000), us=True)
    figures = {f"p{part['position']}": mm(part["thickness_mm"] / 1000) for part in parts}
    template = " + ".join(f"{{{name}}}" for name in figures)
    return page.line("sum of the parts", "", template, "mm", slack=ROUNDING, figures=figures)


def _tell_misfit(page: Page, policy: str, bundle: str, total: float) -> None:
    facts, rules = page.facts, page.facts.rules
    figures = {"total": mm(total)}
    if policy == "add_on_top":
        words, template = "sum - (old chimney + change)", "{total} - ({chimney} + {change})"
        figures |= {
            "chimney": mm(facts.model("structures_existing_chimney")),
            "change": mm(facts.value("stack_change_mm")),
        }
    elif rules.stand == "square_to_bearing":
        words, template = "sum - chimney along its axis", "{total} - {chimney} * {factor}"
        figures |= {"chimney": mm(facts.value("chimney_mm")), "factor": pure(along_factor(facts))}
    else:
        words, template = "sum - chimney", "{total} - {chimney}"
        figures |= {"chimney": mm(facts.value("chimney_mm"))}
    own = bundle == "stacks"
    misfit = page.line(
        "misfit (plus: too tall)",
        words,
        template,
        "mm",
        column="stack_misfit_mm" if own else "",
        stored=None if own else facts.model("others_misfit"),
        slack=2 * ROUNDING,
        figures=figures,
    )
    page.rule(mm(abs(misfit)), "<=", "rules.tolerance", mm(rules.tolerance))
    _tell_count(page, policy, own)


def _tell_count(page: Page, policy: str, own: bool) -> None:
    facts, rules = page.facts, page.facts.rules
    if not own:
        return
    count = page.fact("rings", Figure(facts.value("ring_count"), "count"), "ring_count")
    there = facts.model("structures_existing_rings")
    if policy == "add_on_top" and math.isfinite(there):
        count = page.line(
            "rings with those that stand there",
            "",
            "{new} + {old}",
            "count",
            new=Figure(count, "count"),
            old=Figure(there, "count"),
        )
    page.rule(Figure(count, "count"), "<=", "rules.max_rings", Figure(float(rules.max_rings), "count"))

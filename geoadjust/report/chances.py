"""Section on probabilities: how likely a structure needs each kind of work."""

from __future__ import annotations

import math

from geoadjust.core.probability import NODES, WEIGHTS
from geoadjust.report.facts import Facts
from geoadjust.report.numbers import Figure, metres, mm, pure
from geoadjust.report.page import Page
from geoadjust.report.parts import riser_seats
from geoadjust.report.rims import NO_CHANGE, level
from geoadjust.report.shapes import support
from geoadjust.report.stacks import along_factor

Span = tuple[float, float]
INF = math.inf
NEXT_TO_NOTHING = 5e-7
"""A probability that shows as 0.00 %, and adds nothing to the last digit of a sum."""


def tell_chances(page: Page) -> None:
    """p_keep, p_riser, p_rebuild, p_chimney."""
    facts = page.facts
    page.section("Probability that each kind of work is needed")
    mean, sd = facts.value("raise_mm"), facts.value("raise_sd_mm")
    if not math.isfinite(facts.value("p_keep_pct")):
        page.text("Not known: there is no sd of the raise.")
        return
    page.text(
        "The true raise is normal about the raise. Phi is the normal distribution, from a table or a calculator. Each "
        "kind of work stands for intervals of the true raise."
    )
    page.fact("raise", mm(mean), "raise_mm")
    page.fact("its sd", mm(sd), "raise_sd_mm")
    if facts.rules.measured_by == "bar" and not facts.axis_known:
        page.text(
            "Without a street axis the worst of eight bars counts, which the set does not hold; the shares are told."
        )
        _tell_shares(page)
        return
    low, high = _band(page)
    keep = _keep(page, low, high)
    risers = _risers(page, low, high)
    if sd == 0:
        page.text("The sd is 0: each is certain or impossible.")
        _tell_shares(page)
        return
    p_keep = tell_union(page, "p_keep", keep, mean, sd, "p_keep_pct")
    either = tell_union(page, "cover stays or takes a riser", merged([*keep, *risers]), mean, sd)
    figures = {"either": Figure(either, "%"), "keep": Figure(p_keep, "%")}
    page.line(
        "p_riser", "that - p_keep", "max(0, {either} - {keep})", column="p_riser_pct", slack=_slack(sd), figures=figures
    )
    past = _rebuild(page, merged([*keep, *risers]), mean, sd)
    page.line(
        "p_chimney",
        "1 - (stays or riser) - p_rebuild",
        "100 % - {either} - {past}",
        column="p_chimney_pct",
        slack=2 * _slack(sd),
        either=Figure(either, "%"),
        past=Figure(past, "%"),
    )


def _tell_shares(page: Page) -> None:
    """The shares as the set holds them."""
    for name in ("keep", "riser", "rebuild", "chimney"):
        page.fact(f"p_{name}", Figure(0.0, "%"), f"p_{name}_pct")


def _slack(sd: float) -> float:
    """What the rounding of raise, limits and sd to 1e-6 m may change in a probability."""
    return 1e-7 + 6e-6 / sd


def merged(spans: list[Span]) -> list[Span]:
    """Intervals put in order, those that touch made one.

    Examples
    --------
    >>> merged([(3.0, 4.0), (0.0, 1.0), (0.5, 2.0), (5.0, 4.0)])
    [(0.0, 2.0), (3.0, 4.0)]
    """
    found: list[Span] = []
    for low, high in sorted(span for span in spans if span[0] <= span[1]):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return found


def tell_union(page: Page, name: str, spans: list[Span], mean: float, sd: float, column: str = "") -> float:
    """Line of the probability that the true raise lies in one of some intervals that do not touch."""
    terms, figures = [], {"m": mm(mean), "s": mm(sd)}
    for i, (low, high) in enumerate(spans):
        ends = []
        for word, end in (("b", high), ("a", low)):
            if math.isfinite(end):
                figures[f"{word}{i}"] = mm(end)
                ends.append(f"Phi(({{{word}{i}}} - {{m}}) / {{s}})")
            else:
                ends.append("1" if end > 0 else "0")
        terms.append(ends[0] if ends[1] == "0" else " - ".join(ends))
    used = {key: value for key, value in figures.items() if f"{{{key}}}" in " ".join(terms)}
    return page.line(name, "", " + ".join(terms) or "0", "%", column=column, slack=_slack(sd), figures=used)


def _band(page: Page) -> Span:
    """Heights of a rim above the target, with today's tilt, that the tolerance allows [m]; NaN = none."""
    facts, rules = page.facts, page.facts.rules
    if rules.measured_by == "adjacent_mean":
        return -rules.tolerance, rules.tolerance
    if rules.measured_by == "edge":
        tilt = level(facts)
        if tilt.east == 0 and tilt.north == 0:
            page.fact("room for the centre, rules.tolerance", mm(rules.tolerance))
            return -rules.tolerance, rules.tolerance
        swing = support(page, "today's tilt makes at the frame's edge", facts.frame, tilt.east, tilt.north)
        room = page.line(
            "room for the centre",
            "rules.tolerance - that",
            "{t} - {swing}",
            "mm",
            t=mm(rules.tolerance),
            swing=mm(swing),
        )
        return (-room, room) if room >= 0 else (math.nan, math.nan)
    return _bar_band(page)


def _bar_band(page: Page) -> Span:
    facts, rules, ends = page.facts, page.facts.rules, []
    bars = [facts.value(f"bar_{word}_mm") for word in ("along", "across")]
    if not all(math.isfinite(bar) for bar in bars):
        return -rules.tolerance, rules.tolerance
    for word, bar in zip(("along", "across"), bars, strict=True):
        ends.append(
            page.line(
                f"bar {word} the axis over the target, less rules.recess",
                "planned rim - bar gap - target - recess",
                "{z} - {gap} - {t} - {r}",
                "mm",
                z=metres(facts.planned.height),
                gap=metres(bar),
                t=metres(facts.value("target_rim_m")),
                r=metres(rules.recess),
            )
        )
    figures = {"x": mm(ends[0]), "y": mm(ends[1]), "t": mm(rules.tolerance)}
    low = page.line(
        "lowest rim over the target", "higher bar - rules.tolerance", "max({x}, {y}) - {t}", "mm", figures=figures
    )
    high = page.line(
        "highest rim over the target", "lower bar + rules.tolerance", "min({x}, {y}) + {t}", "mm", figures=figures
    )
    return low, high


def is_level(facts: Facts) -> bool:
    """Today's tilt against the target is within rules.tilt_tolerance."""
    tilt = level(facts)
    return math.hypot(tilt.east, tilt.north) <= facts.rules.tilt_tolerance + 1e-6


def _keep(page: Page, low: float, high: float) -> list[Span]:
    """Interval of the raise in which the cover may stay."""
    facts = page.facts
    known = facts.text("rim_basis") in ("gap", "surveyed")
    allowed = known and is_level(facts) and not facts.yes("structures_recast") and "keep" in facts.rules.methods
    if not allowed or not low <= high:
        page.text("The cover may not stay, whatever the raise is (see above).")
        return []
    page.text(f"The cover may stay with a raise from {-1000 * high:.1f} to {-1000 * low:.1f} mm.")
    return [(-high, -low)]


def _risers(page: Page, low: float, high: float) -> list[Span]:
    """Intervals of the raise in which a riser does."""
    facts, rules, today = page.facts, page.facts.rules, page.facts.today
    poor = facts.index("structures_chimney_condition") == 1
    taken = facts.yes("structures_riser_present") or poor or facts.yes("structures_recast")
    if not facts.stacked or taken or not is_level(facts) or "riser" not in rules.methods or math.isnan(low):
        page.text("No riser is to be used here, whatever the raise is.")
        return []
    spans = []
    for riser in facts.catalogue.riser:
        if not riser_seats(facts, riser):
            continue
        lift = page.line(
            f"{riser.id} lifts by",
            "height * sqrt(1 + s0^2)",
            "{h} * sqrt(1 + {e}^2 + {n}^2)",
            "mm",
            h=mm(riser.height),
            e=pure(today.east),
            n=pure(today.north),
        )
        span = max(lift - high, NO_CHANGE), min(lift - low, rules.max_riser)
        if span[0] <= span[1]:
            page.text(f"{riser.id} does with a raise from {1000 * span[0]:.1f} to {1000 * span[1]:.1f} mm.")
            spans.append(span)
    if not spans:
        page.text("No riser of the catalogue does, whatever the raise is.")
    return spans


def _rebuild(page: Page, free: list[Span], mean: float, sd: float) -> float:
    """Probability that the chimney is worked on and passes a limit."""
    facts = page.facts
    if facts.text("kind") == "valve" or facts.yes("structures_floating"):
        page.text("No chimney carries it, so no limit is passed.")
        return page.fact("p_rebuild", Figure(0.0, "%"), "p_rebuild_pct")
    if math.isfinite(facts.value("chimney_mm")) and not math.isfinite(facts.value("chimney_sd_mm")):
        page.text("The sd of the chimney is not known, so the set says nothing sound of how likely it passes a limit.")
        return page.fact("p_rebuild", Figure(0.0, "%"), "p_rebuild_pct")
    bounds = Limits.of(page)
    own = _own_error(page, sd)
    nodes = list(zip(NODES.tolist(), WEIGHTS.tolist(), strict=True)) if own else [(0.0, 1.0)]
    spans = [without(merged(bounds.past(mean - node * own)), free) for node, _ in nodes]
    shares = [sum(below((high - mean) / sd) - below((low - mean) / sd) for low, high in each) for each in spans]
    name = "past a limit, and neither stays nor takes a riser"
    if not own:
        return tell_union(page, f"p_rebuild, {name}", spans[0], mean, sd, "p_rebuild_pct")
    worst = max(range(len(nodes)), key=shares.__getitem__)
    if shares[worst] < NEXT_TO_NOTHING:
        tell_union(page, f"{name}, node {worst + 1}, the worst", spans[worst], mean, sd)
        page.text("No limit is within reach.")
        return page.same("p_rebuild", Figure(0.0, "%"), "p_rebuild_pct")
    found = [tell_union(page, f"{name}, node {i}", each, mean, sd) for i, each in enumerate(spans, 1)]
    figures = {f"w{i}": pure(weight) for i, (_, weight) in enumerate(nodes)}
    figures |= {f"p{i}": Figure(share, "%") for i, share in enumerate(found)}
    return page.line(
        "p_rebuild",
        "sum of weight * node",
        " + ".join(f"{{w{i}}} * {{p{i}}}" for i in range(len(nodes))),
        column="p_rebuild_pct",
        slack=2 * _slack(sd),
        figures=figures,
    )


def below(z: float) -> float:
    """Phi, the share of a normal distribution below z."""
    return math.erfc(-z / math.sqrt(2)) / 2


def without(spans: list[Span], taken: list[Span]) -> list[Span]:
    """What is left of intervals where others are taken out of them; ends may be shared.

    Examples
    --------
    >>> without([(0.0, 10.0), (20.0, 30.0)], [(2.0, 3.0), (9.0, 25.0)])
    [(0.0, 2.0), (3.0, 9.0), (25.0, 30.0)]
    """
    for low, high in taken:
        spans = [part for span in spans for part in ((span[0], min(span[1], low)), (max(span[0], high), span[1]))]
        spans = [span for span in spans if span[0] < span[1]]
    return spans


def _own_error(page: Page, sd: float) -> float:
    """Error of the chimney besides the raise's [m]; its seven nodes are told."""
    facts = page.facts
    chimney = facts.value("chimney_sd_mm")
    if not math.isfinite(facts.value("chimney_mm")) or not math.isfinite(chimney):
        return 0.0
    own = page.line(
        "error of the chimney besides the raise's",
        "sqrt(sd chimney^2 - sd raise^2)",
        "sqrt(max(0, ({c})^2 - ({s})^2))",
        "mm",
        c=mm(chimney),
        s=mm(sd),
    )
    if own:
        page.text(
            "It is taken by seven nodes (Gauss-Hermite), at "
            + ", ".join(f"{node:.4f}" for node in NODES)
            + " of it; a limit is then met by a raise that lies node * error lower."
        )
    return own


class Limits:
    """Moves of the raise from where it is [m] beyond which the chimney passes a limit."""

    def __init__(self, room: float, thin: float, deep: float, bare: Span) -> None:
        self.room, self.thin, self.deep, self.bare = room, thin, deep, bare

    @classmethod
    def of(cls, page: Page) -> Limits:
        """From the chimney and the rules, with their lines."""
        facts, rules = page.facts, page.facts.rules
        known = math.isfinite(facts.value("chimney_mm"))
        page.text("How far the raise may move before the chimney passes a limit:")
        tall = "chimney_max_mm" if known else "stack_change_max_mm"
        room = page.line(
            "up, to rules.max_chimney",
            "rules.max_chimney - greatest height" if known else "rules.max_chimney - largest change",
            "{most} - {tall}",
            "mm",
            most=mm(rules.max_chimney),
            tall=mm(facts.value(tall)),
        )
        thin = -INF
        if known:
            thin = page.line(
                "down, to rules.min_part",
                "rules.min_part - smallest height",
                "{least} - {low}",
                "mm",
                least=mm(rules.min_part),
                low=mm(facts.value("chimney_min_mm")),
            )
        deep = -INF
        chimney, change = facts.model("structures_existing_chimney"), facts.value("stack_change_min_mm")
        if math.isfinite(chimney) and math.isfinite(change):
            deep = page.line(
                "down, until the old chimney is used up",
                "-smallest change - old chimney",
                "-1 * {change} - {chimney}",
                "mm",
                change=mm(change),
                chimney=mm(chimney),
            )
        return cls(room, thin, deep, cls._bare(page))

    @staticmethod
    def _bare(page: Page) -> Span:
        """Moves between which the flange is set on the bearing without a ring."""
        facts, rules = page.facts, page.facts.rules
        height = facts.value("chimney_mm")
        if not math.isfinite(height) or not facts.stacked or "rings" not in rules.methods:
            return INF, INF
        tilt = (facts.model(f"chimneys_tilt_{word}") * along_factor(facts) for word in ("east", "north"))
        rise = support(page, "half the wedge of the whole slope, without its limit", facts.flange, *tilt)
        off = page.line(
            "move that sets the flange on the bearing without a ring",
            "joint + bed + min(that, rules.bedding_wedge / 2) - chimney",
            "{joint} + {bed} + min({rise}, {wedge} / 2) - {chimney}",
            "mm",
            joint=mm(rules.joint),
            bed=mm(facts.model("chimneys_bed")),
            rise=mm(rise),
            wedge=mm(rules.bedding_wedge),
            chimney=mm(height),
        )
        low, high = max(off - rules.tolerance, -facts.value("chimney_min_mm")), off + rules.tolerance
        return (low, high) if low < high else (INF, INF)

    def past(self, at: float) -> list[Span]:
        """Raises past a limit, for a raise now of `at` [m]."""
        low, high = self.bare
        spans = [
            (at + self.room, INF),
            (-INF, at + min(self.thin, low)),
            (at + high, at + self.thin),
            (-INF, at + self.deep),
        ]
        return [span for span in spans if span[0] <= span[1] and span[0] < INF and span[1] > -INF]

"""One structure's whole computation as a page that can be checked with a pocket calculator.

Each line tells a figure with its formula, the figures filled in, the result with its unit, and the column that holds
it; below it the rule by which it is judged. The sections follow the method.
"""

from __future__ import annotations

import math
from typing import Any

from geoadjust.core.columns import CONDITIONS
from geoadjust.report.accuracy import tell_accuracy
from geoadjust.report.chances import tell_chances
from geoadjust.report.chimneys import tell_bearing, tell_change, tell_chimney
from geoadjust.report.cuts import tell_cut
from geoadjust.report.facts import Facts, Outline
from geoadjust.report.numbers import Figure, degrees, mm
from geoadjust.report.page import Page, clean
from geoadjust.report.parts import tell_liner, tell_riser, tell_stay
from geoadjust.report.results import tell_result
from geoadjust.report.rims import tell_milling, tell_rim, tell_slopes
from geoadjust.report.roads import reasons, tell_finished, tell_today
from geoadjust.report.stacks import tell_stacks

TWO_SIDED = 1.96
ORDERED = ("keep", "riser", "rings", "liner", "extend")
CAUTIONS = (
    "The figures are a plan, not an approval. Local codes, the owner's standard and the licensed engineer govern.",
    "Measure again on the prepared bearing before anything is cut or ordered.",
    "An open structure may be a permit space: measure from above; the owner's confined-space procedure governs.",
)


def explain(facts: Facts) -> str:
    """The page of one structure.

    Parameters
    ----------
    facts : what a set holds about it

    Returns
    -------
    Text with a line end after each line, at most 100 columns wide
    """
    page = Page(facts)
    for tell in (
        _tell_structure,
        tell_today,
        tell_finished,
        tell_rim,
        tell_slopes,
        tell_milling,
        tell_bearing,
        tell_chimney,
        tell_change,
        tell_stay,
        tell_riser,
        tell_stacks,
        tell_liner,
        tell_cut,
        tell_result,
        tell_accuracy,
        tell_chances,
        _tell_verdict,
        _tell_cautions,
    ):
        tell(page)
    return "\n".join([*_head(page), *page.lines]) + "\n"


def _head(page: Page) -> list[str]:
    """Title, the order, how to read the page."""
    facts, head = page.facts, Page(page.facts)
    name = facts.text("structure_id") or "(no id)"
    title = clean(f"{name}, row {facts.schedule['row']} of {facts.folder}")
    head.lines += [title[:100], "=" * min(len(title), 100)]
    head.text(f"Order: {facts.text('remark')}", indent="")
    head.text(f"Ready: {facts.text('ready')}. Worst flag: {facts.text('severity')}.", indent="")
    head.text(_glance(facts), indent="")
    head.lines.append("")
    head.text(
        "Each line: name, formula, figures, result, and in brackets the column that holds it. Figures have as many "
        "digits as the result needs. Slopes are m/m (0.02000 is 2 %), angles run clockwise from grid north, plus is "
        "up.",
        indent="",
    )
    if page.disagreements:
        head.text(f"(!) {page.disagreements} figures below do not agree with the set: report this.", indent="")
    return head.lines


def _glance(facts: Facts) -> str:
    """The main figures in one sentence."""
    figures = (
        ("target", "target_rim_m"),
        ("raise", "raise_mm"),
        ("chimney", "chimney_mm"),
        ("change", "stack_change_mm"),
    )
    units = {"m": "m", "mm": "mm"}
    known = [
        f"{name} {Figure(facts.value(column), units[column.rsplit('_', 1)[-1]]).bare()}"
        for name, column in figures
        if math.isfinite(facts.value(column))
    ]
    return f"Figures: {', '.join(known) or 'none'}."


def _tell_structure(page: Page) -> None:
    """What it is and what it was computed with."""
    facts, rules = page.facts, page.facts.rules
    page.section("What it is")
    page.word("id", facts.text("structure_id") or "none", "structure_id")
    page.fact("row of the input, from 0", Figure(float(facts.schedule["row"]), "count"), "row")
    page.word("kind", facts.text("kind"), "kind")
    page.word("street", facts.text("street") or "not stated", "street")
    page.word("today's casting", facts.text("casting") or "not stated", "casting")
    if facts.yes("structures_recast"):
        page.text("Another casting takes its place.")
    page.word("rule set", rules.name, "rule_set")
    page.word("source of the rule set", rules.source or "not stated")
    page.word("surface of the finished road", facts.text("surface_source") or "none", "surface_source")
    page.word("catalogue of parts", facts.catalogue.name)
    page.word("made with", f"geoadjust {facts.version}")
    _tell_sizes(page)
    _tell_axis(page)


def _tell_sizes(page: Page) -> None:
    facts = page.facts
    for name, outline in (("frame's top", facts.frame), ("flange's outside", facts.flange)):
        _tell_outline(page, name, outline)
    if not facts.yes("structures_size_known"):
        page.text("The flange's size is not stated; the rule set's usual size was taken.")
    for name, field in (
        ("casting's height today", "casting_height"),
        ("height of the casting that will stand", "new_casting_height"),
    ):
        height = facts.model(f"structures_{field}")
        if math.isfinite(height):
            page.fact(name, mm(height), us=True)
        else:
            page.word(name, "not known")
    if math.isfinite(facts.model("structures_existing_chimney")):
        page.fact("old chimney", mm(facts.model("structures_existing_chimney")), us=True)
    condition = facts.index("structures_chimney_condition")
    page.word("condition of the old chimney", CONDITIONS[condition] if condition >= 0 else "not stated")


def _tell_outline(page: Page, name: str, outline: Outline) -> None:
    if outline.round:
        page.fact(f"{name}, diameter", mm(outline.width), us=True)
        return
    page.fact(f"{name}, width", mm(outline.width), us=True)
    page.fact(f"{name}, length", mm(outline.length), us=True)
    page.fact(f"{name}, direction of the length", degrees(outline.azimuth))


def _tell_axis(page: Page) -> None:
    facts = page.facts
    axis, turn = facts.value("axis_deg"), facts.value("convergence_deg")
    if facts.axis_known:
        page.fact("street axis from grid north", degrees(axis), "axis_deg")
        page.word("the axis is from", facts.text("axis_source"), "axis_source")
    else:
        page.text(f"No street axis. {reasons(facts, 'axis_ambiguous')}".strip())
    if math.isfinite(turn):
        page.fact("convergence: grid north clockwise from true north", degrees(turn), "convergence_deg")
    if facts.axis_known and math.isfinite(turn):
        page.line(
            "street axis from true north",
            "axis from grid north + convergence",
            "{a} + {c}",
            "deg",
            a=degrees(axis),
            c=degrees(turn),
        )


def _tell_verdict(page: Page) -> None:
    """Method, action, readiness, and every reason with value and limit."""
    facts = page.facts
    page.section("Verdict and reasons")
    page.word("method", facts.method, "method")
    page.word("order", facts.text("remark"), "remark")
    page.text(f"rules.methods are tried in this order: {', '.join(facts.rules.methods) or 'none'}.")
    page.word("ready", facts.text("ready"), "ready")
    _tell_readiness(page)
    page.word("worst flag", facts.text("severity"), "severity")
    page.word("flags, each told below", facts.text("flags") or "none", "flags")
    for reason in facts.reasons:
        _tell_reason(page, reason)


def _tell_readiness(page: Page) -> None:
    """Parts may be ordered where they do over the whole 95 % interval."""
    facts, rules = page.facts, page.facts.rules
    if facts.method not in ORDERED:
        page.text(f"With the method {facts.method} nothing is ordered by these figures.")
        return
    page.text("Parts may be ordered by these figures where no flag asks for more and this holds with 95 %:")
    sds = {"raise": facts.value("raise_sd_mm"), "chimney": facts.value("chimney_sd_mm")}
    method = facts.method
    if method == "keep" and math.isfinite(facts.value("p_keep_pct")):
        page.rule(Figure(facts.value("p_keep_pct"), "%"), ">=", "p_keep asked for", Figure(0.95, "%"))
    elif method == "rings" and math.isfinite(sds["chimney"]):
        off = page.line(
            "stack off, at most",
            "|misfit| + 1.96 sd of the chimney",
            f"abs({{misfit}}) + {TWO_SIDED} * {{sd}}",
            "mm",
            misfit=mm(facts.value("stack_misfit_mm")),
            sd=mm(sds["chimney"]),
        )
        page.rule(mm(off), "<=", "rules.tolerance", mm(rules.tolerance))
    elif method == "liner" and math.isfinite(sds["chimney"]):
        half = page.line("half the interval", "1.96 sd", f"{TWO_SIDED} * {{sd}}", "mm", sd=mm(sds["chimney"]))
        page.rule(mm(half), "<=", "rules.rough_cut_allowance", mm(rules.rough_cut_allowance))
    elif method == "extend" and math.isfinite(sds["raise"]):
        top = page.line(
            "top section moves, at most",
            "raise + 1.96 sd",
            f"{{lift}} + {TWO_SIDED} * {{sd}}",
            "mm",
            lift=mm(facts.value("raise_mm")),
            sd=mm(sds["raise"]),
        )
        page.rule(mm(top), "<=", "travel", mm(facts.model("structures_travel")))
    elif method == "riser" and math.isfinite(sds["raise"]):
        half = page.line(
            "half the interval of the raise", "1.96 sd", f"{TWO_SIDED} * {{sd}}", "mm", sd=mm(sds["raise"])
        )
        page.text("That and how far the riser is off (see above) must not pass rules.tolerance.")
        page.rule(mm(half), "<=", "rules.tolerance", mm(rules.tolerance))
    else:
        page.text("The sd is not known, so nothing is ordered by these figures.", indent="    ")


def _tell_reason(page: Page, reason: Any) -> None:
    """Code, severity and sentence; value and limit below."""
    page.text(f"{reason['code']} ({reason['severity']}): {reason['text']}")
    unit = reason["unit"] or ""
    figures = [f"{name} {reason[name]:.6g} {unit}".rstrip() for name in ("value", "limit") if reason[name] is not None]
    if figures:
        page.text(", ".join(figures), indent="    ")


def _tell_cautions(page: Page) -> None:
    page.section("Cautions")
    for caution in CAUTIONS:
        page.text(caution)

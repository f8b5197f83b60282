"""Section on how well the figures are known: variances listed and added."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from geoadjust.core.columns import BEARING_SOURCES, REFERENCES
from geoadjust.report.facts import Facts
from geoadjust.report.numbers import degrees, mm, pure
from geoadjust.report.page import Page
from geoadjust.report.shapes import squares


def tell_accuracy(page: Page) -> None:
    """Standard deviations of raise and chimney."""
    facts = page.facts
    page.section("How well it is known: one standard deviation (sd), variances added")
    if not math.isfinite(facts.value("raise_mm")):
        page.text("Not known: there is no raise.")
        return
    page.text(
        "Accuracies are what the job states of its sources, one sd each. A surface's shift cancels in differences on "
        "it."
    )
    raise_sd = facts.value("raise_sd_mm")
    if facts.outside:
        page.text("Outside the paving: target and rim are one, the raise is 0 and has no error.")
        page.fact("sd of the raise", mm(0.0), "raise_sd_mm")
    elif not math.isfinite(raise_sd):
        page.text(f"No sd of the raise: {_missing(facts)}")
    elif facts.text("rim_basis") == "surveyed":
        _add_up(
            page,
            "raise",
            _target(page, facts).and_one(page, "rim as surveyed", "structures.rim_accuracy"),
            "raise_sd_mm",
        )
    else:
        _add_up(page, "raise", _by_gap(page, facts), "raise_sd_mm")
    _tell_chimney(page)


@dataclass(slots=True)
class Sum:
    """Variances by name [m2]; `lost` says what the set does not hold."""

    parts: list[tuple[str, float]] = field(default_factory=list)
    lost: str = ""

    def add(self, name: str, value: float) -> Sum:
        """One more part."""
        self.parts.append((name, value))
        return self

    def and_one(self, page: Page, name: str, key: str) -> Sum:
        """One more part, the square of an accuracy that the job states."""
        return self.add(name, _square(page, name, key))


def _square(page: Page, name: str, key: str) -> float:
    """Line of the square of an accuracy, `table.key` of the settings."""
    value = _setting(page.facts, key)
    return page.line(f"{name}: {key}", "", "({sd})^2", "mm2", sd=mm(value))


def _setting(facts: Facts, key: str) -> float:
    table, _, name = key.partition(".")
    if table == "finished":
        return float(facts.finished_table.get(name, 0.005))
    return float(facts.settings[table][name])


def _shift(facts: Facts, role: str) -> float | None:
    """Stated sd of the shift of the surface that a road was read from [m]."""
    named = facts.surface_table(role)
    found = None if named is None else named[1]["accuracy"]
    return None if found is None else float(found)


def _missing(facts: Facts) -> str:
    lost = [role for role in ("existing", "finished") if _shift(facts, role) is None]
    if lost:
        return "The accuracy of a surface is not stated in its table of the job: its shift is not known."
    return "something that it rests on is not known."


def _add_shift(page: Page, total: Sum, role: str) -> Sum:
    shift = _shift(page.facts, role)
    name = f"shift of the {role} road's surface"
    named = page.facts.surface_table(role)
    key = f"{named[0] if named else 'surface'}.accuracy"
    return total.add(
        name, page.line(f"{name}: {key}", "", "({sd})^2", "mm2", sd=mm(math.nan if shift is None else shift))
    )


def _add_fit(page: Page, total: Sum, role: str) -> Sum:
    """Noise of the samples in the road's height: the covariance is for samples of the fit's scale."""
    facts = page.facts
    name = f"fit of the {role} road"
    fit = page.line(
        name,
        "variance of its height * (noise / scale)^2",
        "{v} * ({noise} / {scale})^2",
        "mm2",
        v=squares(facts.model("finished_covariance_00")),
        noise=mm(facts.model(f"{role}_noise")),
        scale=mm(facts.model(f"{role}_scale")),
    )
    return total.add(name, fit)


def _add_place(page: Page, total: Sum, east: float, north: float, what: str) -> Sum:
    name = "place of the structure"
    place = page.line(
        name,
        f"{what}^2 * structures.xy_accuracy^2",
        "({e}^2 + {n}^2) * ({xy})^2",
        "mm2",
        e=pure(east),
        n=pure(north),
        xy=mm(_setting(page.facts, "structures.xy_accuracy")),
    )
    return total.add(name, place)


def _add_paving(page: Page, total: Sum) -> Sum:
    facts = page.facts
    if facts.apart or facts.outside:
        return total
    for name in ("mill", "overlay"):
        if facts.stated(f"structures_{name}") > 0:
            total.and_one(page, name, f"finished.{name}_accuracy")
    return _add_carried(page, total) if facts.profiled else total


def _add_carried(page: Page, total: Sum) -> Sum:
    """Today's road at the crown line: its slope across the street, over the way there."""
    facts = page.facts
    ee, en, nn = (facts.model(f"finished_covariance_{index}") for index in ("11", "12", "22"))
    name = "slope of the road over the way to the crown line"
    carried = page.line(
        name,
        "variance of the slope across the street, per metre * (metres to the line)^2 * (noise / scale)^2",
        "({ee} * cos({a})^2 - 2 * ({en}) * sin({a}) * cos({a}) + {nn} * sin({a})^2) * ({o})^2 * ({noise} / {scale})^2",
        "mm2",
        ee=squares(ee),
        en=squares(en),
        nn=squares(nn),
        a=degrees(math.radians(facts.value("axis_deg"))),
        o=pure(facts.model("structures_crown_offset")),
        noise=mm(facts.model("existing_noise")),
        scale=mm(facts.model("existing_scale")),
    )
    return total.add(name, carried)


def _target(page: Page, facts: Facts) -> Sum:
    """Of the target against a level that does not come from its surface."""
    total = Sum()
    if not facts.settings["structures"]["rim_same_survey"]:
        _add_shift(page, total, "finished")
    else:
        page.text("Rims and surface are of one survey: its shift cancels.")
    _add_fit(page, total, "finished")
    _add_place(page, total, facts.target.east, facts.target.north, "slope")
    return _add_paving(page, total)


def _less_existing(page: Page, facts: Facts) -> Sum:
    """Of the finished less the existing road: the paving alone where one is made from the other."""
    total = Sum()
    if not facts.apart:
        return _add_paving(page, total)
    for role in ("existing", "finished"):
        _add_shift(page, total, role)
    _add_fit(page, total, "finished")
    apart = facts.target.east - facts.today.east, facts.target.north - facts.today.north
    _add_place(page, total, *apart, "change of slope")
    total.lost = "fit of the existing road"
    return total


def _by_gap(page: Page, facts: Facts) -> Sum:
    total = _less_existing(page, facts)
    if facts.text("rim_basis") == "gap":
        return total.and_one(page, "gap measured on site", "structures.gap_accuracy")
    return total.and_one(page, "gap taken as 0", "structures.flush_accuracy")


def _add_up(page: Page, what: str, total: Sum, column: str) -> None:
    """The sum and its root."""
    sd = page.facts.value(column)
    if total.lost:
        known = sum(value for _, value in total.parts)
        page.text(
            f"The variance of the {total.lost} is not kept in the set. It is what the stored sd leaves over the parts "
            "that are listed."
        )
        rest = page.line(
            f"{total.lost}",
            "stored sd^2 - the parts listed",
            "({sd})^2 - {known}",
            "mm2",
            sd=mm(sd),
            known=squares(known),
        )
        total.add(total.lost, rest)
    if not total.parts:
        page.fact(f"sd of the {what}: nothing that has an error", mm(sd), column)
        return
    figures = {f"v{i}": squares(value) for i, (_, value) in enumerate(total.parts)}
    variance = page.line(
        f"variance of the {what}",
        " + ".join(name for name, _ in total.parts),
        " + ".join(f"{{{name}}}" for name in figures),
        "mm2",
        figures=figures,
    )
    page.line(f"sd of the {what}", "sqrt(variance)", "sqrt({v})", column=column, us=True, v=squares(variance))


def _tell_chimney(page: Page) -> None:
    facts = page.facts
    if not math.isfinite(facts.value("chimney_sd_mm")):
        known = any(math.isfinite(facts.value(column)) for column in ("chimney_mm", "stack_change_mm"))
        why = _missing(facts) if known else "neither its height nor its change is known."
        page.text(f"No sd of the chimney: {why}")
        return
    source = facts.index("chimneys_bearing_source")
    word = BEARING_SOURCES[source] if source >= 0 else ""
    what = "chimney" if math.isfinite(facts.value("chimney_mm")) else "change of the chimney"
    if word == "bearing":
        total = _target(page, facts).and_one(page, "bearing as surveyed", "structures.rim_accuracy")
        total.and_one(page, "casting's height", "structures.casting_accuracy")
    elif word == "measure_down":
        total = _measured_down(page, facts).and_one(page, "measure-down", "structures.tape_accuracy")
        total.and_one(page, "casting's height", "structures.casting_accuracy")
    else:
        total = _of_raise(page, facts)
        if facts.yes("structures_recast"):
            one = _square(page, "one casting's height", "structures.casting_accuracy")
            total.add("two castings", page.line("two castings", "", "2 * {v}", "mm2", v=squares(one)))
        if word == "existing_chimney":
            total.and_one(page, "old chimney", "structures.tape_accuracy")
    _add_up(page, what, total, "chimney_sd_mm")


def _of_raise(page: Page, facts: Facts) -> Sum:
    value = page.line("variance of the raise", "sd^2", "({sd})^2", "mm2", sd=mm(facts.value("raise_sd_mm")))
    return Sum([("raise", value)])


def _measured_down(page: Page, facts: Facts) -> Sum:
    """Of the target less the level that the measure-down starts from."""
    level = REFERENCES[facts.index("structures_measure_down_from")]
    page.text(f"The bearing was measured down from {level}; what target and that level share cancels.")
    if level == "rim":
        return _of_raise(page, facts)
    if level == "finished":
        return Sum()
    if level == "existing":
        return _less_existing(page, facts)
    if facts.apart:
        return _less_existing(page, facts).and_one(page, "mill", "finished.mill_accuracy")
    total = Sum()
    if facts.stated("structures_overlay") > 0:
        total.and_one(page, "overlay", "finished.overlay_accuracy")
    return total

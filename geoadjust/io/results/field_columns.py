"""Published columns of what is made from work in the field: readings, acceptance, vacuum tests."""

from __future__ import annotations

from collections.abc import Sequence

from geoadjust.core.acceptance import BAD, GOOD, LAID, LOOKED_AT
from geoadjust.core.acceptance import OUTCOMES as ACCEPTED
from geoadjust.core.vacuum import BOUNDARIES
from geoadjust.core.vacuum import OUTCOMES as TESTED
from geoadjust.io.results.columns import DESCRIPTIONS, TABLES, Column, text_column

ROW = Column("row", "integer", "", "0-based row of the input")
ID = text_column("structure_id", "id of the structure, as read")
STREET = text_column("street", "street, as read")
ASKS = ("tell", "open", "rework")
REMARKS = (text_column("by", "who measured"), text_column("note", "remark, as written"))

READINGS: tuple[Column, ...] = (
    ROW,
    ID,
    Column("position", "integer", "", "1, 2, ... in the order of the file"),
    Column("mark_deg", "real", "deg", "azimuth of the mark from grid north"),
    Column("azimuth_deg", "real", "deg", "where it was read, from grid north"),
    Column("radius_mm", "real", "mm", "distance from the opening's centre"),
    Column("reading_mm", "real", "mm", "from the bar's underside down to the bearing"),
    Column("off_mm", "real", "mm", "reading less the plane through all others; NULL where nothing checks it", "deeper"),
    Column("left_out", "integer", "", "1 = told to be a misread and left out of the plane"),
)

MEASUREMENTS: tuple[Column, ...] = (
    ROW,
    ID,
    text_column("reference", "road that the bar lay on", ("existing", "milled", "finished")),
    Column("readings", "integer", "", "readings that were taken"),
    Column("depth_mm", "real", "mm", "depth of the bearing below that road, at the centre"),
    Column("to_come_mm", "real", "mm", "finished road above that road at the centre, as stated; NULL = as planned"),
    Column("bearing_slope_pct", "real", "%", "slope of the bearing"),
    Column("bearing_uphill_deg", "real", "deg", "direction in which the bearing rises, from grid north"),
    Column("casting_height_mm", "real", "mm", "casting's height as measured"),
    Column("flange_diameter_mm", "real", "mm", "flange's outside diameter as measured"),
    Column("off_plan_mm", "real", "mm", "chimney at the centre less the planned one", "taller"),
    Column("off_plan_sd_mm", "real", "mm", "standard deviation of that difference as the plan knew it"),
    text_column("by", "who read"),
    text_column("taken_at", "date and time, as written"),
    text_column("note", "remark, as written"),
)

ACCEPTANCE: tuple[Column, ...] = (
    ROW,
    ID,
    STREET,
    text_column("outcome", "what was found of the cover", ACCEPTED),
    text_column("findings", "codes of all findings, joined by blanks"),
    text_column("rule_set", "rule set that was used"),
    text_column("measured_by", "what the tolerance holds for", ("edge", "adjacent_mean", "bar")),
    Column("allowed_low_mm", "real", "mm", "lowest gap that is allowed", "PROUD"),
    Column("allowed_high_mm", "real", "mm", "highest gap that is allowed", "PROUD"),
    Column("gaps", "integer", "", "gaps of the last day"),
    Column("worst_mm", "real", "mm", "the gap, or mean of gaps, that lies farthest out", "PROUD"),
    Column("mean_mm", "real", "mm", "mean of the gaps, at the centre", "PROUD"),
    Column("tilt_pct", "real", "%", "tilt of the cover against the road, from the gaps"),
    Column("grade_pct", "real", "%", "slope of the cover along the street: the road's and the tilt"),
    Column("cross_slope_pct", "real", "%", "slope of the cover across the street"),
    Column("settled_mm", "real", "mm", "fall of the gaps since the earlier day, at the same places", "went down"),
    Column("days", "integer", "", "days between the two; 0 = one day"),
    *(text_column(name, f"{name}, as seen", (GOOD[name], BAD[name])) for name in LOOKED_AT),
    text_column("day", "last day of measurement"),
    *REMARKS,
)

GAPS: tuple[Column, ...] = (
    ROW,
    ID,
    text_column("day", "day of measurement"),
    Column("azimuth_deg", "real", "deg", "where it was measured, from grid north"),
    Column("gap_mm", "real", "mm", "rim less road; its size where the sign is not known", "PROUD"),
    Column("signed", "integer", "", "1 = PROUD or LOW is known"),
    Column("bar_mm", "real", "mm", "length of the bar"),
    text_column("laid", "how the bar lay", LAID),
    Column("last_day", "integer", "", "1 = of the day that is judged"),
)

FINDINGS: tuple[Column, ...] = (
    ROW,
    ID,
    text_column("code", "code of the finding"),
    text_column("asks", "what it asks for", ASKS),
    Column("value", "real", "", "value, in the unit of the text"),
    Column("limit", "real", "", "limit, in the same unit"),
    text_column("text", "in a sentence"),
)

VACUUM: tuple[Column, ...] = (
    ROW,
    ID,
    STREET,
    text_column("outcome", "what the test says of the chimney", TESTED),
    text_column("why", "in a sentence"),
    text_column("table", "the owner's table"),
    text_column("boundary", "where the plate sat", BOUNDARIES),
    Column("diameter_mm", "real", "mm", "inside diameter of the structure"),
    Column("depth_m", "real", "m", "depth of the structure"),
    Column("start_kpa", "real", "kPa", "vacuum when the time began"),
    Column("end_kpa", "real", "kPa", "vacuum when it ended"),
    Column("lost_kpa", "real", "kPa", "vacuum lost"),
    Column("allowed_kpa", "real", "kPa", "loss that is allowed"),
    Column("seconds", "real", "s", "how long it was held"),
    Column("required_s", "real", "s", "how long it must hold"),
    text_column("stabilised", "held before the time began", ("yes", "no")),
    text_column("day", "day of the test"),
    *REMARKS,
)

MEASURED_TABLES: dict[str, tuple[Column, ...]] = {"readings": READINGS, "measurements": MEASUREMENTS}
"""Tables that a set of remeasured structures has besides."""
ACCEPTANCE_TABLES = {"acceptance": ACCEPTANCE, "gaps": GAPS, "findings": FINDINGS}
VACUUM_TABLES = {"vacuum": VACUUM}
FIELD_TABLES: dict[str, tuple[Column, ...]] = {**MEASURED_TABLES, **ACCEPTANCE_TABLES, **VACUUM_TABLES}
DECLARED: dict[str, Sequence[Column]] = {**TABLES, **FIELD_TABLES}
"""Every table that is written anywhere."""
MADE_BY = {
    **dict.fromkeys(MEASURED_TABLES, "remeasure"),
    **dict.fromkeys(ACCEPTANCE_TABLES, "accept"),
    **dict.fromkeys(VACUUM_TABLES, "vacuum"),
}
"""Command that writes each of the field's tables."""
DESCRIBED: dict[str, str] = {
    **DESCRIPTIONS,
    "readings": "Readings on the prepared bearing, one row each",
    "measurements": "What was measured at each structure besides, and how far it lies off the plan",
    "acceptance": "One row per finished cover that was measured: what was found of it",
    "gaps": "Gaps between finished covers and road, one row each",
    "findings": "One row per finished cover and finding",
    "vacuum": "One row per vacuum test: what it says",
}

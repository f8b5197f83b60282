"""Published columns of every table, made from what the bundles declare; units and rounding of what people read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from geoadjust.core.columns import (
    STATIONS,
    Bundle,
    Chimneys,
    Cuts,
    Liners,
    Millings,
    Pavings,
    Quantity,
    Results,
    Rims,
    RoadModels,
    Stacks,
    Structures,
    Uncertainties,
    Verdicts,
    quantities_of,
)

BUNDLES: dict[str, type[Bundle]] = {
    "structures": Structures,
    "existing": RoadModels,
    "milled": RoadModels,
    "finished": RoadModels,
    "pavings": Pavings,
    "rims": Rims,
    "millings": Millings,
    "chimneys": Chimneys,
    "stacks": Stacks,
    "others": Stacks,
    "liners": Liners,
    "cuts": Cuts,
    "results": Results,
    "uncertainties": Uncertainties,
    "verdicts": Verdicts,
}
PUBLISHED = (
    "structures",
    "finished",
    "pavings",
    "rims",
    "millings",
    "chimneys",
    "stacks",
    "cuts",
    "results",
    "uncertainties",
    "verdicts",
)
"""Bundles whose columns stand in the layer; of the two roads it is the finished one, which decides the target."""

FACTORS = {("m", "mm"): 1000.0, ("m", "m"): 1.0, ("m/m", "%"): 100.0, ("rad", "deg"): 57.29577951308232}
DECIMALS = {"mm": 3, "m": 6, "%": 7, "deg": 6, "kPa": 6, "s": 3, "": 0}
"""Stored lengths are rounded to 1e-6 m, slopes and angles to what that means for them."""


@dataclass(frozen=True, slots=True)
class Column:
    """One published column: where its values come from (bundle.field), its unit, type and meaning."""

    name: str
    type: str
    unit: str
    title: str
    plus: str = ""
    words: tuple[str, ...] = ()
    source: str = ""

    @property
    def factor(self) -> float:
        """From the inner to the published unit."""
        inner = {"mm": "m", "m": "m", "%": "m/m", "deg": "rad"}.get(self.unit, "")
        return FACTORS.get((inner, self.unit), 1.0)

    @property
    def decimals(self) -> int:
        """Decimals that are stored."""
        return DECIMALS[self.unit]


def text_column(name: str, title: str, words: tuple[str, ...] = ()) -> Column:
    return Column(name, "text", "", title, words=words)


TEXTS: dict[str, Column] = {
    column.name: column
    for column in (
        text_column("structure_id", "id of the structure, as read"),
        text_column("street", "street, as read"),
        text_column("casting", "today's casting, as read"),
        text_column("rule_set", "rule set that was used"),
        text_column("surface_source", "surface that the finished road was read from"),
        text_column("stack", "grade rings, bottom to top; a tapered one with the turn of its thick side from the mark"),
        text_column("other_stack", "rings by the other policy, where the old chimney's condition is unknown"),
        text_column("liner", "cut-to-fit liner, id in the catalogue"),
        text_column("flags", "codes of all reasons, joined by blanks"),
        text_column("remark", "the order in one line"),
    )
}

ORDER = [
    "row",
    "structure_id",
    "kind",
    "street",
    "casting",
    "rule_set",
    "surface_source",
    "existing_m",
    "finished_m",
    "paving_off_mm",
    "existing_rim_m",
    "rim_basis",
    "gap_mm",
    "target_rim_m",
    "raise_mm",
    "action",
    "slope_pct",
    "uphill_deg",
    "axis_deg",
    "axis_source",
    "grade_pct",
    "cross_slope_pct",
    "convergence_deg",
    "samples",
    "samples_left_out",
    "coverage_pct",
    "fit_rms_mm",
    "road_shape",
    "gap_max_mm",
    "gap_min_mm",
    "gap_mean_mm",
    "gap_along_mm",
    "gap_across_mm",
    "bar_along_mm",
    "bar_across_mm",
    "milled_m",
    "lower_by_mm",
    "lower_how",
    "interim_bump_mm",
    "interim_hole_mm",
    "bearing_m",
    "chimney_mm",
    "chimney_min_mm",
    "chimney_max_mm",
    "long_side_deg",
    "rough_cut_mm",
    "foot_shift_mm",
    "stack_change_mm",
    "stack_change_min_mm",
    "stack_change_max_mm",
    "method",
    "stack",
    "stack_policy",
    "ring_count",
    "stack_misfit_mm",
    "bedding_wedge_mm",
    "other_stack",
    "liner",
    "raise_sd_mm",
    "chimney_sd_mm",
    "p_keep_pct",
    "p_riser_pct",
    "p_chimney_pct",
    "p_rebuild_pct",
    "ready",
    "flags",
    "severity",
    "remark",
]


def _declared() -> Iterator[Column]:
    for name in PUBLISHED:
        for field, quantity in quantities_of(BUNDLES[name]).items():
            if quantity.column:
                yield _from_quantity(quantity, f"{name}.{field}")


def _from_quantity(quantity: Quantity, source: str) -> Column:
    kind = "text" if quantity.words else "real" if quantity.unit else "integer"
    return Column(quantity.column, kind, quantity.shown, quantity.title, quantity.plus, quantity.words, source)


def _schedule() -> tuple[Column, ...]:
    known = {**TEXTS, **{column.name: column for column in _declared()}}
    return tuple(known[name] for name in ORDER)


SCHEDULE: tuple[Column, ...] = _schedule()

ORDINATES: tuple[Column, ...] = (
    Column("row", "integer", "", "0-based row of the input"),
    text_column("structure_id", "id of the structure, as read"),
    Column("k", "integer", "", "number of stations"),
    text_column("basis", "what the figures are", ("height", "change")),
    Column("mark_deg", "real", "deg", "azimuth of station 1 from grid north: the mark; a rectangle's direction"),
    Column("radius_mm", "real", "mm", "radius of the stations round the chimney's axis; NULL on a rectangle"),
    Column("wrap_mm", "real", "mm", "radius on which a template is wrapped: the outside; NULL on a rectangle"),
    Column("width_mm", "real", "mm", "width of a rectangle, across its direction; NULL on a circle"),
    Column("length_mm", "real", "mm", "length of a rectangle, along its direction; NULL on a circle"),
    *(
        Column(
            f"h{i:02d}_mm", "real", "mm", f"height of the cut part, or change, at station {i}, clockwise from the mark"
        )
        for i in range(1, STATIONS + 1)
    ),
)

STACK_PARTS: tuple[Column, ...] = (
    Column("row", "integer", "", "0-based row of the input"),
    text_column("structure_id", "id of the structure, as read"),
    Column("position", "integer", "", "1 = on the bearing, upwards"),
    text_column("policy", "the stack takes the old one's place, or is added to it", ("replace_all", "add_on_top")),
    text_column("kind", "what it is", ("old_stack", "joint", "ring", "liner", "riser")),
    text_column("part", "id in the catalogue"),
    Column("thickness_mm", "real", "mm", "thickness at the centre"),
    Column("taper", "real", "", "thick minus thin side over the outside diameter; 0 = flat"),
    Column("turn_deg", "real", "deg", "thick side, clockwise from the mark; NULL where flat"),
)

REASONS: tuple[Column, ...] = (
    Column("row", "integer", "", "0-based row of the input"),
    text_column("structure_id", "id of the structure, as read"),
    text_column("code", "code of the flag"),
    text_column("severity", "info, warn or stop", ("info", "warn", "stop")),
    Column("value", "real", "", "value that raised it, in `unit`"),
    Column("limit", "real", "", "limit that it passed, in `unit`"),
    text_column("unit", "unit of value and limit"),
    text_column("text", "the reason in a sentence"),
)

RUN: tuple[Column, ...] = (
    text_column("key", "what decides the numbers"),
    text_column("value", "its value, as JSON"),
)


MODEL_FIELDS: dict[str, str] = {
    "structures": (
        "rim gap bearing measure_down_from riser_present chimney_condition casting recast size_known floating "
        "old_flange_diameter "
        "frame_top_diameter frame_top_length flange_diameter flange_length frame_azimuth flange_inside_diameter "
        "ridge_diameter seat_diameter bearing_slope_east bearing_slope_north bearing_outside_diameter "
        "bearing_inside_diameter crown_offset street_side casting_height new_casting_height existing_chimney "
        "existing_rings measure_down travel mill overlay paved"
    ),
    "existing": (
        "height slope_east slope_north fold fold_azimuth fold_offset noise scale "
        "rms samples left_out coverage spacing source"
    ),
    "milled": "height slope_east slope_north fold fold_azimuth fold_offset",
    "finished": "height slope_east slope_north fold fold_azimuth fold_offset noise scale source",
    "rims": "existing_slope_east existing_slope_north target_slope_east target_slope_north mark",
    "chimneys": "bearing_source tilt_east tilt_north change_east change_north bed",
    "stacks": "joint bottom top wedge left_east left_north",
    "others": "misfit wedge left_east left_north",
    "results": "height slope_east slope_north",
    "uncertainties": "slope_sd",
    "verdicts": "riser",
}
"""Inner numbers from which later steps read a run back: planes, outlines, covariance."""


def _models() -> Iterator[Column]:
    yield Column("row", "integer", "", "0-based row of the input")
    for name, names in MODEL_FIELDS.items():
        quantities = quantities_of(BUNDLES[name])
        for field in names.split():
            quantity = quantities[field]
            title = f"{name}: {quantity.title}"
            yield Column(f"{name}_{field}", "real", quantity.unit, title, quantity.plus, source=f"{name}.{field}")
    for name in ("existing", "finished"):
        for i, j in COVARIANCE:
            title = f"{name}: covariance of height, slope east, slope north, entry {i} {j}"
            yield Column(f"{name}_covariance_{i}{j}", "real", "m2, m, 1", title, source=f"{name}.covariance")


COVARIANCE = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))

MODELS: tuple[Column, ...] = tuple(_models())

TABLES: dict[str, tuple[Column, ...]] = {
    "schedule": SCHEDULE,
    "ordinates": ORDINATES,
    "stack_parts": STACK_PARTS,
    "reasons": REASONS,
    "models": MODELS,
    "run": RUN,
}

DESCRIPTIONS: dict[str, str] = {
    "schedule": "One row per input row, in input order: what to do with each structure",
    "ordinates": "Heights round the circumference at the stations",
    "stack_parts": "Old stack, joints, rings, liner and riser of each structure, bottom to top",
    "reasons": "One row per structure and flag",
    "models": "Inner figures of each structure in SI units, for later steps",
    "run": "What decides the numbers: versions, settings, catalogue, inputs",
}

"""Reasons: every flag with its severity, what it does to readiness, and the sentence people read.

A bad structure is data: NaN and a flag. `ready` says what the figures are good for: `review` where a person decides,
`unknown` where there is no raise, otherwise `measure` (plan with it, measure on site). An office run never says more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geoadjust.core.columns import READY, SEVERITIES, Reasons

if TYPE_CHECKING:
    from numpy.typing import NDArray

INFO, WARN, STOP = range(len(SEVERITIES))
MEASURE, REVIEW, UNKNOWN = READY.index("measure"), READY.index("review"), READY.index("unknown")


@dataclass(frozen=True, slots=True)
class Flag:
    """One reason: code, severity, best readiness that it leaves, unit of value and limit, sentence.

    The sentence may use {value}, {limit} (both with their unit) and {subject} (a structure column).
    """

    code: str
    severity: int
    ready: int
    unit: str
    text: str


FLAGS: tuple[Flag, ...] = (
    # the row itself
    Flag(
        "position_missing",
        STOP,
        UNKNOWN,
        "",
        "No usable point: the geometry is empty, has several parts or is not a number.",
    ),
    Flag("blank_id", WARN, MEASURE, "", "No id: only the row number tells this structure from others."),
    Flag("duplicate_id", WARN, REVIEW, "", "The same id stands in {value} rows."),
    Flag("same_place", WARN, REVIEW, "", "{value} structures lie within 0.1 m of this place."),
    Flag("kind_unknown", WARN, REVIEW, "", "The kind is not one we know; computed as the job's default kind."),
    Flag("value_unreadable", WARN, REVIEW, "", "{subject} cannot be read as a value with a unit; left out."),
    Flag("value_implausible", WARN, REVIEW, "", "{subject} {value} is not plausible (limit {limit}); left out."),
    Flag("not_in_catalogue", WARN, MEASURE, "", "{subject} is not in the catalogue."),
    Flag("paving_unstated", WARN, REVIEW, "", "{subject} is blank and the job states none; taken as 0."),
    Flag(
        "axis_missing", INFO, MEASURE, "", "No street axis: grade and cross slope are unknown, the mark points uphill."
    ),
    Flag(
        "axis_ambiguous", WARN, MEASURE, "deg", "Two street axes differ by {value}: grade and cross slope are left out."
    ),
    # the road
    Flag("no_surface", STOP, UNKNOWN, "", "No road surface at this place."),
    Flag(
        "surface_too_coarse",
        STOP,
        UNKNOWN,
        "mm",
        "The surface's cells are {value} wide here, at most {limit} is usable.",
    ),
    Flag("few_samples", STOP, UNKNOWN, "", "Only {value} road samples in the ring, at least {limit} are needed."),
    Flag("ring_gap", WARN, REVIEW, "mm", "Parts of the ring have no road: the rim is only known to {value} (one sd)."),
    Flag(
        "ring_widened", INFO, MEASURE, "mm", "The ring was widened because the cells are {value} wide: planning only."
    ),
    Flag("rough_road", WARN, REVIEW, "mm", "The road scatters by {value} about its model (limit {limit})."),
    Flag(
        "edge_in_ring",
        WARN,
        REVIEW,
        "%",
        "{value} of the samples do not lie on the road (limit {limit}): kerb, wall or patch.",
    ),
    Flag(
        "crown_under_cover",
        INFO,
        MEASURE,
        "mm",
        "The road breaks under the cover: flush all round is impossible, up to {value} remain.",
    ),
    Flag("steep", WARN, MEASURE, "%", "The finished road slopes {value} (limit {limit})."),
    Flag("bar_unreadable", WARN, REVIEW, "", "The bar cannot be laid here; the mean of the adjacent road was used."),
    # the rim
    Flag("rim_missing", INFO, MEASURE, "", "No rim elevation."),
    Flag(
        "rim_disagrees",
        WARN,
        REVIEW,
        "mm",
        "The rim elevation lies {value} off the road (limit {limit}) and is not believed.",
    ),
    Flag("assumed_flush", INFO, MEASURE, "", "Today's cover is taken as flush with today's road."),
    Flag("batch_bias", WARN, REVIEW, "mm", "All surveyed rims together lie {value} off the road (limit {limit})."),
    Flag("lower_before_milling", INFO, MEASURE, "mm", "Lower the rim by {value} before milling."),
    # bearing and casting
    Flag("bearing_missing", INFO, MEASURE, "", "The bearing is unknown."),
    Flag(
        "bearing_disagrees",
        WARN,
        REVIEW,
        "mm",
        "The bearing elevation lies {value} below the rim (limit {limit}) and is not believed.",
    ),
    Flag(
        "measure_down_from_missing", WARN, REVIEW, "", "measure_down does not say what it is measured from; left out."
    ),
    Flag(
        "measure_down_is_depth",
        WARN,
        REVIEW,
        "mm",
        "measure_down {value} is not a depth to the bearing (limit {limit}); left out.",
    ),
    Flag("chimney_total_unknown", INFO, MEASURE, "", "Only the change of the chimney is known, not its total."),
    Flag("casting_unknown", WARN, MEASURE, "", "The casting's height is unknown."),
    Flag("casting_size_assumed", INFO, MEASURE, "mm", "The flange's diameter is unknown; {value} was assumed."),
    Flag("new_casting", INFO, MEASURE, "", "Another casting takes the place of today's."),
    Flag("riser_present", WARN, MEASURE, "", "A riser is on the frame today; take it off before measuring."),
    # methods and limits
    Flag(
        "monument",
        STOP,
        REVIEW,
        "",
        "Survey monument: a licensed land surveyor references it before and after the work.",
    ),
    Flag("other_owner", WARN, REVIEW, "", "Belongs to somebody else: notify the owner."),
    Flag("measure_on_site", INFO, REVIEW, "", "This kind is not stacked from rings by calculation: measure on site."),
    Flag("not_flush", INFO, MEASURE, "mm", "Not kept: {value} off the finished road at its edge (tolerance {limit})."),
    Flag("tilt_off", INFO, MEASURE, "%", "Not kept: tilted {value} against the finished road (tolerance {limit})."),
    Flag("raise_past_riser", INFO, MEASURE, "mm", "No riser: a raise of {value} is outside 0 to {limit}."),
    Flag(
        "no_riser_fits",
        INFO,
        MEASURE,
        "mm",
        "No riser: the nearest one would be {value} off at the edge (tolerance {limit}).",
    ),
    Flag(
        "riser_not_allowed",
        INFO,
        MEASURE,
        "",
        "No riser: one is on the frame already, the chimney is poor, the casting is replaced or the kind takes none.",
    ),
    Flag("no_ring_stack", INFO, MEASURE, "mm", "No rings: the nearest stack is {value} off (tolerance {limit})."),
    Flag(
        "taper_past_limit",
        WARN,
        REVIEW,
        "%",
        "No rings: flat rings and bedding take up to {limit} of slope, the road has {value}.",
    ),
    Flag(
        "rings_past_limit",
        WARN,
        REVIEW,
        "mm",
        "The chimney of {value} is taller than the tallest stack allowed, {limit}.",
    ),
    Flag("chimney_past_limit", WARN, REVIEW, "mm", "The chimney reaches {value} (limit {limit}): an engineer decides."),
    Flag("chimney_too_thin", WARN, REVIEW, "mm", "The chimney is {value} at its thinnest (least {limit})."),
    Flag(
        "bearing_too_high", WARN, REVIEW, "mm", "The bearing is too high: the chimney would be {value} at its thinnest."
    ),
    Flag(
        "lowering_exceeds_stack",
        WARN,
        REVIEW,
        "mm",
        "The casting must go down by {value}, the chimney is only {limit} tall.",
    ),
)

CODES: dict[str, int] = {flag.code: index for index, flag in enumerate(FLAGS)}


class Notes:
    """Collects the reasons of n structures.

    Values and limits are given in SI and kept in the flag's unit (mm, %, deg).
    """

    FACTORS = {"": 1.0, "mm": 1000.0, "%": 100.0, "deg": 57.29577951308232}

    def __init__(self, n: int) -> None:
        self.n = n
        self._parts: list[tuple[Any, ...]] = []

    def add(
        self,
        code: str,
        where: NDArray[Any],
        value: NDArray[Any] | float = float("nan"),
        limit: NDArray[Any] | float = float("nan"),
        subject: int = -1,
    ) -> None:
        """Note a reason where the mask (n,) says so; value and limit [SI] are scalars or (n,)."""
        import numpy as np

        index = np.flatnonzero(where)
        factor = self.FACTORS[FLAGS[CODES[code]].unit]
        value, limit = (
            np.broadcast_to(np.asarray(item, dtype=float), self.n)[index] * factor for item in (value, limit)
        )
        k = len(index)
        self._parts.append((index, np.full(k, CODES[code]), value, limit, np.full(k, subject)))

    def codes(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Structure index and flag index of every note."""
        import numpy as np

        return (
            np.concatenate([part[0] for part in self._parts] or [np.empty(0, np.int64)]),
            np.concatenate([part[1] for part in self._parts] or [np.empty(0, np.int64)]),
        )

    def worst(self, of: tuple[int, ...], empty: int) -> NDArray[Any]:
        """Largest entry of a per-flag table over each structure's notes, (n,)."""
        import numpy as np

        index, code = self.codes()
        found = np.full(self.n, empty, dtype=np.int8)
        np.maximum.at(found, index, np.array(of, dtype=np.int8)[code])
        return found

    def reasons(self, row: NDArray[Any]) -> Reasons:
        """One entry per structure, flag and column, the worst one, in the order of `FLAGS`; `row` (n,) keys it."""
        import numpy as np

        parts = self._parts or [tuple(np.empty(0, kind) for kind in ("i8", "i8", "f8", "f8", "i8"))]
        columns = [np.concatenate(items) for items in zip(*parts, strict=True)]
        index, code, value, limit, subject = columns
        order = np.lexsort((-np.abs(np.nan_to_num(value)), subject, code, index))
        keys = np.stack([index, code, subject])[:, order]
        order = order[np.append(True, (np.diff(keys, axis=1) != 0).any(axis=0))[: len(order)]]
        return Reasons(
            row=row[index[order]],
            code=code[order].astype(np.int16),
            value=np.round(value[order], 6),
            limit=np.round(limit[order], 6),
            subject=subject[order].astype(np.int16),
        )


SEVERITY = tuple(flag.severity for flag in FLAGS)
READINESS = tuple(flag.ready for flag in FLAGS)

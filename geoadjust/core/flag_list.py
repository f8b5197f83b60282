"""Every flag: code, severity, the best readiness that it leaves, unit of value and limit, and the sentence people read."""

from __future__ import annotations

from dataclasses import dataclass

from geoadjust.core.columns import READY, SEVERITIES

INFO, WARN, STOP = range(len(SEVERITIES))
ORDER, MEASURE, REVIEW, UNKNOWN, CUT = range(len(READY))


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
    Flag("blank_id", WARN, ORDER, "", "No id: only the row number tells this structure from others."),
    Flag("duplicate_id", WARN, REVIEW, "", "The same id stands in {value} rows."),
    Flag("same_place", WARN, REVIEW, "", "{value} structures lie within 0.1 m of this place."),
    Flag("kind_unknown", WARN, REVIEW, "", "The kind is not one we know; computed as the job's default kind."),
    Flag("value_unreadable", WARN, REVIEW, "", "{subject} cannot be read as a value with a unit; left out."),
    Flag("value_implausible", WARN, REVIEW, "", "{subject} {value} is not plausible (limit {limit}); left out."),
    Flag("not_in_catalogue", WARN, MEASURE, "", "{subject} is not in the catalogue."),
    Flag("paving_unstated", WARN, REVIEW, "", "{subject} is blank and the job states none; taken as 0."),
    Flag("axis_missing", INFO, ORDER, "", "No street axis: grade and cross slope are unknown, the mark points uphill."),
    Flag(
        "axis_ambiguous", WARN, MEASURE, "deg", "Two street axes differ by {value}: grade and cross slope are left out."
    ),
    Flag(
        "frame_azimuth_missing",
        WARN,
        REVIEW,
        "",
        "The direction of the rectangular frame is unknown; it was taken to lie north.",
    ),
    Flag(
        "profile_unknown",
        WARN,
        REVIEW,
        "",
        "The distance from the crown line is unknown: milled by one depth all over.",
    ),
    Flag(
        "profile_far",
        WARN,
        MEASURE,
        "mm",
        "The road at the crown line, {value} away, was carried over from the road at the cover (limit {limit}).",
    ),
    Flag(
        "street_side_unknown",
        WARN,
        REVIEW,
        "",
        "Which side of the inlet is the street is unknown: the whole ring was read.",
    ),
    Flag("not_paved", INFO, ORDER, "", "Outside the paving."),
    Flag(
        "mill_boundary_in_ring",
        WARN,
        REVIEW,
        "mm",
        "The edge of a paving area is {value} away, inside the ring; the side of the centre decides.",
    ),
    Flag(
        "paving_off_plan",
        WARN,
        ORDER,
        "mm",
        "The paved road lies {value} off the planned one, limit {limit}; the cover is set to the paved one.",
    ),
    Flag("area_overlap", WARN, REVIEW, "", "The structure lies in {value} paving areas; the first one was taken."),
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
        ORDER,
        "mm",
        "The road breaks under the cover: flush all round is impossible, up to {value} remain.",
    ),
    Flag("steep", WARN, ORDER, "%", "The finished road slopes {value} (limit {limit})."),
    Flag("bar_unreadable", WARN, REVIEW, "", "The bar cannot be laid here; the mean of the adjacent road was used."),
    # the rim
    Flag("rim_missing", INFO, ORDER, "", "No rim elevation."),
    Flag(
        "rim_disagrees",
        WARN,
        REVIEW,
        "mm",
        "The rim elevation lies {value} off the road (limit {limit}) and is not believed.",
    ),
    Flag("assumed_flush", INFO, MEASURE, "", "Today's cover is taken as flush with today's road."),
    Flag("batch_bias", WARN, REVIEW, "mm", "All surveyed rims together lie {value} off the road (limit {limit})."),
    Flag(
        "accuracy_unknown",
        INFO,
        MEASURE,
        "",
        "The surface's accuracy is not stated: no standard deviation of the raise.",
    ),
    Flag("lower_before_milling", INFO, ORDER, "mm", "Lower the rim by {value} before milling."),
    Flag("bump_to_traffic", WARN, ORDER, "mm", "Traffic meets iron {value} above the road in between (limit {limit})."),
    Flag("hole_to_traffic", WARN, ORDER, "mm", "Traffic meets a hole of {value} in between (limit {limit})."),
    Flag(
        "plate_too_high",
        WARN,
        REVIEW,
        "mm",
        "A plate would stand {value} into the milling: neither rings nor plate get it out of the way.",
    ),
    Flag(
        "plate_has_no_seat",
        WARN,
        REVIEW,
        "mm",
        "The opening of {value} is too wide for the plate: the machine has to mill round the casting.",
    ),
    Flag(
        "plate_seat_unknown",
        INFO,
        ORDER,
        "",
        "The opening under the plate is unknown: check the plate's seat on site.",
    ),
    Flag("grade_past_limit", WARN, REVIEW, "%", "The cover's grade is {value} (limit {limit})."),
    Flag("cross_slope_past_limit", WARN, REVIEW, "%", "The cover's cross slope is {value} (limit {limit})."),
    Flag(
        "edge_past_limit",
        WARN,
        REVIEW,
        "mm",
        "The cover's edge stands {value} off the finished road somewhere (limit {limit}).",
    ),
    # bearing and casting
    Flag("bearing_missing", INFO, ORDER, "", "The bearing is unknown."),
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
    Flag("chimney_total_unknown", INFO, ORDER, "", "Only the change of the chimney is known, not its total."),
    Flag("casting_unknown", WARN, MEASURE, "", "The casting's height is unknown."),
    Flag("casting_size_assumed", INFO, MEASURE, "mm", "The flange's diameter is unknown; {value} was assumed."),
    Flag("new_casting", INFO, ORDER, "", "Another casting takes the place of today's."),
    Flag("riser_present", WARN, MEASURE, "", "A riser is on the frame today; take it off before measuring."),
    Flag(
        "condition_unknown",
        WARN,
        MEASURE,
        "",
        "The old chimney's condition is unknown: quantities for replacing it and for adding to it are both given.",
    ),
    Flag("condition_poor", INFO, ORDER, "", "The old chimney is poor: it is replaced as a whole."),
    Flag(
        "rings_unknown",
        INFO,
        MEASURE,
        "",
        "How many rings stand there is unknown: the count with the added ones is not checked.",
    ),
    Flag(
        "bearing_tilted",
        INFO,
        MEASURE,
        "%",
        "The bearing slopes {value}; it is levelled by mortar or followed, as the rules say.",
    ),
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
    Flag("casting_floats", INFO, ORDER, "", "The casting is borne by the pavement: no chimney is built for it."),
    Flag("travel_unknown", WARN, MEASURE, "", "How far the top section can be drawn up is unknown."),
    Flag("past_travel", INFO, MEASURE, "mm", "The top section would move {value}, it can be drawn up by {limit}."),
    Flag("not_flush", INFO, ORDER, "mm", "Not kept: {value} off the finished road at its edge (tolerance {limit})."),
    Flag("tilt_off", INFO, ORDER, "%", "Not kept: tilted {value} against the finished road (tolerance {limit})."),
    Flag("raise_past_riser", INFO, ORDER, "mm", "No riser: a raise of {value} is outside 0 to {limit}."),
    Flag(
        "no_riser_fits",
        INFO,
        ORDER,
        "mm",
        "No riser: the nearest one would be {value} off at the edge (tolerance {limit}).",
    ),
    Flag("seat_unknown", INFO, MEASURE, "", "No riser: the frame's seat is unknown."),
    Flag("no_riser_seats", INFO, ORDER, "", "No riser: none in the catalogue has the frame's seat."),
    Flag(
        "riser_not_allowed",
        INFO,
        ORDER,
        "",
        "No riser: one is on the frame already, the chimney is poor, the casting is replaced or the kind takes none.",
    ),
    Flag("no_ring_stack", INFO, ORDER, "mm", "No rings: the nearest stack is {value} off (tolerance {limit})."),
    Flag(
        "taper_past_limit",
        WARN,
        REVIEW,
        "%",
        "No rings: rings and bedding make up to {limit} of slope, {value} are asked for.",
    ),
    Flag("no_ring_slope", INFO, MEASURE, "%", "No rings: no stack makes the slope of {value} closely enough."),
    Flag("foot_off_bearing", WARN, REVIEW, "", "No rings: the flange bears wholly on no ring of the catalogue."),
    Flag("liner_does_not_clear", WARN, REVIEW, "mm", "No liner: the nearest one clashes by {value}."),
    Flag(
        "liner_unchecked",
        INFO,
        MEASURE,
        "",
        "A size that decides whether the liner clears is unknown: measure casting and bearing.",
    ),
    Flag("liner_too_short", INFO, MEASURE, "mm", "No liner: the short side would be {value} under the least height."),
    Flag("liner_too_long", INFO, MEASURE, "mm", "No liner: the long side would be {value} over the stock height."),
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
    # readings on the prepared bearing
    Flag("reference_missing", STOP, UNKNOWN, "", "Nobody says which road the readings were taken from; not computed."),
    Flag("readings_few", STOP, UNKNOWN, "", "{value} readings fix no plane: take four or more round the opening."),
    Flag("readings_in_line", STOP, REVIEW, "", "The stations fix no plane: spread them round the opening."),
    Flag("no_check_reading", WARN, MEASURE, "", "Three readings fit any plane: take a fourth, which checks them."),
    Flag(
        "misread",
        STOP,
        REVIEW,
        "mm",
        "A reading is {value} off the plane of the others (limit {limit}): read all of them again.",
    ),
    Flag("casting_not_measured", WARN, MEASURE, "", "The casting's height was not measured on site."),
    Flag(
        "casting_off_catalogue",
        WARN,
        ORDER,
        "mm",
        "The measured casting's height is {value} off the planned one (limit {limit}): look which casting it is.",
    ),
    Flag(
        "bearing_off_level", WARN, REVIEW, "%", "The bearing lies {value} off level (limit {limit}): prepare it again."
    ),
    Flag(
        "off_plan",
        WARN,
        ORDER,
        "mm",
        "The chimney is {value} off the planned one, more than its accuracy tells ({limit}).",
    ),
    Flag(
        "slope_off_plan",
        WARN,
        ORDER,
        "%",
        "The slope from the readings is {value} off the planned one (limit {limit}): check mark and stations.",
    ),
)

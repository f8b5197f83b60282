"""Bundles of arrays, and what each of their fields means: unit, sign, title and published column, said once.

A bundle is a frozen dataclass of C-order arrays over the same structures, read-only after construction and after
unpickling. Inside: metres, m/m, radians; up is plus; azimuths clockwise from grid north. Texts and ids stay outside:
`row` (the 0-based input row) is the key. Closed lists of words are small integers into the tuples below, -1 = none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_type_hints

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]
else:
    Array = object

STATIONS = 16

KINDS = ("manhole", "inlet", "valve", "handhole", "monument")
RIM_BASES = ("gap", "surveyed", "assumed_flush", "none")
AXIS_SOURCES = ("column", "centreline")
REFERENCES = ("rim", "existing", "milled", "finished")
CONDITIONS = ("good", "poor", "unknown")
ROAD_SHAPES = ("plane", "break")
ACTIONS = ("none", "raise", "lower")
BEARING_SOURCES = ("bearing", "measure_down", "existing_chimney")
BASES = ("height", "change")
LOWER_HOW = ("rings_out", "casting_out_and_plate", "mill_around")
POLICIES = ("replace_all", "add_on_top")
METHODS = (
    "monument",
    "other_owner",
    "not_paved",
    "keep",
    "riser",
    "rings",
    "liner",
    "extend",
    "replace_top",
    "float",
    "adjust",
    "rebuild",
    "unknown",
)
READY = ("order", "measure", "review", "unknown", "cut")
"""What figures are good for; `cut` comes from readings on the prepared bearing alone (`core.measured`)."""
SEVERITIES = ("info", "warn", "stop")


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a field is: title, unit inside, meaning of plus; and how it is published.

    `column` names the published column and carries the published unit; an empty name keeps the field inside.
    """

    title: str
    unit: str = ""
    plus: str = ""
    column: str = ""
    words: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """Published unit, from the column's ending: mm, m, %, deg; empty for counts and words."""
        return {"mm": "mm", "m": "m", "pct": "%", "deg": "deg"}.get(self.column.rsplit("_", 1)[-1], "")


class Bundle:
    """Base of the bundles: arrays are made read-only, and pickling goes through the constructor."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for item in fields(self):  # type: ignore[arg-type]
            getattr(self, item.name).setflags(write=False)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(getattr(self, item.name) for item in fields(self))  # type: ignore[arg-type]

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))  # type: ignore[arg-type]


B = TypeVar("B", bound=Bundle)


def arrays_of(bundle: Bundle) -> Iterator[tuple[str, Array]]:
    """Name and array of every field, in order."""
    for item in fields(bundle):  # type: ignore[arg-type]
        yield item.name, getattr(bundle, item.name)


def quantities_of(bundle: type[Bundle]) -> dict[str, Quantity]:
    """Field name to its `Quantity`, in order.

    Examples
    --------
    >>> quantities_of(Rims)["raise_"].column, quantities_of(Rims)["raise_"].unit
    ('raise_mm', 'm')
    """
    hints = get_type_hints(bundle, include_extras=True)
    return {item.name: hints[item.name].__metadata__[0] for item in fields(bundle)}  # type: ignore[arg-type]


def take(bundle: B, index: Array) -> B:
    """Rows of a bundle by integer index or mask, in the order of the index."""
    import numpy as np

    return type(bundle)(*(np.ascontiguousarray(array[index]) for _, array in arrays_of(bundle)))


def concat(bundles: Sequence[B]) -> B:
    """Bundles one after the other."""
    import numpy as np

    columns = zip(*((array for _, array in arrays_of(bundle)) for bundle in bundles), strict=True)
    return type(bundles[0])(*(np.concatenate(parts) for parts in columns))


def put(bundle: B, index: Array, some: B) -> B:
    """The bundle with the rows of an integer index taken from another one."""
    import numpy as np

    place = np.arange(len(bundle))
    place[index] = len(bundle) + np.arange(len(index))
    return take(concat([bundle, some]), place)


def equal(left: Bundle, right: Bundle) -> bool:
    """Whether two bundles hold the same bits (NaN equals NaN)."""
    import numpy as np

    pairs = zip(arrays_of(left), arrays_of(right), strict=True)
    return type(left) is type(right) and all(
        np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for (_, a), (_, b) in pairs
    )


@dataclass(frozen=True, slots=True, eq=False)
class Structures(Bundle):
    """What is known of each structure before the road is read; (n,) each."""

    row: Annotated[Array, Quantity("0-based row of the input", column="row")]
    rule_set: Annotated[Array, Quantity("index of the rule set")]
    kind: Annotated[Array, Quantity("kind of structure", column="kind", words=KINDS)]
    other_owner: Annotated[Array, Quantity("belongs to somebody else")]
    paved: Annotated[Array, Quantity("lies in the paving: 1 yes, 0 no, -1 not stated")]
    area_edge: Annotated[Array, Quantity("distance of the nearest edge of a paving area", "m")]
    axis: Annotated[Array, Quantity("street axis, azimuth from grid north", "rad", column="axis_deg")]
    axis_source: Annotated[Array, Quantity("where the axis comes from", column="axis_source", words=AXIS_SOURCES)]
    convergence: Annotated[
        Array, Quantity("true north to grid north", "rad", plus="grid north lies clockwise", column="convergence_deg")
    ]
    crown_offset: Annotated[Array, Quantity("distance from the street's crown line", "m", plus="right of the axis")]
    street_side: Annotated[Array, Quantity("azimuth from an inlet towards the street", "rad")]
    claimed_basis: Annotated[Array, Quantity("rim basis that the job claims", words=RIM_BASES)]
    rim: Annotated[Array, Quantity("rim elevation as surveyed", "m")]
    gap: Annotated[Array, Quantity("gap measured on site, cover minus road", "m", plus="PROUD")]
    bearing: Annotated[Array, Quantity("bearing elevation as surveyed", "m")]
    bearing_slope_east: Annotated[Array, Quantity("slope of the bearing towards grid east, 0 = level", "m/m")]
    bearing_slope_north: Annotated[Array, Quantity("slope of the bearing towards grid north, 0 = level", "m/m")]
    measure_down: Annotated[Array, Quantity("depth of the bearing below measure_down_from", "m", plus="down")]
    measure_down_from: Annotated[Array, Quantity("what measure_down is measured from", words=REFERENCES)]
    existing_chimney: Annotated[Array, Quantity("height between bearing and flange today", "m")]
    existing_rings: Annotated[Array, Quantity("rings between bearing and flange today; NaN = unknown")]
    riser_present: Annotated[Array, Quantity("a riser is on the frame: 1 yes, 0 no, -1 unknown")]
    chimney_condition: Annotated[Array, Quantity("condition of the chimney", words=CONDITIONS)]
    casting: Annotated[Array, Quantity("index of today's casting in the catalogue")]
    recast: Annotated[Array, Quantity("another casting takes the place of today's")]
    size_known: Annotated[Array, Quantity("flange diameter stated or from the catalogue")]
    casting_height: Annotated[Array, Quantity("height of today's casting", "m")]
    new_casting_height: Annotated[Array, Quantity("height of the casting that will stand", "m")]
    old_flange_diameter: Annotated[Array, Quantity("flange of today's casting: diameter, or diagonal", "m")]
    flange_diameter: Annotated[
        Array, Quantity("flange outside diameter, or width, of the casting that will stand", "m")
    ]
    flange_length: Annotated[Array, Quantity("flange length of a rectangular casting; NaN = round", "m")]
    frame_top_diameter: Annotated[Array, Quantity("frame top diameter, or width, of the casting that will stand", "m")]
    frame_top_length: Annotated[Array, Quantity("frame top length of a rectangular casting; NaN = round", "m")]
    frame_azimuth: Annotated[Array, Quantity("direction of a rectangular frame's length", "rad")]
    flange_inside_diameter: Annotated[Array, Quantity("inside of the flange", "m")]
    ridge_diameter: Annotated[Array, Quantity("what hangs below the flange; 0 = nothing does", "m")]
    bearing_outside_diameter: Annotated[Array, Quantity("outside of the bearing", "m")]
    bearing_inside_diameter: Annotated[Array, Quantity("inside of the bearing", "m")]
    seat_diameter: Annotated[Array, Quantity("seat of the cover in the frame", "m")]
    floating: Annotated[Array, Quantity("the casting is borne by the pavement, not by a chimney")]
    travel: Annotated[Array, Quantity("how far a sliding top section can still be drawn up", "m")]
    mill: Annotated[Array, Quantity("milling depth", "m", plus="down")]
    overlay: Annotated[Array, Quantity("overlay thickness", "m")]


@dataclass(frozen=True, slots=True, eq=False)
class Samples(Bundle):
    """Road heights round each structure: (n, m), NaN where there is none; offsets from the cover's centre."""

    east: Annotated[Array, Quantity("offset east, ground metres along the structures' grid", "m")]
    north: Annotated[Array, Quantity("offset north, ground metres along the structures' grid", "m")]
    height: Annotated[Array, Quantity("road elevation", "m")]
    pattern: Annotated[Array, Quantity("cells that the ring's pattern has, with or without a value; (n,)")]
    spacing: Annotated[Array, Quantity("distance of neighbouring samples; (n,)", "m")]
    widened: Annotated[Array, Quantity("the ring had to be widened; (n,)")]


@dataclass(frozen=True, slots=True, eq=False)
class RoadModels(Bundle):
    """Road surface next to each cover: a plane, or a plane with a fold.

    z(e, n) = height + slope_east e + slope_north n + fold max(0, e sin a + n cos a - fold_offset), a = fold_azimuth;
    a plane has fold 0. NaN where the road could not be fitted. (n,) each but `covariance` (n, 3, 3).
    """

    height: Annotated[Array, Quantity("model at the cover's centre, without the fold", "m", plus="up")]
    slope_east: Annotated[Array, Quantity("slope towards grid east", "m/m", plus="rises east")]
    slope_north: Annotated[Array, Quantity("slope towards grid north", "m/m", plus="rises north")]
    fold: Annotated[Array, Quantity("change of slope at the fold", "m/m", plus="valley")]
    fold_azimuth: Annotated[Array, Quantity("direction across the fold, from grid north", "rad")]
    fold_offset: Annotated[Array, Quantity("distance of the fold from the centre in that direction", "m")]
    covariance: Annotated[
        Array,
        Quantity("of the road's plane on the frame's edge: height, slope_east, slope_north; samples of sd `scale`"),
    ]
    noise: Annotated[Array, Quantity("sd of one sample that the covariance is to be scaled to", "m")]
    rms: Annotated[Array, Quantity("scatter of the kept samples about the model", "m", column="fit_rms_mm")]
    scale: Annotated[Array, Quantity("robust scale of the residuals, floored", "m")]
    samples: Annotated[Array, Quantity("samples kept", column="samples")]
    left_out: Annotated[Array, Quantity("samples with a value that the fit left out", column="samples_left_out")]
    pattern: Annotated[Array, Quantity("cells of the ring's pattern")]
    coverage: Annotated[Array, Quantity("share of the ring's pattern with a value", "m/m", column="coverage_pct")]
    shape: Annotated[Array, Quantity("one plane, or two meeting in a break", column="road_shape", words=ROAD_SHAPES)]
    spacing: Annotated[Array, Quantity("distance of neighbouring samples", "m")]
    widened: Annotated[Array, Quantity("the ring had to be widened")]
    source: Annotated[Array, Quantity("surface that was used, counted over all surfaces of the job; -1 = none")]


@dataclass(frozen=True, slots=True, eq=False)
class Bars(Bundle):
    """A straightedge across the cover along each of eight diameters, the first on the mark; (n, 8) each."""

    height: Annotated[Array, Quantity("bar above the cover's centre, elevation", "m")]
    slope: Annotated[Array, Quantity("slope of the bar in its direction", "m/m")]
    azimuth: Annotated[Array, Quantity("direction of the bar", "rad")]


@dataclass(frozen=True, slots=True, eq=False)
class Rims(Bundle):
    """Existing and target rim of each structure; (n,) each."""

    existing: Annotated[Array, Quantity("existing road, mean along the frame's top edge", "m", column="existing_m")]
    finished: Annotated[Array, Quantity("finished road, mean along the frame's top edge", "m", column="finished_m")]
    existing_rim: Annotated[Array, Quantity("existing rim elevation", "m", column="existing_rim_m")]
    rim_basis: Annotated[Array, Quantity("what the existing rim rests on", column="rim_basis", words=RIM_BASES)]
    gap: Annotated[Array, Quantity("existing rim minus existing road", "m", plus="PROUD", column="gap_mm")]
    existing_slope_east: Annotated[Array, Quantity("tilt of today's frame, taken from the existing road", "m/m")]
    existing_slope_north: Annotated[Array, Quantity("tilt of today's frame, taken from the existing road", "m/m")]
    target: Annotated[Array, Quantity("target rim elevation", "m", column="target_rim_m")]
    raise_: Annotated[Array, Quantity("target rim minus existing rim", "m", plus="up", column="raise_mm")]
    target_slope_east: Annotated[Array, Quantity("target rim plane, slope towards grid east", "m/m")]
    target_slope_north: Annotated[Array, Quantity("target rim plane, slope towards grid north", "m/m")]
    slope: Annotated[Array, Quantity("slope of the target rim plane", "m/m", column="slope_pct")]
    uphill: Annotated[Array, Quantity("uphill azimuth of the target rim plane", "rad", column="uphill_deg")]
    grade: Annotated[Array, Quantity("slope along the street axis", "m/m", plus="rises ahead", column="grade_pct")]
    cross_slope: Annotated[
        Array, Quantity("slope at right angles to the axis", "m/m", plus="rises to the right", column="cross_slope_pct")
    ]
    mark: Annotated[Array, Quantity("azimuth of the mark: the street axis, else uphill", "rad")]


@dataclass(frozen=True, slots=True, eq=False)
class Pavings(Bundle):
    """What a survey after paving tells; (n,) each."""

    off: Annotated[
        Array,
        Quantity("paved road minus planned one, mean along the edge", "m", plus="too high", column="paving_off_mm"),
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Millings(Bundle):
    """What milling asks of each casting before the road is paved; (n,) each."""

    milled: Annotated[Array, Quantity("milled road, mean along the frame's top edge", "m", column="milled_m")]
    lower_by: Annotated[
        Array, Quantity("the rim must go down this far before milling", "m", plus="down", column="lower_by_mm")
    ]
    lower_how: Annotated[Array, Quantity("how it is lowered", column="lower_how", words=LOWER_HOW)]
    plate_high: Annotated[Array, Quantity("a plate's top above where the milling lets it be", "m", plus="too high")]
    bump: Annotated[
        Array, Quantity("iron above the road that traffic meets in between", "m", plus="up", column="interim_bump_mm")
    ]
    hole: Annotated[
        Array, Quantity("iron below the road that traffic meets in between", "m", "down", column="interim_hole_mm")
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Chimneys(Bundle):
    """What stands, or changes, between bearing and flange; (n,) each but `ordinates` (n, 16)."""

    bearing: Annotated[Array, Quantity("bearing elevation at the cover's centre", "m", column="bearing_m")]
    bearing_source: Annotated[Array, Quantity("what the bearing rests on", words=BEARING_SOURCES)]
    height: Annotated[Array, Quantity("chimney at the centre, joints included", "m", column="chimney_mm")]
    height_min: Annotated[Array, Quantity("chimney's true smallest height", "m", column="chimney_min_mm")]
    height_max: Annotated[Array, Quantity("chimney's true greatest height", "m", column="chimney_max_mm")]
    long_side: Annotated[
        Array, Quantity("azimuth of the greatest height or change, from grid north", "rad", column="long_side_deg")
    ]
    foot_shift: Annotated[
        Array, Quantity("foot of the casting moves uphill when the cover is held", "m", column="foot_shift_mm")
    ]
    change: Annotated[Array, Quantity("chimney to add at the centre", "m", plus="add", column="stack_change_mm")]
    change_min: Annotated[Array, Quantity("smallest chimney to add", "m", plus="add", column="stack_change_min_mm")]
    change_max: Annotated[Array, Quantity("largest chimney to add", "m", plus="add", column="stack_change_max_mm")]
    tilt_east: Annotated[Array, Quantity("slope that the chimney has to make towards grid east", "m/m")]
    tilt_north: Annotated[Array, Quantity("slope that the chimney has to make towards grid north", "m/m")]
    change_east: Annotated[Array, Quantity("slope to add towards grid east", "m/m")]
    change_north: Annotated[Array, Quantity("slope to add towards grid north", "m/m")]
    bed: Annotated[Array, Quantity("mortar at the centre that levels the bearing, besides the joint", "m")]


@dataclass(frozen=True, slots=True, eq=False)
class Stacks(Bundle):
    """Grade rings; `parts` and `turn` (n, p) bottom to top, -1 and NaN = none, the rest (n,).

    Whole stacks: thicknesses + bottom + top + (count - 1) joints = height asked for + misfit; without rings the top
    alone. Added to an old stack: thicknesses + count joints + wedge / 2 = change + misfit, the old top joint renewed.
    """

    parts: Annotated[Array, Quantity("ring of the catalogue at each position")]
    turn: Annotated[Array, Quantity("thick side of a tapered ring, clockwise from the mark; NaN = flat", "rad")]
    policy: Annotated[
        Array, Quantity("the stack takes the old one's place, or is added to it", column="stack_policy", words=POLICIES)
    ]
    count: Annotated[Array, Quantity("rings in the stack", column="ring_count")]
    joint: Annotated[Array, Quantity("thickness of one joint", "m")]
    bottom: Annotated[Array, Quantity("mortar on the bearing at the centre; 0 on an old stack", "m")]
    top: Annotated[Array, Quantity("mortar under the flange at the centre", "m")]
    misfit: Annotated[
        Array, Quantity("stack with joints minus the height needed", "m", plus="too tall", column="stack_misfit_mm")
    ]
    nearest: Annotated[Array, Quantity("misfit of the nearest stack, chosen or not", "m", plus="too tall")]
    wedge: Annotated[Array, Quantity("bedding thickness difference across the flange", "m", column="bedding_wedge_mm")]
    left_east: Annotated[Array, Quantity("slope that rings and bedding leave undone towards grid east", "m/m")]
    left_north: Annotated[Array, Quantity("slope that rings and bedding leave undone towards grid north", "m/m")]


@dataclass(frozen=True, slots=True, eq=False)
class Liners(Bundle):
    """The cut-to-fit liner of each structure; (n,) each."""

    part: Annotated[Array, Quantity("index of the liner in the catalogue, -1 = none fits")]
    clash: Annotated[Array, Quantity("by how much the nearest liner does not clear", "m", plus="does not clear")]
    unchecked: Annotated[Array, Quantity("a size that decides the fit is unknown")]
    short: Annotated[Array, Quantity("the liner's least height minus the short side", "m", plus="too short")]
    long: Annotated[Array, Quantity("the long side minus the stock height", "m", plus="too long")]


@dataclass(frozen=True, slots=True, eq=False)
class Cuts(Bundle):
    """Heights of the cut part, or changes, round the outline; (n,) each but `ordinates` (n, 16), NaN beyond `count`."""

    basis: Annotated[Array, Quantity("ordinates are heights or changes", words=BASES)]
    count: Annotated[Array, Quantity("stations: 16 on a circle, 8 on a rectangle")]
    first: Annotated[Array, Quantity("azimuth of station 1", "rad")]
    radius: Annotated[Array, Quantity("radius of the ordinates; NaN on a rectangle", "m")]
    wrap: Annotated[Array, Quantity("radius on which a template is wrapped; NaN on a rectangle", "m")]
    ordinates: Annotated[Array, Quantity("finished height of the cut part, or change, at each station", "m")]
    rough_cut: Annotated[Array, Quantity("long side plus allowance", "m", column="rough_cut_mm")]


@dataclass(frozen=True, slots=True, eq=False)
class Results(Bundle):
    """The cover as the chosen method leaves it, against the finished road; (n,) each."""

    height: Annotated[Array, Quantity("rim at the centre", "m", plus="up")]
    slope_east: Annotated[Array, Quantity("rim plane, slope towards grid east", "m/m")]
    slope_north: Annotated[Array, Quantity("rim plane, slope towards grid north", "m/m")]
    gap_max: Annotated[
        Array, Quantity("planned cover minus finished road, largest", "m", plus="PROUD", column="gap_max_mm")
    ]
    gap_min: Annotated[
        Array, Quantity("planned cover minus finished road, smallest", "m", plus="PROUD", column="gap_min_mm")
    ]
    gap_mean: Annotated[
        Array, Quantity("planned cover minus finished road, mean", "m", plus="PROUD", column="gap_mean_mm")
    ]
    gap_along: Annotated[
        Array,
        Quantity("planned cover minus finished road, worse end along the axis", "m", "PROUD", column="gap_along_mm"),
    ]
    gap_across: Annotated[
        Array,
        Quantity("planned cover minus finished road, worse end across the axis", "m", "PROUD", column="gap_across_mm"),
    ]
    bar_along: Annotated[
        Array, Quantity("planned cover minus a bar along the axis", "m", plus="PROUD", column="bar_along_mm")
    ]
    bar_across: Annotated[
        Array, Quantity("planned cover minus a bar across the axis", "m", plus="PROUD", column="bar_across_mm")
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Uncertainties(Bundle):
    """Standard deviations, and the probability that a structure needs each kind of work; (n,) each, NaN = unknown."""

    raise_sd: Annotated[Array, Quantity("standard deviation of the raise", "m", column="raise_sd_mm")]
    chimney_sd: Annotated[
        Array,
        Quantity("standard deviation of the chimney or its change at the centre", "m", column="chimney_sd_mm"),
    ]
    slope_sd: Annotated[Array, Quantity("standard deviation of the target plane's slope, worst direction", "m/m")]
    p_keep: Annotated[Array, Quantity("probability that it may stay", "m/m", column="p_keep_pct")]
    p_riser: Annotated[Array, Quantity("probability that a riser does", "m/m", column="p_riser_pct")]
    p_chimney: Annotated[Array, Quantity("probability that the chimney is worked on", "m/m", column="p_chimney_pct")]
    p_rebuild: Annotated[Array, Quantity("probability that a limit is passed", "m/m", column="p_rebuild_pct")]


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts(Bundle):
    """What to do with each structure; (n,) each."""

    method: Annotated[Array, Quantity("how the casting is brought to grade", column="method", words=METHODS)]
    action: Annotated[Array, Quantity("direction of the rim's move", column="action", words=ACTIONS)]
    riser: Annotated[Array, Quantity("index of the riser in the catalogue")]
    ready: Annotated[Array, Quantity("what the figures are good for", column="ready", words=READY)]
    severity: Annotated[Array, Quantity("worst flag", column="severity", words=SEVERITIES)]


@dataclass(frozen=True, slots=True, eq=False)
class Reasons(Bundle):
    """One entry per structure and flag, in any number; (k,) each."""

    row: Annotated[Array, Quantity("0-based row of the input")]
    code: Annotated[Array, Quantity("index of the flag")]
    value: Annotated[Array, Quantity("value that raised the flag, in the flag's unit")]
    limit: Annotated[Array, Quantity("limit that it passed, in the flag's unit")]
    subject: Annotated[Array, Quantity("index of the structure column it speaks of, -1 = none")]

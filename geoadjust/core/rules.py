"""Every setting of a job as a field: default, unit, limits, help.

These plain dataclasses are the single description of the job: validation, the commented template, the command-line
flags, the JSON Schema and the docs page are made from them (`geoadjust.process`). Lengths are metres, slopes and shares
m/m. There is no national limit on chimney height, ring count or riser height: the defaults are the set named
'example', and the owner's standard governs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any

from geoadjust.core.columns import KINDS, POLICIES, RIM_BASES
from geoadjust.core.settings import Count, Counts, Length, Number, Paths, Ratio, Setting, Table, Word, Words, metres

VERTICAL_UNITS = ("m", "ft", "us-ft")
SHOT_COLUMNS = ("point", "northing", "easting", "elevation", "description", "skip")
BUSTS = ("keep", "leave_out")
DIMENSION_UNITS = ("mm", "m", "in", "ft")
CHOSEN_METHODS = ("keep", "riser", "rings", "liner")

STANDS = ("plumb", "square_to_bearing")
HOLDS = ("chimney", "cover")
CUT_STYLES = ("square_to_wall", "in_plane")
SEQUENCES = ("lower_mill_pave_raise", "raise_before_paving")


@dataclass(frozen=True)
class StructuresTable(Table):
    """The point layer of structures."""

    path: Annotated[
        str,
        Setting(
            help="GeoPackage, GeoJSON, shapefile, CSV, or the pipe networks of LandXML",
            flag="structures",
            file="points",
        ),
    ]
    layer: Annotated[str, Setting(help="needed only where the file has several point layers", flag="layer")] = ""
    crs: Annotated[str, Setting(help="only where the file states none; a contradiction is refused", flag="crs")] = ""
    vertical_unit: Annotated[
        str,
        Word(
            help="unit of bare numbers in rim, bearing, measure_down",
            words=("", *VERTICAL_UNITS),
            flag="structures-vertical-unit",
        ),
    ] = ""
    vertical_datum: Annotated[str, Setting(help="vertical CRS of rim and bearing, for example EPSG:5703")] = ""
    dimension_unit: Annotated[
        str,
        Word(
            help="unit of bare numbers in heights, diameters, existing_chimney, gap, mill, overlay",
            words=("", *DIMENSION_UNITS),
            flag="dimension-unit",
        ),
    ] = ""
    order: Annotated[
        tuple[str, ...],
        Words(help="columns of survey points, in their order; skip = not used", words=SHOT_COLUMNS, again="skip"),
    ] = SHOT_COLUMNS[:5]
    codes: Annotated[
        tuple[str, ...], Setting(help="codes of survey points that are structures, as MH; empty = no survey points")
    ] = ()
    encoding: Annotated[str, Setting(help="of a CSV or shapefile that does not say so")] = "utf-8"
    columns: Annotated[dict[str, str], Setting(help="ours = theirs, for example { rim = 'RIM_EL' }")] = field(
        default_factory=dict
    )
    kinds: Annotated[dict[str, str], Setting(help="theirs = ours, for example { SSMH = 'manhole' }")] = field(
        default_factory=dict
    )
    default_kind: Annotated[str, Word(help="kind of a structure that states none", words=KINDS)] = "manhole"
    owners: Annotated[
        list[str], Setting(help="owner names that are ours; all others are only to be notified; empty = all ours")
    ] = field(default_factory=list)
    rim_basis: Annotated[
        str, Word(help="what the rims are worth; empty = surveyed where a rim is mapped", words=("", *RIM_BASES[:3]))
    ] = ""
    max_axis_distance: Annotated[
        float, Length(help="a centreline farther off gives no axis", low="1 m", high="100 m")
    ] = 25.0
    rim_accuracy: Annotated[float, Length(help="one sd of surveyed rims and bearings", high="1 m")] = 0.010
    rim_same_survey: Annotated[
        bool, Setting(help="rims and surface are of one survey: its shift cancels in their difference")
    ] = False
    xy_accuracy: Annotated[float, Length(help="one sd of the structures' places, each direction", high="10 m")] = 0.100
    gap_accuracy: Annotated[float, Length(help="one sd of a gap measured on site", high="100 mm")] = 0.002
    flush_accuracy: Annotated[float, Length(help="one sd of the gap where it is taken as 0", high="100 mm")] = 0.010
    tape_accuracy: Annotated[float, Length(help="one sd of measure_down and existing_chimney", high="100 mm")] = 0.005
    reading_accuracy: Annotated[
        float, Length(help="one sd of a reading from a bar down to the prepared bearing", low="0.1 mm", high="50 mm")
    ] = 0.002
    casting_accuracy: Annotated[float, Length(help="one sd of a casting's height", high="50 mm")] = 0.002


@dataclass(frozen=True)
class RoadTable(Table):
    """A road surface, whatever it was measured as: an elevation raster, a triangulated surface or lidar points."""

    path: Annotated[
        str | tuple[str, ...],
        Paths(help="the road: GeoTIFF, LAS, LAZ, tiles (folder, list, .txt, index), LandXML, survey points"),
    ]
    layer: Annotated[str, Setting(help="surface in a LandXML file, or layer of points; needed with several")] = ""
    name: Annotated[str, Setting(help="name in the results; default is the file's name")] = ""
    reader: Annotated[str, Setting(help="extension that reads this surface; empty = geoadjust itself")] = ""
    options: Annotated[dict[str, Any], Setting(help="what that extension wants to know")] = field(
        default_factory=dict, hash=False
    )
    band: Annotated[int, Count(help="band of the raster", low=1, high=9999)] = 1
    classes: Annotated[
        tuple[int, ...], Counts(help="classes of lidar points that are road; 2 ground, 11 road surface", high=255)
    ] = (2,)
    cell: Annotated[
        float, Length(help="cells into which lidar points are averaged; 0 = three pulses each", high="5 m")
    ] = 0.0
    order: Annotated[
        tuple[str, ...],
        Words(help="columns of survey points, in their order; skip = not used", words=SHOT_COLUMNS, again="skip"),
    ] = SHOT_COLUMNS[:5]
    codes: Annotated[
        tuple[str, ...], Setting(help="codes of survey points that are road, as EP or CL; empty = all points")
    ] = ()
    breaklines: Annotated[
        str, Setting(help="lines with heights (a layer), or pairs of point numbers (.csv), that triangles keep to")
    ] = ""
    longest_side: Annotated[
        float, Length(help="triangles between survey points with a longer side are holes", low="1 m", high="1000 m")
    ] = 25.0
    busts: Annotated[
        str,
        Word(help="survey points that may be busts are told and kept, or told and left out", words=BUSTS),
    ] = "keep"
    bust_limit: Annotated[
        float,
        Length(help="a survey point this far off its neighbours may be a bust", low="20 mm", high="10 m"),
    ] = 0.300
    crs: Annotated[str, Setting(help="only where the file states none; a contradiction is refused")] = ""
    vertical_unit: Annotated[
        str, Word(help="needed where the file's CRS does not say it", words=("", *VERTICAL_UNITS))
    ] = ""
    vertical_datum: Annotated[str, Setting(help="vertical CRS of the heights, for example EPSG:5703")] = ""
    noise: Annotated[
        float, Length(help="independent noise of one cell, one sd; 0 = from the fit; widens the gate", high="200 mm")
    ] = 0.0
    accuracy: Annotated[
        float | None, Length(help="one sd of a shift shared by everything on this surface; none = unknown", high="10 m")
    ] = None
    density: Annotated[
        float, Number(help="points per square metre that the raster was made of; 0 = as many as cells", high=100_000.0)
    ] = 0.0


@dataclass(frozen=True)
class SurfaceTable(RoadTable):
    """The road as it is: an elevation raster, a triangulated surface or lidar points."""

    path: Annotated[
        str | tuple[str, ...],
        Paths(
            help="the road: GeoTIFF, LAS, LAZ, tiles (folder, list, .txt, index), LandXML, survey points",
            flag="surface",
            file="road",
        ),
    ]
    layer: Annotated[
        str,
        Setting(help="surface in a LandXML file, or layer of points; needed with several", flag="surface-layer"),
    ] = ""
    crs: Annotated[
        str, Setting(help="only where the file states none; a contradiction is refused", flag="surface-crs")
    ] = ""
    vertical_unit: Annotated[
        str,
        Word(help="needed where the file's CRS does not say it", words=("", *VERTICAL_UNITS), flag="vertical-unit"),
    ] = ""


@dataclass(frozen=True)
class FinishedTable(RoadTable):
    """The finished road: a design surface, or mill and overlay on the existing one."""

    path: Annotated[
        str | tuple[str, ...], Paths(help="design surface, given as the path of a road", flag="design", file="road")
    ] = ""
    layer: Annotated[
        str, Setting(help="surface in a LandXML file, or layer of points; needed with several", flag="design-layer")
    ] = ""
    mill: Annotated[
        float | None, Length(help="milling depth; a structure's own mill column wins", high="600 mm", flag="mill")
    ] = None
    overlay: Annotated[
        float | None, Length(help="overlay thickness, compacted; a structure's own wins", high="600 mm", flag="overlay")
    ] = None
    cross_slope: Annotated[
        float | None,
        Ratio(help="the milled road falls by this to both sides of the crown line; mill is the depth there", high=0.2),
    ] = None
    areas: Annotated[
        str,
        Setting(
            help="polygons of the paving, with columns mill and overlay in dimension_unit",
            flag="areas",
            file="polygons",
        ),
    ] = ""
    areas_layer: Annotated[str, Setting(help="needed only where that file has several polygon layers")] = ""
    mill_accuracy: Annotated[float, Length(help="one sd of the milling depth", high="100 mm")] = 0.005
    overlay_accuracy: Annotated[float, Length(help="one sd of the compacted overlay", high="100 mm")] = 0.005


@dataclass(frozen=True)
class PavedTable(RoadTable):
    """The road as it was paved, surveyed afterwards; where it lies, it is the finished road."""

    path: Annotated[
        str | tuple[str, ...], Paths(help="survey after paving, given as the path of a road", flag="paved", file="road")
    ]


@dataclass(frozen=True)
class CentrelinesTable(Table):
    """Street centrelines; the nearest one gives a structure its axis."""

    path: Annotated[str, Setting(help="GeoPackage, GeoJSON or shapefile of lines", flag="centrelines", file="lines")]
    layer: Annotated[str, Setting(help="needed only where the file has several line layers")] = ""
    crs: Annotated[str, Setting(help="only where the file states none")] = ""


@dataclass(frozen=True)
class RingTable(Table):
    """Where the road is read round a cover, and when a reading is good enough."""

    inner_clearance: Annotated[
        float, Length(help="beyond the flange: the old collar and its patch are left out", high="2 m")
    ] = metres("350 mm")
    outer_radius: Annotated[float, Length(help="half the bar's length by default", low="0.5 m", high="10 m")] = 1.5
    bar_length: Annotated[float, Length(help="length of the straightedge", low="1 m", high="10 m")] = 3.0
    max_cell: Annotated[float, Length(help="a coarser raster is refused", low="50 mm", high="1.5 m")] = 1.25
    min_samples: Annotated[int, Count(help="fewer cells in the ring give no plane", low=4, high=1000)] = 8
    min_coverage: Annotated[float, Ratio(help="least share of the ring's cells with a value")] = 0.5
    max_left_out: Annotated[float, Ratio(help="more outliers than this: a kerb or wall is in the ring")] = 0.25
    step: Annotated[float, Length(help="a residual that no pavement has", low="5 mm", high="500 mm")] = 0.028
    noise_floor: Annotated[float, Length(help="scale of the fit never below", low="0.5 mm", high="100 mm")] = 0.006
    rough: Annotated[float, Length(help="a larger scatter about the fitted road is flagged", high="500 mm")] = 0.010


@dataclass(frozen=True)
class RuleSet(Table):
    """The owner's rules. First set whose kinds and streets match wins; the last one has no condition."""

    name: Annotated[str, Setting(help="name in the results")] = "example"
    kinds: Annotated[tuple[str, ...], Words(help="only these kinds; empty = all", words=KINDS)] = ()
    streets: Annotated[tuple[str, ...], Setting(help="only these streets; empty = all")] = ()
    source: Annotated[str, Setting(help="where the rules come from; kept in the results")] = ""
    pedestrian: Annotated[
        str, Word(help="only structures that lie in a pedestrian route (yes) or not (no)", words=("", "yes", "no"))
    ] = ""
    paving_tolerance: Annotated[
        float, Length(help="a road paved farther off the plan than this is flagged", high="200 mm")
    ] = 0.010
    rim_reference: Annotated[
        str,
        Word(help="the rim is set to the mean of the road next to it, or to a bar", words=("adjacent_mean", "bar")),
    ] = "adjacent_mean"
    recess: Annotated[float, Length(help="rim below the finished road", high="100 mm")] = 0.0
    tolerance: Annotated[
        float, Length(help="largest gap between cover and finished road that is accepted", high="50 mm")
    ] = 0.006
    measured_by: Annotated[
        str,
        Word(
            help="the tolerance holds all round the edge, for the mean of the adjacent road, or under a bar",
            words=("edge", "adjacent_mean", "bar"),
        ),
    ] = "edge"
    min_gaps: Annotated[int, Count(help="gaps that must be measured before a cover is accepted", low=1, high=16)] = 4
    max_settlement: Annotated[
        float | None, Length(help="largest fall of a cover between two days; none = told only", high="100 mm")
    ] = None
    inspected: Annotated[
        tuple[str, ...],
        Words(help="what must be looked at before a cover is accepted", words=("rocking", "bedding", "seal", "debris")),
    ] = ("rocking", "bedding", "seal", "debris")
    tilt_tolerance: Annotated[float, Ratio(help="largest difference of slope between cover and road", high=0.2)] = 0.01
    bedding_wedge: Annotated[
        float, Length(help="largest difference of bedding thickness across the flange", high="100 mm")
    ] = 0.020
    methods: Annotated[tuple[str, ...], Words(help="methods in use, in this order", words=CHOSEN_METHODS)] = (
        CHOSEN_METHODS
    )
    max_riser: Annotated[float, Length(help="highest riser", high="300 mm")] = 0.050
    seat_tolerance: Annotated[float, Length(help="a riser's seat and the frame's may differ by this", high="20 mm")] = (
        0.002
    )
    existing_stack: Annotated[
        str,
        Word(help="rings take the old stack's place, or are added to a good one (policy)", words=POLICIES),
    ] = "replace_all"
    stand: Annotated[
        str,
        Word(help="the chimney stands plumb on a levelled bed, or square to the bearing", words=STANDS),
    ] = "plumb"
    hold: Annotated[
        str,
        Word(help="the frame is centred on the chimney, or the cover keeps its place", words=HOLDS),
    ] = "chimney"
    max_chimney: Annotated[float, Length(help="greatest height between bearing and flange", high="3 m")] = 0.300
    max_rings: Annotated[int, Count(help="largest number of rings", low=0, high=8)] = 4
    min_part: Annotated[float, Length(help="a chimney thinner than this anywhere cannot be made", high="500 mm")] = (
        0.025
    )
    joint: Annotated[
        float, Length(help="thickness of one joint: on the bearing, between rings, under the flange", high="50 mm")
    ] = 0.006
    max_taper: Annotated[float, Ratio(help="largest slope that tapered rings may make", high=0.3)] = 0.10
    min_edge: Annotated[float, Length(help="thin edge of a tapered ring, at least", high="200 mm")] = 0.010
    cut_style: Annotated[
        str,
        Word(help="a liner is sawn square to its wall, or in the plane of the flange", words=CUT_STYLES),
    ] = "square_to_wall"
    liner_clearance: Annotated[
        float, Length(help="between a liner and what hangs below the flange, all round", high="50 mm")
    ] = 0.003
    clear_opening: Annotated[float, Length(help="inside of a liner, at least", high="3 m")] = 0.0
    rough_cut_allowance: Annotated[float, Length(help="rough cut = long side + this", high="500 mm")] = 0.115
    milling_clearance: Annotated[float, Length(help="rim this far below the milled road", high="200 mm")] = 0.013
    sequence: Annotated[
        str,
        Word(help="castings go down before milling and up after paving, or up before paving", words=SEQUENCES),
    ] = "lower_mill_pave_raise"
    plate_thickness: Annotated[float, Length(help="plate over an opening whose casting is out", high="100 mm")] = 0.025
    plate_diameter: Annotated[float, Length(help="diameter of that plate", high="3 m")] = 0.900
    max_bump: Annotated[float, Length(help="iron above the road that traffic may meet in between", high="300 mm")] = (
        0.013
    )
    max_hole: Annotated[float, Length(help="iron below the road that traffic may meet in between", high="1 m")] = 0.025
    max_grade: Annotated[float | None, Ratio(help="steepest cover along the street; none = no limit")] = None
    max_cross_slope: Annotated[float | None, Ratio(help="steepest cover across the street; none = no limit")] = None
    max_edge_gap: Annotated[
        float | None, Length(help="largest step anywhere on the cover's edge; none = no limit", high="100 mm")
    ] = None
    steep: Annotated[float, Ratio(help="a steeper finished road is flagged", high=1.0)] = 0.10
    max_rim_gap: Annotated[
        float, Length(help="a surveyed rim farther from the road is not believed", low="10 mm", high="2 m")
    ] = 0.100
    max_measure_down: Annotated[
        float, Length(help="a deeper measure-down is the depth of the structure", low="200 mm", high="5 m")
    ] = 1.2
    usual_casting_height: Annotated[
        float, Length(help="where a casting's height is unknown and only its tilt matters", low="50 mm", high="1 m")
    ] = 0.200
    usual_flange_diameter: Annotated[
        float, Length(help="flange of a casting of unknown size", low="100 mm", high="3 m")
    ] = 0.915
    usual_frame_diameter: Annotated[
        float, Length(help="frame top of a casting of unknown size", low="100 mm", high="3 m")
    ] = 0.660


@dataclass(frozen=True)
class RulesFile(Table):
    """Rule sets kept in a file of their own."""

    path: Annotated[str, Setting(help="TOML file with [[rules]] tables", flag="rules", file="toml")]


@dataclass(frozen=True)
class CatalogueTable(Table):
    """Parts that are to be had."""

    path: Annotated[
        str, Setting(help="TOML file of parts; empty = the built-in example parts", flag="catalogue", file="toml")
    ] = ""


@dataclass(frozen=True)
class OutputTable(Table):
    """Where the result goes and how people read it."""

    path: Annotated[str, Setting(help="folder of the output set", flag="out", file="folder")] = ""
    units: Annotated[
        str,
        Word(
            help="us (feet, inches and sixteenths) or metric; empty = metric where heights are in metres",
            words=("", "us", "metric"),
            flag="units",
        ),
    ] = ""
    rings: Annotated[bool, Setting(help="also write the sampled rings as polygons")] = False
    writers: Annotated[
        tuple[str, ...], Setting(help="installed extensions that write into folders of their own in the output set")
    ] = ()


@dataclass(frozen=True)
class Job(Table):
    """A whole job."""

    structures: StructuresTable
    surface: tuple[SurfaceTable, ...]
    output: OutputTable
    finished: tuple[FinishedTable, ...] = ()
    paved: tuple[PavedTable, ...] = ()
    centrelines: CentrelinesTable | None = None
    ring: RingTable = RingTable()
    rules: tuple[RuleSet, ...] = (RuleSet(),)
    catalogue: CatalogueTable = CatalogueTable()

"""Every setting of a job as a field: default, unit, limits, help. Catalogue parts.

These plain dataclasses are the single description of the job: validation, the commented template, the command-line
flags, the JSON Schema and the docs page are made from them (`geoadjust.process`). Lengths are metres, slopes and shares
m/m. There is no national limit on chimney height, ring count or riser height: the defaults are the set named
'example', and the owner's standard governs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, ClassVar

from geoadjust.core.columns import KINDS, RIM_BASES
from geoadjust.core.settings import Count, Length, Ratio, Setting, Word, Words, metres

VERTICAL_UNITS = ("m", "ft", "us-ft")
DIMENSION_UNITS = ("mm", "m", "in", "ft")
CHOSEN_METHODS = ("keep", "riser", "rings")

Strict: dict[str, object] = {"extra": "forbid", "strict": False}


class Table:
    """Base of the job's tables: unknown keys are refused."""

    __pydantic_config__: ClassVar[dict[str, object]] = Strict


@dataclass(frozen=True)
class StructuresTable(Table):
    """The point layer of structures."""

    path: Annotated[
        str, Setting(help="GeoPackage, GeoJSON, shapefile or CSV with easting and northing", flag="structures")
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


@dataclass(frozen=True)
class SurfaceTable(Table):
    """A road elevation raster."""

    path: Annotated[str, Setting(help="GeoTIFF of road elevations", flag="surface")]
    name: Annotated[str, Setting(help="name in the results; default is the file's name")] = ""
    band: Annotated[int, Count(help="band of the raster", low=1, high=9999)] = 1
    crs: Annotated[
        str, Setting(help="only where the file states none; a contradiction is refused", flag="surface-crs")
    ] = ""
    vertical_unit: Annotated[
        str,
        Word(help="needed where the file's CRS does not say it", words=("", *VERTICAL_UNITS), flag="vertical-unit"),
    ] = ""
    vertical_datum: Annotated[str, Setting(help="vertical CRS; compared where both sides state one")] = ""
    noise: Annotated[
        float, Length(help="independent noise of one cell, one sd; widens the gate for outliers", high="200 mm")
    ] = 0.0


@dataclass(frozen=True)
class FinishedTable(Table):
    """The finished road: a design raster, or mill and overlay on the existing one."""

    mill: Annotated[
        float | None, Length(help="milling depth; a structure's own mill column wins", high="600 mm", flag="mill")
    ] = None
    overlay: Annotated[
        float | None, Length(help="overlay thickness, compacted; a structure's own wins", high="600 mm", flag="overlay")
    ] = None
    path: Annotated[str, Setting(help="GeoTIFF of the design surface", flag="design")] = ""
    name: Annotated[str, Setting(help="name in the results; default is the file's name")] = ""
    band: Annotated[int, Count(help="band of the raster", low=1, high=9999)] = 1
    crs: Annotated[str, Setting(help="only where the file states none")] = ""
    vertical_unit: Annotated[
        str, Word(help="needed where the file's CRS does not say it", words=("", *VERTICAL_UNITS))
    ] = ""
    vertical_datum: Annotated[str, Setting(help="vertical CRS; compared where both sides state one")] = ""
    noise: Annotated[float, Length(help="independent noise of one cell, one sd", high="200 mm")] = 0.0


@dataclass(frozen=True)
class CentrelinesTable(Table):
    """Street centrelines; the nearest one gives a structure its axis."""

    path: Annotated[str, Setting(help="GeoPackage, GeoJSON or shapefile of lines", flag="centrelines")]
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
    rim_reference: Annotated[
        str,
        Word(help="the rim is set to the mean of the road next to it, or to a bar", words=("adjacent_mean", "bar")),
    ] = "adjacent_mean"
    recess: Annotated[float, Length(help="rim below the finished road", high="100 mm")] = 0.0
    tolerance: Annotated[
        float, Length(help="largest gap between cover and finished road that is accepted", high="50 mm")
    ] = 0.006
    tilt_tolerance: Annotated[float, Ratio(help="largest difference of slope between cover and road", high=0.2)] = 0.01
    bedding_wedge: Annotated[
        float, Length(help="largest difference of bedding thickness across the flange", high="100 mm")
    ] = 0.020
    methods: Annotated[tuple[str, ...], Words(help="methods in use, in this order", words=CHOSEN_METHODS)] = (
        CHOSEN_METHODS
    )
    max_riser: Annotated[float, Length(help="highest riser", high="300 mm")] = 0.050
    max_chimney: Annotated[float, Length(help="greatest height between bearing and flange", high="3 m")] = 0.300
    max_rings: Annotated[int, Count(help="largest number of rings", low=0, high=8)] = 4
    min_part: Annotated[float, Length(help="a chimney thinner than this anywhere cannot be made", high="500 mm")] = (
        0.025
    )
    joint: Annotated[
        float, Length(help="thickness of one joint: on the bearing, between rings, under the flange", high="50 mm")
    ] = 0.006
    rough_cut_allowance: Annotated[float, Length(help="rough cut = long side + this", high="500 mm")] = 0.115
    milling_clearance: Annotated[float, Length(help="rim this far below the milled road", high="200 mm")] = 0.013
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

    path: Annotated[str, Setting(help="TOML file with [[rules]] tables", flag="rules")]


@dataclass(frozen=True)
class CatalogueTable(Table):
    """Parts that are to be had."""

    path: Annotated[str, Setting(help="TOML file of parts; empty = the built-in example parts", flag="catalogue")] = ""


@dataclass(frozen=True)
class OutputTable(Table):
    """Where the result goes and how people read it."""

    path: Annotated[str, Setting(help="folder of the output set", flag="out")] = ""
    units: Annotated[
        str,
        Word(
            help="us (feet, inches and sixteenths) or metric; empty = metric where heights are in metres",
            words=("", "us", "metric"),
            flag="units",
        ),
    ] = ""
    rings: Annotated[bool, Setting(help="also write the sampled rings as polygons")] = False


@dataclass(frozen=True)
class Job(Table):
    """A whole job."""

    structures: StructuresTable
    surface: tuple[SurfaceTable, ...]
    output: OutputTable
    finished: tuple[FinishedTable, ...] = ()
    centrelines: CentrelinesTable | None = None
    ring: RingTable = RingTable()
    rules: tuple[RuleSet, ...] = (RuleSet(),)
    catalogue: CatalogueTable = CatalogueTable()


@dataclass(frozen=True)
class CastingPart(Table):
    """A casting: heights and diameters in metres."""

    id: Annotated[str, Setting(help="name that the casting column uses")]
    height: Annotated[float, Length(help="top plane to the flange's underside", low="25 mm", high="1 m")]
    frame_top_diameter: Annotated[float, Length(help="iron at the road's level", low="50 mm", high="3 m")]
    flange_outside_diameter: Annotated[float, Length(help="what the chimney carries", low="50 mm", high="3 m")]
    flange_inside_diameter: Annotated[float | None, Length(help="inside of the flange", high="3 m")] = None
    ridge_diameter: Annotated[float | None, Length(help="what hangs below the flange", high="3 m")] = None


@dataclass(frozen=True)
class RingPart(Table):
    """A grade ring of constant thickness."""

    id: Annotated[str, Setting(help="name of the ring")]
    thickness: Annotated[float, Length(help="without joints", low="5 mm", high="1 m")]
    outside_diameter: Annotated[float | None, Length(help="true outside diameter", high="3 m")] = None
    inside_diameter: Annotated[float | None, Length(help="true inside diameter", high="3 m")] = None
    price: Annotated[float, Setting(help="breaks ties")] = 0.0
    available: Annotated[bool, Setting(help="false removes the part")] = True


@dataclass(frozen=True)
class RiserPart(Table):
    """A riser: lifts the cover on the existing frame."""

    id: Annotated[str, Setting(help="name of the riser")]
    height: Annotated[float, Length(help="how far it lifts the cover", low="5 mm", high="300 mm")]
    castings: Annotated[tuple[str, ...], Setting(help="castings that it seats on; empty = all")] = ()
    price: Annotated[float, Setting(help="breaks ties")] = 0.0
    available: Annotated[bool, Setting(help="false removes the part")] = True


@dataclass(frozen=True)
class Catalogue(Table):
    """All parts of one catalogue file."""

    name: Annotated[str, Setting(help="name in the results")] = "example"
    casting: tuple[CastingPart, ...] = ()
    ring: tuple[RingPart, ...] = ()
    riser: tuple[RiserPart, ...] = ()

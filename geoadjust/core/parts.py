"""Catalogue parts: castings, grade rings, risers and liners, as an owner or a supplier lists them.

Sizes are true sizes; a nominal size is only a name. Lengths in metres, tapers in m/m.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from geoadjust.core.settings import Length, Number, Setting, Size
from geoadjust.core.settings import Table as Table

FULL_TURN = 360.0


@dataclass(frozen=True)
class CastingPart(Table):
    """A casting: heights and diameters in metres; a rectangular one states WIDTHxLENGTH."""

    id: Annotated[str, Setting(help="name that the casting column uses")]
    height: Annotated[float, Length(help="top plane to the flange's underside", low="25 mm", high="1 m")]
    frame_top_diameter: Annotated[
        tuple[float, float], Size(help="iron at the road's level: a diameter, or WIDTHxLENGTH", low="50 mm", high="3 m")
    ]
    flange_outside_diameter: Annotated[
        tuple[float, float], Size(help="what the chimney carries: a diameter, or WIDTHxLENGTH", low="50 mm", high="3 m")
    ]
    flange_inside_diameter: Annotated[float | None, Length(help="inside of the flange", high="3 m")] = None
    ridge_diameter: Annotated[
        float | None, Length(help="what hangs below the flange; 0 = nothing does", high="3 m")
    ] = None
    seat_diameter: Annotated[float | None, Length(help="seat of the cover in the frame", high="3 m")] = None
    floating: Annotated[bool, Setting(help="borne by the pavement, not by a chimney")] = False
    travel: Annotated[float | None, Length(help="how far a sliding top section can be drawn up", high="2 m")] = None


@dataclass(frozen=True)
class RingPart(Table):
    """A grade ring: `thickness`, or `thin` and `thick` of a tapered one."""

    id: Annotated[str, Setting(help="name of the ring")]
    thickness: Annotated[float | None, Length(help="of a flat ring, without joints", low="5 mm", high="1 m")] = None
    thin: Annotated[float | None, Length(help="thin edge of a tapered ring", high="1 m")] = None
    thick: Annotated[float | None, Length(help="thick edge of a tapered ring", low="5 mm", high="1 m")] = None
    outside_diameter: Annotated[float | None, Length(help="true outside diameter", high="3 m")] = None
    inside_diameter: Annotated[float | None, Length(help="true inside diameter", high="3 m")] = None
    turn_step: Annotated[
        float, Number(help="a tapered ring is turned in steps of this [deg]", low=1.0, high=FULL_TURN)
    ] = 5.0
    price: Annotated[float, Number(help="breaks ties")] = 0.0
    available: Annotated[bool, Setting(help="false removes the part")] = True

    @property
    def middle(self) -> float:
        """Thickness at the centre [m]."""
        if self.thickness is not None:
            return self.thickness
        return ((self.thin or 0.0) + (self.thick or 0.0)) / 2

    @property
    def taper(self) -> float:
        """(thick - thin) / outside diameter [m/m]; 0 for a flat ring.

        Examples
        --------
        >>> round(RingPart("t", thin=0.020, thick=0.040, outside_diameter=0.8).taper, 6)
        0.025
        """
        if self.thickness is not None or not self.outside_diameter:
            return 0.0
        return ((self.thick or 0.0) - (self.thin or 0.0)) / self.outside_diameter


@dataclass(frozen=True)
class RiserPart(Table):
    """A riser: lifts the cover on the existing frame."""

    id: Annotated[str, Setting(help="name of the riser")]
    height: Annotated[float, Length(help="how far it lifts the cover", low="5 mm", high="300 mm")]
    seat_diameter: Annotated[
        float | None, Length(help="seat of the cover that it fits; none = told by castings alone", high="3 m")
    ] = None
    castings: Annotated[tuple[str, ...], Setting(help="castings that it seats on; empty = all of its seat")] = ()
    price: Annotated[float, Number(help="breaks ties")] = 0.0
    available: Annotated[bool, Setting(help="false removes the part")] = True


@dataclass(frozen=True)
class LinerPart(Table):
    """A liner: a cylinder that is cut once along a plane."""

    id: Annotated[str, Setting(help="name of the liner")]
    outside_diameter: Annotated[float, Length(help="true outside diameter", low="50 mm", high="3 m")]
    inside_diameter: Annotated[float, Length(help="true inside diameter", low="50 mm", high="3 m")]
    height: Annotated[float | None, Length(help="stock height before the cut; none = any", high="5 m")] = None
    min_height: Annotated[float, Length(help="shortest side that may be cut", high="1 m")] = 0.025
    price: Annotated[float, Number(help="breaks ties")] = 0.0
    available: Annotated[bool, Setting(help="false removes the part")] = True


@dataclass(frozen=True)
class Catalogue(Table):
    """All parts of one catalogue file."""

    name: Annotated[str, Setting(help="name in the results")] = "example"
    casting: tuple[CastingPart, ...] = ()
    ring: tuple[RingPart, ...] = ()
    riser: tuple[RiserPart, ...] = ()
    liner: tuple[LinerPart, ...] = ()

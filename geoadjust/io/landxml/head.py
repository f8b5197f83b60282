"""What a LandXML file says of its units and its CRS.

What the published schema says (LandXML-1.2): a point is "northing easting elevation", and all three are lengths in
``linearUnit``. ``elevationUnit`` speaks of attributes such as ``ellipsoidHeight``; its default is the metre even beside
feet, so a file that does not write it says nothing by it. Where a file writes one of the other system than its
``linearUnit``, it is open what its heights are in, and no vertical unit is given. An elevation unit ``feet`` is the
foot of ``linearUnit``. The schema knows ``meter``, ``foot`` and ``USSurveyFoot``; other spellings of these three, which
writers use, are read too (from memory). A foot in Metric or a metre in Imperial is a contradiction and refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from geoadjust.io.landxml.stream import Attributes, Node, Walk, shown

_SPELLINGS = {
    "m": "meter meters metre metres m",
    "ft": "foot feet ft internationalfoot internationalfeet",
    "us-ft": "ussurveyfoot ussurveyfeet ussurveyft usfoot usfeet usft ftus",
}
_SIZE_SPELLINGS = {
    "mm": "millimeter millimeters millimetre millimetres mm",
    "cm": "centimeter centimeters centimetre centimetres cm",
    "in": "inch inches in",
}
LINEAR_UNITS = {word: unit for unit, words in _SPELLINGS.items() for word in words.split()}
"""Words in small letters without blanks and strokes -> our units."""
SIZE_UNITS = LINEAR_UNITS | {word: unit for unit, words in _SIZE_SPELLINGS.items() for word in words.split()}
ALLOWED = "meter, foot, USSurveyFoot"
PLAIN_FEET = ("foot", "feet", "ft")
"""What an elevation unit may be called beside feet of either kind."""
_BLANK = re.compile(r"[\s_.-]+")
_EPSG = re.compile(
    r"(EPSG:{1,2}|urn:ogc:def:crs:EPSG:[0-9.]*:|https?://www\.opengis\.net/def/crs/EPSG/[0-9.]+/)?"
    r"([1-9][0-9]{2,5}(?:\+[1-9][0-9]{2,5})?)",
    re.IGNORECASE,
)
_WKT = re.compile(r"[A-Za-z_]+\s*[\[(]")


@dataclass(frozen=True, slots=True)
class Units:
    """What one Units element says, in our words; '' where it says nothing."""

    horizontal: str = ""
    vertical: str = ""
    diameter: str = ""
    width: str = ""


class Head:
    """Gathers units, CRS and vertical datum of the file itself, not those of a survey or a network inside it.

    `units` is None, `crs` (``EPSG:...`` or WKT) and `datum` are '' where the file says nothing.

    Parameters
    ----------
    root : to which the elements are added
    walk : of this root
    sizes : whether units of diameters and widths are read too
    """

    def __init__(self, root: Node, walk: Walk, *, sizes: bool = False) -> None:
        self._walk, self._sizes = walk, sizes
        self.units: Units | None = None
        self.crs = self.datum = ""
        root.add("CoordinateSystem", Node(begin=self._system))
        add_units(root, self._state)

    def _state(self, system: str, attributes: Attributes) -> None:
        units = read_units(system, attributes, self._walk, sizes=self._sizes)
        if self.units not in (None, units):
            self._walk.refuse(f"states its units twice, and differently, line {self._walk.line}")
        self.units = units

    def _system(self, attributes: Attributes) -> None:
        crs = read_crs_text(attributes)
        if self.crs and crs not in ("", self.crs):
            remedy = "remove the wrong one, or export it again"
            self._walk.refuse(f"names its CRS twice, and differently, line {self._walk.line}", remedy=remedy)
        self.crs = self.crs or crs
        names = (attributes.get(name, "").strip() for name in ("verticalDatum", "verticalCoordinateSystemName"))
        self.datum = self.datum or next((name for name in names if name), "")


def add_units(node: Node, begin: Callable[[str, Attributes], None]) -> None:
    """Have Metric and Imperial of the Units inside an element handed on, with the name of the system."""
    node.add("Units/Metric", Node(begin=lambda attributes: begin("Metric", attributes)))
    node.add("Units/Imperial", Node(begin=lambda attributes: begin("Imperial", attributes)))


def read_units(system: str, attributes: Attributes, walk: Walk, *, sizes: bool = True) -> Units:
    """Units from the attributes of Metric or Imperial (`system`).

    Raises
    ------
    InputError
        A length in which no coordinates are taken, one that is not of this system, or none that the schema knows.
    """
    linear = _unit(attributes, "linearUnit", LINEAR_UNITS, walk)
    if linear and (linear == "m") != (system == "Metric"):
        what = f"has linearUnit={shown(attributes['linearUnit'])} in {system}, line {walk.line}"
        walk.refuse(what, "meter in Metric; foot, USSurveyFoot in Imperial", "find out which is right, export it again")
    word = _word(attributes.get("elevationUnit", ""))
    elevation = linear if linear == "us-ft" and word in PLAIN_FEET else LINEAR_UNITS.get(word, "")
    vertical = linear if not word or elevation == linear else ""
    if not sizes:
        return Units(linear, vertical)
    return Units(
        linear, vertical, *(_unit(attributes, f"{name}Unit", SIZE_UNITS, walk) for name in ("diameter", "width"))
    )


def _word(text: str) -> str:
    return _BLANK.sub("", text.lower())


def _unit(attributes: Attributes, name: str, known: dict[str, str], walk: Walk) -> str:
    stated = attributes.get(name, "")
    word = _word(stated)
    if word and word not in known:
        allowed = ALLOWED if known is LINEAR_UNITS else f"{ALLOWED}, millimeter, centimeter, inch"
        walk.refuse(f"has {name}={shown(stated)}, line {walk.line}", allowed, "export it in one of these")
    return known[word] if word else ""


def read_crs_text(attributes: Attributes) -> str:
    """CRS from the attributes of CoordinateSystem: ``EPSG:...``, WKT, or '' where they hold neither.

    Examples
    --------
    >>> read_crs_text({"epsgCode": "32617"}), read_crs_text({"epsgCode": "0", "name": "local"})
    ('EPSG:32617', '')
    """
    if found := _EPSG.fullmatch(attributes.get("epsgCode", "").strip()):
        return f"EPSG:{found[2]}"
    text = attributes.get("ogcWktCode", "").strip()
    if found := _EPSG.fullmatch(text):
        return f"EPSG:{found[2]}" if found[1] else ""
    return text if _WKT.match(text) else ""

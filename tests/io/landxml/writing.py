"""Small LandXML files written by hand after the published schema, and how a fault is caught."""

from __future__ import annotations

import pytest

from geoadjust.errors import InputError

WHERE = "surface.path"
SPACE = "http://www.landxml.org/schema/LandXML-{}"
METRES = '<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units>'
POINTS = '<P id="7">20 10 1.5</P><P id="3">20 11 1.25</P><P id="40">21 10 1.0</P><P id="5">21 11 0.75</P>'
FACES = "<F>7 3 40</F><F>3 5 40</F>"
VERTICES = [[10, 20, 1.5], [11, 20, 1.25], [10, 21, 1.0], [11, 21, 0.75]]
WKT = 'LOCAL_CS["yard", UNIT["metre", 1]]'


def surface(name="EG", points=POINTS, faces=FACES, *, kind="TIN"):
    definition = f'<Definition surfType="{kind}"><Pnts>{points}</Pnts><Faces>{faces}</Faces></Definition>'
    return f'<Surface name="{name}">{definition}</Surface>'


def text_of(*parts, version="1.2", space=None, units=METRES):
    space = SPACE.format(version) if space is None else space
    named = f' xmlns="{space}"' if space else ""
    return f'<LandXML{named} version="{version}">{units}{"".join(parts)}</LandXML>'


def with_surfaces(*surfaces, **options):
    return text_of(f"<Surfaces>{''.join(surfaces)}</Surfaces>", **options)


def fault(call, *arguments):
    with pytest.raises(InputError) as caught:
        call(*arguments, where=WHERE)
    assert {one.where for one in caught.value.faults} == {WHERE}
    return str(caught.value)

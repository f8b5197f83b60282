"""Parts of a catalogue: what a file says becomes metres, and middle and taper of a ring follow from its edges."""

import tomllib
from dataclasses import FrozenInstanceError, fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.settings import Length, Number, Setting, Size, settings_of
from geoadjust.units import parse_length

INCH = 0.0254  # exactly (85 FR 62698, 5 Oct 2020)
ROUND = 0.0
LEAST = {
    CastingPart: {
        "id": "A",
        "height": "7 3/4 in",
        "frame_top_diameter": "20x30 in",
        "flange_outside_diameter": "24x36 in",
    },
    RingPart: {"id": "R"},
    RiserPart: {"id": "U", "height": "1 1/2 in"},
    LinerPart: {"id": "N", "outside_diameter": "30 in", "inside_diameter": "26 in"},
    Catalogue: {},
}
PARTS = list(LEAST)


def read(part, **keys):
    return TypeAdapter(part).validate_python({**LEAST[part], **keys})


def settings_with_fields():
    return [
        pytest.param(part, name, setting, id=f"{part.__name__}.{name}")
        for part in PARTS
        for name, setting in settings_of(part).items()
    ]


@pytest.mark.parametrize("part", PARTS)
def test_parts_are_frozen_hashable_and_equal_by_value(part):
    made = read(part)
    assert hash(made) == hash(read(part))
    assert made.__doc__.strip().endswith(".")
    with pytest.raises(FrozenInstanceError):
        setattr(made, fields(part)[0].name, 1)


@pytest.mark.parametrize("part", PARTS)
def test_unknown_keys_are_refused(part):
    with pytest.raises(ValidationError, match="hieght"):
        read(part, hieght="6 mm")


@pytest.mark.parametrize(("part", "name", "setting"), settings_with_fields())
def test_every_key_has_help_and_takes_its_own_limits(part, name, setting):
    assert setting.help
    assert "\n" not in setting.help
    assert not setting.help.endswith(".")
    if isinstance(setting, Length) and not isinstance(setting, Size):
        low, high = (float(parse_length(text)) for text in (setting.low, setting.high))
        assert low < high
        for value in (low, high):
            assert getattr(read(part, **{name: f"{value} m"}), name) == value
        for value in (low - 1e-6, high + 1e-6):
            with pytest.raises(ValidationError, match="outside"):
                read(part, **{name: f"{value:.9f} m"})
    if isinstance(setting, Number):
        assert getattr(read(part, **{name: setting.high}), name) == setting.high
        with pytest.raises(ValidationError, match="outside"):
            read(part, **{name: setting.low - 1})


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("26 in", (26 * INCH, ROUND)),
        ("24x36 in", (24 * INCH, 36 * INCH)),
        ("450 mm x 600 mm", (0.45, 0.6)),
        ("600x450 mm", (0.6, 0.45)),
    ],
)
def test_sizes_of_castings(text, size):
    found = read(CastingPart, frame_top_diameter=text).frame_top_diameter
    np.testing.assert_allclose(found, size, rtol=1e-14)


@pytest.mark.parametrize("text", ["26", "24x36", "24x400 in", "1x24 in", "24x in", "24x36x8 in", 26, True, ""])
def test_sizes_that_are_refused(text):
    with pytest.raises(ValidationError):
        read(CastingPart, flange_outside_diameter=text)


def test_shown_sizes_read_back():
    setting = settings_of(CastingPart)["frame_top_diameter"]
    for size in ((0.45, 0.6), (0.66, ROUND), (0.0508, 3.0)):
        text = tomllib.loads(f"x = {setting.show(size)}")["x"]
        np.testing.assert_array_equal(setting.parse(text), size)


def test_what_a_casting_does_not_say():
    casting = read(CastingPart)
    unknown = (casting.flange_inside_diameter, casting.ridge_diameter, casting.seat_diameter, casting.travel)
    assert unknown == (None, None, None, None)
    assert casting.floating is False
    assert read(CastingPart, ridge_diameter=0).ridge_diameter == 0.0


# --- rings


@pytest.mark.parametrize(
    ("ring", "middle", "taper"),
    [
        (RingPart("flat", 0.05), 0.05, 0.0),
        (RingPart("flat", 0.05, outside_diameter=0.9), 0.05, 0.0),
        (RingPart("t", thin=0.020, thick=0.040, outside_diameter=0.8), 0.030, 0.025),
        (RingPart("feather", thin=0.0, thick=0.018, outside_diameter=0.9), 0.009, 0.02),
        (RingPart("level", thin=0.04, thick=0.04, outside_diameter=0.9), 0.04, 0.0),
    ],
)
def test_middle_and_taper(ring, middle, taper):
    assert ring.middle == pytest.approx(middle, rel=1e-15)
    assert ring.taper == pytest.approx(taper, rel=1e-14)


@given(st.floats(0, 0.1), st.floats(0, 0.1), st.floats(0.3, 1.2))
def test_edges_follow_from_middle_and_taper(thin, rise, outside):
    # a wedge: the thickness half a diameter off the middle, to both sides
    ring = RingPart("t", thin=thin, thick=thin + rise, outside_diameter=outside)
    half = ring.taper * outside / 2
    assert ring.middle - half == pytest.approx(thin, abs=1e-15)
    assert ring.middle + half == pytest.approx(thin + rise, abs=1e-15)


def test_rings_from_a_file():
    assert read(RingPart, thickness="2 in") == RingPart("R", 0.0508)
    found = read(RingPart, thin="13 mm", thick="38 mm", outside_diameter="36 in", price=12, available=False)
    assert found == RingPart(
        "R", thin=0.013, thick=0.038, outside_diameter=0.9144, turn_step=5.0, price=12.0, available=False
    )


def test_a_catalogue_is_a_key_and_parts_keep_their_order():
    rings = [{"id": name, "thickness": "50 mm"} for name in ("b", "a")]
    catalogue = TypeAdapter(Catalogue).validate_python({"ring": rings})
    assert [ring.id for ring in catalogue.ring] == ["b", "a"]
    assert {catalogue: 1}[Catalogue(ring=(RingPart("b", 0.05), RingPart("a", 0.05)))] == 1
    assert (catalogue.casting, catalogue.riser, catalogue.liner) == ((), (), ())


def test_every_field_of_a_part_is_a_setting():
    for part in PARTS[:-1]:
        assert set(settings_of(part)) == {item.name for item in fields(part)}
        assert all(isinstance(setting, Setting) for setting in settings_of(part).values())

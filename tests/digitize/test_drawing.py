"""The neutral drawing: layers, the half cut exactly on the centerline, sizes in both units."""

import numpy as np
import pytest

from calibration.errors import Refusal
from calibration.frames import frozen_floats
from digitize.arcs import arc_length, extents, polygon, signed_area
from digitize.drawing import draw_outline, right_half
from digitize.shapes import Drawing
from tests.digitize.writer_bodies import BODIES, body_of, cassini


def layer(drawing: Drawing, name: str):
    return [path for each, path in drawing.paths if each == name]


def drawn(name: str = "cassini", unit: str = "mm") -> Drawing:
    body = BODIES[name]()
    return draw_outline(body.fair, body.measures, unit, "Plover body")


def test_every_layer_holds_what_the_contract_says() -> None:
    drawing = drawn()
    assert [path.closed for path in layer(drawing, "BODY")] == [True]
    assert [path.closed for path in layer(drawing, "HALF")] == [True]
    (centerline,) = layer(drawing, "CENTERLINE")
    assert centerline.xy_mm.tolist() == [
        [0.0, -15.0],
        [0.0, pytest.approx(extents(layer(drawing, "BODY")[0])[3] + 15.0)],
    ]
    assert sorted(arc_length(path) for path in layer(drawing, "CHECK_LENGTH")) == [6.0, 6.0, 100.0]
    assert [mark.text for name, mark in drawing.texts if name == "CHECK_LENGTH"] == ["100 mm"]


@pytest.mark.parametrize("name", BODIES)
def test_the_right_half_ends_exactly_on_the_centerline(name: str) -> None:
    half = right_half(BODIES[name]().fair.path)
    assert half.xy_mm[0, 0] == 0.0
    assert half.xy_mm[-1, 0] == 0.0
    assert half.bulge[-1] == 0.0
    assert extents(half)[0] >= -1e-9


@pytest.mark.parametrize("name", BODIES)
def test_the_half_and_its_other_side_make_the_whole(name: str) -> None:
    path = BODIES[name]().fair.path
    other = right_half(type(path)(path.xy_mm * (-1.0, 1.0), frozen_floats(-path.bulge), True))
    whole = abs(signed_area(right_half(path))) + abs(signed_area(other))
    assert whole == pytest.approx(abs(signed_area(path)), abs=1e-6)


def test_a_symmetric_body_has_halves_of_equal_area() -> None:
    path = cassini().fair.path
    assert signed_area(right_half(path)) == pytest.approx(signed_area(path) / 2.0, abs=1e-6)


def test_a_body_that_crosses_the_centerline_four_times_has_no_half() -> None:
    notched = polygon(frozen_floats([(50, 0), (50, 40), (-50, 30), (-50, 60), (60, 60), (60, 80), (-90, 80), (-90, 0)]))
    with pytest.raises(Refusal) as refusal:
        right_half(notched)
    assert refusal.value.code == "half-not-single"
    assert "4 times" in str(refusal.value)


def test_a_body_beside_the_centerline_has_no_half() -> None:
    beside = body_of(polygon(frozen_floats([(5, 0), (50, 0), (50, 40)])))
    with pytest.raises(Refusal, match="0 times"):
        draw_outline(beside.fair, beside.measures, "mm", "Plover body")


def test_inches_carry_the_millimetres_too() -> None:
    texts = [mark.text for _, mark in drawn(unit="in").texts]
    assert "Plover body" in texts
    assert any(text.startswith("body length: 19 23/32 in") and text.endswith("(501.02 mm)") for text in texts)
    assert "true size: the check line is 100 mm" in texts
    assert not any("upper bout" in text for text in texts), "an upper bout that was not measured is not named"


def test_texts_lie_below_the_centerline() -> None:
    drawing = drawn()
    assert max(mark.at[1] for _, mark in drawing.texts) < -15.0
    assert np.isfinite([mark.at for _, mark in drawing.texts]).all()

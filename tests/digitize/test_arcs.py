"""Arcs against shapely's polygons and closed forms; tolerances in mm and mm2."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from calibration.frames import frozen_floats
from digitize.arcs import (
    arc_length,
    centres,
    crossings,
    extents,
    flatten,
    mirrored,
    sampled,
    segments,
    signed_area,
    split_arcs,
)
from digitize.shapes import ArcPath
from tests.digitize.writer_bodies import BODIES, semicircles

FLAT_MM = 1e-4
EXACT_MM = 1e-9


def test_two_half_turns_are_a_circle() -> None:
    path = semicircles().fair.path
    assert arc_length(path) == pytest.approx(2 * math.pi * 200, abs=EXACT_MM)
    assert signed_area(path) == pytest.approx(math.pi * 200**2, abs=1e-6)
    assert extents(path) == pytest.approx((-200, 0, 200, 400), abs=EXACT_MM)


@pytest.mark.parametrize("name", BODIES)
def test_measures_agree_with_the_flattened_polygon(name: str) -> None:
    path = BODIES[name]().fair.path
    flat = Polygon(flatten(path, FLAT_MM))
    assert arc_length(path) == pytest.approx(flat.length, abs=0.01)
    assert abs(signed_area(path)) == pytest.approx(flat.area, abs=FLAT_MM * flat.length)
    assert extents(path) == pytest.approx(flat.bounds, abs=FLAT_MM)


@pytest.mark.parametrize("name", BODIES)
def test_cut_arcs_are_the_same_curve(name: str) -> None:
    path = BODIES[name]().fair.path
    parts = split_arcs(path, math.pi / 8)
    assert (4 * np.arctan(np.abs(parts.bulge)) <= math.pi / 8 + 1e-9).all()
    assert arc_length(parts) == pytest.approx(arc_length(path), abs=EXACT_MM * 1000)
    assert signed_area(parts) == pytest.approx(signed_area(path), abs=1e-6)
    assert extents(parts) == pytest.approx(extents(path), abs=1e-8)


@given(
    st.floats(-5, 5).filter(lambda b: b == 0 or abs(b) > 1e-6),
    st.tuples(*[st.floats(-300, 300)] * 4).filter(lambda p: math.dist(p[:2], p[2:]) > 1),
)
@settings(max_examples=150, deadline=None)
def test_every_point_of_an_arc_is_one_radius_from_its_centre(bulge: float, ends: tuple[float, ...]) -> None:
    path = ArcPath(frozen_floats([ends[:2], ends[2:]]), frozen_floats([bulge]), False)
    points = sampled(path, 1.0)
    steps, length = np.hypot(*np.diff(points, axis=0).T), arc_length(path)
    assert steps.max() <= 1.0 + 1e-9
    (centre,), (radius,) = centres(path)
    if np.isfinite(radius):
        assert np.hypot(*(points - centre).T) == pytest.approx(radius, rel=1e-9)
        chord = 2 * radius * math.sin(length / len(steps) / (2 * radius))
        assert steps == pytest.approx(chord, rel=1e-6)
    else:
        assert steps.sum() == pytest.approx(length, rel=1e-9)
    assert arc_length(mirrored(path)) == pytest.approx(arc_length(path), abs=EXACT_MM)


def test_crossings_lie_on_the_centerline_and_on_the_curve() -> None:
    found = crossings(ArcPath(frozen_floats([(-50.0, 0.0), (-50.0, 80.0)]), frozen_floats([2.0]), False))
    # Radius 50 about (-20, 40): x = 0 at 40 -+ sqrt(50^2 - 20^2).
    assert [y for _, _, y in found] == pytest.approx([40 - math.sqrt(2100), 40 + math.sqrt(2100)], abs=1e-9)


def test_bulges_that_do_not_fit_the_vertices_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        segments(ArcPath(frozen_floats([(0, 0), (1, 0)]), frozen_floats([0.0]), True))


def test_extents_of_a_nearly_straight_arc_bear_rounded_coordinates() -> None:
    """A file's nine decimals move the centre of a 1300 m arc along its chord; the arc reaches no further for it."""
    ends = frozen_floats([(15.789992069, 582.103368544), (0.0, 582.103460972)])
    box = extents(ArcPath(ends, frozen_floats([2.926788956142966e-06]), closed=False))
    assert box == pytest.approx((0.0, ends[0, 1], ends[0, 0], ends[1, 1]), abs=1e-8)

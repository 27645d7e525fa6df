"""Offsets of lines and arcs against Steiner's formulas and against GEOS.

Steiner: the curve parallel to a smooth simple closed curve at distance d (below the least radius on that side) has the
length P + 2 pi d and the area A + P d + pi d^2, d positive outside. Cassini oval and ellipse: closed forms and the
numbers computed from them with 25 digits (perimeters: numeric and AGM, DLMF 19.8.6).
"""

from __future__ import annotations

import math

import pytest
import shapely

from digitize.arcs import arc_length, flatten, signed_area
from digitize.parts.offset import offset
from digitize.parts.tools import blade_radius_mm, tightest_bends_mm
from digitize.shapes import ArcPath
from tests.digitize.mold_bodies import cassini, ellipse

CASSINI = (82902.274244, 1236.576887)
ELLIPSE = (81681.408993, 1048.420719913343)
ARCS = 600  # pieces: arcs through points of the true curve, good to 1e-9 of it


@pytest.mark.parametrize("by_mm", [3.0, -3.0, 12.0, -12.0, 75.0])
@pytest.mark.parametrize("shape", ["cassini", "ellipse"])
def test_offsets_of_smooth_curves_obey_steiner(shape: str, by_mm: float) -> None:
    path, (area, perimeter) = (cassini(ARCS), CASSINI) if shape == "cassini" else (ellipse(count=ARCS), ELLIPSE)
    found = offset(path, by_mm)
    assert len(found) == 1
    assert signed_area(found[0]) == pytest.approx(area + perimeter * by_mm + math.pi * by_mm**2, rel=1e-6)
    assert arc_length(found[0]) == pytest.approx(perimeter + 2.0 * math.pi * by_mm, rel=1e-6)


@pytest.mark.parametrize(("by_mm", "area", "perimeter"), [(3.0, 86640.2616, 1255.4264), (-3.0, 79220.8007, 1217.7273),
                                                          (12.0, 98193.57, 1311.975)])  # fmt: skip
def test_the_cassini_ovals_offsets_have_the_published_sizes(by_mm: float, area: float, perimeter: float) -> None:
    found = offset(cassini(ARCS), by_mm)[0]
    assert signed_area(found) == pytest.approx(area, rel=1e-6)
    assert arc_length(found) == pytest.approx(perimeter, rel=1e-6)


@pytest.mark.parametrize("by_mm", [-80.0, -95.0, 120.0])
def test_beyond_the_radii_geos_agrees(by_mm: float) -> None:
    # inside its waist the oval falls into two; outside, the waist closes to a cusp
    path = cassini(ARCS)
    found = offset(path, by_mm)
    there = shapely.Polygon(flatten(path, 1e-6)).buffer(by_mm, quad_segs=400)
    # GEOS simplifies what it buffers by a thousandth of a millimetre or so
    edge_mm = sum(arc_length(one) for one in found)
    assert sum(signed_area(one) for one in found) == pytest.approx(there.area, abs=0.002 * edge_mm)
    assert len(found) == (2 if by_mm < 0.0 else 1)


def test_the_tightest_bends_are_the_closed_forms() -> None:
    # Cassini oval: radius 92.53422 at the ends, -99.54159 at the waist; ellipse: b^2 / a at the ends
    outward, inward = tightest_bends_mm(cassini())
    assert outward == pytest.approx(92.53422, rel=2e-3)
    assert inward == pytest.approx(99.54159, rel=1e-2)  # sharpest at one place; 10 mm of it are looked at
    outward, inward = tightest_bends_mm(ellipse())
    assert outward == pytest.approx(130.0**2 / 200.0, rel=2e-3)
    assert inward == math.inf


@pytest.mark.parametrize(("width_mm", "radius_mm"), [(3.2, 4.8), (6.4, 15.9), (12.7, 63.5), (25.4, 194.0)])
def test_blades_saw_the_radii_of_the_trade(width_mm: float, radius_mm: float) -> None:
    # common practice: two saw makers' manuals and a do-it-yourself guide
    assert blade_radius_mm(width_mm) == radius_mm


def test_a_square_grows_by_round_corners() -> None:
    from digitize.arcs import polygon
    from digitize.parts.regions import box

    square: ArcPath = box(0.0, 0.0, 100.0, 100.0)
    grown = offset(square, 10.0)[0]
    assert signed_area(grown) == pytest.approx(100.0**2 + 4 * 100.0 * 10.0 + math.pi * 10.0**2, rel=1e-12)
    shrunk = offset(square, -10.0)[0]
    assert signed_area(shrunk) == pytest.approx(80.0**2, rel=1e-12)
    assert offset(square, -50.001) == ()
    assert signed_area(offset(polygon(square.xy_mm[::-1]), 10.0)[0]) == pytest.approx(signed_area(grown), rel=1e-12)

"""Curves whose measures are known in closed form, taken through symmetry and fair.

Cassini oval: (x2 + y2)2 - 2 c2 (x2 - y2) = b4 - c4 with c = 170, b = 184: half-length sqrt(b2 + c2), half-waist
sqrt(b2 - c2), half-bout b2 / 2c, area 2 b2 E(c4 / b4), end radius 92.53422 (classical; perimeter numeric).
Ellipse: perimeter 4 a E(e2) (DLMF 19.30), radii b2 / a and a2 / b. Parallel curves: Steiner's formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ellipe
from shapely.geometry import Polygon

from calibration.frames import FloatArray, frozen_floats
from digitize import arcs
from digitize.fair import fair_outline, measure
from digitize.shapes import ArcPath, FairOutline
from digitize.symmetry import place_body
from tests.digitize.bodies import apart, noisy, resample, spaced, traced, turned

C_MM, B_MM = 170.0, 184.0
CASSINI_PERIMETER_MM = 1236.576887
CASSINI_END_RADIUS_MM = 92.53422
CASSINI_BOUT_FROM_MIDDLE_MM = 137.784348
ELLIPSE_A_MM, ELLIPSE_B_MM = 200.0, 130.0
SHIFT = (300.0, 250.0)


def cassini(count: int = 200_000) -> FloatArray:
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    along = C_MM**2 * np.cos(2 * t)
    radius = np.sqrt(along + np.sqrt(along**2 + B_MM**4 - C_MM**4))
    return np.column_stack([radius * np.cos(t), radius * np.sin(t)])


def ellipse(count: int = 200_000) -> FloatArray:
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([ELLIPSE_A_MM * np.cos(t), ELLIPSE_B_MM * np.sin(t)])


def taken_through(true: FloatArray, seed: int, angle_deg: float = 40.0) -> tuple[FairOutline, FloatArray]:
    """The fair outline of a noisy tracing, and the truth in its body frame."""
    points, _ = spaced(true)
    trace = place_body(traced(turned(noisy(points, 0.03, seed), angle_deg, SHIFT)))
    placed = turned(true, angle_deg, SHIFT) @ trace.sheet_to_body[:, :2].T + trace.sheet_to_body[:, 2]
    return fair_outline(trace), placed[::8]


def end_radius(fair: FairOutline) -> float:
    """The radius at the tail from an even sixth-order fit over 50 mm on either side (0.04 % off on the true oval)."""
    near = fair.points.xy[(fair.points.xy[:, 1] < 60) & (np.abs(fair.points.xy[:, 0]) < 50)]
    bend = np.linalg.lstsq(np.vander(near[:, 0] ** 2, 4), near[:, 1], rcond=None)[0][2]
    return float(1 / (2 * bend))


@pytest.fixture(scope="module")
def ovals() -> list[tuple[FairOutline, FloatArray]]:
    return [taken_through(cassini(), seed) for seed in range(4)]


def test_cassini_lies_on_its_curve(ovals: list[tuple[FairOutline, FloatArray]]) -> None:
    for fair, true in ovals:
        rms, worst = apart(fair.points.xy, true)
        assert rms < 0.008
        assert worst < 0.03
        assert fair.path_deviation_mm < 0.01


def test_cassini_lengths(ovals: list[tuple[FairOutline, FloatArray]]) -> None:
    half_length = np.hypot(B_MM, C_MM)
    for fair, _ in ovals:
        found = measure(fair)
        assert found.length_mm == pytest.approx(2 * half_length, rel=1e-4)
        assert found.waist_mm == pytest.approx(2 * np.sqrt(B_MM**2 - C_MM**2), rel=3e-4)
        assert found.lower_bout_mm == pytest.approx(B_MM**2 / C_MM, rel=2e-4)
        assert found.upper_bout_mm == pytest.approx(B_MM**2 / C_MM, rel=2e-4)
        assert found.waist_y_mm == pytest.approx(half_length, abs=0.3)
        assert found.lower_bout_y_mm == pytest.approx(half_length - CASSINI_BOUT_FROM_MIDDLE_MM, abs=0.3)


def test_cassini_area_and_perimeter(ovals: list[tuple[FairOutline, FloatArray]]) -> None:
    area = 2 * B_MM**2 * ellipe(C_MM**4 / B_MM**4)
    assert area == pytest.approx(82902.274244, abs=1e-5)
    for fair, _ in ovals:
        found = measure(fair)
        assert found.area_mm2 == pytest.approx(area, rel=2e-5)
        assert found.perimeter_mm == pytest.approx(CASSINI_PERIMETER_MM, rel=2e-5)


def test_cassini_end_radius(ovals: list[tuple[FairOutline, FloatArray]]) -> None:
    radii = [end_radius(fair) for fair, _ in ovals]
    assert np.allclose(radii, CASSINI_END_RADIUS_MM, rtol=5e-3, atol=0)


def test_steiner_formula_on_the_arcs(ovals: list[tuple[FairOutline, FloatArray]]) -> None:
    """Offset areas and lengths by shapely's buffer: d = 3, -3 and 12 mm, each inside the allowed bends."""
    fair, _ = ovals[0]
    shape = Polygon(arcs.flatten(fair.path, 1e-4))
    for distance, area, length in ((3, 86640.2616, 1255.4264), (-3, 79220.8007, 1217.7273), (12, 98193.57, 1311.975)):
        moved = shape.buffer(distance, quad_segs=64)
        assert moved.area == pytest.approx(area, rel=3e-5)
        assert moved.length == pytest.approx(length, rel=3e-5)


def test_ellipse_closed_forms() -> None:
    fair, true = taken_through(ellipse(), 1)
    found = measure(fair)
    eccentricity2 = 1 - (ELLIPSE_B_MM / ELLIPSE_A_MM) ** 2
    perimeter = 4 * ELLIPSE_A_MM * ellipe(eccentricity2)
    assert perimeter == pytest.approx(1048.420719913343, abs=1e-9)
    assert found.perimeter_mm == pytest.approx(perimeter, rel=2e-5)
    assert found.area_mm2 == pytest.approx(81681.408993, rel=3e-5)
    assert found.length_mm == pytest.approx(2 * ELLIPSE_A_MM, abs=0.04)
    assert found.lower_bout_mm == pytest.approx(2 * ELLIPSE_B_MM, abs=0.04)
    assert found.waist_mm is None
    assert end_radius(fair) == pytest.approx(ELLIPSE_B_MM**2 / ELLIPSE_A_MM, rel=5e-3)
    assert found.min_radius_mm == pytest.approx(ELLIPSE_B_MM**2 / ELLIPSE_A_MM, rel=0.03)
    assert apart(fair.points.xy, true)[0] < 0.008


def test_arc_formulas_on_a_circle() -> None:
    """Four bulges of tan(22.5 degrees) are a circle (Autodesk's definition of a bulge)."""
    corner = np.array([(50.0, 0.0), (0.0, 50.0), (-50.0, 0.0), (0.0, -50.0)])
    circle = ArcPath(frozen_floats(corner), frozen_floats(np.full(4, np.tan(np.pi / 8))), True)
    assert arcs.arc_length(circle) == pytest.approx(100 * np.pi, rel=1e-12)
    assert arcs.signed_area(circle) == pytest.approx(2500 * np.pi, rel=1e-12)
    assert arcs.extents(circle) == pytest.approx((-50.0, -50.0, 50.0, 50.0))


def test_one_frame_whatever_way_the_sheet_lies() -> None:
    """The oval's axis is found at 0.01 degree however it lies; with two equal bouts the ends may swap."""
    for angle_deg in (0.0, 90.0, 175.0):
        points = resample(cassini(), 0.25, closed=True)
        trace = place_body(traced(turned(noisy(points, 0.03, 7), angle_deg, SHIFT)))
        along = trace.sheet_to_body[1, :2]
        across = abs(np.sin(np.arctan2(along[1], along[0]) - np.radians(angle_deg)))
        assert np.degrees(np.arcsin(across)) < 0.01
        assert "ends-uncertain" in [d.code for d in trace.doubts]

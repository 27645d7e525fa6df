"""The spline of few knots: near enough, curvature without jumps, corners and straight runs exact, even where asked."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import svgelements

from calibration.errors import Refusal
from calibration.frames import FloatArray, frozen_floats
from digitize import bsplines
from digitize.drawing import draw_fair
from digitize.fair import fair_spline, few_arcs, measure
from digitize.shapes import Drawing, FairSpline, SplineCurve
from digitize.writers.dxf import check_dxf, write_dxf
from digitize.writers.svg import check_svg, write_svg
from tests.bench.fairing import exact, inflections, made, spline_runs
from tests.digitize.bodies import apart, body, noisy, spaced
from tests.digitize.test_fair import faired
from tests.digitize.test_few_arcs import cassini_half, clothoid_half, ellipse_half, outline


def jumps(curve: SplineCurve) -> FloatArray:
    """How much the curvature jumps at each inner knot, 1/mm, from both sides."""
    inner, close = bsplines.breaks(curve)[1:-1], 1e-7
    return np.abs(bsplines.curvature(curve, inner + close) - bsplines.curvature(curve, inner - close))


def seam(curve: SplineCurve) -> tuple[float, float]:
    """The turn, rad, and the jump of curvature, 1/mm, where a closed curve ends."""
    ends = curve.knots[[0, -1]]
    slope = bsplines.values(curve, ends, 1)
    turn = np.arctan2(slope[0, 0] * slope[1, 1] - slope[0, 1] * slope[1, 0], slope[0] @ slope[1])
    return abs(float(turn)), abs(float(np.diff(bsplines.curvature(curve, ends))[0]))


@pytest.mark.parametrize(("drawn", "bends", "most"), [(cassini_half, 4, 32), (ellipse_half, 0, 24)])
def test_few_knots_follow_closed_forms(drawn: Callable[[], FloatArray], bends: int, most: int) -> None:
    half = drawn()
    spline = fair_spline(outline(half))
    assert spline is not None
    (curve,) = spline.curves
    assert spline.smooth
    assert spline.deviation_mm <= 0.02
    assert len(curve.control_mm) <= most  # no more than the few arcs have pieces within 0.05 mm
    whole = np.vstack([half, half[::-1] * (-1.0, 1.0)])
    assert apart(bsplines.values(curve, bsplines.spread(curve, 1.0)), whole)[1] < 0.021
    assert jumps(curve).max() < 1e-7
    assert seam(curve) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert inflections(spline_runs(spline), closed=True) == bends
    # square and even, exactly
    assert curve.control_mm[0, 0] == 0.0
    assert np.abs(curve.control_mm[::-1] * (-1.0, 1.0) - curve.control_mm).max() < 1e-9


def test_its_curvature_is_that_of_the_closed_form() -> None:
    """Cassini's oval (facts, section 6): radii 92.534 at the ends and 99.542, hollow, at the waist."""
    spline = fair_spline(outline(cassini_half()), 0.002)
    assert spline is not None
    (curve,) = spline.curves
    at = bsplines.spread(curve, 0.2)
    xy, bend = bsplines.values(curve, at), bsplines.curvature(curve, at)
    assert 1.0 / bend[0] == pytest.approx(92.53422, rel=0.015)
    assert 1.0 / bend[np.argmin(np.abs(xy[:, 1]) + 1e3 * (xy[:, 0] < 0))] == pytest.approx(-99.54159, rel=0.015)
    assert bsplines.arc_length(curve) == pytest.approx(1236.576887, abs=0.01)
    assert bsplines.swept_area(curve) == pytest.approx(82902.274244, rel=1e-5)
    few = fair_spline(outline(cassini_half()))
    assert few is not None
    assert len(few.curves[0].control_mm) < len(curve.control_mm)


def test_straight_sides_corners_and_the_flat_stay() -> None:
    """A clothoid body's side of 60 mm; a pear on a flat of 60 mm with corners at its ends."""
    side = fair_spline(outline(clothoid_half()))
    assert side is not None
    (curve,) = side.curves
    half = clothoid_half()
    low, high = (half[np.abs(half[:, 0] - half[:, 0].max()) < 1e-9][[0, -1]])[:, 1]
    xy = bsplines.values(curve, bsplines.spread(curve, 0.5))
    xy = xy[(xy[:, 0] > 0) & (xy[:, 1] > low) & (xy[:, 1] < high)]
    assert len(xy) > 30
    assert np.abs(xy[:, 0] - np.poly1d(np.polyfit(xy[:, 1], xy[:, 0], 1))(xy[:, 1])).max() < 1e-9
    assert np.abs(xy[:, 0] - half[:, 0].max()).max() < 0.005
    half = cassini_half()
    half = half[half[:, 1] < 235.0] + (0.0, 250.51)
    width, top = half[-1]
    edge = np.linspace(half[-1], (0.0, top), 400)
    pear = fair_spline(outline(half, edge, corners=((width, top, 100.0), (-width, top, 100.0))))
    assert pear is not None
    assert not pear.smooth
    assert len(pear.curves) == 2
    ends = np.vstack([curve.control_mm[[0, -1]] for curve in pear.curves])
    assert np.abs(np.abs(ends) - (width, top)).max() < 1e-9
    flat = min(pear.curves, key=bsplines.arc_length)
    assert np.abs(flat.control_mm[:, 1] - top).max() < 1e-6


def test_an_uneven_body_closes_without_a_jump() -> None:
    points, _ = spaced(0.4 * body(cutaway=True))
    fair = faired(noisy(points, 0.02, 1), 0.02)[1]
    spline = fair_spline(fair)
    assert spline is not None
    (curve,) = spline.curves
    assert spline.smooth and not fair.symmetric
    assert jumps(curve).max() < 1e-7
    turn, jump = seam(curve)
    assert turn < np.radians(1e-6)
    assert jump < 1e-7
    assert np.abs(np.diff(curve.control_mm[[0, -1]], axis=0)).max() == 0.0


def test_a_body_of_many_straights_has_both() -> None:
    """Fifteen straight lines and as many rounds between them: as many pieces, and a spline."""
    fair = exact(made("angular", 1), even=False)
    few, spline = few_arcs(fair), fair_spline(fair)
    assert len(few.path.bulge) == 30
    assert np.count_nonzero(few.path.bulge == 0.0) == 15
    assert spline is not None
    assert spline.deviation_mm <= 0.02


@cache
def drawn_fair() -> tuple[FairSpline, Drawing]:
    fair = outline(ellipse_half())
    spline = fair_spline(fair)
    assert spline is not None
    return spline, draw_fair(few_arcs(fair), spline, measure(fair), "mm", "plover fair")


def test_files_hold_real_splines(tmp_path: Path) -> None:
    """Read by the libraries' own readers: ezdxf's B-spline, svgelements' cubic curves."""
    spline, drawing = drawn_fair()
    write_dxf(drawing, tmp_path / "fair.dxf")
    document = ezdxf.readfile(tmp_path / "fair.dxf")
    assert not document.audit().has_issues
    (entity,) = document.modelspace().query("SPLINE")
    assert (entity.dxf.layer, entity.dxf.degree) == ("SPLINE", 3)
    (curve,) = spline.curves
    tool = entity.construction_tool()
    at = np.linspace(curve.knots[0], curve.knots[-1], 300)
    there = np.array([(p.x, p.y) for p in tool.points(at)])
    assert np.abs(there - bsplines.values(curve, at)).max() < 1e-9
    assert len(document.modelspace().query("LWPOLYLINE[layer=='ARCS']")) == 1
    write_svg(drawing, tmp_path / "fair.svg")
    paths = [each for each in svgelements.SVG.parse(str(tmp_path / "fair.svg"), ppi=25.4).elements()
             if isinstance(each, svgelements.Path)]  # fmt: skip
    (path,) = [each for each in paths if any(isinstance(piece, svgelements.CubicBezier) for piece in each)]
    assert path.length(error=1e-6) == pytest.approx(bsplines.arc_length(curve), abs=1e-3)


@pytest.mark.parametrize(("old", "new"), [("control_mm", (0.0, 1e-5)), ("knots", 0.01)])
def test_a_changed_spline_is_noticed(old: str, new: object, tmp_path: Path) -> None:
    spline, drawing = drawn_fair()
    write_dxf(drawing, tmp_path / "fair.dxf")
    write_svg(drawing, tmp_path / "fair.svg")
    (curve,) = spline.curves
    values = np.array(getattr(curve, old))
    values[7] += new  # type: ignore[operator]
    parts = {"knots": curve.knots, "control_mm": curve.control_mm, old: frozen_floats(values)}
    other = Drawing(drawing.paths, drawing.texts, drawing.title, "mm", splines=(("SPLINE", SplineCurve(**parts)),))
    for check, file in ((check_dxf, "fair.dxf"), (check_svg, "fair.svg")):
        with pytest.raises(Refusal, match="layer SPLINE"):
            check(other, tmp_path / file)


def test_distances_are_from_the_curve_itself() -> None:
    """A quarter of a circle of 50 mm by one piece (the known cubic, 0.014 mm off at most), and beyond its ends."""
    k = 50.0 * 0.5522847498
    control = np.array([(50.0, 0.0), (50.0, k), (k, 50.0), (0.0, 50.0)])
    curve = SplineCurve(frozen_floats([0, 0, 0, 0, 1, 1, 1, 1]), frozen_floats(control))
    assert bsplines.arc_length(curve) == pytest.approx(25.0 * np.pi, rel=3e-4)
    assert bsplines.extents(curve) == pytest.approx((0.0, 0.0, 50.0, 50.0), abs=1e-9)
    points = np.array([[60.0, 0.0], [0.0, 0.0], [3.0, -4.0], [40.0, 40.0]])
    wanted = [10.0, 50.0, np.hypot(47.0, 4.0), np.hypot(40.0, 40.0) - 50.0]
    assert bsplines.distances(curve, points) == pytest.approx(wanted, abs=0.014)
    assert bsplines.distances(curve, points)[[0, 2]] == pytest.approx([10.0, np.hypot(47.0, 4.0)], abs=1e-9)

"""The outline as splines of continuous curvature: one from corner to corner, or one all the way round."""

from __future__ import annotations

import itertools

import numpy as np
import shapely

from calibration.frames import FloatArray, frozen_floats
from digitize import bsplines
from digitize.fair.few_arcs import cut_points, sharpest, stretch_of
from digitize.fair.few_knots import fewest_knots
from digitize.shapes import FairOutline, FairSpline, SplineCurve

# Less than the few arcs' tolerance: a spline costs few knots for being near, and its curvature gains most by it.
TOLERANCE_MM = 0.02
# Looked for within all of the tolerance, then within less, should what lies between the points followed be too far off.
TRIES = (1.0, 0.75)
STEP_MM = 0.25


def fair_spline(fair: FairOutline, tolerance_mm: float = TOLERANCE_MM) -> FairSpline | None:
    """Return the outline as cubic B-splines of few knots, None where none was found within the tolerance.

    Args:
        fair: the smooth outline, body frame. Its corners stay corners, its straight runs straight and where they are,
            and an even outline stays even and square to the centerline.
        tolerance_mm: how far the splines may lie from the smooth outline.
    """
    for part in TRIES:
        curves, smooth = (_even if fair.symmetric else _uneven)(fair, part * tolerance_mm)
        deviation = _deviation(curves, fair.points.xy) if curves else np.inf
        if deviation <= tolerance_mm:
            return FairSpline(tuple(curves), smooth, tolerance_mm, deviation)
    return None


def _even(fair: FairOutline, tolerance_mm: float) -> tuple[list[SplineCurve], bool]:
    """Return the curves of an exactly even outline, those over the centerline in one, and whether it is one loop."""
    half, corners = len(fair.points) // 2, cut_points(fair)
    stops = [0, *(c for c in corners if 0 < c < half), half]
    kinds = ["corner" if c in corners else "square" for c in stops]
    right = []
    for k, (a, b) in enumerate(itertools.pairwise(stops)):
        found = fewest_knots(stretch_of(fair.points.xy[a : b + 1], kinds[k], kinds[k + 1]), tolerance_mm)
        if found is None:
            return [], False
        right.append(found)
    left = [bsplines.mirrored(curve) for curve in right[::-1]]
    curves = [*right, *left]
    if kinds[-1] == "square":
        curves[len(right) - 1 : len(right) + 1] = [bsplines.joined(right[-1], left[0])]
    if kinds[0] == "square" and len(curves) > 1:
        curves = [bsplines.joined(curves[-1], curves[0]), *curves[1:-1]]
    return curves, not corners


def _uneven(fair: FairOutline, tolerance_mm: float) -> tuple[list[SplineCurve], bool]:
    xy, cuts = fair.points.xy, cut_points(fair)
    if not cuts:
        ring = np.roll(xy, -sharpest(xy), axis=0)  # never within a straight run
        loop = fewest_knots(stretch_of(np.vstack([ring, ring[:1]]), "loop", "loop"), tolerance_mm)
        return ([] if loop is None else [_ending_as_begun(loop)]), True
    ring = np.vstack([xy, xy])
    curves = []
    for a, b in zip(cuts, [*cuts[1:], cuts[0] + len(xy)], strict=True):
        found = fewest_knots(stretch_of(ring[a : b + 1], "corner", "corner"), tolerance_mm)
        if found is None:
            return [], False
        curves.append(found)
    return curves, False


def _ending_as_begun(loop: SplineCurve) -> SplineCurve:
    """Return a closed curve with its last point set to the very digits of its first."""
    return SplineCurve(loop.knots, frozen_floats(np.vstack([loop.control_mm[:-1], loop.control_mm[:1]])))


def _deviation(curves: list[SplineCurve], points: FloatArray) -> float:
    """Return the largest distance between curves and points, both ways, mm."""
    there = np.min([bsplines.distances(curve, points) for curve in curves], axis=0).max()
    drawn = np.vstack([bsplines.values(curve, bsplines.spread(curve, STEP_MM)) for curve in curves])
    back = shapely.distance(shapely.points(drawn), shapely.LinearRing(points)).max()
    return float(max(there, back))

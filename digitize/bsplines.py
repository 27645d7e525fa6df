"""The arithmetic of plane cubic B-splines with clamped ends: length, area, extents, distance, joining.

De Boor, A Practical Guide to Splines (1978), chapters IX to XI; pieces as Bezier curves by evaluation at their thirds.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from calibration.frames import FloatArray, IntArray, frozen_floats
from digitize.shapes import SplineCurve

DEGREE = 3
# Gauss's nodes in each piece: exact for areas, and for lengths of fair pieces to 1e-9 of them.
NODES = 16
# Nearest places start from samples this near each other, mm, and settle in so many of Newton's steps.
LOOK_MM, SETTLE_ROUNDS = 0.25, 4
# Control points of one straight line are this near it, mm.
STRAIGHT_MM = 1e-9


def values(curve: SplineCurve, at: FloatArray, derivative: int = 0) -> FloatArray:
    """Return the places (N, 2) on a curve, or their derivatives by its parameter."""
    spline = BSpline(curve.knots, curve.control_mm, DEGREE)
    return np.asarray(spline(np.clip(at, curve.knots[0], curve.knots[-1]), nu=derivative))


def breaks(curve: SplineCurve) -> FloatArray:
    """Return the parameters (S + 1,) where the curve's pieces begin and end."""
    return np.asarray(np.unique(curve.knots))


def curvature(curve: SplineCurve, at: FloatArray) -> FloatArray:
    """Return the curvature (N,), 1/mm, left turns positive."""
    first, second = values(curve, at, 1), values(curve, at, 2)
    return np.asarray((first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3)


def beziers(curve: SplineCurve) -> FloatArray:
    """Return the control points (S, 4, 2) of the curve's pieces as Bezier curves."""
    knots = breaks(curve)
    width = np.diff(knots)[:, None] / 3.0
    ends = values(curve, knots)
    # one-sided derivatives: the middle of a piece is never a knot
    middle = (knots[1:] + knots[:-1]) / 2.0
    slope, bend = values(curve, middle, 1), values(curve, middle, 2)
    twist = values(curve, middle, 3)
    half = np.diff(knots)[:, None] / 2.0
    leave = slope - half * bend + half**2 / 2.0 * twist
    arrive = slope + half * bend + half**2 / 2.0 * twist
    return np.stack([ends[:-1], ends[:-1] + width * leave, ends[1:] - width * arrive, ends[1:]], axis=1)


def _nodes(curve: SplineCurve) -> tuple[FloatArray, FloatArray]:
    """Return parameters and weights of an integral along the curve's pieces."""
    place, weight = np.polynomial.legendre.leggauss(NODES)
    knots = breaks(curve)
    half = np.diff(knots) / 2.0
    at = (knots[1:] + knots[:-1])[:, None] / 2.0 + half[:, None] * place
    return at.ravel(), (half[:, None] * weight).ravel()


def arc_length(curve: SplineCurve) -> float:
    """Return the length of a curve, mm."""
    at, weight = _nodes(curve)
    return float(weight @ np.hypot(*values(curve, at, 1).T))


def swept_area(curve: SplineCurve) -> float:
    """Return the area that the line from the origin sweeps along a curve, mm2; of a closed one, what it holds."""
    at, weight = _nodes(curve)
    (x, y), (along_x, along_y) = values(curve, at).T, values(curve, at, 1).T
    return float(0.5 * weight @ (x * along_y - y * along_x))


def extents(curve: SplineCurve) -> tuple[float, float, float, float]:
    """Return the true extents: x_min, y_min, x_max, y_max, mm."""
    points = [curve.control_mm[[0, -1]]]
    for piece in beziers(curve):
        for axis in (0, 1):
            a, b, c, d = piece[:, axis]
            rate = [d - 3.0 * c + 3.0 * b - a, 2.0 * (c - 2.0 * b + a), b - a]
            turns = np.roots(np.trim_zeros(rate, "f"))
            t = np.real(turns[np.isreal(turns)])
            points.append(_on_bezier(piece, np.append(t[(t > 0.0) & (t < 1.0)], 0.0)))
    every = np.concatenate(points)
    (left, low), (right, high) = every.min(axis=0), every.max(axis=0)
    return float(left), float(low), float(right), float(high)


def _on_bezier(piece: FloatArray, t: FloatArray) -> FloatArray:
    s = 1.0 - t
    weights = np.column_stack([s**3, 3.0 * s**2 * t, 3.0 * s * t**2, t**3])
    return np.asarray(weights @ piece)


def spread(curve: SplineCurve, step_mm: float) -> FloatArray:
    """Return parameters at about even steps along the curve, its breaks among them."""
    knots = breaks(curve)
    chords = np.hypot(*np.diff(values(curve, knots), axis=0).T)
    counts = np.maximum(np.ceil(1.2 * chords / step_mm), 2).astype(np.int64)
    parts = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(knots, knots[1:], counts, strict=False)]
    return np.concatenate([*parts, knots[-1:]])


def distances(curve: SplineCurve, points: FloatArray) -> FloatArray:
    """Return how far points (N, 2) are from the nearest place of a curve, mm: of the curve itself, no chords."""
    look = spread(curve, LOOK_MM)
    _, near = cKDTree(values(curve, look)).query(points)
    off = _from(curve, points, look, near)
    last = len(look) - 1
    at_end = (near == 0) | (near == last)  # of a closed curve the nearest place may lie beyond its seam
    if at_end.any():
        off[at_end] = np.minimum(off[at_end], _from(curve, points[at_end], look, last - near[at_end]))
    return off


def _from(curve: SplineCurve, points: FloatArray, look: FloatArray, near: IntArray) -> FloatArray:
    """Return the distances of points from the nearest places beside the samples ``near``, mm."""
    low, high = look[np.maximum(near - 1, 0)], look[np.minimum(near + 1, len(look) - 1)]
    at = look[near]
    for _ in range(SETTLE_ROUNDS):
        off, along, bend = values(curve, at) - points, values(curve, at, 1), values(curve, at, 2)
        slope = np.einsum("ij,ij->i", off, along)
        steep = np.einsum("ij,ij->i", along, along) + np.einsum("ij,ij->i", off, bend)
        at = np.clip(at - slope / np.where(steep > 0.0, steep, np.inf), low, high)
    return np.asarray(np.hypot(*(values(curve, at) - points).T))


def mirrored(curve: SplineCurve) -> SplineCurve:
    """Return the curve with x turned to -x, run the other way."""
    knots = curve.knots[-1] - curve.knots[::-1]
    return SplineCurve(frozen_floats(knots), frozen_floats(curve.control_mm[::-1] * (-1.0, 1.0)))


def joined(one: SplineCurve, other: SplineCurve) -> SplineCurve:
    """Return two curves as one; the second begins where the first ends, with the same first two derivatives."""
    shift = one.knots[-1] - other.knots[0]
    knots = np.concatenate([one.knots[: -DEGREE - 1], one.knots[-1:], other.knots[DEGREE + 1 :] + shift])
    # as many places as control points, each where one of them has most say: the curve is in the space, so they fix it
    greville = np.convolve(knots[1:-1], np.ones(DEGREE) / DEGREE, mode="valid")
    first = greville <= one.knots[-1]
    there = np.vstack([values(one, greville[first]), values(other, greville[~first] - shift)])
    weights = BSpline.design_matrix(np.clip(greville, knots[0], knots[-1]), knots, DEGREE).toarray()
    control = np.linalg.solve(weights, there)
    control[0], control[-1] = one.control_mm[0], other.control_mm[-1]
    return SplineCurve(frozen_floats(knots), frozen_floats(control))

"""A smooth curve as few arcs that meet tangentially: biarcs, each as long as the tolerance lets it be.

Two arcs that leave one point and reach another in given directions (Bolton, Computer-Aided
Design 7 (1975) 89), joined where both tangents' lengths are equal. A greedy walk takes the
furthest point whose biarc stays within the tolerance of all points between (after Meek and
Walton, J. Comput. Appl. Math. 40 (1992) 105).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray

# Half of what the contract allows, so that what the writers measure stays within it.
ARC_TOLERANCE_MM = 0.005
# Directions closer than this count as one.
PARALLEL = 1e-12
# A last piece shorter than this is evened out with the one before.
LEAST_PIECE_MM = 4.0


@dataclass(frozen=True, eq=False)
class Run:
    """A smooth open piece between two corners (or the whole, cut at its start)."""

    xy: FloatArray  # (N, 2) mm
    tangent: FloatArray  # (N, 2) unit


@dataclass(frozen=True, eq=False)
class _Arc:
    start: FloatArray
    tangent: FloatArray
    curvature: float
    end: FloatArray
    bulge: float


def _cross(a: FloatArray, b: FloatArray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def _arc(start: FloatArray, tangent: FloatArray, end: FloatArray) -> _Arc:
    """Return the arc that leaves ``start`` along ``tangent`` and ends at ``end``."""
    chord = end - start
    length = float(np.hypot(*chord))
    half = float(np.arctan2(_cross(tangent, chord), tangent @ chord))
    return _Arc(start, tangent, 2.0 * np.sin(half) / max(length, 1e-12), end, float(np.tan(half / 2.0)))


def _reach(v: FloatArray, t0: FloatArray, t1: FloatArray) -> float:
    """Return the common length of both end tangents of the biarc's control polygon."""
    along = float(v @ (t0 + t1))
    square, spread = float(v @ v), 2.0 * (1.0 - float(t0 @ t1))
    if spread < PARALLEL:
        return square / (2.0 * along) if along > 0 else np.inf
    return (-along + float(np.sqrt(along**2 + spread * square))) / spread


def biarc(p0: FloatArray, t0: FloatArray, p1: FloatArray, t1: FloatArray) -> tuple[_Arc, _Arc] | None:
    """Return the two arcs from p0 along t0 to p1 along t1, or None where there are none."""
    d = _reach(p1 - p0, t0, t1)
    if not np.isfinite(d) or d <= 0:
        return None
    joint = 0.5 * (p0 + p1 + d * (t0 - t1))
    turned = (p1 - d * t1) - (p0 + d * t0)
    length = float(np.hypot(*turned))
    if length < 1e-12:
        return None
    return _arc(p0, t0, joint), _arc(joint, turned / length, p1)


def _distance(arc: _Arc, xy: FloatArray) -> FloatArray:
    """Return the points' distances from the arc's full circle, exact for lines as well."""
    q = xy - arc.start
    left = np.array([-arc.tangent[1], arc.tangent[0]])
    power = arc.curvature * np.einsum("ij,ij->i", q, q) - 2.0 * q @ left
    return np.asarray(np.abs(power) / (1.0 + np.sqrt(np.maximum(1.0 + arc.curvature * power, 0.0))))


def _fits(run: Run, i: int, k: int, tolerance: float) -> tuple[_Arc, _Arc] | None:
    """Return the biarc from point i to point k if all points between lie within the tolerance of it."""
    pair = biarc(run.xy[i], run.tangent[i], run.xy[k], run.tangent[k])
    if pair is None:
        return None
    if k - i < 2:
        return pair
    inner = run.xy[i + 1 : k]
    second = (inner - pair[1].start) @ pair[1].tangent > 0
    off = np.where(second, _distance(pair[1], inner), _distance(pair[0], inner))
    if off.max() > tolerance or max(abs(arc.bulge) for arc in pair) > 1.0:
        return None
    return pair


def _furthest(run: Run, i: int, tolerance: float) -> int:
    """Return the last point that one biarc from point i reaches within the tolerance."""
    last = len(run.xy) - 1
    good, stride = i + 1, 2
    while good < last and _fits(run, i, min(i + stride, last), tolerance):
        good = min(i + stride, last)
        stride *= 2
    low, high = good, min(i + stride, last)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _fits(run, i, middle, tolerance) else (low, middle)
    return high if high == last and _fits(run, i, high, tolerance) else low


def _stops(run: Run, tolerance: float) -> list[int]:
    """Return the points where biarcs join, first and last included."""
    stops = [0]
    while stops[-1] < len(run.xy) - 1:
        stops.append(_furthest(run, stops[-1], tolerance))
    if len(stops) > 2 and np.hypot(*(run.xy[stops[-1]] - run.xy[stops[-2]])) < LEAST_PIECE_MM:
        even = (stops[-3] + stops[-1]) // 2
        if _fits(run, stops[-3], even, tolerance) and _fits(run, even, stops[-1], tolerance):
            stops[-2] = even
    return stops


def arcs_of(run: Run, tolerance_mm: float = ARC_TOLERANCE_MM) -> tuple[FloatArray, FloatArray]:
    """Return a run's arcs as vertices (V, 2) with bulges (V - 1,).

    Raises:
        ValueError: two neighbouring points cannot be joined by a biarc.
    """
    xy, bulge = [run.xy[0]], []
    stops = _stops(run, tolerance_mm)
    for i, k in itertools.pairwise(stops):
        pair = biarc(run.xy[i], run.tangent[i], run.xy[k], run.tangent[k])
        if pair is None:
            raise ValueError(f"no biarc between points {i} and {k}")
        for arc in pair:
            xy.append(arc.end)
            bulge.append(arc.bulge)
    return np.array(xy), np.array(bulge)

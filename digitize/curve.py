"""Plain measures of polylines in mm that more than one stage needs; arrays in, arrays out.

A polyline is an (N, 2) array. ``closed`` ones do not repeat their first point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from calibration.frames import BoolArray, FloatArray, IntArray

# A corner is judged from the line this far on either side of it ...
CORNER_FLANK_MM = 6.0
# ... leaving out what the ink's own thickness has rounded.
CORNER_BLIND_MM = 0.8
# A short reach for "how much does it turn right here".
CORNER_NEAR_MM = 1.5
# Two tangents turned further than this within that reach are more than a bend of 3 mm radius.
CORNER_NEAR_DEG = 30.0
# The turn left over after both flanks' own curvature is taken out.
CORNER_EXCESS_DEG = 25.0


@dataclass(frozen=True, eq=False)
class Feet:
    """Nearest places on a polyline, one per query point."""

    xy: FloatArray  # (M, 2)
    segment: IntArray  # (M,) the foot lies between this vertex and the next
    fraction: FloatArray  # (M,) 0..1 along the segment
    distance: FloatArray  # (M,) mm, not signed


def steps(xy: FloatArray, closed: bool) -> FloatArray:
    """Return the lengths of the segments, (N,) when closed, else (N - 1,)."""
    ahead = np.roll(xy, -1, axis=0) if closed else xy[1:]
    back = xy if closed else xy[:-1]
    return np.asarray(np.hypot(*(ahead - back).T), dtype=np.float64)


def arc_length(xy: FloatArray, closed: bool) -> FloatArray:
    """Return the distance along the curve at each vertex; closed curves add the total, (N + 1,)."""
    return np.concatenate([[0.0], np.cumsum(steps(xy, closed))])


def signed_area(xy: FloatArray) -> float:
    """Return the area of a closed polyline in mm2, positive when counter-clockwise."""
    x, y = (xy - xy.mean(axis=0)).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def resample(xy: FloatArray, step_mm: float, closed: bool) -> FloatArray:
    """Return points evenly spaced along the curve, as near to ``step_mm`` as divides it."""
    at = arc_length(xy, closed)
    ring = np.vstack([xy, xy[:1]]) if closed else xy
    count = max(round(at[-1] / step_mm), 3)
    want = np.linspace(0.0, at[-1], count + 1)[: count if closed else count + 1]
    return np.column_stack([np.interp(want, at, ring[:, 0]), np.interp(want, at, ring[:, 1])])


def blurred(xy: FloatArray, sd_samples: float, closed: bool) -> FloatArray:
    """Return the curve under a Gaussian of ``sd_samples``; open ends stay where they are."""
    if closed:
        return np.asarray(gaussian_filter1d(xy, sd_samples, axis=0, mode="wrap"))
    pad = min(int(4 * sd_samples) + 1, len(xy) - 1)
    head = 2 * xy[0] - xy[pad:0:-1]
    tail = 2 * xy[-1] - xy[-2 : -pad - 2 : -1]
    long = gaussian_filter1d(np.vstack([head, xy, tail]), sd_samples, axis=0, mode="nearest")
    return np.asarray(long[pad : pad + len(xy)])


def unit_tangents(xy: FloatArray, closed: bool) -> FloatArray:
    """Return (N, 2) unit tangents by central differences."""
    along = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0) if closed else np.gradient(xy, axis=0)
    length = np.hypot(*along.T)
    return np.asarray(along / np.where(length > 0, length, 1.0)[:, None])


def right_normals(tangents: FloatArray) -> FloatArray:
    """Return the tangents turned clockwise: outward for a counter-clockwise loop."""
    return np.column_stack([tangents[:, 1], -tangents[:, 0]])


def feet(points: FloatArray, line: FloatArray, closed: bool) -> Feet:
    """Return the nearest place on ``line`` for each of ``points``.

    The nearest vertex is looked up first, then both segments that meet there; right as
    long as the line's points are closer together than its bends.
    """
    count = len(line)
    _, near = cKDTree(line).query(points)
    options = []
    for start in (near - 1, near):
        first = start % count if closed else np.clip(start, 0, count - 2)
        a, b = line[first], line[(first + 1) % count]
        along = b - a
        square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-30)
        part = np.clip(np.einsum("ij,ij->i", points - a, along) / square, 0.0, 1.0)
        at = a + part[:, None] * along
        options.append((np.hypot(*(points - at).T), at, first, part))
    second = options[1][0] < options[0][0]
    pick = [np.where(second[:, None] if o0.ndim == 2 else second, o1, o0) for o0, o1 in zip(*options, strict=True)]
    return Feet(pick[1], pick[2].astype(np.int64), pick[3], pick[0])


def _end_tangent(s: FloatArray, xy: FloatArray, curved: bool) -> FloatArray:
    """Return the unit tangent at s = 0 of a robust low-order fit through (s, xy)."""
    powers = np.vander(s, 3 if curved else 2, increasing=True)
    weight = np.ones(len(s))
    for _ in range(3):
        root = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(root * powers, root * xy, rcond=None)[0]
        off = np.hypot(*(xy - powers @ fit).T)
        scale = 2.5 * max(float(np.median(off)), 1e-6)
        weight = 1.0 / (1.0 + (off / scale) ** 2)
    return np.asarray(fit[1] / np.hypot(*fit[1]))


def _turn_deg(before: FloatArray, after: FloatArray) -> float:
    cross = before[0] * after[1] - before[1] * after[0]
    return float(np.degrees(np.arctan2(cross, before @ after)))


def _window(at: FloatArray, xy: FloatArray, centre: float, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Return (s - centre, xy) of a closed curve's points between two distances from ``centre``."""
    total = at[-1]
    away = (at[:-1] - centre + total / 2) % total - total / 2
    chosen = np.flatnonzero((away >= low) & (away <= high))
    order = chosen[np.argsort(away[chosen])]
    return away[order], xy[order]


def corner_turns(xy: FloatArray, at: FloatArray, index: int) -> tuple[float, float]:
    """Return how far a closed curve turns at a vertex, in degrees, counter-clockwise positive.

    Args:
        xy: (N, 2) closed polyline in mm.
        at: (N + 1,) its arc length.
        index: the vertex.

    Returns:
        The turn left over when both flanks' own curvature is followed up to the vertex, and
        the plain turn within :data:`CORNER_NEAR_MM`; zeros where there are too few points.
    """
    centre = float(at[index])
    sides = [
        _window(at, xy, centre, low, high)
        for low, high in (
            (-CORNER_FLANK_MM, -CORNER_BLIND_MM),
            (CORNER_BLIND_MM, CORNER_FLANK_MM),
            (-CORNER_NEAR_MM, 0.0),
            (0.0, CORNER_NEAR_MM),
        )
    ]
    if min(len(s) for s, _ in sides[:2]) < 5 or min(len(s) for s, _ in sides[2:]) < 3:
        return 0.0, 0.0
    flank = [_end_tangent(s, p, curved=True) for s, p in sides[:2]]
    near = [_end_tangent(s, p, curved=False) for s, p in sides[2:]]
    return _turn_deg(flank[0], flank[1]), _turn_deg(near[0], near[1])


def sharp_vertices(xy: FloatArray, traced: BoolArray) -> list[int]:
    """Return vertices of a closed curve that turn more sharply than a bend of 3 mm radius.

    Args:
        xy: (N, 2) closed polyline in mm, about evenly spaced.
        traced: (N,) False where the line was bridged; no corner is looked for there.
    """
    at = arc_length(xy, closed=True)
    step = at[-1] / len(xy)
    reach = max(round(CORNER_NEAR_MM / step), 1)
    ahead = np.roll(xy, -reach, axis=0) - xy
    back = xy - np.roll(xy, reach, axis=0)
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    turn = np.abs(np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", back, ahead))))
    found: list[int] = []
    for index in np.flatnonzero((turn > CORNER_EXCESS_DEG) & traced):
        around = np.arange(index - 2 * reach, index + 2 * reach + 1) % len(xy)
        if turn[index] < turn[around].max() or any(k in set(around.tolist()) for k in found):
            continue
        excess, near = corner_turns(xy, at, int(index))
        if abs(excess) > CORNER_EXCESS_DEG and abs(near) > CORNER_NEAR_DEG:
            found.append(int(index))
    return found

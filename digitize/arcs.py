"""The arithmetic of lines and arcs: length, area, extents, flattening, cutting.

Bulge b = tan(theta / 4) of an arc that turns by theta (Autodesk DXF reference, LWPOLYLINE group 42), positive
counter-clockwise. With chord c: sagitta b c / 2, radius c (1 + b^2) / (4 |b|).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray, frozen_floats
from digitize.shapes import ArcPath

Box = tuple[float, float, float, float]  # x_min, y_min, x_max, y_max, mm

# Below this bulge an arc and its chord differ by less than 1e-9 of the chord: the arc formulas lose digits there.
STRAIGHT_BULGE = 1e-9
# Longest flattened step of an arc: 22.5 degrees, so that no vertex count is ever silly.
FLATTEN_STEP_RAD = math.pi / 8
PATHS_KEPT = 512  # whose pieces and extents are remembered; a path never changes
PAIRS_AT_ONCE = 200_000  # points times pieces whose distances are worked out in one go


def polygon(xy_mm: FloatArray, closed: bool = True) -> ArcPath:
    """Return straight lines through (V, 2) points as a path."""
    xy = frozen_floats(xy_mm)
    return ArcPath(xy, frozen_floats(np.zeros(len(xy) - (not closed))), closed)


@lru_cache(PATHS_KEPT)
def segments(path: ArcPath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the starts (S, 2), ends (S, 2) and bulges (S,) of a path's lines and arcs.

    Raises:
        ValueError: the number of bulges does not fit the vertices.
    """
    starts = path.xy_mm if path.closed else path.xy_mm[:-1]
    ends = np.roll(path.xy_mm, -1, axis=0) if path.closed else path.xy_mm[1:]
    if path.bulge.shape != (len(starts),):
        raise ValueError(f"{len(path.xy_mm)} vertices and {path.bulge.shape} bulges do not fit")
    return frozen_floats(starts), frozen_floats(ends), path.bulge


def point_on(start: FloatArray, end: FloatArray, bulge: FloatArray, at: FloatArray) -> FloatArray:
    """Return the points (..., 2) at the fractions ``at`` of the turned angle (of the length, if straight).

    From the arc's own chord: with half angle h = 2 atan(b) and t from -1 to 1, along = sin(h t) / sin h and
    aside = (cos(h t) - cos h) / sin h in half chords, the arc bulging to the right of start -> end when b > 0.
    """
    half = 2.0 * np.arctan(np.asarray(bulge, dtype=np.float64))
    straight = np.abs(bulge) < STRAIGHT_BULGE
    safe = np.where(straight, 1.0, half)
    t = 2.0 * np.asarray(at, dtype=np.float64) - 1.0
    along = np.where(straight, t, np.sin(safe * t) / np.sin(safe))
    aside = np.where(straight, 0.0, (np.cos(safe * t) - np.cos(safe)) / np.sin(safe))
    chord = (end - start) / 2.0
    right = np.stack([chord[..., 1], -chord[..., 0]], axis=-1)
    return np.asarray((start + end) / 2.0 + along[..., None] * chord + aside[..., None] * right, dtype=np.float64)


def arc_length(path: ArcPath) -> float:
    """Return the length of a path, mm."""
    return float(np.sum(segment_lengths(path)))


def segment_lengths(path: ArcPath) -> FloatArray:
    """Return the length of each line or arc of a path, mm (S,)."""
    starts, ends, bulge = segments(path)
    half = 2.0 * np.arctan(np.abs(bulge))
    straight = np.abs(bulge) < STRAIGHT_BULGE
    safe = np.where(straight, 1.0, half)
    stretch = np.where(straight, 1.0, safe / np.sin(safe))
    return np.asarray(np.hypot(*(ends - starts).T) * stretch, dtype=np.float64)


def signed_area(path: ArcPath) -> float:
    """Return the area inside a closed path, mm2; positive when it runs counter-clockwise.

    The polygon of the chords, plus each arc's segment r^2 (theta - sin theta) / 2 with the sign of its bulge.
    """
    starts, ends, bulge = segments(path)
    chords = 0.5 * float(np.sum(starts[:, 0] * ends[:, 1] - ends[:, 0] * starts[:, 1]))
    arced = np.abs(bulge) >= STRAIGHT_BULGE
    b, chord = bulge[arced], np.hypot(*(ends - starts)[arced].T)
    turned = 4.0 * np.arctan(b)
    radius = chord * (1.0 + b**2) / (4.0 * np.abs(b))
    return chords + float(np.sum(0.5 * radius**2 * (turned - np.sin(turned))))


@lru_cache(PATHS_KEPT)
def centres(path: ArcPath) -> tuple[FloatArray, FloatArray]:
    """Return the centres (S, 2) and radii (S,) of a path's arcs; NaN and inf for straight lines."""
    starts, ends, bulge = segments(path)
    chord = ends - starts
    left = np.stack([-chord[:, 1], chord[:, 0]], axis=1)
    straight = np.abs(bulge) < STRAIGHT_BULGE
    safe = np.where(straight, 1.0, bulge)
    centre = (starts + ends) / 2.0 + ((1.0 - safe**2) / (4.0 * safe))[:, None] * left
    radius = np.hypot(*chord.T) * (1.0 + safe**2) / (4.0 * np.abs(safe))
    return frozen_floats(np.where(straight[:, None], np.nan, centre)), frozen_floats(np.where(straight, np.inf, radius))


@lru_cache(PATHS_KEPT)
def extents(path: ArcPath) -> Box:
    """Return the true extents of a path, mm, arcs' own extremes included."""
    points = [path.xy_mm]
    starts, ends, bulge = segments(path)
    centre, radius = centres(path)
    for step in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)):
        extreme = centre + np.where(np.isfinite(radius), radius, np.nan)[:, None] * np.array(step)
        # Of the extreme only the coordinate that is one: a nearly straight arc's centre is uncertain along its chord.
        reached = np.where(np.array(step) != 0.0, extreme, starts)
        points.append(reached[_inside(extreme, starts, ends, bulge)])
    every = np.concatenate(points)
    low, high = every.min(axis=0), every.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _inside(points: FloatArray, starts: FloatArray, ends: FloatArray, bulge: FloatArray) -> BoolArray:
    """Tell which points of the full circles lie on the arcs: on the bulging side of the chord."""
    chord, to_point = ends - starts, points - starts
    right = chord[:, 1] * to_point[:, 0] - chord[:, 0] * to_point[:, 1]
    return np.isfinite(right) & (right * bulge > 0.0)


def union(boxes: list[Box]) -> Box:
    """Return the smallest box around boxes.

    Raises:
        ValueError: there are none.
    """
    low_x, low_y, high_x, high_y = zip(*boxes, strict=True)
    return min(low_x), min(low_y), max(high_x), max(high_y)


def distances(path: ArcPath, points: FloatArray) -> FloatArray:
    """Return how far points (N, 2) are from the nearest place of a path, mm (N,): its arcs themselves, no chords."""
    starts, ends, bulge = segments(path)
    straight = np.abs(bulge) < STRAIGHT_BULGE
    lines = starts[straight], ends[straight]
    arcs = starts[~straight], ends[~straight], bulge[~straight], *(each[~straight] for each in centres(path))
    step = max(1, PAIRS_AT_ONCE // max(len(starts), 1))
    nearest = np.full(len(points), np.inf)
    for first in range(0, len(points), step):
        some = points[first : first + step, :, None]
        off = nearest[first : first + step]
        if straight.any():
            np.minimum(off, _from_lines(some, *lines), out=off)
        if not straight.all():
            np.minimum(off, _from_arcs(some, *arcs), out=off)
    return nearest


def _from_lines(at: FloatArray, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Return the distances of places (N, 2, 1) from the nearest of lines."""
    length = np.maximum(norms(ends - starts), 1e-300)
    (ux, uy) = (ends - starts).T / length
    x, y = at[:, 0] - starts[:, 0], at[:, 1] - starts[:, 1]
    along = x * ux + y * uy
    beyond = along - np.clip(along, 0.0, length)
    return np.asarray(np.hypot(x * uy - y * ux, beyond).min(axis=1))


def _from_arcs(
    at: FloatArray, starts: FloatArray, ends: FloatArray, bulge: FloatArray, centre: FloatArray, radius: FloatArray
) -> FloatArray:
    """Return the distances of places (N, 2, 1) from the nearest of arcs."""
    turned = 4.0 * np.arctan(bulge)
    began = np.arctan2(*(starts - centre).T[::-1])
    x, y = at[:, 0] - centre[:, 0], at[:, 1] - centre[:, 1]
    # how far the direction from the centre is from the arc's middle; beside the arc when within half of its turn
    off = np.arctan2(y, x) - (began + turned / 2.0)
    off -= 2.0 * np.pi * np.rint(off / (2.0 * np.pi))
    beside = np.abs(off) <= np.abs(turned) / 2.0
    to_start = (at[:, 0] - starts[:, 0]) ** 2 + (at[:, 1] - starts[:, 1]) ** 2
    to_end = (at[:, 0] - ends[:, 0]) ** 2 + (at[:, 1] - ends[:, 1]) ** 2
    to_ends = np.sqrt(np.minimum(to_start, to_end))
    return np.asarray(np.where(beside, np.abs(np.hypot(x, y) - radius), to_ends).min(axis=1))


def norms(vectors: FloatArray) -> FloatArray:
    """Return the lengths of vectors (..., 2)."""
    return np.asarray(np.hypot(vectors[..., 0], vectors[..., 1]))


def flatten(path: ArcPath, tolerance_mm: float) -> FloatArray:
    """Return points (N, 2) on a path, chords within ``tolerance_mm`` of it; a closed path's first not repeated."""
    starts, ends, bulge = segments(path)
    _, radius = centres(path)
    turned = 4.0 * np.arctan(np.abs(bulge))
    reach = np.clip(1.0 - tolerance_mm / np.where(np.isfinite(radius), radius, 1.0), -1.0, 1.0)
    step = np.minimum(2.0 * np.arccos(reach), FLATTEN_STEP_RAD)
    counts = np.where(np.abs(bulge) < STRAIGHT_BULGE, 1, np.ceil(turned / step)).astype(np.int64)
    points = _spread(starts, ends, bulge, counts)
    return points if path.closed else np.concatenate([points, path.xy_mm[-1:]])


def sampled(path: ArcPath, step_mm: float) -> FloatArray:
    """Return points (N, 2) on a path no more than ``step_mm`` apart along it, its vertices among them."""
    starts, ends, bulge = segments(path)
    counts = np.maximum(1, np.ceil(segment_lengths(path) / step_mm)).astype(np.int64)
    points = _spread(starts, ends, bulge, counts)
    return points if path.closed else np.concatenate([points, path.xy_mm[-1:]])


def _spread(starts: FloatArray, ends: FloatArray, bulge: FloatArray, counts: IntArray) -> FloatArray:
    """Return each segment cut into equal parts: the start of every part."""
    owner = np.repeat(np.arange(len(counts)), counts)
    first = np.repeat(np.cumsum(counts) - counts, counts)
    at = (np.arange(len(owner)) - first) / counts[owner]
    points = point_on(starts[owner], ends[owner], bulge[owner], at)
    points[at == 0.0] = starts
    return points


def split_arcs(path: ArcPath, most_rad: float) -> ArcPath:
    """Return the same curve with no arc turning by more than ``most_rad``."""
    starts, ends, bulge = segments(path)
    turned = 4.0 * np.arctan(bulge)
    counts = np.maximum(1, np.ceil(np.abs(turned) / most_rad - STRAIGHT_BULGE)).astype(np.int64)
    points = _spread(starts, ends, bulge, counts)
    parts = np.repeat(np.where(counts == 1, bulge, np.tan(turned / counts / 4.0)), counts)
    if not path.closed:
        points = np.concatenate([points, path.xy_mm[-1:]])
    return ArcPath(frozen_floats(points), frozen_floats(parts), path.closed)


def mirrored(path: ArcPath) -> ArcPath:
    """Return the path with x turned to -x; it then runs the other way round."""
    return ArcPath(frozen_floats(path.xy_mm * (-1.0, 1.0)), frozen_floats(-path.bulge), path.closed)


def crossings(path: ArcPath) -> list[tuple[int, float, float]]:
    """Return where a path crosses x = 0 from one side to the other: (segment, fraction, y_mm) in order.

    A vertex on x = 0 counts as the right side, so that no crossing is found twice.
    """
    starts, ends, bulge = segments(path)
    # An arc stays within its length of both its ends.
    reach = segment_lengths(path)
    near = (np.minimum(starts[:, 0], ends[:, 0]) - reach <= 0.0) & (np.maximum(starts[:, 0], ends[:, 0]) + reach >= 0.0)
    found: list[tuple[int, float, float]] = []
    for index in np.flatnonzero(near):
        found += [(int(index), at, y) for at, y in _segment_crossings(starts[index], ends[index], float(bulge[index]))]
    return found


def _segment_crossings(start: FloatArray, end: FloatArray, bulge: float) -> list[tuple[float, float]]:
    """Return the sign changes of x along one line or arc, as (fraction, y_mm)."""
    knots = [0.0, *_turning(start, end, bulge), 1.0]
    x = [float(start[0]), *(float(_at(start, end, bulge, at)[0]) for at in knots[1:-1]), float(end[0])]
    found = []
    for i in range(len(knots) - 1):
        if (x[i] >= 0.0) != (x[i + 1] >= 0.0):
            at = _bisect(start, end, bulge, (knots[i], knots[i + 1]), rising=x[i] < x[i + 1])
            found.append((at, float(_at(start, end, bulge, at)[1])))
    return found


def _at(start: FloatArray, end: FloatArray, bulge: float, at: float) -> FloatArray:
    return point_on(start, end, np.asarray(bulge, dtype=np.float64), np.asarray(at, dtype=np.float64))


def _turning(start: FloatArray, end: FloatArray, bulge: float) -> list[float]:
    """Return the fractions at which an arc's x turns back: where it heads straight up or down."""
    if abs(bulge) < STRAIGHT_BULGE:
        return []
    turned = 4.0 * math.atan(bulge)
    chord = math.atan2(float(end[1] - start[1]), float(end[0] - start[0]))
    heading = chord - turned / 2.0
    fractions = [((math.pi * (k + 0.5)) - heading) / turned for k in range(-5, 5)]
    return sorted(at for at in fractions if 0.0 < at < 1.0)


def _bisect(start: FloatArray, end: FloatArray, bulge: float, between: tuple[float, float], rising: bool) -> float:
    """Return the fraction where x passes 0, to the last digit of a float."""
    low, high = between
    for _ in range(60):
        middle = (low + high) / 2.0
        if (_at(start, end, bulge, middle)[0] < 0.0) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def run_between(path: ArcPath, first: tuple[int, float, float], last: tuple[int, float, float]) -> ArcPath:
    """Return the open stretch of a closed path from one crossing of x = 0 on to another, both set exactly on x = 0."""
    starts, ends, bulge = segments(path)
    count = len(starts)
    between = (last[0] - first[0]) % count
    if between == 0 and last[1] <= first[1]:
        between = count
    order = [(first[0] + k) % count for k in range(between + 1)]
    inner = [ends[i] for i in order[:-1]]
    turned = 4.0 * np.arctan(bulge[order])
    share = np.ones(len(order))
    share[0] -= first[1]
    share[-1] -= 1.0 - last[1]
    xy = np.array([(0.0, first[2]), *inner, (0.0, last[2])])
    return _without_specks(xy, np.tan(turned * share / 4.0))


def _without_specks(xy: FloatArray, bulge: FloatArray) -> ArcPath:
    """Return the open path without the parts of no length that a cut through a vertex leaves."""
    speck_mm = 1e-9
    longer = np.hypot(*np.diff(xy, axis=0).T) > speck_mm
    kept = np.append(True, longer)
    if not longer[-1]:  # keep the exact end instead of the vertex before it
        kept[-1] = True
        kept[np.flatnonzero(kept[:-1])[-1]] = False
    return ArcPath(frozen_floats(xy[kept]), frozen_floats(bulge[longer]), False)

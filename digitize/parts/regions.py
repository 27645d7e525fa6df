"""Closed paths put together and cut: unions, what lies right of the centerline, simple figures. mm."""

from __future__ import annotations

import math

import numpy as np

from calibration.errors import Refusal
from calibration.frames import FloatArray, frozen_floats
from digitize.arcs import crossings, extents, point_on, polygon, run_between, segment_lengths, signed_area
from digitize.parts.meet import Meetings, Pieces, joined, meetings, split, winding
from digitize.parts.offset import backwards, counter_clockwise
from digitize.shapes import ArcPath

SPECK_MM = 1e-5  # of a cut beside a vertex
TOUCH_MM = 1e-4  # how badly two nearly tangent circles of a metre fix where they meet


def union(one: ArcPath, other: ArcPath) -> ArcPath:
    """Return the outer edge of two closed paths that overlap, counter-clockwise.

    Their edges may cross, not run along each other.

    Raises:
        ValueError: they do not overlap.
    """
    one, other = counter_clockwise(one), counter_clockwise(other)
    met = meetings(one, other)
    parts = _outside(one, met.one, met.at_one, other).and_also(_outside(other, met.other, met.at_other, one))
    loops = joined(parts)
    if not len(met.one):
        big, small = sorted((one, other), key=signed_area, reverse=True)
        if winding(small.xy_mm[:1], big)[0] == 0:
            raise ValueError("two paths that do not overlap have no common edge")
        return big
    return max(loops, key=signed_area)


def _outside(path: ArcPath, piece: np.ndarray, at: FloatArray, other: ArcPath) -> Pieces:
    parts = split(path, piece, at)
    return parts.only(winding(parts.middles, other) == 0)


def right_run(path: ArcPath) -> ArcPath:
    """Return the open stretch of a closed path with x >= 0, from its lower to its upper end on x = 0.

    Raises:
        Refusal: ``half-not-single`` when the path does not cross x = 0 exactly twice.
    """
    path = counter_clockwise(path)
    found = crossings(path)
    if len(found) != 2:
        raise Refusal("half-not-single", count=len(found))
    low, high = sorted(found, key=lambda one: one[2])
    return _without_specks(run_between(path, low, high))


def _without_specks(run: ArcPath) -> ArcPath:
    """Return an open path without pieces that are shorter than two places can be told apart; its ends stay."""
    long = segment_lengths(run) > SPECK_MM
    xy = np.concatenate([run.xy_mm[:-1][long], run.xy_mm[-1:]])
    xy[0] = run.xy_mm[0]
    return ArcPath(frozen_floats(xy), frozen_floats(run.bulge[long]), False)


def ring_half(outer: ArcPath, inner: ArcPath) -> ArcPath:
    """Return what lies between two closed paths and right of x = 0: one closed path, counter-clockwise.

    Raises:
        Refusal: ``half-not-single`` when either does not cross x = 0 exactly twice.
    """
    outside, inside = right_run(outer), backwards(right_run(inner))
    xy = np.concatenate([outside.xy_mm, inside.xy_mm])
    return ArcPath(frozen_floats(xy), frozen_floats([*outside.bulge, 0.0, *inside.bulge, 0.0]), True)


def half(path: ArcPath) -> ArcPath:
    """Return what a closed path holds right of x = 0, closed by a straight line.

    Raises:
        Refusal: ``half-not-single`` when it does not cross x = 0 exactly twice.
    """
    run = right_run(path)
    return ArcPath(run.xy_mm, frozen_floats(np.append(run.bulge, 0.0)), True)


def stretch(path: ArcPath, first: tuple[int, float], last: tuple[int, float]) -> ArcPath:
    """Return the part of an open path from one (piece, fraction) to a later one.

    Raises:
        ValueError: the second is not after the first.
    """
    if last <= first:
        raise ValueError("a stretch ends after it begins")
    parts = split(path, np.array([first[0], last[0]]), np.array([first[1], last[1]]))
    begin, end = _place(path, first), _place(path, last)
    start = int(np.argmin(np.hypot(*(parts.starts - begin).T)))
    stop = int(np.argmin(np.hypot(*(parts.ends - end).T)))
    xy = np.concatenate([parts.starts[start : stop + 1], parts.ends[stop : stop + 1]])
    return ArcPath(frozen_floats(xy), frozen_floats(parts.bulge[start : stop + 1]), False)


def _place(path: ArcPath, at: tuple[int, float]) -> FloatArray:
    i, fraction = at
    return point_on(path.xy_mm[i], path.xy_mm[i + 1], path.bulge[i], np.asarray(fraction))


def level_places(path: ArcPath, y_mm: float) -> Meetings:
    """Return where an open or closed path meets a level line."""
    left, _, right, _ = extents(path)
    return meetings(path, polygon(np.array([(left - 1.0, y_mm), (right + 1.0, y_mm)]), closed=False))


def upright_places(path: ArcPath, x_mm: float) -> Meetings:
    """Return where a path meets an upright line."""
    _, low, _, top = extents(path)
    return meetings(path, polygon(np.array([(x_mm, low - 1.0), (x_mm, top + 1.0)]), closed=False))


def closed_by(run: ArcPath, more_xy: list[tuple[float, float]]) -> ArcPath:
    """Return an open path closed by straight lines through more places, counter-clockwise."""
    xy = np.concatenate([run.xy_mm, np.array(more_xy, dtype=np.float64).reshape(-1, 2)])
    bulge = np.concatenate([run.bulge, np.zeros(len(more_xy) + 1)])
    return counter_clockwise(ArcPath(frozen_floats(xy), frozen_floats(bulge), True))


def circle(centre: tuple[float, float], diameter_mm: float) -> ArcPath:
    """Return a circle, counter-clockwise."""
    x, y, r = *centre, diameter_mm / 2.0
    return ArcPath(frozen_floats([(x + r, y), (x - r, y)]), frozen_floats([1.0, 1.0]), True)


def box(left: float, low: float, right: float, top: float, corner_mm: float = 0.0) -> ArcPath:
    """Return an upright rectangle, its corners rounded where ``corner_mm`` is not 0, counter-clockwise."""
    r = min(corner_mm, (right - left) / 2.0, (top - low) / 2.0)
    if r <= 0.0:
        return polygon(frozen_floats([(left, low), (right, low), (right, top), (left, top)]))
    xy = [(left + r, low), (right - r, low), (right, low + r), (right, top - r),
          (right - r, top), (left + r, top), (left, top - r), (left, low + r)]  # fmt: skip
    quarter = math.tan(math.pi / 8.0)
    return ArcPath(frozen_floats(xy), frozen_floats([0.0, quarter] * 4), True)


def moved(path: ArcPath, shift: tuple[float, float], quarters: int = 0) -> ArcPath:
    """Return a path turned counter-clockwise about (0, 0) by quarters, then moved."""
    xy = path.xy_mm
    for _ in range(quarters % 4):
        xy = np.column_stack([-xy[:, 1], xy[:, 0]])
    return ArcPath(frozen_floats(xy + np.array(shift)), path.bulge, path.closed)


def crosses_itself(path: ArcPath) -> bool:
    """Tell whether a closed path touches or crosses itself.

    Neighbours that follow each other almost tangentially meet at their vertex no more sharply than ``TOUCH_MM``.
    """
    met = meetings(path)
    count = len(path.bulge)
    after, before = (met.one + 1) % count, (met.other + 1) % count
    joint = np.where((after == met.other)[:, None], path.xy_mm[met.other], path.xy_mm[met.one])
    neighbours = (after == met.other) | (before == met.one)
    at_joint = neighbours & (np.hypot(*(met.xy_mm - joint).T) <= TOUCH_MM)
    return bool((~at_joint).any())

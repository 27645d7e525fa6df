"""The fewest knots with which a cubic B-spline keeps within a tolerance of a curve.

Knots lie as densely as single cubics, each equally far off, would follow one another (the rule of equal error: de
Boor, A Practical Guide to Splines (1978), chapter XII); the number is the smallest for which the whole spline keeps
within the tolerance. Straight runs are one piece each.
"""

from __future__ import annotations

import itertools

import numpy as np

from calibration.frames import FloatArray
from digitize import bsplines
from digitize.fair.chain_fit import Stretch
from digitize.fair.cuts import parts_between
from digitize.fair.spline_fit import Bend, fitted, senses
from digitize.shapes import SplineCurve

# Single cubics are cut at this part of the tolerance: less free, a spline needs more pieces anyway.
CUT_PART = 0.25
# What is followed lies so far apart, and what is left of the tolerance for what lies between.
BETWEEN_PART = 0.02
# Knots move to where the distances are larger, so often, by this power of them.
MOVES, MOVE_POWER = 3, 0.2
# Numbers of pieces are tried up to so many times the first guess, and no piece is shorter than this, mm.
MOST_TIMES, LEAST_PIECE_MM = 4.0, 0.75
STRIDE = 8


def _cubic_off(xy: FloatArray) -> float:
    """Return how far points lie from the cubic through them by their length along, at most, mm."""
    if len(xy) < 6:
        return 0.0
    step = np.hypot(*np.diff(xy, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(step)])
    basis = np.polynomial.legendre.legvander(2.0 * at / at[-1] - 1.0, 3)
    off = xy - basis @ np.linalg.lstsq(basis, xy, rcond=None)[0]
    along = np.gradient(xy, axis=0)
    across = (off[:, 0] * along[:, 1] - off[:, 1] * along[:, 0]) / np.hypot(*along.T)
    return float(np.abs(across).max())


def _furthest(xy: FloatArray, first: int, within_mm: float) -> int:
    """Return the last point up to which one cubic from ``first`` keeps within."""
    last = len(xy) - 1
    good, stride = min(first + 4, last), 32
    while good < last and _cubic_off(xy[first : min(first + stride, last) + 1]) <= within_mm:
        good = min(first + stride, last)
        stride *= 2
    low, high = good, min(first + stride, last)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _cubic_off(xy[first : middle + 1]) <= within_mm else (low, middle)
    return high if high == last and _cubic_off(xy[first:]) <= within_mm else low


class _Part:
    """A stretch between straight runs, and how many single cubics lie before each place on it."""

    def __init__(self, stretch: Stretch, first: int, last: int, within_mm: float) -> None:
        xy, place = stretch.xy[first : last + 1], stretch.place[first : last + 1]
        cuts = [0]
        while cuts[-1] < len(xy) - 1:
            cuts.append(_furthest(xy, cuts[-1], within_mm))
        full = _furthest(xy[::-1], 0, within_mm)  # the last one is cut short: as long as it would be
        share = min(1.0, (cuts[-1] - cuts[-2]) / max(full, 1))
        self.place = place[cuts]
        self.number = np.append(np.arange(len(cuts) - 1.0), len(cuts) - 2.0 + max(share, 0.05))

    def breaks(self, count: int) -> FloatArray:
        """Return where ``count`` pieces begin and end."""
        return np.interp(np.linspace(0.0, self.number[-1], count + 1), self.number, self.place)


def _breaks(stretch: Stretch, parts: list[_Part], times: float, least: list[int]) -> FloatArray:
    """Return the breaks of the whole stretch for ``times`` as many pieces as single cubics need."""
    ends = [stretch.place[0], stretch.place[-1], *(run.low for run in stretch.straights)]
    ends += [run.high for run in stretch.straights]
    for part, few in zip(parts, least, strict=True):
        room = int((part.place[-1] - part.place[0]) / LEAST_PIECE_MM)
        count = max(few, min(round(times * part.number[-1]), max(room, few)))
        ends.extend(part.breaks(count))
    return _distinct(np.array(ends))


def _distinct(places: FloatArray) -> FloatArray:
    places = np.sort(places)
    return places[np.append(True, np.diff(places) > 1e-6)]


def _least(stretch: Stretch) -> list[int]:
    """Return how few pieces each part may have: between two straight runs their lines must meet."""
    last = len(stretch.xy) - 1
    inner = [(a > 0) + (b < last) for a, b in parts_between(stretch)]
    return [(1, 2, 3)[k] for k in inner]


def _moved(stretch: Stretch, breaks: FloatArray, curve: SplineCurve, parts: list[_Part]) -> FloatArray:
    """Return the breaks moved so that the pieces' largest distances become alike; straight runs stay."""
    off = bsplines.distances(curve, stretch.xy)
    owner = np.clip(np.searchsorted(breaks, stretch.place, side="right") - 1, 0, len(breaks) - 2)
    worst = np.full(len(breaks) - 1, 1e-6)
    np.maximum.at(worst, owner, off)
    # a piece's neighbours share its distance: knots have say two pieces around
    spread = np.maximum(worst, 0.5 * np.maximum(np.append(worst[1:], 0.0), np.insert(worst[:-1], 0, 0.0)))
    moved = [breaks[0], breaks[-1]]
    for part in parts:
        inside = np.flatnonzero((breaks[:-1] >= part.place[0] - 1e-6) & (breaks[1:] <= part.place[-1] + 1e-6))
        density = spread[inside] ** MOVE_POWER
        total = np.concatenate([[0.0], np.cumsum(density)])
        edges = breaks[np.append(inside, inside[-1] + 1)]
        moved.extend(np.interp(np.linspace(0.0, total[-1], len(edges)), total, edges))
    for run in stretch.straights:
        moved += [run.low, run.high]
    return _distinct(np.array(moved))


def _with(
    stretch: Stretch, parts: list[_Part], times: float, inner: float, bend: Bend, moves: int = MOVES
) -> tuple[FloatArray, SplineCurve] | None:
    """Return breaks and spline for so many times the pieces of single cubics, None where none keeps within."""
    breaks = _breaks(stretch, parts, times, _least(stretch))
    for _ in range(moves + 1):
        curve, worst = fitted(stretch, breaks, inner, bend)
        if curve is None:
            return None
        if worst <= inner:
            return breaks, curve
        if worst > 2.0 * inner or not parts:
            return None
        breaks = _moved(stretch, breaks, curve, parts)
    return None


def _fewer(
    stretch: Stretch, breaks: FloatArray, curve: SplineCurve, inner: float, bend: Bend
) -> tuple[FloatArray, SplineCurve]:
    """Return breaks and spline without the breaks that can be spared, tried in the order of their need."""
    fixed = {round(float(v), 6) for run in stretch.straights for v in (run.low, run.high)}
    jumps = _jumps(curve)
    order = [float(b) for b in breaks[1:-1][np.argsort(jumps)] if round(float(b), 6) not in fixed]
    misses = 0
    for spare in order:
        less = breaks[np.abs(breaks - spare) > 1e-9]
        fewer, worst = fitted(stretch, less, inner, bend)
        if fewer is not None and worst <= inner and _enough(stretch, less):
            breaks, curve, misses = less, fewer, 0
        else:
            misses += 1
        if misses == 4:
            break
    return breaks, curve


def _jumps(curve: SplineCurve) -> FloatArray:
    """Return how much the third derivative jumps at each inner break, times the cube of the room around."""
    knots = bsplines.breaks(curve)
    middle = (knots[1:] + knots[:-1]) / 2.0
    third = bsplines.values(curve, middle, 3)
    room = np.minimum(np.diff(knots)[1:], np.diff(knots)[:-1])
    return np.asarray(np.hypot(*np.diff(third, axis=0).T) * room**3)


def _enough(stretch: Stretch, breaks: FloatArray) -> bool:
    """Whether each part between straight runs has the pieces that it must have."""
    for (a, b), few in zip(parts_between(stretch), _least(stretch), strict=True):
        low, high = stretch.place[a] - 1e-6, stretch.place[b] + 1e-6
        if np.sum((breaks >= low) & (breaks <= high)) - 1 < few:
            return False
    return True


def fewest_knots(stretch: Stretch, tolerance_mm: float) -> SplineCurve | None:
    """Return the spline of the fewest pieces found within the tolerance, None where none was."""
    inner = (1.0 - BETWEEN_PART) * tolerance_mm
    bend = Bend(stretch.place, senses(stretch.heading))
    parts = [_Part(stretch, a, b, CUT_PART * tolerance_mm) for a, b in parts_between(stretch)]
    whole = max(sum(part.number[-1] for part in parts), 1.0)
    times, found, low = 1.0, _with(stretch, parts, 1.0, inner, bend), 0.0
    while found is None and times < MOST_TIMES:
        low, times = times, times + max(1.0 / whole, 1.0 / STRIDE)
        found = _with(stretch, parts, times, inner, bend)
    if found is None:
        return None
    for _ in range(6):
        if times - low < 0.7 / whole:
            break
        middle = (low + times) / 2.0
        fewer = _with(stretch, parts, middle, inner, bend)
        low, times, found = (low, middle, fewer) if fewer is not None else (middle, times, found)
    return _fewer(stretch, *found, inner, bend)[1]

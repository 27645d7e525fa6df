"""The fewest knots with which a cubic B-spline keeps within a tolerance of a curve.

Knots lie as densely as single cubics, each equally far off, would follow one another (the rule of equal error: de
Boor, A Practical Guide to Splines (1978), chapter XII); the number is the smallest for which the whole spline keeps
within the tolerance. Straight runs are one piece each.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter1d

from calibration.frames import FloatArray
from digitize import bsplines
from digitize.fair import equal_pieces
from digitize.fair.chain_fit import Stretch
from digitize.fair.cuts import parts_between
from digitize.fair.equal_pieces import Measure
from digitize.fair.spline_fit import Bend, Fitted, fitted, senses
from digitize.shapes import SplineCurve

# Single cubics are cut at this part of the tolerance: less free, a spline needs more pieces anyway.
CUT_PART = 0.25
# What is followed lies so far apart, and what is left of the tolerance for what lies between.
BETWEEN_PART = 0.08
# Knots move to where the distances are larger, so often, by this power of them, unless those are so many times too
# large.
MOVES, MOVE_POWER, HOPELESS = 3, 0.2, 2.0
# Up to so many times the first number of pieces, in so many tries; pieces that are too far off are halved, so often.
MOST_TIMES, TRIES, MOST_ROUNDS = 1.6, 4, 12
# A turn of the curve that is followed counts where its direction, under so much of a running mean, turns by so much.
# A turn less deep than this part of the tolerance, as what noise leaves along a straight side, is none if that can be.
QUIET_MM, DRAWN_TURN_RAD, CLEAR_PART = 2.0, np.radians(0.05), 0.5
# A stretch is given up that asks for more pieces a mm, and no more splines than this are fitted to one.
MOST_PIECES_PER_MM, MOST_FITS = 0.15, 60
# No piece is shorter than this, mm. When so many breaks in turn cannot be spared, none can.
LEAST_PIECE_MM, MISSES = 0.75, 3

Fit = Callable[[FloatArray], Fitted | None]  # breaks -> the spline that has them


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


CUBIC = Measure(_cubic_off, free=4)


class _Part:
    """A stretch between straight runs, and how many single cubics lie before each place on it."""

    def __init__(self, stretch: Stretch, first: int, last: int, within_mm: float) -> None:
        xy, place = stretch.xy[first : last + 1], stretch.place[first : last + 1]
        cuts = equal_pieces.cuts(xy, within_mm, CUBIC) or []
        self.place = place[cuts]
        self.number = equal_pieces.numbers(xy, cuts, within_mm, CUBIC)

    def breaks(self, count: int) -> FloatArray:
        """Return where ``count`` pieces begin and end."""
        return np.asarray(np.interp(np.linspace(0.0, self.number[-1], count + 1), self.number, self.place))


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
    return np.asarray(places[np.append(True, np.diff(places) > 1e-6)])


def _least(stretch: Stretch) -> list[int]:
    """Return how few pieces each part may have: between two straight runs their lines must meet."""
    last = len(stretch.xy) - 1
    inner = [(a > 0) + (b < last) for a, b in parts_between(stretch)]
    return [(1, 2, 3)[k] for k in inner]


def _moved(stretch: Stretch, breaks: FloatArray, off: FloatArray, parts: list[_Part]) -> FloatArray:
    """Return the breaks moved so that the pieces' largest distances become alike; straight runs stay."""
    worst = np.maximum(_worst(stretch, breaks, off), 1e-6)
    # a knot has say two pieces around
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


def _worst(stretch: Stretch, breaks: FloatArray, off: FloatArray) -> FloatArray:
    """Return how far off each piece is at its worst, mm."""
    owner = np.clip(np.searchsorted(breaks, stretch.place, side="right") - 1, 0, len(breaks) - 2)
    worst = np.zeros(len(breaks) - 1)
    np.maximum.at(worst, owner, off)
    return worst


def _with(
    stretch: Stretch, breaks: FloatArray, parts: list[_Part], inner: float, fit: Fit
) -> tuple[FloatArray, Fitted | None]:
    """Return the breaks, moved where that helps, and the spline that has them."""
    found = fit(breaks)
    moved, last = breaks, found
    for _ in range(MOVES):
        if last is None or not parts or last.within(inner) or last.off.max() > HOPELESS * inner:
            break
        moved = _moved(stretch, moved, last.off, parts)
        last = fit(moved)
        if last is not None and (found is None or last.off.max() < found.off.max()):
            breaks, found = moved, last
    return breaks, found


def _more(
    stretch: Stretch, breaks: FloatArray, found: Fitted | None, inner: float, fit: Fit
) -> tuple[FloatArray, Fitted] | None:
    """Return breaks and spline once pieces that are too far off, or turn the wrong way, have been halved enough."""
    fixed = {round(run.low, 6) for run in stretch.straights}
    for _ in range(MOST_ROUNDS):
        if found is not None and found.within(inner):
            return breaks, found
        long = np.diff(breaks) >= 2.0 * LEAST_PIECE_MM
        free = long & ~np.isin(np.round(breaks[:-1], 6), list(fixed))
        if found is None:
            bad = free
        else:
            bad = free & (_worst(stretch, breaks, found.off) > inner)
            bad[np.clip(np.searchsorted(breaks, found.wrong) - 1, 0, len(bad) - 1)] |= True
            bad &= free
            if not bad.any():  # what is off cannot be halved: its neighbours can
                near = np.convolve(_worst(stretch, breaks, found.off) > inner, [1, 1, 1], mode="same") > 0
                bad = free & near
        if not bad.any():
            return None
        breaks = np.sort(np.append(breaks, ((breaks[:-1] + breaks[1:]) / 2.0)[bad]))
        found = fit(breaks)
        if len(breaks) > MOST_PIECES_PER_MM * stretch.place[-1]:
            return None
    return None


def _fewer(
    stretch: Stretch, breaks: FloatArray, found: Fitted, parts: list[_Part], inner: float, fit: Fit
) -> tuple[FloatArray, Fitted]:
    """Return breaks and spline without what can be spared: many breaks at a time, then fewer, then single ones."""
    fixed = np.round([v for run in stretch.straights for v in (run.low, run.high)], 6)
    share, misses = 0.5, 0
    while misses < MISSES:
        free = [k for k in range(1, len(breaks) - 1) if round(float(breaks[k]), 6) not in fixed]
        order = sorted(free, key=dict(enumerate(_jumps(found.curve), start=1)).__getitem__)
        many = max(int(share * len(order)), 1)
        spare = _apart(order[misses if many == 1 else 0 :], many)
        less = np.delete(breaks, spare)
        fewer = None
        if spare and _enough(stretch, less):
            less, fewer = _with(stretch, less, parts if many == 1 else [], inner, fit)
        if fewer is not None and fewer.within(inner):
            breaks, found, misses = less, fewer, 0
        elif many > 1:
            share /= 2.0
        elif len(order) <= misses + 1:
            break
        else:
            misses += 1
    return breaks, found


def _apart(order: list[int], many: int) -> list[int]:
    """Return up to ``many`` of these, the first first, no two of them neighbours."""
    chosen: list[int] = []
    for k in order:
        if len(chosen) < many and k - 1 not in chosen and k + 1 not in chosen:
            chosen.append(k)
    return chosen


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
    every = _drawn(stretch, 0.0)
    clear = _drawn(stretch, CLEAR_PART * tolerance_mm)
    found = _fewest(stretch, tolerance_mm, clear)
    if found is None and (clear.sense != every.sense).any():
        found = _fewest(stretch, tolerance_mm, every)
    return found


def _drawn(stretch: Stretch, least_mm: float) -> Bend:
    """Return which way a curve turns; what turns back again and is less deep than ``least_mm`` does not count."""
    quiet = gaussian_filter1d(stretch.heading, QUIET_MM / float(stretch.place[1]), mode="nearest")
    sense = senses(quiet, DRAWN_TURN_RAD)
    while True:
        edges = np.concatenate([[0], np.flatnonzero(np.diff(sense)) + 1, [len(sense)]])
        if len(edges) <= 2:
            break
        first, last = edges[:-1], edges[1:] - 1
        depth = np.abs(quiet[last] - quiet[first]) * (stretch.place[last] - stretch.place[first]) / 8.0
        k = int(np.argmin(depth))
        if depth[k] >= least_mm:
            break
        sense[edges[k] : edges[k + 1]] *= -1.0
    return Bend(stretch.place, sense)


def _fewest(stretch: Stretch, tolerance_mm: float, bend: Bend) -> SplineCurve | None:
    """Return the spline of the fewest pieces found that turns as told, None where none was."""
    inner = (1.0 - BETWEEN_PART) * tolerance_mm
    parts = [_Part(stretch, a, b, CUT_PART * tolerance_mm) for a, b in parts_between(stretch)]
    whole = max(sum(part.number[-1] for part in parts), 1.0)

    left = MOST_FITS

    def fit(breaks: FloatArray) -> Fitted | None:
        nonlocal left
        left -= 1
        return fitted(stretch, breaks, inner, bend) if left >= 0 else None

    known: dict[int, tuple[FloatArray, Fitted | None]] = {}

    def tried(times: float) -> tuple[FloatArray, Fitted | None]:
        breaks = _breaks(stretch, parts, times, _least(stretch))
        if len(breaks) not in known:
            known[len(breaks)] = _with(stretch, breaks, parts, inner, fit)
        return known[len(breaks)]

    breaks, found = tried(1.0)
    good = _more(stretch, breaks, found, inner, fit)
    low, high = (0.0, 1.0) if good is not None and len(good[0]) == len(breaks) else (1.0, MOST_TIMES)
    for _ in range(TRIES):
        if high - low < 0.7 / whole:
            break
        middle = (low + high) / 2.0
        fresh, other = tried(middle)
        if other is not None and other.within(inner):
            high = middle
            if good is None or len(fresh) < len(good[0]):
                good = fresh, other
        else:
            low = middle
    return _fewer(stretch, *good, parts, inner, fit)[1].curve if good is not None else None

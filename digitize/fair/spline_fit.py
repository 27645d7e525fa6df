"""The cubic B-spline of given knots that stays nearest to a curve.

Distances are taken across the curve, the places along it looked up anew each time (Hoschek, Computer Aided Geometric
Design 5 (1988) 27), and the largest brought down by the p-th powers of the distances for growing p, as in
:mod:`chain_fit`; it stops at the first p that keeps within the tolerance. What must hold exactly (ends, straight runs,
the square meeting with the centerline) is linear in the control points and left out of what may move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline
from scipy.optimize import nnls

from calibration.frames import BoolArray, FloatArray, frozen_floats
from digitize import bsplines
from digitize.bsplines import DEGREE
from digitize.fair.chain import turned
from digitize.fair.chain_fit import Stretch
from digitize.shapes import SplineCurve

# Each with how many times the tolerance the worst may still be off if the next is to be tried.
POWERS = {2: 4.0, 4: 2.0, 8: 1.4, 16: 1.2}
ROUNDS = 4
# What a distance along the curve counts beside one across it: enough to hold the parameter near the arc length.
ALONG = 0.02
# Points looked at in each piece while fitting; what counts at the end is all of them.
POINTS_PER_PIECE = 14
# Where it bends the wrong way, and so near to that, the spline is held to bend the right way or not at all, and looked
# at again so often. A hundredth of a degree is no bend. Bends are weighed as if over so many mm.
HELD_NEAR_MM, HOLDINGS, LEAST_TURN_RAD, BEND_OVER_MM = 2.0, 4, np.radians(0.01), 20.0
# Rows smaller than this are rounding.
LEAST_ROW = 1e-6
# No control point lies so far away, mm: such a fit has failed.
FAR_MM = 1e5
# The bend is looked at so often along the curve, mm.
BEND_STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class Bend:
    """Which way a curve turns along itself."""

    place: FloatArray  # (N,) mm
    sense: FloatArray  # (N,) +1 left, -1 right, 0 where either may be


def senses(heading: FloatArray, least_rad: float = LEAST_TURN_RAD) -> FloatArray:
    """Return which way a direction turns at each of its values: +1 or -1; turns of less than ``least_rad`` are none."""
    sense = np.zeros(len(heading))
    way, extreme, at = 0.0, float(heading[0]), 0
    for k, value in enumerate(heading):
        step = float(value) - extreme
        if abs(step) > least_rad and np.sign(step) != way:
            way = float(np.sign(step))
            sense[at : k + 1] = way
        if np.sign(step) == way:
            extreme, at = float(value), k
            sense[k] = way
    known = np.flatnonzero(sense)
    if not len(known):
        return sense
    before = np.maximum(np.searchsorted(known, np.arange(len(sense)), side="right") - 1, 0)
    return np.asarray(sense[known[before]])


@dataclass(frozen=True, eq=False)
class _Space:
    """Splines of given knots that meet all exact conditions: control points = base + free @ unknowns."""

    knots: FloatArray  # (K + 4,)
    base: FloatArray  # (2 K,) x of all control points, then y
    free: FloatArray  # (2 K, F)

    def curve(self, unknown: FloatArray) -> SplineCurve:
        control = (self.base + self.free @ unknown).reshape(2, -1).T
        return SplineCurve(frozen_floats(self.knots), frozen_floats(control))


def _rows(knots: FloatArray, at: FloatArray, derivative: int = 0) -> FloatArray:
    """Return (N, K) what each control point adds to places or derivatives."""
    count = len(knots) - DEGREE - 1
    if derivative == 0:
        return np.asarray(BSpline.design_matrix(np.clip(at, knots[0], knots[-1]), knots, DEGREE).toarray())
    return np.asarray(BSpline(knots, np.eye(count), DEGREE)(np.clip(at, knots[0], knots[-1]), nu=derivative))


def _conditions(stretch: Stretch, knots: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the rows (C, 2 K) and values (C,) of everything that holds exactly."""
    count = len(knots) - DEGREE - 1
    rows: list[FloatArray] = []
    values: list[float] = []

    def hold(x: FloatArray, y: FloatArray, value: float) -> None:
        rows.append(np.concatenate([x, y]))
        values.append(value)

    none = np.zeros(count)
    ends = knots[[0, -1]]
    place, slope, bend = (_rows(knots, ends, k) for k in (0, 1, 2))
    for k, kind in ((0, stretch.start), (-1, stretch.end)):
        if kind == "corner":
            hold(place[k], none, float(stretch.xy[k, 0]))
            hold(none, place[k], float(stretch.xy[k, 1]))
        elif kind == "square":  # with its mirror image it goes on evenly: x odd, y even
            hold(place[k], none, 0.0)
            hold(none, slope[k], 0.0)
            hold(bend[k], none, 0.0)
    if stretch.start == "loop":
        for each in (place, slope, bend):
            hold(each[-1] - each[0], none, 0.0)
            hold(none, each[-1] - each[0], 0.0)
    for run in stretch.straights:
        normal = turned(run.along)
        middle = np.searchsorted(knots, (run.low + run.high) / 2.0) - 1
        for j in range(middle - DEGREE, middle + 1):
            one = np.zeros(count)
            one[j] = 1.0
            hold(normal[0] * one, normal[1] * one, float(normal @ run.at))
    return np.reshape(rows, (len(rows), 2 * count)), np.array(values)


def _space(stretch: Stretch, knots: FloatArray) -> _Space | None:
    """Return the splines that meet all conditions, None where none does."""
    rows, values = _conditions(stretch, knots)
    if not len(rows):
        return _Space(knots, np.zeros(2 * (len(knots) - DEGREE - 1)), np.eye(2 * (len(knots) - DEGREE - 1)))
    size = np.linalg.norm(rows, axis=1)
    rows, values = rows / size[:, None], values / size
    left, strength, right = np.linalg.svd(rows, full_matrices=True)
    rank = int(np.sum(strength > 1e-10 * strength[0]))
    base = right[:rank].T @ ((left.T @ values)[:rank] / strength[:rank])
    if np.abs(rows @ base - values).max() > 1e-7:
        return None
    return _Space(knots, base, right[rank:].T)


def clamped(breaks: FloatArray) -> FloatArray:
    """Return the knots of a spline that breaks at (S + 1,) parameters."""
    return np.concatenate([np.repeat(breaks[0], DEGREE), breaks, np.repeat(breaks[-1], DEGREE)])


@dataclass(frozen=True, eq=False)
class _Target:
    """What is to be followed: places, and the directions there."""

    xy: FloatArray  # (N, 2)
    place: FloatArray  # (N,)
    tangent: FloatArray  # (N, 2)


def _thinned(stretch: Stretch, breaks: FloatArray) -> _Target:
    part = np.linspace(0.0, 1.0, POINTS_PER_PIECE, endpoint=False)
    want = (breaks[:-1, None] + part * np.diff(breaks)[:, None]).ravel()
    keep = np.unique(np.append(np.searchsorted(stretch.place, want), len(stretch.xy) - 1))
    keep = keep[keep < len(stretch.xy)]
    heading = stretch.heading[keep]
    return _Target(stretch.xy[keep], stretch.place[keep], np.column_stack([np.cos(heading), np.sin(heading)]))


def _system(space: _Space, target: _Target, at: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the normal equations of distances across, and a little along, the curve to be followed."""
    say, count = _rows(space.knots, at), len(space.knots) - DEGREE - 1
    (nx, ny), (tx, ty) = turned(target.tangent).T, target.tangent.T
    xx, xy, yy = weight * nx**2 + ALONG**2 * tx**2, (weight - ALONG**2) * nx * ny, weight * ny**2 + ALONG**2 * ty**2
    matrix = np.empty((2 * count, 2 * count))
    for k, m, share in ((0, 0, xx), (0, 1, xy), (1, 1, yy)):
        block = say.T @ (share[:, None] * say)
        matrix[k * count : (k + 1) * count, m * count : (m + 1) * count] = block
        matrix[m * count : (m + 1) * count, k * count : (k + 1) * count] = block
    x, y = target.xy.T
    goal = np.concatenate([say.T @ (xx * x + xy * y), say.T @ (xy * x + yy * y)]) - matrix @ space.base
    return space.free.T @ matrix @ space.free, space.free.T @ goal


def _bend_rows(
    space: _Space, curve: SplineCurve, at: FloatArray, sense: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return rows (M, F) and values (M,): where rows @ unknowns >= values, the curve bends as it should."""
    slope = bsplines.values(curve, at, 1)
    normal = turned(slope / np.maximum(np.hypot(*slope.T), 1e-12)[:, None]) * sense[:, None]
    say = _rows(space.knots, at, 2) * BEND_OVER_MM**2
    rows = np.hstack([normal[:, :1] * say, normal[:, 1:] * say])
    rows, values = rows @ space.free, -rows @ space.base
    bends = np.linalg.norm(rows, axis=1) > LEAST_ROW  # along straight runs nothing can bend
    return rows[bends], values[bends]


def _least(matrix: FloatArray, goal: FloatArray, rows: FloatArray, values: FloatArray) -> FloatArray:
    """Return the unknowns nearest to solving the normal equations for which rows @ unknowns >= values.

    Least distance programming (Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23).
    """
    lower = np.linalg.cholesky(matrix)
    centre = np.linalg.solve(matrix, goal)
    if not len(rows) or (rows @ centre >= values).all():
        return np.asarray(centre)
    sides = np.linalg.solve(lower, rows.T)
    target = np.append(np.zeros(len(matrix)), 1.0)
    try:
        multipliers, _ = nnls(np.vstack([sides, values - rows @ centre]), target)
    except RuntimeError:  # it goes round in circles: the bend is looked at again anyway
        return np.asarray(centre)
    rest = np.append(sides @ multipliers, (values - rows @ centre) @ multipliers) - target
    if abs(rest[-1]) < 1e-12:  # no unknowns meet them all
        return np.asarray(centre)
    return np.asarray(centre + np.linalg.solve(lower.T, -rest[:-1] / rest[-1]))


def _settled(curve: SplineCurve, target: _Target, at: FloatArray) -> FloatArray:
    """Return parameters of the places nearest to the points, one step of Newton's on, both ends kept."""
    off, along = target.xy - bsplines.values(curve, at), bsplines.values(curve, at, 1)
    step = np.einsum("ij,ij->i", off, along) / np.maximum(np.einsum("ij,ij->i", along, along), 1e-12)
    moved = np.clip(at + step, curve.knots[0], curve.knots[-1])
    moved[0], moved[-1] = at[0], at[-1]
    return np.asarray(np.maximum.accumulate(moved))


@dataclass(frozen=True, eq=False)
class Fitted:
    """A spline and how it follows its stretch."""

    curve: SplineCurve
    off: FloatArray  # (N,) mm from each of the stretch's points
    wrong: FloatArray  # (M,) parameters where it turns the way that the stretch does not

    def within(self, tolerance_mm: float) -> bool:
        """Whether it keeps within a tolerance and turns as the stretch does."""
        return not len(self.wrong) and bool(self.off.max() <= tolerance_mm)


def fitted(stretch: Stretch, breaks: FloatArray, tolerance_mm: float, bend: Bend | None = None) -> Fitted | None:
    """Return the spline nearest to a stretch, None where none meets its conditions.

    Args:
        stretch: the curve; its straight runs must each lie between two neighbouring breaks.
        breaks: (S + 1,) where its pieces begin and end, mm along it.
        tolerance_mm: at the first power that keeps within this it is done.
        bend: which way the curve turns; None lets the spline turn as it likes.
    """
    space = _space(stretch, clamped(breaks))
    if space is None:
        return None
    target = _thinned(stretch, breaks)
    at, weight = target.place.copy(), np.ones(len(target.place))
    held, done = np.zeros(0), None
    curve: SplineCurve | None = None
    for power, hopeless in POWERS.items():
        for _ in range(HOLDINGS):
            fresh, at, weight = _nearest(space, target, at, weight, power, (curve, held, bend))
            if not np.abs(fresh.control_mm).max() < FAR_MM:
                return done
            curve, wrong = fresh, _wrong_way(fresh, bend)
            if not len(wrong):
                break
            held = np.union1d(held, _around(wrong, bend))
        off = bsplines.distances(fresh, stretch.xy)
        if done is None or off.max() < done.off.max() or len(done.wrong):
            done = Fitted(fresh, off, wrong)
        if len(wrong) or done.within(tolerance_mm) or off.max() > hopeless * tolerance_mm:
            break
    return done


def _nearest(
    space: _Space,
    target: _Target,
    at: FloatArray,
    weight: FloatArray,
    power: int,
    held: tuple[SplineCurve | None, FloatArray, Bend | None],
) -> tuple[SplineCurve, FloatArray, FloatArray]:
    """Return the spline after some rounds for one power, with its parameters and weights."""
    normal = turned(target.tangent)
    curve, places, bend = held
    for _ in range(ROUNDS):
        matrix, goal = _system(space, target, at, weight)
        matrix = matrix + 1e-10 * np.trace(matrix) / len(matrix) * np.eye(len(matrix))
        if curve is not None and bend is not None and len(places):
            limits = _bend_rows(space, curve, places, _sense_at(bend, places))
            curve = space.curve(_least(matrix, goal, *limits))
        else:
            curve = space.curve(np.linalg.solve(matrix, goal))
        if not np.abs(curve.control_mm).max() < FAR_MM:
            break
        at = _settled(curve, target, at)
        off = np.abs(np.einsum("ij,ij->i", target.xy - bsplines.values(curve, at), normal))
        if power > 2:
            fresh = (off / max(float(off.max()), 1e-12)) ** (power - 2) + 1e-4
            weight = np.sqrt(weight * fresh)  # half-way: whole steps swing
            weight = weight / weight.max()
    assert curve is not None
    return curve, at, weight


def _sense_at(bend: Bend, at: FloatArray) -> FloatArray:
    return bend.sense[np.clip(np.searchsorted(bend.place, at), 0, len(bend.place) - 1)]


def _around(wrong: FloatArray, bend: Bend | None) -> FloatArray:
    """Return places at and beside those given, on a grid, but for those where the curve changes its sense."""
    if bend is None:
        return wrong
    reach = int(HELD_NEAR_MM / BEND_STEP_MM)
    grid = np.round(wrong / BEND_STEP_MM)[:, None] + np.arange(-reach, reach + 1)
    places = np.clip(np.unique(grid) * BEND_STEP_MM, bend.place[0], bend.place[-1])
    alike = _sense_at(bend, places - HELD_NEAR_MM) == _sense_at(bend, places + HELD_NEAR_MM)
    return np.asarray(places[alike])


def _wrong_way(curve: SplineCurve, bend: Bend | None) -> FloatArray:
    """Return the parameters where the curve turns the way that the stretch does not, by more than nothing."""
    if bend is None:
        return np.zeros(0)
    at = bsplines.spread(curve, BEND_STEP_MM)
    slope = bsplines.values(curve, at, 1)
    heading = np.unwrap(np.arctan2(slope[:, 1], slope[:, 0]))
    here = senses(heading)
    there = _sense_at(bend, at)
    if _changes(here) <= _changes(bend.sense):
        return np.zeros(0)
    wrong: BoolArray = here * there < 0
    return np.asarray(at[wrong])


def _changes(sense: FloatArray) -> int:
    kept = sense[sense != 0]
    return int(np.sum(kept[1:] != kept[:-1]))

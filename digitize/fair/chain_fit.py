"""The chain of a given number of arcs and lines that stays nearest to a curve.

The largest distance is brought down by minimising the sum of the p-th powers of the distances for growing p (Fletcher,
Grant and Hebden, Computer J. 14 (1971) 276), each by damped Newton steps in all curvatures and lengths at once, with
the ends and the straight runs as exact conditions; at last by linear programmes. It stops at the first p that keeps
within the tolerance, so that where the tolerance leaves room the arcs lie in the middle of the points: a least-squares
arc has no bias to speak of.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import linprog

from calibration.frames import FloatArray, IntArray
from digitize.fair.chain import Against, Chain, across_derivatives, against, end_derivatives, turned

# Each with how many times the tolerance the worst may still be off if the next is to be tried.
POWERS = {2: 4.0, 4: 2.5, 8: 1.5}
# Rounds for the later powers, and for the first.
ROUNDS = (10, 40)
# Levenberg's damping, as a part of the mean of what is damped, at first and at least.
FIRST_DAMPING, LEAST_DAMPING = 1e-3, 1e-9
# Straight runs that the chain does not meet within this, mm and rad, are approached with this weight at first.
MET_AT_ONCE, HELD_WEIGHT = 0.3, 0.1
# A number whose change by one moves the curve by less than this is scaled as if it moved it so far, mm.
LEAST_SAY = 0.05
# A step that betters the worst by less than this part is the last for its power.
GAIN = 0.01
# A piece shrinks in one step to no less than this part of itself, and to no less than this.
SHRINK, LEAST_PIECE_MM = 0.3, 0.2
# The last rounds: so many, no length changing in one by more than this part of it at first; they end this far within.
LEVEL_ROUNDS, FIRST_REACH, LEVEL_MARGIN = 8, 0.1, 0.96
# All rounds look at so many points a piece; what counts at the end is all of them.
POINTS_PER_PIECE = 14
# The conditions hold to this, mm and rad.
CLOSED_MM = 1e-9
CLOSING_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Straight:
    """A straight run: the line that it lies on, and between which places along the curve."""

    low: float  # mm along the curve
    high: float
    at: FloatArray  # (2,) on the line
    along: FloatArray  # (2,) unit, in the curve's sense


@dataclass(frozen=True, eq=False)
class Stretch:
    """A smooth run of the curve to be followed, and what holds at its ends."""

    xy: FloatArray  # (N, 2) mm
    place: FloatArray  # (N,) mm along it, from 0
    heading: FloatArray  # (N,) rad, unwrapped
    start: str  # "corner": exactly there; "held": in the curve's direction, too; "square": on x = 0, square to it;
    #             "loop": where it ends
    end: str
    straights: tuple[Straight, ...] = ()
    flat: tuple[int, ...] = ()  # further pieces that do not bend, wherever they lie

    @cached_property
    def heading_at(self) -> CubicSpline:
        """The heading as a function of the place along."""
        return CubicSpline(self.place, self.heading)


def stepped(stretch: Stretch, chain: Chain, change: FloatArray) -> Chain:
    """Return the chain after a change of its numbers, to first order as :meth:`Chain.moved` has it.

    Where a joint moves along, the direction there turns with the curve itself: long pieces that change their lengths
    then do not swing all that follows away from it.
    """
    count = len(chain.length)
    share = stretch.place[-1] / chain.length.sum()
    bend, longer = change[3 : 3 + count], change[3 + count :]
    turn = np.concatenate([[0.0], np.cumsum(bend * chain.length + chain.curvature * longer)])
    ends = np.cumsum(chain.length) * share
    slid = np.cumsum(longer) * share
    to = np.clip(ends + slid, 0.0, stretch.place[-1])
    curve = stretch.heading_at(to) - stretch.heading_at(ends) - stretch.heading_at(ends, 1) * (to - ends)
    heading = chain.headings + change[2] + turn + np.concatenate([[0.0], curve])
    length = chain.length + longer
    straight = (chain.curvature == 0.0) & (bend == 0.0)
    bends = np.where(straight, 0.0, np.diff(heading) / length)
    return Chain(chain.start + change[:2], float(heading[0]), bends, length)


def first_chain(stretch: Stretch, knots: FloatArray, straight: IntArray) -> Chain:
    """Return arcs that turn as the curve does between knots (K,) in mm along it; pieces in ``straight`` do not."""
    heading = np.interp(knots, stretch.place, stretch.heading)
    for piece, run in zip(straight, stretch.straights, strict=True):
        toward = float(np.arctan2(run.along[1], run.along[0]))
        turns = np.round((heading[piece] + heading[piece + 1]) / 2.0 / (2.0 * np.pi) - toward / (2.0 * np.pi))
        heading[piece : piece + 2] = toward + 2.0 * np.pi * turns
    length = np.diff(knots)
    bend = np.diff(heading) / length
    bend[[*straight, *stretch.flat]] = 0.0
    return Chain(stretch.xy[0], float(heading[0]), bend, length)


def _joint_rows(chain: Chain, joint: int) -> FloatArray:
    """Return (3, 3 + 2 P): how a joint's x, y and heading change with the chain's numbers."""
    count = len(chain.curvature)
    part = Chain(chain.start, chain.heading, chain.curvature[:joint], chain.length[:joint])
    rows = np.zeros((3, 3 + 2 * count))
    some = end_derivatives(part)
    rows[:, : 3 + joint] = some[:, : 3 + joint]
    rows[:, 3 + count : 3 + count + joint] = some[:, 3 + joint :]
    return rows


def _conditions(chain: Chain, stretch: Stretch, straight: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return the rows (C, 3 + 2 P) and values (C,) of everything that must become zero."""
    count = len(chain.curvature)
    first, last = _joint_rows(chain, 0), end_derivatives(chain)
    begin, end = stretch.xy[0], stretch.xy[-1]
    rows: list[FloatArray] = []
    values: list[float] = []

    def hold(row: FloatArray, value: float) -> None:
        rows.append(row)
        values.append(value)

    if stretch.start in ("corner", "held"):
        for k in (0, 1):
            hold(first[k], float(chain.start[k] - begin[k]))
    if stretch.end in ("corner", "held"):
        for k in (0, 1):
            hold(last[k], float(chain.joints[-1, k] - end[k]))
    if stretch.start == "held":
        hold(first[2], chain.heading - float(stretch.heading[0]))
    if stretch.end == "held":
        hold(last[2], float(chain.headings[-1] - stretch.heading[-1]))
    if stretch.start == "square":
        hold(first[0], float(chain.start[0]))
        hold(first[2], chain.heading - _square(stretch.heading[0]))
    if stretch.end == "square":
        hold(last[0], float(chain.joints[-1, 0]))
        hold(last[2], float(chain.headings[-1]) - _square(stretch.heading[-1]))
    if stretch.start == "loop":
        for k in (0, 1):
            hold(last[k] - first[k], float(chain.joints[-1, k] - chain.start[k]))
        hold(last[2] - first[2], float(chain.headings[-1] - chain.heading) - 2.0 * np.pi * _turns(stretch))
        tangent = chain.tangents[0]  # where along the loop it starts is no matter: there
        hold(tangent[0] * first[0] + tangent[1] * first[1], float(tangent @ (chain.start - begin)))
    for piece, run in zip(straight, stretch.straights, strict=True):
        row, normal = _joint_rows(chain, int(piece)), turned(run.along)
        toward = float(np.arctan2(run.along[1], run.along[0]))
        off = (chain.headings[piece] - toward + np.pi) % (2.0 * np.pi) - np.pi
        hold(normal[0] * row[0] + normal[1] * row[1], float(normal @ (chain.joints[piece] - run.at)))
        hold(row[2], float(off))
    return np.reshape(rows, (len(rows), 3 + 2 * count)), np.array(values)


def _square(heading: float) -> float:
    """Return the direction along the x axis, either way, nearest to a heading."""
    return float(np.round(heading / np.pi) * np.pi)


def _turns(stretch: Stretch) -> float:
    return float(np.round((stretch.heading[-1] - stretch.heading[0]) / (2.0 * np.pi)))


def _free(count: int, stretch: Stretch, straight: IntArray) -> IntArray:
    """Return the numbers that may change: all but the straight pieces' curvatures."""
    fixed = np.array([*straight, *stretch.flat], dtype=np.int64)
    return np.setdiff1d(np.arange(3 + 2 * count), 3 + fixed)


def _limited(chain: Chain, change: FloatArray) -> FloatArray:
    """Return a change, shortened so that no piece shrinks to nothing."""
    shorter = change[3 + len(chain.length) :]
    floor = np.minimum(np.maximum(SHRINK * chain.length, LEAST_PIECE_MM), chain.length)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(shorter < floor - chain.length, (floor - chain.length) / shorter, 1.0)
    return change * float(np.clip(share.min(initial=1.0), 0.0, 1.0))


def _norm(off: FloatArray, power: int) -> float:
    worst = float(np.abs(off).max())
    return float(worst * np.mean((np.abs(off) / max(worst, 1e-12)) ** power) ** (1.0 / power))


def _step(chain: Chain, at: Against, stretch: Stretch, straight: IntArray, power: int, damping: float) -> FloatArray:
    """Return the change that brings the chain nearer to the points and to meeting the conditions."""
    free = _free(len(chain.curvature), stretch, straight)
    rows = across_derivatives(chain, at)[:, free]
    scale = 1.0 / np.maximum(np.sqrt(np.mean(rows**2, axis=0)), LEAST_SAY)
    rows = rows * scale
    held, values = _conditions(chain, stretch, straight)
    held = held[:, free] * scale
    worst = max(float(np.abs(at.off).max()), 1e-12)
    weight = (np.abs(at.off) / worst) ** (power - 2) + 1e-6
    matrix = rows.T @ (weight[:, None] * rows)
    goal = rows.T @ (weight * at.off) / (power - 1)
    far = bool(stretch.straights) and np.abs(values).max(initial=0.0) > MET_AT_ONCE
    solved = _weighed if far else _met
    toward = solved(matrix, goal, held, values, damping)
    change = np.zeros(3 + 2 * len(chain.curvature))
    change[free] = toward * scale
    return _limited(chain, change)


def _met(matrix: FloatArray, goal: FloatArray, held: FloatArray, values: FloatArray, damping: float) -> FloatArray:
    """Return the damped step that meets the conditions (held @ step = -values) to first order."""
    left, strength, right = np.linalg.svd(held, full_matrices=True)
    rank = int(np.sum(strength > 1e-9 * strength.max(initial=1e-300)))
    closing = -right[:rank].T @ ((left.T @ values)[:rank] / strength[:rank])
    others = right[rank:].T
    inner = others.T @ matrix @ others
    inner += damping * np.trace(inner) / max(len(inner), 1) * np.eye(len(inner))
    # the closing step moves the chain as well, which is taken off what is left to be done
    return np.asarray(closing + others @ np.linalg.solve(inner, others.T @ (goal - matrix @ closing)))


def _weighed(matrix: FloatArray, goal: FloatArray, held: FloatArray, values: FloatArray, damping: float) -> FloatArray:
    """Return the damped step with the conditions only weighed heavily: met at once they would move far."""
    heavy = HELD_WEIGHT * np.trace(matrix)
    matrix = matrix + heavy * held.T @ held
    matrix += damping * np.diag(np.diag(matrix)) + LEAST_DAMPING * np.trace(matrix) * np.eye(len(matrix))
    return np.asarray(np.linalg.solve(matrix, goal - heavy * held.T @ values))


def _closed(chain: Chain, stretch: Stretch, straight: IntArray) -> Chain | None:
    """Return the chain with its conditions met exactly, by the least change; None where that does not succeed."""
    for _ in range(CLOSING_ROUNDS):
        held, values = _conditions(chain, stretch, straight)
        if np.abs(values).max(initial=0.0) < CLOSED_MM:
            return chain
        free = _free(len(chain.curvature), stretch, straight)
        scale = np.ones(3 + 2 * len(chain.curvature))
        scale[3 : 3 + len(chain.curvature)] = 1.0 / np.maximum(chain.length, 1.0) ** 2
        scale[2] = 1.0 / max(float(chain.length.sum()), 1.0)
        change = np.zeros(len(scale))
        change[free] = -scale[free] * (np.linalg.pinv(held[:, free] * scale[free], rcond=1e-9) @ values)
        moved = stepped(stretch, chain, _limited(chain, change))
        if not np.isfinite(moved.joints).all():
            return None
        chain = moved
    return chain if np.abs(_conditions(chain, stretch, straight)[1]).max(initial=0.0) < CLOSED_MM else None


def fitted(stretch: Stretch, chain: Chain, straight: IntArray, tolerance_mm: float) -> Chain | None:
    """Return the chain with as many pieces that keeps within the tolerance of a stretch's points, None where none does.

    Args:
        stretch: the curve.
        chain: where to begin.
        straight: the pieces that are the stretch's straight runs, in order.
        tolerance_mm: how far from it any of its points may be.
    """
    some = _thinned(stretch, chain)
    for power, hopeless in POWERS.items():
        chain = _nearer(some, chain, straight, power)
        done = _closed(chain, stretch, straight)
        if done is not None and _worst(stretch, done) <= tolerance_mm:
            return done
        if stretch.straights and done is not None and _worst(stretch, done) < _worst(stretch, chain):
            chain = done  # stuck short of the conditions, the way on from where they hold is open again
        if _worst(stretch, chain) > hopeless * tolerance_mm:
            return None
    chain = _levelled(_thinned(stretch, chain), chain, straight, tolerance_mm)
    done = _closed(chain, stretch, straight)
    return done if done is not None and _worst(stretch, done) <= tolerance_mm else None


def _thinned(stretch: Stretch, chain: Chain) -> Stretch:
    """Return the stretch with some points for each piece, its ends kept."""
    ends = np.concatenate([[0.0], np.cumsum(chain.length)]) * (stretch.place[-1] / chain.length.sum())
    part = np.linspace(0.0, 1.0, POINTS_PER_PIECE, endpoint=False)
    want = (ends[:-1, None] + part * np.diff(ends)[:, None]).ravel()
    keep = np.unique(np.append(np.searchsorted(stretch.place, want), len(stretch.xy) - 1))
    return replace(stretch, xy=stretch.xy[keep], place=stretch.place[keep], heading=stretch.heading[keep])


def _worst(stretch: Stretch, chain: Chain) -> float:
    return float(np.abs(_beside(stretch, chain).off).max())


def _levelled(stretch: Stretch, chain: Chain, straight: IntArray, tolerance_mm: float) -> Chain:
    """Return the chain with its largest distance brought down, by linear programmes within a reach that is trusted."""
    reach, worst, slow = FIRST_REACH, _worst(stretch, chain), 0
    for _ in range(LEVEL_ROUNDS):
        change = _level_step(stretch, chain, straight, reach)
        if change is None:
            break
        moved = stepped(stretch, chain, change)
        after = _worst(stretch, moved)
        if not after < worst:
            reach /= 3.0
            continue
        slow = slow + 1 if worst - after < GAIN * worst else 0
        chain, worst = moved, after
        if worst <= LEVEL_MARGIN * tolerance_mm or slow == 2:
            break
    return chain


def _level_step(stretch: Stretch, chain: Chain, straight: IntArray, reach: float) -> FloatArray | None:
    """Return the change with the least largest distance to first order; each length changes by no more than a part."""
    count, free = len(chain.length), _free(len(chain.length), stretch, straight)
    at = _beside(stretch, chain)
    rows = across_derivatives(chain, at)[:, free]
    scale = 1.0 / np.maximum(np.sqrt(np.mean(rows**2, axis=0)), LEAST_SAY)
    rows, worst = rows * scale, -np.ones((len(at.off), 1))
    held, values = _conditions(chain, stretch, straight)
    limit = np.full(3 + 2 * count, np.inf)
    limit[3 + count :] = reach * chain.length
    bound = limit[free] / scale
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that it has no answer is told by its status
        found = linprog(
            np.append(np.zeros(len(free)), 1.0),
            A_ub=np.vstack([np.hstack([-rows, worst]), np.hstack([rows, worst])]),
            b_ub=np.concatenate([-at.off, at.off]),
            A_eq=np.hstack([held[:, free] * scale, np.zeros((len(held), 1))]),
            b_eq=-values,
            bounds=[*zip(-bound, bound, strict=True), (0.0, None)],
            method="highs-ds",
        )
    if found.status != 0:
        return None
    change = np.zeros(3 + 2 * count)
    change[free] = found.x[:-1] * scale
    return change


def _beside(stretch: Stretch, chain: Chain) -> Against:
    return against(chain, stretch.xy, stretch.place * (chain.length.sum() / stretch.place[-1]))


def _missed(chain: Chain, stretch: Stretch, straight: IntArray) -> float:
    return float(np.abs(_conditions(chain, stretch, straight)[1]).max(initial=0.0))


def _nearer(stretch: Stretch, chain: Chain, straight: IntArray, power: int) -> Chain:
    """Return the chain after rounds of steps for one power."""
    at, missed, damping = _beside(stretch, chain), _missed(chain, stretch, straight), FIRST_DAMPING
    for _ in range(ROUNDS[power == 2]):
        moved = stepped(stretch, chain, _step(chain, at, stretch, straight, power, damping))
        beside, left = _beside(stretch, moved), _missed(moved, stretch, straight)
        before, after = _norm(at.off, power) + missed, _norm(beside.off, power) + left
        if not after < before:
            damping *= 8.0
            continue
        chain, at, missed = moved, beside, left
        damping = max(damping / 4.0, LEAST_DAMPING)
        if before - after < GAIN * before:
            break
    return chain

"""What a sheet out of square does to the gap between the halves, and how much of it the gap itself tells.

A sheared sheet lifts one half against the other all along the outline in a pattern of its own, less what the axis,
found anew on it, takes up. How far it may be sheared is known beforehand (the calibration's covariance). Within that,
the shear that fits the gap best is taken out of the outline before the halves are judged: weighed least squares with
Tukey's biweight, so that a local bulge has no say, the knowledge beforehand being one more equation. Where the gap asks
for more shear than all but one sheet in a thousand have, none is taken out and all of it is uncertainty. Radians.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from calibration.frames import FloatArray, SheetPoints
from digitize.shapes import SheetLine, TracedOutline
from digitize.symmetry.about import About, about_axis
from digitize.symmetry.axis import Axis
from digitize.symmetry.differences import COVERAGE, FALSE_ALARM, MAD, Gap, compared, gap_of, noise_density

# The outline is made square so often, and the shear fitted with the axis in so many steps each time.
ROUNDS, STEPS = 4, 12
# A place off by so many robust standard deviations, but no less than the floor, has no say; the first steps look wider.
REACH_SIGMAS, REACH_FLOOR_MM, WIDER = 4.685, 0.05, (4.0, 3.0, 2.0, 1.5)
# The axis is looked for on sheets sheared by 1 sigma, but within these.
LEAST_RAD, MOST_RAD = 1e-4, 5e-3
# More shear than so many times what it may be, 1 sigma, is not believed: two-sided, one in a thousand as for bumps.
MOST_SIGMAS = float(ndtri(1.0 - FALSE_ALARM / 2.0))
LOOKED_SIGMAS = 1.2 * MOST_SIGMAS  # none is looked for beyond
FAR_MM = 1e4


@dataclass(frozen=True)
class Squareness:
    """How far the sheet was taken to be sheared, in the body frame: by how much the angle between x and y closed."""

    taken_rad: float  # taken out of the outline before the halves were judged
    u_rad: float  # 1 sigma that is left
    known_u_rad: float  # 1 sigma beforehand
    taken_mm: float  # the largest gap that what was taken out makes
    may_mm: float  # the largest gap that what is left may make, 95 %


@dataclass(frozen=True, eq=False)
class Squared:
    """An outline on the sheet made as square as its gap says, and the shear that was taken out; body frame."""

    about: About  # about the axis that it then has; the outline as it was where nothing was taken out
    taken_rad: float
    u_rad: float  # 1 sigma that is left
    known_u_rad: float  # 1 sigma beforehand


def shear_u(covariance: FloatArray, axis: Axis) -> float:
    """Return 1 sigma, radians, of shear about an axis.

    Args:
        covariance: (3, 3) of log scale x, log scale y and shear, in the sheet frame; a scale that is uncertain one way
            only is shear to an axis that is aslant to it.
        axis: of the body, in the sheet frame.
    """
    (ax, ay), (bx, by) = -axis.across, axis.along
    row = np.array([2.0 * ax * bx, 2.0 * ay * by, ax * by + ay * bx])
    return float(np.sqrt(max(float(row @ covariance @ row), 0.0)))


def sheared(traced: TracedOutline, axis: Axis, by_rad: float) -> TracedOutline:
    """Return what was traced, with the angle between the axis and what is square to it closed by so much."""
    middle, across = traced.points.xy.mean(axis=0), -axis.across
    both = np.outer(across, axis.along)
    matrix = np.eye(2) + by_rad / 2.0 * (both + both.T)

    def moved(xy: FloatArray) -> FloatArray:
        return np.asarray((xy - middle) @ matrix.T + middle, dtype=np.float64)

    def line(one: SheetLine) -> SheetLine:
        start, end = moved(np.array([one.start, one.end]))
        return replace(one, start=(float(start[0]), float(start[1])), end=(float(end[0]), float(end[1])))

    told = None if traced.told_axis is None else line(traced.told_axis)
    lines = tuple(line(one) for one in traced.lines)
    return replace(traced, points=SheetPoints(moved(traced.points.xy)), lines=lines, told_axis=told)


def about_gap(about: About) -> Gap:
    """Return the gap of both halves about their axis, tail at y = 0."""
    shift = np.array([0.0, about.one.tail.y_mm])
    right, left = (replace(half, xy=half.xy - shift) for half in (about.one.right, about.one.left))
    return gap_of(right, left, about.chosen.u_mm, about.own.angle_u_rad)


def judged_gap(traced: TracedOutline, about: About, covariance: FloatArray) -> tuple[Gap, Squareness]:
    """Return the gap with what the sheet's shear makes of it taken out or counted as uncertainty.

    Args:
        traced: the outline in sheet mm.
        about: the same about its axis.
        covariance: (3, 3) of log scale x, log scale y and shear, in the sheet frame.
    """
    found = squared_outline(traced, about, covariance)
    gap = about_gap(found.about)
    if found.known_u_rad <= 0.0:
        return gap, Squareness(0.0, 0.0, 0.0, 0.0, 0.0)
    taken, u = found.taken_rad, found.u_rad
    pattern = _pattern(gap) + _axis_columns(gap) @ _response(traced, about, taken, found.known_u_rad)
    most = float(np.abs(pattern[compared(gap)]).max(initial=0.0))
    told = Squareness(taken, u, found.known_u_rad, abs(taken) * most, COVERAGE * u * most)
    return replace(gap, shear_u=np.abs(pattern) * u), told


def squared_outline(traced: TracedOutline, about: About, covariance: FloatArray) -> Squared:
    """Return the outline with the shear taken out that its gap tells of and the sheet may have.

    Args:
        traced: the outline in sheet mm.
        about: the same about its axis.
        covariance: (3, 3) of log scale x, log scale y and shear, in the sheet frame.
    """
    known = shear_u(covariance, _upward(about))
    taken, u, now = 0.0, known, about
    for _ in range(ROUNDS if known > 0.0 else 0):
        step, u = _fitted(about_gap(now), known, taken)
        taken = float(np.clip(taken + step, -LOOKED_SIGMAS * known, LOOKED_SIGMAS * known))
        now = _anew(traced, about, -taken)
    if abs(taken) > MOST_SIGMAS * known:
        return Squared(about, 0.0, known, known)
    return Squared(now, taken, u, known)


def gap_u(traced: TracedOutline, about: About, covariance: FloatArray) -> float:
    """Return 1 sigma, mm, of the gap as it lies from how square the sheet is, where that does most.

    Args:
        traced: the outline in sheet mm.
        about: the same about its axis.
        covariance: (3, 3) of log scale x, log scale y and shear, in the sheet frame.
    """
    known = shear_u(covariance, _upward(about))
    if known <= 0.0:
        return 0.0
    gap = about_gap(about)
    pattern = _pattern(gap) + _axis_columns(gap) @ _response(traced, about, 0.0, known)
    return known * float(np.abs(pattern[compared(gap)]).max(initial=0.0))


def _upward(about: About) -> Axis:
    """Return the axis from the tail to the neck, in the sheet frame."""
    return Axis(about.chosen.axis.at, float(np.arctan2(about.frame.matrix[1, 1], about.frame.matrix[1, 0])))


def _anew(traced: TracedOutline, about: About, by_rad: float) -> About:
    """Return the outline sheared further, about the axis that it then has."""
    axis = _upward(about)
    neck = SheetPoints(np.asarray((np.array(axis.at) + FAR_MM * axis.along)[None], dtype=np.float64))
    return about_axis(sheared(traced, axis, by_rad), neck, near=about.own.axis)


def _pattern(gap: Gap) -> FloatArray:
    """Return (M,) mm per radian: what shear makes of the gap where the axis stays."""
    y = gap.xy[:, 1] - _middle(gap)
    return np.asarray(-(gap.normal[:, 0] * y + gap.normal[:, 1] * gap.xy[:, 0]))


def _axis_columns(gap: Gap) -> FloatArray:
    """Return (M, 2): what the axis makes of the gap by moving left, per mm, and by turning left, per radian."""
    y = gap.xy[:, 1] - _middle(gap)
    turned = y * gap.normal[:, 0] - gap.xy[:, 0] * gap.normal[:, 1]
    return np.asarray(-2.0 * np.column_stack([gap.normal[:, 0], turned]))


def _middle(gap: Gap) -> float:
    return float((gap.xy[:, 1].min() + gap.xy[:, 1].max()) / 2.0)


def _response(traced: TracedOutline, about: About, taken: float, known: float) -> FloatArray:
    """Return (2,) how far the axis moves left, mm, and turns left, radians, per radian of shear."""
    by = float(np.clip(known, LEAST_RAD, MOST_RAD))
    more, less = (_anew(traced, about, way * by - taken) for way in (1.0, -1.0))
    if more.chosen.source != less.chosen.source:  # another line is believed: only the outline's own axis goes evenly
        more, less = (replace(one, chosen=replace(one.chosen, axis=one.own.axis)) for one in (more, less))
    one, other = (_upward(one) for one in (more, less))
    base = _upward(about)
    along = traced.points.xy @ base.along
    middle = (along.min() + along.max()) / 2.0 - float(np.array(base.at) @ base.along)
    places = [
        np.array(axis.at) + (middle - float((np.array(axis.at) - np.array(base.at)) @ base.along)) * axis.along
        for axis in (one, other)
    ]
    offset = float((places[0] - places[1]) @ base.across)
    turn = float((one.angle_rad - other.angle_rad + np.pi) % (2.0 * np.pi) - np.pi)
    return np.array([offset, turn]) / (2.0 * by)


def _fitted(gap: Gap, known: float, taken: float) -> tuple[float, float]:
    """Return how much more shear the gap tells of, and 1 sigma of it, radians; the axis may move besides."""
    use = compared(gap)
    if not use.any():
        return -taken, known
    design = np.column_stack([_pattern(gap), _axis_columns(gap)])
    scale = np.array([known, 1.0, known])
    design, mm = design * scale, gap.mm
    before = np.diag([1.0, 1e-6, 1e-6])
    weight, rest = use.astype(float), mm
    step = gap.place[1] - gap.place[0]
    for k in range(STEPS):
        density, _ = noise_density(gap, rest, use & (weight > 0.0))
        part = step / max(density, 1e-12)
        matrix = part * design.T @ (weight[:, None] * design) + before
        told = part * design.T @ (weight * mm) - np.array([taken / known, 0.0, 0.0])
        answer = np.linalg.solve(matrix, told)
        rest = mm - design @ answer
        reach = max(REACH_SIGMAS * MAD * float(np.median(np.abs(rest[use]))), REACH_FLOOR_MM)
        reach *= WIDER[k] if k < len(WIDER) else 1.0
        weight = np.where(use & (np.abs(rest) < reach), (1.0 - (rest / reach) ** 2) ** 2, 0.0)
    return known * float(answer[0]), known * float(np.sqrt(np.linalg.inv(matrix)[0, 0]))

"""Good continuation: how well one smooth curve runs through two strokes that meet.

One cubic through both, over up to some 20 mm each side of the meeting, compares place, tangent and
curvature at once. Everything here is in millimetres.
"""

from __future__ import annotations

import math

import numpy as np

from calibration.frames import FloatArray

# How far a stroke is followed from a meeting, and the stretch at the meeting that is not trusted.
ARM_MM, BLIND_MM = 20.0, 1.2
# A turn sharper than this is a corner, not a continuation.
CORNER_DEG = 38.0
COS_CORNER = float(np.cos(np.radians(CORNER_DEG)))
# Lengths over which two arms are compared, each with the misfit of the joint cubic that counts as 1.
MISFIT_MM = ((6.0, 0.05), (12.0, 0.08), (20.0, 0.12))
UNKNOWN_MISFIT_MM = 0.12
# A cubic serves for one arm when it misses it by less than this part of what is allowed for two.
OWN_SHARE = 0.5
# Points with less than this left of the next power lie at as few places as a lower one goes through.
LEAST_SQUARES = 1e-18

OwnMisfits = tuple[float, ...]  # rms, mm, for each length of MISFIT_MM


def direction(points: FloatArray) -> FloatArray:
    """Return the unit vector from the first to the last of some points."""
    step = points[-1] - points[0]
    return np.asarray(step / max(float(np.hypot(*step)), 1e-9))


def beyond(points: FloatArray, least_mm: float, most_mm: float) -> FloatArray:
    """Return the points of an arm that lie between two distances from its start."""
    step = points - points[0]
    away = np.hypot(step[:, 0], step[:, 1])
    return np.asarray(points[(away >= least_mm) & (away <= most_mm)])


def joint_misfit_mm(first: FloatArray, second: FloatArray, longest_mm: float = ARM_MM) -> float:
    """Return the rms by which one cubic misses two arms that leave the same meeting.

    The arms are compared over equal lengths, and the blind stretch at the meeting is left out.
    """
    span = max(4.0, min(np.hypot(*(first[-1] - first[0])), np.hypot(*(second[-1] - second[0])), longest_mm))
    arms = [beyond(first, BLIND_MM, span), beyond(second, BLIND_MM, span)]
    if min(len(arm) for arm in arms) < 3:
        return UNKNOWN_MISFIT_MM
    ends = [np.mean(arm[-3:], axis=0) for arm in arms]
    along = direction(np.stack(ends))
    across = np.array([-along[1], along[0]])
    points = np.concatenate(arms) - first[0]
    u, v = points @ along / longest_mm, points @ across
    return _off_cubic(u, v)


def _off_cubic(u: FloatArray, v: FloatArray) -> float:
    """Return the rms of what the cubic v(u) that fits best leaves.

    By polynomials orthogonal on the points (G. E. Forsythe, "Generation and Use of Orthogonal Polynomials for
    Data-Fitting with a Digital Computer", J. SIAM 5 (1957) 74): there is no system to solve.
    """
    before, last = np.zeros_like(u), np.ones_like(u)
    size_before, size = 1.0, float(len(u))
    rest = v - v.mean()
    for degree in range(3):
        shifted = u - float((u * last) @ last) / size
        before, last = last, shifted * last - (size / size_before if degree else 0.0) * before
        size_before, size = size, float(last @ last)
        if size <= LEAST_SQUARES:
            break
        rest = rest - (float(rest @ last) / size) * last
    return math.sqrt(float(rest @ rest) / len(rest))


def long_misfit(first: FloatArray, second: FloatArray, own: tuple[OwnMisfits, OwnMisfits]) -> float:
    """Return the misfit of two arms over the longest stretch that a cubic can serve for each alone, inf at a corner.

    A short stretch explains a slight kink; a long one does not, where both arms run smoothly. ``own`` is what
    :func:`own_misfits_mm` says of each.
    """
    if _corner(first, second):
        return float("inf")
    span, allowed = _span(*own)
    return joint_misfit_mm(first, second, span) / allowed


def joint_curve(first: FloatArray, second: FloatArray) -> FloatArray | None:
    """Return the cubic through two arms as points 0.2 mm apart, across their meeting; None where they are too short."""
    span, _ = _span(own_misfits_mm(first), own_misfits_mm(second))
    arms = [beyond(first, BLIND_MM, span)[::-1], beyond(second, BLIND_MM, span)]
    if min(len(arm) for arm in arms) < 8:
        return None
    points = np.concatenate(arms)
    along = direction(points)
    across = np.array([-along[1], along[0]])
    u, v = (points - points[0]) @ along, (points - points[0]) @ across
    at = np.arange(u.min(), u.max(), 0.2)
    scale = max(float(u.max()), 1.0)
    fit = np.polyval(np.polyfit(u / scale, v, 3), at / scale)
    return np.asarray(points[0] + at[:, None] * along + fit[:, None] * across)


def _span(first: OwnMisfits, second: OwnMisfits) -> tuple[float, float]:
    """Return the longest stretch that a cubic can serve for each arm alone, and the misfit allowed over it, mm."""
    spans = [
        (span, allowed)
        for (span, allowed), *own in zip(MISFIT_MM, first, second, strict=True)
        if max(own) < allowed * OWN_SHARE
    ]
    return spans[-1] if spans else MISFIT_MM[0]


def own_misfits_mm(arm: FloatArray) -> OwnMisfits:
    """Return by how much a cubic misses one arm over each of the lengths compared."""
    return tuple(_own_misfit_mm(arm, span) for span, _ in MISFIT_MM)


def _own_misfit_mm(arm: FloatArray, span_mm: float) -> float:
    """Return the rms by which a cubic misses one arm over a length."""
    part = beyond(arm, BLIND_MM, span_mm)
    if len(part) < 8:
        return 0.0
    along = direction(part)
    u, v = (part - part[0]) @ along / span_mm, (part - part[0]) @ np.array([-along[1], along[0]])
    return _off_cubic(u, v)


def misfit(first: FloatArray, second: FloatArray) -> float:
    """Return the misfit of two arms in parts of what is usual, inf where they turn a corner.

    The tightest curve that either arm holds sets the length over which one cubic can serve.
    """
    if _corner(first, second):
        return float("inf")
    return min(joint_misfit_mm(first, second, span) / allowed for span, allowed in MISFIT_MM)


def _corner(first: FloatArray, second: FloatArray) -> bool:
    """Whether two arms turn a corner, or too little of them shows to tell."""
    near_first, near_second = beyond(first, 1.0, 5.0), beyond(second, 1.0, 5.0)
    if min(len(near_first), len(near_second)) < 3:
        return True
    heading = -direction(near_first), direction(near_second)
    return float(heading[0] @ heading[1]) < COS_CORNER

"""Which corners are real, and where two smooth runs meet in one."""

from __future__ import annotations

import numpy as np

from calibration.frames import FloatArray, IntArray
from digitize.curve import CORNER_NEAR_MM, arc_length, corner_turns, feet, sharp_vertices
from digitize.shapes import BodyTrace

# A corner handed over that turns less than this is no corner: the runs meet smoothly.
LEAST_CORNER_DEG = 8.0
# Corners closer together than this leave no run between them to fit.
APART_MM = 3.0
# The crossing of two runs may lie this far from the traced corner.
CROSSING_NEAR_MM = 2.5


def _sharpest(xy: FloatArray, at: FloatArray, index: int) -> int:
    """Return the vertex near ``index`` where the curve turns most."""
    reach = max(round(CORNER_NEAR_MM / 2 / (at[-1] / len(xy))), 1)
    near = [(index + k) % len(xy) for k in range(-reach, reach + 1)]
    return max(near, key=lambda k: abs(corner_turns(xy, at, k)[1]))


def _spread(xy: FloatArray, at: FloatArray, listed: list[int]) -> list[int]:
    """Return the corners, of any too close together only the sharper."""
    total = at[-1]
    kept: list[int] = []
    for index in sorted(listed, key=lambda k: -abs(corner_turns(xy, at, k)[0])):
        away = [abs((at[index] - at[k] + total / 2) % total - total / 2) for k in kept]
        if not away or min(away) > APART_MM:
            kept.append(index)
    return sorted(kept)


def real_corners(trace: BodyTrace) -> IntArray:
    """Return the indices of a trace's real corners: those handed over and any missed."""
    xy = trace.points.xy
    at = arc_length(xy, closed=True)
    given = [int(c) for c in trace.corners]
    found = {_sharpest(xy, at, c) for c in given if abs(corner_turns(xy, at, c)[0]) >= LEAST_CORNER_DEG}
    found |= set(sharp_vertices(xy, trace.traced))
    corners = _spread(xy, at, sorted(found))
    if trace.symmetric:
        corners = _evened(corners, len(xy))
    return np.array(corners, dtype=np.int64)


def _evened(corners: list[int], count: int) -> list[int]:
    """Return the corners of the right half and their mirror images; one near the axis is put on it."""
    half = count // 2
    right = set()
    for c in corners:
        near = min((0, half, count), key=lambda k: abs(k - c))
        if abs(near - c) <= 3:
            right.add(near % count)
        elif c < half:
            right.add(c)
    return sorted(right | {(count - c) % count for c in right})


def _crossings(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return (K, 2) places where two short polylines cross."""
    a, b = one[:-1, None, :], other[None, :-1, :]
    r, s = np.diff(one, axis=0)[:, None, :], np.diff(other, axis=0)[None, :, :]
    cross = r[..., 0] * s[..., 1] - r[..., 1] * s[..., 0]
    gap = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gap[..., 0] * s[..., 1] - gap[..., 1] * s[..., 0]) / cross
        u = (gap[..., 0] * r[..., 1] - gap[..., 1] * r[..., 0]) / cross
    i, k = np.nonzero((t >= 0) & (t <= 1) & (u >= 0) & (u <= 1))
    return np.asarray(one[i] + t[i, k][:, None] * np.diff(one, axis=0)[i])


def meeting_point(before: FloatArray, after: FloatArray, traced: FloatArray) -> FloatArray:
    """Return where two runs that were carried on past a corner meet.

    Args:
        before: (N, 2) the end of the run that arrives.
        after: (M, 2) the start of the run that leaves.
        traced: (2,) the corner as traced.

    Returns:
        The crossing nearest the traced corner; where the runs do not cross, the middle of
        both runs' nearest places to it.
    """
    crossings = _crossings(before, after)
    if len(crossings):
        away = np.hypot(*(crossings - traced).T)
        if away.min() <= CROSSING_NEAR_MM:
            return np.asarray(crossings[int(np.argmin(away))])
    return np.asarray((feet(traced[None], before, False).xy[0] + feet(traced[None], after, False).xy[0]) / 2.0)

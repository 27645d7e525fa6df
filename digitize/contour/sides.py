"""Which edge of a broad stretch is the line's own, where another line runs along in it for some way.

Where two lines run into one another their ink is one broad line, and either edge may be the outline's. The edge that
is the outline's goes on smoothly from the clear line before and after; the other one steps out by the other line's
width or opens with the gap between them. A stretch whose two ends do not tell the same is not certain.
"""

from __future__ import annotations

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray

# Stretches shorter than this are crossings, and told by their nearest edge.
LEAST_MM = 3.0
# Stretches longer than this whose ends do not tell which edge it is are not certain. They are broader than the line
# by at least the second figure, along the third part of them; otherwise several crossings make them up.
LONG_MM, LEAST_EXCESS_MM, BROAD_SHARE = 7.0, 0.12, 0.8
# Where it is broader than this many times what it mostly is too broad, something else crosses.
BROADEST = 1.6
# Clear line before a stretch, the margin that is left out at it, and the stretch looked at inside.
OUTSIDE_MM, LEAST_OUTSIDE_MM, MARGIN_MM, INSIDE_MM = 4.0, 1.5, 1.2, 2.0
# One edge steps out by less than the other by at least this part of what the stretch is too broad.
CLEARLY = 0.35
AMBIGUOUS = 0


def own_edges(
    low: FloatArray,
    high: FloatArray,
    width: FloatArray,
    clear: BoolArray,
    known: BoolArray,
    step_mm: float,
    px_per_mm: float,
    told: tuple[tuple[int, float], ...] = (),
) -> tuple[IntArray, BoolArray]:
    """Return which edge is the line's own at each station, -1 the low, +1 the high, 0 either; and which are unsure.

    Args:
        low: (N,) px, the lower edge of the ink along the normal; nan where not seen.
        high: (N,) px, the higher.
        width: (N,) px, the line's own.
        clear: (N,) the ink has that width.
        known: (N,) which edge is another line's is known from where that line runs.
        step_mm: between stations.
        px_per_mm: of the picture.
        told: (station, offset px) of places that the person said the line passes through; they settle their stretch.
    """
    side, unsure = np.zeros(len(low), dtype=np.int64), np.zeros(len(low), dtype=bool)
    runs = np.flatnonzero(np.diff(np.r_[0, (~clear).astype(int), 0])).reshape(-1, 2)
    margin, inside = round(MARGIN_MM / step_mm), round(INSIDE_MM / step_mm)
    for start, stop in runs.tolist():
        core = slice(start + margin, stop - margin)
        if (stop - start) * step_mm < LEAST_MM or not np.isfinite(high[core] - low[core]).any():
            continue
        over = (high - low - width)[start:stop]
        excess = float(np.nanmedian(over[margin : stop - start - margin]))
        broad = np.flatnonzero((over > LEAST_EXCESS_MM * px_per_mm) & (over < BROADEST * excess)) + start
        if np.sum((broad >= core.start) & (broad < core.stop)) < BROAD_SHARE * (core.stop - core.start):
            continue
        said = [_nearer(low, high, width, *one) for one in told if start <= one[0] < stop]
        if any(said):
            side[broad] = next(one for one in said if one)
            continue
        entry = np.arange(core.start, min(core.start + inside, core.stop))
        leave = np.arange(max(core.start, core.stop - inside), core.stop)
        votes = [
            _vote(low, high, clear, entry, np.arange(start - 1, -1, -1), excess, step_mm),
            _vote(low, high, clear, leave, np.arange(stop, len(low)), excess, step_mm),
        ]
        told_by = {vote for vote in votes if vote is not None}
        if len(told_by) == 1 and AMBIGUOUS not in told_by:
            side[broad] = told_by.pop()
        if np.count_nonzero(~known[start:stop]) * step_mm > LONG_MM and not votes[0] == votes[1] != AMBIGUOUS:
            unsure[core] = True
    return side, unsure


def _nearer(low: FloatArray, high: FloatArray, width: FloatArray, station: int, offset: float) -> int:
    """Return the edge by which the line lies nearer to a place, 0 where an edge is not seen."""
    off = [abs(low[station] + width[station] / 2 - offset), abs(high[station] - width[station] / 2 - offset)]
    if not np.isfinite(off).all():
        return 0
    return -1 if off[0] < off[1] else 1


def _vote(
    low: FloatArray,
    high: FloatArray,
    clear: BoolArray,
    inside: IntArray,
    away: IntArray,
    excess: float,
    step_mm: float,
) -> int | None:
    """Return which edge goes on smoothly at one end of a stretch, or AMBIGUOUS; None when nothing is seen of it.

    ``away`` are the stations outside, from the stretch outwards.
    """
    blocked = np.flatnonzero(~clear[away])
    outside = away[: min(blocked[0] if len(blocked) else len(away), round(OUTSIDE_MM / step_mm))]
    if len(outside) * step_mm < LEAST_OUTSIDE_MM or len(inside) == 0:
        return AMBIGUOUS
    steps = []
    for edge in (low, high):
        line = np.polyfit(outside, edge[outside], 1)
        steps.append(abs(float(np.nanmedian(edge[inside] - np.polyval(line, inside)))))
    if not np.isfinite(steps).all():
        return AMBIGUOUS
    if max(steps) < CLEARLY * excess:
        return None  # the other line comes in farther on
    if abs(steps[0] - steps[1]) < CLEARLY * excess:
        return AMBIGUOUS
    return -1 if steps[0] < steps[1] else 1


__all__ = ["own_edges"]

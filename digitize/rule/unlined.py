"""The line of graduations that stand on no drawn line: through their ends, or through their middles.

Rules are drawn so that the ends of all graduations are in line, or, less often, their middles. Which of the three it
is shows by the least scatter about a straight line. The direction of that line is taken within each class of equal
lengths: where long and short graduations alternate, ends that are not in line pull a line through all of them aside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.comb import HUBER, MAD_TO_SIGMA

FEWEST = 12  # graduations with both ends seen
CLASS_GAP_PX = 2.0  # between lengths in order: the next class begins
FEWEST_OF_CLASS = 3  # fewer say nothing of a direction
END_PX = 0.3  # an end is known to this
MOST_OFF_PX = 4.0  # a graduation off by more counts as this, when the line they stand on is chosen
BLOCK = 8  # graduations: blocks of them are what is independent along the line
ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Standing:
    """Where graduations stand: h = offset + slope * t across the line they were counted along, h on their own side."""

    offset_px: float
    slope: float
    turned: bool  # they stand on their far ends and go the other way from there
    sigma_px: float  # of the line's ends, across


def _classes(lengths: FloatArray) -> IntArray:
    """Return the class of each length: lengths in order, parted where they step."""
    order = np.argsort(lengths)
    steps = np.diff(lengths[order]) > CLASS_GAP_PX
    out = np.empty(len(lengths), dtype=np.int64)
    out[order] = np.concatenate([[0], np.cumsum(steps)])
    return out


def _without_class(values: FloatArray, classes: IntArray, weights: FloatArray) -> FloatArray:
    """Return values less the weighted mean of their class."""
    total = np.maximum(np.bincount(classes, weights), 1e-12)
    return np.asarray(values - (np.bincount(classes, weights * values) / total)[classes])


def _slope(t: FloatArray, h: FloatArray, classes: IntArray) -> tuple[float, float]:
    """Return the common slope of all classes, and 1 sigma across at the ends; weights as in ``comb.robust_line``."""
    weights = (np.bincount(classes) >= FEWEST_OF_CLASS)[classes].astype(np.float64)
    if np.count_nonzero(weights) < FEWEST:  # no two alike: it has to be one line through all
        classes, weights = np.zeros_like(classes), np.ones(len(t))
    known, slope, off, along = weights > 0, 0.0, h, t
    for _ in range(ROUNDS):
        along, off = _without_class(t, classes, weights), _without_class(h, classes, weights)
        slope = float((weights * along) @ off / max(float((weights * along) @ along), 1e-12))
        left = np.abs(off - slope * along)
        scale = max(MAD_TO_SIGMA * float(np.median(left[known])), END_PX)
        weights = np.where(known, np.minimum(1.0, HUBER * scale / np.maximum(left, 1e-12)), 0.0)
    left = (off - slope * along)[known]
    blocks = np.array_split(left, max(2, len(left) // BLOCK))
    spread = float(np.std([np.median(part) for part in blocks], ddof=1))
    return slope, max(END_PX, spread * float(np.sqrt(6.0 / len(blocks))))


def standing(t_px: FloatArray, own_px: FloatArray, other_px: FloatArray, seen: BoolArray) -> Standing | None:
    """Return the line that graduations stand on; nothing where too few are seen.

    Args:
        t_px: (N,) their places along the line they were counted along.
        own_px: (N,) how far they go from it on the side where they were counted.
        other_px: (N,) the same on the other side.
        seen: (N,) both are known.
    """
    if np.count_nonzero(seen) < FEWEST:
        return None
    t, own, other = t_px[seen], own_px[seen], -other_px[seen]
    # The far ends tell the direction: where graduations begin near this line, it hides how they begin.
    slope, sigma = _slope(t, own, _classes(own - other))
    level = [h - slope * t for h in (own, other, (own + other) / 2.0)]
    offsets = [float(np.median(h)) for h in level]
    scatter = [np.minimum(np.abs(h - at), MOST_OFF_PX).mean() for h, at in zip(level, offsets, strict=True)]
    which = int(np.argmin(scatter))
    return Standing(offsets[which], slope, which == 0, sigma)


__all__ = ["Standing", "standing"]

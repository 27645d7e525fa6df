"""A part's distances from its outline, place by place -> means, their uncertainty, and the stretches that are real."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, frozen_floats

# Each place is told as a mean over so much of the curve; a wobble shorter than this is the saw's, not a place to sand.
MEAN_MM = 10.0
MEAN_SHARE = 0.5  # of the mean's stations must have been seen
MAD_TO_SIGMA = 1.4826
# A stretch is real where its mean is more than 0.1 mm off (less cannot be sanded to: common practice, no source), more
# than its own uncertainty, and more than so many times the unsteadiness of this very edge.
LEAST_MM, TIMES_UNSTEADY = 0.1, 3.0
SHORTEST_MM = 8.0
# A stretch goes on as long as the mean stays beyond this part of its threshold.
GOES_ON = 0.5


@dataclass(frozen=True, eq=False)
class OffMap:
    """Signed distances along a curve as running means."""

    along_mm: FloatArray  # (N,)
    mean_mm: FloatArray  # (N,) NaN where too little was seen
    u_mm: FloatArray  # (N,) 1 sigma of a mean by the noise of its places
    unsteady_mm: float  # robust standard deviation of the means themselves

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("along_mm", "mean_mm", "u_mm"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))


@dataclass(frozen=True)
class Stretch:
    """A real stretch: indices of its first and last station, and of its largest mean."""

    first: int
    last: int
    top: int


def off_map(along_mm: FloatArray, off_mm: FloatArray, alike: float) -> OffMap:
    """Return running means of distances.

    Args:
        along_mm: (N,) places along the curve, at equal steps.
        off_mm: (N,) signed distances; NaN where nothing was seen.
        alike: how many neighbouring places share one error.
    """
    step = float(along_mm[1] - along_mm[0])
    seen = np.isfinite(off_mm)
    count, total = _window(seen.astype(np.float64), step), _window(np.where(seen, off_mm, 0.0), step)
    whole = max(1.0, MEAN_MM / step)
    known = count >= MEAN_SHARE * whole
    mean = np.where(known, total / np.maximum(count, 1.0), np.nan)
    left = (off_mm - mean)[seen & known]
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(left))) if len(left) else 0.0
    u = scatter * np.sqrt(alike / np.maximum(count, 1.0))
    middle = float(np.nanmedian(mean)) if known.any() else 0.0
    unsteady = MAD_TO_SIGMA * float(np.nanmedian(np.abs(mean - middle))) if known.any() else 0.0
    return OffMap(along_mm, mean, u, unsteady)


def running_mean(along_mm: FloatArray, values: FloatArray) -> FloatArray:
    """Return means of values (N,) at equal steps over as much as a map's means are."""
    step = float(along_mm[1] - along_mm[0])
    return np.asarray(_window(values, step) / _window(np.ones(len(values)), step))


def _window(values: FloatArray, step_mm: float) -> FloatArray:
    """Return sums over MEAN_MM about each place, fewer at the ends."""
    half = max(0, round(MEAN_MM / step_mm / 2.0))
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(len(values))
    return np.asarray(sums[np.minimum(at + half + 1, len(values))] - sums[np.maximum(at - half, 0)])


def real_stretches(found: OffMap, u95_mm: FloatArray, least_mm: float = LEAST_MM) -> list[Stretch]:
    """Return the stretches whose mean is real, in order.

    Args:
        found: the means.
        u95_mm: (N,) 95 % of each by everything that moves one stretch against the rest.
        least_mm: what is less than this is not told.
    """
    need = np.maximum(np.maximum(least_mm, TIMES_UNSTEADY * found.unsteady_mm), u95_mm)
    stretches: list[Stretch] = []
    for sign in (1.0, -1.0):
        size = np.nan_to_num(sign * found.mean_mm, nan=-np.inf)
        for first, last in _groups(size > GOES_ON * need):
            part = slice(first, last + 1)
            long = found.along_mm[last] - found.along_mm[first]
            if (size[part] > need[part]).any() and long >= SHORTEST_MM:
                stretches.append(Stretch(first, last, first + int(size[part].argmax())))
    return sorted(stretches, key=lambda one: one.first)


def _groups(wanted: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wanted.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def longest_unseen_mm(along_mm: FloatArray, seen: BoolArray) -> float:
    """Return the longest stretch in which nothing was seen."""
    groups = _groups(~seen)
    step = float(along_mm[1] - along_mm[0])
    return max((float(along_mm[b] - along_mm[a]) + step for a, b in groups), default=0.0)


@dataclass(frozen=True, eq=False)
class StraightFit:
    """A robust line through places near x = 0: x = offset + slope (y - middle)."""

    offset_mm: float  # at the middle
    slope: float
    middle_mm: float
    offset_u_mm: float
    slope_u: float
    bow_mm: float  # most that a running mean leaves the line by
    used: BoolArray  # (N,)


def straight_fit(points: FloatArray, alike: float) -> StraightFit | None:
    """Return the line through places (N, 2) of a straight edge along y; None with fewer than ten.

    Tukey's biweight on distances across, as for the contour.
    """
    if len(points) < 10:
        return None
    middle = float((points[:, 1].min() + points[:, 1].max()) / 2.0)
    terms = np.column_stack([np.ones(len(points)), points[:, 1] - middle])
    weight = np.ones(len(points))
    answer = np.array([float(np.median(points[:, 0])), 0.0])
    scatter = 1.0
    for _ in range(20):
        off = points[:, 0] - terms @ answer
        scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(off))), 0.005)
        weight = np.where(np.abs(off) < 4.685 * scatter, (1.0 - (off / (4.685 * scatter)) ** 2) ** 2, 0.0)
        root = np.sqrt(weight)[:, None]
        answer = np.linalg.lstsq(root * terms, root[:, 0] * points[:, 0], rcond=None)[0]
    off = points[:, 0] - terms @ answer
    cover = np.linalg.inv((terms * weight[:, None]).T @ terms) * scatter**2 * alike
    return StraightFit(
        float(answer[0]), float(answer[1]), middle, float(np.sqrt(cover[0, 0])), float(np.sqrt(cover[1, 1])),
        _bow(points[:, 1], off), weight > 0.0,
    )  # fmt: skip


def _bow(y_mm: FloatArray, off: FloatArray) -> float:
    """Return the largest mean over MEAN_MM of what is left."""
    order = np.argsort(y_mm)
    y, off = y_mm[order], off[order]
    first = np.searchsorted(y, y - MEAN_MM / 2.0)
    last = np.searchsorted(y, y + MEAN_MM / 2.0, side="right")
    sums = np.concatenate([[0.0], np.cumsum(off)])
    return float(np.abs((sums[last] - sums[first]) / np.maximum(last - first, 1)).max())

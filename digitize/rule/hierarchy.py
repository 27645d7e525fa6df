"""Which graduations are longer: the pattern of lengths along a rule."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray

Kind = Literal["decimal", "half", "dyadic", "other", "none"]

LEAST_SCORE = 0.3  # share of the variation of length that a pattern explains, to count with a known resolution
CLEAR_SCORE = 0.6  # to count by itself
MARGIN = 0.08  # over the best pattern of another kind
STEP_PX = 1.2  # a longer class is longer by this much at least
STEP_SHARE = 0.06  # of the usual length
DEEPEST = 6  # 2 ** 6 = 64ths
MOST_STEPS = 15.0  # a graduation crossed by another line seems far too long; it counts no more than this
NEXT_STEP = 0.35  # of the step before: less is a flaw of two or three long graduations, not a class of its own
ENOUGH = 3  # graduations of a class, to say that it is not longer
PHASES_TRIED = 3  # of a pattern
LEAST_DEPTH = 2  # doublings before a pattern counts as halves of halves
LEAST_VARIATION_PX = 0.15  # mean departure from the median; less is no pattern at all

# kind -> steps that are longer, each longer than the one before
PATTERNS: tuple[tuple[Kind, tuple[int, ...]], ...] = (
    ("decimal", (5, 10)),
    ("decimal", (5,)),
    ("half", (2, 10, 20)),
    ("half", (2, 10)),
    ("other", (3, 6, 12)),
    ("other", (6, 12)),
    ("other", (4, 12)),
    ("other", (3, 12)),
    ("other", (2, 6, 12)),
    ("other", (3, 6)),
    ("other", (12,)),
    ("other", (3,)),
    ("other", (5, 25)),
    ("other", (4, 20)),
    ("other", (5, 15)),
    ("other", (7, 14)),
)


@dataclass(frozen=True)
class Hierarchy:
    """The pattern of lengths that explains a rule best."""

    kind: Kind
    score: float  # 1 explains everything
    depth: int = 0  # doublings seen, for "dyadic"
    steps: tuple[int, ...] = ()
    confirmed: bool = True  # no longer class can have been missed

    @property
    def period(self) -> int:
        """Graduations after which the pattern repeats; 0 where there is none."""
        return self.steps[-1] if self.steps else 0

    @property
    def clear(self) -> bool:
        """The pattern can be believed without knowing the resolution."""
        return self.confirmed and self.score >= CLEAR_SCORE


def _median(values: FloatArray) -> float:
    """Return the median of one value or more; numpy's own, asked ten thousand times a page, does much besides."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    low, high = np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1]
    return float((low + high) / 2.0)


def _away(length: FloatArray, middle: float, step_px: float) -> float:
    """Return the sum of departures from the median beyond reading noise, none counted more than a few steps."""
    return float(np.clip(np.abs(length - middle) - step_px, 0.0, MOST_STEPS * step_px).sum())


def _explained(length: FloatArray, level: IntArray, step_px: float) -> tuple[float, list[float]]:
    """Return the share of absolute variation explained by classes, and the classes' medians."""
    total = _away(length, _median(length), step_px)
    parts = [length[level == one] for one in np.unique(level)]
    medians = [_median(part) for part in parts]
    left = sum(_away(part, middle, step_px) for part, middle in zip(parts, medians, strict=True))
    return 1.0 - left / max(total, 1e-9), medians


def _rising(medians: list[float], classes: int, step: float) -> bool:
    return len(medians) == classes and bool(np.all(np.diff(medians) > step))


def _levels(index: IntArray, steps: tuple[int, ...], phase: int) -> IntArray:
    """Return the class of each graduation, 0 the shortest."""
    level = np.zeros(len(index), dtype=np.int64)
    for rank, step in enumerate(steps, start=1):
        level[(index - phase) % step == 0] = rank
    return level


def _step_px(length: FloatArray) -> float:
    return max(STEP_PX, STEP_SHARE * float(np.median(length)))


def phase_scores(found: Hierarchy, index: IntArray, length: FloatArray) -> FloatArray:
    """Return the share of the variation that a pattern explains, from each place that it can start at.

    Which class is the longer is not asked: a few broken graduations of the longest must not tell it.
    """
    step_px = _step_px(length)
    levels = [_levels(index, found.steps, phase) for phase in range(found.period)]
    return np.array([_explained(length, level, step_px)[0] for level in levels])


def _periodic(index: IntArray, length: FloatArray, steps: tuple[int, ...], step_px: float) -> float:
    """Return the best score over the phases of a pattern of steps; 0 where classes do not rise.

    The longest class is where the usual length is longest; the next best places are tried too.
    """
    best = 0.0
    place = index % steps[-1]
    usual = [_median(length[place == one]) if np.any(place == one) else 0.0 for one in range(steps[-1])]
    for phase in np.argsort(usual)[::-1][:PHASES_TRIED]:
        score, medians = _explained(length, _levels(index, steps, int(phase)), step_px)
        if score > best and _rising(medians, len(steps) + 1, step_px):
            best = score
    return best


def _halving(index: IntArray, length: FloatArray, step_px: float) -> tuple[float, int, bool]:
    """Return (score, depth, confirmed) of halves of halves.

    Every second graduation is longer, every second of those longer again, and so on. The depth is confirmed
    when a further doubling was looked for among enough graduations and was not there.
    """
    phase, depth, confirmed = 0, 0, False
    level = np.zeros(len(index), dtype=np.int64)
    lower, rise = -np.inf, 0.0
    while depth < DEEPEST:
        period = 2 ** (depth + 1)
        first, second = ((index - phase) % period == 0), ((index - phase) % period == period // 2)
        fewest = min(np.count_nonzero(first), np.count_nonzero(second))
        if fewest == 0:
            break
        longer, shorter, phase_next = _longer(length, first, second, phase, period)
        least = max(step_px, NEXT_STEP * rise)
        if longer - shorter < least or shorter - lower < step_px:
            confirmed = bool(fewest >= ENOUGH)
            break
        phase, lower, rise, depth = phase_next, shorter, longer - shorter, depth + 1
        level[(index - phase) % period == 0] = depth
    return (_explained(length, level, step_px)[0] if depth else 0.0), depth, confirmed or depth == DEEPEST


def _longer(
    length: FloatArray, first: BoolArray, second: BoolArray, phase: int, period: int
) -> tuple[float, float, int]:
    a, b = _median(length[first]), _median(length[second])
    return (a, b, phase) if a >= b else (b, a, phase + period // 2)


def read_hierarchy(index: IntArray, length_px: FloatArray) -> Hierarchy:
    """Return the pattern of lengths; "none" where nothing explains it clearly."""
    seen = length_px > 0
    index, length = index[seen], length_px[seen]
    if len(index) < 12:
        return Hierarchy("none", 0.0)
    length = np.minimum(length, np.percentile(length, 99.5))
    if float(np.abs(length - np.median(length)).mean()) < LEAST_VARIATION_PX:
        return Hierarchy("none", 0.0)
    step_px = _step_px(length)
    found = [Hierarchy(kind, _periodic(index, length, steps, step_px), 0, steps) for kind, steps in PATTERNS]
    score, depth, confirmed = _halving(index, length, step_px)
    if depth >= LEAST_DEPTH:
        found.append(Hierarchy("dyadic", score, depth, tuple(2 ** (i + 1) for i in range(depth)), confirmed))
    best = max(found, key=lambda one: one.score)
    rival = max((one.score for one in found if one.kind != best.kind), default=0.0)
    if best.score < LEAST_SCORE or best.score < rival + MARGIN:
        return Hierarchy("none", best.score)
    return best

"""A curve cut into the longest pieces that one simple curve each follows within a distance.

What is fitted to a piece, and so how far off it is, is handed in: an arc, a cubic. Cut so, all pieces but the last are
equally far off (the rule of equal error: de Boor, A Practical Guide to Splines (1978), chapter XII).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray

# The last piece is as long as the curve lets it be; it counts as this part of a whole one at least.
LEAST_SHARE = 0.05


@dataclass(frozen=True)
class Measure:
    """How far points (N, 2) lie from the curve fitted to them, mm, and how many steps any such curve follows."""

    off: Callable[[FloatArray], float]
    free: int


def furthest(xy: FloatArray, first: int, within_mm: float, measure: Measure) -> int:
    """Return the last point up to which one curve from ``first`` keeps within.

    The length is doubled while it does and halved down to a point after, so that few curves are fitted.
    """
    last = len(xy) - 1
    good, stride = min(first + measure.free, last), 8 * measure.free
    while good < last and measure.off(xy[first : min(first + stride, last) + 1]) <= within_mm:
        good = min(first + stride, last)
        stride *= 2
    low, high = good, min(first + stride, last)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if measure.off(xy[first : middle + 1]) <= within_mm else (low, middle)
    return high if high == last and measure.off(xy[first:]) <= within_mm else low


def cuts(xy: FloatArray, within_mm: float, measure: Measure, most: int | None = None) -> list[int] | None:
    """Return the points where the pieces begin and end, or None where more than ``most`` are needed."""
    found = [0]
    while found[-1] < len(xy) - 1:
        if most is not None and len(found) > most:
            return None
        found.append(furthest(xy, found[-1], within_mm, measure))
    return found


def numbers(xy: FloatArray, found: list[int], within_mm: float, measure: Measure) -> FloatArray:
    """Return how many pieces lie before each of the cuts; the last is the part it has of one not cut short."""
    whole = furthest(xy[::-1], 0, within_mm, measure)
    share = min(max((found[-1] - found[-2]) / max(whole, 1), LEAST_SHARE), 1.0)
    return np.append(np.arange(len(found) - 1.0), len(found) - 2.0 + share)

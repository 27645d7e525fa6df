"""What uneven feeding did along one direction, from the graduations of a rule, so that it can be taken out.

A cubic spline whose knots come where the graduations ask for them: every piece in which the residuals still share a
level, a step or a bow is halved, until none does. The result is kept monotone: paper is never fed backwards past a
place twice. It is given at all only where the test in `feed` proves it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from calibration.feed import FLOOR_MM, FeedTest, feed_test, spline_basis, together
from calibration.frames import FloatArray, frozen_floats
from calibration.linefit import MAD_TO_SIGMA

START_PIECES = 6
SHARED_SIGMAS = 3.7  # a piece shares a level, a step or a bow when it is this much beyond chance
FEWEST_IN_PIECE = 3  # graduations; fewer cannot ask for a knot
ROUNDS = 12
SURE_CHANCE = 1e-8  # of the fitted curve, whose knots were chosen by the same graduations
# and of a size that graduations erring together, as pixels make them, do not reach
SURE_MM = 3.0 * FLOOR_MM
STEP_MM = 0.25  # of the table that the curve is kept as
LEAST_SLOPE = 0.02  # of the paper's place against its true one: never standing still or going back


@dataclass(frozen=True, eq=False)
class FeedCurve:
    """By how much places along a rule are off their straight scale."""

    at_mm: FloatArray  # (K,) true places along the rule, even steps
    off_mm: FloatArray  # (K,) seen place less true place; its own straight line taken out
    test: FeedTest
    knots: int

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "at_mm", frozen_floats(self.at_mm))
        object.__setattr__(self, "off_mm", frozen_floats(self.off_mm))

    def true_place(self, seen_mm: FloatArray) -> FloatArray:
        """Return the true places along the rule of places as seen; beyond its ends the last known shift stays."""
        seen = self.at_mm + self.off_mm
        inside = np.interp(seen_mm, seen, self.at_mm)
        before = np.minimum(seen_mm - seen[0], 0.0)
        return np.asarray(inside + before + np.maximum(seen_mm - seen[-1], 0.0))


def feed_curve(name: str, at_mm: FloatArray, off_mm: FloatArray, floor_px_mm: float = 0.0) -> FeedCurve | None:
    """Return the curve of a rule that was fed unevenly; None where its graduations do not prove one.

    Args:
        name: of the rule.
        at_mm: (N,) increasing true places of the graduations.
        off_mm: (N,) seen place less true place.
        floor_px_mm: size of a pixel, where pixels are all that shows (1-bit pictures).
    """
    test = feed_test(name, at_mm, off_mm, floor_px_mm)
    if test is None:
        return None
    knots, fitted = _refined(at_mm, off_mm)
    if not (test.proven or _sure(at_mm, off_mm, fitted, len(knots) + 2, floor_px_mm)):
        return None
    table = np.arange(at_mm[0], at_mm[-1] + STEP_MM / 2, STEP_MM)
    coefficients = np.linalg.lstsq(spline_basis(at_mm, knots), off_mm, rcond=None)[0]
    off = spline_basis(table, knots) @ coefficients
    line = np.polynomial.polynomial.polyfit(at_mm, fitted, 1)
    off = off - np.polynomial.polynomial.polyval(table, line)
    return FeedCurve(table, _monotone(table, off), test, len(knots))


def _monotone(at: FloatArray, off: FloatArray) -> FloatArray:
    """Return the curve with the seen place always growing."""
    seen = at + off
    least = seen - LEAST_SLOPE * at
    return np.asarray(np.maximum.accumulate(least) + LEAST_SLOPE * at - at)


def _refined(at: FloatArray, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the knots that the graduations ask for and the fitted curve at them, (N,)."""
    sigma = _noise(off)
    knots = np.linspace(at[0], at[-1], START_PIECES + 1)
    fitted = off
    for _ in range(ROUNDS):
        basis = spline_basis(at, knots)
        fitted = basis @ np.linalg.lstsq(basis, off, rcond=None)[0]
        more = _asked(at, (off - fitted) / sigma, knots)
        if not len(more):
            break
        knots = np.sort(np.concatenate([knots, more]))
    return knots, fitted


def _noise(off: FloatArray) -> float:
    """Return 1 sigma of single graduations, from second differences, which no smooth curve moves."""
    bend = off[2:] - 2.0 * off[1:-1] + off[:-2]
    return max(MAD_TO_SIGMA * float(np.median(np.abs(bend - np.median(bend)))) / math.sqrt(6.0), 1e-4)


def _asked(at: FloatArray, scaled: FloatArray, knots: FloatArray) -> FloatArray:
    """Return the middles of the pieces in which the residuals, in sigmas, still share something."""
    found: set[int] = set()
    places = np.searchsorted(at, knots)
    places[-1] = len(at)
    for first in range(len(knots) - 1):
        for last in (first + 1, min(first + 2, len(knots) - 1)):
            part = scaled[places[first] : places[last]]
            if len(part) >= FEWEST_IN_PIECE and _shares(part) > SHARED_SIGMAS:
                found.update(range(first, last))
    wide = [i for i in sorted(found) if places[i + 1] - places[i] >= FEWEST_IN_PIECE]
    return np.array([(knots[i] + knots[i + 1]) / 2.0 for i in wide])


def _shares(part: FloatArray) -> float:
    """Return the largest of level, step and bow of residuals, in sigmas."""
    t = np.linspace(-1.0, 1.0, len(part))
    shapes = (np.ones_like(t), np.sign(t), np.abs(t) - 0.5, t)
    return max(abs(float(part @ shape)) / float(np.sqrt(shape @ shape)) for shape in shapes if shape @ shape > 0.0)


def _sure(at: FloatArray, off: FloatArray, fitted: FloatArray, unknowns: int, floor_px_mm: float) -> bool:
    """Tell whether the fitted curve itself is far beyond chance: a bump too narrow for the test's own curve."""
    line = np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, off, 1))
    left = off - fitted
    free = (len(at) - unknowns) / together(left)
    if free < 2.0:
        return False
    spread = max(float(left @ left) / (len(at) - unknowns) * together(left), 1e-12)
    statistic = max(float(np.sum((off - line) ** 2)) - float(left @ left), 0.0) / (unknowns - 2) / spread
    chance = float(fdtrc(unknowns - 2, free, statistic))
    peak = float(np.max(np.abs(fitted - line))) - floor_px_mm
    return chance < SURE_CHANCE and peak > SURE_MM

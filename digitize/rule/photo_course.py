"""The course of a rule's graduations in a photo: smooth curves over the number of a graduation.

Graduation ``i`` (a real number, so that places between graduations have one too) stands at ``foot(i)`` and runs along
``step(i)``; a row ``m`` of it is at ``foot(i) + m * step(i)``. Rows are as long as the local pitch is to the usual
one, so that a band of rows is the same band of the rule from end to end although the view makes it narrower.
Beyond the part that was fitted the curves go on straight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt
from numpy.polynomial import Chebyshev
from numpy.polynomial.chebyshev import chebder, chebval, chebvander

from calibration.frames import FloatArray
from digitize.rule.strip import Grey

HUBER = 1.5  # robust sigmas up to which a sample counts in full
HUBER_ROUNDS, SAME_PULL = 8, 0.02  # at most; weights that change by less have settled
MAD_TO_SIGMA = 1.4826
DIRECTED_KNOTS = 96
RISE = 1e-3  # of a graduation, to take a direction


@dataclass(frozen=True, eq=False)
class Curve:
    """A smooth function of the graduation number, straight beyond its ends."""

    fit: Chebyshev
    low: float
    high: float

    def __call__(self, index: npt.ArrayLike) -> FloatArray:
        """Return the values at real graduation numbers."""
        at = np.asarray(index, dtype=np.float64)
        inside = np.clip(at, self.low, self.high)
        return np.asarray(chebval(self._scaled(inside), self.fit.coef) + (at - inside) * self.slope(inside))

    def slope(self, index: npt.ArrayLike) -> FloatArray:
        """Return the derivative."""
        inside = np.clip(np.asarray(index, dtype=np.float64), self.low, self.high)
        return np.asarray(chebval(self._scaled(inside), self._derived))

    @cached_property
    def _derived(self) -> FloatArray:
        """Coefficients of the derivative."""
        if len(self.fit.coef) < 2:
            return np.zeros(1)
        first, last = self.fit.domain
        return np.asarray(chebder(self.fit.coef) * 2.0 / (last - first), dtype=np.float64)

    def _scaled(self, index: FloatArray) -> FloatArray:
        first, last = self.fit.domain
        return np.asarray((2.0 * index - first - last) / (last - first))


def fit_curve(
    index: FloatArray, value: FloatArray, weight: FloatArray, degree: int, floor: float, robust: bool = True
) -> Curve:
    """Return the least-squares curve with Huber weights, iterated (Huber 1964); ``floor`` is the least scale."""
    low, high = float(index.min()), float(index.max())
    if high - low < 1e-6:
        high = low + 1.0
    scaled = (2.0 * index - low - high) / (high - low)
    terms = chebvander(scaled, degree)
    pull = np.ones(len(index))
    for _ in range(HUBER_ROUNDS if robust else 1):
        weighed = terms * (weight * pull)[:, None]
        coef = np.linalg.lstsq(weighed.T @ terms, weighed.T @ value, rcond=None)[0]
        left = np.abs(value - terms @ coef)
        scale = max(MAD_TO_SIGMA * float(np.median(left[weight > 0])), floor)
        before, pull = pull, np.minimum(1.0, HUBER * scale / np.maximum(left, 1e-12))
        if np.abs(pull - before).max() < SAME_PULL:
            break
    return Curve(Chebyshev(coef, domain=[low, high]), low, high)


@dataclass(frozen=True, eq=False)
class Course:
    """Where graduations run in the picture, px."""

    x: Curve
    y: Curve
    lean: Curve  # angle from the direction of the run to that of the graduations, radians
    pitch_px: float  # usual; rows are 1 px where the pitch is this

    def foot(self, index: npt.ArrayLike) -> FloatArray:
        """Return (..., 2) px of row 0."""
        return np.stack([self.x(index), self.y(index)], axis=-1)

    def run(self, index: npt.ArrayLike) -> FloatArray:
        """Return (..., 2) px from one graduation to the next."""
        return np.stack([self.x.slope(index), self.y.slope(index)], axis=-1)

    def pitch(self, index: npt.ArrayLike) -> FloatArray:
        """Return the local pitch, px."""
        return np.asarray(np.hypot(self.x.slope(index), self.y.slope(index)))

    def step(self, index: npt.ArrayLike) -> FloatArray:
        """Return (..., 2) px of one row."""
        run, lean = self.run(index) / self.pitch_px, self.lean(index)
        c, s = np.cos(lean), np.sin(lean)
        return np.stack([c * run[..., 0] - s * run[..., 1], s * run[..., 0] + c * run[..., 1]], axis=-1)

    def angle(self, index: FloatArray) -> FloatArray:
        """Return the directions of graduations in the picture, radians, with no jumps from one to the next."""
        x, y = self.step(index).T
        return np.unwrap(np.arctan2(y, x))

    def directed(self, angle: Curve) -> Course:
        """Return the course with graduations that run in the given directions in the picture, radians."""
        knots = np.linspace(angle.low, angle.high, DIRECTED_KNOTS)
        x, y = self.run(knots).T
        lean = np.unwrap(angle(knots) - np.arctan2(y, x))
        lean += 2.0 * np.pi * round(float(self.lean(knots[0]) - lean[0]) / (2.0 * np.pi))
        degree = len(self.x.fit.coef)  # small bends of the course are in the lean as well
        return replace(self, lean=fit_curve(knots, lean, np.ones(len(knots)), degree, 1e-4, robust=False))

    def px(self, index: npt.ArrayLike, row: npt.ArrayLike) -> FloatArray:
        """Return (..., 2) px of rows of graduations."""
        return np.asarray(self.foot(index) + np.asarray(row, dtype=np.float64)[..., None] * self.step(index))

    def grid(self, index: FloatArray, row: FloatArray) -> FloatArray:
        """Return (R, C, 2) px of a table of rows and graduations."""
        return np.asarray(self.foot(index)[None] + row[:, None, None] * self.step(index)[None])


def straightened(grey: Grey, course: Course, index: FloatArray, row: FloatArray) -> npt.NDArray[np.float32]:
    """Return (R, C) grey values, graduations upright and evenly spaced; places good to 1/32 px."""
    at = course.grid(index, row).astype(np.float32)
    values = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, dtype=np.float32)


def inside_picture(grey: Grey, course: Course, low: float, high: float, margin_px: float) -> tuple[float, float]:
    """Return the part of a run of graduation numbers whose foot is in the picture."""
    index = np.arange(np.floor(low), np.ceil(high) + 1)
    at = course.foot(index)
    size = np.array(grey.shape[::-1]) - 1 - margin_px
    good = np.nonzero(np.all((at >= margin_px) & (at <= size), axis=1))[0]
    return (float(index[good[0]]), float(index[good[-1]])) if len(good) else (low, low)

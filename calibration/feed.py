"""Was the sheet fed evenly? Graduations against their own straight scale, tested for what they share along it.

A copier or scanner that moves its paper unevenly shifts neighbouring graduations together. A smooth curve (cubic
B-spline) is set against the straight line by the F-test of nested least-squares models (N. R. Draper, H. Smith,
"Applied Regression Analysis", extra sum of squares). Graduations that err together from pixel to pixel would pass for
a curve, so their number is divided by the integrated autocorrelation of what the curve leaves (C. J. Geyer,
"Practical Markov Chain Monte Carlo", Stat. Sci. 7 (1992) 473).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline
from scipy.special import fdtrc

from calibration.frames import FloatArray, frozen_floats

CHANCE = 1e-3  # an even feed is called uneven this seldom
FLOOR_MM = 0.05  # and never by less than this: it does no harm to a body, and pixels make as much
FEWEST = 20  # graduations
BENDS = 6  # inner pieces of the curve that is tested


@dataclass(frozen=True, eq=False)
class FeedTest:
    """One measure: the curve against the straight line."""

    name: str
    statistic: float  # F
    dof: tuple[float, float]
    chance: float  # of such an F when the feed is even
    peak_mm: float  # largest departure of the curve from the line
    at_mm: FloatArray  # (N,) along the measure
    curve_mm: FloatArray  # (N,) the smooth part of what the graduations are off

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "at_mm", frozen_floats(self.at_mm))
        object.__setattr__(self, "curve_mm", frozen_floats(self.curve_mm))

    @property
    def proven(self) -> bool:
        """The graduations prove an uneven feed that matters."""
        return self.chance < CHANCE and self.peak_mm > FLOOR_MM


def feed_test(name: str, at_mm: FloatArray, off_mm: FloatArray, floor_px_mm: float = 0.0) -> FeedTest | None:
    """Test one measure's graduations; None with too few of them.

    Args:
        name: of the measure, for the report.
        at_mm: (N,) increasing, along the measure.
        off_mm: (N,) where each graduation is less where it should be.
        floor_px_mm: size of a pixel, where pixels are all that shows (1-bit pictures).
    """
    if len(at_mm) < FEWEST or np.ptp(at_mm) == 0.0:
        return None
    line = np.stack([np.ones_like(at_mm), (at_mm - at_mm.mean()) / np.ptp(at_mm)], axis=1)
    curve = spline_basis(at_mm, np.linspace(at_mm.min(), at_mm.max(), BENDS + 1))
    straight, smooth = _fitted(line, off_mm), _fitted(curve, off_mm)
    left = off_mm - smooth
    rest, gain = float(left @ left), float(np.sum((off_mm - straight) ** 2))
    more, free = curve.shape[1] - 2, (len(at_mm) - curve.shape[1]) / together(left)
    if free < 2.0:
        return None
    spread = max(rest / (len(at_mm) - curve.shape[1]) * together(left), 1e-12)
    statistic = max(gain - rest, 0.0) / more / spread
    shape = smooth - straight
    peak = max(float(np.max(np.abs(shape))) - floor_px_mm, 0.0)
    return FeedTest(name, statistic, (more, free), float(fdtrc(more, free, statistic)), peak, at_mm, shape)


def spline_basis(at: FloatArray, knots: FloatArray) -> FloatArray:
    """Return (N, K) cubic B-splines on the knots, both ends included."""
    full = np.concatenate([[knots[0]] * 3, knots, [knots[-1]] * 3])
    return np.asarray(BSpline.design_matrix(np.clip(at, knots[0], knots[-1]), full, 3).toarray())


def together(left: FloatArray) -> float:
    """Return by how much neighbours that err together make the graduations fewer, 1 or more."""
    away = left - left.mean()
    power = float(away @ away)
    if power == 0.0:
        return 1.0
    lags = np.correlate(away, away, "full")[len(away) - 1 :] / power
    ends = np.nonzero(lags < 0.0)[0]
    return max(1.0, 2.0 * float(lags[: ends[0] if len(ends) else len(lags)].sum()) - 1.0)


def _fitted(design: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(design @ np.linalg.lstsq(design, values, rcond=None)[0])

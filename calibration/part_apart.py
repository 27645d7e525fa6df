"""Is there a stretch that the rest of a contour proves to be off, though it drew the whole fit towards itself?

A stretch of some 40 mm is a tenth of a half outline. Where the fit has a weak direction (half an outline nearly allows
its own width to be traded for a shift), it pays to spread such a stretch over everything, and then it is seen nowhere.
So every stretch is judged by the fit of the rest (deleted residuals; Belsley, Kuh and Welsch, Regression Diagnostics,
1980, chapter 2), which is as uncertain there as the rest leaves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray
from calibration.part_fit import HUBER, LEAST_SCATTER_MM, MAD_TO_SIGMA, TUKEY, PartFit, prior_weight
from calibration.part_runs import LEAST_MM, TIMES_UNSTEADY, off_map

LEFT_OUT_MM, STEP_MM = 40.0, 10.0
# A stretch that tapers off is judged by its middle.
JUDGED_SHARE = 0.6
ROUNDS, HUBER_ROUNDS = 16, 4
MOST_STRETCHES = 3  # of one part
SURE = 2.0  # sigmas by which it has to be beyond what is real


@dataclass(frozen=True, eq=False)
class _Rest:
    """The fit of what is left when a stretch is left out; linear, about the fit of everything."""

    off_mm: FloatArray  # (N,) distances from the curve, the stretch's too
    covariance: FloatArray  # (6 + K, 6 + K)


def stretches_apart(
    fit: PartFit, along_mm: FloatArray, strain_covariance: FloatArray, alike: float, mean_alike: float, u_mm: float
) -> BoolArray:
    """Return the places (N,) of stretches that are off by what is real, as the rest of the contour has it.

    Args:
        fit: of everything.
        along_mm: (N,) of its places, in order.
        strain_covariance: (3, 3) as for the fit.
        alike: how many neighbouring places share one error, for the fit.
        mean_alike: the same for means over a few millimetres.
        u_mm: 1 sigma of what an edge's place is off by over a whole stretch.
    """
    apart = np.zeros(len(along_mm), dtype=bool)
    prior = prior_weight(strain_covariance, len(fit.sway))
    for _ in range(MOST_STRETCHES):
        found = [_judged(fit, along_mm, apart, middle, prior, alike, mean_alike, u_mm) for middle in _middles(along_mm)]
        best, middle = max(zip(found, _middles(along_mm), strict=True))
        if best <= 1.0:
            break
        apart |= np.abs(along_mm - middle) <= LEFT_OUT_MM / 2.0
    return apart


def _middles(along_mm: FloatArray) -> list[float]:
    return [float(at) for at in np.arange(along_mm[0] + STEP_MM, along_mm[-1], STEP_MM)]


def _judged(
    fit: PartFit, along_mm: FloatArray, apart: BoolArray, middle: float, prior: FloatArray, alike: float,
    mean_alike: float, u_mm: float,
) -> float:  # fmt: skip
    """Return how many times a stretch is further off than what would be real."""
    out = np.abs(along_mm - middle) <= LEFT_OUT_MM / 2.0
    judged = np.abs(along_mm - middle) <= JUDGED_SHARE * LEFT_OUT_MM / 2.0
    if apart[out].any() or judged.sum() < 3 or (~(out | apart)).sum() < 0.5 * len(out):
        return 0.0
    # What an edge is off by over a whole stretch does not average out within one.
    rest = _without(fit, ~(out | apart), prior, alike, u_mm**2 * float(out.sum()))
    row = fit.rows[judged].mean(axis=0)
    sure = SURE * float(np.sqrt(row @ rest.covariance @ row + u_mm**2))
    steady = np.where(out | apart, np.nan, rest.off_mm)
    even, values = _evenly(along_mm, steady)
    need = max(LEAST_MM, TIMES_UNSTEADY * off_map(even, values, mean_alike).unsteady_mm) + sure
    return float(abs(rest.off_mm[judged].mean())) / need


def _evenly(along_mm: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places at equal steps, with nothing where no place was seen."""
    step = float(np.median(np.diff(along_mm)))
    at = np.rint((along_mm - along_mm[0]) / step).astype(int)
    full = np.full(int(at[-1]) + 1, np.nan)
    full[at] = values
    return along_mm[0] + step * np.arange(len(full)), full


def _without(fit: PartFit, kept: BoolArray, prior: FloatArray, alike: float, shared: float) -> _Rest:
    """Fit what is kept, with the weights of ``part_fit``; ``shared`` is what places err together, as a variance."""
    rows, off = fit.rows, fit.off_mm
    step = np.zeros(rows.shape[1])
    normal = np.eye(rows.shape[1])
    for number in range(ROUNDS):
        left = off + rows @ step
        centre = float(np.median(left[kept])) if number < HUBER_ROUNDS else 0.0
        scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(left[kept] - centre))), LEAST_SCATTER_MM)
        size = np.abs(left) / scatter
        if number < HUBER_ROUNDS:
            weight = np.minimum(1.0, HUBER / np.maximum(size, 1e-12))
        else:
            weight = np.where(size < TUKEY, (1.0 - (size / TUKEY) ** 2) ** 2, 0.0)
        share = np.where(kept, weight, 0.0) / (scatter**2 * alike + shared)
        normal = (rows * share[:, None]).T @ rows
        normal[3:, 3:] += prior
        side = -(rows * share[:, None]).T @ off
        side[3:] -= prior @ fit.given
        step = np.asarray(np.linalg.solve(normal, side), dtype=np.float64)
    return _Rest(off + rows @ step, np.asarray(np.linalg.inv(normal), dtype=np.float64))

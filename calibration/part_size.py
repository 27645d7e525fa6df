"""Is the whole of a contour off in size? One factor, as an unknown beside what the scale itself may have wrong.

The scale's strains keep their own covariance; the factor comes on top of it with a wide prior, so what the fit finds is
shared between the two as both are known (the conditional mean of normal variables).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray
from calibration.part_fit import RIGID, PartFit

# 1 sigma of a part's size before anything is known of it: prints fitted to a page come out at 93 to 97 %.
FREE = 0.05
EVENLY = np.array([1.0, 1.0, 0.0])  # what a factor does to log scale x, log scale y and shear
# A size is told where it is so many sigmas from true, leaves less than this of what a part of the right size would have
# to be off by, and clearly less than wood left all along the edge would.
SURE, LEAVES, LEAVES_OF_EVEN = 3.0, 0.5, 0.7
MOST_OF_IT = 0.85  # of the places must go along with it


@dataclass(frozen=True)
class PartSize:
    """By how much the whole of a contour is larger than the curve."""

    share: float  # + larger, - smaller
    u: float  # 1 sigma


def freed(strain_covariance: FloatArray) -> FloatArray:
    """Return (3, 3) of log scale x, log scale y and shear with the contour's own size left free."""
    return np.asarray(strain_covariance + FREE**2 * np.outer(EVENLY, EVENLY))


def part_size(fit: PartFit, strain_covariance: FloatArray) -> PartSize:
    """Return the size that a fit took out.

    Args:
        fit: made with ``freed(strain_covariance)``.
        strain_covariance: (3, 3) of the scale alone.
    """
    row = FREE**2 * np.linalg.solve(freed(strain_covariance), EVENLY)
    strains = fit.covariance[RIGID : RIGID + 3, RIGID : RIGID + 3]
    shrunk = float(row @ fit.strain)
    variance = float(row @ strains @ row) + FREE**2 * max(0.0, 1.0 - float(row @ EVENLY))
    return PartSize(1.0 / (1.0 + shrunk) - 1.0, float(np.sqrt(variance)))


def size_explains(free: PartFit, true: PartFit) -> bool:
    """Whether a wrong size leaves so much less unexplained than the right one, or an edge left standing evenly.

    Args:
        free: the fit of some places with their size left free.
        true: of the same places with the size they should have.
    """
    kept = free.weight > 0.0  # not what stands out on its own
    if kept.mean() < MOST_OF_IT:
        return False
    off = true.off_mm[kept]
    columns = np.column_stack([true.rows[kept, :RIGID], np.ones(len(off))])
    even = off - columns @ np.linalg.lstsq(columns, off, rcond=None)[0]
    left = _rms(free.off_mm[kept])
    return left < LEAVES * _rms(off) and left < LEAVES_OF_EVEN * _rms(even)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))

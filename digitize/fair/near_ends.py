"""How much noisier a penalised fit is near the end of its data, and beyond."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calibration.frames import FloatArray

# The grid on which the noise is worked out, in units of one over the cut-off.
STEP, BEYOND, REACH = 0.1, 5.0, 16.0


@lru_cache(maxsize=1)
def _profile() -> tuple[FloatArray, FloatArray]:
    """Return (distance into the data times cut-off, 1 sigma over that far inside).

    The fit is linear in its data, so its variance is the sum of its squared responses. All fits
    with a third-difference penalty are the same one, stretched by their cut-off.
    """
    place = np.arange(-BEYOND, 2.0 * REACH, STEP)
    held = np.diag((place >= 0.0).astype(np.float64))
    third = np.diff(np.eye(len(place)), 3, axis=0)
    response = np.linalg.solve(held + STEP**-6.0 * third.T @ third, held)
    spread = np.sqrt((response**2).sum(axis=1))
    near = place < REACH
    return place[near], spread[near] / spread[near][-1]


def end_noise(into_mm: FloatArray, cutoff_per_mm: float) -> FloatArray:
    """Return by how much a fit's 1 sigma grows at places ``into_mm`` from the nearer end of its data.

    Args:
        into_mm: (N,) distance inside the data, below zero beyond them.
        cutoff_per_mm: the fit's cut-off, rad per mm.
    """
    place, growth = _profile()
    return np.interp(into_mm * cutoff_per_mm, place, growth)

"""Peaks of a sequence, the highest of each neighbourhood (scipy.signal has the same, and takes long to load)."""

from __future__ import annotations

import numpy as np

from calibration.frames import FloatArray, IntArray


def peaks(values: FloatArray, least: float, apart: int) -> IntArray:
    """Return the places of the peaks of ``least`` or more (a flat one's middle), none within ``apart`` of a higher.

    The first and the last value are no peaks.
    """
    starts = np.concatenate([[0], np.flatnonzero(values[1:] != values[:-1]) + 1])
    level = values[starts]
    top = np.zeros(len(starts), dtype=np.bool_)
    top[1:-1] = (level[1:-1] > level[:-2]) & (level[1:-1] > level[2:]) & (level[1:-1] >= least)
    stops = np.append(starts[1:], len(values))
    found = ((starts + stops - 1) // 2)[top]
    keep = np.ones(len(found), dtype=np.bool_)
    for highest in np.argsort(values[found])[::-1]:
        if keep[highest]:
            keep &= np.abs(found - found[highest]) >= apart
            keep[highest] = True
    return np.asarray(found[keep], dtype=np.int64)

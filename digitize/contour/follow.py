"""A smooth way along a line: from the rough way of the strokes, then through the places measured.

Everything is in pixels of the full picture but for lengths that say mm.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.sparse.linalg import splu

from calibration.frames import FloatArray
from digitize.contour.band import smooth

# The rough way is smoothed over this length before it is first measured along, but over the second where that
# would cut a bend by more than the third.
ROUGH_MM, BEND_MM, CUT_MM, LEAST_INKED = 1.2, 0.35, 0.1, 0.4
# Splines along the line: knots this far apart (mm), and how stiff.
STIFF, SUPPLE, PAD_MM = (2.0, 3.0), (1.0, 1.0), 40.0


def quietened(path: FloatArray, px_per_mm: float, step_mm: float, *, closed: bool) -> FloatArray:
    """Return the rough way without its pixel steps: smoothed long where it is gentle, short in tight bends."""
    long = smooth(path, ROUGH_MM / step_mm, closed=closed)
    short = smooth(path, BEND_MM / step_mm, closed=closed)
    return _bends_kept(long, short, px_per_mm, step_mm, np.ones(len(path)))


def followed(place: FloatArray, weight: FloatArray, px_per_mm: float, step_mm: float, *, closed: bool) -> FloatArray:
    """Return the curve through measured places: stiff over gaps and where it is gentle, supple in tight bends.

    Args:
        place: (N, 2) stations where they were measured to be.
        weight: (N,) 0 where nothing was measured.
        px_per_mm: of the picture.
        step_mm: distance of the stations.
        closed: the path ends where it starts.
    """
    stiff = bridge_spline(place, weight, step_mm, *STIFF, closed=closed)
    supple = bridge_spline(place, weight, step_mm, *SUPPLE, closed=closed)
    return _bends_kept(stiff, supple, px_per_mm, step_mm, weight)


def _bends_kept(
    gentle: FloatArray, close: FloatArray, px_per_mm: float, step_mm: float, weight: FloatArray
) -> FloatArray:
    """Return ``gentle``, and ``close`` where ``gentle`` cuts a bend that ink shows."""
    window = round(2 * ROUGH_MM / step_mm) | 1
    inked = uniform_filter1d(np.minimum(weight, 1.0), window) > LEAST_INKED
    cut = np.hypot(*(gentle - close).T) / px_per_mm * inked
    bend = uniform_filter1d(maximum_filter1d(np.clip(cut / CUT_MM - 1.0, 0.0, 1.0), window), window)
    return np.asarray(gentle + bend[:, None] * (close - gentle))


def bridge_spline(
    xy: FloatArray, weight: FloatArray, step_mm: float, knot_mm: float, stiffness: float, *, closed: bool
) -> FloatArray:
    """Return the points (N, 2) smoothed by a weighted penalised cubic spline in arc length.

    Stretches of weight zero are bridged with the least change of curvature. Eilers and
    Marx, "Flexible smoothing with B-splines and penalties", Statistical Science 11 (1996) 89.
    """
    pad = min(len(xy), int(PAD_MM / step_mm)) if closed else 0
    index = np.arange(-pad, len(xy) + pad)
    data, weights = xy[index % len(xy)], np.maximum(weight[index % len(xy)], 1e-7)
    if not closed:
        weights[[0, 1, -2, -1]] = np.maximum(weights[[0, 1, -2, -1]], 0.05)
    at = index * step_mm
    count = max(6, int((at[-1] - at[0]) / knot_mm))
    inner = np.linspace(at[0], at[-1], count)
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    design = BSpline.design_matrix(at, knots, 3)
    third = sparse.csr_matrix(np.diff(np.eye(design.shape[1]), 3, axis=0))
    normal = design.T @ design.multiply(weights[:, None]) + stiffness * third.T @ third
    coefficients = splu(sparse.csc_matrix(normal)).solve(design.T @ (weights[:, None] * data))
    return np.asarray((design @ coefficients)[pad : pad + len(xy)])

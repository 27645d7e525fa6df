"""Lines through the middles of short strokes that stand alone.

Graduations on no drawn line may be too faint or short to show as line segments in a picture that is reduced for those.
A stroke is a connected piece of ink whose second moments are those of something long and thin.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.paged import shrunk
from digitize.rule.lines import ROUND_PX, peaks_of_votes, votes_of
from digitize.rule.strip import Grey, Line

INK_PIXELS = 2.4e7  # pieces of ink are told apart in so many pixels at most
LONG_PX = (5.0, 150.0)  # reduced px
THIN = 2.5  # times longer than wide
SPREAD = 12.0  # length squared over its second moment, of a bar
FEWEST = 15  # strokes on one line
MOST_LINES = 24


def stroke_lines(grey: Grey, contrast: float) -> list[Line]:
    """Return lines (px of the picture) square to many strokes and through their middles.

    Args:
        grey: (H, W) dark ink on light paper.
        contrast: grey levels by which ink is darker than round it.
    """
    factor = max(1.0, float(np.ceil(2 * np.sqrt(grey.size / INK_PIXELS))) / 2)
    small = shrunk(grey, factor) if factor > 1 else grey
    mean, under = cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV
    ink = cv2.adaptiveThreshold(small, 255, mean, under, ROUND_PX, contrast)
    middles, square_deg = _strokes(ink)
    if len(middles) < FEWEST:
        return []
    votes, shift = votes_of(middles, square_deg)
    return peaks_of_votes(votes, middles, shift, factor, (FEWEST, MOST_LINES))


def _strokes(ink: Grey) -> tuple[FloatArray, FloatArray]:
    """Return (N, 2) the middles of the strokes, px, and (N,) the directions square to them, degrees."""
    _, labels, stats, middles = cv2.connectedComponentsWithStats(ink, connectivity=8, ltype=cv2.CV_32S)
    size = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    fits = (size > LONG_PX[0]) & (size < 1.2 * LONG_PX[1]) & (stats[:, cv2.CC_STAT_AREA] > LONG_PX[0])
    fits[0] = False
    moments = _moments(labels, fits, middles)
    half_sum, half_gap = (moments[0] + moments[2]) / 2, np.hypot((moments[0] - moments[2]) / 2, moments[1])
    # a piece one pixel wide has that pixel's own spread
    both = np.stack([half_sum + half_gap, half_sum - half_gap])
    long_px, wide_px = np.sqrt(SPREAD * np.maximum(both, 1 / SPREAD))
    fits &= (long_px > LONG_PX[0]) & (long_px < LONG_PX[1]) & (long_px > THIN * wide_px)
    along_deg = np.rad2deg(np.arctan2(2 * moments[1], moments[0] - moments[2]) / 2)
    return np.asarray(middles[fits], dtype=np.float64), np.asarray(along_deg[fits] + 90.0, dtype=np.float64)


def _moments(labels: IntArray, fits: BoolArray, middles: FloatArray) -> FloatArray:
    """Return (3, N) the second moments xx, xy, yy of the pieces that fit, px squared."""
    rows, columns = np.nonzero(fits[labels])
    which = labels[rows, columns]
    x, y = columns - middles[which, 0], rows - middles[which, 1]
    total = np.maximum(np.bincount(which, minlength=len(fits)), 1)
    sums = [np.bincount(which, weights=part, minlength=len(fits)) for part in (x * x, x * y, y * y)]
    return np.asarray(sums) / total


__all__ = ["stroke_lines"]

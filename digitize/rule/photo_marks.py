"""Every graduation of a course: is it there, and how far does it go on either side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.photo_course import Course, straightened
from digitize.rule.strip import Grey

REACH = 13.0  # pitches from the band: how far graduations are followed
REACH_ROWS = (48.0, 130.0)
QUARTER, QUARTER_PX = 0.12, 0.5  # of a stretch and px: the middle of a graduation
USUAL_RUN = 21  # graduations over which the usual contrast is taken: light and glare change along a rule
PRESENT = 0.4  # of the usual contrast
PRESENT_ROWS = 0.6  # of the rows of the band
ENDS = 0.4  # of the usual contrast: where a graduation ends
GAP_ROWS = 3  # shorter breaks are flaws
BEYOND = 12.0  # graduations looked at beyond both ends


@dataclass(frozen=True, eq=False)
class Marks:
    """Graduations of a course by whole numbers; ``sign`` is 1 for dark ones, -1 for bright ones.

    Numbers of bright ones are those of the course moved by a half: graduation ``i`` is at ``i + shift``.
    """

    sign: float
    shift: float
    index: IntArray  # (N,) one apart
    present: BoolArray  # (N,)
    right_px: FloatArray  # (N,) rows that it goes from the middle of the band to the right of the run
    left_px: FloatArray  # (N,)
    contrast: FloatArray  # (N,) in the band
    usual: FloatArray  # (N,) the same, of its neighbours


def contrast_rows(grey: Grey, course: Course, at: FloatArray, rows: FloatArray) -> FloatArray:
    """Return (R, N) by how much graduations are darker than both gaps beside them, row by row."""
    quarter = min(QUARTER, QUARTER_PX / course.pitch_px)
    places = np.stack([at - 0.5, at - quarter, at + quarter, at + 0.5], axis=1).ravel()
    four = straightened(grey, course, places, rows).reshape(len(rows), len(at), 4)
    return np.asarray(0.5 * (four[..., 0] + four[..., 3] - four[..., 1] - four[..., 2]), dtype=np.float64)


def _length(shown: BoolArray) -> FloatArray:
    """Return how many rows each column goes on from row 0, breaks of fewer than GAP_ROWS passed over; (R, N)."""
    clear = ~shown
    ended = clear.copy()
    for more in range(1, GAP_ROWS):
        ended[:-more] &= clear[more:]
        ended[-more:] &= True
    ends = ended.any(axis=0)
    return np.where(ends, np.argmax(ended, axis=0), len(shown)).astype(np.float64)


def read_marks(grey: Grey, course: Course, low: float, high: float, band: tuple[float, float], sign: float) -> Marks:
    """Return the graduations of a course, dark or bright ones."""
    shift = 0.0 if sign > 0 else 0.5
    index = np.arange(np.ceil(low - BEYOND), np.floor(high + BEYOND) + 1)
    reach = float(np.ceil(np.clip(REACH * course.pitch_px, *REACH_ROWS)))
    rows = np.arange(np.floor(band[0] - reach), np.ceil(band[1] + reach) + 1)
    each = sign * contrast_rows(grey, course, index + shift, rows)
    first, last = int(np.ceil(band[0]) - rows[0]), int(np.floor(band[1]) - rows[0])
    inner = each[first : last + 1]
    contrast = np.median(inner, axis=0)
    inside = (index >= low) & (index <= high)
    usual = _usual(contrast, inside)
    dark = uniform_filter1d(each, 3, axis=0) > ENDS * usual
    full = np.mean(inner > 0.5 * PRESENT * usual, axis=0) >= PRESENT_ROWS
    present = (contrast > PRESENT * usual) & full
    middle = (first + last) // 2
    right, left = _length(dark[middle:]), _length(dark[middle::-1])
    return Marks(sign, shift, index.astype(np.int64), present, right, left, contrast, usual)


def _usual(contrast: FloatArray, inside: BoolArray) -> FloatArray:
    """Return the contrast that neighbours have; beyond the ends that of the last ones."""
    level = max(float(np.percentile(contrast[inside], 60)), 1e-6)
    known = np.where(contrast > 0.3 * level, contrast, np.nan)
    known[~inside] = np.nan
    at = np.nonzero(~np.isnan(known))[0]
    if len(at) < 3:
        return np.full(len(contrast), level)
    smooth = median_filter(known[at], min(USUAL_RUN, len(at)), mode="nearest")
    return np.asarray(np.maximum(np.interp(np.arange(len(contrast)), at, smooth), 0.2 * level))

"""Sub-pixel places of counted graduations along their course.

All graduations laid on one another give their usual shape; each is then moved along until it lies on that shape best
(least squares with shape, slope and level of the ground as unknowns), in several bands of rows apart, so that what
crosses one band does not move the graduation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.photo_course import Course
from digitize.rule.strip import Grey

HALF_WINDOW = 0.5  # of the pitch: a graduation is looked for this far on both sides
MOST_HALF_PX = 4.0
STEP_PX = 0.5  # between samples along the run
BANDS, BAND_ROWS = 6, 2.0
TRIM_ROWS, TRIM_SHARE = 2.5, 0.2  # of a band at both ends, rows or share of it
FAIR = (0.5, 1.7)  # of the usual strength of a graduation: less is hidden, more is crossed by a line
MOST_OFF = 0.35  # of the pitch
ROUNDS = 2
CHUNK = 64  # graduations at a time


@dataclass(frozen=True, eq=False)
class Places:
    """By how much graduations are beyond their number in the course."""

    off: FloatArray  # (N,) graduations
    fair: BoolArray  # (N,) measured in half of the bands at least
    slant: FloatArray  # (N,) px along the run for each row, by which it leaves the course's lean; nan if unknown


def bilinear(grey: Grey, xy: FloatArray) -> FloatArray:
    """Return grey at (..., 2) px places in double precision; places are moved inside the picture."""
    x = np.clip(xy[..., 0], 0, grey.shape[1] - 1.001)
    y = np.clip(xy[..., 1], 0, grey.shape[0] - 1.001)
    left, top = x.astype(np.int64), y.astype(np.int64)
    fx, fy = x - left, y - top
    flat = grey.ravel()
    at = top * grey.shape[1] + left
    upper = (1 - fx) * flat[at] + fx * flat[at + 1]
    at += grey.shape[1]
    lower = (1 - fx) * flat[at] + fx * flat[at + 1]
    return np.asarray((1 - fy) * upper + fy * lower)


def _profiles(grey: Grey, course: Course, at: FloatArray, x: FloatArray, rows: FloatArray, bands: int) -> FloatArray:
    """Return (N, B, K) darkness about each graduation, mean over each band of rows; ``x`` is (K,) px along the run."""
    parts = []
    for first in range(0, len(at), CHUNK):
        some = at[first : first + CHUNK]
        index = some[:, None] + x[None, :] / course.pitch(some)[:, None]
        step = course.step(some)[:, None, None, :]
        xy = course.foot(index)[:, None] + rows[None, :, None, None] * step
        value = -bilinear(grey, xy)
        split = np.array_split(value, bands, axis=1)
        parts.append(np.stack([one.mean(axis=1) for one in split], axis=1))
    return np.concatenate(parts)


def _solve(profile: FloatArray, shape: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (N, B) shift px and strength of profiles against the usual shape (B, K)."""
    slope = np.gradient(shape, x, axis=1)
    strength, shift = np.zeros(profile.shape[:2]), np.zeros(profile.shape[:2])
    for band in range(profile.shape[1]):
        basis = np.stack([shape[band], -slope[band], np.ones_like(x), x], axis=1)
        found = np.linalg.lstsq(basis, profile[:, band].T, rcond=None)[0]
        strength[:, band] = found[0]
        good = np.abs(found[0]) > 1e-3
        shift[:, band] = np.where(good, found[1] / np.where(good, found[0], 1.0), 0.0)
    return shift, strength


def _shape(profile: FloatArray, used: BoolArray) -> FloatArray:
    """Return (B, K) the usual shape, its level taken off, made even about its middle."""
    usual = np.median(profile[used] - profile[used].mean(axis=2, keepdims=True), axis=0)
    return np.asarray(0.5 * (usual + usual[:, ::-1]))


def inner_rows(band: tuple[float, float]) -> FloatArray:
    """Return the rows of a band clear of its ends: there the body's edge and the tips show in the blur."""
    trim = min(TRIM_ROWS, TRIM_SHARE * (band[1] - band[0]))
    return np.arange(np.ceil(band[0] + trim), np.floor(band[1] - trim) + 0.5)


def measure_places(
    grey: Grey, course: Course, index: IntArray, shift: float, band: tuple[float, float], use: BoolArray
) -> Places:
    """Return the places of graduations; ``use`` are those that show."""
    at = index + shift
    half = min(HALF_WINDOW * course.pitch_px, MOST_HALF_PX)
    count = max(7, 2 * int(np.ceil(half / STEP_PX)) + 1)
    x = np.linspace(-half, half, count)
    rows = inner_rows(band)
    bands = int(np.clip(len(rows) / BAND_ROWS, 1, BANDS))
    off = np.zeros(len(index))
    pitch = course.pitch(at)
    for _ in range(ROUNDS):
        profile = _profiles(grey, course, at + off, x, rows, bands)
        moved, strength = _solve(profile, _shape(profile, use), x)
        fair = (strength > FAIR[0]) & (strength < FAIR[1]) & (np.abs(moved) < MOST_OFF * pitch[:, None])
        middle, enough = _middle(moved, fair)
        off = np.where(enough, off + middle / pitch, off)
    heights = np.array([part.mean() for part in np.array_split(rows, bands)])
    return Places(off, enough, _slant(moved, fair & enough[:, None], heights))


def _middle(moved: FloatArray, fair: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Return the median over the fair bands, and whether they are enough."""
    masked = np.where(fair, moved, np.nan)
    enough = fair.sum(axis=1) >= (moved.shape[1] + 1) // 2
    masked[~enough] = 0.0
    return np.nanmedian(masked, axis=1), np.asarray(enough)


def _slant(moved: FloatArray, fair: BoolArray, heights: FloatArray) -> FloatArray:
    """Return the median slope between every two bands of each graduation; nan where fewer than three are fair.

    Method: P. K. Sen, "Estimates of the Regression Coefficient Based on Kendall's Tau", J. Am. Stat. Assoc. 63 (1968).
    """
    masked = np.where(fair, moved, np.nan)
    a, b = np.triu_indices(len(heights), 1)
    known = fair.sum(axis=1) >= 3
    out = np.full(len(moved), np.nan)
    if known.any():
        slopes = (masked[known][:, b] - masked[known][:, a]) / (heights[b] - heights[a])
        out[known] = np.nanmedian(slopes, axis=1)
    return out

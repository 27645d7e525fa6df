"""The place of an edge in a profile: a blurred step with light that rises or falls on one side of it.

Model: level + step Phi(u) + ramp b (u Phi(u) + phi(u)), u = (x - x0) / b: a step and the beginning of a shadow's slope,
both under the picture's own blur b. For each x0 of a fine grid the three factors are linear (variable projection, Golub
and Pereyra, SIAM J. Numer. Anal. 10, 1973); the best x0 is the top of a parabola through the best three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.part_edge.profiles import Profiles

# The profile used, px to both sides of the steepest place: far enough for both levels, near enough for a straight ramp.
BEFORE_PX, AFTER_PX = 4.0, 5.0
GRID_PX, GRID_STEP_PX = 2.2, 0.1  # how far x0 may be from the steepest place
BLURS_PX = (0.6, 0.8, 1.0, 1.25, 1.5, 1.8, 2.2)
LEAST_STEP_SHARE, LEAST_STEP_OVER_NOISE = 0.1, 5.0


@dataclass(frozen=True, eq=False)
class Steps:
    """What a model of a step says of each profile."""

    off_px: FloatArray  # (N,) of x0 from the sample that it was looked for at
    height: FloatArray  # (N,) of the step, grey values, + lighter outwards
    clear: BoolArray  # (N,) a step that stands out of the noise, its place inside the grid
    blur_px: float  # 1 sigma of the picture's own blur


def steps_at(found: Profiles, top: IntArray) -> Steps:
    """Return the step in each profile near a sample.

    The blur, and on which side of the edge the shadow is, are those that fit the profiles best together.
    """
    before, after = (round(px / found.step_px) for px in (BEFORE_PX, AFTER_PX))
    fits: list[tuple[float, FloatArray, FloatArray, int, float]] = []
    for side in (1.0, -1.0):
        left, right = (before, after) if side > 0 else (after, before)
        columns = np.clip(top[:, None] + np.arange(-left, right + 1), 0, found.grey.shape[1] - 1)
        values = np.take_along_axis(found.grey, columns, axis=1)
        x = np.asarray(np.arange(-left, right + 1) * found.step_px, dtype=np.float64)
        for blur in BLURS_PX:
            misfit, heights = _misfits(values, x, blur, side)
            total = float(np.median(misfit.min(axis=1)))
            fits.append((total, misfit, heights, len(x), blur))
    _, misfit, heights, count, blur = min(fits, key=lambda one: one[0])
    return placed(misfit, heights, count * found.step_px, blur)


def grid_px() -> FloatArray:
    """Return the places at which x0 is tried."""
    count = round(GRID_PX / GRID_STEP_PX)
    return np.asarray(np.arange(-count, count + 1) * GRID_STEP_PX, dtype=np.float64)


def _misfits(values: FloatArray, x: FloatArray, blur: float, side: float) -> tuple[FloatArray, FloatArray]:
    """Return (N, K) sums of squares left at each x0 of the grid, and the step's height there."""
    u = side * (x[None, :] - grid_px()[:, None]) / blur
    left, heights = projected(values, ramp_of(u, blur), ndtr(u))
    return left, side * heights


def ramp_of(u: FloatArray, blur: float) -> FloatArray:
    """Return a slope that begins at u = 0, under the blur that u is told in."""
    return np.asarray(blur * (u * ndtr(u) + np.exp(-(u**2) / 2.0) / np.sqrt(2.0 * np.pi)))


def projected(values: FloatArray, ramp: FloatArray, step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (N, K) sums of squares that level, ramp and step leave of profiles (N, M), and the step's height there.

    ``ramp`` and ``step`` are (K, M), one of each for every place that is tried.
    """
    basis, triangle = np.linalg.qr(np.stack([np.ones_like(step), ramp, step], axis=2))
    inner = np.einsum("ni,kij->nkj", values, basis, optimize=True)
    square = np.einsum("ni,ni->n", values, values)[:, None]
    left = square - np.einsum("nkj,nkj->nk", inner, inner)
    return np.maximum(left, 0.0), np.asarray(inner[:, :, 2] / triangle[None, :, 2, 2])


def placed(misfit: FloatArray, heights: FloatArray, long_px: float, blur_px: float) -> Steps:
    """Return the best place of each profile.

    Args:
        misfit: (N, K) sums of squares left at each x0 of the grid.
        heights: (N, K) of the step there.
        long_px: of the profile used.
        blur_px: taken.
    """
    # Samples nearer than a pixel and smoothed along the curve are not all their own.
    noise = np.sqrt(misfit.min(axis=1) / max(1.0, long_px - 4.0))
    grid = grid_px()
    rows = np.arange(len(misfit))
    at = misfit.argmin(axis=1)
    inside = (at > 0) & (at < len(grid) - 1)
    middle = np.clip(at, 1, len(grid) - 2)
    before, here, after = (misfit[rows, middle + k] for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    part = np.where(bend > 0.0, 0.5 * (before - after) / np.where(bend > 0.0, bend, 1.0), 0.0)
    height = heights[rows, at]
    usual = float(np.median(np.abs(height)))
    strong = np.abs(height) > np.maximum(LEAST_STEP_SHARE * usual, LEAST_STEP_OVER_NOISE * noise)
    return Steps(grid[middle] + np.clip(part, -1.0, 1.0) * GRID_STEP_PX, height, strong & inside, blur_px)

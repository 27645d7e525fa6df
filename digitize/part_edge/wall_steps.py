"""The two edges of a wall in each profile: placed each for itself where it is wide, together where it is narrow."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtr

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.part_edge.profiles import MAD_TO_SIGMA, Profiles, steepest
from digitize.part_edge.step import AFTER_PX, BEFORE_PX, Steps, grid_px, placed, projected, ramp_of, steps_at

OVER_NOISE = 3.0  # times the noise that both edges of a wall must have
NEAR_PX, NEAR_SHARE = 3.0, 0.2  # how far from the way the rim may be: pixels, or this share of the wall's width
# Two edges agree with a wall's width to this, and to this share of it: the next ply's edge is a fifth of it away.
AGREE_MM, AGREE_SHARE = 0.06, 0.06
LEAST_WIDE = 30  # stations that tell a wall's width, or its tone
WIDTH_LIMITS = (0.8, 1.25)  # told thickness and squareness allow a wall to be so much narrower or wider
# Narrow walls are placed together with those as wide, and of a tone, to this.
WIDTH_STEP_PX, TONE_STEP = 0.5, 0.1
TOGETHER = 50  # neighbours that tell a wall's tone
TONES = np.linspace(-0.6, 1.4, 11)  # shares of the rim's own step in the whole, tried where no wide wall tells it


@dataclass(frozen=True, eq=False)
class Apart:
    """The edges of wide walls."""

    off_mm: FloatArray  # (N,) of the rim
    seen: BoolArray  # (N,)
    by_rim: BoolArray  # (N,) placed by the rim itself, not by the foot
    both: BoolArray  # (N,) both show, a wall's width apart
    share: FloatArray  # (N,) of the rim's step in the whole; NaN where not both show


def apart(found: Profiles, rim: IntArray, foot: IntArray, sign: float, wide_mm: FloatArray) -> Apart:
    """Return where the rims of wide walls are.

    Args:
        found: profiles, + away from the material.
        rim: (N,) sample near which the rim runs.
        foot: (N,) the same for the wall's foot.
        sign: of the foot's step.
        wide_mm: (N,) of the wall.
    """
    if not len(rim):
        none, no = np.zeros(0), np.zeros(0, dtype=bool)
        return Apart(none, no, no, no, none)
    mm = float(found.off_mm[1] - found.off_mm[0]) / found.step_px
    either = replace(found, slope=np.abs(found.slope))
    at = [steepest(either, where, 1.0) for where in (rim, foot)]
    steps = [steps_at(found, where) for where in at]
    x_rim, x_foot = (found.off_mm[where] + one.off_px * mm for where, one in zip(at, steps, strict=True))
    noise = MAD_TO_SIGMA * float(np.median(np.abs(found.slope)))
    rows = np.arange(len(rim))
    strong = [either.slope[rows, where] > OVER_NOISE * noise for where in at]
    near = np.abs(x_rim - found.off_mm[rim]) < np.maximum(NEAR_PX * mm, NEAR_SHARE * wide_mm)
    rim_ok, foot_ok = steps[0].clear & strong[0] & near, steps[1].clear & strong[1] & (sign * steps[1].height > 0.0)
    times = _times_wider(x_foot - x_rim, wide_mm, rim_ok & foot_ok)
    agree = np.abs(x_foot - x_rim - times * wide_mm) < AGREE_MM + AGREE_SHARE * wide_mm
    both = rim_ok & foot_ok & agree
    off = np.where(both | ~foot_ok, x_rim, x_foot - times * wide_mm)
    whole = steps[0].height + steps[1].height
    share = np.where(both & (np.abs(whole) > 1.0), steps[0].height / np.where(whole == 0.0, 1.0, whole), np.nan)
    return Apart(off, (rim_ok | foot_ok) & found.whole, both | ~foot_ok, both, share)


def _times_wider(apart_mm: FloatArray, wide_mm: FloatArray, usable: BoolArray) -> float:
    """Return how much wider walls are than what was told of the part makes them."""
    times = (apart_mm / wide_mm)[usable]
    times = times[(times > WIDTH_LIMITS[0]) & (times < WIDTH_LIMITS[1])]
    return float(np.median(times)) if len(times) >= LEAST_WIDE else 1.0


def together(
    found: Profiles, rim: IntArray, wide_px: FloatArray, share: FloatArray, blur_px: float
) -> tuple[Steps, FloatArray]:
    """Return where the rims of narrow walls are, from both edges under one blur, and what is left (N,) of each.

    Args:
        found: profiles, + away from the material.
        rim: (N,) sample near which the rim runs.
        wide_px: (N,) of the wall.
        share: (N,) of the rim's own step in the whole.
        blur_px: of the picture.
    """
    off, height = np.zeros(len(rim)), np.zeros(len(rim))
    clear, least = np.zeros(len(rim), dtype=bool), np.zeros(len(rim))
    keys = np.column_stack([np.rint(wide_px / WIDTH_STEP_PX), np.rint(share / TONE_STEP)]).astype(int)
    for key in np.unique(keys, axis=0):
        rows = np.flatnonzero((keys == key).all(axis=1))
        wide, tone = float(key[0] * WIDTH_STEP_PX), float(key[1] * TONE_STEP)
        misfit, heights, long_px = _misfits(found, rows, rim[rows], wide, tone, blur_px)
        steps = placed(misfit, heights, long_px, blur_px)
        off[rows], height[rows], clear[rows], least[rows] = steps.off_px, steps.height, steps.clear, misfit.min(axis=1)
    return Steps(off, height, clear, blur_px), least


def _misfits(
    found: Profiles, rows: IntArray, rim: IntArray, wide_px: float, share: float, blur_px: float
) -> tuple[FloatArray, FloatArray, float]:
    before, after = round(BEFORE_PX / found.step_px), round((AFTER_PX + wide_px) / found.step_px)
    columns = np.clip(rim[:, None] + np.arange(-before, after + 1), 0, found.grey.shape[1] - 1)
    values = found.grey[rows[:, None], columns]
    x = np.asarray(np.arange(-before, after + 1) * found.step_px, dtype=np.float64)
    u = (x[None, :] - grid_px()[:, None]) / blur_px
    v = u - wide_px / blur_px
    left, heights = projected(values, ramp_of(v, blur_px), share * ndtr(u) + (1.0 - share) * ndtr(v))
    return left, heights, len(x) * found.step_px


def likeliest_tones(found: Profiles, rim: IntArray, wide_px: FloatArray, blur_px: float) -> FloatArray:
    """Return the share (N,) of the rim's own step in the whole that narrow walls near each place look most like."""
    left = [together(found, rim, wide_px, np.full(len(rim), tone), blur_px)[1] for tone in TONES]
    near = uniform_filter1d(np.sqrt(np.column_stack(left)), min(TOGETHER, len(rim)), axis=0, mode="nearest")
    return np.asarray(TONES[near.argmin(axis=1)])


def smoothed(values: FloatArray, half: int) -> FloatArray:
    """Return running medians over so many neighbours to both sides."""
    padded = np.pad(values, half, mode="reflect" if len(values) > half else "edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))

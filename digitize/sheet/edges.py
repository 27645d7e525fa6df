"""The sheet's edges at full resolution: where paper ends, every so far along each side.

The place is where light is half way from the paper's to that of what lies beside it. Light is not grey: pictures
hold it by the curve of IEC 61966-2-1 (sRGB) or one near it, and half the grey is a third of a pixel off half the
light beside a dark table.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.controls import StraightLine
from calibration.frames import FloatArray, PxPoints
from digitize.sheet.lens import Lens
from digitize.sheet.profile import ACROSS_STEP_PX, Course, Grey, across, follow, profiles, straight_course

# How far about the expected place the edge is looked for, first and then.
REACHES_PX = (18.0, 9.0, 9.0)
# The corners are left out: there two edges are near.
CORNER_PX = 15.0
# Paper is looked at so far inside; what is beside it so far outside of the edge.
PAPER_FROM_PX = 3.0
BESIDE_PX, FARTHER_PX = (2.0, 4.5), (4.5, 7.0)
# An edge is a step of so many grey levels, and of this part of what the side's steps usually are.
LEAST_STEP, PART_OF_USUAL = 3.0, 0.4
# Where what leaves the paper comes back at once it is the shadow beside the paper: then the steepest place counts.
PLATEAU_PART = 0.6
# A camera's sharpening makes the paper's rim lighter, by less than this part of the step.
HALO_PART = 0.3
# Places of a side, and the part of its stations that has one.
LEAST_PLACES = 8
LEAST_FOUND = 0.25
# Where what is inside leaves the paper's usual grey by this part, something may lie on it: it has little say.
# Of an edge at least this part has paper inside.
LIKE_PAPER, OTHER_SAY = 0.15, 0.05
LEAST_TRUSTED = 0.4
# Farther in: parts of the picture's diagonal, beyond the arms of a framing square.
DEEPER = (0.05, 0.10)
MOST_SIGMA_PX = 1.0  # what scatters more is no edge of paper
# How straight paper is cut, mm (one standard deviation).
STRAIGHT_U_MM = 0.15
LEAST_SIGMA_PX = 0.05


def _light_of_grey() -> FloatArray:
    """Return (256,) the light of each grey, 0 to 255, by IEC 61966-2-1."""
    value = np.arange(256) / 255.0
    return np.asarray(255.0 * np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4))


LIGHT = _light_of_grey()


def measure_edge(
    grey: Grey, lens: Lens, start: FloatArray, end: FloatArray, name: str, paper: Callable[[FloatArray], FloatArray]
) -> StraightLine | None:
    """Return one edge of the sheet, or None when too little of it is seen.

    Args:
        grey: the picture.
        lens: roughly its lens.
        start: (2,) one end of the side in the straightened picture; the paper lies to its right on the way to
            ``end``, seen with y down.
        end: (2,).
        name: for the person.
        paper: the grey that paper has, as far as can be told, at places (N, 2) of the straightened picture.
    """
    room = CORNER_PX * (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    course = straight_course(lens, start + room, end - room, grey.shape)
    if course is None:
        return None
    looks = [lambda centre, reach=reach: _crossings(grey, course, centre, reach) for reach in REACHES_PX]
    trust = _trust(grey, course, paper(lens.straighten(course.places)))
    followed = follow(course, looks, 2, trust)
    if followed is None or followed[1].sigma_px > MOST_SIGMA_PX:
        return None
    found, smooth = followed
    used = smooth.used
    if used.sum() < max(LEAST_PLACES, LEAST_FOUND * len(used)) or (trust[used] == 1).mean() < LEAST_TRUSTED:
        return None
    places = PxPoints(course.moved(np.where(used, found, 0.0))[used])
    sigma = _local_sigma((found - smooth.at)[used], smooth.sigma_px)
    return StraightLine(name, "sheet edge", places, sigma, straight_u_mm=STRAIGHT_U_MM)


def _trust(grey: Grey, course: Course, expected: FloatArray) -> FloatArray:
    """Return (S,) how much each station is to be believed: fully where paper is inside of the edge.

    That is at least as light as paper is expected there, or as light as farther in, which is so in a soft shadow too,
    and beside nothing narrower than what is looked at.
    """
    near = _level_inside(grey, course, (6.0, REACHES_PX[0]))
    diagonal = float(np.hypot(grey.shape[0], grey.shape[1]))
    like = near > (1 - LIKE_PAPER) * expected
    deep = [_level_inside(grey, course, (part * diagonal, part * diagonal + REACHES_PX[0])) for part in DEEPER]
    shaded = np.all([np.abs(near - level) < LIKE_PAPER * near for level in deep], axis=0)
    return np.where(like | shaded, 1.0, OTHER_SAY)


def _level_inside(grey: Grey, course: Course, reach_px: tuple[float, float]) -> FloatArray:
    """Return (S,) the grey between two distances inside of the edge."""
    at = course.places[:, None] + np.linspace(*reach_px, 7)[:, None] * course.normal[:, None]
    return np.asarray(np.median(profiles(grey, at), axis=1))


def _local_sigma(off: FloatArray, overall_px: float) -> FloatArray:
    """Return (N,) the scatter about each place, at least a floor: half from its neighbours, half from them all."""
    window = np.ones(9) / 9
    square = np.convolve(np.pad(off**2, 4, mode="edge"), window, mode="valid")
    return np.maximum(np.sqrt(0.5 * square + 0.5 * overall_px**2), LEAST_SIGMA_PX)


def _crossings(grey: Grey, course: Course, centre: FloatArray, reach_px: float) -> FloatArray:
    """Return (S,) where the paper ends, h from ``centre``; nan where that is not seen. Paper is at positive h."""
    h, seen = across(grey, course, centre, reach_px)
    outward = seen[:, ::-1]  # from the paper out
    found = np.full(len(seen), np.nan)
    step = np.full(len(seen), np.nan)
    noise = max(0.7, float(np.median(np.abs(np.diff(seen[:, h > reach_px / 2], axis=1)))))
    for k, row in enumerate(outward):
        at = _leaves_paper(row, noise)
        if at is not None:
            found[k], step[k] = -h[0] - at[0] * ACROSS_STEP_PX, at[1]
    usual = np.nanmedian(step) if np.isfinite(step).any() else np.nan
    alike = (np.sign(step) == np.sign(usual)) & (np.abs(step) > PART_OF_USUAL * abs(usual))
    return np.where(alike, found, np.nan)


def _leaves_paper(row: FloatArray, noise: float) -> tuple[float, float] | None:
    """Return the place (in steps) where a row that begins on paper leaves it, and the step in grey."""
    quarter = len(row) // 4
    paper = float(np.median(row[:quarter]))
    off = row - paper
    least = max(LEAST_STEP, 5 * noise, 4 * float(np.std(row[:quarter])), HALO_PART * float(np.abs(off).max()))
    away = np.flatnonzero(np.abs(off) > least)
    if len(away) == 0 or away[0] < quarter // 2 or away[0] > len(row) - 4:
        return None
    first = int(away[0])
    # the paper just inside, as light changes along
    inside = row[max(0, first - round((PAPER_FROM_PX + 5) / ACROSS_STEP_PX)) : first - round(2 / ACROSS_STEP_PX)]
    paper = float(np.median(inside)) if len(inside) > 3 else paper
    beside, narrow = _beside(row - paper, first)
    if abs(beside) < least:
        return None
    light = np.interp(row, np.arange(256), LIGHT)
    levels = (float(np.interp(level, np.arange(256), LIGHT)) for level in (paper, paper + beside))
    at = _steepest(light, first, float(np.sign(beside))) if narrow else _half_way(light, first, *levels)
    return None if at is None else (at, beside)


def _half_way(light: FloatArray, first: int, paper: float, beside: float) -> float | None:
    """Return the place (in steps) where light passes half way from the paper's to what is beside it."""
    half, from_step = (paper + beside) / 2, max(first - 4, 0)
    past = np.flatnonzero(np.sign(beside - paper) * (light[from_step:] - half) >= 0) + from_step
    if len(past) == 0 or past[0] == 0:
        return None
    at = int(past[0])
    return at - 1 + float((half - light[at - 1]) / (light[at] - light[at - 1] or 1.0))


def _steepest(light: FloatArray, first: int, sign: float) -> float | None:
    """Return the place (in steps) of the steepest change about ``first``.

    A shadow as narrow as the lens's blur is not seen as deep as it is, so half of its depth is not the paper's end.
    """
    low, high = max(first - 6, 1), min(first + 6, len(light) - 2)
    slope = sign * np.gradient(light)[low : high + 1]
    at = int(np.argmax(slope))
    if not 0 < at < len(slope) - 1:
        return None
    before, peak, after = slope[at - 1 : at + 2]
    return low + at + 0.5 * float(before - after) / min(float(before - 2 * peak + after), -1e-9)


def _beside(off: FloatArray, first: int) -> tuple[float, bool]:
    """Return how far what is beside the paper is from it, its level or the deepest of a narrow shadow, and which."""
    sign = np.sign(off[first])
    deepest = sign * float((sign * _stretch(off, first, (0.0, 5.0))).max())
    level, farther = (float(np.median(_stretch(off, first, reach))) for reach in (BESIDE_PX, FARTHER_PX))
    narrow = min(sign * level, sign * farther) <= PLATEAU_PART * abs(deepest)
    return (deepest if narrow else level), bool(narrow)


def _stretch(off: FloatArray, first: int, reach_px: tuple[float, float]) -> FloatArray:
    """Return what a row has so far beyond a step, at least its last value."""
    start, end = (first + round(reach / ACROSS_STEP_PX) for reach in reach_px)
    return off[min(start, len(off) - 1) : end]

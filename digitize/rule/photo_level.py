"""Which graduations a course counts: all of them, only the longer ones, or places between them as well.

All stretches from one graduation to the next are laid on one another. Where finer graduations stand between, a higher
harmonic of that mean leads the first; where only every second or third place holds a graduation, the contrasts of the
places say so. What is counted in the end are the finest graduations that the pixels resolve, in the rows where every
one of them stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Chebyshev
from scipy.ndimage import uniform_filter1d

from calibration.frames import BoolArray, FloatArray
from digitize.rule.photo_course import Course, Curve, straightened
from digitize.rule.photo_marks import contrast_rows
from digitize.rule.strip import Grey

SAMPLES = 24  # of a stretch; many harmonics
PARTS = (2, 4, 5, 10)  # finer graduations between two of those counted
FINEST_PX = 2.75  # pitch: finer stripes are not told from what the pixels make of them
LEADS = 1.15  # a harmonic leads over every lower one by this
LEAD_ROWS = 3
CLEAR = 3.0  # times the rows' usual level of that harmonic, far from the graduations
LEVEL_BAND = 0.45  # of the largest amplitude, or contrast: rows that count
EMPTY = 0.33  # of the contrast of the others: no graduation stands there
MULTIPLES = (2, 3, 4)
SHOWN, FULL = 0.4, 0.75  # of a row's strong contrasts; share of the graduations: all stand in that row
TIMES = 3  # a level is changed no more often


@dataclass(frozen=True, eq=False)
class Level:
    """A course counted at the graduations that will be measured."""

    course: Course
    low: float
    high: float
    band: tuple[float, float] | None  # rows in which all of them stand; None: not known yet
    finer: bool = False  # finer ones stand between them that the pixels do not resolve


@dataclass(frozen=True, eq=False)
class Fold:
    """The mean of all stretches between graduations, as harmonics in every row."""

    row: FloatArray  # (R,)
    harmonic: FloatArray  # (R, H) amplitude of harmonics 1 .. H


def rescaled(course: Course, parts: float, first: float = 0.0) -> Course:
    """Return a course in which graduation ``first`` is 0 and the distance of two is divided by ``parts``."""

    def curve(one: Curve) -> Curve:
        low, high = (one.low - first) * parts, (one.high - first) * parts
        domain = (np.asarray(one.fit.domain) - first) * parts
        return Curve(Chebyshev(one.fit.coef, domain=list(domain)), low, high)

    return Course(curve(course.x), curve(course.y), curve(course.lean), course.pitch_px / parts)


def _detail(grey: Grey, course: Course, index: FloatArray, samples: int, rows: FloatArray) -> FloatArray:
    """Return the strip without its level over one stretch."""
    strip = straightened(grey, course, index, rows)
    return np.asarray(strip - uniform_filter1d(strip, samples, axis=1, mode="nearest"), dtype=np.float64)


def fold(grey: Grey, course: Course, low: float, high: float, rows: FloatArray) -> Fold:
    """Return the mean stretch between two graduations."""
    count = int(high - low)
    index = np.ceil(low) + np.arange(count * SAMPLES) / SAMPLES
    strip = _detail(grey, course, index, SAMPLES, rows)
    spread = max(float(np.median(np.abs(strip))), 1.0)
    each = np.clip(strip, -12 * spread, 12 * spread).reshape(len(rows), count, SAMPLES)
    return Fold(rows, np.abs(np.fft.rfft(each.mean(axis=1), axis=1)[:, 1:]) / SAMPLES)


def _finer(mean: Fold, pitch_px: float) -> int:
    """Return by how many the stretches are divided by finer graduations; 1 where they are not."""
    best = 1
    for parts in PARTS:
        if pitch_px / parts < FINEST_PX:
            break
        mine = mean.harmonic[:, parts - 1]
        lower = mean.harmonic[:, : parts - 1].max(axis=1)
        least = max(CLEAR * float(np.percentile(mine, 25)), 0.5 * LEVEL_BAND * float(mean.harmonic[:, 0].max()))
        if np.count_nonzero((mine > LEADS * lower) & (mine > least)) >= LEAD_ROWS:
            best = parts
    return best


def _run_about(good: BoolArray, centre: int) -> tuple[int, int]:
    """Return the first and last place of the run of good ones about ``centre``."""
    low = high = centre
    while low > 0 and good[low - 1]:
        low -= 1
    while high < len(good) - 1 and good[high + 1]:
        high += 1
    return low, high


def level_rows(mean: Fold) -> tuple[float, float] | None:
    """Return the rows in which the first harmonic is strong and no higher one leads it."""
    first, others = mean.harmonic[:, 0], mean.harmonic[:, 1:10].max(axis=1)
    good = first >= others
    top = int(np.argmax(np.where(good, first, 0.0)))
    if not good[top]:
        return None
    low, high = _run_about(np.asarray(good & (first > LEVEL_BAND * first[top])), top)
    return float(mean.row[low]), float(mean.row[high])


def _full(each: FloatArray) -> BoolArray:
    """Return the rows in which all graduations stand; ``each`` is their contrast, (R, N)."""
    each = uniform_filter1d(each, 3, axis=0)
    strong = np.percentile(each, 75, axis=1)
    share = np.mean(each > SHOWN * strong[:, None], axis=1)
    return np.asarray((share > FULL) & (strong > LEVEL_BAND * strong.max()))


def _full_rows(dark: FloatArray, bright: FloatArray, rows: FloatArray) -> tuple[float, float] | None:
    """Return the rows in which all graduations stand, and all gaps between them.

    Where every second graduation is missing, dark ones are not all there, but every gap is still brighter than the
    mean of what lies on its two sides; so both have to be.
    """
    good = _full(dark) & _full(bright)
    if np.count_nonzero(good) < LEAD_ROWS:
        return None
    low, high = _run_about(good, int(np.argmax(np.where(good, np.median(dark, axis=1), -np.inf))))
    return (float(rows[low]), float(rows[high])) if high - low + 1 >= LEAD_ROWS else None


def _only_every(contrast: FloatArray) -> tuple[int, int]:
    """Return (k, r): only graduations r, r + k, r + 2k ... are there; (1, 0) where all are."""
    for k in MULTIPLES:
        usual = np.array([np.median(contrast[r::k]) for r in range(k)])
        best = int(np.argmax(usual))
        if np.delete(usual, best).max() < EMPTY * usual[best]:
            return k, best
    return 1, 0


def _coarser(dark: FloatArray, bright: FloatArray) -> tuple[int, float]:
    """Return (k, first): only every k-th graduation from ``first`` on is there, dark or bright; (1, 0) if all are."""
    k, r = _only_every(dark)
    if k > 1:
        return k, float(r)
    k, r = _only_every(bright)
    return k, r + 0.5 - 0.5 * k if k > 1 else 0.0


def _resolved(grey: Grey, level: Level, rows: FloatArray, pitch_px: float) -> Level | None:
    """Return a level too fine to be told, counted at its longer graduations that are; None where none are."""
    for k in PARTS:
        low, high = level.low / k, level.high / k
        if k * pitch_px < FINEST_PX or high - low < 6:
            continue
        coarse = rescaled(level.course, 1.0 / k)
        band = level_rows(fold(grey, coarse, low, high, rows))
        if band is not None and band[1] - band[0] >= LEAD_ROWS - 1:
            return Level(coarse, low, high, None, finer=True)
    return None


def counted(grey: Grey, course: Course, low: float, high: float, reach: float) -> Level | None:
    """Return the course counted at the finest graduations that are resolved; None for no graduations."""
    level, rows = Level(course, low, high, None), np.arange(-reach, reach + 1)
    for _ in range(TIMES):
        finest = float(level.course.pitch(np.array([level.low, level.high])).min())
        if finest < FINEST_PX:
            return _resolved(grey, level, rows, finest)
        mean = fold(grey, level.course, level.low, level.high, rows)
        parts = _finer(mean, finest)
        if parts > 1:
            level = Level(rescaled(level.course, parts), level.low * parts, level.high * parts, None)
            continue
        band = level_rows(mean)
        if band is None:
            return None
        index = np.arange(np.ceil(level.low), np.floor(level.high) + 1)
        dark = contrast_rows(grey, level.course, index, rows)
        bright = -contrast_rows(grey, level.course, index + 0.5, rows)
        full = _full_rows(dark, bright, rows)
        if full is not None:
            return Level(level.course, level.low, level.high, full)
        inside = (rows >= band[0]) & (rows <= band[1])
        k, first = _coarser(dark[inside].mean(axis=0), bright[inside].mean(axis=0))
        if k == 1:
            return Level(level.course, level.low, level.high, band)
        zero = float(index[0]) + first
        level = Level(rescaled(level.course, 1.0 / k, zero), (level.low - zero) / k, (level.high - zero) / k, None)
    return level

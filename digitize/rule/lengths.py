"""How far each graduation reaches from its line, also where thin lines are broken by the pixels of a 1-bit picture.

A line thinner than a pixel that was made black or white shows only where it passes near the middle of the
pixels; along a rule its graduations come and go, and each is broken in the same places as its neighbours at the
same place within the pixel. A clear row says that a graduation has ended only where its neighbours would show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.comb import Comb
from digitize.rule.strip import Strip

HIDDEN_DARK = 0.7  # of full ink, in both gaps: another line hides whether the graduation goes on
FULL_ROWS = 12  # beside the line, where all graduations are
LEAST_GAP_PX = 3.0  # shorter breaks are flaws of the print
LENGTH_SHARE = 0.4  # of the usual contrast: where a graduation ends
LEAST_USUAL = 0.6  # of the darkest tenth: what is usual where most is broken
WHOLE_SHARE = 0.9  # of the rows beside the line dark: not a broken print
ALL_SHARE = 0.75  # of the dark share beside the line: fewer, and the shortest graduations have ended
PHASE_BINS = 10  # places of an axis within a pixel
FEWEST_IN_BIN = 8  # rows, to say whether graduations show at a place within the pixel
TELLING_SHARE = 0.85  # dark rows, times those where most show: a clear row there is clear paper
LONGER_BREAK = 2.0  # times the shortest break that ends a graduation, for broken prints
LONGEST_BREAK = 0.5  # of the shortest graduations
UNSURE_PX = 3.0  # from the last dark row to the first telling clear one: the end is somewhere between
UNSURE_SHARE = 0.12  # or this share of the length
BLOCKS = 10  # along a rule, to see whether graduations grow
FEWEST_IN_BLOCK = 5
SHORT_PERCENTILE = 25.0  # of a block: the shortest class, half of the graduations at least
DRIFT_PERCENTILES = (15, 50, 85)  # of the slopes between blocks; 0 between the outer ones is no growth
FEWEST_KNOWN = 12


@dataclass(frozen=True, eq=False)
class Reach:
    """How far graduations go on one side."""

    px: FloatArray  # (N,) from the line; 0 where nothing is seen
    sure: BoolArray  # (N,) the end is seen, not hidden by a break
    shown: float  # share of the rows beside the line that are dark
    usual: float  # contrast of a graduation where it shows
    broken: bool  # graduations are broken by the print
    decides: float  # variance of what shows that the place within the pixel explains


def follow(strip: Strip, comb: Comb, side: int, tilt: float) -> FloatArray:
    """Return (N, rows) contrast of each graduation against both its gaps, from the line outwards.

    Where a line along the rule covers graduation and gaps alike, the graduation counts as going on.
    """
    t, rows = _axes(strip, comb, side, tilt)
    half, quarter = comb.pitch_px / 2, min(0.5, 0.15 * comb.pitch_px)
    left, right = strip.sample(t - half, rows), strip.sample(t + half, rows)
    middle = 0.5 * (strip.sample(t - quarter, rows) + strip.sample(t + quarter, rows))
    full = float(np.percentile(middle[:, :FULL_ROWS], 75))
    hidden = np.minimum(np.minimum(left, right), middle) > HIDDEN_DARK * full
    return np.where(hidden, full, middle - 0.5 * (left + right))


def _axes(strip: Strip, comb: Comb, side: int, tilt: float) -> tuple[FloatArray, FloatArray]:
    """Return (t, h) of the rows of every graduation, both (N, rows)."""
    h = np.arange(0.0, abs(strip.h0_px) + 1.0) * side
    t = comb.place_px[:, None] + tilt * h[None, :]
    return t, np.broadcast_to(h, t.shape)


def _bins(strip: Strip, comb: Comb, side: int, tilt: float) -> IntArray:
    """Return (N, rows) the place of each axis within its pixel, counted in bins."""
    even = np.asarray(comb.start_px + comb.pitch_px * comb.index, dtype=np.float64)
    model = Comb(comb.start_px, comb.pitch_px, comb.index, even)
    t, h = _axes(strip, model, side, tilt)
    axis = int(np.argmax(np.abs(strip.line.direction)))
    place = strip.line.origin[axis] + t * strip.line.direction[axis] + h * strip.line.normal[axis]
    return np.asarray(np.floor((place % 1.0) * PHASE_BINS).astype(np.int64) % PHASE_BINS)


def usual_contrast(contrast: FloatArray, near_px: float, far_px: float) -> float:
    """Return the contrast of a graduation where it shows, from the rows where all graduations are."""
    rows = contrast[:, int(near_px) : int(far_px)]
    return max(float(np.median(rows)), LEAST_USUAL * float(np.percentile(rows, 90)))


def _telling(dark: BoolArray, bins: IntArray, beside: slice) -> tuple[BoolArray, float]:
    """Return (N, rows) whether a graduation, if it goes on, would show there, and how much the place decides that."""
    near, place = dark[:, beside], bins[:, beside]
    total = np.bincount(place.ravel(), minlength=PHASE_BINS)
    shown = np.bincount(place.ravel(), weights=near.ravel().astype(np.float64), minlength=PHASE_BINS)
    share = shown / np.maximum(total, 1)
    enough = total >= FEWEST_IN_BIN
    best = float(share[enough].max()) if enough.any() else 1.0
    clear_there = ~enough | (share >= TELLING_SHARE * best)
    decides = float(np.sum(total * (share - shown.sum() / max(int(total.sum()), 1)) ** 2) / max(int(total.sum()), 1))
    return np.asarray(clear_there[bins]), decides


def _shortest(dark: BoolArray, first: int, far: int) -> int:
    """Return the row up to which all graduations go, as far as the print shows them."""
    share = uniform_filter1d(dark.mean(axis=0), 3)
    level = ALL_SHARE * float(np.median(share[first:far]))
    fewer = np.nonzero(share[far:] < level)[0]
    return max(first + 1, far + (int(fewer[0]) if len(fewer) else dark.shape[1] - far) - 1)


def _ends(dark: BoolArray, telling: BoolArray, beside: slice, run: int) -> tuple[FloatArray, FloatArray]:
    """Return (row after the last dark one, first telling clear row after it) of each graduation.

    All graduations go to the end of ``beside``; a break that lasts half as long again, telling or not, is the end.
    """
    first, longest = beside.start, max(float(run), LONGEST_BREAK * beside.stop)
    count, rows = dark.shape
    last, clear_at = np.zeros(count), np.full(count, float(rows))
    breaks, going = np.zeros(count, dtype=np.int64), np.ones(count, dtype=bool)
    for row in range(first, rows):
        inked, clear = going & dark[:, row], going & ~dark[:, row] & telling[:, row]
        last[inked], breaks[inked] = row + 1, 0
        clear_at[clear & (breaks == 0)] = row
        breaks[clear] += 1
        going &= (breaks < run) & (row - np.maximum(last, beside.stop) < longest)
        if not going.any():
            break
    clear_at[breaks == 0] = rows
    return last, clear_at


def reach_of(
    strip: Strip, comb: Comb, side: int, tilt: float, zone: tuple[float, float, float], usual: float | None = None
) -> Reach | None:
    """Return how far the graduations go on a side; ``zone`` is where the line ends, full ink ends, ink width.

    ``usual`` is the contrast of a graduation where it shows, where that is known from the other side.
    """
    near, far, width = zone
    contrast = follow(strip, comb, side, tilt)
    usual = usual if usual is not None else usual_contrast(contrast, near, far)
    if usual <= 0:
        return None
    dark = np.asarray(uniform_filter1d(contrast, 3, axis=1) > LENGTH_SHARE * usual)
    first, run = int(np.ceil(near)), max(2, round(max(LEAST_GAP_PX, 1.5 * width + 1.0)))
    beside = slice(first, _shortest(dark, first, max(first + 1, int(far))))
    shown = float(dark[:, beside].mean())
    bins = _bins(strip, comb, side, tilt)
    bare = np.asarray(contrast > LENGTH_SHARE * usual)
    telling, decides = _telling(bare, bins, beside)
    broken = shown < WHOLE_SHARE or not bool(telling[:, beside].all())
    if broken:
        dark, run = bare, round(LONGER_BREAK * run)
    else:
        telling = np.ones_like(dark)
    end, clear_at = _ends(dark, telling, beside, run)
    end = np.where(end <= first + 1.5, 0.0, end)
    sure = clear_at - end <= np.maximum(UNSURE_PX, UNSURE_SHARE * end)
    sure = np.asarray((sure & (end > 0)) | (not broken))
    return Reach(end, sure, shown, usual, broken, decides)


def drift_px(comb: Comb, reach: Reach) -> float:
    """Return how much the graduations grow from one end to the other: not at all on their own line.

    Taken from the shortest class, so that how the longer ones fall along the rule does not matter, by the
    median slope (P. K. Sen, "Estimates of the Regression Coefficient Based on Kendall's Tau", J. Am. Stat.
    Assoc. 63 (1968) 1379): what a line that crosses the rule makes longer does not count.
    """
    seen = (reach.px > 0) & reach.sure
    if np.count_nonzero(seen) < FEWEST_KNOWN:
        return float(np.inf)
    index, px = comb.index[seen].astype(np.float64), reach.px[seen]
    blocks = int(min(BLOCKS, len(px) // FEWEST_IN_BLOCK))
    middles = np.array([part.mean() for part in np.array_split(index, blocks)])
    short = np.array([np.percentile(part, SHORT_PERCENTILE) for part in np.array_split(px, blocks)])
    pairs = np.triu_indices(blocks, 1)
    slopes = (short[pairs[1]] - short[pairs[0]]) / (middles[pairs[1]] - middles[pairs[0]])
    low, middle, high = np.percentile(slopes, DRIFT_PERCENTILES)
    return 0.0 if low <= 0 <= high else float(middle) * float(index[-1] - index[0])

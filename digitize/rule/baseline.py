"""The line that graduations stand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray
from digitize.rule.candidates import Seed
from digitize.rule.comb import MAD_TO_SIGMA, robust_line
from digitize.rule.strip import Grey, Line, Strip, cut

BASELINE_SEARCH_PX = 9.0  # a proposed line may be this far from the drawn one
BLOCK_PX = 48  # along the line, one place of the baseline
BASELINE_DARK = 0.45  # of full ink, median of a block's columns
BESIDE_PX = 6  # rows beside the baseline that must be lighter, or fine graduations pass for a line
BASELINE_STANDS_OUT = 1.4  # times darker
BARE_SHARE = 0.4  # of the columns, those between graduations
LINE_FOOT = 0.2  # of the darkest row: less is blur and noise
BASELINE_SHARE = 0.5  # of the blocks
NO_BASELINE_HALF_PX = 0.5
LEAST_COLUMNS = 60  # bare columns, to fit a line through them
NEAR_LINE_PX = 2.0  # ink farther off is not the line's
LEAST_ACROSS_PX = 0.03


@dataclass(frozen=True, eq=False)
class Baseline:
    """The line graduations stand on."""

    line: Line
    half_width_px: float
    drawn: bool
    sigma_px: float  # of one block, across


def _bare_columns(block: FloatArray, top: int) -> FloatArray:
    """Return the mean over the columns where least crosses the line at row ``top``: between graduations."""
    away = np.abs(np.arange(len(block)) - top)
    beside = block[(away > 2) & (away <= 2 + BESIDE_PX)].sum(axis=0)
    order = np.argsort(beside)
    return np.asarray(block[:, order[: max(4, int(BARE_SHARE * len(order)))]].mean(axis=1), dtype=np.float64)


def _block_place(block: FloatArray, column: FloatArray, full: float) -> tuple[float, float] | None:
    """Return (row, width) of the line drawn through a block of columns, if there is one; ``column`` is its quartile."""
    top = int(np.argmax(column))
    if column[top] < BASELINE_DARK * full or top in (0, len(column) - 1):
        return None
    beside = [np.min(part) for part in (column[max(0, top - BESIDE_PX) : top], column[top + 1 : top + 1 + BESIDE_PX])]
    if BASELINE_STANDS_OUT * max(beside) > column[top]:
        return None
    bare = _bare_columns(block, top)
    top = int(np.argmax(bare))
    if bare[top] <= 0.0:  # nothing here is darker than the paper
        return None
    above = np.maximum(bare - LINE_FOOT * bare[top], 0.0)
    low, high = top, top
    while low > 0 and above[low - 1] > 0:
        low -= 1
    while high < len(above) - 1 and above[high + 1] > 0:
        high += 1
    rows = np.arange(low, high + 1)
    return float(np.sum(above[rows] * rows) / np.sum(above[rows])), float(high - low + 1)


def _block_places(strip: Strip, full: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (t, h, width) of the darkest row of each block of columns that is drawn through."""
    rows = np.asarray(strip.rows(-BASELINE_SEARCH_PX, BASELINE_SEARCH_PX), dtype=np.float64)
    found = []
    count = rows.shape[1] // BLOCK_PX
    blocks = rows[:, : count * BLOCK_PX].reshape(len(rows), count, BLOCK_PX).swapaxes(0, 1)
    quartiles = np.percentile(blocks, 25, axis=2) if count else np.empty((0, len(rows)))
    for first, block, column in zip(range(0, count * BLOCK_PX, BLOCK_PX), blocks, quartiles, strict=True):
        place = _block_place(block, column, full)
        if place is not None:
            found.append((strip.t0_px + first + (BLOCK_PX - 1) / 2, place[0] - BASELINE_SEARCH_PX, place[1]))
    t, h, width = np.array(found).reshape(-1, 3).T
    return t, h, width


def _columns(strip: Strip, full: float) -> tuple[FloatArray, FloatArray]:
    """Return (t, h) of the middle of the line's ink in each column that nothing crosses.

    Columns that a graduation or another line crosses hold more ink, or ink in two places.
    """
    rows = np.asarray(strip.rows(-BASELINE_SEARCH_PX, BASELINE_SEARCH_PX), dtype=np.float64)
    inked = rows > 0.5 * full
    count = inked.sum(axis=0)
    reach = len(rows) - np.argmax(inked[::-1], axis=0) - np.argmax(inked, axis=0)
    whole = (count > 0) & (reach == count)
    if not whole.any():
        return np.zeros(0), np.zeros(0)
    bare = whole & (count <= np.percentile(count[whole], 25) + 1)
    darkness = np.where(inked, rows, 0.0)[:, bare]
    h = np.arange(len(rows)) - BASELINE_SEARCH_PX
    middle = (h @ darkness) / darkness.sum(axis=0)
    near = np.abs(middle - np.median(middle)) < NEAR_LINE_PX
    return strip.t0_px + np.nonzero(bare)[0][near].astype(np.float64), middle[near]


def _by_columns(strip: Strip, full: float, sigma_px: float) -> tuple[Line, float]:
    """Return the line through the middle of its ink, column by column, and the sigma across at its ends.

    In a 1-bit picture a line nearly along the pixels is a staircase: the mean over whole
    treads is exact where the middle of a block of columns is not.
    """
    t, h = _columns(strip, full)
    if len(t) < LEAST_COLUMNS:
        return strip.line, sigma_px
    offset, slope = robust_line(t, h, scale_floor=0.5)
    left = h - offset - slope * t
    blocks = np.array_split(left, max(2, len(left) // BLOCK_PX))
    spread = float(np.std([part.mean() for part in blocks], ddof=1))
    # Of either end of the fitted line: blocks of columns are what is independent along it.
    return strip.line.moved(offset, slope), max(spread * float(np.sqrt(6.0 / len(blocks))), LEAST_ACROSS_PX)


def find_baseline(grey: Grey, seed: Seed) -> Baseline:
    """Return the drawn line near the seed's line, fitted; the seed's own line when there is none."""
    line = seed.line
    sigma, width, drawn = 0.3, 2 * NO_BASELINE_HALF_PX, False
    for _ in range(2):
        reach = BASELINE_SEARCH_PX + 1
        strip = cut(grey, line, (seed.from_px, seed.to_px), (-reach, reach))
        full = float(np.percentile(strip.darkness, 98))
        t, h, widths = _block_places(strip, full)
        blocks = max(1, strip.columns // BLOCK_PX)
        if len(t) < max(3, BASELINE_SHARE * blocks):
            break
        offset, slope = robust_line(t, h, scale_floor=0.05)
        left = h - offset - slope * t
        sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(left))), 0.03)
        line, width, drawn = line.moved(offset, slope), float(np.median(widths)), True
    if drawn:
        strip = cut(grey, line, (seed.from_px, seed.to_px), (-reach, reach))
        line, sigma = _by_columns(strip, full, sigma)
    return Baseline(line, width / 2, drawn, sigma)

"""From a seed to measured graduations: baseline, count, lengths and sub-pixel places."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.candidates import Seed
from digitize.rule.comb import Comb, count_comb, robust_line
from digitize.rule.strip import Grey, Line, Strip, cut, cut_fine, reach_in_picture

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
CLEAR_OF_LINE_PX = 1.5  # blur beside the baseline
PROFILE_PX = (5.0, 12.0)  # rows of the counting profile
REACH = 13.0  # pitches: how far from the line graduations are followed
REACH_PX = (48.0, 300.0)
HIDDEN_DARK = 0.7  # of full ink, in both gaps: another line hides whether the graduation goes on
FULL_ROWS = 12  # beside the line, where all graduations are
LENGTH_SHARE = 0.4  # of the usual contrast: where a graduation ends
LEAST_GAP_PX = 3.0  # shorter breaks are flaws of the print
BANDS = 6  # rows are averaged in this many bands before the middle is taken
BAND_ROWS = 3
FEWEST = 12  # graduations worth measuring
MOST_DRIFT_PX = 3.0  # graduations that grow by more along the rule do not stand on this line
MOST_DRIFT = 0.15  # of their length
TILT_ROOM_PX = 2.0  # beside a graduation when its lean is measured
OUTLIER_SIGMAS = 4.0
LEAST_SIGMA_PX = 0.01  # no claim of a place below this


@dataclass(frozen=True, eq=False)
class Baseline:
    """The line graduations stand on."""

    line: Line
    half_width_px: float
    drawn: bool
    sigma_px: float  # of one block, across


@dataclass(frozen=True, eq=False)
class Ticks:
    """Measured graduations on one baseline; t in px along ``line``."""

    line: Line
    side: int
    index: IntArray  # (N,) increasing
    t_px: FloatArray  # (N,) on the baseline
    used: BoolArray  # (N,) False for outliers
    start_px: float
    pitch_px: float
    rms_px: float
    width_px: float  # ink width of a graduation
    lengths_px: FloatArray  # (N,) on the own side
    other_px: FloatArray  # (N,) on the other side
    across_px: float  # 1 sigma

    @property
    def count(self) -> int:
        """Graduations used."""
        return int(np.count_nonzero(self.used))

    @property
    def missing(self) -> int:
        """Graduations expected between the ends and not used."""
        return int(self.index[-1] - self.index[0]) + 1 - self.count

    @property
    def residuals_px(self) -> FloatArray:
        """(count,) departures of the graduations used from the straight scale."""
        return np.asarray((self.t_px - self.start_px - self.pitch_px * self.index)[self.used])

    @property
    def sigma_px(self) -> float:
        """1 sigma of a place, widened so that a fit that takes places as independent claims no more than holds.

        Neighbours share what the pixel grid does to them, most of all in 1-bit pictures. The variance is
        multiplied by the integrated autocorrelation, summed to its first value below zero
        (C. J. Geyer, "Practical Markov Chain Monte Carlo", Stat. Sci. 7 (1992) 473).
        """
        left = self.residuals_px - self.residuals_px.mean()
        count = len(left)
        products = np.correlate(left, left, "full")[count - 1 :] / max(float(left @ left), 1e-12)
        below = np.nonzero(products < 0)[0]
        shared = 2.0 * float(products[: below[0] if len(below) else count].sum()) - 1.0
        return max(self.rms_px * float(np.sqrt(max(shared, 1.0))), LEAST_SIGMA_PX)

    @property
    def places(self) -> FloatArray:
        """(count, 2) px of the graduations used."""
        return self.line.at(self.t_px[self.used])


def _bare_columns(block: FloatArray, top: int) -> FloatArray:
    """Return the mean over the columns where least crosses the line at row ``top``: between graduations."""
    away = np.abs(np.arange(len(block)) - top)
    beside = block[(away > 2) & (away <= 2 + BESIDE_PX)].sum(axis=0)
    order = np.argsort(beside)
    return np.asarray(block[:, order[: max(4, int(BARE_SHARE * len(order)))]].mean(axis=1), dtype=np.float64)


def _block_place(block: FloatArray, full: float) -> tuple[float, float] | None:
    """Return (row, width) of the line drawn through a block of columns, if there is one."""
    column = np.percentile(block, 25, axis=1)
    top = int(np.argmax(column))
    if column[top] < BASELINE_DARK * full or top in (0, len(column) - 1):
        return None
    beside = [np.min(part) for part in (column[max(0, top - BESIDE_PX) : top], column[top + 1 : top + 1 + BESIDE_PX])]
    if BASELINE_STANDS_OUT * max(beside) > column[top]:
        return None
    bare = _bare_columns(block, top)
    top = int(np.argmax(bare))
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
    for first in range(0, rows.shape[1] - BLOCK_PX + 1, BLOCK_PX):
        place = _block_place(rows[:, first : first + BLOCK_PX], full)
        if place is not None:
            found.append((strip.t0_px + first + (BLOCK_PX - 1) / 2, place[0] - BASELINE_SEARCH_PX, place[1]))
    t, h, width = np.array(found).reshape(-1, 3).T
    return t, h, width


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
        sigma = max(1.4826 * float(np.median(np.abs(left))), 0.03)
        line, width, drawn = line.moved(offset, slope), float(np.median(widths)), True
    if drawn:
        strip = cut(grey, line, (seed.from_px, seed.to_px), (-reach, reach))
        line, sigma = _by_columns(strip, full, sigma)
    return Baseline(line, width / 2, drawn, sigma)


def _by_columns(strip: Strip, full: float, sigma_px: float) -> tuple[Line, float]:
    """Return the line through the middle of its ink, column by column, and the sigma across at its ends.

    In a 1-bit picture a line nearly along the pixels is a staircase: the mean over whole
    treads is exact where the middle of a block of columns is not. Columns that a graduation
    or another line crosses are wider, and left out.
    """
    rows = strip.rows(-BASELINE_SEARCH_PX, BASELINE_SEARCH_PX) > 0.5 * full
    h = np.arange(len(rows), dtype=np.float64) - BASELINE_SEARCH_PX
    count = rows.sum(axis=0)
    rows_from = np.argmax(rows, axis=0)
    rows_to = len(rows) - 1 - np.argmax(rows[::-1], axis=0)
    whole = (count > 0) & (rows_to - rows_from + 1 == count)
    if np.count_nonzero(whole) < LEAST_COLUMNS:
        return strip.line, sigma_px
    bare = whole & (count <= np.percentile(count[whole], 25) + 1)
    darkness = np.where(rows, strip.rows(-BASELINE_SEARCH_PX, BASELINE_SEARCH_PX), 0.0)[:, bare]
    middle = (h @ darkness) / darkness.sum(axis=0)
    t = strip.t0_px + np.nonzero(bare)[0].astype(np.float64)
    near = np.abs(middle - np.median(middle)) < NEAR_LINE_PX
    if np.count_nonzero(near) < LEAST_COLUMNS:
        return strip.line, sigma_px
    offset, slope = robust_line(t[near], middle[near], scale_floor=0.5)
    left = middle[near] - offset - slope * t[near]
    blocks = np.array_split(left, max(2, len(left) // BLOCK_PX))
    spread = float(np.std([part.mean() for part in blocks], ddof=1))
    # Of either end of the fitted line: blocks of columns are what is independent along it.
    each = spread * float(np.sqrt(6.0 / len(blocks)))
    return strip.line.moved(offset, slope), max(each, LEAST_ACROSS_PX)


def _profile(strip: Strip, side: int, near_px: float, far_px: float) -> FloatArray:
    return np.asarray(strip.rows(side * near_px, side * far_px).mean(axis=0), dtype=np.float64)


def follow(strip: Strip, comb: Comb, side: int, tilt: float) -> FloatArray:
    """Return (N, rows) contrast of each graduation against both its gaps, from the line outwards.

    Where a line along the rule covers graduation and gaps alike, the graduation counts as going on.
    """
    h = np.arange(0.0, abs(strip.h0_px) + 1.0) * side
    t = comb.place_px[:, None] + tilt * h[None, :]
    rows = np.broadcast_to(h, t.shape)
    half, quarter = comb.pitch_px / 2, min(0.5, 0.15 * comb.pitch_px)
    left, right = strip.sample(t - half, rows), strip.sample(t + half, rows)
    middle = 0.5 * (strip.sample(t - quarter, rows) + strip.sample(t + quarter, rows))
    full = float(np.percentile(middle[:, :FULL_ROWS], 75))
    hidden = np.minimum(np.minimum(left, right), middle) > HIDDEN_DARK * full
    return np.where(hidden, full, middle - 0.5 * (left + right))


def lengths(contrast: FloatArray, near_px: float, gap_px: float, usual: float) -> FloatArray:
    """Return (N,) how far each graduation reaches, px; 0 where there is none."""
    dark = uniform_filter1d(contrast, 3, axis=1) > LENGTH_SHARE * usual
    first = int(np.ceil(near_px))
    run = max(2, round(gap_px))
    clear = np.array(np.lib.stride_tricks.sliding_window_view(~dark, run, axis=1).all(axis=2), dtype=np.bool_)
    clear[:, :first] = False
    end = np.argmax(clear, axis=1).astype(np.float64)
    end[~clear.any(axis=1)] = contrast.shape[1]
    return np.where(end <= first + 1.5, 0.0, end)


def _tilt(strip: Strip, comb: Comb, side: int, near: float, far: float, width: float) -> float:
    """Return dt/dh of the graduations: they need not stand square after a copier's two factors."""
    bands = max(2, min(BANDS, int((far - near) // BAND_ROWS)))
    edges = np.linspace(near, far, bands + 1)
    h = np.array([(a + b) / 2 for a, b in itertools.pairwise(edges)]) * side
    shifts = []
    for low, high in itertools.pairwise(edges):
        profile = _profile(strip, side, low, high)
        shifts.append(_shift(profile, comb, strip.t0_px, width))
    return float(np.polyfit(h, np.array(shifts), 1)[0])


def _shift(profile: FloatArray, comb: Comb, t0: float, width: float) -> float:
    """Return how far the graduations of a profile lie from the comb, by the phase of their mean."""
    folded = _centroids(profile, comb.place_px - t0, comb.pitch_px, min(0.45 * comb.pitch_px, 1.5 * width + TILT_ROOM_PX))[0]
    return float(np.median(folded - (comb.place_px - t0)))


def _centroids(profile: FloatArray, centre: FloatArray, pitch: float, half: float) -> tuple[FloatArray, FloatArray]:
    """Return (middle of ink, weight) within +- half of each centre, samples at the edges counted in part."""
    width = int(np.ceil(2 * half)) + 2
    first = np.ceil(centre - half - 0.5).astype(np.int64)
    at = first[:, None] + np.arange(width)[None, :]
    inside = np.clip(
        np.minimum(at + 0.5, centre[:, None] + half) - np.maximum(at - 0.5, centre[:, None] - half), 0, 1
    )
    value = profile[np.clip(at, 0, len(profile) - 1)]
    middle = (np.maximum(at - 0.5, centre[:, None] - half) + np.minimum(at + 0.5, centre[:, None] + half)) / 2
    reach = max(half, 1.0)
    left = np.interp(centre - reach, np.arange(len(profile)), profile)
    right = np.interp(centre + reach, np.arange(len(profile)), profile)
    value = value - np.minimum(left, right)[:, None]
    weight = np.sum(inside * value, axis=1)
    good = weight > 0
    place = np.where(good, np.sum(inside * value * middle, axis=1) / np.where(good, weight, 1.0), centre)
    return np.clip(place, centre - half, centre + half), weight


def measure_places(fine: Strip, comb: Comb, side: int, tilt: float, width: float) -> tuple[FloatArray, FloatArray]:
    """Return (N,) places on the baseline and their weight (0 where a graduation is not to be trusted)."""
    half = min(0.5 * comb.pitch_px, max(2.5, 1.3 * width + 1.0))
    rows = len(fine.darkness)
    bands = int(np.clip(rows // BAND_ROWS, 1, BANDS))
    edges = np.linspace(0, rows, bands + 1).astype(np.int64)
    model = comb.start_px + comb.pitch_px * comb.index
    place, weight = [], []
    for low, high in itertools.pairwise(edges):
        profile = _sheared_mean(fine, low, high, tilt)
        centre = np.asarray(model - fine.t0_px, dtype=np.float64)
        at, ink = _centroids(profile, centre, comb.pitch_px, half)
        if 2 * half < 0.8 * comb.pitch_px:
            for _ in range(2):
                low_c, high_c = centre - 0.3 * comb.pitch_px, centre + 0.3 * comb.pitch_px
                centre = np.asarray(np.clip(at, low_c, high_c), dtype=np.float64)
                at, ink = _centroids(profile, centre, comb.pitch_px, half)
        place.append(at + fine.t0_px)
        weight.append(ink / max(float(np.median(ink)), 1e-9))
    all_places, all_weights = np.array(place), np.array(weight)
    fair = (all_weights > 0.4) & (all_weights < 2.0)
    masked = np.where(fair, all_places, np.nan)
    enough = fair.sum(axis=0) >= (bands + 1) // 2
    masked[:, ~enough] = model[~enough]
    return np.nanmedian(masked, axis=0), enough.astype(np.float64)


def _sheared_mean(fine: Strip, low: int, high: int, tilt: float) -> FloatArray:
    """Return the mean of rows, each moved along so that tilted graduations stand upright at h = 0."""
    columns = np.arange(fine.columns, dtype=np.float64)
    h = fine.h0_px + np.arange(low, high)
    mean = np.mean(
        [
            np.interp(columns + tilt * one, columns, fine.darkness[row])
            for one, row in zip(h, range(low, high), strict=True)
        ],
        axis=0,
    )
    return np.asarray(mean, dtype=np.float64)


def measure(grey: Grey, seed: Seed) -> Ticks | None:
    """Return the graduations that start from a seed, or nothing."""
    base = find_baseline(grey, seed)
    first = _counted(grey, seed, base)
    if first is None:
        return None
    # A seed may hold a part of the rule only: with all graduations known, the line is fitted over all of them.
    line, side = (base.line, seed.side) if base.drawn else _aligned(first)
    seed = Seed(line, side, first.comb.pitch_px, *_reprojected(first, line), seed.score)
    base = find_baseline(grey, seed)
    first = _counted(grey, seed, base)
    if first is None:
        return None
    if abs(_drift(first)) > max(MOST_DRIFT_PX, MOST_DRIFT * float(np.median(first.own_px))):
        return None
    return _measured(grey, first, base, seed.side)


@dataclass(frozen=True, eq=False)
class Counted:
    """Graduations counted on a strip, with their ends; not yet measured finely."""

    strip: Strip
    comb: Comb
    side: int
    near_px: float
    tilt: float
    width_px: float
    own_px: FloatArray
    other_px: FloatArray


def _counted(grey: Grey, seed: Seed, base: Baseline) -> Counted | None:
    low, high = reach_in_picture(grey, base.line)
    near = base.half_width_px + CLEAR_OF_LINE_PX
    far = near + float(np.clip(seed.pitch_px, *PROFILE_PX))
    thin = cut(grey, base.line, (low, high), (near, far) if seed.side > 0 else (-far, -near))
    zone = (seed.from_px - low, seed.to_px - low)
    comb = count_comb(thin.darkness.mean(axis=0).astype(np.float64), seed.pitch_px, zone)
    if comb is None or comb.count < FEWEST:
        return None
    comb = Comb(comb.start_px + low, comb.pitch_px, comb.index, comb.place_px + low)
    return _with_lengths(grey, comb, base, seed.side, near, far)


def _with_lengths(grey: Grey, comb: Comb, base: Baseline, side: int, near: float, far: float) -> Counted | None:
    reach = float(np.ceil(np.clip(REACH * comb.pitch_px, *REACH_PX)))
    ends = (comb.place_px[0] - 2 * comb.pitch_px, comb.place_px[-1] + 2 * comb.pitch_px)
    strip = cut(grey, base.line, ends, (-reach, reach))
    width = _ink_width(strip, comb, side, near, far)
    tilt = _tilt(strip, comb, side, near, far, width)
    contrast = follow(strip, comb, side, tilt)
    usual = float(np.median(contrast[:, int(near) : int(far)]))
    if usual <= 0:
        return None
    gap = max(LEAST_GAP_PX, 1.5 * width + 1.0)
    own = lengths(contrast, near, gap, usual)
    other = lengths(follow(strip, comb, -side, tilt), near, gap, usual)
    return Counted(strip, comb, side, near, tilt, width, own, other)


def _aligned(first: Counted) -> tuple[Line, int]:
    """Return the line through the ends of the graduations that are in line, and the side they stand on."""
    t = first.comb.place_px
    fits: list[tuple[float, float, float, int]] = []
    for ends, seen in ((first.own_px, first.own_px > 0), (-first.other_px, first.own_px > 0)):
        if np.count_nonzero(seen) < FEWEST:
            continue
        offset, slope = robust_line(t[seen], ends[seen], scale_floor=0.3)
        left = np.abs(ends[seen] - offset - slope * t[seen])
        fits.append((float(np.mean(np.minimum(left, 4.0))), offset, slope, len(fits)))
    if not fits:
        return first.strip.line, first.side
    _, offset, slope, which = min(fits)
    line = first.strip.line.moved(first.side * offset, first.side * slope)
    return line, -first.side if which == 0 else first.side


def _reprojected(first: Counted, line: Line) -> tuple[float, float]:
    """Return the extent of the counted graduations along another line."""
    ends = (first.strip.line.at(first.comb.place_px[[0, -1]]) - line.origin) @ line.direction
    return float(ends.min()), float(ends.max())


def _drift(first: Counted) -> float:
    """Return how much the graduations grow from one end to the other: not at all on their own line."""
    seen = first.own_px > 0
    if np.count_nonzero(seen) < FEWEST:
        return np.inf
    index = first.comb.index[seen].astype(np.float64)
    return robust_line(index, first.own_px[seen], scale_floor=0.5)[1] * float(index[-1] - index[0])


def _ink_width(strip: Strip, comb: Comb, side: int, near: float, far: float) -> float:
    """Return ink of one graduation over its darkness: its width, px."""
    profile = _profile(strip, side, near, far)
    at = np.clip(np.rint(comb.place_px - strip.t0_px).astype(np.int64), 0, len(profile) - 1)
    dark = float(np.median(profile[at]))
    floor = float(np.percentile(profile[at.min() : at.max() + 1], 5))
    area = float(np.mean(profile[at.min() : at.max() + 1] - floor)) * comb.pitch_px * comb.span / comb.count
    return float(np.clip(area / max(dark - floor, 1.0), 1.0, 0.7 * comb.pitch_px))


def _measured(grey: Grey, first: Counted, base: Baseline, side: int) -> Ticks | None:
    comb, near, tilt, reach = first.comb, first.near_px, first.tilt, first.own_px
    shortest = float(np.percentile(reach[reach > 0], 20)) if np.any(reach > 0) else 0.0
    deep = float(np.clip(shortest - 1.5, near + 2.0, near + 60.0))
    if deep > near + 8.0:
        tilt = _tilt(first.strip, comb, side, near, deep, first.width_px)
    window = (comb.place_px[0] - 2 * comb.pitch_px, comb.place_px[-1] + 2 * comb.pitch_px)
    fine = cut_fine(grey, base.line, window, (near, deep) if side > 0 else (-deep, -near))
    for _ in range(2):
        t, weight = measure_places(fine, comb, side, tilt, first.width_px)
        trusted = weight > 0
        if np.count_nonzero(trusted) < FEWEST:
            return None
        start, pitch = robust_line(comb.index[trusted].astype(np.float64), t[trusted])
        comb = Comb(start, pitch, comb.index, t)
    return _ticks(comb, trusted, base, first)


def _ticks(comb: Comb, trusted: BoolArray, base: Baseline, first: Counted) -> Ticks:
    left = comb.place_px - comb.start_px - comb.pitch_px * comb.index
    scale = max(1.4826 * float(np.median(np.abs(left[trusted]))), LEAST_SIGMA_PX)
    used = trusted & (np.abs(left) < max(OUTLIER_SIGMAS * scale, 0.1))
    start, pitch = np.polyfit(comb.index[used], comb.place_px[used], 1)[::-1]
    left = comb.place_px - start - pitch * comb.index
    rms = float(np.sqrt(np.mean(left[used] ** 2)))
    across = base.sigma_px if base.drawn else max(base.sigma_px, 0.3)
    straight = (comb.index, comb.place_px, used, float(start), float(pitch), rms)
    return Ticks(base.line, first.side, *straight, first.width_px, first.own_px, first.other_px, across)


def running_bend_px(ticks: Ticks, run: int = 15) -> float:
    """Return the largest departure of a running median from the straight scale."""
    left = ticks.residuals_px
    return float(np.abs(median_filter(left, min(run, len(left)))).max())

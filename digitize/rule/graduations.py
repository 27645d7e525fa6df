"""From a seed to measured graduations: baseline, count, lengths and sub-pixel places."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.baseline import Baseline, find_baseline
from digitize.rule.candidates import Seed
from digitize.rule.comb import MAD_TO_SIGMA, Comb, count_comb, robust_line
from digitize.rule.strip import Grey, Line, Strip, cut, cut_fine, reach_in_picture

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
DEEPER_PX = 4.0  # rows more than the first look that make the lean worth measuring again
TILT_ROOM_PX = 2.0  # beside a graduation when its lean is measured
OUTLIER_SIGMAS = 4.0
LEAST_SIGMA_PX = 0.01  # no claim of a place below this


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
    half = min(0.45 * comb.pitch_px, 1.5 * width + TILT_ROOM_PX)
    folded = _centroids(profile, comb.place_px - t0, comb.pitch_px, half)[0]
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
    found = _both_lengths(strip, comb, side, (near, far, width), tilt)
    deep = _deep(found[0], near) if found is not None else far
    if deep > far + DEEPER_PX:
        # What the first few rows say of the lean is not enough to follow thin graduations to their ends.
        tilt = _tilt(strip, comb, side, near, deep, width)
        found = _both_lengths(strip, comb, side, (near, far, width), tilt)
    return Counted(strip, comb, side, near, tilt, width, *found) if found is not None else None


def _both_lengths(
    strip: Strip, comb: Comb, side: int, zone: tuple[float, float, float], tilt: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return (lengths on the own side, on the other); ``zone`` is where the line ends, full ink ends, ink width."""
    near, far, width = zone
    contrast = follow(strip, comb, side, tilt)
    usual = float(np.median(contrast[:, int(near) : int(far)]))
    if usual <= 0:
        return None
    gap = max(LEAST_GAP_PX, 1.5 * width + 1.0)
    other = follow(strip, comb, -side, tilt)
    return lengths(contrast, near, gap, usual), lengths(other, near, gap, usual)


def _deep(own_px: FloatArray, near: float) -> float:
    """Return how far from the line even the short graduations go."""
    shortest = float(np.percentile(own_px[own_px > 0], 20)) if np.any(own_px > 0) else 0.0
    return float(np.clip(shortest - 1.5, near + 2.0, near + 60.0))


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
    comb, near, tilt = first.comb, first.near_px, first.tilt
    deep = _deep(first.own_px, near)
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
    scale = max(MAD_TO_SIGMA * float(np.median(np.abs(left[trusted]))), LEAST_SIGMA_PX)
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

"""From a seed to measured graduations: baseline, count, lengths and sub-pixel places."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.baseline import Baseline, find_baseline
from digitize.rule.candidates import Seed
from digitize.rule.comb import MAD_TO_SIGMA, Comb, count_comb, robust_line
from digitize.rule.lengths import Reach, drift_px, reach_of
from digitize.rule.places import BAND_ROWS, BANDS, centroids, measure_places
from digitize.rule.strip import Grey, Line, Strip, cut, cut_fine, reach_in_picture
from digitize.rule.unlined import END_PX, standing

CLEAR_OF_LINE_PX = 1.5  # blur beside the baseline
PROFILE_PX = (5.0, 12.0)  # rows of the counting profile
WELL_SEEN = 0.95  # share of the graduations between the ends
DEEP_PITCHES = 2.5
DEEP_PX = (10.0, 30.0)
REACH = 13.0  # pitches: how far from the line graduations are followed
REACH_PX = (48.0, 300.0)
FEWEST = 12  # graduations worth measuring
FOLD_STEP_PX = 0.5
MOST_DRIFT_PX = 3.0  # graduations that grow by more along the rule do not stand on this line
MOST_DRIFT = 0.15  # of their length
DEEPER_PX = 4.0  # rows more than the first look that make the lean worth measuring again
TILT_INK = 0.3  # of the ink of those that show most
TILT_ROOM_PX = 2.0  # beside a graduation when its lean is measured
OUTLIER_SIGMAS = 4.0
LEAST_SIGMA_PX = 0.01  # no claim of a place below this
NEARLY_ALL = 1.05  # times as long as what a line was fitted over: as good as all of it
UNLINED_ROUNDS, SETTLED_PX = 4, 0.1
MOST_PARTS, PARTS_LEAD = 16, 1.5  # finer graduations between two of those counted; times lower harmonics
SAME_LINE_PX = 1.0  # two fits of one line agree this well where both were made


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
    sure: BoolArray  # (N,) the end of a length is seen
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
        """1 sigma of one place. What neighbours share counts where a line is fitted through them, and only there."""
        return max(self.rms_px, LEAST_SIGMA_PX)

    @property
    def places(self) -> FloatArray:
        """(count, 2) px of the graduations used."""
        return self.line.at(self.t_px[self.used])


def _profile(strip: Strip, side: int, near_px: float, far_px: float) -> FloatArray:
    return np.asarray(strip.rows(side * near_px, side * far_px).mean(axis=0), dtype=np.float64)


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
    """Return how far the graduations of a profile lie from the even comb, those that show.

    Where thin lines show only near the middle of a pixel, each one's own places all fall there and show no lean.
    """
    half = min(0.45 * comb.pitch_px, 1.5 * width + TILT_ROOM_PX)
    even = np.asarray(comb.start_px + comb.pitch_px * comb.index - t0, dtype=np.float64)
    folded, ink = centroids(profile, even, comb.pitch_px, half)
    shown = ink > TILT_INK * np.percentile(ink, 80)
    return float(np.median((folded - even)[shown])) if shown.any() else 0.0


def measure(grey: Grey, seed: Seed) -> Ticks | None:
    """Return the graduations that start from a seed, or nothing."""
    base = find_baseline(grey, seed)
    first = _counted(grey, seed, base)
    # A seed may hold a part of the rule only: with all graduations known, the line is fitted over all of them. Where
    # none is drawn, how far they go from a line that leans tells little more than which one leans less.
    for _ in range(1 if base.drawn else UNLINED_ROUNDS):
        if first is None:
            return None
        was, sigma = base, base.sigma_px
        line, side = base.line, seed.side
        if not base.drawn:
            line, side, sigma = _aligned(first)
        seed = Seed(line, side, first.comb.pitch_px, *_reprojected(first, line), seed.score)
        base = find_baseline(grey, seed)
        base = base if base.drawn else replace(base, sigma_px=sigma)
        first = _counted(grey, seed, base)
        if base.drawn or _off_px(was.line, base.line, seed) < SETTLED_PX:
            break
    if first is None:
        return None
    if base.drawn:
        base, first = _over_all(grey, seed, base, first)
    if _parts(first) > 1:
        return None
    if abs(drift_px(first.comb, first.own)) > max(MOST_DRIFT_PX, MOST_DRIFT * float(np.median(first.own_px))):
        return None
    return _measured(grey, first, base, seed.side)


def _off_px(line: Line, other: Line, seed: Seed) -> float:
    """Return how far one line is from another at the ends of a seed."""
    ends = np.stack([line.at(t) for t in (seed.from_px, seed.to_px)])
    return float(np.abs((ends - other.origin) @ other.normal).max())


def _over_all(grey: Grey, seed: Seed, base: Baseline, first: Counted) -> tuple[Baseline, Counted]:
    """Return the line fitted over all that was counted along it, and the count anew.

    The first count may have been short, and a line fitted over little of a rule may lean. Over all of it it has to be
    the same line where it was fitted before, as another one may run beside it; else its own sigma is carried on.
    """
    longer = float(np.ptp(_reprojected(first, base.line))) / max(seed.to_px - seed.from_px, 1.0)
    if longer < NEARLY_ALL:
        return base, first
    whole = Seed(base.line, seed.side, first.comb.pitch_px, *_reprojected(first, base.line), seed.score)
    wide = find_baseline(grey, whole)
    off_px = _off_px(base.line, wide.line, seed)
    again = _counted(grey, whole, wide) if wide.drawn and off_px < SAME_LINE_PX else None
    if again is None or again.comb.count < first.comb.count:
        return replace(base, sigma_px=base.sigma_px * longer), first
    return wide, again


@dataclass(frozen=True, eq=False)
class Counted:
    """Graduations counted on a strip, with their ends; not yet measured finely."""

    strip: Strip
    comb: Comb
    side: int
    near_px: float
    far_px: float  # rows from near to far show every one
    tilt: float
    width_px: float
    own: Reach
    other: Reach

    @property
    def own_px(self) -> FloatArray:
        """(N,) lengths on the own side."""
        return self.own.px

    @property
    def other_px(self) -> FloatArray:
        """(N,) lengths on the other side."""
        return self.other.px


def _counted(grey: Grey, seed: Seed, base: Baseline) -> Counted | None:
    near = base.half_width_px + CLEAR_OF_LINE_PX
    far = near + float(np.clip(seed.pitch_px, *PROFILE_PX))
    comb = _counted_to(grey, seed, base.line, near, far)
    if comb is None or comb.count < WELL_SEEN * comb.span:
        # Thin lines come and go beside the line; farther out others of them show.
        deep = _counted_to(grey, seed, base.line, near, near + float(np.clip(DEEP_PITCHES * seed.pitch_px, *DEEP_PX)))
        comb = max((one for one in (comb, deep) if one is not None), key=lambda one: one.count, default=None)
    if comb is None or comb.count < FEWEST:
        return None
    return _with_lengths(grey, comb, base, seed.side, near, far)


def _counted_to(grey: Grey, seed: Seed, line: Line, near: float, far: float) -> Comb | None:
    """Return the graduations counted in the rows between two distances from the line."""
    low, high = reach_in_picture(grey, line)
    thin = cut(grey, line, (low, high), (near, far) if seed.side > 0 else (-far, -near))
    zone = (seed.from_px - low, seed.to_px - low)
    comb = count_comb(thin.darkness.mean(axis=0).astype(np.float64), seed.pitch_px, zone)
    return Comb(comb.start_px + low, comb.pitch_px, comb.index, comb.place_px + low) if comb is not None else None


def _with_lengths(grey: Grey, comb: Comb, base: Baseline, side: int, near: float, far: float) -> Counted | None:
    reach = float(np.ceil(np.clip(REACH * comb.pitch_px, *REACH_PX)))
    ends = (comb.place_px[0] - 2 * comb.pitch_px, comb.place_px[-1] + 2 * comb.pitch_px)
    strip = cut(grey, base.line, ends, (-reach, reach))
    width = _ink_width(strip, comb, side, near, far)
    tilt = _tilt(strip, comb, side, near, far, width)
    found = _both_sides(strip, comb, side, (near, far, width), tilt)
    deep = _deep(found[0], near) if found is not None else far
    if deep > far + DEEPER_PX:
        # What the first few rows say of the lean is not enough to follow thin graduations to their ends.
        tilt = _tilt(strip, comb, side, near, deep, width)
        found = _both_sides(strip, comb, side, (near, far, width), tilt)
    if found is not None and found[0].broken:
        # Broken lines say little of their lean; most rules stand square.
        square = _both_sides(strip, comb, side, (near, far, width), 0.0)
        if square is not None and square[0].decides > found[0].decides:
            tilt, found = 0.0, square
    return Counted(strip, comb, side, near, far, tilt, width, *found) if found is not None else None


def _both_sides(
    strip: Strip, comb: Comb, side: int, zone: tuple[float, float, float], tilt: float
) -> tuple[Reach, Reach] | None:
    """Return the reach on the own side and on the other; ``zone`` is where the line ends, full ink ends, ink width."""
    own = reach_of(strip, comb, side, tilt, zone)
    if own is None:
        return None
    other = reach_of(strip, comb, -side, tilt, zone, own.usual)
    return (own, other) if other is not None else None


def _deep(own: Reach, near: float) -> float:
    """Return how far from the line even the short graduations go."""
    known = own.px[(own.px > 0) & own.sure]
    shortest = float(np.percentile(known, 20)) if len(known) else 0.0
    return float(np.clip(shortest - 1.5, near + 2.0, near + 60.0))


def _aligned(first: Counted) -> tuple[Line, int, float]:
    """Return the line that graduations without a drawn one stand on, the side they stand on, and its sigma across."""
    found = standing(first.comb.place_px, first.own_px, first.other_px, (first.own_px > 0) & first.own.sure)
    if found is None:
        return first.strip.line, first.side, END_PX
    line = first.strip.line.moved(first.side * found.offset_px, first.side * found.slope)
    return line, -first.side if found.turned else first.side, found.sigma_px


def _reprojected(first: Counted, line: Line) -> tuple[float, float]:
    """Return the extent of the counted graduations along another line."""
    ends = (first.strip.line.at(first.comb.place_px[[0, -1]]) - line.origin) @ line.direction
    return float(ends.min()), float(ends.max())


def _folded(strip: Strip, comb: Comb, side: int, near: float, far: float) -> tuple[FloatArray, FloatArray]:
    """Return (away, darkness) over one pitch of the usual graduation: all of them laid on each other."""
    profile = _profile(strip, side, near, far)
    half = 0.5 * comb.pitch_px
    away = np.arange(-half, half + FOLD_STEP_PX / 2, FOLD_STEP_PX)
    folded = np.interp(comb.place_px[:, None] - strip.t0_px + away, np.arange(len(profile)), profile)
    usual = np.median(folded, axis=0) if len(folded) else away
    return away, np.asarray(usual - np.percentile(usual, 5), dtype=np.float64)


def _ink_width(strip: Strip, comb: Comb, side: int, near: float, far: float) -> float:
    """Return ink of one graduation over its darkness: its width, px."""
    away, shape = _folded(strip, comb, side, near, far)
    dark = float(shape[np.abs(away) <= 1.0].max())
    area = float(np.maximum(shape, 0.0).sum()) * FOLD_STEP_PX
    return float(np.clip(area / max(dark, 1.0), 1.0, 0.7 * comb.pitch_px))


def _parts(first: Counted) -> int:
    """Return into how many the graduations between two of those counted part them: 1 where there are none.

    The harmonics of one graduation fall off; where as dark ones stand between, that of their number leads.
    """
    _, shape = _folded(first.strip, first.comb, first.side, first.near_px, first.far_px)
    size = np.abs(np.fft.rfft(shape[:-1]))[1 : MOST_PARTS + 1]
    best = int(np.argmax(size)) if len(size) else 0
    return best + 1 if best and size[best] > PARTS_LEAD * size[:best].max() else 1


def _measured(grey: Grey, first: Counted, base: Baseline, side: int) -> Ticks | None:
    comb, near, tilt = first.comb, first.near_px, first.tilt
    deep = _deep(first.own, near)
    if deep > near + 8.0 and not first.own.broken:
        tilt = _tilt(first.strip, comb, side, near, deep, first.width_px)
    window = (comb.place_px[0] - 2 * comb.pitch_px, comb.place_px[-1] + 2 * comb.pitch_px)
    fine = cut_fine(grey, base.line, window, (near, deep) if side > 0 else (-deep, -near))
    for _ in range(2):
        t, weight = measure_places(fine, comb, tilt, first.width_px, broken=first.own.broken)
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
    straight = (comb.index, comb.place_px, used, float(start), float(pitch), rms)
    lengths = first.own_px, first.own.sure, first.other_px
    return Ticks(base.line, first.side, *straight, first.width_px, *lengths, base.sigma_px)


def running_bend_px(ticks: Ticks, run: int = 15) -> float:
    """Return the largest departure of a running median from the straight scale."""
    left = ticks.residuals_px
    return float(np.abs(median_filter(left, min(run, len(left)))).max())

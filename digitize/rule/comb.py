"""Counting graduations: which peak of a profile is which graduation of an evenly spaced comb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray

PITCH_RANGE = 0.03  # relative, about the pitch of the seed
START_PITCHES = 6.0  # half length of the first zone
GROWTH = 1.5  # of the zone from one fit to the next; keeps extrapolation short
NEAR = 0.25  # of the pitch: a peak this near to a predicted place is that graduation
WIDEST_GAP = 16  # graduations missing in a row within one rule
DENSE = 0.6  # least share present in a run
DENSE_RUN = 15  # graduations
END_RUN = 5  # the last of a rule stands among this many present
HALF_RUN = 12  # graduations on either side of a gap that must agree on the count
HALVES_AGREE = 0.2  # of the pitch
HUBER = 1.5  # robust sigmas up to which a place counts in full
HUBER_ROUNDS = 6
MAD_TO_SIGMA = 1.4826
MOST_WAVES = 250_000  # samples of the waves that a profile is held against, at a time
PEAK_SHARE = 0.3  # of the usual height


@dataclass(frozen=True, eq=False)
class Comb:
    """place = start + pitch * index, and the peaks that are graduations."""

    start_px: float
    pitch_px: float
    index: IntArray  # (N,) increasing, gaps where graduations are missing
    place_px: FloatArray  # (N,)

    @property
    def count(self) -> int:
        """Number of graduations found."""
        return len(self.index)

    @property
    def span(self) -> int:
        """Graduations expected between the ends, both included."""
        return int(self.index[-1] - self.index[0]) + 1


def peaks_of(profile: FloatArray, pitch_px: float) -> tuple[FloatArray, FloatArray]:
    """Return (place, height above the level around it) of the dark peaks, in samples."""
    smooth = gaussian_filter1d(profile, max(0.5, 0.07 * pitch_px))
    level = uniform_filter1d(smooth, max(3, round(pitch_px)))
    inner = smooth[1:-1]
    at = np.nonzero((inner > smooth[:-2]) & (inner >= smooth[2:]) & (inner > level[1:-1]))[0] + 1
    left, middle, right = smooth[at - 1], smooth[at], smooth[at + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-6)
    return at + np.clip(shift, -0.5, 0.5), middle - level[at]


def zoom_pitch(profile: FloatArray, pitch_px: float) -> tuple[float, float]:
    """Return (pitch, phase in [0, pitch)) at the top of the periodogram near ``pitch_px``."""
    level = uniform_filter1d(profile, max(3, round(2 * pitch_px)))
    t = np.arange(len(profile))
    step = 1.0 / (4.0 * len(profile))
    steps = int(np.ceil(PITCH_RANGE / pitch_px / step))
    frequency = 1.0 / pitch_px + step * np.arange(-steps, steps + 1)
    waves = np.array_split(frequency, -(-len(frequency) * len(t) // MOST_WAVES))
    sums = np.concatenate([np.exp(-2j * np.pi * np.outer(part, t)) @ (profile - level) for part in waves])
    best = int(np.argmax(np.abs(sums)))
    pitch = 1.0 / frequency[best]
    return float(pitch), float(-np.angle(sums[best]) / (2 * np.pi) % 1.0 * pitch)


def _median(values: FloatArray) -> float:
    """Return what numpy.median does, without what that takes to get going."""
    upper = len(values) // 2
    lower = upper - (len(values) + 1) % 2
    part = np.partition(values, (lower, upper))
    return float((part[lower] + part[upper]) / 2.0)


def robust_line(index: FloatArray, place: FloatArray, scale_floor: float = 0.02) -> tuple[float, float]:
    """Return (start, pitch) by least squares with Huber weights, iterated.

    Method: P. J. Huber, "Robust Estimation of a Location Parameter", Ann. Math. Stat. 35 (1964) 73.
    """
    weights = np.ones(len(index))
    start = pitch = 0.0
    for _ in range(HUBER_ROUNDS):
        total = weights.sum()
        middle, mean = weights @ index / total, weights @ place / total
        pull = weights * (index - middle)
        pitch = float(pull @ (place - mean)) / max(float(pull @ (index - middle)), 1e-12)
        start = float(mean - pitch * middle)
        left = np.abs(place - start - pitch * index)
        scale = max(MAD_TO_SIGMA * _median(left), scale_floor)
        weights = np.minimum(1.0, HUBER * scale / np.maximum(left, 1e-12))
    return start, pitch


def grow(
    place: FloatArray, start_px: float, pitch_px: float, centre_px: float, reach_px: float
) -> tuple[float, float]:
    """Return (start, pitch) fitted over a zone that grows from the centre, by at most ``GROWTH`` a time."""
    half = START_PITCHES * pitch_px
    while True:
        index = np.rint((place - start_px) / pitch_px)
        off = np.abs(place - start_px - pitch_px * index)
        mine = (np.abs(place - centre_px) <= half) & (off < NEAR * pitch_px)
        if np.count_nonzero(mine) >= 4:
            start_px, pitch_px = robust_line(index[mine], place[mine])
        if half > reach_px:
            return start_px, pitch_px
        half *= GROWTH


def assign(place: FloatArray, start_px: float, pitch_px: float) -> tuple[IntArray, FloatArray]:
    """Return index and place of the peaks that stand at graduations, the nearest peak for each."""
    index = np.rint((place - start_px) / pitch_px).astype(np.int64)
    off = np.abs(place - start_px - pitch_px * index)
    near = np.nonzero(off < NEAR * pitch_px)[0]
    near = near[np.lexsort((off[near], index[near]))]
    _, first = np.unique(index[near], return_index=True)
    chosen = near[first]
    return index[chosen], place[chosen]


def _present(index: IntArray) -> tuple[BoolArray, int]:
    """Return a flag for every index between the ends, and the first index."""
    flags = np.zeros(int(index[-1] - index[0]) + 1, dtype=bool)
    flags[index - index[0]] = True
    return flags, int(index[0])


def run_around(index: IntArray, centre: int) -> BoolArray:
    """Tell which graduations belong to the dense run about the index ``centre``."""
    flags, first = _present(index)
    dense = uniform_filter1d(flags.astype(np.float64), DENSE_RUN, mode="nearest") >= DENSE
    ok = np.nonzero(dense & flags)[0]
    if len(ok) == 0:
        return np.zeros(len(index), dtype=bool)
    groups = np.split(ok, np.nonzero(np.diff(ok) > WIDEST_GAP + DENSE_RUN)[0] + 1)
    group = min(
        groups,
        key=lambda g: (
            0 if g[0] <= centre - first <= g[-1] else min(abs(g[0] + first - centre), abs(g[-1] + first - centre))
        ),
    )
    low, high = int(group[0]), int(group[-1])
    low, high = _firm_end(flags, low, 1), _firm_end(flags, high, -1)
    return np.asarray((index >= low + first) & (index <= high + first))


def _firm_end(flags: BoolArray, at: int, step: int) -> int:
    """Move an end outwards over present graduations, then inwards until it is firm."""
    while 0 <= at - step < len(flags) and flags[at - step]:
        at -= step
    while 0 <= at + step * END_RUN < len(flags):
        run = flags[min(at, at + step * (END_RUN - 1)) : max(at, at + step * (END_RUN - 1)) + 1]
        if flags[at] and np.count_nonzero(run) >= END_RUN - 1:
            break
        at += step
    return at


def largest_sure_part(comb: Comb) -> Comb:
    """Split where the two sides of a gap do not agree on the count; return the largest part."""
    cuts = []
    for gap in np.nonzero(np.diff(comb.index) > 1)[0]:
        low = slice(max(0, gap + 1 - HALF_RUN), gap + 1)
        high = slice(gap + 1, gap + 1 + HALF_RUN)
        if min(gap + 1, comb.count - gap - 1) < 3:
            continue
        middle = (comb.index[gap] + comb.index[gap + 1]) / 2
        offsets = [comb.place_px[part] - comb.start_px - comb.pitch_px * comb.index[part] for part in (low, high)]
        if abs(np.median(offsets[0]) - np.median(offsets[1])) < 0.3 * HALVES_AGREE * comb.pitch_px:
            continue
        sides = []
        for part in (low, high):
            off = comb.place_px[part] - comb.start_px - comb.pitch_px * comb.index[part]
            slope = np.polyfit(comb.index[part] - middle, off, 1) if len(off) >= HALF_RUN else [0.0, np.median(off)]
            sides.append(float(slope[1]))
        if abs(sides[0] - sides[1]) > HALVES_AGREE * comb.pitch_px:
            cuts.append(int(gap) + 1)
    parts = np.split(np.arange(comb.count), cuts)
    best = max(parts, key=len)
    return Comb(comb.start_px, comb.pitch_px, comb.index[best], comb.place_px[best])


def count_comb(profile: FloatArray, pitch_px: float, zone: tuple[float, float]) -> Comb | None:
    """Return the comb of a profile (samples 1 px apart), starting in ``zone``, or nothing."""
    first, last = max(0, int(zone[0])), min(len(profile), int(zone[1]))
    if last - first < 8 * pitch_px:
        return None
    pitch, phase = zoom_pitch(profile[first:last], pitch_px)
    place, height = peaks_of(profile, pitch)
    inside = height[(place >= first) & (place < last)]
    if len(inside) < END_RUN:
        return None
    usual = np.percentile(inside, 70)
    place = place[height > PEAK_SHARE * usual]
    centre = _best_centre(place, first, last, phase + first, pitch)
    start, pitch = grow(place, phase + first, pitch, centre, float(len(profile)))
    if not 0.9 < pitch / pitch_px < 1.1:
        return None
    return _trimmed(place, start, pitch, centre)


def _best_centre(place: FloatArray, first: float, last: float, phase: float, pitch: float) -> float:
    """Return the place in the zone around which most peaks fit the comb."""
    off = np.abs((place - phase) / pitch - np.rint((place - phase) / pitch))
    good = place[(place >= first) & (place < last) & (off < NEAR)]
    if len(good) == 0:
        return (first + last) / 2
    counts, edges = np.histogram(
        good, bins=max(1, int((last - first) / (2 * START_PITCHES * pitch))), range=(first, last)
    )
    best = int(np.argmax(counts))
    return float((edges[best] + edges[best + 1]) / 2)


def _trimmed(place: FloatArray, start: float, pitch: float, centre: float) -> Comb | None:
    """Keep the dense run about the centre; fit, trim and count twice."""
    for _ in range(2):
        index, at = assign(place, start, pitch)
        if len(index) < END_RUN:
            return None
        mine = run_around(index, round((centre - start) / pitch))
        if np.count_nonzero(mine) < END_RUN:
            return None
        start, pitch = robust_line(index[mine].astype(np.float64), at[mine])
    return largest_sure_part(Comb(start, pitch, index[mine], at[mine]))

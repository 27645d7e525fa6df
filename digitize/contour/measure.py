"""A rough way over the page becomes measured stations: place, sigma, and whether ink was there."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, median_filter, uniform_filter1d
from scipy.signal import find_peaks

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.contour.band import LineEdge, look_across, normals, resample, smooth
from digitize.contour.follow import followed, quietened
from digitize.shapes import Picture

# How far each side of the rough way the ink is sought, and over what length it is averaged.
LOOK_MM, AVERAGE_MM = 1.1, 0.4
ROUNDS = 4
# A turn of this much within CORNER_REACH_MM each side is a corner.
CORNER_TURN_DEG, CORNER_REACH_MM = 30.0, 1.6
# An ink width that differs from the usual by this part belongs to a crossing, not to the line.
ODD_WIDTH, MARGIN_MM = 0.05, 1.0
RUNNING_MM = 0.8
# 1 sigma of the middle of two edges that each lie on a whole pixel, as a part of a pixel.
GRID_U = 0.5 / 3**0.5
# The line's own width is a quantile of what bins of this length show within this distance.
BIN_MM, LOCAL_MM, LIKELY_WIDTH, OWN_QUANTILE = 4.0, 36.0, 0.25, 0.4
# The middle by one edge is believed within this of the path, beside the noise, round by round.
FAR_PX = 1.05  # and a place farther off, beside the noise, is no place of this line
ONE_EDGE_PX = (0.0, 1.6, 0.8, 0.35)
STATION_MM = 0.25
# How far round a corner paper and ink are looked up.
SHARP_LOOK_MM = 1.5
# Two sections run past the corner where they meet by fewer stations than this.
CORNER_STATIONS = 24


@dataclass(frozen=True, eq=False)
class Measured:
    """Stations along a line, full-resolution pixels."""

    xy: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,)
    traced: BoolArray  # (N,) ink was there
    corners: IntArray  # (C,)
    width_px: float


def find_corners(xy: FloatArray, reach: int, *, closed: bool, least_deg: float = CORNER_TURN_DEG) -> IntArray:
    """Return the stations where the line turns sharply, comparing directions over ``reach`` stations each side.

    With CORNER_REACH_MM a curve of 3 mm radius still counts as a curve.
    """
    turn = _turn_deg(xy, reach, closed=closed)
    pad = min(len(turn), 4 * reach) if closed else 0
    padded = np.concatenate([turn[len(turn) - pad :], turn, turn[:pad]]) if pad else turn
    peaks, _ = find_peaks(padded, height=least_deg, distance=max(2, reach))
    inside = peaks[(peaks >= pad) & (peaks < pad + len(turn))] - pad
    return np.asarray(np.unique(inside), dtype=np.int64)


def _turn_deg(xy: FloatArray, reach: int, *, closed: bool) -> FloatArray:
    index = np.arange(len(xy))
    if closed:
        before, after = xy[(index - reach) % len(xy)], xy[(index + reach) % len(xy)]
    else:
        before, after = xy[np.maximum(index - reach, 0)], xy[np.minimum(index + reach, len(xy) - 1)]
    first, second = xy - before, after - xy
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    turn = np.abs(np.degrees(np.arctan2(cross, (first * second).sum(axis=1))))
    if not closed:
        turn[:reach] = turn[len(xy) - reach :] = 0.0
    return np.asarray(turn)


def measure_line(
    picture: Picture,
    rough_px: FloatArray,
    px_per_mm: float,
    line_width_px: float,
    *,
    closed: bool,
    edge: LineEdge = "middle",
) -> Measured:
    """Measure the ink along a rough way ``rough_px`` (N, 2) of full-resolution pixels.

    Sharp corners split the line: each part is measured on its own, up to its corners.
    """
    path = resample(rough_px, STATION_MM * px_per_mm, closed=closed)
    gentle = smooth(path, 0.4 / STATION_MM, closed=closed)
    corners = find_corners(gentle, round(CORNER_REACH_MM / STATION_MM), closed=closed)
    side = _outer_side(path, closed=closed)
    while True:
        if closed and len(corners) == 0:
            return _section(picture, path, px_per_mm, line_width_px, closed=True, edge=edge, side=side)
        cuts = _cuts(path, corners, closed=closed)
        sections = [
            _section(picture, path[cut], px_per_mm, line_width_px, closed=False, edge=edge, side=side) for cut in cuts
        ]
        whole = _join(sections, closed=closed)
        round_ones = [not _sharp(picture.grey, whole.xy[c], px_per_mm) for c in whole.corners]
        if edge != "middle" or not any(round_ones):
            return whole
        # Where both sides were carried on to meet there is no ink: the line turns there in a small round.
        corners = _without(corners, path, whole.xy[whole.corners[round_ones]])


def _sharp(grey: npt.NDArray[np.uint8], place: FloatArray, px_per_mm: float) -> bool:
    """Whether there is ink where the two sides of a corner meet."""
    reach = round(SHARP_LOOK_MM * px_per_mm)
    x, y = (round(float(v)) for v in place)
    window = grey[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
    tip = grey[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2]
    if window.size == 0 or tip.size == 0:
        return False
    ink, paper = np.percentile(window, [2, 90])
    return bool(tip.mean() < (ink + paper) / 2.0)


def _without(corners: IntArray, path: FloatArray, places: FloatArray) -> IntArray:
    """Return the corners but for the one nearest to each of some places."""
    left = corners.tolist()
    for place in places:
        left.remove(min(left, key=lambda c: float(np.hypot(*(path[c] - place)))))
    return np.array(left, dtype=np.int64)


def _outer_side(path: FloatArray, *, closed: bool) -> int:
    """Return +1 when the normal points out of the region that the line goes round, else -1."""
    x, y = path.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return -1 if area > 0 else 1


def _cuts(path: FloatArray, corners: IntArray, *, closed: bool) -> list[IntArray]:
    """Return the stations of each section from corner to corner."""
    inner = corners.tolist()
    cuts = [*inner, inner[0] + len(path)] if closed else [0, *inner, len(path) - 1]
    return [np.arange(a, b + 1) % len(path) for a, b in itertools.pairwise(cuts) if b - a >= 8]


def _join(sections: list[Measured], *, closed: bool) -> Measured:
    """Join sections end to end; where two meet, both are cut at the place where they cross: the corner."""
    xy = [section.xy for section in sections]
    keep = [np.ones(len(part), dtype=bool) for part in xy]
    firsts = range(0 if closed else 1, len(sections))
    for number in firsts:
        corner = _meeting(xy[number - 1], xy[number])
        keep[number - 1] &= ~_past(xy[number - 1], corner)
        keep[number] &= ~_past(xy[number][::-1], corner)[::-1]
        xy[number] = np.vstack([corner, xy[number][1:]])
        keep[number][0] = True
    starts = np.cumsum([0, *(int(flags.sum()) for flags in keep)])
    return Measured(
        np.concatenate([part[flags] for part, flags in zip(xy, keep, strict=True)]),
        np.concatenate([section.sigma_px[flags] for section, flags in zip(sections, keep, strict=True)]),
        np.concatenate([section.traced[flags] for section, flags in zip(sections, keep, strict=True)]),
        starts[list(firsts)].astype(np.int64),
        float(np.median([section.width_px for section in sections])),
    )


def _past(xy: FloatArray, corner: FloatArray) -> BoolArray:
    """Mark the points at the end of a section that lie at or past its corner."""
    heading = xy[-1] - xy[max(0, len(xy) - 9)]
    near = np.arange(len(xy)) >= max(len(xy) // 2, len(xy) - CORNER_STATIONS)
    return np.asarray(near & ((xy - corner) @ heading >= 0))


def _meeting(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return where the end of one section and the start of the next cross, as straight lines near the corner."""
    first, second = before[-9:], after[:9][::-1]
    middle = (before[-1] + after[0]) / 2
    a, b = first[-1] - first[0], second[-1] - second[0]
    cross = a[0] * b[1] - a[1] * b[0]
    if abs(cross) < 0.2 * np.hypot(*a) * np.hypot(*b):
        return np.asarray(middle)
    step = second[0] - first[0]
    place = first[0] + a * (step[0] * b[1] - step[1] * b[0]) / cross
    return np.asarray(place if np.hypot(*(place - middle)) < 12 * np.hypot(*(first[1] - first[0])) else middle)


def _section(
    picture: Picture,
    path: FloatArray,
    px_per_mm: float,
    line_width_px: float,
    *,
    closed: bool,
    edge: LineEdge,
    side: int,
) -> Measured:
    """Measure one corner-free section in rounds, each along the curve that the last one gave."""
    step_px = max(0.8, min(1.5, STATION_MM * px_per_mm / 2))
    step_mm = step_px / px_per_mm
    average = max(1, round(AVERAGE_MM / step_mm)) | 1
    path = quietened(resample(path, step_px, closed=closed), px_per_mm, step_mm, closed=closed)
    usual, ends = line_width_px, path[[0, -1]]
    for round_number in range(ROUNDS):
        path = resample(path, step_px, closed=closed)
        across = normals(path, closed=closed)
        band = look_across(picture.grey, path, across, LOOK_MM * px_per_mm, usual, average=average, closed=closed)
        usual = float(np.nanmedian(band.high - band.low))
        grid = _grid_px(path, RUNNING_MM * px_per_mm) if picture.two_level else np.zeros(len(path))
        near_px = ONE_EDGE_PX[min(round_number, len(ONE_EDGE_PX) - 1)]
        seen = _middles(band.low, band.high, usual, step_mm, grid, near_px)
        place = path + across * seen.offset[:, None]
        curve = followed(place, seen.weight, px_per_mm, step_mm, closed=closed)
        if round_number < ROUNDS - 1:
            path = curve if closed else curve[_between(curve, ends)]
    xy = np.where(seen.weight[:, None] > 0, place, curve)
    shift = {"middle": 0.0, "outer": 0.5 * usual * side, "inner": -0.5 * usual * side}[edge]
    pick = np.arange(0, len(xy), max(1, round(STATION_MM / step_mm)))
    if not closed and pick[-1] != len(xy) - 1:
        pick = np.append(pick, len(xy) - 1)
    none = np.array([], dtype=np.int64)
    # A place that ink did not give, however much ink was near, is bridged.
    traced = (band.seen & (seen.weight > 0))[pick]
    return Measured((xy + across * shift)[pick], seen.sigma[pick], traced, none, usual)


def _between(curve: FloatArray, ends: FloatArray) -> slice:
    """Return the part of an open curve between the places nearest to two ends."""
    first, last = (int(np.argmin(np.hypot(*(curve - end).T))) for end in ends)
    return slice(first, last + 1) if last - first >= 8 else slice(None)


@dataclass(frozen=True, eq=False)
class _Middles:
    """The middle of the ink at each station: offset from the path, sigma (px), weight 0..1."""

    offset: FloatArray
    sigma: FloatArray
    weight: FloatArray


def _grid_px(path: FloatArray, window_px: float) -> FloatArray:
    """Return how far a 1-bit picture's grid can change the width of a line, averaged over ``window_px``.

    Each edge lies on whole pixels. A line that leans through pixels within the window averages
    that out; one nearly along them keeps a width a whole pixel off for as long as a tread.
    """
    run = np.abs(np.gradient(path, axis=0))
    lean = run.min(axis=1) / np.maximum(run.max(axis=1), 1e-9)
    return np.asarray(1.0 / np.maximum(1.0, lean * window_px))


def _middles(
    low: FloatArray, high: FloatArray, usual: float, step_mm: float, grid_px: FloatArray, near_px: float
) -> _Middles:
    """Take the middle of both edges where the ink has its usual width.

    Where something touches the line it widens the ink on one side only: there, once the
    path is smooth, the edge that agrees with it within ``near_px``, beside the noise, and
    half the usual width give the middle. 0 leaves such places out.
    """
    middle, width = (low + high) / 2, high - low
    with np.errstate(invalid="ignore"):
        local = _local_width(width, usual, step_mm)
        scatter = 1.4826 * float(np.nanmedian(np.abs(width - local)))
        allowed = max(ODD_WIDTH * usual, min(3 * scatter, 0.25 * usual)) + grid_px
        odd = ~(np.abs(_running(width, step_mm) - local) < allowed)
    good = ~binary_dilation(odd, iterations=max(1, int(MARGIN_MM / step_mm))) & np.isfinite(middle)
    if good.sum() < 8:
        return _Middles(np.nan_to_num(middle), np.full(len(low), usual), np.isfinite(middle).astype(float))
    noise = _noise(middle, good)
    weight, offset = good.astype(float), np.where(good, middle, 0.0)
    if near_px > 0.0:
        single = _one_edge(low + local / 2, high - local / 2, 4 * noise + near_px)
        use = ~good & np.isfinite(single)
        weight[use], offset[use] = 0.5, single[use]
        weight[np.abs(offset) > 6 * noise + max(FAR_PX, near_px)] = 0.0
    own = np.hypot(noise, GRID_U * grid_px)
    sigma = np.where(weight == 1.0, own, np.where(weight > 0, 2 * own + 0.05, 0.35))
    return _Middles(offset, sigma, weight)


def _local_width(width: FloatArray, usual: float, step_mm: float) -> FloatArray:
    """Return the line's own width at each station, from what is usual within LOCAL_MM of it.

    A copier's two factors and the pixel grid give one pen different widths in different
    directions. What touches a line only ever widens it, so a low quantile is taken.
    """
    per_bin = max(1, round(BIN_MM / step_mm))
    bins = max(1, len(width) // per_bin)
    likely = np.where(np.abs(width - usual) < LIKELY_WIDTH * usual, width, np.nan)
    parts = np.array_split(likely, bins)
    medians = np.array([np.nanmedian(part) if np.isfinite(part).any() else usual for part in parts])
    reach = min(bins // 2, round(LOCAL_MM / BIN_MM))
    around = np.lib.stride_tricks.sliding_window_view(np.pad(medians, reach, mode="reflect"), 2 * reach + 1)
    own = uniform_filter1d(np.quantile(around, OWN_QUANTILE, axis=1), min(9, bins), mode="nearest")
    return np.asarray(np.interp(np.arange(len(width)), (np.arange(bins) + 0.5) * len(width) / bins, own))


def _running(width: FloatArray, step_mm: float) -> FloatArray:
    """Return the width averaged over about a millimetre; nan where not measured."""
    window = max(1, round(RUNNING_MM / step_mm)) | 1
    known = np.isfinite(width)
    total = uniform_filter1d(np.where(known, width, 0.0), window, mode="nearest")
    share = uniform_filter1d(known.astype(float), window, mode="nearest")
    return np.where(known, total / np.maximum(share, 1e-9), np.nan)


def _noise(middle: FloatArray, good: BoolArray) -> float:
    """Return the scatter of the measured middles about their own running median, px."""
    value = np.interp(np.arange(len(middle)), np.nonzero(good)[0], middle[good])
    rest = (value - median_filter(value, 41, mode="nearest"))[good]
    return float(max(0.02, 1.4826 * np.median(np.abs(rest))))


def _one_edge(by_low: FloatArray, by_high: FloatArray, near: float) -> FloatArray:
    """Return the middle by the edge nearer to the path, or nan where neither is near."""
    both = np.stack([by_low, by_high])
    off = np.where(np.isfinite(both), np.abs(both), np.inf)
    value = np.where(off[0] <= off[1], by_low, by_high)
    return np.where(off.min(axis=0) < near, value, np.nan)

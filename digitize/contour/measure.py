"""A rough way over the page becomes measured stations: place, sigma, and whether ink was there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, median_filter, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.contour.band import LineEdge, look_across, normals, resample, smooth

# How far each side of the rough way the ink is sought, and over what length it is averaged.
LOOK_MM, AVERAGE_MM = 1.1, 0.4
# The rough way is smoothed over this length; later rounds follow the ink more closely.
ROUGH_MM, CLOSE_MM = 1.2, 1.0
# A turn of this much within CORNER_REACH_MM each side is a corner.
CORNER_TURN_DEG, CORNER_REACH_MM = 30.0, 1.6
# An ink width that differs from the usual by this part belongs to a crossing, not to the line.
ODD_WIDTH = 0.16
# Beside odd or missing ink the line is taken from this length of good ink on both sides.
GUIDE_MM = 9.0
STATION_MM = 0.25


@dataclass(frozen=True, eq=False)
class Measured:
    """Stations along a line, full-resolution pixels."""

    xy: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,)
    traced: BoolArray  # (N,) ink was there
    corners: IntArray  # (C,)
    width_px: float


def find_corners(xy: FloatArray, reach: int, *, closed: bool) -> IntArray:
    """Return the stations where the line turns sharply: directions over ``reach`` stations each side."""
    turn = _turn_deg(xy, reach, closed=closed)
    wide = _turn_deg(xy, 3 * reach, closed=closed)
    # A gentle curve turns three times as much over three times the reach; a corner does not.
    sharp = (turn > CORNER_TURN_DEG) & (wide < 1.9 * turn)
    peaks = []
    for start, stop in _runs(sharp, closed=closed):
        span = np.arange(start, stop) % len(xy)
        peaks.append(int(span[np.argmax(turn[span])]))
    return np.array(sorted(peaks), dtype=np.int64)


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


def _runs(flags: BoolArray, *, closed: bool) -> list[tuple[int, int]]:
    """Return [start, stop) of every run of True; a run over the seam of a closed line has stop > N."""
    if flags.all():
        return [(0, len(flags))]
    shift = int(np.argmin(flags)) if closed else 0
    rolled = np.concatenate([[False], np.roll(flags, -shift), [False]]).astype(np.int8)
    edges = np.diff(rolled)
    return [(int(a) + shift, int(b) + shift) for a, b in zip(np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0], strict=True)]


def measure_line(
    grey: npt.NDArray[np.uint8],
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
    if closed and len(corners) == 0:
        return _section(grey, path, px_per_mm, line_width_px, closed=True, edge=edge, side=side)
    parts = _split(path, corners, closed=closed)
    sections = [
        _section(grey, part, px_per_mm, line_width_px, closed=False, edge=edge, side=side) for part in parts
    ]
    return _join(sections, closed=closed)


def _outer_side(path: FloatArray, *, closed: bool) -> int:
    """Return +1 when the normal points out of the region that the line goes round, else -1."""
    x, y = path.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return -1 if area > 0 else 1


def _split(path: FloatArray, corners: IntArray, *, closed: bool) -> list[FloatArray]:
    if closed:
        rolled = np.roll(path, -int(corners[0]), axis=0)
        cuts = [*(corners - corners[0]).tolist(), len(path)]
        rolled = np.vstack([rolled, rolled[:1]])
    else:
        rolled, cuts = path, [0, *corners.tolist(), len(path) - 1]
    return [rolled[a : b + 1] for a, b in zip(cuts[:-1], cuts[1:], strict=True) if b - a >= 8]


def _join(sections: list[Measured], *, closed: bool) -> Measured:
    """Join sections end to end; where two meet, their ends become one corner at the crossing of both."""
    xy, sigma, traced, corners = [], [], [], []
    count = 0
    for number, section in enumerate(sections):
        last = number == len(sections) - 1
        meets = closed or not last
        if number > 0 or closed:
            corners.append(count)
        following = sections[(number + 1) % len(sections)]
        body = section.xy[:-1] if meets else section.xy
        xy.append(body.copy())
        sigma.append(section.sigma_px[: len(body)])
        traced.append(section.traced[: len(body)])
        count += len(body)
        del following
    for number, section in enumerate(sections):
        if number > 0 or closed:
            xy[number][0] = _meeting(sections[number - 1].xy, section.xy)
    width = float(np.median([section.width_px for section in sections]))
    return Measured(np.concatenate(xy), np.concatenate(sigma), np.concatenate(traced), np.array(corners, dtype=np.int64), width)


def _meeting(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return where the end of one section and the start of the next cross, as straight lines near the corner."""
    first, second = before[-8:], after[:8][::-1]
    middle = (before[-1] + after[0]) / 2
    a, b = first[-1] - first[0], second[-1] - second[0]
    cross = a[0] * b[1] - a[1] * b[0]
    if abs(cross) < 0.2 * np.hypot(*a) * np.hypot(*b):
        return np.asarray(middle)
    step = second[0] - first[0]
    place = first[0] + a * (step[0] * b[1] - step[1] * b[0]) / cross
    return np.asarray(place if np.hypot(*(place - middle)) < 12 * np.hypot(*(first[1] - first[0])) else middle)


def _section(
    grey: npt.NDArray[np.uint8],
    path: FloatArray,
    px_per_mm: float,
    line_width_px: float,
    *,
    closed: bool,
    edge: LineEdge,
    side: int,
) -> Measured:
    """Measure one corner-free section in three rounds, each along the line that the last one gave."""
    step_px = max(0.8, min(1.5, STATION_MM * px_per_mm / 2))
    average = max(1, round(AVERAGE_MM * px_per_mm / step_px)) | 1
    for sigma_mm in (ROUGH_MM, CLOSE_MM, CLOSE_MM):
        path = resample(path, step_px, closed=closed)
        path = smooth(path, sigma_mm * px_per_mm / step_px, closed=closed)
        across = normals(path, closed=closed)
        band = look_across(
            grey, path, across, LOOK_MM * px_per_mm, line_width_px, average=average, closed=closed
        )
        usual = float(np.nanmedian(band.high - band.low))
        offset, sigma, good = _offsets(band.low, band.high, usual, step_px / px_per_mm, closed=closed)
        follow = path + across * offset[:, None]
        line_width_px, path = usual, follow
    shift = {"middle": 0.0, "outer": 0.5 * usual * side, "inner": -0.5 * usual * side}[edge]
    xy = follow + across * shift
    every = max(1, round(STATION_MM * px_per_mm / step_px))
    pick = np.arange(0, len(xy), every)
    if not closed and pick[-1] != len(xy) - 1:
        pick = np.append(pick, len(xy) - 1)
    return Measured(xy[pick], sigma[pick], (band.seen | good)[pick], np.array([], dtype=np.int64), usual)


def _offsets(
    low: FloatArray, high: FloatArray, usual: float, step_mm: float, *, closed: bool
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return (offset of the middle, sigma, good) per station.

    Where something touches the line from one side, the other edge and the usual width give
    the middle; where neither edge is clean, good ink on both sides does.
    """
    middle, width = (low + high) / 2, high - low
    good = np.abs(width - usual) < ODD_WIDTH * usual + 0.25
    good &= ~binary_dilation(~good & np.isfinite(width), iterations=max(1, int(0.3 / step_mm)))
    good &= np.isfinite(middle)
    if good.sum() < 8:
        return np.nan_to_num(middle), np.full(len(low), usual), good
    noise = _noise(middle, good)
    guide = _guide(middle, good, max(9, int(2 * GUIDE_MM / step_mm) | 1), closed=closed)
    clean = _one_edge(low + usual / 2, high - usual / 2, guide, good, 4 * noise + 0.12)
    use = good | np.isfinite(clean)
    value = np.where(good, middle, clean)
    outlier = np.abs(np.nan_to_num(value - guide)) > 6 * noise + 0.5
    good, use = good & ~outlier, use & ~outlier
    filled = _fill(value, use, closed=closed)
    sigma = np.where(good, noise, np.where(use, 2 * noise + 0.05, 0.35))
    return filled, sigma, good


def _noise(middle: FloatArray, good: BoolArray) -> float:
    """Return the scatter of the measured middles about their own running median, px."""
    value = np.interp(np.arange(len(middle)), np.nonzero(good)[0], middle[good])
    rest = (value - median_filter(value, 41, mode="nearest"))[good]
    return float(max(0.02, 1.4826 * np.median(np.abs(rest))))


def _guide(middle: FloatArray, good: BoolArray, window: int, *, closed: bool) -> FloatArray:
    """Return a robust local parabola through the good middles at every station (moving least squares)."""
    mode = "wrap" if closed else "nearest"
    index = np.arange(len(middle), dtype=float)
    value = np.where(good, np.nan_to_num(middle), 0.0)
    weight = good.astype(float)
    guide = value
    for _ in range(3):
        guide = _moving_line(value, weight, window, mode)
        rest = value - guide
        scale = max(0.05, 3.0 * 1.4826 * float(np.median(np.abs(rest[good]))))
        weight = good * np.clip(1.0 - (rest / scale) ** 2, 0.0, 1.0) ** 2
    thin = uniform_filter1d(weight, window, mode=mode) * window < 8
    if thin.any() and not thin.all():
        guide[thin] = np.interp(index[thin], index[~thin], guide[~thin])
    return guide


def _moving_line(value: FloatArray, weight: FloatArray, window: int, mode: str) -> FloatArray:
    """Return the weighted moving straight line, evaluated at each station."""
    half = window // 2
    place = np.arange(-half, half + 1, dtype=float)
    pad = (lambda a: np.pad(a, half, mode="wrap")) if mode == "wrap" else (lambda a: np.pad(a, half))

    def moment(data: FloatArray, power: int) -> FloatArray:
        return np.asarray(np.convolve(pad(data), (place**power)[::-1], mode="valid"))

    s0, s1, s2 = (moment(weight, power) for power in range(3))
    t0, t1 = moment(weight * value, 0), moment(weight * value, 1)
    determinant = s0 * s2 - s1**2
    safe = determinant > 1e-6 * np.maximum(s0, 1.0) * np.maximum(s2, 1.0)
    line = (t0 * s2 - t1 * s1) / np.where(safe, determinant, 1.0)
    return np.where(safe, line, t0 / np.maximum(s0, 1e-9))


def _one_edge(by_low: FloatArray, by_high: FloatArray, guide: FloatArray, good: BoolArray, near: float) -> FloatArray:
    """Where the width is odd, return the middle by the edge that agrees with the guide, else nan."""
    off = np.stack([np.abs(by_low - guide), np.abs(by_high - guide)])
    off = np.where(np.isfinite(off), off, np.inf)
    best = off.argmin(axis=0)
    value = np.where(best == 0, by_low, by_high)
    return np.where(~good & (off.min(axis=0) < near), value, np.nan)


def _fill(value: FloatArray, use: BoolArray, *, closed: bool) -> FloatArray:
    """Interpolate over the stations not used."""
    index = np.arange(len(value))
    period = {"period": len(value)} if closed else {}
    return np.asarray(np.interp(index, index[use], value[use], **period))

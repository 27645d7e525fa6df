"""The way through a stretch where other ink hides the line: the smooth path whose two edges are seen most.

At each station every place across is asked how much of a line of the known width would show there: paper turning
to ink half a width before it, ink turning to paper half a width after it. Of all paths across the stations the one
that sees most and turns least is found exactly, by dynamic programming over place and slope together (Amini,
Weymouth and Jain, IEEE PAMI 12 (1990) 855). It only has to be near enough for the measurement to follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from calibration.frames import BoolArray, FloatArray
from digitize.contour.band import normals, resample, straighten

# Stations along and places across, how far across is searched, and the steepest slope in places per station.
ALONG_MM, ACROSS_MM, REACH_MM, STEEPEST = 0.25, 0.03, 0.75, 8
# An edge is the rise over this much, and the line's width is known to about as much.
EDGE_MM = 0.09
# What a change of slope by one place per station costs (squared), and paper under the line, against 1 for a whole edge
# seen.
TURN_COST, PAPER_COST = 0.04, 1.5
# The search starts and ends this far outside the stretch, held to the path there at this cost a place.
HOLD_MM, HOLD_COST = 3.0, 0.02
# Ink so many times as dark as the line's is another line's, and costs so much for as much again.
DARKER, OTHER_COST = 1.2, 3.0
# A click is this near to what it means. Beyond, the path is held to it at so much a mm, but never by so much a station
# that it would leave a line that is plainly seen.
CLICK_MM, TOLD_COST_PER_MM, TOLD_MOST = 0.15, 33.0, 2.0
# The strokes' way and the path agree within this part of their length on how far along a place lies.
ASTRAY = 0.1
# An edge shows where so much of one is seen, taken over so many stations.
LEAST_SEEN, SEEN_STATIONS = 0.4, 3


@dataclass(frozen=True, eq=False)
class Led:
    """A path led through its lost stretches."""

    path: FloatArray  # (N, 2) px
    led: BoolArray  # (N,) in such a stretch
    seen: BoolArray  # (N,) there, and an edge of the line shows


def threaded(
    grey: npt.NDArray[np.uint8],
    rough: FloatArray,
    path: FloatArray,
    lost: BoolArray,
    width_px: float,
    strength: float,
    px_per_mm: float,
    told: FloatArray,
    *,
    closed: bool,
) -> Led:
    """Return ``path`` led through its lost stretches.

    Args:
        grey: (H, W) dark ink on light paper.
        rough: (M, 2) px, the way of the strokes, near the line everywhere.
        path: (N, 2) px, right but where ``lost``.
        lost: (N,) the stations where the line was not seen.
        width_px: the line's own width.
        strength: how much darker than paper the line is, grey levels.
        px_per_mm: of the picture.
        told: (T, 2) px, places that the person said the line passes through.
        closed: the path ends where it starts.
    """
    if closed:
        start = _clearest(lost)
        path, lost = np.roll(path, -start, axis=0), np.roll(lost, -start)
        rough = np.roll(rough, -int(np.argmin(np.hypot(*(rough - path[0]).T))), axis=0)
    runs = np.flatnonzero(np.diff(np.r_[0, lost.astype(int), 0])).reshape(-1, 2)
    pieces, marks, done = [], [], 0
    for first, last in _merged(runs, path, px_per_mm):
        between = _between(rough, path, first, last)
        held = np.vstack([path[first], told, path[last]])
        way, seen = _through(grey, between, held, width_px, strength, px_per_mm)
        pieces += [path[done:first], way]
        marks += [np.zeros(first - done), 1.0 + seen]
        done = last + 1
    pieces.append(path[done:])
    mark = np.concatenate([*marks, np.zeros(len(path) - done)])
    return Led(np.concatenate(pieces), mark > 0, mark > 1)


def _clearest(lost: BoolArray) -> int:
    """Return the middle of the longest stretch of a closed path that is not lost."""
    marks = np.flatnonzero(lost)
    if not len(marks):
        return 0
    ahead = np.append(marks[1:], marks[0] + len(lost)) - marks
    widest = int(np.argmax(ahead))
    return int(marks[widest] + ahead[widest] // 2) % len(lost)


def _merged(runs: npt.NDArray[np.int64], path: FloatArray, px_per_mm: float) -> list[tuple[int, int]]:
    """Return the stretches with HOLD_MM more on both sides, those that then touch as one."""
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))]) / px_per_mm
    merged: list[tuple[int, int]] = []
    for start, stop in runs.tolist():
        first = int(np.searchsorted(far, far[start] - HOLD_MM))
        last = min(int(np.searchsorted(far, far[stop - 1] + HOLD_MM)), len(path) - 1)
        if merged and first <= merged[-1][1]:
            merged[-1] = (merged[-1][0], last)
        else:
            merged.append((first, last))
    return merged


def _between(rough: FloatArray, path: FloatArray, first: int, last: int) -> FloatArray:
    """Return the part of the strokes' way that goes with the stations from ``first`` to ``last`` of the path.

    Both start and end at the same places; a part is looked for only where it can be, for lines may come close again.
    """
    picks = []
    for station in (first, last):
        low, high = ((station / len(path) + way * ASTRAY) * len(rough) for way in (-1, 1))
        window = slice(max(0, int(low)), min(len(rough), int(high) + 1))
        picks.append(window.start + int(np.argmin(np.hypot(*(rough[window] - path[station]).T))))
    return rough[picks[0] : picks[1] + 1]


def _through(
    grey: npt.NDArray[np.uint8],
    rough: FloatArray,
    held_px: FloatArray,
    width_px: float,
    strength: float,
    k: float,
) -> tuple[FloatArray, BoolArray]:
    """Return the best path along the rough way between the first and last held place, and where an edge shows.

    The places between are those that the person told: of two lines there, the one nearer to them is meant.
    """
    start, *told, end = held_px
    if len(rough) < 3:
        return np.stack([start, end]), np.zeros(2, dtype=bool)
    way = resample(rough, ALONG_MM * k, closed=False)
    across = normals(way, closed=False)
    count = round(REACH_MM / ACROSS_MM)
    offsets = np.arange(-count, count + 1, dtype=np.float64) * (ACROSS_MM * k)
    price, edges = _price(grey, way, across, offsets, width_px, strength, k)
    held = int(np.ceil(HOLD_MM / 2.0 / ALONG_MM))
    for rows, place in ((slice(0, held), start), (slice(-held, None), end)):
        row = way[rows][0 if place is start else -1]
        normal = across[rows][0 if place is start else -1]
        away = np.abs(offsets - (place - row) @ normal) / (ACROSS_MM * k)
        price[rows] += HOLD_COST * away
    for place in told:
        row = int(np.argmin(np.hypot(*(way - place).T)))
        off = float((place - way[row]) @ across[row])
        if np.hypot(*(way[row] - place)) < REACH_MM * k:
            away_mm = np.abs(offsets - off) / k - CLICK_MM
            price[max(0, row - 1) : row + 2] += np.clip(TOLD_COST_PER_MM * away_mm, 0.0, TOLD_MOST)
    chosen = _smoothest(price)
    seen = uniform_filter1d(edges[np.arange(len(way)), chosen], SEEN_STATIONS) > LEAST_SEEN
    return np.asarray(way + across * offsets[chosen][:, None]), np.asarray(seen)


def _price(
    grey: npt.NDArray[np.uint8],
    way: FloatArray,
    across: FloatArray,
    offsets: FloatArray,
    width_px: float,
    strength: float,
    k: float,
) -> tuple[FloatArray, FloatArray]:
    """Return (what a line at each place would cost, how much of its edges shows), both (stations, offsets)."""
    step = ACROSS_MM * k
    half, rise = round(width_px / 2.0 / step), round(EDGE_MM / ACROSS_MM / 2.0)
    pad = half + rise
    wide = (np.arange(len(offsets) + 2 * pad, dtype=np.float64) - len(offsets) // 2 - pad) * step
    shade = straighten(grey, way, across, wide).astype(np.float64)
    paper = float(np.median(np.percentile(shade, 90, axis=1)))
    # Ink darker than the line's own is no better.
    depth = (paper - shade) / max(strength, 1.0)
    dark = np.clip(depth, 0.0, 1.0)
    change = np.zeros_like(dark)
    change[:, rise:-rise] = dark[:, 2 * rise :] - dark[:, : -2 * rise]
    size = len(offsets)
    low = np.clip(change[:, pad - half : pad - half + size], 0.0, 1.0)
    high = np.clip(-change[:, pad + half : pad + half + size], 0.0, 1.0)
    other = np.clip(depth[:, pad : pad + size] - DARKER, 0.0, 1.0)
    price = PAPER_COST * (1.0 - dark[:, pad : pad + size]) + OTHER_COST * other - low - high
    return np.asarray(price), np.asarray(low + high)


def _smoothest(price: FloatArray) -> npt.NDArray[np.int64]:
    """Return the place at each station of the cheapest path, turns counted."""
    stations, places = price.shape
    slopes = np.arange(-STEEPEST, STEEPEST + 1)
    turn = TURN_COST * (slopes[:, None] - slopes[None, :]) ** 2.0
    best = np.repeat(price[0][:, None], len(slopes), axis=1)
    came = np.zeros((stations, places, len(slopes)), dtype=np.int8)
    for station in range(1, stations):
        # arriving with slope s from place p - s, where the slope had been any other
        options = best[:, None, :] + turn[None, :, :]
        before = options.argmin(axis=2)
        least = np.take_along_axis(options, before[..., None], axis=2)[..., 0]
        moved = np.full((places, len(slopes)), np.inf)
        for column, slope in enumerate(slopes.tolist()):
            to = slice(max(0, slope), places + min(0, slope))
            origin = slice(max(0, -slope), places + min(0, -slope))
            moved[to, column] = least[origin, column]
            came[station, to, column] = before[origin, column]
        best = moved + price[station][:, None]
    place, column = divmod(int(best.argmin()), len(slopes))
    chosen = np.zeros(stations, dtype=np.int64)
    for station in range(stations - 1, -1, -1):
        chosen[station] = place
        if station:
            previous = int(came[station, place, column])
            place, column = place - int(slopes[column]), previous
    return chosen


__all__ = ["Led", "threaded"]

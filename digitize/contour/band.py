"""The middle (or an edge) of a line's ink to a small part of a pixel, in a band along a path.

The band is straightened: rows are stations along the path, columns are places across it.
Neighbouring stations are averaged along the line before the two edges of the ink are
located at half height, after the sub-pixel practice of Steger, IEEE PAMI 20 (1998) 113,
for line and edge positions; curvature moves the result by a second-order amount only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from calibration.frames import BoolArray, FloatArray
from digitize.paged import give_back, is_paged, spans

Profile = npt.NDArray[np.float32]  # (stations, offsets)
LineEdge = Literal["middle", "outer", "inner"]

# Places across the line are this far apart, pixels.
ACROSS_STEP_PX = 0.5
# Ink this many grey levels lighter is as good for each pixel that it is nearer.
AWAY_LEVELS = 4.0
# Ink darker than a line mostly is by more than this belongs to another.
OWN_INK = 1.2
# OpenCV's remap cannot address pictures beyond this many pixels a side.
REMAP_LIMIT = 32000
CHUNK = 4000


@dataclass(frozen=True, eq=False)
class Band:
    """What was seen across the line at each station; offsets in pixels along the normal."""

    low: FloatArray  # (N,) edge on the negative side of the normal, nan where not seen
    high: FloatArray  # (N,) edge on the positive side
    strength: FloatArray  # (N,) darkness of the ink against its surroundings, grey levels
    seen: BoolArray  # (N,) ink was found


def normals(xy: FloatArray, *, closed: bool) -> FloatArray:
    """Return unit normals (N, 2), a quarter turn from the direction of travel: (-dy, dx)."""
    step = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0) if closed else np.gradient(xy, axis=0)
    step /= np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)[:, None]
    return np.stack([-step[:, 1], step[:, 0]], axis=1)


def resample(xy: FloatArray, spacing: float, *, closed: bool) -> FloatArray:
    """Return points evenly spaced by about ``spacing`` along the polyline ``xy``."""
    line = np.vstack([xy, xy[:1]]) if closed else xy
    steps = np.hypot(*np.diff(line, axis=0).T)
    keep = np.concatenate([[True], steps > 1e-9])
    line, far = line[keep], np.concatenate([[0.0], np.cumsum(steps)])[keep]
    count = max(8, round(far[-1] / spacing))
    at = np.linspace(0.0, far[-1], count + 1)
    if closed:
        at = at[:-1]
    return np.stack([np.interp(at, far, line[:, 0]), np.interp(at, far, line[:, 1])], axis=1)


def smooth(xy: FloatArray, sigma_stations: float, *, closed: bool) -> FloatArray:
    """Return the polyline smoothed along itself; open ends keep their place and direction.

    A second pass of the remainder undoes most of the shrinking (Taubin 1995).
    """
    if closed:
        once = gaussian_filter1d(xy, sigma_stations, axis=0, mode="wrap")
        return np.asarray(once + gaussian_filter1d(xy - once, sigma_stations, axis=0, mode="wrap"))
    pad = min(len(xy) - 1, int(4 * sigma_stations) + 1)
    padded = np.vstack([2 * xy[0] - xy[pad:0:-1], xy, 2 * xy[-1] - xy[-2 : -pad - 2 : -1]])
    once = gaussian_filter1d(padded, sigma_stations, axis=0)
    twice = once + gaussian_filter1d(padded - once, sigma_stations, axis=0)
    return np.asarray(twice[pad:-pad])


def look_across(
    grey: npt.NDArray[np.uint8],
    path: FloatArray,
    across: FloatArray,
    half_width_px: float,
    line_width_px: float,
    *,
    average: int,
    closed: bool,
) -> Band:
    """Measure the ink nearest to each station of ``path`` (N, 2) px along ``across`` (N, 2).

    ``half_width_px`` is how far to look each way; ``average`` is the number of neighbouring
    stations taken together.
    """
    count = int(2 * half_width_px / ACROSS_STEP_PX) | 1
    offsets = (np.arange(count, dtype=np.float64) - count // 2) * ACROSS_STEP_PX
    profile = straighten(grey, path, across, offsets)
    if average > 1:
        uniform_filter1d(profile, average, axis=0, mode="wrap" if closed else "nearest", output=profile)
    return _edges(profile, offsets, line_width_px)


def straighten(
    grey: npt.NDArray[np.uint8], path: FloatArray, across: FloatArray, offsets: FloatArray
) -> npt.NDArray[np.float32]:
    """Return grey values (stations, offsets); paper white outside the picture."""
    result = np.empty((len(path), len(offsets)), dtype=np.float32)
    for start in range(0, len(path), CHUNK):
        stop = min(start + CHUNK, len(path))
        x, y = (path[start:stop, axis, None] + across[start:stop, axis, None] * offsets for axis in (0, 1))
        low = np.maximum([math.floor(x.min()) - 3, math.floor(y.min()) - 3], 0)
        high = math.ceil(x.max()) + 4, math.ceil(y.max()) + 4
        window = grey[low[1] : high[1], low[0] : high[0]]
        if window.size == 0:
            result[start:stop] = 255.0
            continue
        maps = (x - low[0]).astype(np.float32), (y - low[1]).astype(np.float32)
        result[start:stop] = _remapped(window, *maps)
    return result


def _remapped(window: npt.NDArray[np.uint8], x: npt.NDArray[np.float32], y: npt.NDArray[np.float32]) -> Profile:
    """Return the window's values at places (stations, offsets); of a page in a file, from top to bottom in parts."""
    border = {"borderMode": cv2.BORDER_CONSTANT, "borderValue": 255}
    if max(window.shape) > REMAP_LIMIT:
        return _remapped_in_halves(window, x, y)
    if not is_paged(window):
        return np.asarray(cv2.remap(window, x, y, cv2.INTER_LINEAR, **border), dtype=np.float32)
    order = np.argsort(y[:, 0])
    out = np.empty(x.shape, dtype=np.float32)
    for some in (order[span] for span in spans(window, y[order, 0])):
        top = int(np.clip(np.floor(y[some].min()) - 3, 0, len(window) - 1))
        part = window[top : max(top + 1, int(np.ceil(y[some].max())) + 4)]
        out[some] = cv2.remap(part, x[some], y[some] - np.float32(top), cv2.INTER_LINEAR, **border)
        give_back(part)
    return out


def _remapped_in_halves(
    window: npt.NDArray[np.uint8], x: npt.NDArray[np.float32], y: npt.NDArray[np.float32]
) -> Profile:
    """Return the same of a window too large for OpenCV: the stations of either half, each from what it needs of it."""
    out = np.full(x.shape, 255.0, dtype=np.float32)
    across = window.shape[1] > window.shape[0]
    first = (x if across else y)[:, x.shape[1] // 2] < max(window.shape) / 2.0
    for some in (first, ~first):
        if some.any():
            places = x[some], y[some]
            low = [max(0, math.floor(along.min()) - 3) for along in places]
            high = [math.ceil(along.max()) + 4 for along in places]
            part = window[low[1] : max(0, high[1]), low[0] : max(0, high[0])]
            if part.size:
                out[some] = _remapped(part, places[0] - np.float32(low[0]), places[1] - np.float32(low[1]))
    return out


def _edges(profile: npt.NDArray[np.float32], offsets: FloatArray, line_width_px: float) -> Band:
    """Locate both edges of the ink nearest the middle of each row, at half height."""
    paper = np.percentile(profile, 85, axis=1)
    centre = len(offsets) // 2
    reach = min(centre, max(2, int((0.5 * line_width_px + 0.25 * abs(offsets[0])) / ACROSS_STEP_PX)))
    core = profile[:, centre - reach : centre + reach + 1]
    # Of two lines as dark, the one nearer to the path is meant.
    away = np.abs(np.arange(-reach, reach + 1)) * (ACROSS_STEP_PX * AWAY_LEVELS)
    peak = (core + away[None, :].astype(np.float32)).argmin(axis=1) + centre - reach
    darkest = np.take_along_axis(profile, peak[:, None], axis=1)[:, 0]
    strength = paper - darkest
    usual = float(np.median(strength))
    seen = strength > 0.4 * usual
    # Half the height of the line's own ink: where darker ink crosses it or runs beside it, that is not the measure.
    level = np.asarray(paper - np.minimum(strength, OWN_INK * usual) / 2.0, dtype=np.float64)
    above = profile > level[:, None]
    low, low_found = _crossing(profile, above, peak, level, offsets, -1)
    high, high_found = _crossing(profile, above, peak, level, offsets, +1)
    low[~(low_found & seen)] = np.nan
    high[~(high_found & seen)] = np.nan
    return Band(low, high, strength.astype(np.float64), np.asarray(seen & (low_found | high_found)))


def _crossing(
    profile: npt.NDArray[np.float32],
    above: BoolArray,
    peak: npt.NDArray[np.int64],
    level: FloatArray,
    offsets: FloatArray,
    way: int,
) -> tuple[FloatArray, BoolArray]:
    """Return where each row first rises above its level going ``way`` from its peak."""
    columns = np.arange(len(offsets))
    beyond = (columns[None, :] - peak[:, None]) * way > 0
    hit = above & beyond
    found = hit.any(axis=1)
    first = hit.argmax(axis=1) if way > 0 else len(offsets) - 1 - hit[:, ::-1].argmax(axis=1)
    rows = np.arange(len(profile))
    inside = np.clip(first - way, 0, len(offsets) - 1)
    outer, inner = profile[rows, first].astype(float), profile[rows, inside].astype(float)
    share = np.clip((level - inner) / np.where(np.abs(outer - inner) < 1e-6, 1.0, outer - inner), 0.0, 1.0)
    return np.asarray(offsets[inside] + share * way * ACROSS_STEP_PX), np.asarray(found)

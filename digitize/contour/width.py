"""How wide a line itself is at each of its stations, where other ink touches it too."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from calibration.frames import FloatArray

# The line's own width is a quantile of what bins of this length show within this distance.
BIN_MM, LOCAL_MM, LIKELY_WIDTH, OWN_QUANTILE = 4.0, 36.0, 0.25, 0.4
# In a photo laid flat the far end is more blurred, and lines are wider there: a plane through the logarithms of the
# widths. Where it rises by less than this the line has one width; and from so few bins it is not told.
LEAST_RISE, FEWEST_BINS, MOST_RISE = 0.25, 24, 1.2
ROUNDS, FLOOR = 12, 0.02


def own_width(
    width: FloatArray, path: FloatArray, usual: float, step_mm: float, *, rises: bool
) -> FloatArray:
    """Return (N,) the line's own width at each station, from what is usual within LOCAL_MM of it.

    A copier's two factors and the pixel grid give one pen different widths in different directions. What touches a
    line only ever widens it, so a low quantile is taken.

    Args:
        width: (N,) of the ink as seen, px; nan where none was.
        path: (N, 2) px.
        usual: of the whole line, px.
        step_mm: distance of the stations.
        rises: it may from one end of the picture to the other, as in a photo; in a scan what rises is other ink.
    """
    per_bin = max(1, round(BIN_MM / step_mm))
    bins = max(1, len(width) // per_bin)
    expected = _expected(width, path, usual, bins) if rises else np.full(len(width), usual)
    likely = np.where(np.abs(width - expected) < LIKELY_WIDTH * expected, width / expected, np.nan)
    parts = np.array_split(likely, bins)
    medians = np.array([np.nanmedian(part) if np.isfinite(part).any() else 1.0 for part in parts])
    reach = min(bins // 2, round(LOCAL_MM / BIN_MM))
    around = np.lib.stride_tricks.sliding_window_view(np.pad(medians, reach, mode="reflect"), 2 * reach + 1)
    own = uniform_filter1d(np.quantile(around, OWN_QUANTILE, axis=1), min(9, bins), mode="nearest")
    share = np.interp(np.arange(len(width)), (np.arange(bins) + 0.5) * len(width) / bins, own)
    return np.asarray(share * expected)


def _expected(width: FloatArray, path: FloatArray, usual: float, bins: int) -> FloatArray:
    """Return (N,) the usual width, or how it rises over the picture: least absolute deviations, by reweighting."""
    flat = np.full(len(width), usual)
    seen = [(np.median(part), places.mean(axis=0)) for part, places in _binned(width, path, bins)]
    if len(seen) < FEWEST_BINS:
        return flat
    value, at = np.log(np.array([one for one, _ in seen]) / usual), np.array([place for _, place in seen])
    middle, size = at.mean(axis=0), float(np.ptp(at, axis=0).max())
    design = np.column_stack([np.ones(len(at)), (at - middle) / size])
    weight = np.ones(len(at))
    plane: FloatArray = np.zeros(3)
    for _ in range(ROUNDS):
        plane = np.asarray(np.linalg.lstsq(design * weight[:, None], value * weight, rcond=None)[0])
        weight = 1.0 / np.sqrt(np.maximum(np.abs(value - design @ plane), FLOOR))
    rise = float(np.ptp(design @ plane))
    if not LEAST_RISE < rise < MOST_RISE:
        return flat
    return np.asarray(usual * np.exp(plane[0] + (path - middle) / size @ plane[1:]))


def _binned(width: FloatArray, path: FloatArray, bins: int) -> list[tuple[FloatArray, FloatArray]]:
    """Return the widths and places of each bin of which most stations were seen."""
    parts = []
    for part, places in zip(np.array_split(width, bins), np.array_split(path, bins), strict=True):
        known = np.isfinite(part) & (part > 0.0)
        if known.mean() > 0.5:
            parts.append((part[known], places[known]))
    return parts

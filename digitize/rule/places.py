"""Sub-pixel places of graduations, once they are counted."""

from __future__ import annotations

import itertools

import numpy as np

from calibration.frames import FloatArray
from digitize.rule.comb import Comb
from digitize.rule.strip import Strip

BANDS = 6  # rows are averaged in this many bands before the middle is taken
BAND_ROWS = 3
FAIR_INK = (0.4, 2.0)  # of the usual ink of a band: less is broken, more is crossed by another line
FAIR_BROKEN = (0.3, 2.0)  # the same in a broken print, of the ink of bands that show
SHOWN_PERCENTILE = 80.0
ENOUGH_BROKEN = 0.7  # bands' worth of ink, to place a graduation of a broken print


def centroids(profile: FloatArray, centre: FloatArray, pitch: float, half: float) -> tuple[FloatArray, FloatArray]:
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


def measure_places(
    fine: Strip, comb: Comb, tilt: float, width: float, *, broken: bool
) -> tuple[FloatArray, FloatArray]:
    """Return (N,) places on the baseline and their weight (0 where a graduation is not to be trusted)."""
    half = min(0.5 * comb.pitch_px, max(2.5, 1.3 * width + 1.0))
    rows = len(fine.darkness)
    bands = int(np.clip(rows // BAND_ROWS, 1, BANDS))
    edges = np.linspace(0, rows, bands + 1).astype(np.int64)
    model = np.asarray(comb.start_px + comb.pitch_px * comb.index, dtype=np.float64)
    place, ink = [], []
    for low, high in itertools.pairwise(edges):
        profile = _sheared_mean(fine, low, high, tilt)
        at, weight = _band_places(profile, np.asarray(model - fine.t0_px), comb.pitch_px, half)
        place.append(at + fine.t0_px)
        ink.append(weight)
    if broken:
        return _middle_of_shown(np.array(place), np.array(ink), model)
    return _middle_of_bands(np.array(place), np.array(ink), model)


def _band_places(profile: FloatArray, centre: FloatArray, pitch: float, half: float) -> tuple[FloatArray, FloatArray]:
    """Return (place, ink) of each graduation in the profile of one band; windows follow the graduations."""
    model = centre
    at, ink = centroids(profile, centre, pitch, half)
    if 2 * half < 0.8 * pitch:
        for _ in range(2):
            centre = np.asarray(np.clip(at, model - 0.3 * pitch, model + 0.3 * pitch), dtype=np.float64)
            at, ink = centroids(profile, centre, pitch, half)
    return at, ink


def _middle_of_bands(place: FloatArray, ink: FloatArray, model: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the median place over the bands that hold the usual ink; at least half of the bands."""
    usual = np.maximum(np.median(ink, axis=1, keepdims=True), 1e-9)
    fair = (ink > FAIR_INK[0] * usual) & (ink < FAIR_INK[1] * usual)
    masked = np.where(fair, place, np.nan)
    enough = fair.sum(axis=0) >= (len(place) + 1) // 2
    masked[:, ~enough] = model[~enough]
    return np.nanmedian(masked, axis=0), enough.astype(np.float64)


def _middle_of_shown(place: FloatArray, ink: FloatArray, model: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean place by ink over whatever bands show a graduation of a broken print."""
    usual = max(float(np.percentile(ink, SHOWN_PERCENTILE)), 1e-9)
    fair = (ink > FAIR_BROKEN[0] * usual) & (ink < FAIR_BROKEN[1] * usual)
    weight = np.where(fair, ink / usual, 0.0)
    total = weight.sum(axis=0)
    enough = total >= ENOUGH_BROKEN
    middle = np.sum(weight * place, axis=0) / np.where(enough, total, 1.0)
    return np.where(enough, middle, model), enough.astype(np.float64)


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

"""A straight drawn line, solid or dashed, fitted at full resolution."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from digitize.contour.band import look_across

LOOK_MM = 0.9
# A straight line's ink stays within this of the line once it is fitted.
STRAIGHT_MM = 0.35
LEAST_STATIONS = 60
# Drawing and paper keep even a ruled line from being straighter than this over its length.
RULED_MM = 0.01
# Neighbouring stations see the same pixels: this many count as one.
ALIKE_STATIONS = 4.0


def fit_straight(
    grey: npt.NDArray[np.uint8], ends: FloatArray, px_per_mm: float, line_width_px: float
) -> tuple[FloatArray, float, float, float] | None:
    """Fit the straight line near ``ends`` (2, 2) px.

    Returns:
        (ends (2, 2) px on the fitted line, sigma of its offset in px, sigma of its angle in
        rad, part of it that shows ink), or None when too little ink lies straight.
    """
    length = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / length
    across = np.array([-along[1], along[0]])
    count = max(LEAST_STATIONS, int(length))
    station = np.linspace(0.0, length, count)
    slope = offset = 0.0
    for _ in range(3):
        path = ends[0] + station[:, None] * along + (offset + slope * (station - length / 2))[:, None] * across
        band = look_across(
            grey, path, np.tile(across, (count, 1)), LOOK_MM * px_per_mm, line_width_px, average=3, closed=False
        )
        width = band.high - band.low
        usual = float(np.nanmedian(width)) if np.isfinite(width).any() else 0.0
        good = np.isfinite(width) & (np.abs(width - usual) < 0.3 * usual + 0.3)
        if good.sum() < LEAST_STATIONS:
            return None
        middle = (band.low + band.high) / 2
        step, tilt, scatter, good = _robust_line(station - length / 2, middle, good, STRAIGHT_MM * px_per_mm)
        offset, slope = offset + step, slope + tilt
    used = max(8.0, good.sum() / ALIKE_STATIONS)
    offset_sigma = float(np.hypot(scatter / np.sqrt(used), RULED_MM * px_per_mm))
    angle_sigma = offset_sigma * np.sqrt(12.0) / length
    shift = offset + slope * np.array([-length / 2, length / 2])
    fitted = np.stack([ends[0] + shift[0] * across, ends[1] + shift[1] * across])
    return fitted, offset_sigma, float(angle_sigma), float(band.seen.mean())


def _robust_line(
    x: FloatArray, y: FloatArray, good: npt.NDArray[np.bool_], most: float
) -> tuple[float, float, float, npt.NDArray[np.bool_]]:
    """Return (offset, slope, scatter, stations used) by trimmed least squares, six rounds."""
    use = good.copy()
    offset = slope = scatter = 0.0
    for _ in range(6):
        slope, offset = np.polyfit(x[use], y[use], 1)
        rest = y - (offset + slope * x)
        scatter = max(0.02, 1.4826 * float(np.nanmedian(np.abs(rest[good]))))
        narrowed = good & (np.abs(np.nan_to_num(rest, nan=np.inf)) < min(max(4 * scatter, 0.3), max(most, 0.3)))
        if narrowed.sum() < LEAST_STATIONS // 2:
            break
        use = narrowed
    return float(offset), float(slope), scatter, use

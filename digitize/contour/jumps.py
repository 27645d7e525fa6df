"""Where measured places leap to another line: a curve without a corner runs on as it came, a leap does not."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import binary_dilation

from calibration.frames import BoolArray, FloatArray

# Lines are drawn through the places over this much on either side of a gap of a station; where both are carried on to
# the gap they meet, but for a bend: half an arc of 1.5 mm radius departs from its own line by 0.05 mm there.
HALF_MM = 0.75
LEAST_MM, NOISES = 0.15, 6.0
AROUND_MM = 2.0  # about a leap nothing is believed


def leaps(xy: FloatArray, px_per_mm: float, step_mm: float, noise_px: float, *, closed: bool) -> BoolArray:
    """Return (N,) the stations about which measured places step sideways by more than a bend or noise explains.

    Args:
        xy: (N, 2) px, stations of a part without a corner.
        px_per_mm: of the picture.
        step_mm: distance of the stations.
        noise_px: 1 sigma of single places.
        closed: the path ends where it starts.
    """
    count = max(3, round(HALF_MM / step_mm))
    none = np.zeros(len(xy), dtype=np.bool_)
    if len(xy) < 4 * count:
        return none
    around = np.pad(xy, ((count, count), (0, 0)), mode="wrap") if closed else xy
    parts = np.lib.stride_tricks.sliding_window_view(around, count, axis=0)  # (M, 2, count)
    before, after = parts[:-count], parts[count:]
    heading = before[:, :, -1] - before[:, :, 0] + after[:, :, -1] - after[:, :, 0]
    unit = heading / np.maximum(np.hypot(*heading.T), 1e-9)[:, None]
    across = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    # along the stations, from the gap's middle
    at = np.asarray(np.arange(count) - (count - 1) / 2, dtype=np.float64)
    ends = [_carried(part, across, at, way * count / 2) for part, way in ((before, 1), (after, -1))]
    step = np.abs(ends[1] - ends[0])
    far = step > max(LEAST_MM * px_per_mm, NOISES * noise_px)
    marks = none.copy()
    marks[(np.flatnonzero(far) + (0 if closed else count)) % len(xy)] = True
    reach = round(AROUND_MM / step_mm)
    wide = np.pad(marks, reach, mode="wrap" if closed else "constant")
    return np.asarray(binary_dilation(wide, iterations=reach)[reach : reach + len(xy)])


def _carried(part: FloatArray, across: FloatArray, at: FloatArray, to: float) -> FloatArray:
    """Return (M,) where the line through places (M, 2, K) is sideways when carried on to ``to`` stations."""
    side = np.einsum("mdk,md->mk", part, across)
    slope = side @ at / float(at @ at)
    return np.asarray(side.mean(axis=1) + slope * to)

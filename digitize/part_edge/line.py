"""A drawn line in place of a part's edge: its two sides, place by place, and the middle between them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from calibration.solve import Calibration
from digitize.fit_shapes import EdgePlaces, HalfCurve, InkSide
from digitize.part_edge.profiles import (
    ALONG_MM,
    LEAST_OVER_NOISE,
    LEAST_STRENGTH,
    MAD_TO_SIGMA,
    Profiles,
    cheapest,
    profiles,
    sheet_normals,
)

RIDGE_MM = 0.25  # a pen's or pencil's line is about twice as wide as this
HALF_MM = 1.2  # its sides are looked for so far to both sides of its darkest place
WIDEST_MM = 2.0  # what is wider is no line
SHARES = {"middle": 0.5, "outer": 1.0, "inner": 0.0}


def follow_line(
    grey: npt.NDArray[np.uint8], calibration: Calibration, curve: HalfCurve, sheet_to_body: FloatArray,
    reach_mm: float, side: InkSide = "middle", usual: float = 0.0,
) -> tuple[EdgePlaces, FloatArray]:  # fmt: skip
    """Return where a dark line runs along a curve, and its width (N,), mm, NaN where it was not seen.

    Args:
        grey: (H, W).
        calibration: of the picture.
        curve: in the body frame.
        sheet_to_body: (2, 3) affine, good to a millimetre.
        reach_mm: to both sides of the curve.
        side: of the ink that is meant; outer: the one to which the curve's normals point.
        usual: slope, grey values a pixel, that a clear line's sides have, where most of the curve may have none.
    """
    linear = np.linalg.inv(sheet_to_body[:, :2])
    stations = (curve.xy_mm - sheet_to_body[:, 2]) @ linear.T
    normals = sheet_normals(curve.normal, np.column_stack([linear, np.zeros(2)]))
    seen = profiles(grey, calibration, stations, normals, reach_mm + HALF_MM, along=ALONG_MM / curve.step_mm)
    mm = float(seen.off_mm[1] - seen.off_mm[0])
    dark = np.maximum(gaussian_filter1d(seen.grey, RIDGE_MM / mm, axis=1, order=2, mode="nearest"), 0.0)
    strongest = max(float(np.median(dark.max(axis=1))), 1e-9)
    kept = np.flatnonzero(np.abs(seen.off_mm) <= reach_mm)
    way = cheapest(np.minimum(dark[:, kept] / strongest, 1.0), seen.off_mm[kept], curve.step_mm) + kept[0]
    half = max(2, round(HALF_MM / mm))
    inner, inner_slope = _side(seen, way, -half, -1.0)
    outer, outer_slope = _side(seen, way, half, 1.0)
    found = _clear(seen, inner_slope, usual) & _clear(seen, outer_slope, usual) & seen.whole
    wide = outer - inner
    found &= (wide > 0.0) & (wide < WIDEST_MM)
    off = inner + SHARES[side] * wide
    points = np.where(found[:, None], stations + off[:, None] * normals, np.nan)
    rows = np.arange(len(way))
    beside = [seen.grey[rows, np.clip(way + k, 0, seen.grey.shape[1] - 1)] for k in (-half, half)]
    return EdgePlaces(points, found, outer_slope, *beside), np.where(found, wide, np.nan)


def _side(seen: Profiles, way: IntArray, reach: int, sign: float) -> tuple[FloatArray, FloatArray]:
    """Return where (N,), mm, the slope on one side of a line is steepest, and that slope, + lighter off the line."""
    columns = way[:, None] + np.arange(min(0, reach), max(0, reach) + 1)[None, :]
    columns = np.clip(columns, 1, seen.slope.shape[1] - 2)
    towards = sign * seen.slope
    rows = np.arange(len(way))
    top = columns[rows, np.take_along_axis(towards, columns, axis=1).argmax(axis=1)]
    before, here, after = (towards[rows, top + k] for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    part = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, -1.0), 0.0)
    return seen.off_mm[top] + np.clip(part, -0.6, 0.6) * float(seen.off_mm[1] - seen.off_mm[0]), here


def _clear(seen: Profiles, slope: FloatArray, usual: float) -> BoolArray:
    noise = MAD_TO_SIGMA * float(np.median(np.abs(seen.slope)))
    least = LEAST_STRENGTH * max(usual, float(np.median(np.maximum(slope, 0.0))))
    return np.asarray((slope > least) & (slope > LEAST_OVER_NOISE * noise))

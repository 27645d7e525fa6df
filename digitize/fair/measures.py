"""What a builder asks of the body first: length, bouts, waist, perimeter, area, tightest bend."""

from __future__ import annotations

import numpy as np

from calibration.frames import FloatArray
from digitize import arcs
from digitize.curve import arc_length, resample
from digitize.shapes import BodyMeasures, FairOutline

# Widths are taken from the arcs drawn out this densely, in bands this high.
WIDTH_STEP_MM, WIDTH_BAND_MM = 0.04, 0.1
FLATTEN_MM = 1e-5
# A narrowing less deep than this is no waist.
LEAST_WAIST_MM = 1.0
# A width's place along the body is the top of a parabola over this reach.
PLACE_REACH_MM = 4.0
# A radius is that of the longest arc that follows the curve within this.
RADIUS_WITHIN_MM = 0.008
RADIUS_STEP_MM = 0.5
RADIUS_REACH_MM = (2.0, 3.0, 4.5, 6.5, 10.0, 15.0, 22.0, 33.0)
STRAIGHT_MM = 1e6
# A hollow flatter than this is none to a tool.
FLAT_MM = 2000.0


def _profile(fair: FairOutline) -> tuple[FloatArray, FloatArray]:
    """Return heights (B,) and the body's width (B,) at each, mm."""
    xy = resample(arcs.flatten(fair.path, FLATTEN_MM), WIDTH_STEP_MM, closed=True)
    band = np.floor((xy[:, 1] - xy[:, 1].min()) / WIDTH_BAND_MM).astype(np.int64)
    high, low = np.full(band.max() + 1, -np.inf), np.full(band.max() + 1, np.inf)
    np.maximum.at(high, band, xy[:, 0])
    np.minimum.at(low, band, xy[:, 0])
    y = xy[:, 1].min() + (np.arange(len(high)) + 0.5) * WIDTH_BAND_MM
    return y, high - low


def _place(y: FloatArray, width: FloatArray, index: int) -> float:
    """Return the height of the extreme width near ``index``."""
    reach = round(PLACE_REACH_MM / WIDTH_BAND_MM)
    near = slice(max(index - reach, 0), index + reach + 1)
    a, b, _ = np.polyfit(y[near] - y[index], width[near], 2)
    shift = -b / (2.0 * a) if a != 0 else 0.0
    return float(y[index] + (shift if abs(shift) <= PLACE_REACH_MM else 0.0))


def _waist(width: FloatArray) -> int | None:
    """Return the band of the deepest narrowing between two wider parts."""
    below = np.maximum.accumulate(width)
    above = np.maximum.accumulate(width[::-1])[::-1]
    depth = np.minimum(below, above) - width
    index = int(np.argmax(depth))
    return index if depth[index] >= LEAST_WAIST_MM else None


def _runs(fair: FairOutline) -> list[FloatArray]:
    """Return the dense points cut at the corners; without corners the loop overlaps itself."""
    xy = fair.points.xy
    if not fair.corners:
        return [np.vstack([xy, xy[: len(xy) // 4]])]
    cut = sorted(int(np.argmin(np.hypot(*(xy - np.array(c[:2])).T))) for c in fair.corners)
    ring = np.vstack([xy, xy])
    return [ring[a : b + 1] for a, b in zip(cut, [*cut[1:], cut[0] + len(xy)], strict=True)]


def _curvatures(run: FloatArray) -> FloatArray:
    """Return the curvature along a run, each over the longest arc that follows the curve there, 1/mm, left turns +."""
    xy = resample(run, RADIUS_STEP_MM, closed=False)
    heading = np.unwrap(np.arctan2(*np.diff(xy, axis=0).T[::-1]))
    step = arc_length(xy, closed=False)[-1] / (len(xy) - 1)
    best = np.full(len(heading), np.nan)
    for reach in RADIUS_REACH_MM:
        m = round(reach / step)
        if 2 * m + 1 > len(heading):
            break
        window = np.lib.stride_tricks.sliding_window_view(heading, 2 * m + 1)
        at = np.arange(-m, m + 1) * step
        slope = window @ at / (at @ at)
        off = window - window.mean(axis=1, keepdims=True) - slope[:, None] * at
        drift = np.cumsum(off, axis=1) * step
        good = np.ptp(drift, axis=1) / 2.0 <= RADIUS_WITHIN_MM
        # Near the run's ends the last whole window speaks for all of its points.
        good, slope = np.pad(good, m, mode="edge"), np.pad(slope, m, mode="edge")
        best = np.where(good | np.isnan(best), slope, best)
    return np.asarray(best[np.isfinite(best)])


def _least_radii(fair: FairOutline) -> tuple[float, float | None]:
    """Return the smallest radius where the body bulges, and where it is hollow; None where it nowhere is."""
    curvature = np.concatenate([_curvatures(run) for run in _runs(fair)])
    outside = float(1.0 / max(curvature.max(initial=0.0), 1.0 / STRAIGHT_MM))
    hollow = float(-curvature.min(initial=0.0))
    return outside, 1.0 / hollow if hollow > 1.0 / FLAT_MM else None


def _side(fair: FairOutline) -> float:
    """Return the length of the longer side from tail to neck, mm."""
    found = arcs.crossings(fair.path)
    if len(found) != 2:
        return arcs.arc_length(fair.path) / 2.0
    runs = (arcs.run_between(fair.path, found[a], found[b]) for a, b in ((0, 1), (1, 0)))
    return max(arcs.arc_length(run) for run in runs)


def measure(fair: FairOutline) -> BodyMeasures:
    """Return the body's measures, taken on its arcs; body frame, mm and mm2."""
    _, bottom, _, top = arcs.extents(fair.path)
    y, width = _profile(fair)
    waist = _waist(width)
    lower = int(np.argmax(width if waist is None else width[:waist]))
    outside, inside = _least_radii(fair)
    upper = None if waist is None else waist + int(np.argmax(width[waist:]))
    return BodyMeasures(
        length_mm=top - bottom,
        lower_bout_mm=float(width[lower]),
        waist_mm=None if waist is None else float(width[waist]),
        upper_bout_mm=None if upper is None else float(width[upper]),
        lower_bout_y_mm=_place(y, width, lower),
        waist_y_mm=None if waist is None else _place(y, width, waist),
        upper_bout_y_mm=None if upper is None else _place(y, width, upper),
        perimeter_mm=arcs.arc_length(fair.path),
        area_mm2=abs(arcs.signed_area(fair.path)),
        min_radius_mm=min(outside, inside or outside),
        outside_radius_mm=outside,
        inside_radius_mm=inside,
        side_mm=_side(fair),
    )

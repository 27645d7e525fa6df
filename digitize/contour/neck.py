"""Which end of the body the neck leaves from: the neck's own edges are drawn beyond it."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.lines import LongLine
from digitize.contour.loops import Way
from digitize.contour.network import Network

# The neck's edges run this nearly along the axis and this far from it.
ALONG_DEG, OFF_AXIS_MM = 6.0, (6.0, 50.0)
# A neck's edge meets the outline this nearly; other lines pass it by.
MEET_MM = 1.5
# Less line than this beyond an end is no neck; more than this share of it beyond the other end is no evidence.
LEAST_NECK_MM, OTHER_SHARE = 20.0, 0.34
# A line that goes on inside for more than this part of the body's length is no end of a neck.
LONGEST_INSIDE, STEP_MM = 0.5, 0.5


def neck_direction(network: Network, way: Way, lines: tuple[LongLine, ...]) -> FloatArray | None:
    """Return the unit vector (mm, y down) from the tail towards the neck, or None when nothing tells."""
    if not lines:
        return None
    line = min(lines, key=lambda one: _off_middle(one, way))
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    place = way.xy @ along
    middle = (float(place.min()) + float(place.max())) / 2.0
    own = {stroke for stroke, _ in way.darts}
    outline, region = cKDTree(way.xy), way.polygon()
    outside, inside = np.zeros(2), np.zeros(2)
    for stroke, xy in enumerate(network.lines):
        if stroke in own or not _runs_along(xy, along):
            continue
        away, _ = outline.query(xy)
        off = abs(float(np.mean((xy - line.start) @ normal)))
        if not OFF_AXIS_MM[0] < off < OFF_AXIS_MM[1] or away.min() > MEET_MM:
            continue
        end = int(xy[np.argmin(away)] @ along > middle)
        out_mm, in_mm = _outside_inside(xy, region)
        outside[end] += out_mm
        inside[end] += in_mm if in_mm < LONGEST_INSIDE * np.ptp(place) else 0.0
    # Where the scan ends at the body, the neck's edges show inside it only.
    seen = outside if outside.max() >= LEAST_NECK_MM / 2 else inside
    if seen.max() < LEAST_NECK_MM or seen.min() > OTHER_SHARE * seen.max():
        return None
    return np.asarray(along if seen[1] > seen[0] else -along)


def _off_middle(line: LongLine, way: Way) -> float:
    """Return how far the middle of the body lies from a line; a half's middle lies off its own centerline."""
    along = (line.end - line.start) / line.length_mm
    return abs(float((way.xy.mean(axis=0) - line.start) @ np.array([-along[1], along[0]])))


def _runs_along(xy: FloatArray, along: FloatArray) -> bool:
    step = xy[-1] - xy[0]
    length = float(np.hypot(*step))
    return bool(length > LEAST_NECK_MM / 2 and abs(step @ along) > np.cos(np.radians(ALONG_DEG)) * length)


def _outside_inside(xy: FloatArray, region: Polygon) -> tuple[float, float]:
    """Return how much of a stroke lies outside and inside the body, mm.

    The end of a body with horns lies between them, so it is the outline that tells, not how far the body reaches.
    """
    points = resample(xy, STEP_MM, closed=False)
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    share = float(np.mean(shapely.contains_xy(region, points[:, 0], points[:, 1])))
    return length * (1.0 - share), length * share

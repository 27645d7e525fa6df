"""Which end of the body the neck leaves from: the neck's own edges are drawn beyond it."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from calibration.frames import FloatArray
from digitize.contour.lines import LongLine
from digitize.contour.loops import Way
from digitize.contour.network import Network

# The neck's edges run this nearly along the axis, this far from it, and start this near the body's end.
ALONG_DEG, OFF_AXIS_MM, START_MM = 6.0, (6.0, 50.0), 12.0
# A neck's edge meets the outline this nearly; other lines pass it by.
MEET_MM = 1.5
# Less line than this beyond an end is no neck; more than this share of it beyond the other end is no evidence.
LEAST_NECK_MM, OTHER_SHARE = 20.0, 0.34


def neck_direction(network: Network, way: Way, lines: tuple[LongLine, ...]) -> FloatArray | None:
    """Return the unit vector (mm, y down) from the tail towards the neck, or None when nothing tells."""
    if not lines:
        return None
    line = min(lines, key=lambda one: _off_middle(one, way))
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    place = way.xy @ along
    ends = float(place.min()), float(place.max())
    own = {stroke for stroke, _ in way.darts}
    beyond, inside = np.zeros(2), np.zeros(2)
    outline = cKDTree(way.xy)
    for stroke, xy in enumerate(network.lines):
        if stroke in own or not _runs_along(xy, along):
            continue
        off = abs(float(np.mean((xy - line.start) @ normal)))
        if OFF_AXIS_MM[0] < off < OFF_AXIS_MM[1] and outline.query(xy)[0].min() < MEET_MM:
            beyond += _beyond_ends(xy @ along, ends)
            inside += _inside_ends(xy @ along, ends)
    # Where the scan ends at the body, the neck's edges show inside it only.
    seen = beyond if beyond.max() >= LEAST_NECK_MM / 2 else inside
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


def _beyond_ends(place: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """Return how much of a stroke lies beyond the low and the high end, where it starts near that end."""
    low, high = float(place.min()), float(place.max())
    before = max(0.0, ends[0] - low) if abs(high - ends[0]) < START_MM or low < ends[0] < high else 0.0
    after = max(0.0, high - ends[1]) if abs(low - ends[1]) < START_MM or low < ends[1] < high else 0.0
    return np.array([before, after])


def _inside_ends(place: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """Return how much of a stroke that starts at the low or the high end lies inside the body."""
    low, high = float(place.min()), float(place.max())
    if low < ends[0] - START_MM or high > ends[1] + START_MM or high - low > 0.5 * (ends[1] - ends[0]):
        return np.zeros(2)
    return np.array([high - low if low < ends[0] + START_MM else 0.0, high - low if high > ends[1] - START_MM else 0.0])

"""Bodies that are plain rectangles: told from borders by the centerline drawn through them, and never half of one.

A border, a table or a sheet's own edge is a rectangle too, and far commoner. What no border has is a line along its
middle that goes on beyond it, as centerlines do (ISO 128-2, from memory: they extend beyond the outline).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.frames import FloatArray
from digitize.contour.lines import LongLine
from digitize.contour.loops import Way, rectangular
from digitize.contour.network import Network

OFF_MIDDLE = 0.02  # of the box's width
TURNED_RAD = 0.035
BEYOND_MM = 3.0  # on one side at least, as far as centerlines are drawn beyond what they halve
ON_LINE_MM, OWN_PEN = 0.8, 0.35
MOST_INSIDE = 0.85  # of its area: the lining of a box, and a box's own half, fill more
EVEN, EVEN_MM = 0.02, 3.0  # what of its area, and how much of its width, a whole body's halves may differ by
RINGS_MM = 15.0  # between the lines of a double border
LEAST_BEYOND_MM = 1.5  # from a half's line to another one beyond it
DRAWN = 0.85  # of the way from one to the other
INKED = 0.6  # of the line between a half's ends


def is_box(way: Way, lines: Sequence[LongLine]) -> bool:
    """Whether a closed way that is nearly a rectangle has a centerline: along its middle and out of it."""
    if not rectangular(way):
        return False
    ring = way.xy
    least = way.polygon().minimum_rotated_rectangle
    middle = np.array(least.centroid.coords[0])
    for line in lines:
        along = (line.end - line.start) / line.length_mm
        normal = np.array([-along[1], along[0]])
        wide, long = np.ptp(ring @ normal), np.ptp(ring @ along)
        # a rectangle is as wide across its own centerline as its sides are, not more
        turned = wide * long > least.area * (1.0 + TURNED_RAD)
        beside = abs(float((middle - line.start) @ normal)) > OFF_MIDDLE * wide
        low, high = float((ring @ along).min()), float((ring @ along).max())
        ends = sorted((float(line.start @ along), float(line.end @ along)))
        reaches = ends[0] < low + BEYOND_MM and ends[1] > high - BEYOND_MM
        beyond = max(low - ends[0], ends[1] - high) > BEYOND_MM
        if not turned and not beside and reaches and beyond:
            return True
    return False


def rings(way: Way, others: Sequence[Way]) -> list[Way]:
    """Return the other closed ways, rectangles too, along which a nearly rectangular way or half goes all the way."""
    boxes = (other for other in others if other is not way and other.closed and rectangular(other))
    return [box for box in boxes if cKDTree(box.xy).query(way.xy)[0].max() < RINGS_MM]


def halved(way: Way, lines: Sequence[LongLine]) -> bool:
    """Whether a line goes through a closed way and out of it that one side of it is the mirror image of the other in.

    That is a whole body with its centerline, however straight a side of it may be.
    """
    region = way.polygon()
    for line in lines:
        along = (line.end - line.start) / line.length_mm
        normal = np.array([-along[1], along[0]])
        place, off = ((way.xy - line.start) @ np.column_stack([along, normal])).T
        low, high = float(place.min()), float(place.max())
        reaches = low + BEYOND_MM > 0.0 and high - BEYOND_MM < line.length_mm
        if not reaches or max(low, line.length_mm - high) < BEYOND_MM or abs(off.min() + off.max()) > EVEN_MM:
            continue
        mirrored = Polygon(way.xy - 2.0 * off[:, None] * normal).buffer(0.0)
        if region.symmetric_difference(mirrored).area < EVEN * region.area:
            return True
    return False


def frames(way: Way, half: Way) -> bool:
    """Whether a way is a rectangle that half a body lies in, with room beside it: its border."""
    if not rectangular(way):
        return False
    region, inner = way.polygon(), half.polygon()
    return bool(inner.area < MOST_INSIDE * region.area and region.buffer(1.0).contains(inner))


def closed_by_its_own_pen(half: Way, line: LongLine, lines: Sequence[LongLine], network: Network) -> bool:
    """Whether a half that is three sides of a box goes on along its line with the same pen, and ends there.

    Then it is a whole rectangle, body or border, and which of its sides would be the centerline nobody can tell; or a
    side view, which may taper, but has the line of its lining along that side.
    """
    if not rectangular(half) and not any(True for _ in _parallels(half, line, lines, inside=True)):
        return False
    along = (line.end - line.start) / line.length_mm
    ends = sorted(((half.xy[0] - line.start) @ along, (half.xy[-1] - line.start) @ along))
    if ends[0] > BEYOND_MM or line.length_mm - ends[1] > BEYOND_MM:
        return False  # a centerline that goes on beyond
    own = {stroke for stroke, _ in half.darts}
    return _inked_alike(half, line, network, own, ends)


def closed_beyond(half: Way, line: LongLine, lines: Sequence[LongLine], inked: cKDTree) -> bool:
    """Whether a half goes on across its line at both ends to another line, parallel, close by and no longer than it is.

    Then both are lines of one closed thing: a side view with its lining. ``inked`` holds all points of strokes.
    """
    return any(
        all(map(inked_between, ends, far, [inked, inked])) for ends, far in _parallels(half, line, lines, inside=False)
    )


def _parallels(
    half: Way, line: LongLine, lines: Sequence[LongLine], *, inside: bool
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Return both ends of a half, and those of each line that is parallel to its own, close by and as long."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    ends = half.xy[[0, -1]] if (half.xy[-1] - half.xy[0]) @ along > 0.0 else half.xy[[-1, 0]]
    side = float(np.sign(np.median((half.xy - line.start) @ normal))) * (1.0 if inside else -1.0)
    for other in lines:
        way = (other.end - other.start) / other.length_mm
        far = np.array([other.start, other.end] if way @ along > 0.0 else [other.end, other.start])
        off = side * ((far - line.start) @ normal)
        near = off.min() > LEAST_BEYOND_MM and off.max() < RINGS_MM
        if abs(way @ normal) < TURNED_RAD and near and np.abs((far - ends) @ along).max() < RINGS_MM:
            yield ends, far


def inked_between(start: FloatArray, end: FloatArray, inked: cKDTree) -> bool:
    """Whether nearly all of the way from one place to another, straight, is drawn."""
    count = max(2, int(np.hypot(*(end - start)) / 0.3))
    places = start + np.linspace(0.0, 1.0, count)[:, None] * (end - start)
    return bool(np.mean(inked.query(places)[0] < ON_LINE_MM) > DRAWN)


def _inked_alike(half: Way, line: LongLine, network: Network, own: set[int], ends: list[FloatArray]) -> bool:
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    length = 0.0
    for stroke, points in enumerate(network.lines):
        if stroke in own or np.median(np.abs((points - line.start) @ normal)) > ON_LINE_MM:
            continue
        if abs(np.log(network.weights[stroke] / half.weight)) < OWN_PEN:
            length += float(np.ptp((points - line.start) @ along))
    return bool(length > INKED * (ends[1] - ends[0]))

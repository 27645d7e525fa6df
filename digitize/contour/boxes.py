"""Bodies that are plain rectangles: told from borders by the centerline drawn through them, and never half of one.

A border, a table or a sheet's own edge is a rectangle too, and far commoner. What no border has is a line along its
middle that goes on beyond it, as centerlines do (ISO 128-2, from memory: they extend beyond the outline).
"""

from __future__ import annotations

from collections.abc import Sequence

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


def closed_by_its_own_pen(half: Way, line: LongLine, network: Network) -> bool:
    """Whether a half that is three sides of a rectangle goes on along its line with the same pen, and ends there.

    Then it is a whole rectangle, body or border, and which of its sides would be the centerline nobody can tell.
    """
    if not rectangular(half):
        return False
    along = (line.end - line.start) / line.length_mm
    ends = sorted(((half.xy[0] - line.start) @ along, (half.xy[-1] - line.start) @ along))
    if ends[0] > BEYOND_MM or line.length_mm - ends[1] > BEYOND_MM:
        return False  # a centerline that goes on beyond
    own = {stroke for stroke, _ in half.darts}
    return _inked_alike(half, line, network, own, ends)


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

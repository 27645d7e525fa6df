"""Which end of the body the neck leaves from: the neck's own edges are drawn beyond it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.frames import BoolArray, FloatArray
from digitize.contour.band import resample
from digitize.contour.lines import LongLine
from digitize.contour.loops import Way
from digitize.contour.network import Arm, Network

# The neck's edges run this nearly along the axis and this far from it.
ALONG_DEG, OFF_AXIS_MM = 6.0, (6.0, 50.0)
# A neck's edge meets the outline this nearly; other lines pass it by.
MEET_MM = 1.5
# Less line than this beyond an end is no neck; more than this share of it beyond the other end is no evidence.
LEAST_NECK_MM, OTHER_SHARE = 20.0, 0.34
# A line that goes on inside for more than this part of the body's length is no end of a neck.
LONGEST_INSIDE, STEP_MM = 0.5, 0.5
# Where less paper than this is left beyond the body no neck can show there.
CROPPED_MM = 20.0


def neck_ends(network: Network, way: Way, lines: tuple[LongLine, ...], page_mm: tuple[float, float]) -> tuple[int, ...]:
    """Return where a neck's edges show: at the end of each line (+1), at its start (-1), or that nothing tells (0).

    Which of the lines is the body's axis is decided elsewhere; braces and dimension lines run through a body too.
    A scan of ``page_mm`` may end at the body: there the neck's edges show inside it only.
    """
    own = {stroke for stroke, _ in way.darts}
    region, outline = way.polygon(), cKDTree(way.xy)
    near, nodes = _near_outline(network, outline), {node for stroke in own for node in network.ends[stroke]}
    rest = (stroke for stroke in range(len(network.lines)) if stroke not in own)
    meeting = (stroke for stroke in rest if near[stroke] or not nodes.isdisjoint(network.ends[stroke]))
    met = [xy for stroke in meeting for xy in _met(network, stroke, outline, nodes)]
    return tuple(_told(_shown(line, met, way, outline, region), _cropped(line, way, page_mm)) for line in lines)


def _near_outline(network: Network, outline: cKDTree) -> BoolArray:
    """Return of every stroke whether any of its points is at the outline."""
    lengths = [len(line) for line in network.lines]
    away, _ = outline.query(np.concatenate(network.lines), distance_upper_bound=MEET_MM)
    return np.asarray(np.add.reduceat(away < MEET_MM, np.cumsum([0, *lengths[:-1]])) > 0)


def _met(network: Network, stroke: int, outline: cKDTree, own_nodes: set[int]) -> list[FloatArray]:
    """Return the lines that lead away from the outline along a stroke: from an end at it, on through what crosses them.

    A stroke that only passes the outline is one such line as it is. Where several lines meet, the outline's middle may
    lie further off than where its own strokes end.
    """
    line, nodes = network.lines[stroke], network.ends[stroke]
    ends = [nodes[n] in own_nodes or outline.query(line[place])[0] < MEET_MM for n, place in ((0, 0), (1, -1))]
    if any(ends) and not network.closed[stroke]:
        return [network.reach(Arm(stroke, nodes[n], n == 0)) for n in (0, 1) if ends[n]]
    return [line] if outline.query(line)[0].min() < MEET_MM else []


def _told(edges: _Edges, cropped: FloatArray) -> int:
    """Return the end that the edges tell, +1 or -1, or 0; inside the body they count at cropped ends only."""
    seen = edges.outside if edges.outside.max() >= LEAST_NECK_MM / 2 else edges.inside * cropped
    if seen.max() < LEAST_NECK_MM or seen.min() > OTHER_SHARE * seen.max():
        return 0
    return 1 if seen[1] > seen[0] else -1


def _cropped(line: LongLine, way: Way, page_mm: tuple[float, float]) -> FloatArray:
    """Return 1 for each end of the body, at the start and the end of a line, that the page ends at; else 0."""
    along = (line.end - line.start) / line.length_mm
    place = way.xy @ along
    tips = way.xy[[int(place.argmin()), int(place.argmax())]]
    room = np.minimum(tips, np.array(page_mm) - tips).min(axis=1)
    return np.asarray(room < CROPPED_MM, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Edges:
    """How much of lines like a neck's edges shows at the start and at the end of an axis, mm."""

    outside: FloatArray  # (2,)
    inside: FloatArray  # (2,)


def _shown(line: LongLine, met: list[FloatArray], way: Way, outline: cKDTree, region: Polygon) -> _Edges:
    """Return what shows of a neck's edges along one line; ``met`` are strokes that meet the outline."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    place = way.xy @ along
    middle = (float(place.min()) + float(place.max())) / 2.0
    shown = np.zeros((2, 2, 2))  # outside or inside, start or end, left or right
    for xy in met:
        off = float(np.mean((xy - line.start) @ normal))
        if not _runs_along(xy, along) or not OFF_AXIS_MM[0] < abs(off) < OFF_AXIS_MM[1]:
            continue
        end = int(xy[np.argmin(outline.query(xy)[0])] @ along > middle)
        out_mm, in_mm = _outside_inside(xy, region)
        shown[:, end, int(off > 0)] += out_mm, in_mm if in_mm < LONGEST_INSIDE * np.ptp(place) else 0.0
    # A neck has an edge on both sides of its axis, or on the one side drawn; a string has the centerline on one only.
    outside, inside = 2.0 * (shown.min(axis=2) if way.closed else shown.max(axis=2))
    return _Edges(outside, inside)


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

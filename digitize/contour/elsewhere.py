"""Curved lines elsewhere on the sheet: where they make something larger than the outline, a body may have been missed.

A body whose line is faint, broken or overdrawn again and again makes no closed way, and a smaller drawing beside it may
make a clear one.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry import MultiPoint

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, IntArray
from digitize.contour.loops import FRAME_FILL, Way
from digitize.contour.network import Network
from digitize.shapes import OutlineHints

# Lines at least this heavy, the outline being 1, and this long count; letters are shorter.
LEAST_WEIGHT, LEAST_MM = 0.25, 5.0
# What lies nearer to the outline than this is part of it, or follows it.
NEAR_MM = 8.0
# Lines go on from one another where ends are this near, head towards each other to this, and have this direction.
LINK_MM, TOUCH_MM, LINK_DEG, END_MM = 12.0, 2.0, 25.0, 4.0
# A stroke that leaves its chord by more than this, and than this part of its length, bends.
BEND_MM, BEND_SHARE = 0.6, 0.006


def bends(points: FloatArray) -> bool:
    """Return whether a stroke (N, 2), mm, is anything but a straight line."""
    chord = points[-1] - points[0]
    length = float(np.hypot(*chord))
    if length < 1.0:
        return True
    off = (points - points[0]) @ np.array([-chord[1], chord[0]]) / length
    return bool(np.ptp(off) > max(BEND_MM, BEND_SHARE * length))


def curves_elsewhere(way: Way, network: Network, px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt a way where lines elsewhere, going on from one another, are longer than it and bend round more.

    Args:
        way: the outline chosen, still rough.
        network: all strokes.
        px_per_mm: of the picture.
        hints: what the person said; one who pointed to the body is not asked again.
    """
    if hints.near is not None or hints.through:
        return ()
    strokes = _outside(way, network)
    if len(strokes) < 2:
        return ()
    length = np.array([network.length_mm(stroke) for stroke in strokes])
    own = sum(network.length_mm(stroke) for stroke, _ in way.darts)
    group = _linked([network.lines[stroke] for stroke in strokes])
    for number in np.unique(group):
        members = np.flatnonzero(group == number)
        points = np.concatenate([network.lines[strokes[k]] for k in members])
        if length[members].sum() < own or _bent_round_mm2(points) < way.polygon().convex_hull.area:
            continue
        longest = network.lines[strokes[members[np.argmax(length[members])]]]
        return (doubt("curves-elsewhere", place=f"({hints.place(longest[len(longest) // 2] * px_per_mm)})"),)
    return ()


def _bent_round_mm2(points: FloatArray) -> float:
    """Return what lines bend round; nothing where they make a frame, whose corners one stroke may go round."""
    hull = MultiPoint(points).convex_hull
    return 0.0 if hull.area > FRAME_FILL * hull.minimum_rotated_rectangle.area else float(hull.area)


def _outside(way: Way, network: Network) -> list[int]:
    """Return the strokes that lie outside a way, long and heavy enough to be a body's; closed ones were ways."""
    own = [stroke for stroke, _ in way.darts]
    often = [max(1, round(network.length_mm(stroke))) for stroke in own]
    least = LEAST_WEIGHT * float(np.median(np.repeat(network.weights[own], often)))
    region = way.polygon()
    shapely.prepare(region)
    return [
        stroke
        for stroke, points in enumerate(network.lines)
        if stroke not in own
        and not network.closed[stroke]
        and network.length_mm(stroke) >= LEAST_MM
        and network.weights[stroke] >= least
        and shapely.dwithin(region, shapely.points(points), NEAR_MM).mean() < 0.5
    ]


def _linked(lines: list[FloatArray]) -> IntArray:
    """Return the group (N,) of each line: those that go on from one another smoothly are one, corners end it."""
    ends = np.array([end for line in lines for end in (line[0], line[-1])])
    heading = np.array([way for line in lines for way in (_outward(line[::-1]), _outward(line))])
    pairs = np.array([*cKDTree(ends).query_pairs(LINK_MM)], dtype=np.int64).reshape(-1, 2)
    a, b = pairs.T
    gap = ends[b] - ends[a]
    far = np.hypot(*gap.T)
    least = np.cos(np.radians(LINK_DEG))
    turned = -np.einsum("ij,ij->i", heading[a], heading[b]) > least
    toward = np.minimum(np.einsum("ij,ij->i", heading[a], gap), -np.einsum("ij,ij->i", heading[b], gap)) > least * far
    a, b = pairs[turned & (toward | (far < TOUCH_MM))].T // 2
    table = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(lines), len(lines)))
    return np.asarray(connected_components(table, directed=False)[1], dtype=np.int64)


def _outward(line: FloatArray) -> FloatArray:
    """Return the unit direction in which a line (N, 2) leaves its last point."""
    away = line[-1] - line[max(0, int(np.searchsorted(-np.hypot(*(line - line[-1]).T), -END_MM)))]
    return np.asarray(away / max(float(np.hypot(*away)), 1e-9))

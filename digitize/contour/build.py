"""From the strokes of a page to the network: small marks left out, meetings merged, strokes cut where they turn."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from scipy.spatial import cKDTree

from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.dash_page import StrokeEnd
from digitize.contour.dashes import Dashes, dashes_between, without_ends
from digitize.contour.gaps import find_gaps
from digitize.contour.measure import find_corners
from digitize.contour.network import Arm, Network
from digitize.contour.weight import pen_changes, stroke_weights
from digitize.shapes import Ink, Picture

Polygons = tuple[tuple[tuple[float, float], ...], ...]

# Strokes of marks smaller than this across (text, arrow heads, graduations) are no part of an outline.
LEAST_MARK_MM = 12.0
# Junctions nearer than this belong to one meeting.
MEETING_MM = 0.8
# ... but a meeting is never wider than so many times that.
WIDEST_MEETING = 6.0
LEAST_WEIGHT_MM = 0.01
# A stroke that turns this much within this distance each side is cut there.
BEND_DEG, BEND_REACH_MM, BEND_STEP_MM = 60.0, 1.6, 0.25


def build_network(picture: Picture, ink: Ink, px_per_mm: float, ignore: Polygons = ()) -> Network:
    """Return the network of all strokes that could be part of an outline.

    Strokes that lie mostly in one of the ``ignore`` polygons (px) are left out.
    """
    keep = _large_marks(ink, px_per_mm)
    dashes = dashes_between(picture.grey, ink, keep, px_per_mm)
    keep = [n for n in sorted({*keep, *dashes.strokes}) if not _ignored(ink.strokes[n].points.xy, ignore)]
    node_group = _merge_meetings(ink, keep, px_per_mm)
    network = Network([], np.zeros(0), [], [])
    fresh = len(node_group)
    ends: dict[StrokeEnd, Arm] = {}
    lines_px = {index: ink.strokes[index].points.xy for index in keep if not ink.strokes[index].closed}
    pens = dict(zip(lines_px, pen_changes(picture.grey, list(lines_px.values()), px_per_mm), strict=True))
    for index in keep:
        stroke = ink.strokes[index]
        line = stroke.points.xy / px_per_mm
        if index in dashes.strokes:
            line = without_ends(line)
        if _is_spur(stroke.nodes, node_group, line, network):
            continue
        if stroke.closed:
            network.add(line, (-1, -1))
            continue
        cuts = sorted({*_sharp_bends(line), *pens[index]})
        nodes = [int(node_group[stroke.nodes[0]]), *range(fresh, fresh + len(cuts)), int(node_group[stroke.nodes[1]])]
        fresh += len(cuts)
        parts = [network.add(*piece) for piece in zip(_parts(line, cuts), itertools.pairwise(nodes), strict=True)]
        ends |= {(index, True): Arm(parts[0], nodes[0], True), (index, False): Arm(parts[-1], nodes[-1], False)}
    weights = stroke_weights(picture.grey, [line * px_per_mm for line in network.lines], px_per_mm)
    network.weights = np.maximum(weights, LEAST_WEIGHT_MM)
    _drop_free_spurs(network)
    find_gaps(network)
    _link(network, dashes, ends)
    return network


def _link(network: Network, dashes: Dashes, ends: dict[StrokeEnd, Arm]) -> None:
    """Say which dashes go on as which; of two ways to tell it, one straight on counts before one round a corner."""
    there = {number for number, _ in ends}
    links = [link for stretch in dashes.stretches for link in stretch.links(there)]
    for one, other, corner in sorted(links, key=lambda link: link[2] is None):
        network.link(ends[one], ends[other], corner)


def _sharp_bends(line: FloatArray) -> list[int]:
    """Return the points where a stroke turns a sharp corner: two lines may end on each other there."""
    if np.hypot(*np.diff(line, axis=0).T).sum() < 4 * BEND_REACH_MM:
        return []
    even = resample(line, BEND_STEP_MM, closed=False)
    bends = find_corners(even, round(BEND_REACH_MM / BEND_STEP_MM), closed=False, least_deg=BEND_DEG)
    _, nearest = cKDTree(line).query(even[bends].reshape(-1, 2))
    return sorted({int(n) for n in nearest if 3 < n < len(line) - 4})


def _parts(line: FloatArray, cuts: list[int]) -> list[FloatArray]:
    return [line[first : last + 1] for first, last in itertools.pairwise([0, *cuts, len(line) - 1])]


def _ignored(points_px: FloatArray, ignore: Polygons) -> bool:
    rings = [np.array(ring, dtype=np.float32) for ring in ignore]
    samples = points_px[:: max(1, len(points_px) // 20)]
    for ring in rings:
        inside = [cv2.pointPolygonTest(ring, (float(x), float(y)), False) >= 0 for x, y in samples]
        if np.mean(inside) > 0.5:
            return True
    return False


def _is_spur(nodes: tuple[int, int], group: FloatArray, line: FloatArray, network: Network) -> bool:
    """A short stroke inside one meeting carries no direction."""
    if nodes[0] < 0:
        return False
    size = float(np.hypot(*(line.max(axis=0) - line.min(axis=0))))
    return bool(group[nodes[0]] == group[nodes[1]] and size < 3 * MEETING_MM)


def _drop_free_spurs(network: Network) -> None:
    """Forget whiskers: short strokes with a free end."""
    for node, arms in list(network.arms.items()):
        if len(arms) == 1 and network.length_mm(arms[0].stroke) < 1.5 * MEETING_MM:
            stroke = arms[0].stroke
            other = network.ends[stroke][1 if arms[0].start else 0]
            if len(network.arms.get(other, [])) > 2:
                network.arms[other] = [arm for arm in network.arms[other] if arm.stroke != stroke]
                del network.arms[node]


def _large_marks(ink: Ink, px_per_mm: float) -> list[int]:
    """Return the strokes that belong to connected marks of some size, or are long themselves."""
    parent = np.arange(len(ink.junctions) + 1)

    def root(node: int) -> int:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = int(parent[node])
        return node

    for stroke in ink.strokes:
        if stroke.nodes[0] >= 0:
            parent[root(stroke.nodes[0])] = root(stroke.nodes[1])
    low: dict[int, FloatArray] = {}
    high: dict[int, FloatArray] = {}
    groups = []
    for number, stroke in enumerate(ink.strokes):
        group = root(stroke.nodes[0]) if stroke.nodes[0] >= 0 else -1 - number
        groups.append(group)
        least, most = stroke.points.xy.min(axis=0), stroke.points.xy.max(axis=0)
        low[group] = np.minimum(low.get(group, least), least)
        high[group] = np.maximum(high.get(group, most), most)
    alone = np.bincount(np.array([group for group in groups if group >= 0], dtype=np.int64), minlength=1) == 1
    least = LEAST_MARK_MM * px_per_mm

    def large(group: int) -> bool:
        sides = high[group] - low[group]
        slant = float(np.hypot(*sides)) if group >= 0 and alone[group] else 0.0  # of a line by itself
        return bool(max(float(sides.max()), slant) >= least)

    return [n for n, group in enumerate(groups) if large(group)]


def _merge_meetings(ink: Ink, keep: list[int], px_per_mm: float) -> FloatArray:
    """Return the meeting of every node: nodes joined by very short strokes are one."""
    group = np.arange(len(ink.junctions))

    def root(node: int) -> int:
        while group[node] != node:
            group[node] = group[group[node]]
            node = int(group[node])
        return node

    reach = max(MEETING_MM, 1.2 * ink.line_width_px / px_per_mm) * px_per_mm
    low = dict(enumerate(ink.junctions.xy))
    high = dict(low)
    for index in keep:
        stroke = ink.strokes[index]
        if stroke.nodes[0] < 0 or np.ptp(stroke.points.xy, axis=0).max() >= reach:
            continue
        one, other = root(stroke.nodes[0]), root(stroke.nodes[1])
        least, most = np.minimum(low[one], low[other]), np.maximum(high[one], high[other])
        # Handwriting and hatching are chains of short strokes: they are no single meeting.
        if (most - least).max() < WIDEST_MEETING * reach:
            group[one] = other
            low[other], high[other] = least, most
    return np.array([root(node) for node in range(len(group))])

"""The strokes as a network: which stroke may follow which, and at what cost.

Good continuation: two strokes that meet belong together when one cubic runs through
both over some 20 mm each side of the meeting, which compares place, tangent and
curvature at once. Everything here is in millimetres on a sheet whose axes are still the
picture's (the calibration's exact form matters only to the final measurement).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.spatial import cKDTree

from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.continuation import (
    ARM_MM,
    CORNER_DEG,
    MISFIT_MM,
    beyond,
    direction,
    joint_misfit_mm,
    misfit,
)
from digitize.contour.measure import find_corners
from digitize.contour.weight import stroke_weights
from digitize.shapes import Ink, Picture

Polygons = tuple[tuple[tuple[float, float], ...], ...]

# Strokes of marks smaller than this across (text, arrow heads, graduations) are no part of an outline.
LEAST_MARK_MM = 12.0
# Junctions nearer than this belong to one meeting.
MEETING_MM = 0.8
# ... but a meeting is never wider than so many times that.
WIDEST_MEETING = 6.0
CORNER_COST, SMOOTH_COST, GAP_COST, GAP_COST_PER_MM, LENGTH_COST_PER_MM = 6.0, 0.05, 1.0, 0.2, 0.0005
# A corner where nothing else goes on; how fast a corner gets cheaper as the ways to go on get dearer.
LONE_CORNER_COST, CORNER_FADE = 0.3, 1.0
# Pieces of one line misfit by up to this.
USUAL_MISFIT = 0.5
# Weights of pieces of one line differ by up to this (natural logarithm); what more of it costs.
LIKE_WEIGHT, UNLIKE_COST = 0.2, 5.0
LEAST_WEIGHT_MM = 0.01
# A stroke this short beside a junction may hold the ink of two lines, and be this much heavier (natural logarithm).
SHARED_MM, SHARED_WEIGHT = 5.0, 0.8
# A stroke that turns this much within this distance each side is cut there.
BEND_DEG, BEND_REACH_MM, BEND_STEP_MM = 60.0, 1.6, 0.25
# The longest stretch without ink that may be bridged.
LONGEST_GAP_MM = 10.0


@dataclass(frozen=True)
class Arm:
    """One end of one stroke: leaving the meeting along the stroke."""

    stroke: int
    node: int
    start: bool  # True when the stroke's first point is at the node


@dataclass(eq=False)
class Network:
    """Strokes, the meetings they end at, and memoised costs."""

    lines: list[FloatArray]  # mm, (N, 2), y down
    weights: FloatArray  # (strokes,) ink across each, mm
    ends: list[tuple[int, int]]
    closed: list[bool]
    arms: dict[int, list[Arm]] = field(default_factory=dict)
    gaps: dict[int, list[tuple[int, float]]] = field(default_factory=dict)  # node -> [(node, mm)]
    _reach: dict[tuple[int, bool], FloatArray] = field(default_factory=dict)
    _costs: dict[tuple[int, bool, int, bool], float] = field(default_factory=dict)
    _misfits: dict[tuple[int, bool, int, bool], float] = field(default_factory=dict)

    def length_mm(self, stroke: int) -> float:
        """Return the length of a stroke."""
        steps = np.diff(self.lines[stroke], axis=0)
        return float(np.hypot(steps[:, 0], steps[:, 1]).sum())

    def reach(self, arm: Arm) -> FloatArray:
        """Return up to ARM_MM of points going away from the meeting, through later meetings if need be."""
        key = (arm.stroke, arm.start)
        if key not in self._reach:
            self._reach[key] = self._walk(arm)
        return self._reach[key]

    def _walk(self, arm: Arm) -> FloatArray:
        pieces, left, seen = [], ARM_MM, set()
        while left > 0 and arm.stroke not in seen:
            seen.add(arm.stroke)
            line = self._leaving(arm)
            steps = np.hypot(*np.diff(line, axis=0).T)
            far = np.concatenate([[0.0], np.cumsum(steps)])
            pieces.append(line[far <= left])
            left -= far[-1]
            if left <= 0:
                break
            onward = self._continuation(arm)
            if onward is None:
                break
            arm = onward
        return np.concatenate(pieces)

    def _continuation(self, arm: Arm) -> Arm | None:
        """Return the stroke that best goes on from the far end of ``arm``: one cubic through both, as wide."""
        own = self._leaving(arm)[::-1]
        heading = direction(own[:12])
        best, least = None, np.inf
        for other in self.arms.get(self.ends[arm.stroke][1 if arm.start else 0], []):
            if other.stroke == arm.stroke:
                continue
            onward = self._leaving(other)
            if -heading @ direction(onward[:12]) < np.cos(np.radians(CORNER_DEG / 2)):
                continue
            span, allowed = MISFIT_MM[0]
            unlike = joint_misfit_mm(own, onward, span) / allowed + self.unlike(arm, other)
            if unlike < least:
                best, least = other, unlike
        return best

    def _leaving(self, arm: Arm) -> FloatArray:
        line = self.lines[arm.stroke]
        return line if arm.start else line[::-1]

    def cost(self, into: Arm, out: Arm) -> float:
        """Return the cost of arriving along ``into`` and leaving along ``out`` (order does not matter).

        A corner is cheap where neither line has another way to go on: one line turns there, or two
        end on each other. Where one of them goes on smoothly, leaving it costs the more the better it does.
        """
        key = (into.stroke, into.start, out.stroke, out.start)
        if key not in self._costs:
            smooth = min(CORNER_COST, self._misfit_cost(into, out) + self._unlike_beside(into, out))
            corner = self._corner_cost(into, out) if smooth > LONE_CORNER_COST else CORNER_COST
            self._costs[key] = self._costs[key[2:] + key[:2]] = min(smooth, corner)
        return self._costs[key]

    def smooth_cost(self, into: Arm, out: Arm) -> float:
        """Return the cost of taking two arms for one smooth line."""
        return float(min(CORNER_COST, self._misfit_cost(into, out) + self.unlike(into, out)))

    def _misfit_cost(self, into: Arm, out: Arm) -> float:
        """Return what their places, tangents and curvatures alone say against two arms being one smooth line."""
        key = (into.stroke, into.start, out.stroke, out.start)
        if key not in self._misfits:
            excess = max(0.0, misfit(self.reach(into), self.reach(out)) ** 2 - USUAL_MISFIT**2)
            self._misfits[key] = self._misfits[key[2:] + key[:2]] = SMOOTH_COST + excess
        return self._misfits[key]

    def _corner_cost(self, into: Arm, out: Arm) -> float:
        """Return the cost of a corner between two arms, by how well either goes on elsewhere."""
        others = [arm for arm in self.around(into) if arm not in (into, out)]
        onward = [self.smooth_cost(arm, other) for arm in (into, out) for other in others]
        left = CORNER_COST * float(np.exp(-min(onward, default=np.inf) / CORNER_FADE))
        return float(min(CORNER_COST, LONE_CORNER_COST + left + self.unlike(into, out)))

    def around(self, arm: Arm) -> list[Arm]:
        """Return all arms at an arm's node and at those across gaps from it."""
        nodes = [arm.node, *(other for other, _ in self.gaps.get(arm.node, []))]
        return [one for node in nodes for one in self.arms.get(node, [])]

    def unlike(self, one: Arm, other: Arm) -> float:
        """Return the cost of the weights of two arms differing."""
        apart = abs(np.log(self.weights[one.stroke] / self.weights[other.stroke]))
        return float(UNLIKE_COST * max(0.0, apart - LIKE_WEIGHT))

    def _unlike_beside(self, one: Arm, other: Arm) -> float:
        """Return the same for a line that may run through another's ink there.

        It excuses a line for going that way; it is no evidence that a light line goes on as the heavy one.
        """
        heavier, lighter = sorted((one.stroke, other.stroke), key=lambda stroke: -float(self.weights[stroke]))
        if not self._shared(heavier):
            return self.unlike(one, other)
        apart = float(np.log(self.weights[heavier] / self.weights[lighter]))
        return float(UNLIKE_COST * max(0.0, apart - SHARED_WEIGHT))

    def _shared(self, stroke: int) -> bool:
        """Return whether a stroke may be where two lines run into each other."""
        joined = max(len(self.arms.get(node, [])) for node in self.ends[stroke])
        return joined > 2 and self.length_mm(stroke) < SHARED_MM

    def fresh_node(self) -> int:
        """Return the number of a node that nothing is at yet."""
        return max(self.arms, default=-1) + 1

    def move(self, arm: Arm, node: int) -> None:
        """Take an arm from its node to another one."""
        self.arms[arm.node] = [one for one in self.arms[arm.node] if one != arm]
        self.arms.setdefault(node, []).append(Arm(arm.stroke, node, arm.start))
        start, end = self.ends[arm.stroke]
        self.ends[arm.stroke] = (node, end) if arm.start else (start, node)

    def double(self, stroke: int) -> int:
        """Return a copy of a stroke between two nodes of its own."""
        node = self.fresh_node()
        self.weights = np.append(self.weights, self.weights[stroke])
        _add(self, self.lines[stroke], (node, node + 1))
        return len(self.lines) - 1

    def forget(self) -> None:
        """Drop every memoised cost, after the network has changed."""
        for memo in (self._reach, self._costs, self._misfits):
            memo.clear()


def build_network(picture: Picture, ink: Ink, px_per_mm: float, ignore: Polygons = ()) -> Network:
    """Return the network of all strokes that could be part of an outline.

    Strokes that lie mostly in one of the ``ignore`` polygons (px) are left out.
    """
    keep = [n for n in _large_marks(ink, px_per_mm) if not _ignored(ink.strokes[n].points.xy, ignore)]
    node_group = _merge_meetings(ink, keep, px_per_mm)
    network = Network([], np.zeros(0), [], [])
    fresh = len(node_group)
    for index in keep:
        stroke = ink.strokes[index]
        line = stroke.points.xy / px_per_mm
        if _is_spur(stroke.nodes, node_group, line, network):
            continue
        if stroke.closed:
            _add(network, line, (-1, -1))
            continue
        cuts = _sharp_bends(line)
        nodes = [int(node_group[stroke.nodes[0]]), *range(fresh, fresh + len(cuts)), int(node_group[stroke.nodes[1]])]
        fresh += len(cuts)
        for part, ends in zip(_parts(line, cuts), itertools.pairwise(nodes), strict=True):
            _add(network, part, ends)
    weights = stroke_weights(picture.grey, [line * px_per_mm for line in network.lines], px_per_mm)
    network.weights = np.maximum(weights, LEAST_WEIGHT_MM)
    _drop_free_spurs(network)
    _find_gaps(network)
    return network


def _add(network: Network, line: FloatArray, ends: tuple[int, int]) -> None:
    number = len(network.lines)
    network.lines.append(line)
    network.closed.append(ends[0] < 0)
    network.ends.append(ends)
    if ends[0] >= 0:
        network.arms.setdefault(ends[0], []).append(Arm(number, ends[0], True))
        network.arms.setdefault(ends[1], []).append(Arm(number, ends[1], False))


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
    return [n for n, group in enumerate(groups) if (high[group] - low[group]).max() >= LEAST_MARK_MM * px_per_mm]


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


def _find_gaps(network: Network) -> None:
    """Pair free ends that face each other across at most LONGEST_GAP_MM of paper."""
    free = [node for node, arms in network.arms.items() if len(arms) == 1]
    if len(free) < 2:
        return
    places = np.array([_end_point(network, network.arms[node][0]) for node in free])
    for i, j in cKDTree(places).query_pairs(LONGEST_GAP_MM):
        arms = network.arms[free[i]][0], network.arms[free[j]][0]
        if arms[0].stroke == arms[1].stroke and network.length_mm(arms[0].stroke) < 5 * LONGEST_GAP_MM:
            continue
        gap = float(np.hypot(*(places[i] - places[j])))
        if _faces(network, arms, places[j] - places[i], gap):
            network.gaps.setdefault(free[i], []).append((free[j], gap))
            network.gaps.setdefault(free[j], []).append((free[i], gap))


def _end_point(network: Network, arm: Arm) -> FloatArray:
    line = network.lines[arm.stroke]
    return np.asarray(line[0] if arm.start else line[-1])


def _faces(network: Network, arms: tuple[Arm, Arm], step: FloatArray, gap: float) -> bool:
    """Whether two ends continue each other: both head along the step between them."""
    if gap < 1e-6:
        return True
    outward = [-direction(beyond(network.reach(arm), 0.0, 5.0)) for arm in arms if len(network.reach(arm)) > 2]
    if len(outward) < 2:
        return False
    least = np.cos(np.radians(CORNER_DEG if gap > 1.0 else 70.0))
    unit = step / gap
    return bool(outward[0] @ unit > least and -(outward[1] @ unit) > least)

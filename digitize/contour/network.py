"""The strokes as a network: which stroke may follow which, and at what cost.

Good continuation: two strokes that meet belong together when one cubic runs through
both over some 20 mm each side of the meeting, which compares place, tangent and
curvature at once. Everything here is in millimetres on a sheet whose axes are still the
picture's (the calibration's exact form matters only to the final measurement).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from calibration.frames import FloatArray
from digitize.contour.continuation import ARM_MM, CORNER_DEG, MISFIT_MM, direction, joint_misfit_mm, misfit

CORNER_COST, SMOOTH_COST, GAP_COST, GAP_COST_PER_MM, LENGTH_COST_PER_MM = 6.0, 0.05, 1.0, 0.2, 0.0005
DASH_COST = 0.1  # of going on from dash to dash of a line that is known to go on so
# A corner where nothing else goes on; how fast a corner gets cheaper as the ways to go on get dearer.
LONE_CORNER_COST, CORNER_FADE = 0.3, 1.0
# Pieces of one line misfit by up to this.
USUAL_MISFIT = 0.5
# Weights of pieces of one line differ by up to this (natural logarithm); what more of it costs.
LIKE_WEIGHT, UNLIKE_COST = 0.2, 5.0
# Where more strokes than this meet there is a blot, or some solid thing: nothing is one line through it.
MOST_ARMS = 24
# A stroke this short beside a junction may hold the ink of two lines, and be this much heavier (natural logarithm).
SHARED_MM, SHARED_WEIGHT = 5.0, 0.8


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
    # arms that are known to go on as each other, dash to dash, and at what cost
    linked: dict[frozenset[tuple[int, bool]], float] = field(default_factory=dict)
    corners: dict[frozenset[tuple[int, bool]], FloatArray] = field(default_factory=dict)  # where, of those round one
    onward: dict[tuple[int, bool], list[tuple[tuple[int, bool], float]]] = field(default_factory=dict)  # of the search
    _lengths: list[float] = field(default_factory=list)
    _along: dict[tuple[int, bool], FloatArray] = field(default_factory=dict)  # of lines, which never change
    _reach: dict[tuple[int, bool], FloatArray] = field(default_factory=dict)
    _further: dict[tuple[int, bool], Arm | None] = field(default_factory=dict)
    _costs: dict[tuple[int, bool, int, bool], float] = field(default_factory=dict)
    _misfits: dict[tuple[int, bool, int, bool], float] = field(default_factory=dict)

    def length_mm(self, stroke: int) -> float:
        """Return the length of a stroke."""
        return self._lengths[stroke]

    def lengths_mm(self) -> FloatArray:
        """Return the lengths of all strokes."""
        return np.array(self._lengths)

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
            line, far = self._leaving(arm), self._far(arm)
            pieces.append(line[: int(np.searchsorted(far, left, side="right"))])
            left -= far[-1]
            if left <= 0:
                break
            onward = self._continuation(arm)
            if onward is None:
                break
            arm = onward
        return np.concatenate(pieces)

    def _far(self, arm: Arm) -> FloatArray:
        """Return the length along a stroke at each of its points, from the meeting; it is ascending."""
        key = (arm.stroke, arm.start)
        if key not in self._along:
            line = self._leaving(arm)
            step = line[1:] - line[:-1]
            self._along[key] = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]))])
        return self._along[key]

    def _continuation(self, arm: Arm) -> Arm | None:
        """Return the stroke that best goes on from the far end of ``arm``, looked for once."""
        key = (arm.stroke, arm.start)
        if key not in self._further:
            self._further[key] = self._best_continuation(arm)
        return self._further[key]

    def onward_from(self, stroke: int, *, start: bool) -> Iterator[int]:
        """Return the strokes that go on from one end of a stroke one after the other, each as the best there."""
        seen = {stroke}
        arm: Arm | None = Arm(stroke, self.ends[stroke][1 if start else 0], not start)  # it leaves the other end
        while arm is not None and not self.closed[stroke]:
            arm = self._continuation(arm)
            if arm is None or arm.stroke in seen:
                break
            seen.add(arm.stroke)
            yield arm.stroke

    def chain_mm(self, stroke: int, enough_mm: float) -> float:
        """Return the length of a stroke with those that go on from it, as far as it matters."""
        length, seen = self.length_mm(stroke), {stroke}
        for one in itertools.chain(self.onward_from(stroke, start=True), self.onward_from(stroke, start=False)):
            if length >= enough_mm:
                break
            length += self.length_mm(one) if one not in seen else 0.0
            seen.add(one)
        return length

    def _best_continuation(self, arm: Arm) -> Arm | None:
        """Return the stroke that best goes on from the far end of ``arm``: one cubic through both, as wide.

        The only one drawn with the same pen may turn more: light lines that end on a short stroke bend it.
        """
        own = self._leaving(arm)[::-1]
        heading = direction(own[:12])
        best, least = None, np.inf
        node = self.ends[arm.stroke][1 if arm.start else 0]
        others = [other for other in self.arms.get(node, []) if other.stroke != arm.stroke]
        if len(others) > MOST_ARMS:
            return None
        alike = [other for other in others if self.unlike(arm, other) == 0.0]
        for other in others:
            onward = self._leaving(other)
            turn_deg = CORNER_DEG if alike == [other] else CORNER_DEG / 2
            if -heading @ direction(onward[:12]) < np.cos(np.radians(turn_deg)):
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
        if key not in self._costs and (known := self.linked.get(frozenset((key[:2], key[2:])))) is not None:
            self._costs[key] = known
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

    def gap_cost(self, into: Arm, out: Arm, gap_mm: float) -> float:
        """Return what it costs to go on from one arm at another across a gap."""
        known = frozenset(((into.stroke, into.start), (out.stroke, out.start))) in self.linked
        return DASH_COST if known else GAP_COST + GAP_COST_PER_MM * gap_mm

    def link(self, one: Arm, other: Arm, corner: FloatArray | None = None) -> None:
        """Say that one arm goes on as another, across whatever gap there is, straight on or round a corner (mm)."""
        pair = frozenset(((one.stroke, one.start), (other.stroke, other.start)))
        self.linked[pair] = SMOOTH_COST if corner is None else LONE_CORNER_COST
        self.corners.pop(pair, None)
        if corner is not None:
            self.corners[pair] = corner
        gap = float(np.hypot(*(self.end_point(other) - self.end_point(one))))
        for near, far in ((one.node, other.node), (other.node, one.node)):
            if near != far and far not in [node for node, _ in self.gaps.get(near, [])]:
                self.gaps.setdefault(near, []).append((far, gap))

    def corner_between(self, first: tuple[int, bool], second: tuple[int, bool]) -> FloatArray | None:
        """Return the corner, mm, that is known to lie between two arms (stroke, and whether it starts there)."""
        return self.corners.get(frozenset((first, second))) if self.corners else None

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

    def add(self, line: FloatArray, ends: tuple[int, int]) -> int:
        """Add a stroke between two nodes, (-1, -1) for a closed one, and return its number; its weight comes later."""
        number = len(self.lines)
        self.lines.append(line)
        step = line[1:] - line[:-1]
        self._lengths.append(float(np.hypot(step[:, 0], step[:, 1]).sum()))
        self.closed.append(ends[0] < 0)
        self.ends.append(ends)
        if ends[0] >= 0:
            self.arms.setdefault(ends[0], []).append(Arm(number, ends[0], True))
            self.arms.setdefault(ends[1], []).append(Arm(number, ends[1], False))
        return number

    def end_point(self, arm: Arm) -> FloatArray:
        """Return the place that an arm leaves from, mm."""
        line = self.lines[arm.stroke]
        return np.asarray(line[0] if arm.start else line[-1])

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
        return self.add(self.lines[stroke], (node, node + 1))

    def forget(self) -> None:
        """Drop every memoised cost, after the network has changed."""
        for memo in (self._reach, self._further, self._costs, self._misfits, self.onward):
            memo.clear()

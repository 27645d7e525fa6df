"""The strokes of a page as dashes and as lines that end somewhere, and where such a line is expected to go on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from calibration.frames import FloatArray, IntArray
from digitize.contour.weight import stroke_weights
from digitize.shapes import Ink

# A dash, or a part of one where something crosses it, is so long, and so straight.
LEAST_DASH_MM, LONGEST_DASH_MM, STRAIGHT_MM = 0.8, 12.0, 0.4
END_PART = 5  # a fifth of its points at either end tells nothing: the middle of ink bends aside where other ink is near
HOOK_MM = 0.5  # so near to its end the middle of a dash may bend aside
# A line that goes on dashed is at least so long; its last stretch, less what may bend at its end, says where to.
LEAST_LINE_MM, HISTORY_MM, BLIND_MM = 10.0, 25.0, 1.0
# A shorter stretch than this is taken to be straight.
CURVED_MM = 9.0
# The next dash begins no further on than this, as near to what is expected as this and so much of the way to there, and
# it heads the same way.
REACH_MM, BESIDE_EXPECTED_MM, SPREADS, ALONG = 11.0, 0.35, 0.06, float(np.cos(np.radians(20.0)))
OVERLAP_MM = 1.0  # by which ends may pass each other
INK_STEP_MM = 0.5  # of what is looked at of a page's ink
# Weights of one line's dashes and of what they join are less than usual by no more (natural logarithm), and more by no
# more than this where they run into other ink; of so short a piece the weight tells nothing.
LIKE_WEIGHT, HEAVIER, WEIGHED_MM = 0.4, 0.8, 2.5
# With so much of what it joins, a chain that leaves a straight line by less than this is part of a straight line.
STRAIGHT_BESIDE_MM, BENT_MM = 25.0, 0.3
# The last stretch of a line may turn a corner by more than this and be part of the dashed line: two straight lines
# through its last stretch leave less of it unexplained than a parabola does, by this factor.
TIP_MM, LEAST_TIP_MM, TIP_TURN_DEG, TIP_BETTER = 12.0, 1.5, 12.0, 2.5
# What goes on from where a line ends lies this near to there, is longer than that, and heads the same way as this.
MEET_MM, MET_MM, ONWARD_DEG = 1.0, 1.5, 25.0

StrokeEnd = tuple[int, bool]  # a stroke and whether its first point is meant


@dataclass(eq=False)
class Page:
    """The strokes of a page that dashes are sought among, mm."""

    lines: dict[int, FloatArray]
    dashes: IntArray  # numbers of strokes
    middles: cKDTree  # of the dashes' middles
    ends: list[StrokeEnd]  # of longer strokes
    places: cKDTree  # of where these are
    ink: cKDTree  # of points along all strokes
    met: list[StrokeEnd]  # ends of strokes that are more than a part of a meeting
    met_places: cKDTree  # of where these are
    weigh: dict[int, float] = field(default_factory=dict)  # logarithm of each one's weight
    tips: dict[StrokeEnd, FloatArray] = field(default_factory=dict)

    @classmethod
    def of(cls, ink: Ink, keep: list[int], px_per_mm: float) -> Page:
        """Sort the strokes of a page into dashes and longer ones that end somewhere."""
        lines = {
            number: stroke.points.xy / px_per_mm
            for number, stroke in enumerate(ink.strokes)
            if not stroke.closed and len(stroke.points.xy) > 2
        }
        dashes = np.array([number for number, line in lines.items() if is_dash(line)], dtype=np.int64)
        long = [n for n in keep if n in lines and span(lines[n]) >= LEAST_LINE_MM]
        ends = [(n, first) for n in long for first in (True, False)]
        middles = np.array([inner_of(lines[n]).mean(axis=0) for n in dashes]).reshape(-1, 2)
        places = np.array([lines[n][0 if first else -1] for n, first in ends]).reshape(-1, 2)
        ink_at = [line[:: max(1, round(INK_STEP_MM * px_per_mm))] for line in lines.values()]
        trees = (cKDTree(middles), cKDTree(places), cKDTree(np.concatenate(ink_at or [np.zeros((0, 2))])))
        met = [(n, first) for n, line in lines.items() if span(line) > MET_MM for first in (True, False)]
        met_at = np.array([lines[n][0 if first else -1] for n, first in met]).reshape(-1, 2)
        return cls(lines, dashes, trees[0], ends, *trees[1:], met, cKDTree(met_at))

    def weighed(self, grey: npt.NDArray[np.uint8], px_per_mm: float) -> None:
        """Take the weights of all strokes that may be part of a trail."""
        numbers = sorted({*self.dashes.tolist(), *(number for number, _ in self.ends)})
        weights = stroke_weights(grey, [self.lines[n] * px_per_mm for n in numbers], px_per_mm)
        self.weigh = dict(zip(numbers, np.log(np.maximum(weights, 1e-3)).tolist(), strict=True))

    def starts(self, kept: set[int]) -> list[StrokeEnd]:
        """Return the ends of longer strokes that a dash which is not kept lies near to."""
        small = np.array([n not in kept for n in self.dashes.tolist()], dtype=np.bool_)
        if not small.any() or not self.ends:
            return []
        near = cKDTree(self.middles.data[small]).query(self.places.data)[0] < 2.0 * REACH_MM
        return [end for end, beside in zip(self.ends, near, strict=True) if beside]

    def leaving(self, end: StrokeEnd) -> FloatArray:
        """Return the points of a stroke from one of its ends."""
        number, first = end
        return self.lines[number] if first else self.lines[number][::-1]

    def tip(self, end: StrokeEnd) -> FloatArray:
        """Return the points of a stroke from one of its ends, as far as a corner near to it if there is one."""
        if end not in self.tips:
            line = self.leaving(end)
            self.tips[end] = line[: _corner(line)]
        return self.tips[end]

    def loose(self, end: StrokeEnd) -> bool:
        """Whether nothing goes on from where a stroke ends but, perhaps, a dash."""
        line = self.leaving(end)
        return not any(
            self._goes_on(-_heading(line), other) for other in self._met_at(line[0]) if other[0] != end[0]
        )

    def _goes_on(self, heading: FloatArray, other: StrokeEnd) -> bool:
        """Whether a stroke that leaves the place heads that way, and is no dash with a free end."""
        onward = self.leaving(other)
        if float(heading @ _heading(onward)) < np.cos(np.radians(ONWARD_DEG)):
            return False
        return span(onward) > LONGEST_DASH_MM or len(self._met_at(onward[-1])) > 1

    def _met_at(self, place: FloatArray) -> list[StrokeEnd]:
        """Return the ends at a place of strokes that are more than a part of a meeting."""
        return [self.met[k] for k in self.met_places.query_ball_point(place, MEET_MM)]

    def alike(self, trail: list[StrokeEnd]) -> bool:
        """Return whether the dashes of a trail are as heavy as each other, and as what they join."""
        apart = np.array([self.weigh[number] for number, _ in trail])
        apart -= np.median(apart[1:-1])
        whole = np.array([span(self.lines[number]) > WEIGHED_MM for number, _ in trail])
        usual = float(np.median(np.abs(apart)))
        return bool((apart[whole] > -LIKE_WEIGHT).all() and (apart < HEAVIER).all() and usual < LIKE_WEIGHT / 2)

    def bent(self, trail: list[StrokeEnd]) -> bool:
        """Return whether a trail, with a part of what it joins, is no straight line."""
        middle = np.concatenate([self.lines[number] for number, _ in trail[1:-1]])
        tree = cKDTree(middle)
        beside = [self.lines[trail[k][0]] for k in (0, -1)]
        beside = [line[tree.query(line)[0] < STRAIGHT_BESIDE_MM] for line in beside]
        points = np.concatenate([middle, *beside])
        away = points - points.mean(axis=0)
        normal = np.linalg.eigh(away.T @ away)[1][:, 0]
        return bool(np.abs(away @ normal).max() > BENT_MM)


def _heading(line: FloatArray) -> FloatArray:
    """Return the unit way from the first point of a stroke on, without what may bend at its end."""
    far = np.hypot(*(line - line[0]).T)
    part = line[(far > HOOK_MM) & (far < 2.0 * MET_MM)]
    step = part[-1] - part[0] if len(part) > 1 else line[-1] - line[0]
    return np.asarray(step / max(float(np.hypot(*step)), 1e-9))


def _corner(line: FloatArray) -> int | None:
    """Return how many points come before a corner near the first end of a line, None where there is none.

    Two straight lines through the stretch are held against a parabola.
    """
    far = np.hypot(*(line - line[0]).T)
    inside = np.flatnonzero(far < TIP_MM)
    stretch = np.flatnonzero((far > HOOK_MM) & (far < TIP_MM))
    if len(inside) != inside[-1] + 1 or len(stretch) < 12:  # it comes back, or is as good as nothing
        return None
    points = line[stretch]
    at = np.arange(LEAST_TIP_MM, TIP_MM - 2.0 * LEAST_TIP_MM, INK_STEP_MM)
    breaks = [k for k in np.searchsorted(far[stretch], at).tolist() if 4 <= k <= len(points) - 4]
    if not breaks:
        return None
    left = [sum(_beside_line(part)[0] for part in (points[:k], points[k:])) for k in breaks]
    best = breaks[int(np.argmin(left))]
    one, other = (_beside_line(part)[1] for part in (points[:best], points[best:]))
    turned = float(one @ other) < np.cos(np.radians(TIP_TURN_DEG))
    return int(stretch[best]) if turned and TIP_BETTER**2 * min(left) < _beside_parabola(points) else None


def _beside_line(points: FloatArray) -> tuple[float, FloatArray]:
    """Return the sum of squares beside the straight line through points in order, and its unit way."""
    away = points - points.mean(axis=0)
    square, axes = np.linalg.eigh(away.T @ away)
    way = axes[:, 1]
    return float(square[0]), np.asarray(way if way @ (points[-1] - points[0]) > 0 else -way)


def _beside_parabola(points: FloatArray) -> float:
    """Return the sum of squares beside the parabola over the chord of points in order."""
    along = (points[-1] - points[0]) / max(float(np.hypot(*(points[-1] - points[0]))), 1e-9)
    u, v = (points - points[0]) @ along, (points - points[0]) @ np.array([-along[1], along[0]])
    return float(np.sum((v - np.polyval(np.polyfit(u, v, 2), u)) ** 2))


def span(line: FloatArray) -> float:
    """Return the distance of the ends of a stroke."""
    return float(np.hypot(*(line[-1] - line[0])))


def is_dash(line: FloatArray) -> bool:
    """Whether a stroke is as long and as straight as a dash, or as a part of one."""
    if not LEAST_DASH_MM <= span(line) <= LONGEST_DASH_MM:
        return False
    inner = inner_of(line)
    along = inner[-1] - inner[0]
    off = (inner - inner[0]) @ np.array([-along[1], along[0]])
    return bool(np.abs(off).max() < STRAIGHT_MM * max(float(np.hypot(*along)), 1e-9))


def inner_of(line: FloatArray) -> FloatArray:
    """Return a dash without its ends."""
    cut = len(line) // END_PART
    return line[cut : len(line) - cut]


@dataclass(frozen=True, eq=False)
class Expected:
    """Where a line is expected to go on: a parabola through its last stretch."""

    head: FloatArray  # (2,) where that ends
    along: FloatArray  # (2,) unit, of its chord
    bend: FloatArray  # (3,) powers of the way along, from the head
    ends_at: float  # way along of the head

    @classmethod
    def after(cls, history: FloatArray) -> Expected:
        """Return what is expected after some points, in order."""
        head = history[-1]
        last = history[np.hypot(*(history - head).T) < HISTORY_MM]
        along = (head - last[0]) / max(float(np.hypot(*(head - last[0]))), 1e-9)
        u, v = (last - head) @ along, (last - head) @ np.array([-along[1], along[0]])
        powers = np.polyfit(u, v, 2 if np.ptp(u) > CURVED_MM else 1)
        return cls(head, along, np.concatenate([np.zeros(3 - len(powers)), powers]), float(u.max()))

    def off(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return (N,) how far on points are, how far aside of what is expected, and how far they may be."""
        u, v = (points - self.head) @ self.along, (points - self.head) @ np.array([-self.along[1], self.along[0]])
        aside = np.abs(v - np.polyval(self.bend, u)) / np.hypot(1.0, np.polyval(np.polyder(self.bend), u))
        return u - self.ends_at, aside, BESIDE_EXPECTED_MM + SPREADS * np.maximum(u - self.ends_at, 0.0)

    def at(self, on: FloatArray) -> FloatArray:
        """Return (N, 2) the places expected so far on."""
        u = on + self.ends_at
        across = np.array([-self.along[1], self.along[0]])
        return np.asarray(self.head + u[:, None] * self.along + np.polyval(self.bend, u)[:, None] * across)

    def heads(self, points: FloatArray) -> bool:
        """Whether points, in order, run the way that is expected there."""
        slope = float(np.polyval(np.polyder(self.bend), float((points.mean(axis=0) - self.head) @ self.along)))
        expected = np.array([1.0, slope]) / np.hypot(1.0, slope)
        step = points[-1] - points[0]
        way = np.array([step @ self.along, step @ np.array([-self.along[1], self.along[0]])])
        return bool(way @ expected > ALONG * np.hypot(*way))

"""Dashes that carry a drawn line on where something hides it, as a guitar's outline is dashed under its fingerboard.

Small marks are no part of an outline (text, arrow heads), and dashes are small marks. Those are kept that lead from the
end of one drawn line to that of another: from where a line ends, the curve that its last stretch makes is followed
across paper from dash to dash, each taking part in where the next is expected, until another line's end lies there and
heads the same way. Other ink may hide a dash or two. A dashed line of its own (a lining, a brace, a fold) starts and
ends on nothing that goes on as it does; a chain-dotted centerline is straight, and is left as it is.
"""

from __future__ import annotations

import itertools
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
# Where other ink lies along so much of the way (as near to it as this), it may hide dashes, for so far.
HIDDEN_MM, HIDDEN_SHARE, ON_INK_MM, INK_STEP_MM = 40.0, 0.6, 0.8, 0.5
# Weights of one line's dashes and of what they join are less than usual by no more (natural logarithm), and more by no
# more than this where they run into other ink; of so short a piece the weight tells nothing.
LIKE_WEIGHT, HEAVIER, WEIGHED_MM = 0.4, 0.8, 2.5
# No dashed stretch has more.
MOST_DASHES = 60
# With so much of what it joins, a chain that leaves a straight line by less than this is part of a straight line.
STRAIGHT_BESIDE_MM, BENT_MM = 25.0, 0.3


StrokeEnd = tuple[int, bool]  # a stroke and whether its first point is meant


@dataclass(frozen=True)
class Dashes:
    """The dashes that carry a line on, and what goes on as what."""

    strokes: frozenset[int] = frozenset()  # small marks that are to be kept
    links: tuple[tuple[StrokeEnd, StrokeEnd], ...] = ()  # ends that go on as each other


def dashes_between(grey: npt.NDArray[np.uint8], ink: Ink, keep: list[int], px_per_mm: float) -> Dashes:
    """Return the strokes, none of ``keep``, that are dashes of a line which strokes of ``keep`` begin and end.

    Args:
        grey: (H, W) dark ink on light paper.
        ink: the page's strokes, px.
        keep: numbers of the strokes of large marks.
        px_per_mm: of the picture.
    """
    page, rest = _Page.of(ink, keep, px_per_mm), set(keep)
    starts = page.starts(rest)
    if not starts:
        return Dashes()
    page.weighed(grey, px_per_mm)
    strokes: set[int] = set()
    links: set[tuple[StrokeEnd, StrokeEnd]] = set()
    for start in starts:
        trail = _followed(page, start)
        inner = [number for number, _ in trail[1:-1]]
        if len(trail) < 3 or rest.issuperset(inner) or not page.alike(trail) or not page.bent(trail):
            continue
        strokes.update(inner)
        for (one, forward), (other, onward) in itertools.pairwise(trail):
            links.add(tuple(sorted(((one, not forward), (other, onward)))))  # type: ignore[arg-type]
    return Dashes(frozenset(strokes - rest), tuple(sorted(links)))


@dataclass(eq=False)
class _Page:
    """The strokes of a page that dashes are sought among, mm."""

    lines: dict[int, FloatArray]
    dashes: IntArray  # numbers of strokes
    middles: cKDTree  # of the dashes' middles
    ends: list[StrokeEnd]  # of longer strokes
    places: cKDTree  # of where these are
    ink: cKDTree  # of points along all strokes
    weigh: dict[int, float] = field(default_factory=dict)  # logarithm of each one's weight

    @classmethod
    def of(cls, ink: Ink, keep: list[int], px_per_mm: float) -> _Page:
        """Sort the strokes of a page into dashes and longer ones that end somewhere."""
        lines = {
            number: stroke.points.xy / px_per_mm
            for number, stroke in enumerate(ink.strokes)
            if not stroke.closed and len(stroke.points.xy) > 2
        }
        dashes = np.array([number for number, line in lines.items() if _is_dash(line)], dtype=np.int64)
        long = [n for n in keep if n in lines and _span(lines[n]) >= LEAST_LINE_MM]
        ends = [(n, first) for n in long for first in (True, False)]
        middles = np.array([_inner(lines[n]).mean(axis=0) for n in dashes]).reshape(-1, 2)
        places = np.array([lines[n][0 if first else -1] for n, first in ends]).reshape(-1, 2)
        ink_at = [line[:: max(1, round(INK_STEP_MM * px_per_mm))] for line in lines.values()]
        trees = (cKDTree(middles), cKDTree(places), cKDTree(np.concatenate(ink_at or [np.zeros((0, 2))])))
        return cls(lines, dashes, trees[0], ends, *trees[1:])

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

    def alike(self, trail: list[StrokeEnd]) -> bool:
        """Return whether the dashes of a trail are as heavy as each other, and as what they join."""
        apart = np.array([self.weigh[number] for number, _ in trail])
        apart -= np.median(apart[1:-1])
        whole = np.array([_span(self.lines[number]) > WEIGHED_MM for number, _ in trail])
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


def _span(line: FloatArray) -> float:
    return float(np.hypot(*(line[-1] - line[0])))


def _is_dash(line: FloatArray) -> bool:
    """Whether a stroke is as long and as straight as a dash, or as a part of one."""
    if not LEAST_DASH_MM <= _span(line) <= LONGEST_DASH_MM:
        return False
    inner = _inner(line)
    along = inner[-1] - inner[0]
    off = (inner - inner[0]) @ np.array([-along[1], along[0]])
    return bool(np.abs(off).max() < STRAIGHT_MM * max(float(np.hypot(*along)), 1e-9))


def _inner(line: FloatArray) -> FloatArray:
    """Return a dash without its ends."""
    cut = len(line) // END_PART
    return line[cut : len(line) - cut]


def without_ends(line: FloatArray) -> FloatArray:
    """Return a dash, mm, without what may bend aside at its ends."""
    far = np.minimum(*(np.hypot(*(line - end).T) for end in (line[0], line[-1])))
    inner = line[far > HOOK_MM]
    return inner if len(inner) > 2 else line


@dataclass(frozen=True, eq=False)
class _Expected:
    """Where a line is expected to go on: a parabola through its last stretch."""

    head: FloatArray  # (2,) where that ends
    along: FloatArray  # (2,) unit, of its chord
    bend: FloatArray  # (3,) powers of the way along, from the head
    ends_at: float  # way along of the head

    @classmethod
    def after(cls, history: FloatArray) -> _Expected:
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


def _followed(page: _Page, start: StrokeEnd) -> list[StrokeEnd]:
    """Return the strokes from one longer one over dashes to another, each by the end that is come to; or nothing."""
    number, first = start
    line = page.leaving(start)[::-1]
    history = line[np.hypot(*(line - line[-1]).T) >= BLIND_MM]
    trail = [(number, not first)]
    while len(trail) <= MOST_DASHES:
        expected = _Expected.after(history)
        weight = page.weigh[number] if len(trail) < 3 else float(np.median([page.weigh[n] for n, _ in trail[1:]]))
        for reach in (REACH_MM, HIDDEN_MM):
            gap, arrival = _arrival(page, expected, start, weight, reach)
            nearer, dash = _next_dash(page, expected, {n for n, _ in trail}, weight, reach)
            if arrival is not None or dash is not None:
                break
        if min(gap, nearer) > REACH_MM and not _hidden(page, expected, min(gap, nearer)):
            return []
        if arrival is not None and gap <= nearer:
            return [*trail, arrival] if len(trail) > 1 else []
        if dash is None:
            return []
        trail.append(dash)
        history = np.concatenate([history, _inner(page.leaving(dash))])
    return []


def _hidden(page: _Page, expected: _Expected, gap: float) -> bool:
    """Whether ink lies along the way that is expected, as far as a gap goes."""
    if not np.isfinite(gap):
        return False
    along = np.arange(1.0, gap, INK_STEP_MM)
    return bool(np.mean(page.ink.query(expected.at(along))[0] < ON_INK_MM) > HIDDEN_SHARE)


def _arrival(
    page: _Page, expected: _Expected, start: StrokeEnd, weight: float, reach: float
) -> tuple[float, StrokeEnd | None]:
    """Return the nearest end of a longer stroke that lies where a line is expected to go on, and how far on."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for k in page.places.query_ball_point(expected.head, reach + BLIND_MM):
        end = page.ends[k]
        if end == start or abs(page.weigh[end[0]] - weight) > LIKE_WEIGHT:
            continue
        line = page.leaving(end)
        far = np.hypot(*(line - line[0]).T)
        part = line[(far >= BLIND_MM) & (far < BLIND_MM + 5.0)]
        on, aside, may = expected.off(part)
        gap = float(on[0]) - BLIND_MM
        if -OVERLAP_MM < gap < best[0] and (aside < may).all() and expected.heads(part):
            best = gap, end
    return best


def _next_dash(
    page: _Page, expected: _Expected, taken: set[int], weight: float, reach: float
) -> tuple[float, StrokeEnd | None]:
    """Return the nearest dash that lies where a line is expected to go on, and how far on it begins."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for k in page.middles.query_ball_point(expected.head, reach + LONGEST_DASH_MM / 2):
        number = int(page.dashes[k])
        if number in taken:
            continue
        line = page.lines[number]
        apart = page.weigh[number] - weight
        if _span(line) > WEIGHED_MM and not -LIKE_WEIGHT < apart < HEAVIER:
            continue
        inner = _inner(line)
        first = bool(expected.off(inner[[0]])[0][0] <= expected.off(inner[[-1]])[0][0])
        on, aside, may = expected.off(inner if first else inner[::-1])
        gap = float(on[0])
        inside = (aside < may).all() and expected.heads(inner if first else inner[::-1])
        if inside and -OVERLAP_MM / 2 < gap < min(best[0], reach):
            best = gap, (number, first)
    return best

"""Dashes that carry a drawn line on where something hides it, as a guitar's outline is dashed under its fingerboard.

Small marks are no part of an outline (text, arrow heads), and dashes are small marks. Those are kept that lead from the
end of one drawn line to that of another: from where a line ends, the curve that its last stretch makes is followed
across paper from dash to dash, each taking part in where the next is expected, until another line's end lies there and
heads the same way. Other ink may hide a dash or two. A dashed line of its own (a lining, a brace, a fold) starts and
ends on nothing that goes on as it does; a chain-dotted centerline is straight, and is left as it is. Half an outline
ends at its centerline: from a line that nothing else goes on from, some dashes straight on are enough.

Where nothing lies ahead a dashed line may turn a corner: at the end of the drawn line itself, or between two dashes
that point to one place. Then both lines that it joins must end there, with nothing else that goes on from them.
"""

from __future__ import annotations

import itertools
from collections.abc import Container, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from digitize.contour.dash_page import (
    BLIND_MM,
    HEAVIER,
    HOOK_MM,
    INK_STEP_MM,
    LIKE_WEIGHT,
    LONGEST_DASH_MM,
    OVERLAP_MM,
    REACH_MM,
    WEIGHED_MM,
    Expected,
    Page,
    StrokeEnd,
    inner_of,
    span,
)
from digitize.shapes import Ink

# Where other ink lies along so much of the way (as near to it as this), it may hide dashes, for so far.
HIDDEN_MM, HIDDEN_SHARE, ON_INK_MM = 40.0, 0.6, 0.8
# No dashed stretch has more dashes; one with corners has no more of these, and no fewer dashes.
MOST_DASHES, MOST_TURNS, FEWEST_ROUND_CORNERS = 60, 3, 2
# From a line that nothing else goes on from, so many may lead to nothing: a half is drawn to its centerline only.
FEWEST_OPEN = 3
# The corner before a dash shows only in what comes after. Of a later dash than this one it is none but a tighter bend.
LATEST_TOLD = 2
# A corner turns no more than this, and between two dashes no less. A line may end so far past its corner, on another.
MOST_TURN_DEG, LEAST_TURN_DEG, PAST_MM = 150.0, 20.0, 0.5


@dataclass(frozen=True, eq=False)
class DashedStretch:
    """Strokes that go on as each other: from the end of a longer one over dashes to the end of another."""

    joints: tuple[StrokeEnd, ...]  # each by the end that is come to
    corners: dict[int, FloatArray]  # number of a joint -> the corner before it, mm

    def links(self, there: Container[int]) -> Iterator[tuple[StrokeEnd, StrokeEnd, FloatArray | None]]:
        """Yield the ends that go on as each other, of the strokes that are ``there``, and the corner between them."""
        kept = [k for k, (number, _) in enumerate(self.joints) if number in there]
        for before, after in itertools.pairwise(kept):
            number, first = self.joints[before]
            corners = [self.corners[k] for k in range(before + 1, after + 1) if k in self.corners]
            yield (number, not first), self.joints[after], corners[0] if corners else None


@dataclass(frozen=True)
class Dashes:
    """The dashes that carry lines on."""

    strokes: frozenset[int] = frozenset()  # small marks that are to be kept
    stretches: tuple[DashedStretch, ...] = ()


@dataclass(eq=False)
class _Trail:
    """Strokes from a longer one over dashes, each by the end that is come to."""

    joints: list[StrokeEnd]
    history: FloatArray  # (N, 2) mm, points since the last corner, in order
    turns: dict[int, FloatArray] = field(default_factory=dict)  # number of a joint -> the corner before it, mm
    bends: int = 0  # how often it went on by its last dash alone
    arrived: bool = False  # at another longer stroke

    @classmethod
    def leaving(cls, page: Page, start: StrokeEnd) -> _Trail:
        """Return the trail that has only come to the end of a longer stroke."""
        line = page.tip(start)[::-1]
        far = np.hypot(*(line - line[-1]).T)
        return cls([(start[0], not start[1])], line[far >= min(BLIND_MM, float(far[0]) / 2.0)])

    def add(self, page: Page, joint: StrokeEnd) -> None:
        """Go on to a dash, or to another longer stroke."""
        inner = inner_of(page.leaving(joint))
        self.history = inner if len(self.joints) in self.turns else np.concatenate([self.history, inner])
        self.joints.append(joint)

    def turning(self, corner: FloatArray, joint: StrokeEnd, *, arrived: bool) -> tuple[StrokeEnd, bool]:
        """Note that a corner comes before what is added next; return that, and whether it is a longer stroke's end."""
        self.turns[len(self.joints)] = corner
        return joint, arrived

    def bend(self, page: Page) -> None:
        """Expect what comes next by the last dash alone, as it comes after a corner or a bend."""
        last = len(self.joints) - 1
        line = page.leaving(self.joints[last])
        self.history = inner_of(line)
        if last <= LATEST_TOLD:
            self.turns[last] = line[0]
        else:
            self.bends += 1

    def ends_open(self) -> bool:
        """Whether it may be left where it is: straight on over some dashes, as half an outline to its centerline."""
        return len(self.dashes) >= FEWEST_OPEN and not self.turns and not self.bends

    @property
    def dashes(self) -> list[int]:
        """The strokes between the two longer ones, or after the only one."""
        return [number for number, _ in (self.joints[1:-1] if self.arrived else self.joints[1:])]

    @property
    def taken(self) -> set[int]:
        """All its strokes."""
        return {number for number, _ in self.joints}

    def may_end_at(self, end: StrokeEnd) -> bool:
        """Whether it does not come from there, or over that stroke; it may come back to the other end of its first."""
        number, first = self.joints[0]
        return end != (number, not first) and end[0] not in [number for number, _ in self.joints[1:]]

    def weight(self, page: Page) -> float:
        """Return the logarithm of the weight that what goes on is to have."""
        if len(self.joints) < 3:
            return page.weigh[self.joints[0][0]]
        return float(np.median([page.weigh[number] for number, _ in self.joints[1:]]))


def dashes_between(grey: npt.NDArray[np.uint8], ink: Ink, keep: list[int], px_per_mm: float) -> Dashes:
    """Return the strokes, none of ``keep``, that are dashes of a line which strokes of ``keep`` begin and end.

    Args:
        grey: (H, W) dark ink on light paper.
        ink: the page's strokes, px.
        keep: numbers of the strokes of large marks.
        px_per_mm: of the picture.
    """
    page, rest = Page.of(ink, keep, px_per_mm), set(keep)
    starts = page.starts(rest)
    if not starts:
        return Dashes()
    page.weighed(grey, px_per_mm)
    strokes: set[int] = set()
    stretches: list[DashedStretch] = []
    for start in starts:
        trail = _followed(page, start)
        if trail is None or rest.issuperset(trail.dashes):
            continue
        if page.alike(trail.joints) and page.bent(trail.joints):
            strokes.update(trail.dashes)
            stretches.append(DashedStretch(tuple(trail.joints), trail.turns))
    return Dashes(frozenset(strokes - rest), tuple(stretches))


def without_ends(line: FloatArray) -> FloatArray:
    """Return a dash, mm, without what may bend aside at its ends."""
    far = np.minimum(*(np.hypot(*(line - end).T) for end in (line[0], line[-1])))
    inner = line[far > HOOK_MM]
    return inner if len(inner) > 2 else line


def _followed(page: Page, start: StrokeEnd) -> _Trail | None:
    """Return the trail from one longer stroke over dashes to another, or nothing."""
    trail, loose = _Trail.leaving(page, start), page.loose(start)
    while len(trail.joints) <= MOST_DASHES:
        step = _onward(page, trail, REACH_MM)
        if step is None and loose and len(trail.turns) + trail.bends < MOST_TURNS:
            step = _round_corner(page, trail, start)
        step = step or _onward(page, trail, HIDDEN_MM)
        if step is None:
            return trail if loose and trail.ends_open() else None
        joint, arrived = step
        if arrived and len(trail.joints) == 1:
            return None
        trail.add(page, joint)
        trail.arrived = arrived
        if arrived:
            straight = not trail.turns and not trail.bends
            return trail if straight or (len(trail.dashes) >= FEWEST_ROUND_CORNERS and page.loose(joint)) else None
    return None


def _onward(page: Page, trail: _Trail, reach: float) -> tuple[StrokeEnd, bool] | None:
    """Return what lies where a trail is expected to go on, and whether it is the end of a longer stroke."""
    expected, weight, taken = Expected.after(trail.history), trail.weight(page), trail.taken
    gap, arrival = _arrival(page, expected, trail, reach)
    nearer, dash = _next_dash(page, expected, taken, weight, reach)
    if min(gap, nearer) > REACH_MM and not _hidden(page, expected, min(gap, nearer)):
        return None
    if arrival is not None and gap <= nearer:
        return arrival, True
    return None if dash is None else (dash, False)


def _hidden(page: Page, expected: Expected, gap: float) -> bool:
    """Whether ink lies along the way that is expected, as far as a gap goes."""
    if not np.isfinite(gap):
        return False
    along = np.arange(1.0, gap, INK_STEP_MM)
    return bool(np.mean(page.ink.query(expected.at(along))[0] < ON_INK_MM) > HIDDEN_SHARE)


def _arrival(
    page: Page, expected: Expected, trail: _Trail, reach: float
) -> tuple[float, StrokeEnd | None]:
    """Return the nearest end of a longer stroke that lies where a line is expected to go on, and how far on."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for k in page.places.query_ball_point(expected.head, reach + BLIND_MM):
        end = page.ends[k]
        if not trail.may_end_at(end) or abs(page.weigh[end[0]] - trail.weight(page)) > LIKE_WEIGHT:
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
    page: Page, expected: Expected, taken: set[int], weight: float, reach: float
) -> tuple[float, StrokeEnd | None]:
    """Return the nearest dash that lies where a line is expected to go on, and how far on it begins."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for k in page.middles.query_ball_point(expected.head, reach + LONGEST_DASH_MM / 2):
        number = int(page.dashes[k])
        if number in taken:
            continue
        line = page.lines[number]
        apart = page.weigh[number] - weight
        if span(line) > WEIGHED_MM and not -LIKE_WEIGHT < apart < HEAVIER:
            continue
        inner = inner_of(line)
        first = bool(expected.off(inner[[0]])[0][0] <= expected.off(inner[[-1]])[0][0])
        on, aside, may = expected.off(inner if first else inner[::-1])
        gap = float(on[0])
        inside = (aside < may).all() and expected.heads(inner if first else inner[::-1])
        if inside and -OVERLAP_MM / 2 < gap < min(best[0], reach):
            best = gap, (number, first)
    return best


def _round_corner(page: Page, trail: _Trail, start: StrokeEnd) -> tuple[StrokeEnd, bool] | None:
    """Return what goes on where a trail turns a corner, and whether it is the end of a longer stroke; note the corner.

    The corner may be before the last dash, which lay where the trail was expected by chance.
    """
    if len(trail.joints) == 1:
        place = page.leaving(start)[0]
        dash = _dash_from(page, place, trail)
        return None if dash is None else trail.turning(place, dash, arrived=False)
    if len(trail.history) > len(last := inner_of(page.leaving(trail.joints[-1]))):
        again = _Trail(trail.joints, last, trail.turns)
        if (step := _onward(page, again, REACH_MM)) is not None:
            trail.bend(page)
            return step
    expected = Expected.after(trail.history)
    gap, arrival = _end_ahead(page, expected, trail)
    nearer, dash = _dash_across(page, expected, trail)
    if arrival is not None and gap <= nearer:
        return trail.turning(page.leaving(arrival)[0], arrival, arrived=True)
    return None if dash is None else trail.turning(expected.at(np.array([nearer]))[0], dash, arrived=False)


def _dash_from(page: Page, place: FloatArray, trail: _Trail) -> StrokeEnd | None:
    """Return the nearest dash that points back to the place where a longer stroke ends."""
    best, least = None, REACH_MM
    for dash, inner in _dashes_near(page, place, trail):
        back = Expected.after(inner[::-1])
        on, aside, may = back.off(place[None])
        if -OVERLAP_MM < on[0] < least and aside[0] < may[0] + PAST_MM and _turns(trail.history, inner):
            best, least = dash, float(on[0])
    return best


def _end_ahead(page: Page, expected: Expected, trail: _Trail) -> tuple[float, StrokeEnd | None]:
    """Return the nearest loose end of a longer stroke that a trail points to, whatever way that stroke heads."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for k in page.places.query_ball_point(expected.head, REACH_MM):
        end = page.ends[k]
        on, aside, may = expected.off(page.leaving(end)[:1])
        if not trail.may_end_at(end) or not -OVERLAP_MM < on[0] < best[0] or aside[0] > may[0] + PAST_MM:
            continue
        if abs(page.weigh[end[0]] - trail.weight(page)) < LIKE_WEIGHT and page.loose(end):
            best = float(on[0]), end
    return best


def _dash_across(page: Page, expected: Expected, trail: _Trail) -> tuple[float, StrokeEnd | None]:
    """Return the nearest dash that points back to a place which a trail points to, and how far it is to there."""
    best: tuple[float, StrokeEnd | None] = (np.inf, None)
    for dash, inner in _dashes_near(page, expected.head, trail):
        back = Expected.after(inner[::-1])
        ways = np.column_stack([expected.along, -back.along])
        if abs(float(np.linalg.det(ways))) < np.sin(np.radians(LEAST_TURN_DEG)) or not _turns(trail.history, inner):
            continue
        on, beyond = np.linalg.solve(ways, back.head - expected.head)
        on, beyond = on - expected.ends_at, beyond - back.ends_at
        if min(on, beyond) > -OVERLAP_MM and max(on, beyond) < REACH_MM and on < best[0]:
            best = float(on), dash
    return best


def _dashes_near(page: Page, place: FloatArray, trail: _Trail) -> list[tuple[StrokeEnd, FloatArray]]:
    """Return the dashes near a place that may be a trail's, by their nearer end, with their points from there on."""
    taken, weight = trail.taken, trail.weight(page)
    found = []
    for k in page.middles.query_ball_point(place, REACH_MM + LONGEST_DASH_MM / 2):
        number = int(page.dashes[k])
        line = page.lines[number]
        if number in taken or span(line) < WEIGHED_MM or abs(page.weigh[number] - weight) > LIKE_WEIGHT:
            continue
        first = bool(np.hypot(*(line[0] - place)) <= np.hypot(*(line[-1] - place)))
        found.append(((number, first), inner_of(page.leaving((number, first)))))
    return found


def _turns(history: FloatArray, onward: FloatArray) -> bool:
    """Whether what goes on does not turn back."""
    one, other = (part[-1] - part[max(0, len(part) - 20)] for part in (history, onward))
    return bool(one @ other > np.cos(np.radians(MOST_TURN_DEG)) * np.hypot(*one) * np.hypot(*other))

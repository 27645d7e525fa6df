"""The two arms of a framing square: two graduated edges that meet at one corner, both counted from it.

Two rules laid against one another meet too, but then one of them runs on past the corner, or does not count from it, or
its end shows as a line across. Only edges that do not run on past the corner, have it at one of their longest marks and
begin within a few millimetres of it are taken for the arms of a square; along the outer edges one arm may begin as far
away as the other is wide, and glare may hide the graduations of one arm up to there, where the metal goes on without
a line across. Where it hides those of both arms, the outer and the inner edges must tell the same.

Light may break on an arm's face where none ends. Both edges of a rule count alike, so that between two rules the corner
of the outer edges and that of the inner ones are both at longest marks only where the other rule is as wide as whole
stretches between such marks. Where all four edges count from their corners and a width is not, it is a square.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, radians
from typing import Literal

import numpy as np

from calibration.controls import KnownAngle
from calibration.frames import FloatArray
from digitize.rule.photo_course import fit_curve, straightened
from digitize.rule.photo_edge import GraduatedEdge
from digitize.rule.strip import Grey

U_RAD = radians(0.02)  # of a workshop square's angle, 1 sigma (common practice, no source)
NEAR_MM = 15.0  # from the corner to the first graduation that shows
PAST_MM = 2.0
ON_MARK = 0.4  # graduations that the corner may be off one of the longest marks, as both lines are carried on to it
ON_MARK_MM = 1.0
# How likely two bodies are one square that count from a corner, but do not show that they are, and how likely where
# what lies between is neither plain nor counted.
EVEN_SHARE, HIDDEN_SHARE = 0.5, 0.25
CARRIED_PART = 0.01  # of the way, that the corner may be further off a mark where only a height is asked for
CLEARLY_MM = 1.0  # more than that, marks of both edges of a rule are not beside one another
SQUARE_DEG = 35.0  # that a view may turn a right angle by
LEAST_LEAN = 0.5
# Carried on to the corner is what a straight edge is in a picture: a line that the lens bows. A course has small waves.
BOW, LEAST_OFF_PX = 2, 0.05
FAR_MM = 70.0  # from the corner to the first graduation along an outer edge: the other arm is as wide
GLARE_SHARE = 1.5  # of what shows of an arm: so much may be hidden of it between that and the corner
# The face of an arm is looked at, beyond its longest marks, on both sides of where it begins: along inner edges to
# within the corner, along outer ones as far as the other arm's marks. One end against another shows as a line or a
# step; the grain of brushed metal is weaker.
FACE_MM, BACK_MM, INTO_MM, SHORT_OF_MM = (1.0, 10.0), 12.0, 15.0, 11.0
STEP_MM, PLAIN_SHARE = 0.4, 0.65  # between places compared; of the marks' contrast


@dataclass(frozen=True, eq=False)
class Arm:
    """One graduated edge with its name and the value of its graduations."""

    name: str
    edge: GraduatedEdge
    pitch_mm: float
    body: int  # edges of one strip share its number

    @property
    def period_mm(self) -> float:
        """Distance of its longest marks."""
        return self.edge.pattern.period * self.pitch_mm


@dataclass(frozen=True, eq=False)
class _End:
    """One end of an edge's foot line, to be carried on."""

    number: float  # of the last graduation
    place: FloatArray  # (2,) px
    ahead: FloatArray  # (2,) px a graduation, outwards
    way: int  # +1 where numbers grow outwards
    shrinks: float  # by how much the depth grows a graduation, outwards, relative

    def graduations(self, lengths: float) -> float:
        """Return how many graduations further a place is that is so many times the last one's length away.

        The pitch goes as 1 / w^2, the depth w is linear along a line in a perspective view.
        """
        return lengths / (1.0 - self.shrinks * lengths)


def _ends(edge: GraduatedEdge) -> tuple[_End, _End]:
    """Return both ends of an edge."""
    feet = edge.feet
    run = (feet[-1] - feet[0]) / float(np.hypot(*(feet[-1] - feet[0])))
    frame = np.array([run, [-run[1], run[0]]])
    s, t = frame @ feet.T
    bowed = fit_curve(s, t, np.ones(len(s)), BOW, LEAST_OFF_PX)
    out = []
    for k, way in ((0, -1), (-1, 1)):
        number = float(edge.at[k])
        ahead = way * np.array([1.0, float(bowed.slope(s[k]))]) @ frame
        last, other = (float(edge.course.pitch(edge.at[n])) for n in (k, -1 - k))
        shrinks = (1.0 - np.sqrt(last / other)) / float(np.ptp(edge.at))
        place = np.array([s[k], float(bowed(s[k]))]) @ frame
        out.append(_End(number, place, ahead / float(np.hypot(*ahead)) * last, way, float(shrinks)))
    return out[0], out[1]


def _meet(first: _End, second: _End) -> tuple[float, float] | None:
    """Return how many graduations beyond each end both lines meet; None where they are not about square."""
    matrix = np.column_stack([first.ahead, -second.ahead])
    turn = float(np.linalg.det(matrix)) / float(np.hypot(*first.ahead) * np.hypot(*second.ahead))
    if abs(turn) < np.cos(np.deg2rad(SQUARE_DEG)):
        return None
    beyond = np.linalg.solve(matrix, second.place - first.place)
    return first.graduations(float(beyond[0])), second.graduations(float(beyond[1]))


def _counts_from(arm: Arm, end: _End, beyond: float, most_mm: float, more_mm: float) -> bool:
    """Tell whether an arm counts from the corner ``beyond`` graduations after its end: there is one of its longest."""
    if not -PAST_MM < beyond * arm.pitch_mm < most_mm:
        return False
    return abs(_off_mark(arm, end, beyond)) < max(ON_MARK, (ON_MARK_MM + more_mm) / arm.pitch_mm)


def _off_mark(arm: Arm, end: _End, beyond: float) -> float:
    """Return how many graduations a place ``beyond`` an end is from the nearest longest mark."""
    edge = arm.edge
    there = end.number + end.way * beyond - edge.marks.shift - edge.start
    return (there / edge.pattern.period - round(there / edge.pattern.period)) * edge.pattern.period


@dataclass(frozen=True, eq=False)
class _Corner:
    """Where the edges of two arms meet that both count from there."""

    arms: tuple[Arm, Arm]
    how: Literal["sure", "maybe", "counted", "hidden"]  # all but sure: another corner has to tell the same
    place: FloatArray  # (2,) px
    per_mm: FloatArray  # (2, 2) px a mm along each arm
    off_mm: FloatArray  # (2,) of each arm, from the nearest of its longest marks

    @property
    def bodies(self) -> frozenset[int]:
        """Numbers of both bodies."""
        return frozenset(arm.body for arm in self.arms)

    def excludes_rules(self, other: _Corner) -> bool:
        """Tell that no two rules laid square to one another count from this corner and from another one."""
        along = np.linalg.solve(self.per_mm.T, other.place - self.place)
        theirs = {arm.body: (arm.period_mm, off) for arm, off in zip(other.arms, other.off_mm, strict=True)}
        for arm, off_mm, apart_mm in zip(self.arms, self.off_mm, along, strict=True):
            period_mm, other_off_mm = theirs[arm.body]
            odd_mm = abs(apart_mm - period_mm * round(apart_mm / period_mm))
            same = abs(period_mm - arm.period_mm) < CLEARLY_MM  # edges in mm and in inches share no marks
            if same and odd_mm > abs(off_mm) + abs(other_off_mm) + CLEARLY_MM:
                return True
        return False


def _corner(grey: Grey, first: Arm, second: Arm) -> _Corner | None:
    """Return the corner that two edges count from, if they may be those of one square."""
    for one in _ends(first.edge):
        for other in _ends(second.edge):
            beyond = _meet(one, other)
            if beyond is None:
                continue
            lean = _lean(first.edge, one, other), _lean(second.edge, other, one)
            if min(abs(lean[0]), abs(lean[1])) < LEAST_LEAN or lean[0] * lean[1] < 0:
                continue
            pairs = ((first, one, beyond[0]), (second, other, beyond[1]))
            outer = lean[0] < 0
            begins = [_begins(arm, end, way, outer=outer) for arm, end, way in pairs]
            if not all(_begins(arm, end, way, outer=outer, carried=CARRIED_PART) for arm, end, way in pairs):
                continue
            how = "hidden" if "" in begins else _how(grey, pairs, begins, outer)
            # lengths along the end's own direction, in the view there
            lengths = beyond[0] / (1.0 + one.shrinks * beyond[0])
            per_mm = np.stack([end.ahead / arm.pitch_mm for arm, end, _ in pairs])
            off_mm = [_off_mark(*pair) * pair[0].pitch_mm for pair in pairs]
            place = one.place + one.ahead * lengths
            return _Corner((first, second), how, place, per_mm, np.array(off_mm))
    return None


def _how(
    grey: Grey, pairs: Sequence[tuple[Arm, _End, float]], begins: Sequence[str], outer: bool
) -> Literal["sure", "maybe", "counted", "hidden"]:
    """Tell how surely two edges that count from one corner are a square's.

    Hidden: what lies between them and the corner is neither plain nor counted, and tells of no square.
    """
    far = max(pairs, key=lambda pair: pair[2] * pair[0].pitch_mm)[0]
    for (arm, end, way), how in zip(pairs, begins, strict=True):
        # along an outer edge a near end is the metal's own
        looked = not outer or arm is far or how != "near"
        if looked and not _plain(grey, arm, end, way * arm.pitch_mm, outer):
            return "hidden" if "hidden" in begins else "counted"
    return "sure" if "near" in begins and not (outer and "hidden" in begins) else "maybe"


def _begins(
    arm: Arm, end: _End, beyond: float, *, outer: bool, carried: float = 0.0
) -> Literal["near", "width", "hidden", ""]:
    """Tell how far from the corner, ``beyond`` graduations after its end, an arm that counts from it begins.

    The corner may be off a mark by that part more of how far it is away.
    """
    kinds: list[tuple[Literal["near", "width", "hidden"], float]] = [("near", NEAR_MM)]
    if outer:
        kinds.append(("width", FAR_MM))
    kinds.append(("hidden", GLARE_SHARE * _shown_mm(arm)))
    for kind, most_mm in kinds:
        if _counts_from(arm, end, beyond, most_mm, carried * beyond * arm.pitch_mm):
            return kind
    return ""


def _shown_mm(arm: Arm) -> float:
    return float(np.ptp(arm.edge.at)) * arm.pitch_mm


def _plain(grey: Grey, arm: Arm, end: _End, beyond_mm: float, outer: bool) -> bool:
    """Tell whether an arm's face goes on to a corner ``beyond_mm`` its end with no line and no step across it."""
    edge = arm.edge
    per_mm = edge.course.pitch_px / arm.pitch_mm
    rows = edge.tip_row + edge.way * np.arange(FACE_MM[0] * per_mm, FACE_MM[1] * per_mm)
    step_mm = min(STEP_MM, 1.0 / per_mm)
    as_far_mm = beyond_mm - SHORT_OF_MM if outer and beyond_mm >= NEAR_MM else beyond_mm + INTO_MM
    away_mm = np.arange(-BACK_MM, as_far_mm, step_mm)
    strip = straightened(grey, edge.course, end.number + end.way * away_mm / arm.pitch_mm, rows)
    along = np.median(strip, axis=0)
    apart = max(1, round(STEP_MM / step_mm))
    contrast = float(np.median(np.abs(edge.marks.contrast[edge.used])))
    return bool(np.abs(along[apart:] - along[:-apart]).max(initial=0.0) < PLAIN_SHARE * contrast)


def _lean(edge: GraduatedEdge, end: _End, other: _End) -> float:
    """Return the cosine between an edge's marks and the other arm's way to the corner: +1 inner edges, -1 outer."""
    inward = edge.course.step(end.number) * edge.way
    return float(inward @ other.ahead) / float(np.hypot(*inward) * np.hypot(*other.ahead))


@dataclass(frozen=True)
class Squares:
    """What is known of squares in a photo."""

    angles: tuple[KnownAngle, ...]  # of every two arms, and the edges of each arm as parallel
    perhaps: dict[frozenset[int], float]  # two bodies that may be arms, or rules laid so, and how likely the former is


def squares_of(grey: Grey, arms: list[Arm]) -> Squares:
    """Return which graduated edges are the arms of squares, and which bodies may be."""
    pairs = [(one, other) for n, one in enumerate(arms) for other in arms[n + 1 :]]
    apart = [pair for pair in pairs if pair[0].body != pair[1].body]
    told = [corner for pair in apart if (corner := _corner(grey, *pair)) is not None]
    shown = [corner for corner in told if corner.how != "hidden"]
    corners = [corner for corner in shown if _is_certain(corner, shown)]
    square = {body for corner in corners for body in corner.bodies}
    strips = [pair for pair in pairs if pair[0].body == pair[1].body and pair[0].body in square]
    names = [(corner.arms[0].name, corner.arms[1].name) for corner in corners]
    angles = (
        *(KnownAngle(one, other, pi / 2, U_RAD, "the arms of a square") for one, other in names),
        *(KnownAngle(one.name, other.name, 0.0, U_RAD, "the edges of a square's arm") for one, other in strips),
    )
    perhaps: dict[frozenset[int], float] = {}
    for corner in told:
        if not corner.bodies & square:
            share = HIDDEN_SHARE if corner.how == "hidden" else EVEN_SHARE
            perhaps[corner.bodies] = max(share, perhaps.get(corner.bodies, 0.0))
    return Squares(angles, perhaps)


def _is_certain(corner: _Corner, told: Sequence[_Corner]) -> bool:
    """Tell whether a corner is a square's, by itself or with another corner of the same two bodies."""
    if corner.how == "sure":
        return True
    others = [other for other in told if other is not corner and other.bodies == corner.bodies]
    if any(corner.how == other.how == "maybe" or other.how == "sure" for other in others):
        return True
    return any(corner.excludes_rules(other) or other.excludes_rules(corner) for other in others)

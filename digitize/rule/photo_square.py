"""The two arms of a framing square: two graduated edges that end at one corner, both counted from it.

Two rules laid against one another meet too, but then one of them runs on past the corner, or keeps the width of the
other from it, or does not count from it. Only edges that both begin within a few millimetres of the corner, do not
run on past it, and have it at one of their longest marks are taken for the arms of a square.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, radians

import numpy as np

from calibration.controls import KnownAngle
from calibration.frames import FloatArray
from digitize.rule.photo_edge import GraduatedEdge

U_RAD = radians(0.02)  # of a workshop square's angle, 1 sigma (common practice, no source)
NEAR_MM = 15.0  # from the corner to the first graduation that shows
PAST_MM = 2.0
ON_MARK = 0.4  # graduations that the corner may be off one of the longest marks, as both lines are carried on to it
ON_MARK_MM = 1.0
SQUARE_DEG = 35.0  # that a view may turn a right angle by
LEAST_LEAN = 0.5
CARRY_PITCHES = 40.0  # of a course, whose direction is carried on to the corner


@dataclass(frozen=True, eq=False)
class Arm:
    """One graduated edge with its name and the value of its graduations."""

    name: str
    edge: GraduatedEdge
    pitch_mm: float


@dataclass(frozen=True, eq=False)
class _End:
    """One end of an edge's foot line, to be carried on."""

    number: float  # of the last graduation
    place: FloatArray  # (2,) px
    ahead: FloatArray  # (2,) px a graduation, outwards
    way: int  # +1 where numbers grow outwards


def _ends(edge: GraduatedEdge) -> tuple[_End, _End]:
    """Return both ends of an edge."""
    out = []
    for k, way in ((0, -1), (-1, 1)):
        number = float(edge.at[k])
        near = edge.course.px(number - way * CARRY_PITCHES / 2, edge.base_row)
        place = edge.course.px(number, edge.base_row)
        out.append(_End(number, place, (place - near) / (CARRY_PITCHES / 2), way))
    return out[0], out[1]


def _meet(first: _End, second: _End) -> tuple[float, float] | None:
    """Return how many graduations beyond each end both lines meet; None where they are not about square."""
    matrix = np.column_stack([first.ahead, -second.ahead])
    turn = float(np.linalg.det(matrix)) / float(np.hypot(*first.ahead) * np.hypot(*second.ahead))
    if abs(turn) < np.cos(np.deg2rad(SQUARE_DEG)):
        return None
    beyond = np.linalg.solve(matrix, second.place - first.place)
    return float(beyond[0]), float(beyond[1])


def _counts_from(arm: Arm, end: _End, beyond: float) -> bool:
    """Tell whether an arm counts from the corner ``beyond`` graduations after its end: there is one of its longest."""
    edge = arm.edge
    if not -PAST_MM < beyond * arm.pitch_mm < NEAR_MM:
        return False
    there = end.number + end.way * beyond - edge.marks.shift - edge.start
    off = abs(there / edge.pattern.period - round(there / edge.pattern.period)) * edge.pattern.period
    return off < max(ON_MARK, ON_MARK_MM / arm.pitch_mm)


def _corner(first: Arm, second: Arm) -> bool:
    """Tell whether two edges are the arms of one square."""
    for one in _ends(first.edge):
        for other in _ends(second.edge):
            beyond = _meet(one, other)
            if beyond and _counts_from(first, one, beyond[0]) and _counts_from(second, other, beyond[1]):
                lean = _lean(first.edge, one, other), _lean(second.edge, other, one)
                return min(abs(lean[0]), abs(lean[1])) > LEAST_LEAN and lean[0] * lean[1] > 0
    return False


def _lean(edge: GraduatedEdge, end: _End, other: _End) -> float:
    """Return the cosine between an edge's marks and the other arm's way to the corner: +1 inner edges, -1 outer."""
    inward = edge.course.step(end.number) * edge.way
    return float(inward @ other.ahead) / float(np.hypot(*inward) * np.hypot(*other.ahead))


def arms_of_squares(arms: list[Arm]) -> tuple[KnownAngle, ...]:
    """Return the right angle of every two arms of a square."""
    return tuple(
        KnownAngle(first.name, second.name, pi / 2, U_RAD, "the arms of a square")
        for n, first in enumerate(arms) for second in arms[n + 1 :] if _corner(first, second)
    )  # fmt: skip

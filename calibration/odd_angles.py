"""What is left of a photo's angles once one of them turns out not to be so.

Of two edges of a sheet that should be parallel and are not, either may be the one that is not cut true, or no edge of
the sheet at all; everything else that was said of that edge is then as false.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from calibration.adjust_check import RIVAL_COST, STRAINED, contradicted, odd_angle, strain
from calibration.adjust_fit import Solution
from calibration.controls import KnownAngle, StraightLine
from calibration.drawn_angles import square_lines

# Drawn lines decide between two edges where so many more of them come out square with the one than with the other.
MORE_LINES = 2


def without_line(name: str, angles: Sequence[KnownAngle]) -> list[KnownAngle]:
    """Return the angles without those of one line; what two of them say of two others together is kept."""
    kept = [angle for angle in angles if name not in (angle.first, angle.second)]
    gone = [angle for angle in angles if name in (angle.first, angle.second)]
    if len(gone) == 2 and gone[0].why == gone[1].why:
        one, two = (angle.second if angle.first == name else angle.first for angle in gone)
        if one != two and not _linked(one, two, kept):  # else it is told already
            turn = abs(gone[0].angle_rad - gone[1].angle_rad)
            u_rad = float(np.hypot(gone[0].u_rad, gone[1].u_rad))
            kept.append(KnownAngle(one, two, turn, u_rad, gone[0].why))
    return kept


def without_odd(
    odd: KnownAngle,
    angles: Sequence[KnownAngle],
    lines: Sequence[StraightLine],
    solved: Callable[[Sequence[KnownAngle]], Solution | None],
) -> list[KnownAngle]:
    """Return the angles without one that is not so, and without what else is said of the line at fault.

    Where the photo does not tell which of the two lines is at fault, nothing is taken of either.

    Args:
        odd: the angle, one of ``angles``.
        angles: all angles so far.
        lines: all lines that are adjusted.
        solved: fits the photo with other angles; None where nothing fits.
    """
    group = [angle for angle in angles if angle.why == odd.why]
    others = [angle for angle in angles if angle.why != odd.why]
    touching = [angle for angle in group if {angle.first, angle.second} & {odd.first, odd.second}]
    if odd.tentative or touching == [odd]:
        return [angle for angle in angles if angle is not odd]
    ways = [others + without_line(name, group) for name in (odd.first, odd.second)]
    told = _told([solved(way) for way in ways], lines)
    return others + without_line(odd.second, without_line(odd.first, group)) if told is None else ways[told]


def _linked(one: str, two: str, angles: Sequence[KnownAngle]) -> bool:
    """Tell whether angles lead from one line to another."""
    reached, before = {one}, set[str]()
    while reached != before:
        before = reached
        reached = reached.union(*({a.first, a.second} for a in angles if reached & {a.first, a.second}))
    return two in reached


def _told(ways: Sequence[Solution | None], lines: Sequence[StraightLine]) -> int | None:
    """Return which of two explanations all else in the photo is for, None where nothing tells."""
    fits = [way is not None and _fits(way, way.scene.things - len(lines)) for way in ways]
    if fits[0] != fits[1]:
        return fits.index(True)
    first, second = ways
    if first is None or second is None:
        return None
    if abs(second.normal.cost - first.normal.cost) > RIVAL_COST:
        return int(second.normal.cost < first.normal.cost)
    more = square_lines(second, lines) - square_lines(first, lines)
    return int(more > 0) if abs(more) >= MORE_LINES else None


def _fits(solution: Solution, controls: int) -> bool:
    """Tell whether nothing in a photo contradicts anything else."""
    usual = strain(solution) <= STRAINED and not contradicted(solution, controls)
    return usual and odd_angle(solution, controls) is None

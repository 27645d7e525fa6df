"""Which straight lines of a plan were drawn parallel or square to one another, by a camera that is known roughly.

A border, dimension lines, a bridge and a centerline are drawn by one square, and their vanishing points tell how the
camera was tilted (Liebowitz and Zisserman, "Metric rectification for perspective images of planes", CVPR 1998). A
line is believed to be of that square only where it comes out so by all else that the photo shows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.adjust_fit import Solution
from calibration.adjust_model import COMMONS, DIRECTION, OWNS
from calibration.controls import KnownAngle, StraightLine
from calibration.frames import BoolArray, FloatArray
from calibration.photo import PhotoCalibration

DRAWN_WHY = "the plan's lines are drawn by one square"
# 1 sigma of two lines drawn in one direction and of the square itself, which a copier leans (common practice, no
# source).
PARALLEL_U_RAD, SQUARE_U_RAD = np.radians(0.05), np.radians(0.08)
# A line is of the square within so many sigmas of what the photo shows. The edges of a neck run about a degree off it:
# nothing as far off as a third of that is taken, and nothing where the photo leaves as much open (1 sigma).
WITHIN_SIGMAS, MOST_OFF_RAD, MOST_U_RAD = 3.0, np.radians(0.35), np.radians(0.3)
LEAST_LINES = 3  # two that agree may do so by chance


def drawn_angles(
    photo: PhotoCalibration, lines: Sequence[StraightLine], known: Sequence[KnownAngle]
) -> tuple[KnownAngle, ...]:
    """Return the angles between drawn lines that were meant, beside those that are known already.

    Args:
        photo: adjusted to these lines.
        lines: all that was adjusted.
        known: angles that the photo was adjusted to.

    Raises:
        ValueError: the lines are not those of the calibration.
    """
    if tuple(line.name for line in lines) != photo.line_names:
        raise ValueError("the lines must be those of the calibration")
    drawn, turn, u, length = _directions(photo.solution, lines)
    found = _of_one_square(turn, u, length)
    if found is None:
        return ()
    first, agree = found
    along: BoolArray = np.asarray(np.abs(np.cos(turn[first])) > np.sqrt(0.5))
    done = {name for one in known for name in (one.first, one.second)}
    length[first] = np.inf  # the others of its direction agree with it, not with each other
    made = square_angles([lines[k].name for k in drawn], agree, along, length)
    return tuple(one for one in made if not {one.first, one.second} <= done)


def square_angles(
    names: Sequence[str], agree: BoolArray, along: BoolArray, length: FloatArray
) -> tuple[KnownAngle, ...]:
    """Return the angle of each line of one square with the longest in its direction, and of these two.

    Args:
        names: (L,) of lines.
        agree: (L,) which are of the square.
        along: (L,) which run in its first direction.
        length: (L,) of each.
    """
    angles, longest = [], []
    for way in (np.flatnonzero(agree & along), np.flatnonzero(agree & ~along)):
        if len(way):
            first = int(way[np.argmax(length[way])])
            angles += [(first, int(k), 0.0, PARALLEL_U_RAD) for k in way if k != first]
            longest.append(first)
    if len(longest) == 2:
        angles.append((*longest, np.pi / 2, SQUARE_U_RAD))
    return tuple(
        KnownAngle(names[a], names[b], angle, u_rad, DRAWN_WHY, tentative=True) for a, b, angle, u_rad in angles
    )


def square_lines(solution: Solution, lines: Sequence[StraightLine]) -> int:
    """Return how many drawn lines come out parallel or square to one another, of all lines that were adjusted."""
    _, turn, u, length = _directions(solution, lines)
    found = _of_one_square(turn, u, length)
    return 0 if found is None else int(found[1].sum())


def _directions(
    solution: Solution, lines: Sequence[StraightLine]
) -> tuple[list[int], FloatArray, FloatArray, FloatArray]:
    """Return which lines are drawn, by how much each is turned from each, 1 sigma of it, and their lengths, mm."""
    drawn = [k for k, line in enumerate(lines) if line.kind == "drawn line"]
    things = [solution.scene.things - len(lines) + k for k in drawn]  # lines come after all controls
    turn, u = _turns(solution, things)
    return drawn, turn, u, np.array([_length_mm(solution, thing) for thing in things])


def _of_one_square(turn: FloatArray, u: FloatArray, length: FloatArray) -> tuple[int, BoolArray] | None:
    """Return a line and which others come out parallel or square to it, as many as may be; None of too few."""
    if len(length) < LEAST_LINES:
        return None
    off = (turn + np.pi / 4) % (np.pi / 2) - np.pi / 4  # (L, L) from parallel or square
    limit = np.minimum(WITHIN_SIGMAS * np.hypot(u, PARALLEL_U_RAD), MOST_OFF_RAD)
    agree = (np.abs(off) < limit) & (u < MOST_U_RAD)  # every line with itself, too
    first = int(np.argmax(agree @ length + length / length.sum()))  # of several as good the longest
    return (first, agree[first]) if agree[first].sum() >= LEAST_LINES else None


def _turns(solution: Solution, things: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Return (L, L) by how much each of some things is turned from each other, and 1 sigma of it, rad."""
    direction = solution.state.own[things, DIRECTION]
    at = [COMMONS + OWNS * thing + DIRECTION for thing in things]
    covariance = np.linalg.inv(solution.normal.matrix)[np.ix_(at, at)]
    variance = np.diag(covariance)
    spread = variance[:, None] + variance - 2.0 * covariance
    return direction[:, None] - direction, np.sqrt(np.maximum(spread, 0.0))


def _length_mm(solution: Solution, thing: int) -> float:
    places = solution.scene.slices[thing]
    return float(np.ptp(solution.state.along_mm[places]))

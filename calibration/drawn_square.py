"""Which drawn lengths are square to one another, as whoever drew the plan meant them to be."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.measures import Measure

SAME_DIRECTION_RAD = np.deg2rad(1.0)  # closer than this is one direction, or square
DRAWN_SQUARE_RAD = np.deg2rad(0.02)  # 1 sigma of a right angle on a plan
DISAGREE_SIGMAS = 3.0


def line_turn(angle_rad: float) -> float:
    """Return the angle reduced to a line's: -90 to 90 degrees."""
    return float((angle_rad + np.pi / 2) % np.pi - np.pi / 2)


def turn_u(one: Measure, two: Measure) -> float:
    """Return 1 sigma, rad, of the angle between two lengths that were drawn by one square."""
    return float(np.sqrt(one.angle_u_rad**2 + two.angle_u_rad**2 + DRAWN_SQUARE_RAD**2))


def square_pairs(drawn: Sequence[Measure]) -> list[tuple[int, int]]:
    """Return the numbers of every two lengths that were meant square to each other.

    What one square drew in one direction is parallel. Where some of it is not, as with a ruler that lay on the glass
    or a clear one on the sheet, it is not known which were drawn; then only what comes out square is kept.
    """
    every = [(k, n) for k in range(len(drawn)) for n in range(k + 1, len(drawn))]
    turned = {pair: line_turn(drawn[pair[1]].angle_rad - drawn[pair[0]].angle_rad) for pair in every}
    off_square = {pair: abs(line_turn(turn - np.pi / 2)) for pair, turn in turned.items()}
    square = [pair for pair in every if off_square[pair] <= SAME_DIRECTION_RAD]
    own_u = {pair: DISAGREE_SIGMAS * turn_u(drawn[pair[0]], drawn[pair[1]]) for pair in every}
    along = [pair for pair in every if abs(turned[pair]) <= SAME_DIRECTION_RAD]
    if all(abs(turned[pair]) <= own_u[pair] for pair in along):
        return square
    return [pair for pair in square if off_square[pair] <= own_u[pair]]

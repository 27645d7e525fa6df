"""The drawn border and the sheet's edges as a photo shows them, and what things lying on them take away."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from calibration.controls import StraightLine
from calibration.frames import PxPoints
from digitize.sheet.angles import border_angles, find_border, sheet_angles
from digitize.sheet.lens import Lens
from tests.digitize.sheet_scene import View

VIEW = View(turn_deg=4.0, tilt_deg=(9.0, -6.0))
AREA_PX = 0.4 * VIEW.wide * VIEW.high
Side = tuple[tuple[float, float], tuple[float, float]]
UPPER: Side = ((15.0, 15.0), (405.0, 15.0))
RIGHT: Side = ((405.0, 15.0), (405.0, 282.0))
LOWER: Side = ((405.0, 282.0), (15.0, 282.0))
LEFT: Side = ((15.0, 282.0), (15.0, 15.0))
DIMENSION: Side = ((75.0, 27.0), (335.0, 27.0))


def lines(*sides: Side) -> list[StraightLine]:
    made = []
    for number, (start, end) in enumerate(sides):
        mm = np.linspace(start, end, 40)
        made.append(StraightLine(f"line {number + 1}", "drawn line", PxPoints(VIEW.to_px(mm)), np.full(40, 0.1)))
    return made


def names(found: Sequence[StraightLine]) -> set[str]:
    return {line.name for line in found}


def border_of(*sides: Side) -> set[str]:
    lens = Lens.plain((VIEW.high, VIEW.wide))
    return names(find_border(lines(*sides, DIMENSION), lens, None, AREA_PX))


def test_four_lines_that_meet_are_the_border() -> None:
    assert border_of(UPPER, RIGHT, LOWER, LEFT) == {"line 1", "line 2", "line 3", "line 4"}


@pytest.mark.parametrize("shown", [0.45, 0.7])
def test_a_thing_may_lie_on_one_corner_of_it(shown: float) -> None:
    right: Side = (RIGHT[0], (405.0, 15.0 + 267.0 * shown))
    lower: Side = ((15.0 + 390.0 * shown, 282.0), LOWER[1])
    assert border_of(UPPER, right, lower, LEFT) == {"line 1", "line 2", "line 3", "line 4"}


@pytest.mark.parametrize(
    ("right", "lower", "left"),
    [
        (((405.0, 15.0), (405.0, 200.0)), ((300.0, 282.0), (100.0, 282.0)), LEFT),
        (RIGHT, ((405.0, 200.0), (15.0, 282.0)), LEFT),
        (((405.0, 15.0), (405.0, 200.0)), ((405.0, 150.0), (15.0, 150.0)), ((15.0, 150.0), (15.0, 15.0))),
        (((405.0, 15.0), (405.0, 80.0)), LOWER, LEFT),
    ],
    ids=["two corners hidden", "not square", "a line runs on past the corner", "little of a side seen"],
)
def test_what_is_no_border_is_not_taken_for_one(right: Side, lower: Side, left: Side) -> None:
    assert border_of(UPPER, right, lower, left) == set()


def test_opposite_sides_are_known_better_than_corners() -> None:
    corner, *parallel = border_angles(lines(UPPER, RIGHT, LOWER, LEFT))
    assert corner.angle_rad == pytest.approx(np.pi / 2)
    assert all(one.angle_rad == 0.0 and one.u_rad < corner.u_rad for one in parallel)


def edges_with_lower(*shown: tuple[float, float]) -> list[StraightLine]:
    """Return four edges, of the lower only the given shares of it."""
    whole = lines(UPPER, RIGHT, LOWER, LEFT)
    share = np.linspace(0.0, 1.0, 200)
    seen = np.any([(share >= low) & (share <= high) for low, high in shown], axis=0)
    mm = np.outer(1.0 - share, LOWER[0]) + np.outer(share, LOWER[1])
    whole[2] = StraightLine("line 3", "sheet edge", PxPoints(VIEW.to_px(mm[seen])), np.full(seen.sum(), 0.1))
    return whole


@pytest.mark.parametrize(
    ("shown", "counts"),
    [
        ([(0.0, 1.0)], True),
        ([(0.0, 0.2), (0.8, 1.0)], True),
        ([(0.0, 0.3), (0.75, 1.0)], True),
        ([(0.0, 0.1), (0.9, 1.0)], False),
        ([(0.0, 0.3), (0.98, 1.0)], False),
    ],
    ids=["all of it", "both ends", "more of one", "too little in all", "one end only"],
)
def test_an_edge_that_a_rule_lies_over_is_one_where_both_its_ends_are_seen(shown, counts) -> None:
    found = sheet_angles(edges_with_lower(*shown), (), Lens.plain((VIEW.high, VIEW.wide)), None)
    assert len(found) == (3 if counts else 0)

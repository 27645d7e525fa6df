"""Which line goes on as which where lines cross, merge or have gaps; networks made by hand, their lines known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour.crossing import part_crossings
from digitize.contour.gaps import find_gaps
from digitize.contour.loops import closed_ways, way_along
from digitize.contour.network import Arm, Network

PEN_MM = 0.3


def run(*places: tuple[float, float]) -> FloatArray:
    """Return points 0.2 mm apart from place to place."""
    pieces = []
    for start, end in zip(np.array(places[:-1]), np.array(places[1:]), strict=True):
        count = max(2, round(float(np.hypot(*(end - start))) / 0.2))
        pieces.append(start + np.linspace(0, 1, count, endpoint=False)[:, None] * (end - start))
    return np.vstack([*pieces, places[-1]])


def network(*strokes: tuple[FloatArray, int, int], weights: tuple[float, ...] = ()) -> Network:
    """Return the network of some strokes between numbered nodes."""
    made = Network([], np.zeros(0), [], [])
    for line, start, end in strokes:
        made.add(line, (start, end))
    made.weights = np.array(weights or [PEN_MM] * len(strokes))
    return made


def slanted_crossing(weights: tuple[float, ...] = ()) -> Network:
    """Two straight lines that cross at 20 degrees and share 3 mm of ink there; a and c, b and d are one line each."""
    slope = np.tan(np.radians(10.0))
    arm = [run((-30.0, sign * 30.0 * slope), (-1.5, sign * 1.5 * slope)) for sign in (1, -1)]
    out = [run((1.5, sign * 1.5 * slope), (30.0, sign * 30.0 * slope)) for sign in (-1, 1)]
    return network((arm[0], 10, 0), (arm[1], 11, 0), (run((-1.5, 0.0), (1.5, 0.0)), 0, 1), (out[0], 1, 12),
                   (out[1], 1, 13), weights=weights)  # fmt: skip


def onward(made: Network, stroke: int, node: int) -> set[int]:
    """Return the long strokes that can follow a stroke from one of its ends, through one short one."""
    start = made.ends[stroke][0] == node
    reached = set()
    for arm in made.arms[node]:
        if arm == Arm(stroke, node, start):
            continue
        far = made.ends[arm.stroke][1 if arm.start else 0]
        short = made.length_mm(arm.stroke) < 5.0
        reached |= {one.stroke for one in made.arms[far] if one.stroke != arm.stroke} if short else {arm.stroke}
    return reached


def test_lines_that_share_ink_at_a_slant_are_taken_apart() -> None:
    made = slanted_crossing(weights=(0.3, 0.3, 0.5, 0.3, 0.3))
    part_crossings(made)
    assert onward(made, 0, made.ends[0][1]) == {3}
    assert onward(made, 1, made.ends[1][1]) == {4}
    assert made.weights[2] == pytest.approx(0.3) and made.weights[5] == pytest.approx(0.3)


def test_unlike_pens_tell_lines_apart_that_only_touch() -> None:
    """Two bows touch and part again: a heavy one and a light one, each on its own side."""
    bow = [run(*[(x, sign * (x / 12.0) ** 2) for x in np.linspace(-30, 30, 121)]) for sign in (1, -1)]
    left, right = [line[line[:, 0] < -2.0] for line in bow], [line[line[:, 0] > 2.0] for line in bow]
    shared = run((-2.0, 0.0), (2.0, 0.0))
    made = network((left[0], 10, 0), (left[1], 11, 0), (shared, 0, 1), (right[0], 1, 12), (right[1], 1, 13),
                   weights=(0.5, 0.2, 0.6, 0.5, 0.2))  # fmt: skip
    part_crossings(made)
    assert onward(made, 0, made.ends[0][1]) == {3}
    assert onward(made, 1, made.ends[1][1]) == {4}


def test_where_two_like_lines_may_cross_or_touch_nothing_is_decided() -> None:
    """All four arms lie on one straight line but for a hair: either pairing explains them."""
    arms = [run((-30.0, 0.02), (-1.5, 0.0)), run((-30.0, -0.02), (-1.5, 0.0))]
    arms += [run((1.5, 0.0), (30.0, 0.02)), run((1.5, 0.0), (30.0, -0.02))]
    made = network((arms[0], 10, 0), (arms[1], 11, 0), (run((-1.5, 0.0), (1.5, 0.0)), 0, 1), (arms[2], 1, 12),
                   (arms[3], 1, 13))  # fmt: skip
    before = list(made.ends)
    part_crossings(made)
    assert made.ends == before


def test_a_light_line_that_ends_on_a_crossing_does_not_hide_it() -> None:
    made = slanted_crossing()
    made.add(run((1.5, 0.0), (4.0, 20.0)), (1, 14))
    made.weights = np.array([0.3, 0.3, 0.5, 0.3, 0.3, 0.15])
    part_crossings(made)
    assert 3 in onward(made, 0, made.ends[0][1]) and 4 not in onward(made, 0, made.ends[0][1])


def test_a_gap_may_begin_where_other_lines_end() -> None:
    """The heavy line stops at a meeting with two light ones, and goes on 3 mm farther."""
    made = network((run((-30.0, 0.0), (0.0, 0.0)), 10, 0), (run((0.0, 0.0), (0.0, 20.0)), 0, 11),
                   (run((0.0, 0.0), (-10.0, -20.0)), 0, 12), (run((3.0, 0.0), (30.0, 0.0)), 1, 13),
                   weights=(0.4, 0.15, 0.15, 0.4))  # fmt: skip
    find_gaps(made)
    assert made.gaps == {0: [(1, pytest.approx(3.0))], 1: [(0, pytest.approx(3.0))]}


def test_a_line_that_goes_on_at_its_meeting_has_no_gap_there() -> None:
    made = network((run((-30.0, 0.0), (0.0, 0.0)), 10, 0), (run((0.0, 0.0), (2.5, 0.0), (30.0, 0.5)), 0, 11),
                   (run((0.0, 0.0), (5.0, -20.0)), 0, 12), (run((3.0, 1.0), (30.0, 1.0)), 1, 13))  # fmt: skip
    find_gaps(made)
    assert not made.gaps


@pytest.mark.parametrize(("turn_deg", "found"), [(0.0, True), (50.0, True), (120.0, False)])
def test_a_gap_may_hold_a_bend_but_no_turning_back(turn_deg: float, found: bool) -> None:
    turn = np.radians(turn_deg)
    far = (3.0 * np.cos(turn / 2), 3.0 * np.sin(turn / 2))
    away = (far[0] + 27.0 * np.cos(turn), far[1] + 27.0 * np.sin(turn))
    made = network((run((-30.0, 0.0), (0.0, 0.0)), 10, 0), (run(far, away), 1, 11))
    find_gaps(made)
    assert bool(made.gaps) is found


def test_places_told_lead_round_a_body_in_any_order() -> None:
    """A square of four sides; at two corners a lighter line goes straight on, which by itself looks better."""
    corners = [(0.0, 0.0), (60.0, 0.0), (60.0, 60.0), (0.0, 60.0)]
    sides = [(run(corners[n], corners[(n + 1) % 4]), n, (n + 1) % 4) for n in range(4)]
    tails = [(run((60.0, 0.0), (110.0, 0.0)), 1, 5), (run((0.0, 60.0), (-50.0, 60.0)), 3, 6)]
    made = network(*sides, *tails)
    told = np.array([(30.0, 60.0), (30.0, 0.0), (60.0, 30.0), (0.0, 30.0)])
    way = way_along(made, told)
    assert way is not None
    assert {stroke for stroke, _ in way.darts} == {0, 1, 2, 3}
    assert way.polygon().area == pytest.approx(3600.0, rel=1e-6)


def run_together(shared_weight: float, fine: tuple[float, ...] = ()) -> Network:
    """A straight line, and a bow that meets it, runs along in its ink for 8 mm and turns off at a small round."""
    bow = run((-5.0, -40.0), *[(-5.0 * np.sin(a), 5.0 * np.cos(a) - 5.0) for a in np.linspace(np.pi / 2, 0.0, 20)])
    off = run(*[(8.0 + 2.0 * np.sin(a), 2.0 - 2.0 * np.cos(a)) for a in np.linspace(0.0, np.pi / 2, 12)], (10.0, 40.0))
    strokes = [(run((-40.0, 0.0), (0.0, 0.0)), 10, 0), (bow, 11, 0), (run((0.0, 0.0), (8.0, 0.0)), 0, 1)]
    strokes += [(run((8.0, 0.0), (50.0, 0.0)), 1, 12), (off, 1, 13)]
    strokes += [(run((8.0, 0.0), (8.0, -30.0)), 1, 14 + k) for k in range(len(fine))]
    return network(*strokes, weights=(0.3, 0.3, shared_weight, 0.3, 0.3, *fine))


def beyond(made: Network, stroke: int) -> set[int]:
    """Return what can follow a stroke through the one after it."""
    shared, *others = [arm for arm in made.arms[made.ends[stroke][1]] if arm.stroke != stroke]
    assert not others
    far = made.ends[shared.stroke][1]
    return {arm.stroke for arm in made.arms[far]} - {shared.stroke}


@pytest.mark.parametrize("fine", [(), (0.15,)])
def test_a_line_that_turns_in_anothers_ink_is_taken_apart_by_the_other(fine: tuple[float, ...]) -> None:
    made = run_together(0.48, fine)
    part_crossings(made)
    assert beyond(made, 0) - {5} == {3}
    assert beyond(made, 1) == {4}


def test_where_there_is_the_ink_of_one_line_only_the_other_may_end_there() -> None:
    made = run_together(0.31)
    before = list(made.ends)
    part_crossings(made)
    assert made.ends == before


def test_a_doubtful_way_leaves_its_strokes_to_a_better_one() -> None:
    """A long line from the ring and back to it is sought from first; the ring less a short piece is in its only way."""
    turns = np.radians([0.0, 120.0, 240.0, 353.0, 360.0])
    arcs = [
        80.0 * np.column_stack([np.cos(t), np.sin(t)])
        for t in (np.linspace(*ends, 600) for ends in itertools.pairwise(turns))
    ]
    away = run(tuple(arcs[2][-1]), (94.0, 109.0), (200.0, 109.0), (200.0, 0.0), (80.0, 0.0))
    made = network(*((arc, k, (k + 1) % 4) for k, arc in enumerate(arcs)), (away, 3, 0))
    ways = closed_ways(made, np.zeros((0, 2)), lambda _: False)
    assert any({stroke for stroke, _ in way.darts} == {0, 1, 2, 3} and way.doubt == 0.0 for way in ways)

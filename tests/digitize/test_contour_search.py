"""The cheapest closed way, against SciPy's shortest paths; and a line of another pen that goes on more smoothly."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from calibration.frames import FloatArray
from digitize.contour.choose import _merit
from digitize.contour.loops import closed_ways
from digitize.contour.network import LENGTH_COST_PER_MM, Network
from digitize.contour.search import DEAREST_WAY, Dart, search
from tests.digitize.test_contour_crossing import PEN_MM, network, run

STROKES, ONWARD = 40, 4


def tangled(seed: int) -> Network:
    """Return strokes of which each may be followed by some others, at costs drawn by chance, the same both ways."""
    rng = np.random.default_rng(seed)
    made = network(*((run((0.0, float(n)), (1.0, float(n))), n, n + STROKES) for n in range(STROKES)))
    darts = [(n, way) for n in range(STROKES) for way in (True, False)]
    made.onward = {dart: [] for dart in darts}
    for dart in darts:
        for k in rng.choice(len(darts), ONWARD, replace=False):
            after, cost = darts[k], float(rng.uniform(0.1, 6.0))
            if after[0] != dart[0]:
                made.onward[dart].append((after, cost))
                made.onward[turned(after)].append((turned(dart), cost))
    return made


def turned(dart: Dart) -> Dart:
    return dart[0], not dart[1]


def least_cost(made: Network, first: Dart) -> float:
    """Return what the cheapest way from a dart back to itself costs, by SciPy; its stroke is taken only once."""
    number = {dart: n for n, dart in enumerate(made.onward)}
    goal = len(number)
    rows, columns, costs = [], [], []
    for dart, after in made.onward.items():
        for other, cost in after:
            if other == turned(first):
                continue
            rows.append(number[dart])
            columns.append(goal if other == first else number[other])
            costs.append(cost + LENGTH_COST_PER_MM * made.length_mm(other[0]))
    order = np.lexsort((costs, columns, rows))[::-1]  # of two ways to go on as the same one the cheaper is kept
    table = {(rows[k], columns[k]): costs[k] for k in order}
    r, c = np.array(list(table)).T
    graph = csr_array((list(table.values()), (r, c)), shape=(goal + 1, goal + 1))
    return float(dijkstra(graph, indices=number[first])[goal])


@pytest.mark.parametrize("seed", range(8))
def test_the_cheapest_way_round_is_found_from_every_stroke_and_both_ways(seed: int) -> None:
    made, found = tangled(seed), 0
    for stroke in range(STROKES):
        costs = [search(made, dart, set(), dart)[1] for dart in ((stroke, True), (stroke, False))]
        least = least_cost(made, (stroke, True))
        if least <= DEAREST_WAY:
            assert costs == pytest.approx([least, least])
            found += 1
    assert found > STROKES / 2


def body() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return most of a rounded body of 440 x 320 mm, and what is left of its side: a straight line, and a cutaway."""
    ring = shapely.box(-100.0, 120.0, 100.0, 200.0).buffer(120.0, quad_segs=200).exterior
    ring = ring if ring.is_ccw else ring.reverse()
    begin, end = (ring.project(shapely.Point(x, 0.0)) for x in (50.0, -50.0))
    along = np.arange(begin, end if end > begin else end + ring.length, 0.2) % ring.length
    most = np.array([ring.interpolate(at).coords[0] for at in along])
    turn = np.linspace(np.pi, 0.0, 600)
    cutaway = np.column_stack([50.0 * np.cos(turn), 40.0 * np.sin(turn)])
    return most, run((-50.0, 0.0), (50.0, 0.0)), cutaway


@pytest.mark.parametrize(("line_mm", "taken"), [(0.65 * PEN_MM, 2), (PEN_MM, 1)], ids=["thin line", "the same pen"])
def test_a_thin_line_that_goes_on_smoothly_from_the_body_is_not_its_side(line_mm: float, taken: int) -> None:
    """The cutaway turns a corner where it begins and ends; an extension line runs straight past it."""
    most, line, cutaway = body()
    made = network((most, 0, 1), (line, 1, 0), (cutaway, 1, 0), weights=(PEN_MM, line_mm, PEN_MM))
    best = max(closed_ways(made, np.zeros((0, 2)), lambda way: False), key=_merit)
    assert {stroke for stroke, _ in best.darts} == {0, taken}

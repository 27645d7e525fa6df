"""Which end the neck leaves from, told by lines drawn beyond an end; a body and its lines made by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour.lines import LongLine
from digitize.contour.loops import Way
from digitize.contour.neck import neck_ends
from digitize.contour.network import Network
from tests.digitize.test_contour_crossing import run

PAGE_MM = (400.0, 800.0)
SIDES = ((100.0, 200.0), (300.0, 200.0), (300.0, 600.0), (100.0, 600.0), (100.0, 200.0))
AXIS = LongLine(np.array([200.0, 150.0]), np.array([200.0, 650.0]), 1.0)
STRING = LongLine(np.array([175.0, 150.0]), np.array([175.0, 650.0]), 1.0)


def told(*strokes: FloatArray, line: LongLine = AXIS, page: tuple[float, float] = PAGE_MM) -> int:
    """Return what ``neck_ends`` says of one line of a plain body with some more strokes."""
    made = Network([], np.zeros(0), [], [])
    body = run(*SIDES)
    made.add(body, (-1, -1))
    for number, stroke in enumerate(strokes):
        made.add(stroke, (2 * number, 2 * number + 1))
    made.weights = np.full(len(made.lines), 0.3)
    way = Way(((0, True),), body, np.ones(len(body), dtype=bool), 0.0, True)
    return neck_ends(made, way, (line,), page)[0]


@pytest.mark.parametrize(("y", "end"), [((200.0, 165.0), -1), ((600.0, 635.0), 1)])
def test_two_edges_beyond_an_end_are_a_neck(y: tuple[float, float], end: int) -> None:
    assert told(*(run((x, y[0]), (x, y[1])) for x in (180.0, 220.0))) == end


def test_one_line_beyond_an_end_is_none() -> None:
    """The centerline's own end lies beside the line of a string as a neck's edge would."""
    assert told(run((200.0, 600.0), (200.0, 640.0)), line=STRING) == 0


def test_an_edge_is_followed_through_the_lines_that_cross_it() -> None:
    """Frets cut the fingerboard's edges into short pieces."""
    pieces = []
    for x in (180.0, 220.0):
        for top, bottom in ((200.0, 193.0), (193.0, 185.0), (185.0, 176.0)):
            pieces.append(run((x, top), (x, bottom)))
    made = [(2, 3), (3, 4), (4, 5), (12, 13), (13, 14), (14, 15)]
    network = Network([], np.zeros(0), [], [])
    body = run(*SIDES)
    network.add(body, (-1, -1))
    for piece, nodes in zip(pieces, made, strict=True):
        network.add(piece, nodes)
    network.weights = np.full(len(network.lines), 0.3)
    way = Way(((0, True),), body, np.ones(len(body), dtype=bool), 0.0, True)
    assert neck_ends(network, way, (AXIS,), PAGE_MM) == (-1,)


def test_edges_inside_the_body_count_only_where_the_page_ends() -> None:
    inside = [run((x, 600.0), (x, 560.0)) for x in (180.0, 220.0)]
    assert told(*inside) == 0
    assert told(*inside, page=(400.0, 610.0)) == 1


def test_an_edge_that_ends_where_the_outlines_own_strokes_do_meets_it() -> None:
    """A line along the outline thickens the meeting, so that its middle is 2 mm away from the outline's."""
    network = Network([], np.zeros(0), [], [])
    for number, (one, two) in enumerate(itertools.pairwise(SIDES)):
        network.add(run(one, two), (number, (number + 1) % 4))
    own = len(network.lines)
    for x, node in ((180.0, 0), (220.0, 1)):  # the corners stand for meetings on the side between them
        network.add(run((x, 197.9), (x, 165.0)), (node, 10 + node))
    network.weights = np.full(len(network.lines), 0.3)
    darts = tuple((stroke, True) for stroke in range(own))
    way = Way(darts, run(*SIDES), np.ones(len(run(*SIDES)), dtype=bool), 0.0, True)
    assert neck_ends(network, way, (AXIS,), PAGE_MM) == (-1,)

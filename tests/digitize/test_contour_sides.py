"""Which edge is the line's own: made edges with known truth, px at 10 px/mm."""

from __future__ import annotations

import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.contour.sides import own_edges

PX_PER_MM, STEP_MM, WIDTH_PX = 10.0, 0.1, 5.0
COUNT, START, STOP = 600, 200, 400  # stations; another line runs along between the two
UNKNOWN = np.zeros(COUNT, dtype=bool)
# The other line lies on one side at first and on the other later: 3 px either way.
CHANGING = np.where(np.arange(COUNT) < (START + STOP) // 2, 3.0, -3.0)


def merged(other: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Return low edge, high edge, width and clear flags of a line at 0 whose ink another at ``other`` px broadens."""
    low, high = np.full(COUNT, -WIDTH_PX / 2), np.full(COUNT, WIDTH_PX / 2)
    along = np.zeros(COUNT, dtype=bool)
    along[START:STOP] = True
    high[along] = np.maximum(high, other + WIDTH_PX / 2)[along]
    low[along] = np.minimum(low, other - WIDTH_PX / 2)[along]
    margin = np.convolve(along, np.ones(21), mode="same") > 0  # as the measurement leaves out a millimetre
    return low, high, np.full(COUNT, WIDTH_PX), ~margin


def test_the_edge_that_goes_on_is_the_lines_own() -> None:
    for shift, own in ((3.0, -1), (-3.0, 1)):
        side, unsure = own_edges(*merged(np.full(COUNT, shift)), UNKNOWN, STEP_MM, PX_PER_MM)
        assert (side[START + 20 : STOP - 20] == own).all()
        assert not unsure.any()


def test_a_long_stretch_whose_ends_contradict_each_other_is_unsure() -> None:
    side, unsure = own_edges(*merged(CHANGING), UNKNOWN, STEP_MM, PX_PER_MM)
    assert not side.any()
    assert unsure[START + 40 : STOP - 40].all()


def test_a_stretch_where_the_other_line_is_known_is_not_unsure() -> None:
    known = UNKNOWN.copy()
    known[START - 10 : STOP - 60] = True  # the rest is as short as a crossing
    _, unsure = own_edges(*merged(CHANGING), known, STEP_MM, PX_PER_MM)
    assert not unsure.any()


def test_a_short_crossing_is_left_to_the_nearest_edge() -> None:
    low, high, width, clear = merged(np.full(COUNT, 3.0))
    low[START + 5 :], high[START + 5 :], clear[START + 15 :] = -WIDTH_PX / 2, WIDTH_PX / 2, True
    side, unsure = own_edges(low, high, width, clear, UNKNOWN, STEP_MM, PX_PER_MM)
    assert not side.any() and not unsure.any()


def test_a_place_told_settles_its_stretch() -> None:
    for place, own in ((0.2, -1), (2.9, 1)):
        side, unsure = own_edges(*merged(CHANGING), UNKNOWN, STEP_MM, PX_PER_MM, ((START + 40, place),))
        assert side[START + 40] == own
        assert not unsure.any()

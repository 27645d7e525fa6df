"""An outline that runs along the edge of a thing on the sheet is doubted, one that only passes it is not."""

import numpy as np
import pytest

from digitize.rule_edges import LEAST_MM, along_edges

# 30 mm wide, its lower edge in several pieces as a lens bends it
TOP = np.array([(x, 140.0) for x in np.linspace(-150.0, 150.0, 24)])
RULE = np.vstack([TOP, np.add(TOP[::-1], (0.0, 30.0))])


def _oval(cut_at_mm: float) -> np.ndarray:
    """Return an oval 400 x 300 mm, flat where it would be higher than ``cut_at_mm``, evenly spaced."""
    angle = np.linspace(0.0, 2.0 * np.pi, 20001)[:-1]
    xy = np.column_stack([200.0 * np.cos(angle), np.minimum(150.0 * np.sin(angle), cut_at_mm)])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    even = np.arange(0.0, along[-1], 0.25)
    noise = np.random.default_rng(4).normal(0.0, 0.01, (len(even), 2))
    return np.column_stack([np.interp(even, along, part) for part in xy.T]) + noise


def _told(place: np.ndarray) -> str:
    return f"{place[0]:.0f}, {place[1]:.0f}"


@pytest.mark.parametrize("off_mm", [-2.5, 0.0, 3.0])
def test_the_edge_of_a_rule_taken_for_the_line_is_doubted(off_mm: float) -> None:
    found = along_edges(_oval(140.0 + off_mm), [RULE], _told)
    assert [one.code for one in found] == ["along-rule"]
    assert found[0].weight == "look"
    flat_mm = 2 * 200.0 * np.sqrt(1.0 - ((140.0 + off_mm) / 150.0) ** 2)
    told = float(found[0].text.split(" mm")[0].split()[-1])
    assert told == pytest.approx(flat_mm, abs=6.0)  # the curve beside it is nearly as straight


def test_it_makes_no_difference_where_the_outline_begins() -> None:
    oval = _oval(139.0)
    top = int(np.argmax(oval[:, 1]))
    assert along_edges(np.roll(oval, -top, axis=0), [RULE], _told)[0].text == along_edges(oval, [RULE], _told)[0].text


def test_a_curve_that_goes_under_a_rule_is_not_doubted() -> None:
    assert not along_edges(_oval(200.0), [RULE], _told)


def test_a_straight_side_well_beside_a_rule_is_not_doubted() -> None:
    assert not along_edges(_oval(130.0), [RULE], _told)


def test_a_short_run_is_not_doubted() -> None:
    # what a rule of 15 mm can hide of this curve is less than 0.3 mm
    short = RULE * (0.5 * LEAST_MM / 300.0, 1.0)
    assert not along_edges(_oval(140.0), [short], _told)


def test_nothing_on_the_sheet_no_doubt() -> None:
    assert not along_edges(_oval(140.0), [], _told)

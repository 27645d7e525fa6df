"""Table that shows inside the paper's outline, in plain tones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from digitize.shapes import Gap
from digitize.sheet.joined import Ground, table_inside
from digitize.sheet.outline import Bound
from digitize.sheet.sides import SideLine

SIZE = (700, 500)  # width, height
PAPER, TABLE = 210, 90
LEFT, TOP, RIGHT, LOW = 80, 120, 640, 440


def side(normal: tuple[float, float], offset: float) -> SideLine:
    return SideLine(np.array(normal, dtype=float), offset, np.zeros((0, 2)), np.zeros(0), np.zeros(0))


def bound() -> Bound:
    """Return a sheet's four sides."""
    sides = (side((0, -1), -TOP), side((1, 0), RIGHT), side((0, 1), LOW), side((-1, 0), -LEFT))
    surface = np.array([np.log(PAPER), 0, 0, 0, 0, 0])
    return Bound(sides, (False,) * 4, 1.0, surface, np.array(SIZE, dtype=float))


def gaps(about: Bound, grey: np.ndarray) -> tuple[Gap, ...]:
    """Return the gaps in a sheet all of whose copy is seen."""
    seen = np.ones(grey.shape, bool)
    ground = Ground.of(about, grey, seen)
    return () if ground is None else table_inside(about, ground, seen)


def tones() -> np.ndarray:
    grey = np.full(SIZE[::-1], TABLE, np.uint8)
    grey[TOP:LOW, LEFT:RIGHT] = PAPER
    return grey


def test_a_whole_sheet_has_no_gap() -> None:
    grey = tones()
    assert gaps(bound(), grey) == ()


def test_every_piece_of_table_inside_is_told_the_largest_first() -> None:
    grey = tones()
    grey[LOW - 40 : LOW, RIGHT - 160 : RIGHT] = TABLE
    grey[TOP : TOP + 60, LEFT : LEFT + 200] = TABLE
    first, second = gaps(bound(), grey)
    assert first.places_px.mean(axis=0) == pytest.approx([LEFT + 100, TOP + 30], abs=8)
    assert second.places_px.mean(axis=0) == pytest.approx([RIGHT - 80, LOW - 20], abs=8)


@pytest.mark.parametrize("shade", [0.86, 0.80])
def test_paper_beyond_a_thing_that_hides_it_is_no_table(shade: float) -> None:
    """A square lies across a sheet that goes on beyond it to the frame; a part of the paper inside is in a shade."""
    grey = np.full(SIZE[::-1], TABLE, np.uint8)
    grey[:, : RIGHT - 80] = PAPER
    grey[TOP - 30 : TOP, 250:] = TABLE  # the square, over the right edge
    open_left = replace(bound(), lines=(bound().lines[0], side((1, 0), RIGHT - 80)), hidden=(False,) * 2)
    grey[TOP:, :160] = round(PAPER * shade)
    assert gaps(open_left, grey) == ()
    grey[TOP : TOP + 60, RIGHT - 280 : RIGHT - 80] = TABLE
    assert len(gaps(open_left, grey)) == 1

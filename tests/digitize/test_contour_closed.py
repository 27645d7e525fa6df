"""Halves closed by their own pen, bodies that are not believed, and places told on small loops, as people draw them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from calibration.frames import FloatArray
from digitize.contour.loops import Way, body_like
from digitize.shapes import TracedOutline
from tests.digitize.test_contour_boxes import PX, line, sheet, traced

FIRST, LAST, LINE = 60.0, 410.0, 270.0  # mm; the centerline runs along the page


def half(unlike: float = 0.3) -> FloatArray:
    """The half of a body with a waist, square to the centerline at both ends; its bouts are unlike, or alike."""
    share = (1.0 - np.cos(np.linspace(0.0, np.pi, 400))) / 2.0
    wide = np.sqrt(np.sin(np.pi * share)) * (1.0 - 0.35 * np.sin(np.pi * share) ** 2) * (1.0 - unlike * share)
    return np.column_stack([FIRST + share * (LAST - FIRST), LINE - 150.0 * wide])


def closed_half(unlike: float = 0.3, beyond_mm: float = 0.0, pen: int = 4) -> npt.NDArray[np.uint8]:
    page = sheet()
    line(page, *map(tuple, half(unlike)), pen=4)
    line(page, (FIRST - beyond_mm, LINE), (LAST + beyond_mm, LINE), pen=pen)
    return page


def px(x: float, y: float) -> tuple[float, float]:
    return x * PX, y * PX


def codes(found: TracedOutline) -> set[str]:
    return {one.code for one in found.doubts}


def test_a_half_closed_by_a_line_of_its_own_pen_is_a_half_and_asked_about() -> None:
    found = traced(closed_half())
    assert found.half
    assert "half-closed" in codes(found)


def test_whoever_points_to_it_is_not_asked_again() -> None:
    found = traced(closed_half(), near=px(200.0, 230.0))
    assert found.half
    assert "half-closed" not in codes(found)


def test_a_centerline_that_goes_on_beyond_it_leaves_nothing_to_ask() -> None:
    found = traced(closed_half(beyond_mm=18.0))
    assert found.half
    assert "half-closed" not in codes(found)


def test_a_centerline_of_another_pen_leaves_nothing_to_ask() -> None:
    found = traced(closed_half(pen=1))
    assert found.half
    assert "half-closed" not in codes(found)


def test_what_is_alike_end_to_end_may_be_a_whole_body_on_a_straight_side() -> None:
    assert not traced(closed_half(unlike=0.0)).half


def test_a_body_with_a_straight_side_can_be_told() -> None:
    found = traced(closed_half(), through=(px(235.0, LINE),))
    assert not found.half
    assert found.points.xy[:, 1].min() == pytest.approx(320.0 - LINE, abs=0.3)


def ring(at: tuple[float, float], size: tuple[float, float]) -> FloatArray:
    turn = np.linspace(0.0, 2.0 * np.pi, 721)[:-1]
    waist = 1.0 - 0.2 * np.cos(2.0 * turn)
    return np.column_stack([at[0] + size[0] * np.cos(turn), at[1] + size[1] * waist * np.sin(turn)])


def small_beside_a_broken_large_one(patches: int, pen: int) -> npt.NDArray[np.uint8]:
    """Again and again something lies on the large body's thin line, which looks much heavier there."""
    page = sheet()
    large = ring((240.0, 110.0), (180.0, 80.0))
    line(page, *map(tuple, large), pen=1, closed=True)
    for first in range(15, 720, 720 // patches):
        line(page, *map(tuple, large[first : first + 8]), pen=pen)
    line(page, *map(tuple, ring((240.0, 264.0), (80.0, 34.0))), closed=True)
    return page


def test_a_large_body_that_makes_no_closed_way_is_doubted_and_not_passed_over() -> None:
    found = traced(small_beside_a_broken_large_one(24, 3))
    assert np.ptp(found.points.xy[:, 0]) == pytest.approx(160.0, abs=0.5)
    assert "curves-elsewhere" in codes(found)


def test_a_small_body_with_nothing_larger_beside_it_is_not_doubted() -> None:
    page = sheet()
    line(page, *map(tuple, ring((240.0, 264.0), (80.0, 34.0))), closed=True)
    line(page, (20.0, 10.0), (460.0, 10.0), (460.0, 310.0), (20.0, 310.0), closed=True)
    for x in (60.0, 180.0, 300.0):  # details, and a side view
        line(page, *map(tuple, ring((x, 60.0), (30.0, 24.0))), closed=True)
    line(page, (60.0, 130.0), (420.0, 136.0), (420.0, 170.0), (60.0, 176.0), closed=True)
    assert codes(traced(page)) == set()


def test_a_place_told_where_hatching_makes_small_loops_finds_the_body() -> None:
    """An extension line cuts a round notch short; through the notch, ten hatch lines end on the outline."""
    turn = np.linspace(0.0, np.pi, 60)
    notch = np.column_stack([110.0 + 18.0 * np.sin(turn), 160.0 - 26.0 * np.cos(turn)])
    body = [
        (80.0, 60.0),
        (380.0, 60.0),
        (400.0, 260.0),
        (80.0, 260.0),
        (108.0, 190.0),
        *map(tuple, notch),
        (108.0, 130.0),
    ]
    page = sheet()
    line(page, *reversed(body), closed=True)
    line(page, (110.0, 134.0), (110.0, 186.0), pen=1)
    for k in range(3, 58, 6):
        line(page, tuple(notch[k]), tuple(notch[k] + (25.0, 25.0)), pen=1)
    found = traced(page, through=(px(128.0, 160.0),))
    away = np.hypot(*(found.points.xy - (128.0, 320.0 - 160.0)).T)
    assert away.min() < 0.3
    assert np.ptp(found.points.xy[:, 0]) > 300.0


@pytest.mark.parametrize(("between_mm", "is_one"), [(2.0, False), (60.0, True)])
def test_a_way_out_along_one_line_and_back_along_the_one_beside_it_is_no_body(between_mm: float, is_one: bool) -> None:
    """A body may be as hollow as a horseshoe; along a binding's two lines there is next to nothing between."""
    turn = np.linspace(0.1, 2.0 * np.pi - 0.1, 600)[:, None]
    ring = np.hstack([np.cos(turn), np.sin(turn)])
    xy = np.vstack([200.0 * ring, (200.0 - between_mm) * ring[::-1]])
    way = Way(((0, True),), xy, np.ones(len(xy), dtype=bool), 0.0, True, weight=0.3)
    assert body_like(way) == is_one

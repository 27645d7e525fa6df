"""An outline that is dashed under the neck and turns corners there: where the dashes begin, or between two of them."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from shapely.geometry import LineString, Point

from tests.digitize.test_contour_boxes import PX, line, sheet, traced

Places = npt.NDArray[np.float64]
MIDDLE = np.array([200.0, 160.0])  # mm
HALF = np.array([130.0, 90.0])
NECK = 28.0  # half its width, mm


def pen_line(page: npt.NDArray[np.uint8], places: Places, pen: int, dashes: bool, begins: float = 0.0) -> None:
    """Draw a line through places, mm; dashes are 4 mm long and 2 mm apart, the first one ``begins`` mm on."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(places, axis=0).T))])
    even = np.arange(0.0, along[-1], 0.05)
    points = np.column_stack([np.interp(even, along, places[:, k]) for k in (0, 1)])
    inked = ((even - begins) % 6.0 < 4.0) & (even >= begins) if dashes else np.ones(len(even), dtype=bool)
    for run in np.split(np.arange(len(even)), np.flatnonzero(np.diff(inked.astype(int))) + 1):
        if inked[run[0]]:
            cv2.polylines(page, [np.rint(points[run] * PX * 16).astype(np.int32)], False, 40, pen, cv2.LINE_AA, 4)


def bowl(least: float) -> Places:
    """Return places on an oval, from the neck's upper side round to its lower one, mm."""
    turn = np.linspace(least, 2.0 * np.pi - least, 4000)
    return MIDDLE + HALF * np.column_stack([np.cos(turn), np.sin(turn)])


def off(found, true: Places) -> float:
    """Return by how much an outline leaves the true one, mm; the sheet's y runs up."""
    ring = LineString(true * [1.0, -1.0] + [0.0, 320.0])
    return max(ring.distance(Point(*place)) for place in found.points.xy)


@pytest.mark.parametrize("begins", [0.0, 1.5], ids=["a dash at the corner", "paper at the corner"])
@pytest.mark.parametrize("neck_pen", [1, 3], ids=["thin neck", "heavy neck"])
def test_dashes_may_begin_at_a_corner(begins: float, neck_pen: int) -> None:
    """A body that is cut straight across under the neck, dashed there; the neck's edges meet its corners.

    What a heavy edge hides of a corner makes 0.31 mm where all of the outline is solid, too.
    """
    page, body = sheet(), bowl(float(np.arcsin(NECK / HALF[1])))
    pen_line(page, body, 3, dashes=False)
    pen_line(page, np.array([body[-1], body[0]]), 3, dashes=True, begins=begins)
    for side in (0, -1):
        line(page, (300.0, body[side, 1]), (460.0, body[side, 1]), pen=neck_pen)
    line(page, (300.0, body[0, 1]), (300.0, body[-1, 1]), pen=neck_pen)
    found = traced(page)
    assert not found.half
    assert off(found, np.vstack([body, body[:1]])) < 0.4
    assert "bridged" in {one.code for one in found.doubts}


def test_dashes_may_meet_in_a_corner() -> None:
    """A body that ends in a point under the neck, dashed from the neck's sides on; a size is told from the point."""
    page, body, tip = sheet(), bowl(0.9), np.array([375.0, MIDDLE[1]])
    pen_line(page, body, 3, dashes=False)
    pen_line(page, np.array([body[0], tip]), 3, dashes=True, begins=2.0)
    pen_line(page, np.array([body[-1], tip]), 3, dashes=True, begins=2.0)
    line(page, (45.0, MIDDLE[1]), (350.0, MIDDLE[1]), pen=1)
    line(page, (tip[0], tip[1]), (tip[0], 300.0), pen=1)
    for x in (345.0, 360.0):
        line(page, (x, MIDDLE[1] - NECK), (x, MIDDLE[1] + NECK), pen=1)
    found = traced(page)
    assert not found.half
    true = np.vstack([body, tip[None], body[:1]])
    assert off(found, true) < 0.2
    tip_up = tip * [1.0, -1.0] + [0.0, 320.0]
    assert np.hypot(*(found.points.xy - tip_up).T).min() < 0.2
    assert "bridged" in {one.code for one in found.doubts}


def test_a_dashed_lining_with_corners_leaves_the_outline_alone() -> None:
    """It is drawn with the outline's own pen, and a brace between both ends on it."""
    page, body = sheet(), bowl(float(np.arcsin(NECK / HALF[1])))
    whole = np.vstack([body, body[:1]])
    pen_line(page, whole, 3, dashes=False)
    inner = np.asarray(LineString(whole).buffer(5.0).interiors[0].coords)
    pen_line(page, inner, 3, dashes=True)
    for x in (150.0, 240.0):
        line(page, (x, 78.0), (x + 20.0, 240.0), pen=3)
    found = traced(page)
    assert off(found, whole) < 0.2


@pytest.mark.parametrize("gap", [0.4, 1.0, 2.5])
def test_a_wide_line_is_bridged_where_it_is_worn_through(gap: float) -> None:
    """The middle of its ink leads to one corner of each square end, as far from the other's as the line is wide."""
    page = sheet()
    turn = np.linspace(0.0, 2.0 * np.pi, 6000)
    body = MIDDLE + HALF * np.column_stack([np.cos(turn), np.sin(turn)])
    pen_line(page, body, 6, dashes=False)
    for at in (700, 2100, 3300, 4700):
        along = body[at + 1] - body[at - 1]
        along /= np.hypot(*along)
        across = np.array([-along[1], along[0]])
        corners = [body[at] + i * gap / 2 * along + j * 1.5 * across for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        cv2.fillPoly(page, [np.rint(np.array(corners) * PX * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    found = traced(page)
    assert not found.half
    assert off(found, body) < 0.15


def half_body(page: npt.NDArray[np.uint8], dashed_from: float, gap: bool) -> Places:
    """Draw half of an oval from its end on the centerline, at the left, to a place from which it goes on dashed."""
    turn = np.linspace(np.pi, 2.0 * np.pi, 4000)
    body = MIDDLE + HALF * np.column_stack([np.cos(turn), np.sin(turn)])
    solid = body[turn < dashed_from]
    if gap:  # worn through some 12 mm from the centerline
        along = np.cumsum(np.hypot(*np.diff(solid, axis=0).T))
        cut = int(np.searchsorted(along, 12.0))
        pen_line(page, solid[:cut], 3, dashes=False)
        pen_line(page, solid[cut + 60 :], 3, dashes=False)
    else:
        pen_line(page, solid, 3, dashes=False)
    rest = body[turn >= dashed_from]
    if len(rest):  # the last dash ends on the centerline
        length = float(np.hypot(*np.diff(rest, axis=0).T).sum())
        pen_line(page, rest, 3, dashes=True, begins=(length - 3.5) % 6.0)
    line(page, (40.0, MIDDLE[1]), (360.0, MIDDLE[1]), pen=1)
    return np.vstack([body, (body * [1.0, -1.0] + [0.0, 2.0 * MIDDLE[1]])[::-1]])


@pytest.mark.parametrize("gap", [False, True], ids=["whole", "worn through near its end"])
def test_half_an_outline_goes_on_dashed_to_its_centerline(gap: bool) -> None:
    page = sheet()
    true = half_body(page, 2.0 * np.pi - 0.5, gap)
    found = traced(page)
    assert found.half
    assert off(found, true) < 0.3
    assert max(found.points.xy[:, 0]) > true[:, 0].max() - 2.0


def test_dashes_that_no_line_begins_stay_away() -> None:
    """A half whose side is a line of its own, and a dashed brace that leaves it at a right angle."""
    page = sheet()
    true = half_body(page, np.inf, gap=False)
    pen_line(page, np.array([[200.0, 72.0], [200.0, 158.0]]), 3, dashes=True, begins=2.0)
    found = traced(page)
    assert found.half
    assert off(found, true) < 0.3

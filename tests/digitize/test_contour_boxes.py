"""Rectangles: bodies where a centerline goes through them and out, borders round a body, and never half of a body."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from calibration.errors import Refusal
from digitize.contour import find_outline
from digitize.ink import find_strokes
from digitize.shapes import OutlineHints, Picture, TracedOutline
from tests.digitize.test_contour import TrueScale

PX = 4.0  # pixels a millimetre
LEFT, TOP, RIGHT, LOW = 60.0, 50.0, 410.0, 270.0  # the rectangle, mm


def sheet() -> npt.NDArray[np.uint8]:
    return np.full((round(320 * PX), round(480 * PX)), 240, np.uint8)


def line(page: npt.NDArray[np.uint8], *places: tuple[float, float], pen: int = 3, closed: bool = False) -> None:
    points = np.rint(np.array(places) * PX).astype(np.int32)
    cv2.polylines(page, [points], closed, 40, pen, cv2.LINE_AA)


def rectangle(page: npt.NDArray[np.uint8], out_mm: float = 0.0) -> None:
    left, top, right, low = LEFT - out_mm, TOP - out_mm, RIGHT + out_mm, LOW + out_mm
    line(page, (left, top), (right, top), (right, low), (left, low), closed=True)


def centerline(page: npt.NDArray[np.uint8], beyond_mm: float) -> None:
    middle = (TOP + LOW) / 2
    line(page, (LEFT - beyond_mm, middle), (RIGHT + beyond_mm, middle), pen=1)


def dimension(page: npt.NDArray[np.uint8]) -> None:
    line(page, (LEFT, LOW + 12), (RIGHT, LOW + 12), pen=1)
    for x in (LEFT, RIGHT):
        line(page, (x, LOW + 3), (x, LOW + 15), pen=1)
    cv2.putText(page, "350", (round(220 * PX), round((LOW + 24) * PX)), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 40, 2)
    line(page, (20, 10), (460, 10), (460, 310), (20, 310), pen=2, closed=True)  # the sheet's border


def traced(page: npt.NDArray[np.uint8], **said: object) -> TracedOutline:
    grey = cv2.GaussianBlur(page, (0, 0), 0.6)
    grey = np.clip(grey + np.random.default_rng(4).normal(0, 2, grey.shape), 0, 255).astype(np.uint8)
    picture = Picture(grey, "box.png", "", None, "scan")
    scale = TrueScale(np.array([[PX, 0.0, 0.0], [0.0, -PX, 320 * PX]]))
    return find_outline(picture, find_strokes(picture, PX), scale, OutlineHints(**said))  # type: ignore[arg-type]


def test_a_rectangle_with_a_centerline_through_it_and_out_is_a_body() -> None:
    page = sheet()
    rectangle(page)
    centerline(page, 18.0)
    dimension(page)
    cv2.circle(page, (round(230 * PX), round(160 * PX)), round(45 * PX), 40, 2, cv2.LINE_AA)
    found = traced(page)
    assert not found.half
    assert np.ptp(found.points.xy, axis=0) == pytest.approx([RIGHT - LEFT, LOW - TOP], abs=0.3)


def test_without_one_it_may_be_a_border_and_three_of_its_sides_are_no_half() -> None:
    page = sheet()
    rectangle(page)
    dimension(page)
    with pytest.raises(Refusal) as refusal:
        traced(page)
    assert refusal.value.code == "no-outline"


@pytest.mark.parametrize("half", [True, False])
def test_a_border_with_a_line_through_its_middle_and_out_is_no_body_where_one_lies_in_it(half: bool) -> None:
    page = sheet()
    rectangle(page)
    centerline(page, 25.0)
    turn = np.linspace(0.0, np.pi if half else 2 * np.pi, 200)
    middle = (TOP + LOW) / 2
    body = np.column_stack([235 - 130 * np.cos(turn), middle - 85 * np.sin(turn)])
    line(page, *map(tuple, body), closed=not half)
    found = traced(page)
    assert found.half == half
    assert np.ptp(found.points.xy[:, 0]) == pytest.approx(260.0, abs=0.5)


@pytest.mark.parametrize("taper_mm", [3.0, 12.0])  # it fills 0.99 and 0.945 of its own rectangle
def test_a_box_that_tapers_a_little_is_a_body_as_well(taper_mm: float) -> None:
    page = sheet()
    line(page, (LEFT, TOP), (RIGHT, TOP + taper_mm), (RIGHT, LOW - taper_mm), (LEFT, LOW), closed=True)
    centerline(page, 18.0)
    dimension(page)
    found = traced(page)
    assert not found.half
    assert np.ptp(found.points.xy, axis=0) == pytest.approx([RIGHT - LEFT, LOW - TOP], abs=0.3)


def test_a_body_with_straight_sides_is_whole_where_its_centerline_goes_through_it_and_out() -> None:
    """A straight side, met squarely enough at both ends, looks like the centerline of a half otherwise."""
    page = sheet()
    middle, wide, narrow = (TOP + LOW) / 2, 118.0, 66.0  # half widths at both ends
    line(page, (LEFT, middle - wide), (RIGHT, middle - narrow), (RIGHT, middle + narrow), (LEFT, middle + wide),
         closed=True)  # fmt: skip
    centerline(page, 18.0)
    cv2.circle(page, (round(250 * PX), round(middle * PX)), round(45 * PX), 40, 2, cv2.LINE_AA)
    found = traced(page)
    assert not found.half
    assert np.ptp(found.points.xy, axis=0) == pytest.approx([RIGHT - LEFT, 2 * wide], abs=0.5)  # its corners are cut


def test_what_braces_close_in_a_box_is_no_body_that_it_would_be_the_border_of() -> None:
    """Two braces across a long box make a cell with two of its sides, as large as a body, by turns at every corner."""
    page = sheet()
    rectangle(page)
    centerline(page, 18.0)
    for x in (150.0, 158.0, 300.0, 308.0):
        line(page, (x, TOP), (x + 12.0, LOW), pen=2)
    dimension(page)
    found = traced(page)
    assert not found.half
    assert np.ptp(found.points.xy, axis=0) == pytest.approx([RIGHT - LEFT, LOW - TOP], abs=0.3)


@pytest.mark.parametrize("lining_mm", [3.0, 7.0])
def test_a_side_view_with_its_lining_is_no_half_of_a_body(lining_mm: float) -> None:
    """The lining's line goes from end to end: three sides of the view stand on it as half a body on its centerline."""
    page = sheet()
    line(page, (LEFT, 120), (RIGHT, 120), (RIGHT, 232), (240, 226), (LEFT, 205), closed=True)
    line(page, (LEFT, 120 + lining_mm), (RIGHT, 120 + lining_mm), pen=2)
    with pytest.raises(Refusal) as refusal:
        traced(page)
    assert refusal.value.code == "no-outline"


@pytest.mark.parametrize("apart_mm", [4.0, 9.0])
def test_a_double_border_is_no_body_where_the_body_cannot_be_followed(apart_mm: float) -> None:
    """Of the lines outside the inner border the outer one is the longest."""
    page = sheet()
    rectangle(page, 30.0)
    rectangle(page, 30.0 - apart_mm)
    turn = np.linspace(0.3, 2 * np.pi - 1.2, 200)  # a body with a side torn off
    line(page, ((LEFT + RIGHT) / 2, 3), ((LEFT + RIGHT) / 2, 317), pen=1)  # a fold: through its middle and out
    line(page, *map(tuple, np.column_stack([235 - 130 * np.cos(turn), 160 - 85 * np.sin(turn)])))
    with pytest.raises(Refusal) as refusal:
        traced(page)
    assert refusal.value.code == "no-outline"

"""An outline that is dashed where the neck hides it, and dashed lines that are none of it."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from calibration.errors import Refusal
from tests.digitize.test_contour_boxes import PX, line, sheet, traced

MIDDLE = np.array([220.0, 160.0])  # mm
HALF = np.array([150.0, 95.0])
NECK = 28.0  # half its width, mm


def egg(turn: npt.NDArray[np.float64], grown_mm: float = 0.0) -> npt.NDArray[np.float64]:
    """Return places (N, 2) on the body, mm: an oval, wider on the left; its neck end is on the right."""
    x, y = (HALF[0] + grown_mm) * np.cos(turn), (HALF[1] + grown_mm) * np.sin(turn)
    return MIDDLE + np.column_stack([x, y * (1.0 - 0.12 * np.cos(turn))])


def drawn(page: npt.NDArray[np.uint8], first: float, last: float, dashed: bool, grown_mm: float = 0.0, pen: int = 3):
    """Draw the body between two turns, rad; dashes are 4 mm and 2 mm apart."""
    places = egg(np.linspace(first, last, 4000), grown_mm)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(places, axis=0).T))])
    inked = (along % 6.0 < 4.0) if dashed else np.ones(len(along), dtype=bool)
    for run in np.split(np.arange(len(along)), np.flatnonzero(np.diff(inked.astype(int))) + 1):
        if inked[run[0]]:
            points = np.rint(places[run] * PX * 16).astype(np.int32)
            cv2.polylines(page, [points], False, 40, pen, cv2.LINE_AA, 4)


def neck(page: npt.NDArray[np.uint8], frets: bool) -> float:
    """Draw a neck that runs into the body and return the turn at which its edges meet that."""
    for side in (-1, 1):
        line(page, (330, MIDDLE[1] + side * NECK), (470, MIDDLE[1] + side * NECK), pen=2)
    line(page, (330, MIDDLE[1] - NECK), (330, MIDDLE[1] + NECK), pen=2)
    for x in (340.0, 351.0, 376.0, 402.0, 425.0) if frets else ():
        line(page, (x, MIDDLE[1] - NECK), (x, MIDDLE[1] + NECK), pen=1)
    line(page, (45, MIDDLE[1]), (470, MIDDLE[1]), pen=1)
    turns = np.linspace(0.0, 0.6, 2000)
    return float(turns[np.argmin(np.abs(egg(turns)[:, 1] - MIDDLE[1] - NECK))])


@pytest.mark.parametrize("frets", [pytest.param(False, marks=pytest.mark.slow), True])
def test_an_outline_goes_on_dashed_under_the_neck(frets: bool) -> None:
    page = sheet()
    meets = neck(page, frets)
    drawn(page, meets, 2 * np.pi - meets, dashed=False)
    drawn(page, -meets, meets, dashed=True)
    found = traced(page)
    assert not found.half
    true = egg(np.linspace(0, 2 * np.pi, 20000)) * [1.0, -1.0] + [0.0, 320.0]
    off = [float(np.hypot(*(true - place).T).min()) for place in found.points.xy]
    assert max(off) < 0.2
    # where the neck's edge runs into the outline's end, which ink is whose is not certain
    assert {one.code for one in found.doubts} in ({"bridged"}, {"bridged", "merged-line"})


def test_a_dimension_line_hides_some_of_the_dashes() -> None:
    """It runs from the body's end, nearly along the outline, as the one that the length is measured to does."""
    page = sheet()
    meets = neck(page, frets=False)
    drawn(page, meets, 2 * np.pi - meets, dashed=False)
    drawn(page, -meets, meets, dashed=True)
    end = float(egg(np.linspace(-meets, meets, 2000))[:, 0].max())
    line(page, (end, MIDDLE[1] - 8.0), (end, 300.0), pen=2)
    found = traced(page)
    assert not found.half
    true = egg(np.linspace(0, 2 * np.pi, 20000)) * [1.0, -1.0] + [0.0, 320.0]
    off = [float(np.hypot(*(true - place).T).min()) for place in found.points.xy]
    assert max(off) < 0.5
    assert "bridged" in {one.code for one in found.doubts}


def test_a_dashed_line_all_round_is_no_outline() -> None:
    """A lining, dashed, and nothing else; it starts and ends on no line that goes on as it does."""
    page = sheet()
    drawn(page, 0.0, 2 * np.pi, dashed=True)
    with pytest.raises(Refusal):
        traced(page)


def test_a_dashed_lining_leaves_the_outline_alone() -> None:
    page = sheet()
    drawn(page, 0.0, 2 * np.pi, dashed=False)
    drawn(page, 0.0, 2 * np.pi, dashed=True, grown_mm=-3.0)
    neck(page, frets=True)
    found = traced(page)
    assert np.ptp(found.points.xy[:, 0]) == pytest.approx(2 * HALF[0], abs=0.3)

"""Paper and table as light as each other: only their colour tells them apart."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from digitize.shapes import Picture
from digitize.sheet import find_sheet
from digitize.sheet.tint import tinted
from tests.digitize.sheet_scene import View

WIDE_MM, HIGH_MM = 420.0, 297.0
PAPER, TABLE = (162.0, 155.0, 103.0), (150.0, 151.0, 152.0)  # 151 both, by ITU-R BT.601
TIMES = 2  # the copy in colour is so many times smaller
NEAR_PX = 0.5


def photo(view: View, paper: tuple[float, float, float] = PAPER) -> Picture:
    """Return a photo of an empty sheet, lit less and less from left to right."""
    corners = view.to_px([(0, 0), (WIDE_MM, 0), (WIDE_MM, HIGH_MM), (0, HIGH_MM)])
    fine = np.zeros((view.high * 2, view.wide * 2), np.uint8)
    cv2.fillPoly(fine, [np.rint((corners * 2 + 0.5) * 64).astype(np.int32)], 255, cv2.LINE_AA, 6)
    size = view.wide // TIMES, view.high // TIMES
    part = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32)[:, :, None] / 255.0
    rng = np.random.default_rng(5)
    shade = np.linspace(1.0, 0.75, size[0])[None, :, None]
    colours = (part * paper + (1.0 - part) * TABLE) * shade + rng.normal(0, 1.5, (*size[::-1], 3))
    colours = np.clip(np.rint(colours), 0, 255).astype(np.uint8)
    grey = np.linspace(151.0, 113.0, view.wide)[None] + rng.normal(0, 2.0, (view.high, view.wide))
    return Picture(np.clip(np.rint(grey), 0, 255).astype(np.uint8), "t.jpg", "", None, "photo", colours=colours)


def off_px(view: View, places: npt.NDArray[np.float64]) -> float:
    """Return how far places are from the nearest true edge, root mean square."""
    mm = view.to_mm(places)
    away = np.abs(np.column_stack([mm[:, 0], mm[:, 0] - WIDE_MM, mm[:, 1], mm[:, 1] - HIGH_MM])).min(axis=1)
    return float(np.sqrt(np.mean(away**2))) * view.focal / view.away_mm


@pytest.mark.parametrize("turn_deg", [3.0, pytest.param(20.0, marks=pytest.mark.slow)])
def test_all_four_edges_are_found_by_colour(turn_deg: float) -> None:
    view = View(turn_deg=turn_deg, away_mm=520.0)
    picture = photo(view)
    assert not find_sheet(replace(picture, colours=None)).edges
    found = find_sheet(picture)
    assert len(found.edges) == 4 and len(found.angles) == 3
    for edge in found.edges:
        assert off_px(view, edge.places.xy) < NEAR_PX


def test_one_colour_all_over_tells_nothing() -> None:
    picture = photo(View(), paper=TABLE)
    assert picture.colours is not None
    assert tinted(picture.colours, (750, 1000)) is None


def covered(view: View, corners_mm: npt.ArrayLike, size: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Return how much of each pixel of a picture (wide, high) a polygon on the sheet covers."""
    fine = np.zeros((size[1] * 2, size[0] * 2), np.uint8)
    corners = view.to_px(corners_mm) * (size[0] * 2 / view.wide)
    cv2.fillPoly(fine, [np.rint((corners + 0.5) * 64).astype(np.int32)], 255, cv2.LINE_AA, 6)
    return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float64)[:, :, None] / 255.0


def test_a_grey_square_on_brown_paper_bounds_no_sheet_of_its_own() -> None:
    """By light two edges are found, the others being out of the frame and under the square; by colour, its arms are."""
    view = View(turn_deg=0.6, tilt_deg=(0.5, -0.5), away_mm=400.0, aim_mm=(210.0, 205.0))
    arms = [(-40, 60), (415, 60), (415, 92), (-40, 92)], [(375, 60), (415, 60), (424, 360), (384, 360)]
    paper, table, steel = (200.0, 178.0, 128.0), (122.0, 92.0, 58.0), (150.0, 152.0, 155.0)

    def painted(size: tuple[int, int], seed: int) -> npt.NDArray[np.uint8]:
        rng = np.random.default_rng(seed)
        seen = np.full((size[1], size[0], 3), table) + rng.normal(0, 4.0, (size[1], size[0], 1))
        for corners, colour in (([(0, 0), (WIDE_MM, 0), (WIDE_MM, HIGH_MM), (0, HIGH_MM)], paper),
                                (arms[0], steel), (arms[1], steel)):
            part = covered(view, corners, size)
            seen = part * colour + (1.0 - part) * seen
        return np.clip(np.rint(seen + rng.normal(0, 1.5, seen.shape)), 0, 255).astype(np.uint8)

    colours = painted((view.wide // TIMES, view.high // TIMES), 5)
    grey = cv2.cvtColor(painted((view.wide, view.high), 6), cv2.COLOR_RGB2GRAY)
    picture = Picture(grey, "t.jpg", "", None, "photo", colours=colours)
    found = find_sheet(picture)
    assert found.sheets == 1 and len(found.edges) >= 2
    for edge in found.edges:
        assert off_px(view, edge.places.xy) < NEAR_PX

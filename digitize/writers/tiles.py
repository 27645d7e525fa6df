"""How a drawing is laid out over sheets of paper: windows, overlaps, joining marks.

Every page shows one window of the drawing. Neighbours share a band of 10 mm, in which both carry the same
crosses: two for each seam, put where the drawing leaves room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.arcs import Box
from digitize.writers.sheets import SHEETS_MM, Size

MARGIN_MM = 10.0  # what ordinary printers leave white
OVERLAP_MM = 10.0
FOOT_MM = 20.0  # strip below the window for the check lines and the label
ROOM_MM = 2.0  # between the drawing and the outer edge of the outer windows
MARK_ROOM_MM = 9.0  # a cross this far from every line is clear enough
MARK_STEP_MM = 2.0


@dataclass(frozen=True)
class Tile:
    """One page's window."""

    row: int  # from 1 at the top
    column: int  # from 1 at the left
    number: int  # of the page in the file
    window: Box  # mm, drawing


@dataclass(frozen=True)
class Mark:
    """A joining cross shown on both pages of a seam."""

    name: str
    at: tuple[float, float]  # mm, drawing


@dataclass(frozen=True)
class Layout:
    """All pages of one drawing on one kind of sheet."""

    sheet: str
    size: Size  # width, height of the page as it lies, mm
    rows: int
    columns: int
    tiles: tuple[Tile, ...]
    marks: tuple[Mark, ...]

    @property
    def pages(self) -> int:
        """Number of pages in the file: the tiles, and a map before them when they are several."""
        return len(self.tiles) + (len(self.tiles) > 1)

    def at(self, row: int, column: int) -> Tile | None:
        """Return the page at a place of the grid, None where nothing is drawn."""
        return next((tile for tile in self.tiles if (tile.row, tile.column) == (row, column)), None)


def lay_out(points_mm: FloatArray, sheet: str) -> Layout:
    """Return the pages for a drawing given as dense points (N, 2), upright or across, whichever takes fewer.

    Raises:
        KeyError: the sheet is unknown.
    """
    short, long = SHEETS_MM[sheet]
    layouts = [_lay_out(points_mm, sheet, size) for size in ((short, long), (long, short))]
    return min(layouts, key=lambda layout: len(layout.tiles))


def window_size(size: Size) -> Size:
    """Return the width and height of the drawing shown on a page of this size, mm."""
    return size[0] - 2.0 * MARGIN_MM, size[1] - 2.0 * MARGIN_MM - FOOT_MM


def _lay_out(points_mm: FloatArray, sheet: str, size: Size) -> Layout:
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    window = window_size(size)
    counts = [_count(high[axis] - low[axis], window[axis]) for axis in (0, 1)]
    covered = [window[axis] + (counts[axis] - 1) * (window[axis] - OVERLAP_MM) for axis in (0, 1)]
    left = (low[0] + high[0] - covered[0]) / 2.0
    top = (low[1] + high[1] + covered[1]) / 2.0
    tiles = _tiles(points_mm, window, (float(left), float(top)), (counts[1], counts[0]))
    bare = Layout(sheet, size, counts[1], counts[0], tiles, ())
    return Layout(sheet, size, counts[1], counts[0], tiles, _marks(bare, points_mm))


def _count(extent_mm: float, window_mm: float) -> int:
    return max(1, math.ceil((extent_mm + 2.0 * ROOM_MM - OVERLAP_MM) / (window_mm - OVERLAP_MM)))


def _tiles(points_mm: FloatArray, window: Size, corner: Size, grid: tuple[int, int]) -> tuple[Tile, ...]:
    """Return the windows that hold something, row by row from the top left corner."""
    boxes = []
    for row in range(grid[0]):
        for column in range(grid[1]):
            x = corner[0] + column * (window[0] - OVERLAP_MM)
            y = corner[1] - row * (window[1] - OVERLAP_MM)
            boxes.append((row + 1, column + 1, (x, y - window[1], x + window[0], y)))
    held = [each for each in boxes if inside(points_mm, each[2]).any()]
    first = 2 if len(held) > 1 else 1
    return tuple(Tile(row, column, first + index, box) for index, (row, column, box) in enumerate(held))


def inside(points_mm: FloatArray, box: Box) -> BoolArray:
    """Tell which of the points (N, 2) lie in a box, its edges included."""
    low, high = np.array(box[:2]), np.array(box[2:])
    return np.asarray(((points_mm >= low) & (points_mm <= high)).all(axis=1))


def _marks(layout: Layout, points_mm: FloatArray) -> tuple[Mark, ...]:
    """Return two crosses for each seam between two pages, named A1, A2, B1, ..."""
    marks: list[Mark] = []
    for index, (one, other) in enumerate(seams(layout)):
        band = _shared(one.window, other.window)
        for place, at in enumerate(_places(band, points_mm), start=1):
            marks.append(Mark(f"{_letters(index)}{place}", at))
    return tuple(marks)


def seams(layout: Layout) -> list[tuple[Tile, Tile]]:
    """Return the pairs of pages that join: each with its right, then with its lower neighbour."""
    pairs = []
    for tile in layout.tiles:
        for row, column in ((tile.row, tile.column + 1), (tile.row + 1, tile.column)):
            other = layout.at(row, column)
            if other is not None:
                pairs.append((tile, other))
    return pairs


def _shared(one: Box, other: Box) -> Box:
    return max(one[0], other[0]), max(one[1], other[1]), min(one[2], other[2]), min(one[3], other[3])


def _places(band: Box, points_mm: FloatArray) -> list[tuple[float, float]]:
    """Return two clear places on a band's middle, one in each half, away from the bands that cross its ends."""
    upright = band[3] - band[1] > band[2] - band[0]
    low, high = (band[1], band[3]) if upright else (band[0], band[2])
    middle = (band[0] + band[2]) / 2.0 if upright else (band[1] + band[3]) / 2.0
    places = []
    for wanted, start, stop in ((0.25, 0.1, 0.45), (0.75, 0.55, 0.9)):
        along = np.arange(low + start * (high - low), low + stop * (high - low), MARK_STEP_MM)
        at = np.column_stack([np.full_like(along, middle), along] if upright else [along, np.full_like(along, middle)])
        room = np.minimum(_distance(at, points_mm), MARK_ROOM_MM)
        off = np.abs(along - (low + wanted * (high - low)))
        best = np.lexsort([off, -room])[0]
        places.append((float(at[best, 0]), float(at[best, 1])))
    return places


def _distance(at: FloatArray, points_mm: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(*(at[:, None, :] - points_mm[None, :, :]).transpose(2, 0, 1)).min(axis=1))


def _letters(index: int) -> str:
    """Return A .. Z, AA, AB, ..."""
    more, last = divmod(index, len(ascii_uppercase))
    return (_letters(more - 1) if more else "") + ascii_uppercase[last]

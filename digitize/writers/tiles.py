"""How a drawing is laid out over sheets of paper: windows, overlaps, joining marks.

Every page shows one window of the drawing. Neighbours share a band of 10 mm, in which both carry the same
crosses: two for each seam, put where the drawing leaves room.

A printer that is known to print off size gets pages drawn larger or smaller by as much (``Layout.scale``). All
places here stay those of the print as it comes out: only the page's own size is in the printer's millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from string import ascii_uppercase

import numpy as np

from calibration.frames import BoolArray, FloatArray
from calibration.units import MM_PER_INCH
from digitize.arcs import Box
from digitize.writers.sheets import SHEETS_MM, Size

MARGIN_MM = 10.0  # what ordinary printers leave white
OVERLAP_MM = 10.0
FOOT_MM = 20.0  # strip below the window for the check lines and the label
SIDE_MM = 10.0  # strip to the right of the window for the upright check lines
# Upright check lines with their words, from where the first one begins; they stand so far off from all else, at least
# and at best, where there is no strip for them, and are looked for in such steps.
UPRIGHT_BOX_MM: Box = (-3.5, -1.5, 6.5, 116.0)
UPRIGHT_LEAST_MM, UPRIGHT_CLEAR_MM, UPRIGHT_STEP_MM = 2.0, 12.0, 4.0
LEAST_WINDOW_MM = (182.0, 145.0)  # of a page cut to its picture: the check lines and the label need as much
ONE_PAGE = "one page"
# Pages that carry a picture, and the picture's edges on them, are whole steps of this: programs that turn pages into
# dots move a picture's edges to whole dots, and on 300, 600 or 1200 to the inch these are whole already.
STEP_MM = MM_PER_INCH / 300.0
TINY_STEPS = 1e-6  # of rounding
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
    upright: Size | None = None  # where its upright check lines begin, mm of the page, if they have no strip


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
    side_mm: float = 0.0  # strip to the right of the window
    scale: Size = (1.0, 1.0)  # width, height: mm of the page for each mm of the print as it comes out

    @property
    def printed(self) -> Size:
        """Width and height of the page in mm of the print as it comes out."""
        return self.size[0] / self.scale[0], self.size[1] / self.scale[1]

    @property
    def pages(self) -> int:
        """Number of pages in the file: the tiles, and a map before them when they are several."""
        return len(self.tiles) + (len(self.tiles) > 1)

    def at(self, row: int, column: int) -> Tile | None:
        """Return the page at a place of the grid, None where nothing is drawn."""
        return next((tile for tile in self.tiles if (tile.row, tile.column) == (row, column)), None)


def lay_out(points_mm: FloatArray, sheet: str, words_mm: FloatArray | None = None) -> Layout:
    """Return the pages for a drawing given as dense points (N, 2), upright or across, whichever takes fewer.

    Upright check lines have a strip of their own where that takes no more pages; else they stand where the drawing
    and its words, ``words_mm`` (K, 2), leave room.

    Raises:
        KeyError: the sheet is unknown.
    """
    short, long = SHEETS_MM[sheet]
    sizes = ((short, long), (long, short))
    layouts = [_lay_out(points_mm, sheet, size, side_mm) for side_mm in (SIDE_MM, 0.0) for size in sizes]
    layout = min(layouts, key=lambda layout: len(layout.tiles))
    if layout.side_mm:
        return layout
    held = [points_mm, np.array([mark.at for mark in layout.marks]).reshape(-1, 2)]
    held += [] if words_mm is None else [words_mm]
    return replace(layout, tiles=tuple(_with_upright(tile, np.concatenate(held)) for tile in layout.tiles))


def _with_upright(tile: Tile, held_mm: FloatArray) -> Tile:
    """Return a page with the clearest place in its window for upright check lines, the lowest one furthest right."""
    low, high = np.array(tile.window[:2]), np.array(tile.window[2:])
    before, after = np.array(UPRIGHT_BOX_MM[:2]), np.array(UPRIGHT_BOX_MM[2:])
    first, last = low + UPRIGHT_CLEAR_MM - before, high - UPRIGHT_CLEAR_MM - after  # clear of the seams
    x, y = (np.arange(last[axis], first[axis], -UPRIGHT_STEP_MM) for axis in (0, 1))
    at = np.stack(np.meshgrid(x, y[::-1]), axis=-1).reshape(-1, 2)
    if not len(at):
        return tile
    near = held_mm[inside(held_mm, tile.window)]
    off = np.maximum(np.maximum(at[:, None] + before - near[None], near[None] - at[:, None] - after), 0.0)
    room = np.hypot(*off.transpose(2, 0, 1)).min(axis=1, initial=UPRIGHT_CLEAR_MM)
    best = int(np.argmax(room))
    if room[best] < UPRIGHT_LEAST_MM:
        return tile
    place = at[best] - low + (MARGIN_MM, MARGIN_MM + FOOT_MM)
    return replace(tile, upright=(float(place[0]), float(place[1])))


def lay_out_picture(box: Box, ink_mm: FloatArray, sheet: str, scale: Size = (1.0, 1.0)) -> Layout:
    """Return the pages for a picture: all of its box, also where nothing is drawn, with room for upright check lines.

    Args:
        box: what is printed, mm.
        ink_mm: (N, 2) places of its ink, which the joining marks keep clear of.
        sheet: the paper's name.
        scale: mm of the page for each mm printed, along the paper's short and its long side.

    Raises:
        KeyError: the sheet is unknown.
    """
    short, long = (_whole_steps(side) for side in SHEETS_MM[sheet])
    sizes = ((short, long), (long, short))
    # The way the paper lies must not depend on the printer, or the next print would be corrected crosswise.
    lying = min(sizes, key=lambda size: math.prod(_grid(box, window_size(size, SIDE_MM))))
    upright = lying[0] <= lying[1]
    bare = Layout(sheet, lying, 0, 0, (), (), SIDE_MM, scale if upright else (scale[1], scale[0]))
    return _filled(bare, box, ink_mm, all_pages=True)


def lay_out_one(box: Box, scale: Size = (1.0, 1.0), step_mm: float = STEP_MM) -> Layout:
    """Return one page just as large as a picture needs; ``scale`` as for ``lay_out_picture``.

    The picture begins and ends on whole steps of the page, as far beyond the box on either side, so that a mirrored
    one has the same pixels.
    """
    width, height = box[2] - box[0], box[3] - box[1]
    upright = max(width, LEAST_WINDOW_MM[0]) + SIDE_MM <= max(height, LEAST_WINDOW_MM[1]) + FOOT_MM
    scale = scale if upright else (scale[1], scale[0])
    left, right, wide = _one_way(width, LEAST_WINDOW_MM[0], MARGIN_MM + SIDE_MM, step_mm / scale[0])
    top, low, high = _one_way(height, LEAST_WINDOW_MM[1], MARGIN_MM + FOOT_MM, step_mm / scale[1])
    tile = Tile(1, 1, 1, (box[0] - left, box[1] - low, box[2] + right, box[3] + top))
    return Layout(ONE_PAGE, (wide * scale[0], high * scale[1]), 1, 1, (tile,), (), SIDE_MM, scale)


def _one_way(length: float, least: float, after: float, step: float) -> tuple[float, float, float]:
    """Return the window's room before and after a picture, and the page's length, in one direction, mm printed."""
    whole = _up(length, step)
    pad = max(0.0, least - whole) / 2.0
    first = _up(MARGIN_MM + pad, step)
    page = _up(first + whole + pad + after, step)
    begins = first + (whole - length) / 2.0
    return begins - MARGIN_MM, page - after - begins - length, page


def _up(length: float, step: float) -> float:
    return math.ceil(length / step - TINY_STEPS) * step


def _whole_steps(length_mm: float) -> float:
    """Return the nearest length of whole steps; a sheet of paper changes by less than 0.05 mm."""
    return round(length_mm / STEP_MM) * STEP_MM


def window_size(size: Size, side_mm: float = 0.0) -> Size:
    """Return the width and height of the drawing shown on a page of this size, mm."""
    return size[0] - 2.0 * MARGIN_MM - side_mm, size[1] - 2.0 * MARGIN_MM - FOOT_MM


def _lay_out(points_mm: FloatArray, sheet: str, size: Size, side_mm: float) -> Layout:
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return _filled(Layout(sheet, size, 0, 0, (), (), side_mm), box, points_mm)


def _filled(bare: Layout, box: Box, points_mm: FloatArray, *, all_pages: bool = False) -> Layout:
    """Return a layout with its pages and marks: all pages, or those that show any of the points."""
    window = window_size(bare.printed, bare.side_mm)
    columns, rows = _grid(box, window)
    covered = [window[axis] + (count - 1) * (window[axis] - OVERLAP_MM) for axis, count in enumerate((columns, rows))]
    left, top = (box[0] + box[2] - covered[0]) / 2.0, (box[1] + box[3] + covered[1]) / 2.0
    tiles = _tiles(None if all_pages else points_mm, window, (left, top), (rows, columns))
    unmarked = replace(bare, rows=rows, columns=columns, tiles=tiles)
    return replace(unmarked, marks=_marks(unmarked, points_mm))


def _grid(box: Box, window: Size) -> tuple[int, int]:
    """Return the columns and rows of pages that cover a box."""
    return _count(box[2] - box[0], window[0]), _count(box[3] - box[1], window[1])


def _count(extent_mm: float, window_mm: float) -> int:
    return max(1, math.ceil((extent_mm + 2.0 * ROOM_MM - OVERLAP_MM) / (window_mm - OVERLAP_MM)))


def _tiles(points_mm: FloatArray | None, window: Size, corner: Size, grid: tuple[int, int]) -> tuple[Tile, ...]:
    """Return the windows that hold any of the points, or all of them, row by row from the top left corner."""
    boxes = []
    for row in range(grid[0]):
        for column in range(grid[1]):
            x = corner[0] + column * (window[0] - OVERLAP_MM)
            y = corner[1] - row * (window[1] - OVERLAP_MM)
            boxes.append((row + 1, column + 1, (x, y - window[1], x + window[0], y)))
    held = [each for each in boxes if points_mm is None or inside(points_mm, each[2]).any()]
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
        band = shared(one.window, other.window)
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


def shared(one: Box, other: Box) -> Box:
    """Return what two boxes have in common; its ends are exchanged where that is nothing."""
    return max(one[0], other[0]), max(one[1], other[1]), min(one[2], other[2]), min(one[3], other[3])


def _places(band: Box, points_mm: FloatArray) -> list[tuple[float, float]]:
    """Return two clear places on a band's middle, one in each half, away from the bands that cross its ends."""
    reach = (band[0] - MARK_ROOM_MM, band[1] - MARK_ROOM_MM, band[2] + MARK_ROOM_MM, band[3] + MARK_ROOM_MM)
    points_mm = points_mm[inside(points_mm, reach)]
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
    if not len(points_mm):
        return np.full(len(at), np.inf)
    return np.asarray(np.hypot(*(at[:, None, :] - points_mm[None, :, :]).transpose(2, 0, 1)).min(axis=1))


def _letters(index: int) -> str:
    """Return A .. Z, AA, AB, ..."""
    more, last = divmod(index, len(ascii_uppercase))
    return (_letters(more - 1) if more else "") + ascii_uppercase[last]

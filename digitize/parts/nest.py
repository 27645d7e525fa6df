"""Pieces laid out on sheets: the largest first, each as far to the lower left as it goes, in four directions.

The sheet is looked at in squares of a few millimetres; where a piece may lie is one convolution of what is taken with
its own shape (the discrete form of no-fit regions). Squares are counted as taken when any of them might be, so that a
layout is never too tight; distances are checked exactly afterwards. Not the fewest sheets that could be had.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from digitize.arcs import flatten
from digitize.mold_shapes import Part, Placed, SheetPlan, Stock
from digitize.parts.regions import moved

CELL_MM = 5.0
FLAT_MM = 0.05
FREE = 0.5  # a convolution of whole numbers: less than this is none taken
TINY_MM = 1e-6

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Lying:
    """A part turned by quarters, its lower left corner at (0, 0)."""

    part: Part
    quarters: int
    corner: tuple[float, float]  # of the turned part, before it is moved to (0, 0)
    polygon: shapely.Polygon
    mask: Mask  # (rows, columns) squares that it may touch, half the spacing round it included


class _Sheet:
    """One sheet being filled."""

    def __init__(self, stock: Stock, edge_mm: float, spacing_mm: float) -> None:
        self.stock = stock
        self.half = spacing_mm / 2.0
        # Half the spacing belongs to each piece, so that it may stick out over the room that is used.
        self.origin = edge_mm - spacing_mm / 2.0
        room = (stock.width_mm - 2.0 * self.origin, stock.height_mm - 2.0 * self.origin)
        self.shape = (int(room[1] // CELL_MM), int(room[0] // CELL_MM))
        self.taken = np.zeros((max(self.shape[0], 0), max(self.shape[1], 0)), dtype=bool)
        self.placed: list[tuple[_Lying, tuple[float, float]]] = []
        # Round about: only places where a piece lies wholly on the sheet are looked at, and those do not wrap.
        self._size = (_quick(self.shape[0]), _quick(self.shape[1]))
        self._spectra: dict[tuple[str, int], npt.NDArray[np.complex128]] = {}  # of pieces, on this sheet's size
        self._taken: npt.NDArray[np.complex128] | None = None  # what is taken, until a piece is added
        self._last: dict[tuple[str, int], tuple[int, int] | None] = {}  # where a piece last went best

    def place(self, ways: list[_Lying]) -> bool:
        """Put a piece where it goes farthest to the lower left; tell whether it went anywhere."""
        spots = [(spot, lying) for lying in ways if (spot := self._spot(lying)) is not None]
        if not spots:
            return False
        (_, row, column), lying = min(spots, key=lambda one: one[0])
        rows, columns = lying.mask.shape
        self.taken[row : row + rows, column : column + columns] |= lying.mask
        self._taken = None
        self.placed.append((lying, (self.origin + column * CELL_MM, self.origin + row * CELL_MM)))
        return True

    def _spot(self, lying: _Lying) -> tuple[tuple[float, float], int, int] | None:
        """Return the best free place of a piece with its rank: least used length first, then least height."""
        rows, columns = lying.mask.shape
        key = (lying.part.name, lying.quarters)
        # Places are taken and never given back: one that was the best and is still free is still the best.
        if key not in self._last or not self._free(lying, self._last[key]):
            self._last[key] = self._best(lying)
        best = self._last[key]
        return best and ((float(best[1] + columns), float(best[0] + rows)), *best)

    def _free(self, lying: _Lying, place: tuple[int, int] | None) -> bool:
        """Tell whether a place is as it was: free, or none."""
        if place is None:
            return True
        rows, columns = lying.mask.shape
        return not (self.taken[place[0] : place[0] + rows, place[1] : place[1] + columns] & lying.mask).any()

    def _best(self, lying: _Lying) -> tuple[int, int] | None:
        """Return the row and column of the best free place of a piece."""
        rows, columns = lying.mask.shape
        if rows > self.shape[0] or columns > self.shape[1]:
            return None
        if self._taken is None:
            self._taken = np.fft.rfft2(self.taken, self._size)
        key = (lying.part.name, lying.quarters)
        if key not in self._spectra:
            self._spectra[key] = np.fft.rfft2(lying.mask[::-1, ::-1], self._size)
        hits = np.fft.irfft2(self._taken * self._spectra[key], self._size)
        hits = hits[rows - 1 : self.shape[0], columns - 1 : self.shape[1]]
        free = np.argwhere(hits.T < FREE)  # by columns first: the lower left is at the start
        if not len(free):
            return None
        column, row = free[0].tolist()
        return row, column


def _quick(length: int) -> int:
    """Return the next length up that falls into small factors, for which the transform is quick."""
    length = max(length, 1)
    while True:
        rest = length
        for factor in (2, 3, 5, 7):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return length
        length += 1


def nest(
    parts: tuple[Part, ...], stock: tuple[Stock, ...], spacing_mm: float, edge_mm: float
) -> tuple[tuple[SheetPlan, ...], dict[str, int]]:
    """Return the sheets with all pieces of the parts, and how many of each part found no room.

    Args:
        parts: to be cut ``count`` times each, of one thickness and material.
        stock: the first are used first; those without a number as often as needed.
        spacing_mm: between pieces, room for the cut included.
        edge_mm: from the pieces to the sheet's edge.
    """
    ways = {part.name: [_lying(part, quarters, spacing_mm) for quarters in range(4)] for part in parts}
    order = sorted(parts, key=lambda part: -ways[part.name][0].polygon.area)
    sheets: list[_Sheet] = []
    more = _supply(stock, edge_mm, spacing_mm)
    left: dict[str, int] = {}
    for part in order:
        for _ in range(part.count):
            if not _put(ways[part.name], sheets, more):
                left[part.name] = left.get(part.name, 0) + 1
    plans = tuple(_plan(sheet) for sheet in sheets if sheet.placed)
    for sheet in sheets:
        _check(sheet, spacing_mm, edge_mm)
    return plans, left


def _supply(stock: tuple[Stock, ...], edge_mm: float, spacing_mm: float) -> Iterator[_Sheet]:
    """Yield empty sheets in their order: counted ones, then the first uncounted one over and over."""
    for one in stock:
        count = one.count
        while count is None or count > 0:
            yield _Sheet(one, edge_mm, spacing_mm)
            count = None if count is None else count - 1


def _put(ways: list[_Lying], sheets: list[_Sheet], more: Iterator[_Sheet]) -> bool:
    """Place one piece on the first sheet that takes it, or on a new one."""
    if any(sheet.place(ways) for sheet in sheets):
        return True
    # A sheet that is too small for this piece is kept for others; a second one of the same would not be larger.
    tried: set[tuple[float, float]] = set()
    for sheet in more:
        sheets.append(sheet)
        if sheet.place(ways):
            return True
        size = (sheet.stock.width_mm, sheet.stock.height_mm)
        if sheet.stock.count is None and size in tried:
            return False
        tried.add(size)
    return False


def _lying(part: Part, quarters: int, spacing_mm: float) -> _Lying:
    xy = flatten(moved(part.outline, (0.0, 0.0), quarters), FLAT_MM)
    corner = xy.min(axis=0)
    polygon = shapely.Polygon(xy - corner)
    return _Lying(part, quarters, (float(corner[0]), float(corner[1])), polygon, _mask(polygon, spacing_mm))


def _mask(polygon: shapely.Polygon, spacing_mm: float) -> Mask:
    """Return the squares that a piece with half the spacing round it may touch; its lower left corner at (0, 0)."""
    half = spacing_mm / 2.0
    # Chords lie up to FLAT_MM inside the curve; a square is touched when its middle is within half its diagonal.
    grown = polygon.buffer(half + FLAT_MM + CELL_MM * np.sqrt(0.5), quad_segs=8)
    width, height = polygon.bounds[2] + spacing_mm, polygon.bounds[3] + spacing_mm
    columns, rows = int(np.ceil(width / CELL_MM)), int(np.ceil(height / CELL_MM))
    x = (np.arange(columns) + 0.5) * CELL_MM - half
    y = (np.arange(rows) + 0.5) * CELL_MM - half
    shapely.prepare(grown)
    grid = np.array(np.meshgrid(x, y)).reshape(2, -1)
    return np.asarray(shapely.contains_xy(grown, grid[0], grid[1]).reshape(rows, columns))


def _plan(sheet: _Sheet) -> SheetPlan:
    placed = [Placed(lying.part.name, lying.quarters, _shift(sheet, lying, at)) for lying, at in sheet.placed]
    return SheetPlan(sheet.stock, tuple(placed))


def _shift(sheet: _Sheet, lying: _Lying, at: tuple[float, float]) -> tuple[float, float]:
    """Return what a turned part is moved by: its squares begin half the spacing before it does."""
    return at[0] + sheet.half - lying.corner[0], at[1] + sheet.half - lying.corner[1]


def _check(sheet: _Sheet, spacing_mm: float, edge_mm: float) -> None:
    """Check all distances of a sheet exactly.

    Raises:
        ValueError: two pieces, or a piece and the edge, are too near: a fault of this module.
    """
    shapes = [
        shapely.affinity.translate(lying.polygon, at[0] + sheet.half, at[1] + sheet.half) for lying, at in sheet.placed
    ]
    if not shapes:
        return
    tree = shapely.STRtree(shapes)
    near = tree.query(shapes, predicate="dwithin", distance=max(spacing_mm - TINY_MM, 0.0))
    if (near[0] != near[1]).any():
        raise ValueError("two pieces of a sheet lie too near to each other")
    room = shapely.box(edge_mm, edge_mm, sheet.stock.width_mm - edge_mm, sheet.stock.height_mm - edge_mm)
    if not all(room.buffer(TINY_MM).contains(shape) for shape in shapes):
        raise ValueError("a piece lies too near to the edge of its sheet")

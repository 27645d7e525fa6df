"""A printed file measured as a person would: the page's size, its check lines and its curves, in pixels.

Rendered by another library than wrote it, at 254 dots per inch: ten pixels to the millimetre.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pypdfium2 as pdfium

from calibration.frames import FloatArray
from calibration.units import MM_PER_INCH
from digitize.arcs import Box, sampled
from digitize.shapes import ArcPath
from digitize.writers.check import fail
from digitize.writers.pdf_page import CHECK_LINES, CHECK_TICK_MM, Line, upright_lines
from digitize.writers.sheets import Size
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, Layout, Tile, inside

CHECK_DPI = 254.0
MM_PER_POINT = MM_PER_INCH / 72.0
CHECK_TOLERANCE_MM = 0.05
PAGE_TOLERANCE_MM = 0.05
SEARCH_MM = 2.5  # either side of where a tick is expected
CURVE_STEP_MM = 4.0
CURVE_NEAR_PX = 1  # ink within this of every place looked at: 0.1 mm
INK_LEVEL = 150  # grey value; paper 255
STRIP_MM = 100.0  # rendered at a time, so that a page is never held whole

Grey = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Cut:
    """A piece of a rendered page and the box of its pixels' edges, mm."""

    grey: Grey
    box: Box


class Page:
    """One page of a file, rendered in strips; places are mm of its print from its lower left corner."""

    def __init__(self, page: pdfium.PdfPage, scale: Size = (1.0, 1.0), dpi: float = CHECK_DPI) -> None:
        """Take a page of a document; ``scale``: mm of the page for each mm of its print."""
        self._page = page
        self._finer = dpi / 72.0
        self.size_mm = (page.get_width() * MM_PER_POINT / scale[0], page.get_height() * MM_PER_POINT / scale[1])
        self.pixels = (math.ceil(page.get_width() * self._finer), math.ceil(page.get_height() * self._finer))
        # The page is stretched to whole pixels, by up to one: its own pixels to the millimetre count.
        self.per_mm = (self.pixels[0] / self.size_mm[0], self.pixels[1] / self.size_mm[1])

    def strip(self, low_mm: float, high_mm: float) -> tuple[Grey, int]:
        """Return the rows between two heights, and the row of the page that the first one is."""
        first = max(0, math.floor(self.pixels[1] - high_mm * self.per_mm[1]))
        last = min(self.pixels[1], math.ceil(self.pixels[1] - low_mm * self.per_mm[1]))
        # Half a pixel less, because the crop is rounded up to whole pixels.
        crop = (0.0, max(0.0, self.pixels[1] - last - 0.5) / self._finer, 0.0, max(0.0, first - 0.5) / self._finer)
        bitmap = self._page.render(scale=self._finer, crop=crop, grayscale=True)
        grey = np.array(bitmap.to_numpy(), dtype=np.uint8).reshape(bitmap.height, bitmap.width)
        bitmap.close()
        return grey, first

    def rows(self, first: int, last: int) -> Grey:
        """Return rows of the page's pixels from the top."""
        half = 0.5 / self.per_mm[1]
        high = (self.pixels[1] - first) / self.per_mm[1]
        strip, begins = self.strip((self.pixels[1] - last) / self.per_mm[1] + 0.1 * half, high - 0.1 * half)
        return strip[first - begins : last - begins]

    def box(self, box_mm: Box) -> Cut:
        """Return the whole pixels inside a box, and where they lie."""
        strip, first = self.strip(box_mm[1], box_mm[3])
        column = max(0, math.ceil(box_mm[0] * self.per_mm[0]))
        beyond = min(self.pixels[0], math.floor(box_mm[2] * self.per_mm[0]))
        skip = max(0, math.ceil(self.pixels[1] - box_mm[3] * self.per_mm[1]) - first)
        last = min(first + len(strip), math.floor(self.pixels[1] - box_mm[1] * self.per_mm[1]))
        grey = strip[skip : max(skip, last - first), column : max(column, beyond)]
        top = (self.pixels[1] - first - skip) / self.per_mm[1]
        left = column / self.per_mm[0]
        right, low = left + grey.shape[1] / self.per_mm[0], top - grey.shape[0] / self.per_mm[1]
        return Cut(grey, (left, low, right, top))

    def to_px(self, at_mm: FloatArray) -> FloatArray:
        """Return the pixel places (N, 2) of places in mm; the centre of the top left pixel is (0, 0)."""
        x = at_mm[:, 0] * self.per_mm[0] - 0.5
        y = self.pixels[1] - at_mm[:, 1] * self.per_mm[1] - 0.5
        return np.column_stack([x, y])

    def to_mm(self, columns_px: float) -> float:
        """Return a distance along x in mm."""
        return float(columns_px / self.per_mm[0])


Look = Callable[[Page, Tile], None]


def check_pdf(path: Path, layout: Layout, curves: Sequence[ArcPath]) -> None:
    """Measure a printed file against its layout.

    ``curves`` are the solid lines, in the drawing's mm; each page must carry those of its window.

    Raises:
        Refusal: ``file-check`` when a page's number, size, check line or curve differs.
    """
    points = np.concatenate([sampled(curve, CURVE_STEP_MM) for curve in curves] or [np.zeros((0, 2))])
    check_pages(path, layout, lambda page, tile: _check_curves(path, page, tile, points))


def check_pages(path: Path, layout: Layout, look: Look, dpi: float = CHECK_DPI) -> None:
    """Measure the pages of a file against its layout; ``look`` at what each of the tiles shows.

    Raises:
        Refusal: ``file-check`` when a page's number, size or check line differs, or ``look`` raises it.
    """
    try:
        document = pdfium.PdfDocument(path)
    except pdfium.PdfiumError as fault:
        raise fail(path, f"it cannot be read back ({fault})") from fault
    try:
        _check_pages(path, document, layout, look, dpi)
    finally:
        document.close()


def _check_pages(path: Path, document: pdfium.PdfDocument, layout: Layout, look: Look, dpi: float) -> None:
    if len(document) != layout.pages:
        raise fail(path, f"it has {len(document)} pages instead of {layout.pages}")
    tiles = {tile.number: tile for tile in layout.tiles}
    for number in range(1, layout.pages + 1):
        page = Page(document[number - 1], layout.scale, dpi)
        _check_size(path, page, layout, number)
        _check_lines(path, page, number)
        _check_upright(path, page, upright_lines(layout, tiles.get(number)), number)
        if number in tiles:
            look(page, tiles[number])


def _check_size(path: Path, page: Page, layout: Layout, number: int) -> None:
    if not np.max(np.abs(np.subtract(page.size_mm, layout.printed))) <= PAGE_TOLERANCE_MM:
        found = " x ".join(f"{side:.2f}" for side in page.size_mm)
        raise fail(path, f"page {number} is {found} mm, which is not {layout.sheet}")


def _check_lines(path: Path, page: Page, number: int) -> None:
    for x, y, length, name in CHECK_LINES:
        # Above the line and below the ends of its ticks there is nothing but the ticks.
        strip, _ = page.strip(y + 0.3 * CHECK_TICK_MM, y + 0.8 * CHECK_TICK_MM)
        ends = [_tick(page, strip, at) for at in (x, x + length)]
        if None in ends:
            raise fail(path, f"the {name} line of page {number} lacks an end")
        found = page.to_mm(float(ends[1] or 0.0) - float(ends[0] or 0.0))
        if not abs(found - length) <= CHECK_TOLERANCE_MM:
            raise fail(path, f"the {name} line of page {number} measures {found:.3f} mm instead of {length:.3f}")


def _check_upright(path: Path, page: Page, lines: tuple[Line, ...], number: int) -> None:
    for x, y, length, name in lines:
        ends = _line_ends(page, (x + 0.3 * CHECK_TICK_MM, x + 0.8 * CHECK_TICK_MM), (y, y + length))
        if ends is None:
            raise fail(path, f"the upright {name} line of page {number} lacks an end")
        found = ends[1] - ends[0]
        if not abs(found - length) <= CHECK_TOLERANCE_MM:
            raise fail(path, f"the upright {name} line of page {number} measures {found:.3f} mm, not {length:.3f}")


def _line_ends(page: Page, columns_mm: Size, ends_mm: Size) -> tuple[float, float] | None:
    """Return the heights of an upright line's two ticks, mm, seen between two places across; None without one."""
    found = []
    for at in ends_mm:
        part = page.box((columns_mm[0], at - SEARCH_MM, columns_mm[1], at + SEARCH_MM))
        ink = 255.0 - part.grey.mean(axis=1)
        if ink.size == 0 or ink.max() < 255 - INK_LEVEL:
            return None
        row = float((ink * np.arange(len(ink))).sum() / ink.sum())
        found.append(part.box[3] - (row + 0.5) / page.per_mm[1])
    return found[0], found[1]


def _tick(page: Page, strip: Grey, at_mm: float) -> float | None:
    """Return the column of a tick's middle, weighted by its ink; None when there is none."""
    first, last = page.to_px(np.array([(at_mm - SEARCH_MM, 0.0), (at_mm + SEARCH_MM, 0.0)]))[:, 0].round().astype(int)
    first = max(first, 0)
    ink = 255.0 - strip[:, first : last + 1].mean(axis=0)
    if ink.size == 0 or ink.max() < 255 - INK_LEVEL:
        return None
    return float(first + (ink * np.arange(len(ink))).sum() / ink.sum())


def _check_curves(path: Path, page: Page, tile: Tile, points_mm: FloatArray) -> None:
    """Look for ink at every few mm of the curves that the window shows."""
    shown = points_mm[inside(points_mm, tile.window)]
    at_mm = shown - np.array(tile.window[:2]) + (MARGIN_MM, MARGIN_MM + FOOT_MM)
    bottom = MARGIN_MM + FOOT_MM
    while bottom < page.size_mm[1]:
        here = at_mm[(at_mm[:, 1] >= bottom) & (at_mm[:, 1] < bottom + STRIP_MM)]
        if len(here) and not _inked(page, here, bottom).all():
            raise fail(path, f"a curve on page {tile.number} is not where it was drawn")
        bottom += STRIP_MM


def _inked(page: Page, at_mm: FloatArray, bottom_mm: float) -> npt.NDArray[np.bool_]:
    strip, first = page.strip(bottom_mm - 1.0, bottom_mm + STRIP_MM + 1.0)
    columns, rows = (page.to_px(at_mm) - (0.0, first)).round().astype(int).T
    darkest = np.full(len(at_mm), 255, dtype=np.uint8)
    for dx in range(-CURVE_NEAR_PX, CURVE_NEAR_PX + 1):
        for dy in range(-CURVE_NEAR_PX, CURVE_NEAR_PX + 1):
            y = np.clip(rows + dy, 0, strip.shape[0] - 1)
            x = np.clip(columns + dx, 0, strip.shape[1] - 1)
            darkest = np.minimum(darkest, strip[y, x])
    return np.asarray(darkest < INK_LEVEL)

"""A reprinted sheet measured as printed: its marks, and where its picture lies on every page.

The picture's place is estimated by least squares from its own grey values (B. D. Lucas and T. Kanade, Proc. IJCAI
1981, 674): rendered against what was to be shown, with a shift and a stretch each way for each page.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from calibration.units import MM_PER_INCH
from digitize.shapes import TrueSheet
from digitize.writers import pdf_page
from digitize.writers.check import fail
from digitize.writers.diagonals import corners
from digitize.writers.pdf_check import Page, check_pages
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, STEP_MM, Layout, Mark, Tile, shared

# Here a picture's edges are whole pixels: renderers move them there.
CHECK_DPI = MM_PER_INCH / STEP_MM
MARK_TOLERANCE_MM = 0.05
PICTURE_TOLERANCE_MM = 0.05
PIXELS_AT_ONCE = 4_000_000  # looked at as floats; a page is rendered anew for each strip
BLUR_PX = 1.5  # makes slopes of edges that are wider than what is looked for
LEAST_INK = 2.0  # mean grey value of a page's ink; less proves nothing
INK_THERE = 0.6  # of the ink expected, what must be seen; 1-bit and grey differ in the small
USUAL_PX = 2.0  # 1 sigma of a displacement before anything is seen
WIDTH_OF_DOUBT = 3.0  # sigmas

Grey = npt.NDArray[np.uint8]


def check_sheet_pdf(path: Path, sheet: TrueSheet, layout: Layout) -> None:
    """Measure a reprint against its layout and the sheet.

    Raises:
        Refusal: ``file-check`` when a page, a check line, a mark or the picture is not where it was drawn.
    """

    def look(page: Page, tile: Tile) -> None:
        if len(layout.tiles) > 1:
            for mark in pdf_page.within((*layout.marks, *corners(sheet.box)), tile.window):
                _check_mark(path, page, tile, mark)
        _check_picture(path, page, sheet, tile)

    check_pages(path, layout, look, CHECK_DPI)


def _check_mark(path: Path, page: Page, tile: Tile, mark: Mark) -> None:
    """Find the middle of a cross's left and of its lower arm."""
    at = np.array(mark.at) - tile.window[:2] + (MARGIN_MM, MARGIN_MM + FOOT_MM)
    reach, near, half = pdf_page.MARK_MM - 0.2, pdf_page.MARK_MM / 2.0 + 0.3, pdf_page.HALO_MM
    lower = page.box((at[0] - half, at[1] - reach, at[0] + half, at[1] - near))
    left = page.box((at[0] - reach, at[1] - half, at[0] - near, at[1] + half))
    found = (_middle(lower.grey.mean(axis=0)), _middle(left.grey.mean(axis=1)))
    if found[0] is None or found[1] is None:
        raise fail(path, f"the cross {mark.name} is not on page {tile.number}")
    x = lower.box[0] + (found[0] + 0.5) / page.per_mm[0]
    y = left.box[3] - (found[1] + 0.5) / page.per_mm[1]
    if not max(abs(x - at[0]), abs(y - at[1])) <= MARK_TOLERANCE_MM:
        raise fail(path, f"the cross {mark.name} on page {tile.number} is not where it was drawn")


def _middle(profile: FloatArray) -> float | None:
    ink = profile.max() - profile
    if ink.max() < 60.0:
        return None
    return float((ink * np.arange(len(ink))).sum() / ink.sum())


@dataclass(eq=False)
class PlaceSums:
    """What least squares needs of where a picture lies, summed over strips of it."""

    normal: FloatArray = field(default_factory=lambda: np.zeros((6, 6)))
    right: FloatArray = field(default_factory=lambda: np.zeros(6))
    squares: float = 0.0
    seen: float = 0.0
    wanted: float = 0.0
    ink: float = 0.0
    pixels: int = 0

    def add(self, shown: Grey, wanted: Grey, x: FloatArray, y: FloatArray) -> None:
        """Take a strip: what it shows, what it should, and the places of its columns and rows, -1 .. 1."""
        ink = cv2.GaussianBlur(255.0 - wanted.astype(np.float32), (0, 0), BLUR_PX)
        off = cv2.GaussianBlur(255.0 - shown.astype(np.float32), (0, 0), BLUR_PX) - ink
        slopes = [cv2.Scharr(ink, cv2.CV_32F, *which, scale=1.0 / 32.0) for which in ((1, 0), (0, 1))]
        across, down = np.stack([x**0, x, x * x]), np.stack([y**0, y, y * y])
        for i in range(2):
            self.right[3 * i : 3 * i + 3] -= _first(_moments(slopes[i] * off, across, down))
            for j in range(2):
                block = _second(_moments(slopes[i] * slopes[j], across, down))
                self.normal[3 * i : 3 * i + 3, 3 * j : 3 * j + 3] += block
        self.squares += float(np.square(off).sum(dtype=np.float64))
        self.seen += float(((off + ink) * ink).sum(dtype=np.float64))
        self.wanted += float(np.square(ink).sum(dtype=np.float64))
        self.ink += float(ink.sum(dtype=np.float64))
        self.pixels += ink.size

    def worst_px(self) -> float:
        """Return the largest displacement at a corner, as far as it is certain."""
        noise = max(1.0, self.squares / self.pixels)
        covariance = np.linalg.inv(self.normal / noise + np.eye(6) / USUAL_PX**2)
        found = covariance @ self.right / noise
        worst = 0.0
        for corner in np.array([(1, x, y) for x in (-1, 1) for y in (-1, 1)], dtype=np.float64):
            for part in (slice(0, 3), slice(3, 6)):
                sigma = float(np.sqrt(corner @ covariance[part, part] @ corner))
                worst = max(worst, abs(float(corner @ found[part])) - WIDTH_OF_DOUBT * sigma)
        return worst


def _moments(values: npt.NDArray[np.float32], across: FloatArray, down: FloatArray) -> FloatArray:
    """Return (3, 3): sums of values times y^row x^column."""
    return np.asarray(down @ (values @ across.T.astype(np.float32)).astype(np.float64))


def _first(moments: FloatArray) -> FloatArray:
    return np.array([moments[0, 0], moments[0, 1], moments[1, 0]])


def _second(moments: FloatArray) -> FloatArray:
    one, x, y = moments[0, 0], moments[0, 1], moments[1, 0]
    return np.array([[one, x, y], [x, moments[0, 2], moments[1, 1]], [y, moments[1, 1], moments[2, 0]]])


def _check_picture(path: Path, page: Page, sheet: TrueSheet, tile: Tile) -> None:
    """Compare a page with the sheet, strip by strip."""
    shown = shared(sheet.box, tile.window)
    if shown[0] >= shown[2] or shown[1] >= shown[3]:
        return
    off = np.array([MARGIN_MM - tile.window[0], MARGIN_MM + FOOT_MM - tile.window[1]] * 2)  # drawing -> page
    sums = PlaceSums()
    strip_mm = PIXELS_AT_ONCE / ((shown[2] - shown[0]) * page.per_mm[0] * page.per_mm[1])
    low = shown[1]
    while low < shown[3]:
        part = page.box(tuple((np.array([shown[0], low, shown[2], min(low + strip_mm, shown[3])]) + off).tolist()))
        if part.grey.size:
            x_from, y_from, x_to, y_to = (np.array(part.box) - off).tolist()
            rows, columns = part.grey.shape
            wanted = sheet.band((x_from, y_from, x_to, y_to), (columns, rows), 0, rows)
            x = np.interp(np.linspace(x_from, x_to, columns), (shown[0], shown[2]), (-1.0, 1.0))
            y = np.interp(np.linspace(y_to, y_from, rows), (shown[1], shown[3]), (-1.0, 1.0))
            sums.add(part.grey, wanted, x, y)
        low += strip_mm
    fault = place_fault(sums, min(page.per_mm))
    if fault:
        raise fail(path, f"the picture on page {tile.number} {fault}")


def place_fault(sums: PlaceSums, px_per_mm: float) -> str | None:
    """Return what is wrong with where a picture lies, or None; too little ink proves nothing."""
    if sums.pixels == 0 or sums.ink < LEAST_INK * sums.pixels:
        return None
    if sums.seen < INK_THERE * sums.wanted:
        return "does not show its part of the sheet"
    worst_mm = sums.worst_px() / px_per_mm
    return None if worst_mm <= PICTURE_TOLERANCE_MM else f"is {worst_mm:.3f} mm off"

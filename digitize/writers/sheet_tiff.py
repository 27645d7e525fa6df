"""A corrected sheet as one TIFF at true size, its resolution declared, with the check lines of the one-page PDF.

Baseline TIFF 6.0: XResolution and YResolution are dots per inch, here whole numbers, so that they are exact.
Grey is deflated, 1-bit is CCITT group 4; both lossless.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pypdfium2 as pdfium
import pyvips

from calibration.units import MM_PER_INCH
from digitize.shapes import TrueSheet, Window
from digitize.writers import pdf_page, sheet_page
from digitize.writers.check import fail
from digitize.writers.pdf_check import Page
from digitize.writers.sheet_check import PlaceSums, place_fault
from digitize.writers.sheet_image import dots_per_inch, raw_image
from digitize.writers.sheets import Size
from digitize.writers.tiles import MARGIN_MM, Layout, lay_out_one

ROWS_AT_ONCE = 256
ONE_BIT = {"compression": "ccittfax4", "bitdepth": 1}
GREY = {"compression": "deflate", "predictor": "horizontal"}
BLACK_BELOW = 128  # of the lines, in a 1-bit print
# A page this much short of whole pixels comes out with exactly as many: renderers round up.
SHORT_PX = 0.02

Grey = npt.NDArray[np.uint8]


def write_sheet_tiff(
    sheet: TrueSheet, path: Path, title: str, notes: Sequence[str], scale: Size = (1.0, 1.0)
) -> None:
    """Write a sheet as one TIFF and measure it again; ``scale`` as for ``lay_out_one``.

    Raises:
        Refusal: ``file-check`` when it does not read back as it was laid out.
    """
    dpi = dots_per_inch(sheet)
    layout, size_px = _whole_pixels(lay_out_one(sheet.box, scale, MM_PER_INCH / dpi), dpi)
    rows = _rows(sheet, layout, size_px, path, dpi, [title, ", ".join(notes), pdf_page.PRINT_NOTE])
    with raw_image(rows, size_px, path.parent) as raw:
        image = raw.copy(xres=dpi / MM_PER_INCH, yres=dpi / MM_PER_INCH)
        image.tiffsave(str(path), resunit="inch", **(ONE_BIT if sheet.one_bit else GREY))
    _check(sheet, layout, size_px, path, dpi)


def _whole_pixels(layout: Layout, dpi: int) -> tuple[Layout, tuple[int, int]]:
    """Return a page of whole pixels as renderers will have it, and their number."""
    per_mm = dpi / MM_PER_INCH
    size_px = (round(layout.size[0] * per_mm), round(layout.size[1] * per_mm))
    return replace(layout, size=((size_px[0] - SHORT_PX) / per_mm, (size_px[1] - SHORT_PX) / per_mm)), size_px


def _rows(
    sheet: TrueSheet, layout: Layout, size_px: tuple[int, int], path: Path, dpi: int, label: list[str]
) -> Iterator[Grey]:
    """Yield the page's rows from the top: the sheet, and the check lines over it."""
    placed = _Placed.of(sheet, layout, dpi)
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        lines = Path(folder) / "lines.pdf"
        canvas = pdf_page.new_file(lines, layout, label[0])
        pdf_page.in_mm(canvas, layout)
        pdf_page.foot(canvas, layout, label)
        canvas.save()
        document = pdfium.PdfDocument(lines)
        page = Page(document[0], layout.scale, dpi)
        for first in range(0, size_px[1], ROWS_AT_ONCE):
            last = min(first + ROWS_AT_ONCE, size_px[1])
            rows = placed.rows(size_px[0], first, last)
            drawn = page.rows(first, last)
            if sheet.one_bit:
                drawn = np.where(drawn < BLACK_BELOW, 0, 255).astype(np.uint8)
            np.minimum(rows, drawn, out=rows)
            yield rows
        document.close()


@dataclass(frozen=True, eq=False)
class _Placed:
    """Which pixels of the page are the sheet's."""

    sheet: TrueSheet
    box: Window  # mm of the sheet
    size_px: tuple[int, int]
    left: int
    top: int

    @classmethod
    def of(cls, sheet: TrueSheet, layout: Layout, dpi: int) -> _Placed:
        (tile,) = layout.tiles
        box = sheet_page.picture_box(sheet, layout, tile, MM_PER_INCH / dpi) or tile.window
        x, y = (factor * dpi / MM_PER_INCH for factor in layout.scale)
        size_px = (round((box[2] - box[0]) * x), round((box[3] - box[1]) * y))
        left = round((box[0] - tile.window[0] + MARGIN_MM) * x)
        return cls(sheet, box, size_px, left, round((tile.window[3] + MARGIN_MM - box[3]) * y))

    def rows(self, width: int, first: int, last: int) -> Grey:
        """Return rows of the page with the sheet alone."""
        rows = np.full((last - first, width), 255, dtype=np.uint8)
        begin, end = max(first, self.top), min(last, self.top + self.size_px[1])
        if begin < end:
            band = self.sheet.band(self.box, self.size_px, begin - self.top, end - self.top)
            rows[begin - first : end - first, self.left : self.left + self.size_px[0]] = band
        return rows


def _check(sheet: TrueSheet, layout: Layout, size_px: tuple[int, int], path: Path, dpi: int) -> None:
    """Read the file back: its size, its resolution, and where the sheet lies in it."""
    image = pyvips.Image.new_from_file(str(path), access="sequential")
    if (image.width, image.height) != size_px:
        raise fail(path, f"it is {image.width} x {image.height} pixels instead of {size_px[0]} x {size_px[1]}")
    found = (image.xres * MM_PER_INCH, image.yres * MM_PER_INCH)
    if not max(abs(each - dpi) for each in found) <= 1e-4 * dpi:
        raise fail(path, f"it declares {found[0]:.3f} x {found[1]:.3f} dots per inch instead of {dpi}")
    placed, sums = _Placed.of(sheet, layout, dpi), PlaceSums()
    across = np.linspace(-1.0, 1.0, size_px[0])
    for first in range(0, size_px[1], ROWS_AT_ONCE):
        count = min(ROWS_AT_ONCE, size_px[1] - first)
        rows = np.asarray(image.crop(0, first, size_px[0], count).numpy(), dtype=np.uint8).reshape(count, size_px[0])
        wanted = placed.rows(size_px[0], first, first + count)
        sums.add(rows, wanted, across, np.linspace(-1.0, 1.0, size_px[1])[first : first + count])
    fault = place_fault(sums, dpi / MM_PER_INCH)
    if fault:
        raise fail(path, f"the sheet {fault}")

"""A window of a sheet as a compressed picture, made band by band: only what is compressed is held.

Grey is JPEG of quality 92, which leaves lines where they are (measured: see tests) at about a third of what lossless
compression takes; 1-bit is deflated, lossless.
"""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyvips
from reportlab.pdfbase.pdfdoc import PDFImageXObject
from reportlab.pdfgen.canvas import Canvas

from calibration.units import MM_PER_INCH
from digitize.shapes import TrueSheet, Window

Grey = npt.NDArray[np.uint8]

# Pictures have as many pixels to the inch as printers have dots, or a whole share of them: where a program that turns
# a page into dots has to leave out or repeat single rows, lines move by half a dot and more.
DOTS_PER_INCH = (300, 600, 1200)
FINE_ENOUGH = 0.9  # of the scan's own pixels
ROWS_AT_ONCE = 256
JPEG_QUALITY = 92
DEFLATE_LEVEL = 9


def dots_per_inch(sheet: TrueSheet) -> int:
    """Return how finely a sheet is stored: not much coarser than its scan."""
    needed = FINE_ENOUGH * sheet.px_per_mm * MM_PER_INCH
    return next((dots for dots in DOTS_PER_INCH if dots >= needed), DOTS_PER_INCH[-1])


@dataclass(frozen=True, eq=False)
class Compressed:
    """A picture's bytes as a PDF takes them."""

    width_px: int
    height_px: int
    bits: int
    name: str  # of the compression in PDF
    data: bytes


def compressed(sheet: TrueSheet, window: Window, size_px: tuple[int, int], folder: Path) -> Compressed:
    """Return a window of a sheet at so many columns and rows; ``folder`` holds its pixels for a while."""
    if sheet.one_bit:
        squeeze = zlib.compressobj(DEFLATE_LEVEL)
        parts = [squeeze.compress(np.packbits(band > 0, axis=1).tobytes()) for band in _bands(sheet, window, size_px)]
        return Compressed(*size_px, 1, "FlateDecode", b"".join([*parts, squeeze.flush()]))
    with raw_image(_bands(sheet, window, size_px), size_px, folder) as image:
        data = image.jpegsave_buffer(Q=JPEG_QUALITY, optimize_coding=True)
    return Compressed(*size_px, 8, "DCTDecode", bytes(data))


@contextmanager
def raw_image(bands: Iterable[Grey], size_px: tuple[int, int], folder: Path) -> Iterator[Any]:
    """Yield bands of rows as one picture that is read in strips, from a file that is gone afterwards."""
    with tempfile.NamedTemporaryFile(dir=folder, suffix=".raw") as file:
        for band in bands:
            file.write(np.ascontiguousarray(band).tobytes())
        file.flush()
        yield pyvips.Image.rawload(file.name, *size_px, 1, access="sequential").copy(interpretation="b-w")


def _bands(sheet: TrueSheet, window: Window, size_px: tuple[int, int]) -> Iterator[Grey]:
    for first in range(0, size_px[1], ROWS_AT_ONCE):
        yield sheet.band(window, size_px, first, min(first + ROWS_AT_ONCE, size_px[1]))


class _Image(PDFImageXObject):  # type: ignore[misc]  # reportlab has no types
    """An image of a PDF from bytes that are compressed already."""

    def __init__(self, name: str, picture: Compressed) -> None:
        super().__init__(name)
        self.width, self.height = picture.width_px, picture.height_px
        self.bitsPerComponent = picture.bits
        self._filters = (picture.name,)
        self.streamContent = picture.data


def place_image(canvas: Canvas, name: str, picture: Compressed, box: Window) -> None:
    """Draw a picture over a box of the canvas, in its present units; ``name`` is the picture's own in the file."""
    document = canvas._doc  # the library's own way in for images would hold all their pixels
    document.Reference(_Image(name, picture), document.getXObjectName(name))
    canvas.saveState()
    canvas.translate(box[0], box[1])
    canvas.scale(box[2] - box[0], box[3] - box[1])
    canvas.doForm(name)
    canvas.restoreState()

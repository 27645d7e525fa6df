"""PDF pages through PDFium: a scan gives its own pixels, a drawn page is rendered."""

from __future__ import annotations

import math
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_c
import pyvips

from calibration.errors import Refusal
from digitize.paged import averaged, bands, has_room, is_large
from digitize.read.limits import GreyArray, Pixels, refuse_no_such_page, refuse_too_large
from digitize.read.raster import in_file
from digitize.read.tone import reduction

POINTS_PER_INCH = 72.0
# A drawn page has no pixels of its own; 300 dpi puts 3 px on the thinnest usual line of 0.25 mm.
RENDER_DPI = 300.0
# A picture that fills this much of the page is the page.
SCAN_COVERS = 0.9
# Longest side of the small pictures by which a scan's pixels are compared with the page as shown.
COMPARE_PX = 400
ALIKE = 0.8  # correlation of the two; a turned or different picture stays far below
SAME_PLACE = 5e-3  # of a page's longer side: a picture no further off its edges fills it
SAME_PX = 1e-3  # single-precision page sizes: less than this over a whole pixel is the whole pixel
BLANK_DEVIATION = 1.0  # grey levels; two blank pages are alike without correlating


def read_pdf(path: Path, page: int) -> Pixels:
    """Return one PDF page as grey values.

    Raises:
        UsageError: ``no-such-page``.
        Refusal: ``unreadable``, ``pdf-locked`` or ``too-large``.
    """
    try:
        document = pdfium.PdfDocument(path)
    except pdfium.PdfiumError as fault:
        if pdfium_c.FPDF_GetLastError() == pdfium_c.FPDF_ERR_PASSWORD:
            raise Refusal("pdf-locked", file=path.name) from fault
        raise Refusal("unreadable", file=path.name, why=str(fault)) from fault
    try:
        refuse_no_such_page(path.name, page, len(document))
        return replace(_page_pixels(document, page - 1, path.name), pages=len(document))
    except pdfium.PdfiumError as fault:
        raise Refusal("unreadable", file=path.name, why=str(fault)) from fault
    finally:
        document.close()


def _page_pixels(document: Any, index: int, file: str) -> Pixels:
    page = document[index]
    images = [item for item in page.get_objects() if item.type == pdfium_c.FPDF_PAGEOBJ_IMAGE]
    scan = _only_scan(page, images)
    if scan is not None:
        refuse_too_large(file, *scan.get_px_size())
        own = _own_pixels(page, scan)
        if own is not None:
            dpi = _dpi(page, own)
            return Pixels(own, dpi, "scan", ("The PDF page is one scanned picture; its own pixels were used.",))
    density = max([RENDER_DPI, *(_density(image) for image in images)])
    _widen_to_whole_pixels(page, density / POINTS_PER_INCH)
    grey = _rendered(document[index], density / POINTS_PER_INCH, file)  # opened again with its new size
    return Pixels(grey, (density, density), "scan", (f"The PDF page was drawn at {density:.0f} dpi.",))


def _only_scan(page: Any, images: list[Any]) -> Any | None:
    """Return the picture that is the page: the only one, filling it, with at most text (from reading) beside it."""
    others = {item.type for item in page.get_objects()} - {pdfium_c.FPDF_PAGEOBJ_IMAGE, pdfium_c.FPDF_PAGEOBJ_TEXT}
    if len(images) != 1 or others:
        return None
    left, bottom, right, top = images[0].get_bounds()
    width, height = page.get_size()
    return images[0] if (right - left) * (top - bottom) >= SCAN_COVERS * width * height else None


def _own_pixels(page: Any, scan: Any) -> GreyArray | None:
    """Return the scan's own pixels upright, or None when they are not what the page shows.

    The page may be turned, the picture mirrored, or its samples mean the opposite (a mask); comparing with
    a small rendering settles all three. PDFium decodes the whole picture for that: a large one is asked how it lies
    instead, where that is enough.
    """
    packed = _packed_jpeg(scan)
    if packed is not None and _is_placed_plainly(page, scan):
        return packed
    grey = _grey_of(scan.get_bitmap()) if packed is None else packed
    turned = np.ascontiguousarray(np.rot90(grey, k=-(page.get_rotation() // 90)))
    width, height = page.get_size()
    shown = _rendered(page, COMPARE_PX / max(width, height), "")
    alike = _alike(turned if packed is None else averaged(turned, reduction(*turned.shape)), shown)
    if alike > ALIKE:
        return turned
    if alike > -ALIKE:
        return None
    for band in bands(turned):
        cv2.bitwise_not(band, dst=band)
    return turned


def _packed_jpeg(scan: Any) -> GreyArray | None:
    """Return a large grey scan that is packed as JPEG, decoded strip by strip into a file; None for any other.

    PDFium holds whatever it decodes whole in memory, twice.
    """
    width, height = scan.get_px_size()
    if not is_large(height, width) or list(scan.get_filters(skip_simple=True)) != ["DCTDecode"]:
        return None
    with tempfile.NamedTemporaryFile(suffix=".jpg") as file:  # in memory it would be there three times
        file.write(scan.get_data(decode_simple=True))
        file.flush()
        try:
            image = pyvips.Image.new_from_file(file.name, access="sequential", fail_on="error")
            fits = (image.width, image.height, image.bands, image.format) == (width, height, 1, "uchar")
            return in_file(image) if fits and has_room(height, width) else None
        except pyvips.Error:
            return None  # PDFium may know better


def _is_placed_plainly(page: Any, scan: Any) -> bool:
    """Return whether a grey scan is shown as its pixels are: upright, not mirrored, all of it, no light through it.

    Samples that mean the opposite make a negative, and that is told by the page's own tones later.
    """
    a, b, c, d, _, _ = scan.get_matrix().get()
    upright = a > 0.0 and d > 0.0 and max(abs(b), abs(c)) < SAME_PX * min(a, d)
    grey = scan.get_metadata().colorspace == pdfium_c.FPDF_COLORSPACE_DEVICEGRAY
    lit = pdfium_c.FPDFPageObj_HasTransparency(scan.raw)
    over = np.abs(np.subtract(scan.get_bounds(), page.get_bbox())).max() / max(page.get_size())
    return bool(upright and grey and not lit and page.get_rotation() == 0 and over < SAME_PLACE)


def _alike(grey: GreyArray, shown: GreyArray) -> float:
    """Return the correlation of a page with a small picture of it; 1 for two blank pages."""
    height, width = shown.shape
    small = cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    if small.std() < BLANK_DEVIATION and shown.std() < BLANK_DEVIATION:
        return 1.0 if abs(small.mean() - shown.mean()) < 128 else -1.0
    blurred = [cv2.GaussianBlur(one, (0, 0), 2.0).ravel() for one in (small, shown.astype(np.float64))]
    with np.errstate(invalid="ignore", divide="ignore"):
        return float(np.nan_to_num(np.corrcoef(*blurred)[0, 1]))


def _grey_of(bitmap: Any) -> GreyArray:
    """Return a PDFium bitmap as grey; its rows may be padded, its colours blue first."""
    values = bitmap.to_numpy()
    if values.ndim == 2:
        return np.array(values, dtype=np.uint8)
    if values.shape[2] == 1:
        return np.array(values[:, :, 0], dtype=np.uint8)
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(values[:, :, :3]), cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def _rendered(page: Any, px_per_point: float, file: str) -> GreyArray:
    width, height = page.get_size()
    refuse_too_large(file, math.ceil(width * px_per_point), math.ceil(height * px_per_point))
    return _grey_of(page.render(scale=px_per_point, grayscale=True))


def _widen_to_whole_pixels(page: Any, px_per_point: float) -> None:
    """Widen the page by less than a pixel.

    PDFium stretches a page to the next whole pixel, by up to 0.03 % of an A4 side and differently in x and y.
    """
    left, bottom, right, top = page.get_bbox()
    width, height = (
        (math.ceil(side * px_per_point - SAME_PX) - SAME_PX) / px_per_point for side in (right - left, top - bottom)
    )
    page.set_mediabox(left, top - height, left + width, top)
    page.set_cropbox(left, top - height, left + width, top)


def _dpi(page: Any, grey: GreyArray) -> tuple[float, float]:
    width, height = page.get_size()
    return grey.shape[1] * POINTS_PER_INCH / width, grey.shape[0] * POINTS_PER_INCH / height


def _density(image: Any) -> float:
    """Return the dots per inch of a picture as placed on the page."""
    left, bottom, right, top = image.get_bounds()
    return float(max(image.get_px_size()) * POINTS_PER_INCH / max(right - left, top - bottom, 1e-6))

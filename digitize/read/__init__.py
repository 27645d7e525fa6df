"""The only opener of pictures: a file becomes one page of grey values.

Whatever the file holds, the grey comes out as uint8, dark ink on light paper, upright, read-only.
Declared dots per inch are passed on as a cross-check and never as a scale.
"""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Literal

import cv2

from calibration.errors import UsageError
from digitize.paged import bands
from digitize.read.limits import Pixels
from digitize.read.pdf import read_pdf
from digitize.read.raster import read_raster
from digitize.read.tone import is_negative
from digitize.shapes import Picture

__all__ = ["read_picture"]

PDF_MAGIC = b"%PDF-"
# A PDF may begin with other bytes; readers look for its mark this far in (ISO 32000-1, annex H.3 note).
PDF_MAGIC_WITHIN = 1024
INVERTED = "The picture is light lines on dark paper; light and dark were exchanged."


def read_picture(
    path: Path, page: int = 1, captured: Literal["scan", "photo"] | None = None, *, plan: bool = True
) -> Picture:
    """Return one page of a picture file as grey values (H, W) with what is known of its capture.

    Not of a plan, the grey is plain lightness: nothing is made ink, and light and dark are not exchanged.

    Raises:
        UsageError: ``no-such-file`` or ``no-such-page``.
        Refusal: ``unreadable``, ``truncated`` or ``too-large`` (decided before a pixel is decoded).
    """
    if not path.is_file():
        raise UsageError("no-such-file", file=path)
    with path.open("rb") as stream:
        is_pdf = PDF_MAGIC in stream.read(PDF_MAGIC_WITHIN)
    with ThreadPoolExecutor(1) as beside:  # neither the digest nor decoding needs Python
        digest = beside.submit(_sha256, path)
        pixels = read_pdf(path, page) if is_pdf else read_raster(path, page, captured, plan=plan)
        sha256 = digest.result()
    pixels = replace(pixels, captured=captured or pixels.captured)
    pixels = _dark_on_light(pixels) if plan else pixels
    pixels.grey.setflags(write=False)
    return Picture(
        grey=pixels.grey,
        file=path.name,
        sha256=sha256,
        dpi=pixels.dpi,
        captured=pixels.captured,
        notes=pixels.notes,
        focal_px=pixels.focal_px,
        quarters=pixels.quarters,
        colours=pixels.colours,
        pages=pixels.pages,
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _dark_on_light(pixels: Pixels) -> Pixels:
    """Return the page as dark ink on light paper, saying so where that took exchanging the two."""
    if not is_negative(pixels.grey, photo=pixels.captured == "photo"):
        return pixels
    grey = pixels.grey if pixels.grey.flags.writeable else pixels.grey.copy()  # else no second copy of the page
    for band in bands(grey):
        cv2.bitwise_not(band, dst=band)
    return replace(pixels, grey=grey, notes=(*pixels.notes, INVERTED))

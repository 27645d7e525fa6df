"""What a plain program does with a scan: ``python -m tests.bench.speed_yardsticks decode|whole|streamed PICTURE``.

decode    OpenCV reads the picture
whole     and blurs, thresholds and takes the contours of all of it
streamed  libvips reads, blurs and thresholds it in bands; it has no contours, so the share of ink stands for them
"""

from __future__ import annotations

import os
import sys

PAPER, INK = 236.0, 38.0


def decode(path: str) -> None:
    """Read the picture."""
    _read(path)


def whole(path: str) -> None:
    """Take the contours of the whole picture."""
    import cv2

    blurred = cv2.GaussianBlur(_read(path), (5, 5), 0)
    _, ink = cv2.threshold(blurred, (PAPER + INK) / 2.0, 255, cv2.THRESH_BINARY_INV)
    contours, _ = cv2.findContours(ink, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    print(len(contours))


def streamed(path: str) -> None:
    """Blur and threshold the picture band by band."""
    import pyvips

    page = pyvips.Image.new_from_file(path, access="sequential").extract_band(0)
    print((page.gaussblur(1.1) < (PAPER + INK) / 2.0).avg() / 255.0)


def _read(path: str):  # type: ignore[no-untyped-def]
    os.environ["OPENCV_IO_MAX_IMAGE_PIXELS"] = str(2**33)
    import cv2

    if path.endswith(".pdf"):
        return _read_pdf(path)
    grey = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise SystemExit(f"{path} cannot be read")
    return grey


def _read_pdf(path: str):  # type: ignore[no-untyped-def]
    """Return the pixels of the one picture of a page; OpenCV reads no PDF, so PDFium does."""
    import pypdfium2
    import pypdfium2.raw

    page = pypdfium2.PdfDocument(path)[0]
    image = next(item for item in page.get_objects() if item.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE)
    values = image.get_bitmap().to_numpy()
    return values if values.ndim == 2 else values[:, :, 0].copy()


if __name__ == "__main__":
    {"decode": decode, "whole": whole, "streamed": streamed}[sys.argv[1]](sys.argv[2])

"""Which pixels hold ink: paper shade removed, one threshold for the page."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

ByteArray = npt.NDArray[np.uint8]

# Shading wider than this is paper or shadow, narrower is drawn.
SHADE_MM = 4.0
# Ink is what is darker than paper by this part of full ink.
INK_FRACTION = 0.38
# Specks: ink smaller than this across is not a line.
SPECK_MM = 0.8


def reduce_page(grey: ByteArray, factor: int) -> ByteArray:
    """Return the page averaged over ``factor`` x ``factor`` pixels, still uint8."""
    if factor == 1:
        return grey
    height, width = (side // factor for side in grey.shape)
    whole = grey[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def paper_darkness(grey: ByteArray, px_per_mm: float) -> ByteArray:
    """Return how much darker each pixel is than the paper around it, uint8.

    The paper is the morphological closing (the greatest lower envelope from above), so
    soft shadows and yellowed paper vanish while lines stay.
    """
    side = max(3, int(SHADE_MM * px_per_mm) | 1)
    quarter = cv2.dilate(grey, np.ones((3, 3), np.uint8))[::4, ::4]
    kernel = np.ones((max(3, side // 4) | 1,) * 2, np.uint8)
    paper = cv2.blur(cv2.morphologyEx(quarter, cv2.MORPH_CLOSE, kernel), (5, 5))
    full = cv2.resize(paper, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.subtract(full, grey), dtype=np.uint8)


def ink_mask(grey: ByteArray, px_per_mm: float) -> tuple[npt.NDArray[np.bool_], ByteArray]:
    """Return (mask, darkness): which pixels are ink, and darkness scaled so that 255 is full ink."""
    darkness = paper_darkness(grey, px_per_mm)
    smooth = cv2.GaussianBlur(darkness, (0, 0), 0.6)
    full = _full_ink(smooth)
    mask = (smooth > INK_FRACTION * full).astype(np.uint8)
    scaled = cv2.convertScaleAbs(darkness, alpha=255.0 / full)
    return _drop_specks(mask, SPECK_MM * px_per_mm), np.asarray(scaled, dtype=np.uint8)


def _full_ink(darkness: ByteArray) -> float:
    """Return the darkness of a full line, 1..255: the upper quartile of what stands out from paper noise."""
    counts = cv2.calcHist([darkness], [0], None, [256], [0, 256]).ravel()
    levels = np.arange(256)
    total = counts.sum()
    noise = np.sqrt((counts[:40] * levels[:40] ** 2).sum() / max(total, 1.0))
    start = int(min(128.0, max(24.0, 5.0 * noise)))
    above = counts[start:]
    if above.sum() == 0:
        return 255.0
    cumulative = np.cumsum(above) / above.sum()
    return float(start + np.searchsorted(cumulative, 0.75))


def _drop_specks(mask: ByteArray, least_px: float) -> npt.NDArray[np.bool_]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    keep = extent >= least_px
    keep[0] = False
    return np.asarray(keep[labels], dtype=np.bool_)

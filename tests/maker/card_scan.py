"""A bank card on a sheet as a scanner sees it: pressed on the glass, one tone, its corners rounded."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from tests.maker.photo_objects import CARD_CORNER_MM, CARD_MM

Grey = npt.NDArray[np.uint8]
OVER = 8  # finer, then averaged


def card_outline_mm(corner_mm: float = CARD_CORNER_MM, size_mm: tuple[float, float] = CARD_MM[:2]) -> FloatArray:
    """Return (N, 2) mm round a card about its middle."""
    half = np.array(size_mm) / 2.0
    at = np.linspace(0.0, np.pi / 2, 24)
    parts = []
    for k, sign in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        turn = at + k * np.pi / 2
        parts.append((half - corner_mm) * sign + corner_mm * np.column_stack([np.cos(turn), np.sin(turn)]))
    return np.vstack(parts)


def lay_card(
    grey: Grey, middle_px: tuple[float, float], px_per_mm: tuple[float, float], angle_deg: float = 0.0,
    tone: int = 95, *, corner_mm: float = CARD_CORNER_MM, size_mm: tuple[float, float] = CARD_MM[:2],
) -> Grey:
    """Return the picture with a card over it.

    Args:
        grey: the scan.
        middle_px: of the card.
        px_per_mm: along the picture's x and y.
        angle_deg: by which it is turned on the glass, x towards y (down).
        tone: its grey.
        corner_mm: how its corners are rounded.
        size_mm: of the card.
    """
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    ring = card_outline_mm(corner_mm, size_mm) @ np.array([[c, s], [-s, c]]) * px_per_mm + middle_px
    low, high = np.floor(ring.min(axis=0)).astype(int) - 3, np.ceil(ring.max(axis=0)).astype(int) + 4
    width, height = high - low
    fine = np.zeros((height * OVER, width * OVER), dtype=np.uint8)
    at = ((ring - low + 0.5) * OVER - 0.5) * 16  # sixteenths of a fine pixel
    cv2.fillPoly(fine, [np.rint(at).astype(np.int32)], (255,), shift=4)
    cover = cv2.resize(fine, (int(width), int(height)), interpolation=cv2.INTER_AREA).astype(np.float64) / 255.0
    cover = cv2.GaussianBlur(cover, (0, 0), 0.6)
    page = grey.copy()
    part = page[low[1] : high[1], low[0] : high[0]]
    part[:] = np.rint(part * (1.0 - cover) + tone * cover).astype(np.uint8)
    return page

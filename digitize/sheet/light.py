"""Even light: paper near white all over the sheet, ink as dark as it is, whatever shade lies on it."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray

Grey = npt.NDArray[np.uint8]

WHITE = 245
# The paper's level is found on a copy reduced by this; what is narrower than this part of the diagonal is ink.
REDUCED, INK_PART = 8, 0.012
# Light changes over more than this part of the diagonal.
LIGHT_PART = 0.006
ROWS_AT_ONCE = 512
DARKEST_PAPER = 12  # a picture as dark as this has no paper to go by


def flat_light(grey: Grey, polygon_px: FloatArray | None) -> Grey:
    """Return the page with its paper at one level near white and its ink dark, white beyond the sheet.

    The paper's level is what stays of a reduced copy when all that is thin and dark is closed; the page is divided
    by it, in bands, so that there is never a copy of it in floats.

    Args:
        grey: (H, W) the picture.
        polygon_px: (V, 2) of the sheet, None for all of the picture.
    """
    small = cv2.resize(grey, None, fx=1 / REDUCED, fy=1 / REDUCED, interpolation=cv2.INTER_AREA)
    inside = _filled(small.shape, None if polygon_px is None else (polygon_px - (REDUCED - 1) / 2) / REDUCED)
    level = _paper_level(np.asarray(small, dtype=np.uint8), inside)
    out = np.empty_like(grey)
    for top in range(0, len(grey), ROWS_AT_ONCE):
        rows = slice(top, min(top + ROWS_AT_ONCE, len(grey)))
        cv2.divide(grey[rows], _spread(level, grey.shape, rows), dst=out[rows], scale=float(WHITE))
    if polygon_px is not None:
        cv2.bitwise_or(out, cv2.bitwise_not(_filled(grey.shape, polygon_px)), dst=out)
    return out


def _filled(shape: tuple[int, ...], polygon: FloatArray | None) -> Grey:
    """Return 255 inside of a polygon (V, 2) and 0 outside."""
    if polygon is None:
        return np.full(shape, 255, dtype=np.uint8)
    mask = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(polygon).astype(np.int32)], 255)
    return mask


def _paper_level(small: Grey, inside: Grey) -> Grey:
    """Return the paper's grey on the reduced copy; beyond the sheet it goes on as at its rim."""
    diagonal = float(np.hypot(*small.shape))
    rim = cv2.erode(inside, np.ones((3, 3), np.uint8))
    paper = cv2.bitwise_and(small, rim)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(INK_PART * diagonal / 2) + 1,) * 2)
    closed = cv2.morphologyEx(paper, cv2.MORPH_CLOSE, kernel)
    smooth = cv2.GaussianBlur(closed.astype(np.float32), (0, 0), LIGHT_PART * diagonal)
    weight = cv2.GaussianBlur((rim > 0).astype(np.float32), (0, 0), LIGHT_PART * diagonal)
    within = np.where(rim > 0, smooth / np.maximum(weight, 1e-3), 0)
    whole = np.where(within > DARKEST_PAPER, within, WHITE)
    return np.clip(np.rint(whole), DARKEST_PAPER, 255).astype(np.uint8)


def _spread(level: Grey, shape: tuple[int, ...], rows: slice) -> Grey:
    """Return the level at full size for some rows of the page."""
    y, x = np.arange(rows.start, rows.stop), np.arange(shape[1])
    at_x = np.broadcast_to(((x + 0.5) / REDUCED - 0.5).astype(np.float32), (len(y), len(x)))
    at_y = np.broadcast_to(((y + 0.5) / REDUCED - 0.5).astype(np.float32)[:, None], (len(y), len(x)))
    return np.asarray(cv2.remap(level, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)

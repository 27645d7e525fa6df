"""A small drawing as a picture of known scale, for tests of what is printed from it."""

from __future__ import annotations

import cv2
import numpy as np

from digitize.shapes import Picture, TrueSheet
from digitize.true_size import true_sheet

MM_PER_PX = 0.2
# Slightly slanted and stretched, as a copy may be: px -> sheet mm, the y flip in it.
SLANTED = MM_PER_PX * np.array([[1.01, -0.0004], [-0.0004, -0.985]])


def drawing(width_px: int = 1900, height_px: int = 1300, seed: int = 3) -> Picture:
    """Return lines in every direction, a circle and letters, on paper that is darker towards one side."""
    fine = np.full((2 * height_px, 2 * width_px), 255, dtype=np.uint8)
    rng = np.random.default_rng(seed)
    for _ in range(60):
        ends = (rng.uniform(0.02, 0.98, (2, 2)) * fine.shape[::-1]).astype(int)
        cv2.line(fine, ends[0].tolist(), ends[1].tolist(), (0,), 5, cv2.LINE_AA)
    cv2.circle(fine, (width_px, height_px), height_px // 2, (0,), 6, cv2.LINE_AA)
    cv2.putText(fine, "PLOVER", (100, 300), cv2.FONT_HERSHEY_SIMPLEX, 6.0, (0,), 8, cv2.LINE_AA)
    grey = cv2.resize(fine, (width_px, height_px), interpolation=cv2.INTER_AREA).astype(np.float64)
    light = np.linspace(236.0, 205.0, width_px)
    grey = 30.0 + (light - 30.0) * grey / 255.0 + rng.normal(0.0, 2.0, grey.shape)
    values = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    values.setflags(write=False)
    return Picture(values, "plover.png", "0" * 64, None, "scan")


def sheet(**told: object) -> TrueSheet:
    """Return the drawing as a sheet of about 384 x 256 mm."""
    return true_sheet(drawing(), SLANTED, **told)  # type: ignore[arg-type]

"""Where the paper ends, whatever way it runs: a sheet that bends far has sides that are straight no more.

Its bent sides are found by none who looks for straight ones, and the straight ones that are left fit a camera.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.joined import Ground

HALF = 0.5  # of the step from the paper's tone to the table's
SOLID_PX = 5  # what is narrower is no paper
FRAME_PX = 4.0  # from where the picture ends: paper goes on there


def paper_rim(ground: Ground, seen: BoolArray) -> FloatArray:
    """Return (N, 2) places round the paper, in order, px of the straightened copy; none where no table tells it.

    Args:
        ground: the tones of paper and table.
        seen: (H, W) where the straightened picture shows anything.
    """
    paper = (seen & (ground.off * np.sign(ground.step) < HALF * np.abs(ground.step))).astype(np.uint8)
    solid = cv2.morphologyEx(paper, cv2.MORPH_OPEN, np.ones((SOLID_PX, SOLID_PX), np.uint8))
    rings, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not rings:
        return np.zeros((0, 2))
    ring = max(rings, key=cv2.contourArea)[:, 0].astype(np.float64)
    return np.asarray(ring[_within(seen, ring)])


def _within(seen: BoolArray, ring: FloatArray) -> BoolArray:
    """Return (N,) which places are not where the picture ends."""
    framed = cv2.copyMakeBorder(seen.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    x, y = ring.astype(int).T
    return np.asarray(cv2.distanceTransform(framed, cv2.DIST_L2, 3)[y + 1, x + 1] > FRAME_PX)

"""Straight lines of the reduced picture that could be a side of the sheet, and how much along them is an edge.

Frames: everything here is px of the reduced picture after straightening. A line is its unit normal n and offset c:
places with n.x = c are on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from digitize.sheet.chains import Joined

Grey = npt.NDArray[np.uint8]

MOST_LINES = 26
# Chains belong to one line when they lie this near it; a line is at least this part of the picture's diagonal long.
SAME_LINE_PX = 2.5
LEAST_OF_DIAGONAL = 0.06
# A step is looked at between bands this far from the line on either side, every so far along it.
BAND_PX = (2.5, 4.5, 6.5)
SAMPLE_PX = 4.0
BAND_ALONG_PX = 9
# A step that counts is more than this many grey levels, and in full at this many.
LEAST_STEP, FULL_STEP = 2.5, 7.0


@dataclass(frozen=True, eq=False)
class SideLine:
    """A candidate for a side, with what is seen along it across the whole picture."""

    normal: FloatArray  # (2,)
    offset_px: float
    places: FloatArray  # (S, 2) samples along it, in order, inside the picture
    inner: FloatArray  # (S,) grey on the side that the normal points away from
    outer: FloatArray  # (S,) grey on the side that the normal points to

    def flipped(self) -> SideLine:
        """Return the same line with its sides exchanged."""
        return SideLine(-self.normal, -self.offset_px, self.places, self.outer, self.inner)

    def outside(self, places: FloatArray) -> FloatArray:
        """Return (N,) how far places (N, 2) lie beyond the line."""
        return np.asarray(places @ self.normal - self.offset_px)


def plain_tones(small: Grey, ink_px: int) -> Grey:
    """Return the picture without what is thin, dark or light: ink, glints, grain, printed squares."""
    kernel = np.ones((ink_px, ink_px), np.uint8)
    closed = cv2.morphologyEx(small, cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel), dtype=np.uint8)


def stronger(tones: Grey, times: int) -> Grey:
    """Return the picture's differences from what is wide around them, so many times as large."""
    wide = cv2.blur(cv2.GaussianBlur(tones, (0, 0), 1.2), (61, 61))
    smooth = cv2.GaussianBlur(tones, (0, 0), 1.2)
    # 128 + times (smooth - wide), saturated
    return np.asarray(cv2.addWeighted(smooth, times, wide, -times, 128), dtype=np.uint8)


def side_lines(chains: Sequence[FloatArray], tones: Grey) -> list[SideLine]:
    """Return lines that hold the most length of chain, at most a few dozen.

    Args:
        chains: places (N, 2) of each, straightened.
        tones: the straightened picture without what is thin.
    """
    joined = Joined.of(chains)
    free = np.ones(len(chains), dtype=np.bool_)
    found: list[tuple[float, FloatArray, float]] = []
    for first in joined.longest_first():
        if free[first]:
            group, middle, along = joined.on_one_line(first, free, SAME_LINE_PX, 2)
            free[group] = False
            normal = np.array([-along[1], along[0]])
            found.append((float(joined.length_px[group].sum()), normal, float(normal @ middle)))
    least = LEAST_OF_DIAGONAL * float(np.hypot(*tones.shape))
    kept = sorted((f for f in found if f[0] >= least), key=lambda f: -f[0])[:MOST_LINES]
    return [line for _, normal, offset in kept if (line := _seen(normal, offset, tones)) is not None]


def _seen(normal: FloatArray, offset: float, tones: Grey) -> SideLine | None:
    """Return the line with what is on both its sides, or None when it misses the picture."""
    height, width = tones.shape
    along = np.array([-normal[1], normal[0]])
    reach = np.hypot(width, height)
    middle = np.array([width - 1, height - 1]) / 2
    start = middle + (offset - middle @ normal) * normal
    t = np.arange(-reach, reach, SAMPLE_PX)
    places = start + t[:, None] * along
    inside = ((places >= 0) & (places <= [width - 1, height - 1])).all(axis=1)
    if inside.sum() < 8:
        return None
    places = places[inside]
    outer, inner = (_band(tones, places, sign * normal) for sign in (1, -1))
    return SideLine(normal, offset, places, inner, outer)


def _band(tones: Grey, places: FloatArray, normal: FloatArray) -> FloatArray:
    """Return (S,) the grey beside the places, on the side that the normal points to."""
    at = (places[:, None] + np.array(BAND_PX)[:, None] * normal).astype(np.float32)
    grey = cv2.remap(tones, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    across = np.ascontiguousarray(np.median(grey, axis=1)[:, None])
    return np.asarray(cv2.blur(across, (1, BAND_ALONG_PX // int(SAMPLE_PX) * 2 + 1))[:, 0], dtype=np.float64)

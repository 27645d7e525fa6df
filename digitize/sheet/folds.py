"""Lines that look like the sheet's edge and are none, because what is drawn goes on across them: folds, mostly.

Nothing drawn reaches past the paper's end. What lies over that end (a rule, a card) may, but all of it in one place.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.outline import MOST_OTHER, surface
from digitize.sheet.sides import SideLine

Grey = npt.NDArray[np.uint8]

ROWS_PX = (4.0, 6.5, 9.0)  # looked at on either side, px of the reduced picture: clear of the line's own shade
STEP_PX = 0.5
LEAST_INK = 0.10  # darker than the wide paper beside it by this share: a thin drawn line on the reduced picture
SLANTS = np.arange(-1.0, 1.01, 0.1)  # drawn lines cross at up to 45 degrees from square
LEAST_ROWS = 5  # of six with ink
SPREAD_OF_DIAGONAL = 0.03  # crossings nearer than this are one: the sides and the numbers of one thing
FEWEST = 3
MOST_SHARE = 0.2  # of the line with ink across it: more is graduations or a table's grain


def without_folds(lines: Sequence[SideLine], flat: Grey, tones: Grey, paper: FloatArray) -> list[SideLine]:
    """Return the lines that nothing drawn goes on across.

    Args:
        lines: candidates for sides of the sheet.
        flat: the straightened reduced picture.
        tones: the same without what is thin.
        paper: (6,) of the surface of the paper's log grey.
    """
    size_px = np.array(tones.shape[::-1], dtype=np.float64)
    share = cv2.subtract(tones, flat).astype(np.float32) / np.maximum(tones, 16)
    ink = np.asarray(share, dtype=np.float32)
    return [line for line in lines if not _crossed(line, ink, surface(line.places, size_px) @ paper)]


def _crossed(line: SideLine, ink: npt.NDArray[np.float32], expected: FloatArray) -> bool:
    """Whether ink goes on across a line in several places along it where both its sides are as light as paper."""
    off = [np.abs(np.log(np.maximum(side, 4.0)) - expected) for side in (line.inner, line.outer)]
    along = np.array([-line.normal[1], line.normal[0]])
    start, end = line.places[0], line.places[-1]
    at = np.arange(0.0, abs(float((end - start) @ along)), STEP_PX)
    places = start + at[:, None] * along * np.sign((end - start) @ along)
    stations = np.hypot(*(line.places - start).T)
    across = _goes_on(ink, places, along, line.normal) & (np.interp(at, stations, np.maximum(*off)) < MOST_OTHER)
    if not across.any() or across.mean() > MOST_SHARE:
        return False
    found = at[across]
    apart = SPREAD_OF_DIAGONAL * float(np.hypot(*ink.shape))
    return 1 + int(np.count_nonzero(np.diff(found) > apart)) >= FEWEST


def _goes_on(ink: npt.NDArray[np.float32], places: FloatArray, along: FloatArray, normal: FloatArray) -> BoolArray:
    """Return (S,) where one straight stroke shows on both sides of a line."""
    rows = np.array([-row for row in ROWS_PX[::-1]] + list(ROWS_PX))
    across = np.zeros(len(places), dtype=np.bool_)
    for slant in SLANTS:
        shift = rows[:, None, None] * (normal + slant * along)
        at = (places[None] + shift).astype(np.float32)
        seen = cv2.remap(ink, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        across |= (seen > LEAST_INK).sum(axis=0) >= LEAST_ROWS
    return across

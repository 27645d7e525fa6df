"""Paper told from the table by its colour, where both are as light as each other: brown paper on grey, say.

What is looked at is each pixel's colour apart from its lightness (logarithms of red, green and blue less their mean),
which shade and a lamp's fall-off leave as it is; along it, how far a pixel is from the paper's towards the table's.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from digitize.shapes import Colours
from digitize.sheet.edges import LIGHT

Grey = npt.NDArray[np.uint8]

# Darker than this colours are mostly noise.
LEAST_GREY = 16
SMOOTHED_PX = 1.2
# The paper's colour is that of the picture's middle, this part of each side; the table's is looked for in a rim this
# wide, and must be at least so much of it.
MIDDLE_PART, RIM_PART, LEAST_OF_RIM = 0.3, 0.05, 0.04
# Colours that differ by less than this (log) are no evidence.
LEAST_APART = 0.10
# How light paper and table come to look, 0 to 255; an edge is where light is half way.
PAPER_LIGHT, TABLE_LIGHT = 150.0, 40.0


def tinted(colours: Colours, size: tuple[int, int]) -> Grey | None:
    """Return a picture (height, width = ``size``) in which paper is light and table dark, by their colours alone.

    None where no colour round the picture's rim differs from its middle's.
    """
    height, width = colours.shape[:2]
    light = np.log(np.maximum(cv2.GaussianBlur(colours, (0, 0), SMOOTHED_PX), LEAST_GREY).astype(np.float32))
    colour = light - light.mean(axis=2, keepdims=True)
    y, x = (round(side * (1.0 - MIDDLE_PART) / 2.0) for side in (height, width))
    paper = np.median(colour[y : height - y, x : width - x].reshape(-1, 3), axis=0)
    rim = max(2, round(RIM_PART * min(height, width)))
    inner = np.zeros((height, width), dtype=np.bool_)
    inner[rim:-rim, rim:-rim] = True
    around = colour[~inner]
    other = around[np.hypot.reduce(around - paper, axis=1) > LEAST_APART]
    if len(other) < LEAST_OF_RIM * len(around):
        return None
    way = np.median(other, axis=0) - paper
    if np.linalg.norm(way) < LEAST_APART:
        return None
    part = (colour - paper) @ (way / (way @ way))
    tone = np.interp(PAPER_LIGHT + (TABLE_LIGHT - PAPER_LIGHT) * part, LIGHT, np.arange(256.0)).astype(np.uint8)
    return np.asarray(cv2.resize(tone, size[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.uint8)

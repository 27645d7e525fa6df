"""Which way ink departs from paper: light lines on dark paper, and ink that colour shows better than lightness.

Both questions are asked of what is thin on a reduced copy of the page: each pixel against the median around it.
Borders, photographs, stains and the scanner's bed are wide, so they have no say, whatever share of the page they fill.
Any fixed function of colour treats both edges of a line alike, so the middle of a line stays where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from digitize.read.limits import GreyArray

ColourArray = npt.NDArray[np.uint8]  # (H, W, 3) red, green, blue

# Longest side of the reduced copy: a line of 0.3 mm on a sheet of 600 mm is still a pixel wide.
REDUCED_PX = 2000
# Thin is what vanishes in a median of this size: up to 2 mm on a sheet of 600 mm.
MEDIAN_PX = 15
# A pixel departs from its paper by at least this many grey levels, and this many times the noise.
LEAST_STEP = 18.0
NOISE_TIMES = 6.0
MEDIAN_TO_SIGMA = 1.4826  # standard deviation of normal noise over the median of its size
# A page with less that is thin than this share shows no direction.
LEAST_THIN_SHARE = 2e-4
# Dark paper: over half of the page is darker than this. A faded blueprint is about 150, white paper over 200.
DARK_PAPER = 176
# Light lines: what is thin and lighter than its paper outweighs what is darker by this.
LIGHT_OVER_DARK = 3.0
# Lightness is kept as long as it shows ink with this part of the contrast that colour would give: JPEG files keep
# colour at half their resolution and lower quality.
LIGHTNESS_ENOUGH = 0.6
# Where the paper comes to lie when colour decides.
PAPER_GREY = 235.0


@dataclass(frozen=True, eq=False)
class InkColour:
    """Grey = ``offset`` + ``weights`` . (red, green, blue): paper light, ink dark."""

    weights: FloatArray  # (3,)
    offset: float


def is_negative(grey: GreyArray) -> bool:
    """Return whether a page is light lines on dark paper, as a blueprint or a negative is."""
    small = _reduced(grey)
    paper = cv2.medianBlur(small, MEDIAN_PX)
    if np.median(paper) > DARK_PAPER:
        return False
    lighter, darker = cv2.subtract(small, paper), cv2.subtract(paper, small)
    least = _least_step(np.maximum(lighter, darker))
    light, dark = (float(side[side > least].sum(dtype=np.int64)) for side in (lighter, darker))
    enough = np.count_nonzero(lighter > least) > LEAST_THIN_SHARE * small.size
    return bool(enough and light > LIGHT_OVER_DARK * dark)


def ink_colour(reduced: ColourArray) -> InkColour | None:
    """Return the grey that shows the ink of a reduced colour page best, or None where lightness does as well."""
    paper = cv2.medianBlur(reduced, MEDIAN_PX)
    step = reduced.astype(np.int16) - paper
    size = np.abs(step).max(axis=2)
    thin = size > _least_step(size)
    if np.count_nonzero(thin) < LEAST_THIN_SHARE * size.size:
        return None
    steps, papers = step[thin].astype(np.float64), paper[thin]
    ink = steps.mean(axis=0)
    weights = ink / max(float(np.abs(ink).sum()), 1.0)
    by_colour = float(np.median(np.abs(steps @ weights)))
    if _lightness_contrast(papers, steps) >= LIGHTNESS_ENOUGH * by_colour:
        return None
    return InkColour(-weights, PAPER_GREY + float(weights @ np.median(papers, axis=0)))


def _lightness_contrast(papers: ColourArray, steps: FloatArray) -> float:
    """Return how far thin things depart from their paper in lightness, grey levels; both arrays (N, 3)."""
    inks = np.clip(papers + steps, 0, 255).astype(np.uint8)
    light = [cv2.cvtColor(colours[None], cv2.COLOR_RGB2GRAY)[0].astype(np.int16) for colours in (inks, papers)]
    return float(np.median(np.abs(light[0] - light[1])))


def reduction(width_px: int, height_px: int) -> int:
    """Return by how much a page is shrunk for these questions, a whole number."""
    return max(1, -(-max(width_px, height_px) // REDUCED_PX))


def _reduced(grey: GreyArray) -> GreyArray:
    """Return the page averaged over whole blocks of pixels."""
    factor = reduction(grey.shape[1], grey.shape[0])
    height, width = (max(1, side // factor) for side in grey.shape)
    whole = grey[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _least_step(size: npt.NDArray[np.integer]) -> float:
    """Return the step beyond which a pixel is no noise; paper is most of any page."""
    return max(LEAST_STEP, NOISE_TIMES * MEDIAN_TO_SIGMA * float(np.median(size)))

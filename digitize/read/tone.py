"""Which way ink departs from paper: light lines on dark paper, and ink that colour shows better than lightness.

Both questions are asked of what is thin on a reduced copy of the page: each pixel against the median around it.
Borders, photographs, stains and the scanner's bed are wide, so they have no say, whatever share of the page they fill.
A photo shows the table too, whose grain, weave or printed squares are thin as well: there only the sheet has a say.
Any fixed function of colour treats both edges of a line alike, so the middle of a line stays where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.paged import averaged
from digitize.read.limits import ColourArray, GreyArray

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
# The sheet is of one tone and covers most of the picture's middle, this part of its sides. It is told from the table
# on a copy of this size, where the tones differ by this many grey levels at least, and judged this far inside.
TONE_PX = 250
MIDDLE_PART = 0.4
LEAST_TONE_STEP = 20.0
INSIDE_PX = 5


@dataclass(frozen=True, eq=False)
class InkColour:
    """Grey = ``offset`` + ``weights`` . (red, green, blue): paper light, ink dark."""

    weights: FloatArray  # (3,)
    offset: float


def is_negative(grey: GreyArray, *, photo: bool = False) -> bool:
    """Return whether a page is light lines on dark paper, as a blueprint or a negative is.

    A scan must be so on the whole and on its sheet, a photo on its sheet.
    """
    small = _reduced(grey)
    paper = cv2.medianBlur(small, MEDIAN_PX)
    everywhere = np.ones(small.shape, dtype=np.bool_)
    return (photo or _is_light_on_dark(small, paper, everywhere)) and _is_light_on_dark(small, paper, _sheet(paper))


def _is_light_on_dark(small: GreyArray, paper: GreyArray, where: BoolArray) -> bool:
    if np.median(paper[where]) > DARK_PAPER:
        return False
    lighter, darker = cv2.subtract(small, paper)[where], cv2.subtract(paper, small)[where]
    least = _least_step(np.maximum(lighter, darker))
    light, dark = (float(side[side > least].sum(dtype=np.int64)) for side in (lighter, darker))
    enough = np.count_nonzero(lighter > least) > LEAST_THIN_SHARE * lighter.size
    return bool(enough and light > LIGHT_OVER_DARK * dark)


def _sheet(paper: GreyArray) -> BoolArray:
    """Return where the sheet is, roughly: what is connected of the tone that most of the picture's middle has.

    A sheet half in shadow shows one of its halves, which has the same ink.
    """
    scale = TONE_PX / max(paper.shape)
    small = cv2.medianBlur(cv2.resize(paper, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), 5)
    _, light = cv2.threshold(small, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    both = [small[light == side] for side in (0, 1)]
    if not (both[0].size and both[1].size) or np.median(both[1]) - np.median(both[0]) < LEAST_TONE_STEP:
        return np.ones(paper.shape, dtype=np.bool_)
    return _connected((light if 2 * _middle(light).mean() >= 1 else 1 - light).astype(np.uint8), paper.shape)


def _middle(values: GreyArray) -> GreyArray:
    height, width = values.shape
    y, x = (round(side * (1 - MIDDLE_PART) / 2) for side in (height, width))
    return values[y : height - y, x : width - x]


def _connected(tone: GreyArray, shape: tuple[int, ...]) -> BoolArray:
    """Return the piece of a tone that has most of the picture's middle, a little inside of its rim, full size."""
    _, labels = cv2.connectedComponents(tone, connectivity=4)
    counts = np.bincount(_middle(labels)[_middle(tone) > 0])
    piece = (labels == np.argmax(counts)).astype(np.uint8)
    inside = cv2.erode(piece, np.ones((INSIDE_PX, INSIDE_PX), np.uint8), borderValue=1)
    chosen = inside if inside.any() else piece
    return np.asarray(cv2.resize(chosen, shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


def ink_colour(reduced: ColourArray, *, photo: bool = False) -> InkColour | None:
    """Return the grey that shows the ink of a reduced colour page best, or None where lightness does as well."""
    paper = cv2.medianBlur(reduced, MEDIAN_PX)
    step = reduced.astype(np.int16) - paper
    size = np.abs(step).max(axis=2)
    if photo:  # the table's colours are none of the ink's
        where = _sheet(np.asarray(cv2.cvtColor(paper, cv2.COLOR_RGB2GRAY), dtype=np.uint8))
        step, size, paper = step[where][:, None], size[where][:, None], paper[where][:, None]
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
    return averaged(grey, reduction(grey.shape[1], grey.shape[0]))


def _least_step(size: npt.NDArray[np.integer]) -> float:
    """Return the step beyond which a pixel is no noise; paper is most of any page."""
    return max(LEAST_STEP, NOISE_TIMES * MEDIAN_TO_SIGMA * float(np.median(size)))

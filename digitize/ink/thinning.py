"""Thinning of ink and its thickness, block by block: empty paper costs nothing, and thick ink only where it is.

Thinning after Zhang and Suen, "A fast parallel algorithm for thinning digital patterns", Comm. ACM 27 (1984) 236, as
scikit-image provides it. A pixel is decided by its neighbours, so what a block does not see beyond its margin reaches
one pixel farther in with each half of a round; ink that is not thicker than this allows is thinned as in one piece.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt
from skimage.morphology import skeletonize

from calibration.frames import BoolArray, FloatArray

BLOCK_PX, MARGIN_PX = 512, 56
# Ink so far from its paper is gone or thin after as many rounds and these more: half rounds never cross the margin.
ROUNDS_MORE = 8
DEEPEST_PX = MARGIN_PX / 2 - ROUNDS_MORE

Distances = npt.NDArray[np.float32]
Block = tuple[tuple[slice, slice], tuple[slice, slice], tuple[slice, slice]]


def thinned(bordered: BoolArray) -> tuple[BoolArray, FloatArray]:
    """Return the thinned mask (H, W), and how far each of its pixels (N,), row by row, lay from paper, px.

    Args:
        bordered: (H, W) ink; the two outermost rows and columns on every side are paper.
    """
    lines = np.zeros_like(bordered)
    depth: list[tuple[Block, Distances]] = []
    for block in _blocks(*bordered.shape):
        window, inner, place = block
        ink = bordered[window]
        if not ink[inner].any():
            continue
        away = _depth(ink)
        if away[inner].max() > DEEPEST_PX:
            whole = np.asarray(skeletonize(bordered))
            return whole, np.asarray(_depth(bordered)[whole], dtype=np.float64)
        lines[place] = skeletonize(ink)[inner]
        depth.append((block, away[inner][lines[place]]))
    return lines, _by_rows(lines, depth)


def _blocks(height: int, width: int) -> Iterator[Block]:
    """Yield of each block the window with its margin, where the block is in that, and where it is in the picture."""
    for top in range(0, height, BLOCK_PX):
        rows = max(0, top - MARGIN_PX), min(height, top + BLOCK_PX)
        for left in range(0, width, BLOCK_PX):
            columns = max(0, left - MARGIN_PX), min(width, left + BLOCK_PX)
            yield (
                (slice(rows[0], rows[1] + MARGIN_PX), slice(columns[0], columns[1] + MARGIN_PX)),
                (slice(top - rows[0], rows[1] - rows[0]), slice(left - columns[0], columns[1] - columns[0])),
                (slice(top, rows[1]), slice(left, columns[1])),
            )


def _depth(ink: BoolArray) -> Distances:
    return np.asarray(cv2.distanceTransform(ink.astype(np.uint8), cv2.DIST_L2, 3), dtype=np.float32)


def _by_rows(lines: BoolArray, depth: list[tuple[Block, Distances]]) -> FloatArray:
    """Return the depths of all blocks in the order of the whole mask's pixels."""
    if not depth:
        return np.zeros(0)
    places, values = [], []
    for (_, _, place), away in depth:
        rows, columns = np.nonzero(lines[place])
        places.append((rows + place[0].start) * lines.shape[1] + columns + place[1].start)
        values.append(away)
    return np.concatenate(values)[np.argsort(np.concatenate(places))].astype(np.float64)

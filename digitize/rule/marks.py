"""The middle of a mark that a person pointed to: where the lines through it cross, to a part of a pixel.

The place that is nearest to all edges around it at once, each weighed by its strength: W. Foerstner and E. Guelch,
"A fast operator for detection and precise location of distinct points, corners and centres of circular features",
ISPRS Intercommission Workshop, Interlaken 1987. Both edges of a line pull alike, so the middle of the ink remains.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, shift

from calibration.frames import FloatArray
from digitize.shapes import SpanPlaces

if TYPE_CHECKING:
    from digitize.settings import SpanHint

# A place put by eye is this certain (1 sigma), or this part of the picture's longer side, which is not looked at pixel
# by pixel; one moved to the middle of its mark this.
BY_EYE_PX, BY_EYE_PART, CENTRED_PX = 3.0, 1.0 / 2000.0, 0.3
# Edges count within this of the place, falling off as a bell of this spread; a mark's middle is sought within the last.
REACH_PX, SPREAD_PX, FARTHEST_PX = 12, 5.0, 3.0
ROUNDS, SETTLED_PX = 8, 0.01
SMOOTH_PX = 1.0  # edges are taken from ink this smooth: differences of sharp ink depend on where it lies in a pixel
# Lines cross there when edges run in both directions alike (4 det / trace^2, 1 for a perfect cross) and pass this near.
ROUND, NEAR_PX = 0.5, 3.5
# The middle of a mark is darker than its surroundings' paper by this many grey levels, and turned half round about it
# the mark is the same but for this part: where one line only ends on another, the edges do not balance.
INK_LEVELS, UNEVEN = 40.0, 0.2


def span_places(grey: npt.NDArray[np.uint8], spans: Sequence[SpanHint]) -> tuple[SpanPlaces, ...]:
    """Return every span with its ends moved to the middle of the marks they are on.

    An end that is on no crossing of lines stays where the person put it, and as uncertain.

    Args:
        grey: (H, W) dark ink on light paper.
        spans: as the plan file gives them.
    """
    return tuple(_placed(grey, span) for span in spans)


def _placed(grey: npt.NDArray[np.uint8], span: SpanHint) -> SpanPlaces:
    ends, by_eye_px = [], max(BY_EYE_PX, BY_EYE_PART * max(grey.shape))
    for place in (span.from_px, span.to_px):
        middle = mark_middle(grey, place)
        ends.append((place, by_eye_px) if middle is None else (middle, CENTRED_PX))
    return SpanPlaces(ends[0][0], ends[1][0], span.length_mm, (ends[0][1], ends[1][1]))


def mark_middle(grey: npt.NDArray[np.uint8], place: tuple[float, float]) -> tuple[float, float] | None:
    """Return where the lines near a place cross, px; None when none do within FARTHEST_PX of it."""
    start = np.array(place, dtype=np.float64)
    low = np.rint(start).astype(int) - REACH_PX
    high = low + 2 * REACH_PX + 1
    if low.min() < 0 or high[0] > grey.shape[1] or high[1] > grey.shape[0]:
        return None
    patch = grey[low[1] : high[1], low[0] : high[0]].astype(np.float64)
    down, right = (gaussian_filter(patch, SMOOTH_PX, order=order, mode="nearest") for order in ((1, 0), (0, 1)))
    edges = np.stack([right.ravel(), down.ravel()], axis=1)
    where = np.stack(np.meshgrid(*(np.arange(2 * REACH_PX + 1.0),) * 2), axis=-1).reshape(-1, 2) + low
    middle = start
    for _ in range(ROUNDS):
        found = _nearest_to_edges(edges, where, middle)
        if found is None or np.hypot(*(found - start)) > FARTHEST_PX:
            return None
        moved, middle = float(np.hypot(*(found - middle))), found
        if moved < SETTLED_PX:
            break
    return (float(middle[0]), float(middle[1])) if _is_cross(patch, middle - low) else None


def _is_cross(patch: FloatArray, middle: FloatArray) -> bool:
    """Whether a place (px in the patch) is inked and looks the same when turned half round."""
    ink = np.clip(np.percentile(patch, 90) - patch, 0.0, None)
    column, row = np.rint(middle).astype(int)
    reach = int(min(row, column, *(np.array(ink.shape) - 1 - (row, column)), 2 * SPREAD_PX))
    near = ink[row - reach : row + reach + 1, column - reach : column + reach + 1]
    # what lies a fraction of a pixel off the middle differs by that much at the edges
    turned = shift(near[::-1, ::-1], 2.0 * (middle[::-1] - (row, column)), order=1, mode="nearest")
    inner = np.s_[1:-1, 1:-1]
    differs = float(np.abs(near - turned)[inner].sum()) / max(float((near + turned)[inner].sum()), 1.0)
    return bool(ink[row, column] > INK_LEVELS and differs < UNEVEN)


def _nearest_to_edges(edges: FloatArray, where: FloatArray, about: FloatArray) -> FloatArray | None:
    """Return the place nearest to all edge lines, weighed by a bell about a place; None when no lines cross there."""
    weight = np.exp(-((where - about) ** 2).sum(axis=1) / (2.0 * SPREAD_PX**2))
    moments = np.einsum("n,ni,nj->nij", weight, edges, edges)
    normal = moments.sum(axis=0)
    trace = float(np.trace(normal))
    if trace <= 0.0 or 4.0 * float(np.linalg.det(normal)) < ROUND * trace**2:
        return None
    place = np.linalg.solve(normal, np.einsum("nij,nj->i", moments, where))
    off = np.einsum("ni,ni->n", edges, where - place)
    near = float(np.sqrt((weight * off**2).sum() / trace))
    return place if near < NEAR_PX else None


__all__ = ["mark_middle", "span_places"]

"""Picture to strokes: the drawn lines of a page, in pixels, never joined here."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.errors import Refusal
from calibration.frames import PxPoints
from calibration.units import MM_PER_INCH
from digitize.begun import begin, made
from digitize.ink.mask import Levels, ink_levels, ink_mask, shade_px
from digitize.ink.skeleton import skeleton_edges
from digitize.paged import averaged
from digitize.shapes import Ink, Picture, Stroke

# Lines are followed at about this resolution; exact places are measured later at full resolution.
WORKING_PX_PER_MM = 5.8
# Less ink than this in all is an empty page.
LEAST_INK_MM = 50.0


def begin_strokes(picture: Picture) -> Callable[[], None] | None:
    """Return what does the first part of :func:`find_strokes`, which hardly needs the scale, if the file tells it."""
    if picture.dpi is None:
        return None
    px_per_mm = sum(picture.dpi) / 2.0 / MM_PER_INCH
    return begin(picture, "ink", _made_of(px_per_mm), lambda: _levels(picture, px_per_mm))


def _factor(px_per_mm: float) -> int:
    return max(1, int(px_per_mm / WORKING_PX_PER_MM))


def _made_of(px_per_mm: float) -> tuple[int, int]:
    """Return all of the scale that the first part of finding strokes is made of."""
    return _factor(px_per_mm), shade_px(px_per_mm / _factor(px_per_mm))


def _levels(picture: Picture, px_per_mm: float) -> Levels:
    factor, shade = _made_of(px_per_mm)
    return ink_levels(averaged(picture.grey, factor), shade)


def find_strokes(picture: Picture, px_per_mm: float) -> Ink:
    """Return every drawn line of the page between its junctions and ends.

    The points are the skeleton of the ink at a working resolution of about
    6 px/mm, given in full-resolution pixels; their sigma says so. Joining, and exact
    measurement, are the work of the contour stage.

    Raises:
        Refusal: ``empty-page`` when the page holds next to no ink.
    """
    factor = _factor(px_per_mm)
    levels = made(picture, "ink", _made_of(px_per_mm), lambda: _levels(picture, px_per_mm))
    mask, darkness = ink_mask(levels, px_per_mm / factor)
    del levels
    edges, junctions, width = skeleton_edges(mask, darkness)
    shift = (factor - 1) / 2.0
    strokes = tuple(
        Stroke(
            points=PxPoints(edge.xy * factor + shift),
            sigma_px=np.full(len(edge.xy), 0.5 * factor),
            width_px=edge.width * factor,
            darkness=edge.darkness,
            closed=edge.closed,
            nodes=edge.nodes,
        )
        for edge in edges
    )
    if sum(len(edge.xy) for edge in edges) * factor / px_per_mm < LEAST_INK_MM:
        raise Refusal("empty-page")
    return Ink(strokes, PxPoints(junctions * factor + shift), width * factor)

"""Picture to strokes: the drawn lines of a page, in pixels, never joined here."""

from __future__ import annotations

import numpy as np

from calibration.errors import Refusal
from calibration.frames import PxPoints
from digitize.ink.mask import ink_mask
from digitize.ink.skeleton import skeleton_edges
from digitize.paged import averaged
from digitize.shapes import Ink, Picture, Stroke

# Lines are followed at about this resolution; exact places are measured later at full resolution.
WORKING_PX_PER_MM = 5.8
# Less ink than this in all is an empty page.
LEAST_INK_MM = 50.0


def find_strokes(picture: Picture, px_per_mm: float) -> Ink:
    """Return every drawn line of the page between its junctions and ends.

    The points are the skeleton of the ink at a working resolution of about
    6 px/mm, given in full-resolution pixels; their sigma says so. Joining, and exact
    measurement, are the work of the contour stage.

    Raises:
        Refusal: ``empty-page`` when the page holds next to no ink.
    """
    factor = max(1, int(px_per_mm / WORKING_PX_PER_MM))
    mask, darkness = ink_mask(averaged(picture.grey, factor), px_per_mm / factor)
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

"""An outline that runs along the edge of a thing lying on the sheet: that may be the thing's edge, the line under it.

A rule's own edge and the shadow beside it look like a drawn line; where a rule lies over the outline they may close
the gap that it leaves.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray, IntArray

# So near the edge of what was taken for the rule, and this nearly parallel to it ...
NEAR_MM, PARALLEL_DEG = 4.0, 2.0
REACH_MM = 4.0  # a direction is that of so much to either side: places are measured one by one
# ... for this long: a curve of 350 mm radius is not. Shorter, the chord of such a curve is 0.2 mm off.
LEAST_MM = 25.0


def along_edges(
    outline: FloatArray, edges: Sequence[FloatArray], told: Callable[[FloatArray], str]
) -> tuple[Doubt, ...]:
    """Return the doubt that an outline follows the edges of things on the sheet, or nothing.

    Args:
        outline: (N, 2) mm, its points evenly along it.
        edges: (V, 2) mm each, polygons round the things in the same frame.
        told: how to tell the person a place (2,) mm.
    """
    step = np.hypot(*(np.roll(outline, -1, axis=0) - outline).T)
    reach = max(1, round(REACH_MM / max(float(np.median(step)), 1e-3)))
    ahead = np.roll(outline, -reach, axis=0) - np.roll(outline, reach, axis=0)
    heading = np.arctan2(ahead[:, 1], ahead[:, 0])
    longest, where = 0.0, outline[0]
    for ring in edges:
        sides = zip(ring, np.roll(ring, -1, axis=0), strict=True)
        for run in _runs(np.any([_beside(outline, heading, *side) for side in sides], axis=0)):
            length = float(step[run].sum())
            if length > longest:
                longest, where = length, outline[run[len(run) // 2]]
    if longest < LEAST_MM:
        return ()
    return (doubt("along-rule", length=f"{longest:.0f}", place=f"({told(where)})"),)


def _beside(xy: FloatArray, heading: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Mark (N,) the points that run beside one side of a polygon, in its direction or against it."""
    side = end - start
    length = float(np.hypot(*side))
    if length == 0.0:
        return np.zeros(len(xy), dtype=np.bool_)
    along = side / length
    place = (xy - start) @ along
    off = np.abs((xy - start) @ np.array([-along[1], along[0]]))
    turned = np.abs(np.sin(heading - np.arctan2(along[1], along[0])))
    return np.asarray((off < NEAR_MM) & (place > 0.0) & (place < length) & (turned < np.sin(np.radians(PARALLEL_DEG))))


def _runs(marked: BoolArray) -> list[IntArray]:
    """Return the points of each unbroken run, round the end of a closed line too."""
    if marked.all():
        return [np.arange(len(marked))]
    first = int(np.argmin(marked))
    order = (np.arange(len(marked)) + first) % len(marked)
    pieces = np.split(order, np.flatnonzero(np.diff(marked[order].astype(np.int8))) + 1)
    return [piece for piece in pieces if marked[piece[0]]]

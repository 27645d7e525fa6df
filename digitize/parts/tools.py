"""Whether round tools can follow a line, and what they leave where they cannot. Body frame, mm.

A tool of radius r that stays on one side of a line reaches every place of it from which a circle of radius r on that
side touches the line nowhere else: the line offset by r and back by r again. What lies between that and the line is
left standing.
"""

from __future__ import annotations

import numpy as np

from digitize.arcs import sampled
from digitize.mold_shapes import Reach
from digitize.parts.meet import distance
from digitize.parts.offset import offset
from digitize.shapes import ArcPath

SAMPLE_MM = 0.5
# Less than this is rounding of the paths, not wood.
LEAST_LEFT_MM = 0.005
# Smallest radius that a band-saw blade of a width saws, mm: width -> radius, the larger where sources differ. Two saw
# makers' manuals and a do-it-yourself guide (common practice).
BLADE_RADII_MM = (
    (3.2, 4.8), (4.8, 9.5), (6.4, 15.9), (9.5, 38.1), (12.7, 63.5), (15.9, 102.0), (19.1, 140.0), (25.4, 194.0),
)  # fmt: skip


def blade_radius_mm(width_mm: float) -> float:
    """Return the smallest radius that a blade can saw, between the widths that are known."""
    widths, radii = zip(*BLADE_RADII_MM, strict=True)
    return float(np.interp(width_mm, widths, radii))


def reach(line: ArcPath, radius_mm: float, tool: str, side: str) -> Reach:
    """Return what a tool leaves of a closed line: ``side`` is where its middle runs, "inside" or "outside" of it.

    Inside: a flush-trim bit that cuts the mold's hollow, a drum that sands it. Outside: one that runs round a part.
    """
    sign = -1.0 if side == "inside" else 1.0
    there = offset(line, sign * radius_mm)
    places = sampled(line, SAMPLE_MM)
    if not there:
        return Reach(tool, radius_mm, side, float("inf"), None)
    # The middle of the tool runs along ``there``; it reaches what is one radius from that.
    left = np.min([distance(places, one) for one in there], axis=0) - radius_mm
    worst = int(np.argmax(left))
    most = float(left[worst])
    if most < LEAST_LEFT_MM:
        return Reach(tool, radius_mm, side, 0.0, None)
    x, y = places[worst].tolist()
    return Reach(tool, radius_mm, side, most, (x, y))

"""Whether round tools can follow a line, and what they leave where they cannot. Body frame, mm.

A tool of radius r that stays on one side of a line reaches every place of it from which a circle of radius r on that
side touches the line nowhere else: the line offset by r and back by r again. What lies between that and the line is
left standing.
"""

from __future__ import annotations

import numpy as np

from digitize.arcs import distances, sampled
from digitize.mold_shapes import Reach
from digitize.parts.offset import offset
from digitize.shapes import ArcPath

SAMPLE_MM = 1.0
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
    left = np.min([distances(one, places) for one in there], axis=0) - radius_mm
    worst = int(np.argmax(left))
    most = float(left[worst])
    if most < LEAST_LEFT_MM:
        return Reach(tool, radius_mm, side, 0.0, None)
    x, y = places[worst].tolist()
    return Reach(tool, radius_mm, side, most, (x, y))


BEND_WINDOW_MM = 10.0  # over which a bend's radius is told: shorter ones are what fairing left of a corner
BEND_STEP_MM = 1.0


def tightest_bends_mm(body: ArcPath) -> tuple[float, float]:
    """Return the smallest radii over 10 mm of a counter-clockwise body: bent outwards, and inwards; inf for none."""
    places = sampled(body, BEND_STEP_MM)
    steps = np.hypot(*(np.roll(places, -1, axis=0) - places).T)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    chord = np.roll(places, -1, axis=0) - places
    heading = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    at = (length[:-1] + length[1:]) / 2.0
    whole = 2.0 * np.pi * np.sign(heading[-1] - heading[0])
    # Once round and a little more, so that windows may begin anywhere.
    at, heading = np.append(at, at + length[-1]), np.append(heading, heading + whole)
    later = np.interp(at[: len(chord)] + BEND_WINDOW_MM, at, heading)
    curvature = (later - heading[: len(chord)]) / BEND_WINDOW_MM
    outward, inward = float(curvature.max()), float(-curvature.min())
    return tuple(1.0 / one if one > 1e-9 else float("inf") for one in (outward, inward))  # type: ignore[return-value]

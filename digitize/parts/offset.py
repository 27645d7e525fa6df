"""Paths parallel to a closed path, in exact lines and arcs.

Every line moves aside, every arc changes its radius, every corner becomes an arc round its vertex; what of that is
nearer to the path than the distance asked for is cut away where the pieces cross each other (the usual raw curve and
its pruning, e.g. Choi and Park 1999, Computer-Aided Design 31, for lines and arcs). As every piece that is kept lies
exactly at the distance, nothing is lost or invented where bends are tighter than the distance.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from calibration.frames import FloatArray, frozen_floats
from digitize.arcs import STRAIGHT_BULGE, distances, segments, signed_area
from digitize.parts.meet import joined, meetings, split
from digitize.shapes import ArcPath

# What is kept lies at the distance to within this: rounding of coordinates of a metre, and of touching circles.
OFF_MM = 2e-6
LEAST_TURN_RAD = 1e-9  # a smaller turn from piece to piece is none
SPECK_MM2 = 1e-6  # a loop that encloses less is rounding


def counter_clockwise(path: ArcPath) -> ArcPath:
    """Return a closed path running counter-clockwise."""
    return path if signed_area(path) > 0.0 else backwards(path)


def backwards(path: ArcPath) -> ArcPath:
    """Return the same curve run the other way."""
    bulge = -path.bulge[::-1]
    bulge = np.roll(bulge, -1) if path.closed else bulge
    return ArcPath(frozen_floats(path.xy_mm[::-1]), frozen_floats(bulge), path.closed)


@lru_cache(maxsize=32)  # of the same path object, which cannot change
def offset(path: ArcPath, by_mm: float) -> tuple[ArcPath, ...]:
    """Return the closed paths at a distance from a closed path: outside it for a positive one, inside for a negative.

    The largest first. Outer ones run counter-clockwise, the edges of what they leave free clockwise. None where
    nothing is so far inside.

    Raises:
        ValueError: the path is open.
    """
    if not path.closed:
        raise ValueError("only closed paths have an inside")
    path = counter_clockwise(path)
    if by_mm == 0.0:
        return (path,)
    raw = _raw(path, by_mm)
    met = meetings(raw)
    parts = split(raw, np.concatenate([met.one, met.other]), np.concatenate([met.at_one, met.at_other]))
    loops = joined(parts.only(distances(path, parts.middles) >= abs(by_mm) - OFF_MM))
    areas = [abs(signed_area(one)) for one in loops]
    return tuple(loops[k] for k in np.argsort(-np.array(areas), kind="stable") if areas[k] > SPECK_MM2)


def _raw(path: ArcPath, by_mm: float) -> ArcPath:
    """Return the moved pieces joined by arcs round the corners, with all its loops."""
    starts, ends, bulge = segments(path)
    long = np.hypot(*(ends - starts).T) > 0.0
    starts, ends, bulge = starts[long], ends[long], bulge[long]
    chord = np.arctan2(*(ends - starts).T[::-1])
    half = 2.0 * np.arctan(bulge)
    leave, arrive = chord - half, chord + half
    xy: list[FloatArray] = []
    out: list[float] = []
    for i in range(len(bulge)):
        moved_start, moved_end = _moved(starts[i], leave[i], by_mm), _moved(ends[i], arrive[i], by_mm)
        xy.append(moved_start)
        out.append(float(bulge[i]) if abs(bulge[i]) >= STRAIGHT_BULGE else 0.0)
        turn = math.remainder(leave[(i + 1) % len(bulge)] - arrive[i], 2.0 * math.pi)
        if abs(turn) > LEAST_TURN_RAD:
            xy.append(moved_end)
            out.append(math.tan(turn / 4.0))
    return ArcPath(frozen_floats(xy), frozen_floats(out), True)


def _moved(at: FloatArray, heading: float, by_mm: float) -> FloatArray:
    """Return a place moved to the right of a heading: outwards on a counter-clockwise path."""
    return at + by_mm * np.array([math.sin(heading), -math.cos(heading)])

"""Straight lines that run aslant through all pages of a joined sheet, to see by that each of them lies right.

Two families of lines pass through the middle of every joint, so that each joint is crossed by an X. A page that was
laid off, whichever way, breaks at least one of the two at its cut edge; and a thread along any of them must follow it
from one end of the sheet to the other. Four crosses in the corners of the sheet give its two diagonals as lengths.
"""

from __future__ import annotations

import math

import numpy as np

from digitize.arcs import Box
from digitize.writers.tiles import OVERLAP_MM, Layout, Mark

Line = tuple[tuple[float, float], tuple[float, float]]  # mm, drawing

CORNER_NAMES = ("P", "Q", "R", "S")  # clockwise from the upper left
CORNER_INSET_MM = 12.0  # from the ends of what is printed


def joined_box(layout: Layout) -> Box:
    """Return what all pages show together, mm of the drawing."""
    windows = np.array([tile.window for tile in layout.tiles])
    (left, low), (right, top) = windows[:, :2].min(axis=0), windows[:, 2:].max(axis=0)
    return float(left), float(low), float(right), float(top)


def diagonals(layout: Layout) -> list[Line]:
    """Return the lines of both families from end to end of the joined sheet."""
    box = joined_box(layout)
    window = layout.tiles[0].window
    step = (window[2] - window[0] - OVERLAP_MM, window[3] - window[1] - OVERLAP_MM)
    # In steps from the corner where the outer joints would be, joints lie at whole numbers, their middles at halves.
    start = (box[0] + OVERLAP_MM / 2.0, box[3] - OVERLAP_MM / 2.0)
    slope = step[1] / step[0]
    lines: list[Line] = []
    for count in range(-layout.columns - 1, layout.rows + 1):
        lines += _clipped(start[1] - (count + 0.5) * step[1] + slope * start[0], -slope, box)
    for count in range(-1, layout.rows + layout.columns + 1):
        lines += _clipped(start[1] - (count + 0.5) * step[1] - slope * start[0], slope, box)
    return lines


def _clipped(at_zero: float, slope: float, box: Box) -> list[Line]:
    """Return the part of y = at_zero + slope x in a box; none where it passes by."""
    crossing = sorted((side - at_zero) / slope for side in (box[1], box[3]))
    x, x_end = max(box[0], crossing[0]), min(box[2], crossing[1])
    if x >= x_end:
        return []
    return [((x, at_zero + slope * x), (x_end, at_zero + slope * x_end))]


def corners(printed: Box) -> tuple[Mark, ...]:
    """Return the four crosses near the corners of what is printed, clockwise from the upper left."""
    inset = min(CORNER_INSET_MM, 0.25 * (printed[2] - printed[0]), 0.25 * (printed[3] - printed[1]))
    x, y, right, top = printed[0] + inset, printed[1] + inset, printed[2] - inset, printed[3] - inset
    places = ((x, top), (right, top), (right, y), (x, y))
    return tuple(Mark(name, place) for name, place in zip(CORNER_NAMES, places, strict=True))


def diagonal_mm(printed: Box) -> float:
    """Return the distance of two opposite corner crosses."""
    first, _, opposite, _ = corners(printed)
    return math.dist(first.at, opposite.at)

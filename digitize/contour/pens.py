"""Which stretches of a way are drawn with another pen than most of it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from digitize.contour.network import Network
from digitize.contour.search import LIKE_WEIGHT

# A line of another pen is at least so long, and the points of its strokes leave straight lines by no more than this
# (rms).
LINE_MM, STRAIGHT_MM = 15.0, 0.15


def weight_at(network: Network, strokes: Sequence[int], share: float) -> float:
    """Return the weight that all but the lightest share of the length of some strokes has."""
    weights = network.weights[list(strokes)]
    order = np.argsort(weights)
    far = np.cumsum([network.length_mm(strokes[i]) for i in order])
    return float(weights[order][np.searchsorted(far, share * far[-1])])


def of_other_pens(network: Network, strokes: Sequence[int]) -> frozenset[int]:
    """Return the strokes of a closed way, in order, that are straight lines of another pen, LINE_MM or more together.

    Hatching cuts a line into many strokes.
    """
    pen = weight_at(network, strokes, 0.5)
    apart = np.abs(np.log(network.weights[list(strokes)] / pen)) > LIKE_WEIGHT
    other = [bool(far) and _is_straight(network, stroke) for far, stroke in zip(apart, strokes, strict=True)]
    if all(other):
        return frozenset()
    first = other.index(False)  # a run may go on past the end of the list
    turned = [(k % len(strokes)) for k in range(first, first + len(strokes))]
    found: set[int] = set()
    for its, run in itertools.groupby(turned, key=lambda k: other[k]):
        line = [strokes[k] for k in run]
        if its and sum(network.length_mm(stroke) for stroke in line) >= LINE_MM:
            found.update(line)
    return frozenset(found)


def _is_straight(network: Network, stroke: int) -> bool:
    line = network.lines[stroke]
    away = line - line.mean(axis=0)
    off = away @ np.linalg.svd(away, full_matrices=False)[2][1]
    return bool(np.sqrt(np.mean(off**2)) < STRAIGHT_MM)

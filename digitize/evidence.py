"""What the outline rests on, stretch by stretch, for the record."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from calibration.frames import FloatArray, IntArray
from digitize.curve import arc_length
from digitize.shapes import BodyTrace, Seen

NAMES = {
    Seen.BOTH_EDGES: "both edges",
    Seen.ONE_EDGE: "one edge",
    Seen.THREADED: "among other lines",
    Seen.BRIDGED: "bridged",
}
# A clearer stretch shorter than this between poorer ones counts with them.
SHORT_MM = 1.0


def stretches(body: BodyTrace) -> list[dict[str, Any]]:
    """Return the stretches of the outline in order, counter-clockwise from the tail: where, what was seen, 1 sigma.

    ``from_mm`` and ``to_mm`` are distances along the outline; ``sigma_mm`` is the root mean square of the places'.
    """
    along = arc_length(body.points.xy, closed=True)
    seen = _without_specks(body.seen, along)
    ends = [0, *(np.flatnonzero(np.diff(seen)) + 1).tolist(), len(seen)]
    return [
        {
            "from_mm": float(along[first]),
            "to_mm": float(along[last]),
            "seen": NAMES[Seen(int(seen[first]))],
            "sigma_mm": float(np.sqrt(np.mean(body.sigma_mm[first:last] ** 2))),
        }
        for first, last in itertools.pairwise(ends)
    ]


def _without_specks(seen: IntArray, along: FloatArray) -> IntArray:
    """Return what was seen, short clear stretches counted with the poorer of their neighbours."""
    result = seen.copy()
    ends = [0, *(np.flatnonzero(np.diff(seen)) + 1).tolist(), len(seen)]
    for first, last in itertools.pairwise(ends[1:-1]):
        beside = min(int(result[first - 1]), int(seen[last]))
        if along[last] - along[first] < SHORT_MM and seen[first] > beside:
            result[first:last] = beside
    return result

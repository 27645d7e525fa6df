"""Gaps: which ends go on as each other across paper, or under a fold, a smear or other ink."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from calibration.frames import FloatArray
from digitize.contour.continuation import beyond, direction
from digitize.contour.network import Arm, Network

# The longest stretch without ink that may be bridged.
LONGEST_GAP_MM = 10.0
# Ends face each other when both head this nearly along the step between them; across a narrow gap that says less.
FACING_DEG, NARROW_MM, NARROW_DEG = 48.0, 1.0, 70.0
# A line that goes on at less than this cost does not end at a meeting. A stroke shorter than this may be part of one,
# unless it goes on from others for so long: hatching cuts a line into short strokes.
ONWARD_COST, LEAST_STROKE_MM, LEAST_REACH_MM = 2.0, 4.8, 8.0
# Two ends that are not free go on as each other at no more than this cost.
ALIKE_COST = 1.0


def find_gaps(network: Network) -> None:
    """Pair ends that face each other across at most LONGEST_GAP_MM.

    A free end pairs with any it faces. A line may also end where other lines end on it or a fold runs across it, if
    it is as heavy as the other, and none of those goes on as it does.
    """
    free = [arms[0] for arms in network.arms.values() if len(arms) == 1]
    met = [arm for arms in network.arms.values() if len(arms) > 1 for arm in arms if _ends(network, arm)]
    arms = [*free, *met]
    if not arms:
        return
    places = np.array([network.end_point(arm) for arm in arms])
    outward = [_outward(network, arm) for arm in arms]
    for i, j in sorted(cKDTree(places).query_pairs(LONGEST_GAP_MM)):
        pair, gap = (arms[i], arms[j]), float(np.hypot(*(places[i] - places[j])))
        are_free = i < len(free), j < len(free)
        if pair[0].node == pair[1].node or _own_ends(network, pair):
            continue
        if _faces((outward[i], outward[j]), places[j] - places[i], gap) and _pairs(network, pair, are_free):
            network.gaps.setdefault(pair[0].node, []).append((pair[1].node, gap))
            network.gaps.setdefault(pair[1].node, []).append((pair[0].node, gap))


def _ends(network: Network, arm: Arm) -> bool:
    """Whether a line that meets others may end there: it is no part of the meeting, and none of them goes on as it."""
    others = [other for other in network.arms[arm.node] if other != arm]
    if network.length_mm(arm.stroke) < LEAST_STROKE_MM and _reach_mm(network, arm) < LEAST_REACH_MM:
        return False
    return all(network.smooth_cost(arm, other) > ONWARD_COST for other in others)


def _reach_mm(network: Network, arm: Arm) -> float:
    """Return how far a line is followed from its end, straight."""
    reach = network.reach(arm)
    return float(np.hypot(*(reach[-1] - reach[0])))


def _pairs(network: Network, pair: tuple[Arm, Arm], free: tuple[bool, bool]) -> bool:
    """Whether two ends may be one line: the less free they are, the more alike they have to be."""
    if all(free):
        return True
    return network.unlike(*pair) == 0.0 and (any(free) or network.smooth_cost(*pair) < ALIKE_COST)


def _own_ends(network: Network, pair: tuple[Arm, Arm]) -> bool:
    """Whether two arms are the ends of one short stroke."""
    return pair[0].stroke == pair[1].stroke and network.length_mm(pair[0].stroke) < 5 * LONGEST_GAP_MM


def _outward(network: Network, arm: Arm) -> FloatArray | None:
    """Return the way that a line heads at its end, None where too little of it shows."""
    reach = network.reach(arm)
    return -direction(beyond(reach, 0.0, 5.0)) if len(reach) > 2 else None


def _faces(outward: tuple[FloatArray | None, FloatArray | None], step: FloatArray, gap: float) -> bool:
    """Whether two ends continue each other: both head along the step between them."""
    if gap < 1e-6:
        return True
    first, second = outward
    if first is None or second is None:
        return False
    least = np.cos(np.radians(FACING_DEG if gap > NARROW_MM else NARROW_DEG))
    unit = step / gap
    return bool(first @ unit > least and -(second @ unit) > least)

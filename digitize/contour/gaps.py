"""Gaps: which ends go on as each other across paper, or under a fold, a smear or other ink."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from calibration.frames import BoolArray, FloatArray
from digitize.contour.continuation import beyond, direction
from digitize.contour.network import MOST_ARMS, Arm, Network

# So near to its end the middle of a line's ink may bend aside; from there to here it tells where the line runs.
HOOK_MM, STRAIGHT_MM = 1.0, 4.0
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
    arms = [*free, *(arm for arms in network.arms.values() if len(arms) > 1 for arm in arms)]
    may_end: dict[int, bool] = {}

    def ends(number: int) -> bool:
        if number not in may_end:
            may_end[number] = number < len(free) or _ends(network, arms[number])
        return may_end[number]

    for i, j, gap in _facing(network, arms):
        pair = arms[i], arms[j]
        if ends(i) and ends(j) and _pairs(network, pair, (i < len(free), j < len(free))):
            network.gaps.setdefault(pair[0].node, []).append((pair[1].node, gap))
            network.gaps.setdefault(pair[1].node, []).append((pair[0].node, gap))


def _facing(network: Network, arms: list[Arm]) -> list[tuple[int, int, float]]:
    """Return the pairs of arms, in order, whose ends face each other across a gap, and how wide that is."""
    if not arms:
        return []
    places = np.array([network.end_point(arm) for arm in arms])
    near = cKDTree(places).query_pairs(LONGEST_GAP_MM, output_type="ndarray")
    node = np.array([arm.node for arm in arms])
    near = near[node[near[:, 0]] != node[near[:, 1]]]
    near = near[np.lexsort((near[:, 1], near[:, 0]))]
    outward, tips = np.full(places.shape, np.nan), places.copy()
    for number in np.unique(near):
        heading = _outward(network, arms[number])
        if heading is not None:
            outward[number] = heading
            tips[number] = _tip(network, arms[number])
    step, on_way = (at[near[:, 1]] - at[near[:, 0]] for at in (places, tips))
    gap = np.hypot(step[:, 0], step[:, 1])
    headings = outward[near[:, 0]], outward[near[:, 1]]
    faces = _faces(*headings, step, gap) | _faces(*headings, on_way, gap)
    found = [(int(i), int(j), float(wide)) for (i, j), wide in zip(near[faces], gap[faces], strict=True)]
    return [(i, j, wide) for i, j, wide in found if not _own_ends(network, (arms[i], arms[j]))]


def _ends(network: Network, arm: Arm) -> bool:
    """Whether a line that meets others may end there: it is no part of the meeting, and none of them goes on as it."""
    others = [other for other in network.arms[arm.node] if other != arm]
    if len(others) > MOST_ARMS:
        return False
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


def _tip(network: Network, arm: Arm) -> FloatArray:
    """Return where a line ends on its own way: the middle of ink leads to one corner of a wide line's square end."""
    reach = network.reach(arm)
    straight = beyond(reach, HOOK_MM, STRAIGHT_MM)
    if len(straight) < 3 or np.hypot(*(straight[-1] - straight[0])) < (STRAIGHT_MM - HOOK_MM) / 2:
        return np.asarray(reach[0])
    middle, way = straight.mean(axis=0), direction(straight)
    return np.asarray(middle + ((reach[0] - middle) @ way) * way)


def _faces(first: FloatArray, second: FloatArray, step: FloatArray, gap: FloatArray) -> BoolArray:
    """Return of each pair whether its ends continue each other: both head along the step between them, or touch.

    Args:
        first: (P, 2) the way that the first one heads, nan where it shows too little of that.
        second: (P, 2) likewise.
        step: (P, 2) mm, from the first end to the second.
        gap: (P,) how wide the gap is.
    """
    least = np.cos(np.radians(np.where(gap > NARROW_MM, FACING_DEG, NARROW_DEG)))
    unit = step / np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)[:, None]
    along = (first * unit).sum(axis=1) > least
    return np.asarray((along & (-(second * unit).sum(axis=1) > least)) | (gap < 1e-6))

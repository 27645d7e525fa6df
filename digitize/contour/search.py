"""The cheapest ways through the network, from stroke to stroke.

Shortest paths (Dijkstra, Numer. Math. 1 (1959) 269) over directed strokes, where turning from one stroke into the next
costs what :class:`Network` says.
"""

from __future__ import annotations

import heapq

import numpy as np

from digitize.contour.network import LENGTH_COST_PER_MM, Arm, Network

# A way that costs more than this is not believed.
DEAREST_WAY = 30.0
# Ink unlike that of the stroke a way starts from costs this much a mm, beyond a difference (natural logarithm).
UNLIKE_PER_MM, LIKE_WEIGHT = 0.02, 0.35

Dart = tuple[int, bool]  # a stroke and whether it is walked from its first point to its last
CLOSING: Dart = (-1, True)  # stands for the goal in the queue, to be compared with all that is still open


def search(
    network: Network, first: Dart, ends: set[int], goal: Dart | None, without: frozenset[int] = frozenset()
) -> tuple[list[Dart], float]:
    """Return the cheapest darts from ``first`` to ``goal`` (excluded) or to a node of ``ends``."""
    return next(iter(trails(network, first, ends, goal, 1, without)), ([], np.inf))


def trails(
    network: Network, first: Dart, ends: set[int], goal: Dart | None, most: int, without: frozenset[int] = frozenset()
) -> list[tuple[list[Dart], float]]:
    """Return the cheapest darts from ``first`` to ``goal`` (excluded) or to the ``most`` nearest of ``ends``.

    Strokes in ``without`` are taken by none.
    """
    found: list[tuple[list[Dart], float]] = []
    open_ends = set(ends)
    best: dict[Dart, float] = {first: 0.0}
    came: dict[Dart, Dart] = {}
    queue: list[tuple[float, Dart]] = [(0.0, first)]
    settled: set[Dart] = set()
    along = _length_costs(network, float(network.weights[first[0]]))
    while queue:
        cost, dart = heapq.heappop(queue)
        if dart == CLOSING:
            return [(_trail(came, came[CLOSING], first), cost)]
        if dart in settled or cost > DEAREST_WAY:
            continue
        settled.add(dart)
        if (node := far_node(network, dart)) in ends:
            if node in open_ends:
                open_ends.remove(node)
                found.append((_trail(came, dart, first), cost))
            if len(found) == most:
                break
            continue
        for onward, turn in _onward(network, dart):
            if onward[0] in without:
                continue
            total = cost + (turn + along[onward[0]])
            if onward == goal:
                if total < best.get(CLOSING, np.inf):
                    best[CLOSING] = total
                    came[CLOSING] = dart
                    heapq.heappush(queue, (total, CLOSING))
            elif total < best.get(onward, DEAREST_WAY if goal is None else np.inf) and onward[0] != first[0]:
                best[onward] = total
                came[onward] = dart
                heapq.heappush(queue, (total, onward))
    return found


def far_node(network: Network, dart: Dart) -> int:
    """Return the node that a dart ends at."""
    return network.ends[dart[0]][1 if dart[1] else 0]


def _onward(network: Network, dart: Dart) -> list[tuple[Dart, float]]:
    """Return the darts that may follow, with what the turn and a gap cost, worked out once."""
    if dart not in network.onward:
        network.onward[dart] = _turns_from(network, dart)
    return network.onward[dart]


def _turns_from(network: Network, dart: Dart) -> list[tuple[Dart, float]]:
    """Return the darts that may follow, with what the turn and a gap cost."""
    node = far_node(network, dart)
    into = Arm(dart[0], node, not dart[1])
    result = []
    for arm in network.arms.get(node, []):
        if (arm.stroke, arm.start) == (into.stroke, into.start):
            continue
        result.append(((arm.stroke, arm.start), network.cost(into, arm)))
    for other, gap in network.gaps.get(node, []):
        for arm in network.arms.get(other, []):
            result.append(((arm.stroke, arm.start), network.gap_cost(into, arm, gap) + network.cost(into, arm)))
    return result


def _length_costs(network: Network, weight: float) -> list[float]:
    """Return what the length of each stroke costs on a way of some weight."""
    apart = np.maximum(0.0, np.abs(np.log(network.weights / weight)) - LIKE_WEIGHT)
    costs: list[float] = ((LENGTH_COST_PER_MM + UNLIKE_PER_MM * apart) * network.lengths_mm()).tolist()
    return costs


def _trail(came: dict[Dart, Dart], last: Dart, first: Dart) -> list[Dart]:
    trail = [last]
    while trail[-1] != first:
        trail.append(came[trail[-1]])
    return trail[::-1]

"""Crossings: which line goes on as which, where two lines cross or touch, decided for both at once.

Two lines that cross at a slant share their ink for a few millimetres. There each arm by itself may seem to go on
best as the other line; both lines together tell: if one pairing of the four arms is far better than the others,
the two lines are taken apart there.
"""

from __future__ import annotations

import numpy as np

from digitize.contour.continuation import OwnMisfits, long_misfit, own_misfits_mm
from digitize.contour.network import SHARED_MM, Arm, Network

# A pairing is clear when one of its lines goes on this well, the other not worse than this, and any other pairing of
# the four arms costs so much more.
WELL, WORST, CLEARLY = 1.0, 20.0, 4.0

# Two lines run together for up to this where there is more ink, by this factor, than in any of the four arms.
TOGETHER_MM, MORE_INK = 20.0, 1.3

# A line that ends at a crossing is lighter than this part of the next.
LIGHTER = 0.75

Pair = tuple[Arm, Arm]
Pairing = tuple[Pair, Pair]


def part_crossings(network: Network) -> list[Pairing]:
    """Take apart the two lines at every crossing that is clear, and return them; what is not clear stays as it is.

    The shared stroke is kept for one line and doubled for the other, each as heavy as its own line. The arms returned
    are those of the network as it is then.
    """
    found: list[tuple[int | None, Pairing]] = []
    for stroke, ends in enumerate(network.ends):
        if ends[0] < 0 or ends[0] == ends[1] or network.length_mm(stroke) > TOGETHER_MM:
            continue
        arms = [arm for node in ends for arm in network.arms.get(node, []) if arm.stroke != stroke]
        clear = _clear(network, arms) if network.length_mm(stroke) <= SHARED_MM else []
        found += [(stroke, pairing) for pairing in clear or _together(network, stroke, arms)]
    for arms in network.arms.values():
        found += [(None, pairing) for pairing in _clear(network, arms)]
    touched: set[int] = set()
    parted: list[Pairing] = []
    for shared, pairing in found:
        nodes = {arm.node for pair in pairing for arm in pair}
        if nodes & touched:
            continue  # a crossing beside it was taken apart
        touched |= nodes
        if shared is None:
            _part_node(network, pairing)
        else:
            _part_stroke(network, shared, pairing)
        parted.append(pairing)
    network.forget()
    return [(_now(network, first), _now(network, second)) for first, second in parted]


def _clear(network: Network, arms: list[Arm]) -> list[Pairing]:
    """Return the one clear pairing of the four strokes that meet, or nothing."""
    arms = _four(network, arms)
    if not arms:
        return []
    first, second, third, fourth = arms
    pairings: list[Pairing] = [
        ((first, second), (third, fourth)),
        ((first, third), (second, fourth)),
        ((first, fourth), (second, third)),
    ]
    own = {arm: own_misfits_mm(network.reach(arm)) for arm in arms}
    costs = np.array([[_going_on(network, pair, own) for pair in pairing] for pairing in pairings])
    order = np.argsort(costs.sum(axis=1))
    best, rival = costs[order[0]], costs[order[1]]
    pairing = pairings[order[0]]
    crossed = len({arm.node for arm in arms}) == 1 or all(pair[0].node != pair[1].node for pair in pairing)
    clear = best.min() < WELL and best.max() < WORST and rival.sum() - best.sum() > CLEARLY
    return [pairing] if clear and crossed else []


def _four(network: Network, arms: list[Arm]) -> list[Arm]:
    """Return the four arms, of as many strokes, that two lines have, or none.

    A fifth one may end there when it is the lightest by far: light lines end on heavy ones.
    """
    if len(arms) not in (4, 5):
        return []
    arms = sorted(arms, key=lambda arm: float(network.weights[arm.stroke]))
    if len(arms) == 5 and network.weights[arms[0].stroke] < LIGHTER * network.weights[arms[1].stroke]:
        arms = arms[1:]
    return arms if len(arms) == len({arm.stroke for arm in arms}) == 4 else []


def _together(network: Network, shared: int, arms: list[Arm]) -> list[Pairing]:
    """Return the one clear pairing of the strokes at both ends of one that holds the ink of two lines, or nothing.

    One of the two lines goes on well, and only as itself; what is left is the other, however it turns in that ink.
    """
    arms = _four(network, arms)
    first, second = ([arm for arm in arms if arm.node == node] for node in network.ends[shared])
    if len(first) != 2 or len(second) != 2:
        return []
    if network.weights[shared] < MORE_INK * network.weights[[arm.stroke for arm in arms]].max():
        return []
    own = {arm: own_misfits_mm(network.reach(arm)) for arm in arms}
    pairings: list[Pairing] = [
        ((first[0], second[0]), (first[1], second[1])),
        ((first[0], second[1]), (first[1], second[0])),
    ]
    best = [min(_going_on(network, pair, own) for pair in pairing) for pairing in pairings]
    k = int(np.argmin(best))
    return [pairings[k]] if best[k] < WELL and best[1 - k] - best[k] > CLEARLY else []


def _going_on(network: Network, pair: Pair, own: dict[Arm, OwnMisfits]) -> float:
    """Return how badly two arms go on as each other, without the limit that a corner sets."""
    one, other = pair
    misfit = long_misfit(network.reach(one), network.reach(other), (own[one], own[other]))
    return min(misfit**2, 1e3) + network.unlike(one, other)


def _now(network: Network, pair: Pair) -> Pair:
    """Return two arms with the nodes that they are at after the network has changed."""
    one, other = (Arm(arm.stroke, network.ends[arm.stroke][0 if arm.start else 1], arm.start) for arm in pair)
    return one, other


def _part_node(network: Network, pairing: Pairing) -> None:
    """Give the second pair a node of its own."""
    node = network.fresh_node()
    for arm in pairing[1]:
        network.move(arm, node)


def _part_stroke(network: Network, shared: int, pairing: Pairing) -> None:
    """Give the second pair its own copy of the shared stroke."""
    start = network.ends[shared][0]
    copy = network.double(shared)
    for arm in pairing[1]:
        network.move(arm, network.ends[copy][0 if arm.node == start else 1])
    for stroke, pair in zip((shared, copy), pairing, strict=True):
        network.weights[stroke] = np.sqrt(network.weights[pair[0].stroke] * network.weights[pair[1].stroke])

"""Closed ways through the network, and which of them is the body.

A way is found as a shortest path over directed strokes (search.py); minimal paths as a means of tracing curves go back
to Cohen and Kimmel, Int. J. Comp. Vision 24 (1997) 57.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import Point, Polygon

from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.network import Arm, Network
from digitize.contour.pens import of_other_pens, weight_at
from digitize.contour.search import Dart, far_node, search, trails

# A body is at least and at most this long, and at least this part of it wide; anything else on the sheet is not one.
LEAST_BODY_MM, LONGEST_BODY_MM, SLENDEREST = 120.0, 1500.0, 0.25
# What fills less of its smallest box goes round twice: along two lines side by side, out on one and back on the other.
LEAST_FILL = 0.15
# A closed curve that fills its smallest box more than this, or of which more than the second share runs along one
# direction or square to it, is a frame or a table.
FRAME_FILL, FRAME_SQUARE, SQUARE_DEG, SQUARE_STEP_MM = 0.955, 0.95, 2.5, 4.0
# Two drawings that share no more than their rims, so wide, stand apart.
CORE_MM = 5.0
# A point that the outline passes through lies at most this far from it.
THROUGH_MM = 2.0
# Seeds: strokes from which a closed way is sought, heavy and long ones first.
SEED_MM, MOST_SEEDS = 12.0, 90
# ... and chains of shorter ones that go on as each other.
CHAIN_MM, MOST_CHAINS = 60.0, 12
# Closed ways that are too small for a body are passed over, so many, where one is said to run.
MOST_SMALL = 6
# Of the ends that a half may have on its line, so many are sought from each start.
MOST_ENDS = 4
# A turn that costs no more than this is one line, smooth or at a corner of its own.
SURE_TURN = 0.5
# A way of which this much or more is doubtful leaves its strokes to others.
SURE_WAY = 1.0
# Stretches without ink are filled with points so far apart.
FILL_STEP_MM = 0.2
# A way's weight is that of its lightest part but for this share of its length.
LIGHT_SHARE = 0.1
# A way that takes a line of another pen counts for a turn more, as dear as a corner, where there is a way without it.
OTHER_PEN_TURN = 6.0
MOST_PENS = 3  # so many of them are sought to be avoided, one after the other


@dataclass(frozen=True, eq=False)
class Way:
    """A way through the network: its darts and its line."""

    darts: tuple[Dart, ...]
    xy: FloatArray  # (N, 2) mm, y down
    inked: np.ndarray  # (N,) False on bridged gaps
    cost: float
    closed: bool
    turns: FloatArray = field(default_factory=lambda: np.zeros(0))  # the cost of each, gaps apart
    weight: float = 0.0  # ink across the line where it is lightest, mm

    @property
    def worst_turn(self) -> float:
        """The dearest single turn."""
        return float(self.turns.max(initial=0.0))

    @property
    def doubt(self) -> float:
        """Turns beyond what one line can cost, summed."""
        return float(np.maximum(self.turns - SURE_TURN, 0.0).sum())

    def polygon(self) -> Polygon:
        """Return the enclosed region (an open way is closed by its chord)."""
        return self._region

    @cached_property
    def core(self) -> Polygon:
        """The region less CORE_MM all along its rim: what touches that stands in the way's own place."""
        return self._region.buffer(-CORE_MM)

    @cached_property
    def _region(self) -> Polygon:
        shape = Polygon(self.xy)
        if not shape.is_valid:
            shape = shape.buffer(0)
            if shape.geom_type != "Polygon":
                shape = max(shape.geoms, key=lambda part: part.area)
        return shape


def closed_ways(network: Network, through: FloatArray, is_box: Callable[[Way], bool]) -> list[Way]:
    """Return the closed ways that could be outlines, each once, largest first.

    Args:
        network: the strokes.
        through: (T, 2) mm, places that the outline is said to pass through: their strokes are always sought from.
        is_box: tells of a rectangle of a body's size that it is no frame.
    """
    ways: list[Way] = []
    used: set[int] = set()
    dearer: set[frozenset[int]] = set()  # ways that take a line of another pen, where there is one without it
    told = strokes_at(network, through)
    for seed in (*told, *_seeds(network)):
        if seed in used and seed not in told:
            continue
        if network.closed[seed]:
            way: Way | None = _isolated(network, seed)
        else:
            pieces = network.length_mm(seed) < SEED_MM  # what cuts a line into pieces makes small ways beside it
            way = _large_cycle(network, seed) if pieces or seed in told else _cycle(network, seed)
            if way is not None and _is_band(way):
                way = _large_cycle(network, seed)
        if way is None:
            continue
        if way.doubt < SURE_WAY:  # a better one may run along the others of its strokes
            used.update(stroke for stroke, _ in way.darts)
        by_pen = _by_one_pen(network, seed, way) if way.doubt >= SURE_WAY else None
        if by_pen is not None and body_like(by_pen):
            ways.append(by_pen)
            dearer.add(_strokes(way))
        if body_like(way) or (_sized(way) and is_box(way)):
            ways.append(way)
    ways = [_with_turn(way, OTHER_PEN_TURN) if _strokes(way) in dearer else way for way in ways]
    return sorted(ways, key=lambda way: -way.polygon().area)


def _strokes(way: Way) -> frozenset[int]:
    return frozenset(stroke for stroke, _ in way.darts)


def _with_turn(way: Way, turn: float) -> Way:
    return replace(way, turns=np.append(way.turns, turn))


def ways_between(network: Network, starts: list[Arm], goals: dict[int, FloatArray], least_mm: float) -> list[Way]:
    """Return, for each starting arm, the best ways to other goal nodes at least ``least_mm`` away, MOST_ENDS of them.

    The cheapest need not be the body's: a short one may end on a line that runs across it.
    """
    ways = []
    for arm in starts:
        origin = goals[arm.node]
        ends = {node for node, place in goals.items() if np.hypot(*(place - origin)) >= least_mm}
        found = trails(network, (arm.stroke, arm.start), ends, None, MOST_ENDS)
        ways += [_way(network, darts, cost, closed=False) for darts, cost in found]
    return ways


def ways_through(network: Network, strokes: list[int], goals: dict[int, FloatArray], least_mm: float) -> list[Way]:
    """Return, for each stroke, the ways along it that end at two goal nodes at least ``least_mm`` apart.

    As in :func:`ways_between`, the nearest ends need not be the body's: MOST_ENDS are sought each way.
    """
    ways = []
    for stroke in strokes:
        ahead, behind = (trails(network, (stroke, on), set(goals), None, MOST_ENDS) for on in (True, False))
        for (onward, price), (back, other) in itertools.product(ahead, behind):
            ends = goals[far_node(network, onward[-1])], goals[far_node(network, back[-1])]
            darts = [*((number, not forward) for number, forward in back[:0:-1]), *onward]
            once = len({number for number, _ in darts}) == len(darts)
            if once and np.hypot(*(ends[1] - ends[0])) >= least_mm:
                ways.append(_way(network, darts, price + other, closed=False))
    return ways


def way_along(network: Network, through: FloatArray) -> Way | None:
    """Return the cheapest closed way that takes the strokes at some places one after the other, or None.

    Args:
        network: the strokes.
        through: (T, 2) mm, places that the outline is said to pass through, in any order round the body.
    """
    away = through - through.mean(axis=0)
    round_it = through[np.argsort(np.arctan2(away[:, 1], away[:, 0]))]
    found = [way for places in (through, round_it) if (way := _in_turn(network, places)) is not None]
    return min(found, key=lambda way: way.cost, default=None)


def _in_turn(network: Network, places: FloatArray) -> Way | None:
    """Return the cheapest closed way through the strokes at some places in their order."""
    nearest = [next(iter(strokes_at(network, place[None])), -1) for place in places]
    strokes = list(dict.fromkeys(nearest))
    if -1 in nearest or len(strokes) < 2:
        return None
    ways = []
    for forward in (True, False):
        first = dart = (strokes[0], forward)
        darts: list[Dart] = []
        total = 0.0
        for stroke in (*strokes[1:], strokes[0]):
            goals = [first] if stroke == strokes[0] else [(stroke, True), (stroke, False)]
            legs = [(*search(network, dart, set(), goal), goal) for goal in goals]
            leg, cost, dart = min(legs, key=lambda one: one[1])
            darts += leg
            total += cost
        # A way that comes back on itself is no outline.
        if np.isfinite(total) and len({number for number, _ in darts}) == len(darts):
            ways.append(_way(network, darts, total, closed=True))
    return min(ways, key=lambda way: way.cost, default=None)


def strokes_at(network: Network, places: FloatArray) -> list[int]:
    """Return the strokes that pass within THROUGH_MM of some places."""
    if not len(places):
        return []
    tree = cKDTree(places)
    near = [float(tree.query(line)[0].min()) for line in network.lines]
    return [stroke for stroke in np.argsort(near).tolist() if near[stroke] < THROUGH_MM]


def _seeds(network: Network) -> list[int]:
    lengths = network.lengths_mm()
    order = [int(stroke) for stroke in np.argsort(-lengths * network.weights)]
    long = [stroke for stroke in order if lengths[stroke] >= SEED_MM]
    return long[:MOST_SEEDS] + _chained(network, [stroke for stroke in order if lengths[stroke] < SEED_MM])


def _chained(network: Network, strokes: list[int]) -> list[int]:
    """Return one stroke of each long chain of short ones, heavy and long chains first.

    The kerfs of a lining, or slots and frets that end on a line, cut it into pieces that are all too short for a seed.
    """
    chains, seen = [], set[int]()
    for stroke in strokes:
        if stroke in seen:
            continue
        chain = [stroke, *network.onward_from(stroke, start=True), *network.onward_from(stroke, start=False)]
        seen.update(chain)
        length = sum(network.length_mm(one) for one in chain)
        if length >= CHAIN_MM and max(network.length_mm(one) for one in chain) < SEED_MM:
            chains.append((length * float(np.median(network.weights[chain])), stroke))
    return [stroke for _, stroke in sorted(chains, reverse=True)[:MOST_CHAINS]]


def _isolated(network: Network, stroke: int) -> Way:
    line = network.lines[stroke]
    inked = np.ones(len(line), dtype=bool)
    return Way(((stroke, True),), line, inked, 0.0, True, weight=float(network.weights[stroke]))


def _cycle(network: Network, seed: int, without: frozenset[int] = frozenset()) -> Way | None:
    darts, cost = search(network, (seed, True), set(), (seed, True), without)
    return _way(network, darts, cost, closed=True) if darts else None


def _by_one_pen(network: Network, seed: int, way: Way) -> Way | None:
    """Return the way from the same stroke without the straight lines of another pen that a way takes, or None.

    An extension line that touches the body at a horn or a corner goes on more smoothly than the body itself, and a
    neck's block may be an easier way round than the line across it.
    """
    without: frozenset[int] = frozenset()
    found: Way | None = way
    for _ in range(MOST_PENS):
        lines = of_other_pens(network, [stroke for stroke, _ in found.darts]) if found else frozenset()
        if not lines:
            break
        without |= lines
        found = _cycle(network, seed, without) if seed not in without else None
    return found if without else None


def _large_cycle(network: Network, seed: int) -> Way | None:
    """Return the cheapest closed way along a stroke that has the size of a body, if one of the first few has.

    Smaller ones turn dear corners into lines that cross: the next is sought without the least alike stroke there.
    """
    without: frozenset[int] = frozenset()
    for _ in range(MOST_SMALL):
        way = _cycle(network, seed, without)
        if way is None or _sized(way) or len(way.darts) < 2:
            return way
        k = int(np.argmax(way.turns))
        corner = [stroke for stroke, _ in (way.darts[k], way.darts[(k + 1) % len(way.darts)]) if stroke != seed]
        unlike = np.abs(np.log(network.weights[corner] / network.weights[seed]))
        without |= {corner[int(np.argmax(unlike))]}
    return None


def _way(network: Network, darts: list[Dart], cost: float, *, closed: bool) -> Way:
    """Join the lines of some darts; stretches without ink are filled straight, or over a corner that is known."""
    lines = [network.lines[stroke] if forward else network.lines[stroke][::-1] for stroke, forward in darts]
    pieces, inked = [lines[0]], [np.ones(len(lines[0]), dtype=bool)]
    for k in range(1, len(darts)):
        _bridge(network, pieces, inked, (darts[k - 1], darts[k]), lines[k][0])
        pieces.append(lines[k])
        inked.append(np.ones(len(lines[k]), dtype=bool))
    if closed:
        _bridge(network, pieces, inked, (darts[-1], darts[0]), lines[0][0])
    turns = np.array([_turn_cost(network, *pair) for pair in _steps(darts, closed=closed)])
    weight = _weight(network, [stroke for stroke, _ in darts])
    return Way(tuple(darts), np.concatenate(pieces), np.concatenate(inked), cost, closed, turns, weight)


def _bridge(
    network: Network, pieces: list[FloatArray], inked: list[np.ndarray], pair: tuple[Dart, Dart], end: FloatArray
) -> None:
    """Fill from the last of some pieces to where the second of two darts starts, over the corner between them."""
    (stroke, forward), onward = pair
    corner = network.corner_between((stroke, not forward), onward)
    for place in (end,) if corner is None else (corner, end):
        _fill(pieces, inked, pieces[-1][-1], place)


def _weight(network: Network, strokes: list[int]) -> float:
    """Return the weight that all but the lightest LIGHT_SHARE of a way's length has."""
    return weight_at(network, strokes, LIGHT_SHARE)


def _steps(darts: list[Dart], *, closed: bool) -> list[tuple[Dart, Dart]]:
    return list(zip(darts, [*darts[1:], *darts[:1]] if closed else darts[1:], strict=False))


def _turn_cost(network: Network, before: Dart, after: Dart) -> float:
    node = far_node(network, before)
    into = Arm(before[0], node, not before[1])
    start = network.ends[after[0]][0 if after[1] else 1]
    return network.cost(into, Arm(after[0], start, after[1]))


def _fill(pieces: list[FloatArray], inked: list[np.ndarray], start: FloatArray, end: FloatArray) -> None:
    step = end - start
    if abs(step[0]) + abs(step[1]) < 2 * FILL_STEP_MM:
        return
    gap = float(np.hypot(*step))
    count = int(gap / FILL_STEP_MM)
    if count < 2:
        return
    share = np.linspace(0.0, 1.0, count + 1)[1:-1, None]
    pieces.append(start + share * step)
    inked.append(np.full(count - 1, gap < 1.5))


def body_like(way: Way) -> bool:
    """Whether a way has the size of a body, or of half a body with its centerline, and is no frame."""
    if not _sized(way):
        return False
    return not way.closed or not rectangular(way)  # half a box is nearly a rectangle


def _sized(way: Way) -> bool:
    (_, sides, _) = cv2.minAreaRect(way.xy.astype(np.float32))
    slenderest = SLENDEREST if way.closed else SLENDEREST / 2.0
    sized = LEAST_BODY_MM <= max(sides) <= LONGEST_BODY_MM and min(sides) >= slenderest * max(sides)
    return bool(sized) and not _is_band(way)


def _is_band(way: Way) -> bool:
    return way.closed and fill(way) < LEAST_FILL


def fill(way: Way) -> float:
    """Return the part of the least rectangle round a way that it fills."""
    (_, sides, _) = cv2.minAreaRect(way.xy.astype(np.float32))
    return float(way.polygon().area / max(sides[0] * sides[1], 1e-9))


def rectangular(way: Way) -> bool:
    """Whether a way is nearly a rectangle, or all its sides run nearly along two directions square to each other."""
    return fill(way) >= FRAME_FILL or _squared(way)


def _squared(way: Way) -> bool:
    """Whether nearly all of a way runs along two directions square to each other, as borders and tables do."""
    steps = np.diff(resample(way.xy, SQUARE_STEP_MM, closed=way.closed), axis=0)
    # four times the heading folds directions square to each other onto one (circular statistics of axial data)
    fourfold = np.exp(4j * np.arctan2(steps[:, 1], steps[:, 0]))
    off = np.abs(np.angle(fourfold * np.conj(np.median(fourfold.real) + 1j * np.median(fourfold.imag))))
    return bool(np.mean(np.degrees(off) / 4.0 < SQUARE_DEG) > FRAME_SQUARE)


def holds(way: Way, place: FloatArray) -> bool:
    """Whether a place (mm, y down) lies inside a way."""
    return bool(way.polygon().contains(Point(*place)))

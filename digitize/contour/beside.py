"""Lines beside the outline: overhangs, bindings and linings, and which of two such lines is the body's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.loops import Way
from digitize.contour.network import Network
from digitize.shapes import OutlineHints

# A line running along this part of the outline, at most this far from it and this nearly
# parallel, is an alternative to it; shorter lines are not, nor are lighter ones inside.
BESIDE_MM, BESIDE_SHARE, PARALLEL_DEG = 8.0, 0.2, 10.0
LEAST_BESIDE_MM, SAME_WEIGHT = 25.0, 0.8
# Of two lines beside each other all round, one this much lighter is not the outline.
CLEARLY_LIGHTER = 0.7
# Two ways part where they are farther from each other than what meetings move a stroke's middle by; two that part for
# most of their length are other lines, which are looked for as such.
PARTED_MM, MOST_PARTED, STATION_MM = 0.6, 0.5, 1.0
# A way with more doubtful turns than this does not stand in for another.
MOST_DOUBT = 7.0


def contained(region: Polygon, points: FloatArray) -> np.ndarray:
    """Return which points (N, 2) lie inside a region."""
    return np.asarray(shapely.contains_xy(region, points[:, 0], points[:, 1]))


def heavier_neighbour(ways: list[Way]) -> Way:
    """Return the best way, or a clearly heavier one close beside it all round: overhangs are drawn lighter."""
    first = ways[0]
    region = first.polygon()
    for way in ways[1:]:
        if way.doubt > MOST_DOUBT or way.weight < first.weight / CLEARLY_LIGHTER:
            continue
        if way.polygon().hausdorff_distance(region) < BESIDE_MM:
            return way
    return first


def beside(chosen: Way, network: Network, px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt the choice when another drawn line runs along much of it at a small distance.

    Outside the chosen line any such line counts: the true outline may be the broken one.
    Inside, only a line about as heavy as the outline does; linings and bindings are lighter.
    """
    spaced = resample(chosen.xy, 1.0, closed=chosen.closed)
    tree = cKDTree(spaced)
    own = {stroke for stroke, _ in chosen.darts}
    weight = float(np.median([network.weights[stroke] for stroke in own]))
    region = chosen.polygon()
    found: dict[bool, list[_Along]] = {True: [], False: []}
    for stroke, line in enumerate(network.lines):
        if stroke in own or network.chain_mm(stroke, LEAST_BESIDE_MM) < LEAST_BESIDE_MM:
            continue
        along = _run_along(line, spaced, tree, region)
        if len(along.stations) and (along.outside or network.weights[stroke] > SAME_WEIGHT * weight):
            found[along.outside].append(along)
    covered = {side: {int(n) for one in lines for n in one.stations} for side, lines in found.items()}
    side = max(covered, key=lambda one: len(covered[one]))
    if len(covered[side]) < BESIDE_SHARE * len(spaced):
        return ()
    longest = max(found[side], key=lambda one: len(one.points))
    middle = len(longest.points) // 2
    place, other = (
        hints.place(at * px_per_mm) for at in (spaced[longest.stations[middle]], longest.points[middle])
    )
    distance = float(np.median(np.concatenate([one.distances for one in found[side]])))
    return (doubt("alternative-line", distance=f"{distance:.1f}", place=f"({place})", other=f"[[{other}]]"),)


def parts_elsewhere(best: Way, others: list[Way], px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt a way where another one that is nearly as good goes along with it for the most part, and parts from it."""
    own = cKDTree(resample(best.xy, STATION_MM, closed=best.closed))
    for other in others:
        xy = resample(other.xy, STATION_MM, closed=other.closed)
        off, station = own.query(xy)
        away = off > PARTED_MM
        if not away.any() or away.mean() > MOST_PARTED:
            continue
        at = int(np.argmax(off))
        place, there = (hints.place(point * px_per_mm) for point in (own.data[station[at]], xy[at]))
        return (doubt("alternative-line", distance=f"{off[at]:.1f}", place=f"({place})", other=f"[[{there}]]"),)
    return ()


@dataclass(frozen=True, eq=False)
class _Along:
    """Where a line runs along the outline."""

    outside: bool  # mostly
    points: FloatArray  # (P, 2) mm, of the line
    stations: np.ndarray  # (P,) of the outline
    distances: FloatArray  # (P,) mm


def _run_along(line: FloatArray, spaced: FloatArray, tree: cKDTree, region: Polygon) -> _Along:
    """Return the part of a line that runs along the outline."""
    points = resample(line, 1.0, closed=False)
    distance, station = tree.query(points)
    heading = np.gradient(points, axis=0)
    along = np.gradient(spaced, axis=0)[station]
    cross = np.abs(heading[:, 0] * along[:, 1] - heading[:, 1] * along[:, 0])
    lengths = np.hypot(*heading.T) * np.hypot(*along.T)
    alike = (cross < np.sin(np.radians(PARALLEL_DEG)) * lengths) & (distance < BESIDE_MM) & (distance > 0.7)
    outside = float(np.mean(~contained(region, points[alike]))) > 0.5 if alike.any() else False
    return _Along(outside, points[alike], station[alike], distance[alike])

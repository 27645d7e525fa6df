"""Ink mask to edges: thinning, then the pixel graph cut at its junctions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra

from calibration.frames import FloatArray, IntArray
from digitize.ink.thinning import thinned

# The eight neighbours in turn, for counting how often the ring changes from paper to ink.
RING = np.array([(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)])
# One of each pair of opposite directions.
HALF_RING = ((0, 1), (1, -1), (1, 0), (1, 1))


@dataclass(frozen=True, eq=False)
class Edge:
    """A run of skeleton pixels between two nodes, working pixels (x, y)."""

    xy: FloatArray  # (N, 2)
    width: FloatArray  # (N,)
    darkness: FloatArray  # (N,) 0..1
    closed: bool
    nodes: tuple[int, int]


def skeleton_edges(
    mask: npt.NDArray[np.bool_], darkness: npt.NDArray[np.uint8]
) -> tuple[list[Edge], FloatArray, float]:
    """Return (edges, node places (J, 2), typical line width), all in working pixels."""
    skeleton, depth = thinned(np.pad(mask, 2))
    rows, cols = np.nonzero(skeleton)
    ring = np.stack([skeleton[rows + dr, cols + dc] for dr, dc in RING], axis=1)
    crossings = (~ring & np.roll(ring, -1, axis=1)).sum(axis=1)
    is_node = (crossings >= 3) | (ring.sum(axis=1) >= 4)
    pairs = _neighbour_pairs(rows, cols, skeleton.shape[1])
    is_node |= _beside(pairs, is_node)
    # A pixel left alone between nodes joins them.
    is_node |= _beside(pairs, is_node) & ~_beside(pairs, ~is_node)
    node_of, node_xy = _node_clusters(pairs, is_node, rows, cols)
    thickness = depth * 2.0 - 0.5
    dark = darkness[np.clip(rows - 2, 0, mask.shape[0] - 1), np.clip(cols - 2, 0, mask.shape[1] - 1)] / 255.0
    places = np.stack([cols - 2.0, rows - 2.0], axis=1)
    runs = _ordered_runs(pairs, is_node)
    touching = _touching(pairs, node_of)
    edges, extra = [], [*node_xy]
    for order, closed in runs:
        ends = (-1, -1) if closed else _end_nodes(order, touching, extra, places)
        edges.append(Edge(places[order], thickness[order].astype(float), dark[order], closed, ends))
    width = float(np.median(thickness)) if len(thickness) else 1.0
    return edges, np.array(extra).reshape(-1, 2), width


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Neighbouring pixels, as an adjacency matrix and as rows of it."""

    first: IntArray
    second: IntArray
    count: int

    def matrix(self, keep: npt.NDArray[np.bool_]) -> csr_matrix:
        first, second = self.first[keep], self.second[keep]
        step = np.ones(len(first))
        half = csr_matrix((step, (first, second)), shape=(self.count, self.count))
        return half + half.T


def _neighbour_pairs(rows: IntArray, cols: IntArray, width: int) -> _Pairs:
    flat = rows * width + cols  # ascending, as np.nonzero gives them
    firsts, seconds = [], []
    for d_row, d_col in HALF_RING:
        beside = flat + d_row * width + d_col
        other = np.minimum(np.searchsorted(flat, beside), len(flat) - 1)
        have = np.flatnonzero(flat[other] == beside)
        firsts.append(have)
        seconds.append(other[have])
    return _Pairs(np.concatenate(firsts), np.concatenate(seconds), len(rows))


def _beside(pairs: _Pairs, flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Mark the pixels that neighbour a flagged one.

    Strokes may touch each other beside a junction, past its middle pixel: giving their
    first pixels to the junction parts them.
    """
    beside = np.zeros(len(flags), dtype=np.bool_)
    beside[pairs.second[flags[pairs.first]]] = True
    beside[pairs.first[flags[pairs.second]]] = True
    return beside


def _node_clusters(
    pairs: _Pairs, is_node: npt.NDArray[np.bool_], rows: IntArray, cols: IntArray
) -> tuple[IntArray, list[tuple[float, float]]]:
    """Return (node id of each pixel or -1, places of the nodes)."""
    both = is_node[pairs.first] & is_node[pairs.second]
    _, label = connected_components(pairs.matrix(both), directed=False)
    used, compact = np.unique(label[is_node], return_inverse=True)
    node_of = np.full(len(rows), -1, dtype=np.int64)
    node_of[is_node] = compact
    total = np.bincount(compact, minlength=len(used))
    x = np.bincount(compact, cols[is_node] - 2.0, len(used)) / np.maximum(total, 1)
    y = np.bincount(compact, rows[is_node] - 2.0, len(used)) / np.maximum(total, 1)
    return node_of, list(zip(x.tolist(), y.tolist(), strict=True))


def _ordered_runs(pairs: _Pairs, is_node: npt.NDArray[np.bool_]) -> list[tuple[IntArray, bool]]:
    """Return each run of pixels between nodes in walking order, with whether it closes on itself."""
    keep = ~(is_node[pairs.first] | is_node[pairs.second])
    matrix = pairs.matrix(keep)
    _, label = connected_components(matrix, directed=False)
    label = np.where(is_node, -1, label)
    far, span = _farthest(matrix, label)
    size = np.bincount(label[label >= 0], minlength=label.max(initial=0) + 1)
    loops = np.nonzero((size > 8) & (span < 0.6 * size))[0]
    keep &= ~_cuts(pairs, label, far, loops)
    starts = far[(size > 0) & (far >= 0)]
    distance = dijkstra(pairs.matrix(keep), directed=False, indices=starts, min_only=True)
    order = np.lexsort((distance, label))
    order = order[label[order] >= 0]
    cuts = np.nonzero(np.diff(label[order]))[0] + 1
    loop_set = set(loops.tolist())
    return [(run, int(label[run[0]]) in loop_set) for run in np.split(order, cuts) if len(run) >= 2]


def _farthest(matrix: csr_matrix, label: IntArray) -> tuple[IntArray, FloatArray]:
    """Return per component an end pixel, and the distance from it to the farthest pixel.

    Two sweeps: the pixel farthest from any pixel is an end; from an end, an open run of n
    pixels spans n, a closed one half of it.
    """
    count = int(label.max(initial=-1)) + 1
    members = np.nonzero(label >= 0)[0]
    start = np.full(count, -1, dtype=np.int64)
    start[label[members[::-1]]] = members[::-1]
    span = np.zeros(count)
    for _ in range(2):
        source = start[start >= 0]
        distance = dijkstra(matrix, directed=False, indices=source, min_only=True)
        by_distance = members[np.argsort(distance[members], kind="stable")]
        end = start.copy()
        end[label[by_distance]] = by_distance
        span[label[by_distance]] = distance[by_distance]
        start, previous = end, start
    return previous, span


def _cuts(pairs: _Pairs, label: IntArray, far: IntArray, loops: IntArray) -> npt.NDArray[np.bool_]:
    """Mark, for every closed loop, the pairs that join its start to all but one neighbour."""
    cut = np.zeros(len(pairs.first), dtype=np.bool_)
    for loop in loops:
        start = far[loop]
        touching = np.nonzero((pairs.first == start) | (pairs.second == start))[0]
        cut[touching[1:]] = True
    return cut


def _touching(pairs: _Pairs, node_of: IntArray) -> dict[int, list[int]]:
    """Return, for each pixel beside a node, the nodes that it touches."""
    touching: dict[int, list[int]] = {}
    for here, there in ((pairs.first, pairs.second), (pairs.second, pairs.first)):
        beside = (node_of[here] < 0) & (node_of[there] >= 0)
        for pixel, node in zip(here[beside].tolist(), node_of[there[beside]].tolist(), strict=True):
            touching.setdefault(pixel, []).append(node)
    return touching


def _end_nodes(
    order: IntArray,
    touching: dict[int, list[int]],
    node_xy: list[tuple[float, float]],
    places: FloatArray,
) -> tuple[int, int]:
    """Return the nodes at both ends; a free end becomes a node of its own, appended to ``node_xy``."""
    ends: list[int] = []
    for end in (int(order[0]), int(order[-1])):
        nodes = touching.get(end, [])
        # A short run may touch two nodes with one pixel: take the one that is not used yet.
        fresh = [node for node in nodes if node not in ends] or nodes
        if fresh:
            ends.append(fresh[0])
        else:
            node_xy.append((float(places[end, 0]), float(places[end, 1])))
            ends.append(len(node_xy) - 1)
    return ends[0], ends[1]

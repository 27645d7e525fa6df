"""Edges of a reduced picture that run on smoothly: short straight segments linked end to end.

The segments are those of Grompone von Gioi, Jakubowicz, Morel and Randall, "LSD: a line segment detector", Image
Processing On Line 2 (2012) 35, as OpenCV has it. A line that the lens bends comes in several; each end is linked to
the start that continues it best, when both choose each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.sheet.profile import profiles

Grey = npt.NDArray[np.uint8]

LEAST_SEGMENT_PX = 12.0
# The next segment begins at most so far on, or so far back, and this far beside where this one leads.
MOST_GAP_PX, MOST_OVERLAP_PX = 30.0, 6.0
BESIDE_PX, BESIDE_PER_PX = 1.2, 0.02
MOST_TURN_RAD = 0.05
END_NOISE_PX = 0.6  # of a segment's end across it, which turns short ones
# An edge is looked for again near the segments, as these are straight and it need not be.
PLACE_STEP_PX = 12.0
NEAR_PX = 2.5
PROFILE_STEP_PX = 0.5


@dataclass(frozen=True, eq=False)
class Joined:
    """The places of many chains in one array, so that all are compared with a line at once."""

    chains: Sequence[FloatArray]  # each (N, 2)
    places: FloatArray  # (sum of N, 2)
    starts: IntArray  # (K,) first row of each chain
    length_px: FloatArray  # (K,) from end to end

    @classmethod
    def of(cls, chains: Sequence[FloatArray]) -> Joined:
        """Join chains."""
        counts = np.array([len(chain) for chain in chains], dtype=np.int64)
        starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
        length = np.array([np.hypot(*(chain[-1] - chain[0])) for chain in chains], dtype=np.float64)
        return cls(chains, np.vstack(chains) if len(chains) else np.zeros((0, 2)), starts, length)

    def longest_first(self) -> list[int]:
        """Return the chains' numbers in order."""
        return [int(k) for k in np.argsort(-self.length_px, kind="stable")]

    def on_one_line(
        self, first: int, free: BoolArray, near_px: float, rounds: int
    ) -> tuple[list[int], FloatArray, FloatArray]:
        """Return the free chains all of whose places lie near the first one's line, a place on it, its direction.

        The line is fitted again to what was found, so many times in all.
        """
        group = [first]
        middle, along = np.zeros(2), np.array([1.0, 0.0])
        for _ in range(rounds):
            points = np.vstack([self.chains[k] for k in group])
            middle = points.mean(axis=0)
            along = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 1]
            off = np.abs((self.places - middle) @ np.array([-along[1], along[0]]))
            near = free & (np.maximum.reduceat(off, self.starts) < near_px)
            group = sorted({first, *(int(k) for k in np.flatnonzero(near))})
        return group, middle, along


@dataclass(frozen=True, eq=False)
class _Segments:
    start: FloatArray  # (N, 2)
    end: FloatArray
    along: FloatArray  # (N, 2) unit
    length: FloatArray  # (N,)


def find_chains(picture: Grey, least_px: float) -> list[FloatArray]:
    """Return the edges of a reduced picture that are at least so long, each (N, 2) px in order along it.

    All run with their darker side to one side, so both flanks of a thin line are chains of their own.
    """
    segments = _segments(picture)
    chains = [places for group in _linked(segments) if (places := _places(segments, group, least_px)) is not None]
    if not chains:
        return []
    refined = _on_edge(picture, np.vstack(chains), np.vstack([_normals(chain) for chain in chains]))
    parts = np.split(refined, np.cumsum([len(chain) for chain in chains])[:-1])
    return [part[np.isfinite(part[:, 0])] for part in parts if np.isfinite(part[:, 0]).sum() >= 4]


def _segments(picture: Grey) -> _Segments:
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(picture)[0]
    ends = np.zeros((0, 4)) if found is None else np.asarray(found, dtype=np.float64).reshape(-1, 4)
    start, end = ends[:, :2], ends[:, 2:]
    length = np.hypot(*(end - start).T)
    keep = length >= LEAST_SEGMENT_PX
    along = (end - start)[keep] / length[keep, None]
    return _Segments(start[keep], end[keep], along, length[keep])


def _linked(segments: _Segments) -> list[list[int]]:
    """Return the chains as lists of segments in order."""
    count = len(segments.length)
    follower = _followers(segments)
    begun = np.ones(count, dtype=bool)
    begun[follower[follower >= 0]] = False
    chains, seen = [], np.zeros(count, dtype=bool)
    for first in [*np.flatnonzero(begun), *range(count)]:  # rings have no first
        chain, at = [], int(first)
        while at >= 0 and not seen[at]:
            seen[at] = True
            chain.append(at)
            at = int(follower[at])
        if chain:
            chains.append(chain)
    return chains


def _followers(segments: _Segments) -> IntArray:
    """Return (N,) the segment that follows each, -1 for none."""
    count = len(segments.length)
    follower = np.full(count, -1, dtype=np.int64)
    if count < 2:
        return follower
    near = KDTree(segments.start).query_ball_point(segments.end, MOST_GAP_PX)
    first = np.repeat(np.arange(count), [len(n) for n in near])
    second = np.array([j for n in near for j in n], dtype=np.int64)
    cost = _link_cost(segments, first, second)
    onward, back = set(), set()
    for k in np.argsort(cost):
        if not np.isfinite(cost[k]):
            break
        i, j = int(first[k]), int(second[k])
        if i not in onward and j not in back:
            follower[i] = j
        onward.add(i)
        back.add(j)
    return follower


def _link_cost(segments: _Segments, first: IntArray, second: IntArray) -> FloatArray:
    """Return how badly each second segment continues its first, infinite where it does not."""
    gap = segments.start[second] - segments.end[first]
    u, v = segments.along[first], segments.along[second]
    ahead = (gap * u).sum(axis=1)
    beside = np.maximum(np.abs(_cross(u, gap)), np.abs(_cross(v, gap)))
    turn = np.arccos(np.clip((u * v).sum(axis=1), -1, 1))
    short = np.minimum(segments.length[first], segments.length[second])
    fits = (first != second) & (ahead > -MOST_OVERLAP_PX) & (beside < BESIDE_PX + BESIDE_PER_PX * np.abs(ahead))
    fits &= turn < MOST_TURN_RAD + 2 * END_NOISE_PX / short
    return np.where(fits, np.abs(ahead) + 5 * beside + 100 * turn, np.inf)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _places(segments: _Segments, group: list[int], least_px: float) -> FloatArray | None:
    """Return places along a chain, or None when it is too short."""
    if np.hypot(*(segments.end[group[-1]] - segments.start[group[0]])) < least_px:
        return None
    parts = []
    for at in group:
        steps = max(2, round(segments.length[at] / PLACE_STEP_PX))
        t = (np.arange(steps)[:, None] + 0.5) / steps
        parts.append((1 - t) * segments.start[at] + t * segments.end[at])
    return np.vstack(parts)


def _normals(chain: FloatArray) -> FloatArray:
    """Return (N, 2) unit vectors across a chain."""
    along = np.gradient(chain, axis=0)
    along /= np.maximum(np.hypot(*along.T)[:, None], 1e-9)
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def _on_edge(picture: Grey, places: FloatArray, normals: FloatArray) -> FloatArray:
    """Return the places moved across to the steepest place near them, nan where that is at the end of the search."""
    steps = np.arange(-NEAR_PX - PROFILE_STEP_PX, NEAR_PX + 1.5 * PROFILE_STEP_PX, PROFILE_STEP_PX)
    at = places[:, None] + steps[:, None] * normals[:, None]
    smooth = cv2.GaussianBlur(picture, (0, 0), 0.8)
    grey = profiles(smooth, at)
    slope = np.gradient(grey, axis=1)
    sign = np.sign(np.median(slope[:, len(steps) // 2]))
    steep = slope * (sign or 1.0)
    best = steep.argmax(axis=1)
    inner = (best > 1) & (best < len(steps) - 2)
    best = np.clip(best, 1, len(steps) - 2)
    rows = np.arange(len(places))
    low, mid, high = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
    shift = 0.5 * (low - high) / np.minimum(low - 2 * mid + high, -1e-9)
    moved = places + ((steps[best] + np.clip(shift, -1, 1) * PROFILE_STEP_PX)[:, None]) * normals
    return np.asarray(np.where(inner[:, None], moved, np.nan))

"""Long straight drawn lines, solid or dashed: what may be the centerline.

Lines are voted for by Duda and Hart's normal form, Comm. ACM 15 (1972) 11.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray

ANGLE_STEP_DEG, OFFSET_STEP_MM = 0.25, 0.8
VOTE_DEG = 8.0  # a point votes for lines within so much of its own stroke's heading
# A centerline shows ink along at least this part of its length.
LEAST_INKED = 0.45
MOST_LINES = 60
# Lines side by side that are this much alike, so many at least, are squared paper, or a table.
SQUARED, SQUARED_LIKE, SQUARED_RAD = 6, 0.02, np.radians(0.5)
# Ink nearer than this to the line belongs to it; ink farther apart along it than this ends it.
NEAR_MM, BREAK_MM = 0.5, 14.0


@dataclass(frozen=True, eq=False)
class LongLine:
    """A straight line: two ends (mm, y down) and the part of it that shows ink."""

    start: FloatArray
    end: FloatArray
    inked: float

    @property
    def length_mm(self) -> float:
        """Return the length."""
        return float(np.hypot(*(self.end - self.start)))


def long_lines(points: FloatArray, headings: FloatArray, least_mm: float) -> list[LongLine]:
    """Return straight lines of at least ``least_mm`` among skeleton points (N, 2) mm.

    Each point votes only for lines within a few degrees of its own stroke's ``headings`` (N,) rad.
    """
    angles = np.radians(np.arange(0.0, 180.0, ANGLE_STEP_DEG))
    votes, offset_low = _vote(points, headings, angles)
    found: list[LongLine] = []
    for _ in range(MOST_LINES):
        best = int(votes.argmax())
        row, column = divmod(best, votes.shape[1])
        if votes[row, column] < LEAST_INKED * least_mm / 1.0:
            break
        normal = np.array([-np.sin(angles[row]), np.cos(angles[row])])
        offset = offset_low + (column + 0.5) * OFFSET_STEP_MM
        line = _settle(points, normal, offset)
        if line is not None and line.length_mm >= least_mm and line.inked >= LEAST_INKED and _new(line, found):
            found.append(line)
        votes[max(0, row - 6) : row + 7, max(0, column - 3) : column + 4] = 0
    return found


def without_squares(lines: list[LongLine]) -> list[LongLine]:
    """Return the lines but for those of squared paper: many parallel ones as long, that begin side by side."""
    if not lines:
        return []
    ends = np.array([(line.start, line.end) for line in lines])
    step = ends[:, 1] - ends[:, 0]
    length, heading = np.hypot(step[:, 0], step[:, 1]), np.arctan2(step[:, 1], step[:, 0])
    along = step / length[:, None]
    middle = ends.mean(axis=1)
    beside = np.einsum("ijk,ik->ij", middle[None] - middle[:, None], along)  # how far ahead of i's middle is j's
    alike = np.abs(np.sin(heading[:, None] - heading[None])) < SQUARED_RAD
    alike &= np.abs(length[None] / length[:, None] - 1.0) < SQUARED_LIKE
    alike &= np.abs(beside) < SQUARED_LIKE * length[:, None]
    return [line for line, others in zip(lines, alike.sum(axis=1), strict=True) if others < SQUARED]


def _vote(points: FloatArray, headings: FloatArray, angles: FloatArray) -> tuple[np.ndarray, float]:
    reach = float(np.hypot(*np.abs(points).max(axis=0))) + 2 * OFFSET_STEP_MM
    spacing = _spacing(points)
    columns = int(2 * reach / OFFSET_STEP_MM) + 2
    votes = np.zeros((len(angles), columns), dtype=np.float32)
    turned = np.mod(headings, np.pi)
    order = np.argsort(turned, kind="stable")
    # Once round and a little more at both ends, so that the headings near an angle are always one run.
    around = np.concatenate([turned[order] - np.pi, turned[order], turned[order] + np.pi])
    points = np.concatenate([points[order]] * 3)
    first = np.searchsorted(around, angles - np.radians(VOTE_DEG), side="right")
    last = np.searchsorted(around, angles + np.radians(VOTE_DEG), side="left")
    for row, angle in enumerate(angles):
        offset = points[first[row] : last[row]] @ np.array([-np.sin(angle), np.cos(angle)])
        votes[row] = np.bincount(((offset + reach) / OFFSET_STEP_MM).astype(int), minlength=columns)[:columns]
    return votes * spacing, -reach


def _spacing(points: FloatArray) -> float:
    """Return the usual distance of neighbouring points, mm: what one vote is worth."""
    steps = np.hypot(*np.diff(points[:20000], axis=0).T)
    return float(np.median(steps[steps < 1.0])) if (steps < 1.0).any() else 0.2


def _settle(points: FloatArray, normal: FloatArray, offset: float) -> LongLine | None:
    """Fit the line to the points beside it, three rounds, then find its longest unbroken stretch."""
    for reach in (2.0, 1.0, NEAR_MM):
        near = points[np.abs(points @ normal - offset) < reach]
        if len(near) < 50:
            return None
        centre = near.mean(axis=0)
        _, _, axes = np.linalg.svd(near - centre, full_matrices=False)
        normal = axes[1]
        offset = float(centre @ normal)
    along = axes[0]
    near = points[np.abs(points @ normal - offset) < NEAR_MM]
    place = np.sort((near - centre) @ along)
    breaks = np.nonzero(np.diff(place) > BREAK_MM)[0]
    stretches = np.split(place, breaks + 1)
    longest = max(stretches, key=lambda s: s[-1] - s[0])
    cells = np.unique((longest - longest[0]).astype(int))
    inked = len(cells) / max(1.0, longest[-1] - longest[0])
    return LongLine(centre + longest[0] * along, centre + longest[-1] * along, float(min(1.0, inked)))


def _new(line: LongLine, found: list[LongLine]) -> bool:
    for other in found:
        along = (other.end - other.start) / other.length_mm
        normal = np.array([-along[1], along[0]])
        if max(abs((line.start - other.start) @ normal), abs((line.end - other.start) @ normal)) < 1.0:
            return False
    return True

"""The lines that cross the outline: where their ink shows beside it, that edge is not the outline's own.

At a slanting crossing the ink of both lines has one low and one high edge. Where the crossing line runs is known from
its two arms, so at each station it is known which of the two edges is its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.contour.band import look_across, normals, resample
from digitize.contour.continuation import BLIND_MM, beyond, joint_curve
from digitize.contour.crossing import Pairing
from digitize.contour.loops import Way
from digitize.contour.network import Arm, Network

# The width of a crossing line is taken between these distances from the crossing, looking so far to each side.
CLEAR_MM, FAR_MM, LOOK_MM = 2.0, 9.0, 0.8
# An arm is carried on straight past the outline for so long, if it is so straight and as long as this.
PAST_MM, STRAIGHT_MM, LEAST_ARM_MM = 8.0, 0.06, 4.0
# An edge within this of where the crossing line's lies belongs to it, if that reaches so much farther out, px.
NEAR_PX, FARTHER_PX = 1.0, 0.3
# A line crossing more squarely than this spoils few stations, and leaves its edges too far apart to tell.
SQUARE_COS = 0.35
STEP_MM = 0.25


@dataclass(frozen=True, eq=False)
class OtherLine:
    """The middle of a line through its crossing with the outline, (M, 2) px, and the width of its ink, px."""

    path: FloatArray
    width_px: float


def crossing_lines(
    network: Network, pairings: list[Pairing], way: Way, grey: npt.NDArray[np.uint8], px_per_mm: float
) -> tuple[OtherLine, ...]:
    """Return the lines that cross a way at the crossings taken apart."""
    own = {stroke for stroke, _ in way.darts}
    found: list[OtherLine | None] = []
    done: set[Arm] = set()
    for first, second in pairings:
        for pair, other in ((first, second), (second, first)):
            if all(arm.stroke in own for arm in pair) and not any(arm.stroke in own for arm in other):
                arms = network.reach(other[0]), network.reach(other[1])
                found.append(_measured(joint_curve(*arms), arms[0], grey, px_per_mm))
                done.update(other)
    nodes = {node for stroke in own for node in network.ends[stroke] if node >= 0}
    for arm in (arm for node in nodes for arm in network.arms[node]):
        if arm.stroke not in own and arm not in done:
            reach = network.reach(arm)
            found.append(_measured(_carried_on(reach), reach, grey, px_per_mm))
    return tuple(line for line in found if line is not None)


def _carried_on(reach: FloatArray) -> FloatArray | None:
    """Return a straight arm and its line on past where it meets the outline, or None when it bends."""
    part = beyond(reach, BLIND_MM, FAR_MM)
    if len(part) < 8 or np.hypot(*(part[-1] - part[0])) < LEAST_ARM_MM:
        return None
    middle = part.mean(axis=0)
    along = np.linalg.svd(part - middle)[2][0]
    along = along * np.sign((part[-1] - part[0]) @ along)
    off = (part - middle) @ np.array([-along[1], along[0]])
    if np.sqrt(np.mean(off**2)) > STRAIGHT_MM:
        return None
    at = (reach[0] - middle) @ along
    return np.asarray(middle + np.arange(at - PAST_MM, at + FAR_MM, STEP_MM)[:, None] * along)


def _measured(
    curve: FloatArray | None, arm: FloatArray, grey: npt.NDArray[np.uint8], px_per_mm: float
) -> OtherLine | None:
    """Return a line with the usual width of the ink along one of its arms; None where it does not show."""
    part = beyond(arm, CLEAR_MM, FAR_MM)
    if curve is None or len(part) < 8:
        return None
    ends = resample(part * px_per_mm, STEP_MM * px_per_mm, closed=False)
    band = look_across(grey, ends, normals(ends, closed=False), LOOK_MM * px_per_mm, 3.0, average=1, closed=False)
    width = band.high - band.low
    if np.isfinite(width).sum() < 8:
        return None
    return OtherLine(resample(curve * px_per_mm, STEP_MM * px_per_mm, closed=False), float(np.nanmedian(width)))


def not_own(
    low: FloatArray,
    high: FloatArray,
    path: FloatArray,
    across: FloatArray,
    usual_px: float,
    others: tuple[OtherLine, ...],
) -> tuple[BoolArray, BoolArray]:
    """Return at which stations the low edge, and at which the high edge, belongs to a crossing line.

    That is where it reaches farther out than a line of the usual width along the path would.

    Args:
        low: (N,) px along ``across`` from ``path``, nan where not seen.
        high: (N,) likewise.
        path: (N, 2) px.
        across: (N, 2) unit normals.
        usual_px: the width of the line itself.
        others: the crossing lines.
    """
    spoiled = np.zeros((2, len(path)), dtype=bool)
    for other in others:
        reach = np.hypot(*np.ptp(other.path, axis=0)) / 2.0
        near = np.flatnonzero(np.hypot(*(path - other.path[len(other.path) // 2]).T) < reach)
        off, half = _offsets(path[near], across[near], other)
        farther = half - usual_px / 2.0 - FARTHER_PX
        spoiled[0, near] |= (np.abs(low[near] - (off - half)) < NEAR_PX) & (-off > -farther)
        spoiled[1, near] |= (np.abs(high[near] - (off + half)) < NEAR_PX) & (off > -farther)
    return spoiled[0], spoiled[1]


def _offsets(places: FloatArray, normals: FloatArray, other: OtherLine) -> tuple[FloatArray, FloatArray]:
    """Return where a crossing line first cuts the normals of stations, px from each, and half the length of that cut.

    Both are (N,), nan where it does not cut the normal, or crosses too squarely.
    """
    along = np.stack([normals[:, 1], -normals[:, 0]], axis=1)
    ahead = along @ other.path.T - (places * along).sum(axis=1)[:, None]
    turns = np.diff(np.sign(ahead), axis=1) != 0
    n = turns.argmax(axis=1) if turns.shape[1] else np.zeros(len(places), dtype=np.int64)
    cuts = np.flatnonzero(turns.any(axis=1))
    n, along = n[cuts], along[cuts]
    step = other.path[n + 1] - other.path[n]
    share = ahead[cuts, n] / (ahead[cuts, n] - ahead[cuts, n + 1])
    cut = ((other.path[n] + share[:, None] * step - places[cuts]) * normals[cuts]).sum(axis=1)
    slant = np.abs((step * along).sum(axis=1)) / np.hypot(*step.T)
    off, half = np.full((2, len(places)), np.nan)
    kept = slant > SQUARE_COS
    off[cuts[kept]], half[cuts[kept]] = cut[kept], other.width_px / 2.0 / slant[kept]
    return off, half


__all__ = ["OtherLine", "crossing_lines", "not_own"]

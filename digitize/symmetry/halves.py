"""The two halves of a body: cut on x = 0, compared, averaged and mirrored. Body frame, mm.

A half runs from the tail to the neck on the side where x is positive; a left half is
mirrored before it is handled, so that both look alike.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from calibration.errors import Refusal
from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.curve import arc_length, blurred, corner_turns, feet, right_normals, signed_area, unit_tangents
from digitize.shapes import Seen

# The ends of the outline on the centerline are fitted over this much line on either side.
END_FIT_MM = 8.0
# At the very end of a half the centerline's own ink disturbs the trace.
END_BLIND_MM = 0.6
# A half outline has at least so many points off the centerline, about 0.25 mm apart.
LEAST_HALF_POINTS = 120
# A fitted end further than this from the traced one is not believed.
END_BELIEVED_MM = 0.5
# An end that leaves square by more than this, and clearly, is a corner or a slant.
END_CORNER_DEG = 3.0
# A half whose end leaves square by more than this has a real corner on the centerline.
HALF_CORNER_DEG = 12.5
# A half outline may stop this far from the centerline and still be carried on to it.
END_GAP_MM = 6.0
# Length of outline over which one gap value is taken, long enough to pass over a crossing line.
GAP_WINDOW_MM = 5.0
# Corners of the two halves this near each other are one corner.
CORNER_PAIR_MM = 3.0
# A corner seen in one half only is believed if the other half turns this much there.
LONE_CORNER_DEG = 20.0
# Above this gap the halves are too unlike to average point by nearest point.
NEAREST_GAP_MM = 2.0
# Bridged parts lose their say over this length.
HANDOVER_MM = 5.0


@dataclass(frozen=True, eq=False)
class Loop:
    """A closed outline with all that belongs to each point."""

    xy: FloatArray  # (N, 2) counter-clockwise
    sigma: FloatArray
    seen: IntArray  # as shapes.Seen says
    corners: IntArray

    def reversed(self) -> Loop:
        """Return the loop run the other way."""
        last = len(self.xy) - 1
        return Loop(self.xy[::-1], self.sigma[::-1], self.seen[::-1], np.sort(last - self.corners))

    def counter_clockwise(self) -> Loop:
        """Return the loop so that it runs counter-clockwise."""
        return self if signed_area(self.xy) > 0 else self.reversed()

    def rolled(self, start: int) -> Loop:
        """Return the loop beginning at vertex ``start``."""
        count = len(self.xy)
        return Loop(
            np.roll(self.xy, -start, axis=0),
            np.roll(self.sigma, -start),
            np.roll(self.seen, -start),
            np.sort((self.corners - start) % count),
        )


@dataclass(frozen=True, eq=False)
class Half:
    """An open half outline, tail to neck, x >= 0 but for noise."""

    xy: FloatArray
    sigma: FloatArray
    seen: IntArray  # as shapes.Seen says
    corners: IntArray

    @property
    def normals(self) -> FloatArray:
        """(N, 2) outward unit normals of the quietened curve."""
        return right_normals(unit_tangents(blurred(self.xy, 4.0, closed=False), closed=False))


@dataclass(frozen=True)
class EndFit:
    """Where and how the outline meets the centerline."""

    y_mm: float
    angle_deg: float  # inside angle between outline and centerline; 90 = square


def _crossings(xy: FloatArray) -> list[tuple[float, int]]:
    """Return (y, index of the vertex before) where a closed curve changes sides of x = 0."""
    ahead = np.roll(xy, -1, axis=0)
    found = np.flatnonzero((xy[:, 0] < 0) != (ahead[:, 0] < 0))
    y = []
    for i in found:
        part = xy[i, 0] / (xy[i, 0] - ahead[i, 0])
        y.append((float(xy[i, 1] + part * (ahead[i, 1] - xy[i, 1])), int(i)))
    return sorted(y)


def _piece(loop: Loop, first: int, last: int, y_first: float, y_last: float) -> Half:
    """Return the run after vertex ``first`` up to ``last`` with exact ends on x = 0."""
    count = len(loop.xy)
    inner = np.arange(first + 1, first + 1 + (last - first) % count) % count
    xy = np.vstack([[0.0, y_first], loop.xy[inner], [0.0, y_last]])
    around = np.concatenate([inner[:1], inner, inner[-1:]])
    place = {int(v): k + 1 for k, v in enumerate(inner)}
    corners = [place[int(c)] for c in loop.corners if int(c) in place]
    return Half(xy, loop.sigma[around], loop.seen[around], np.array(sorted(corners), dtype=np.int64))


def split(loop: Loop) -> tuple[Half, Half]:
    """Return the right half and the mirrored left half of a loop, cut on x = 0.

    Raises:
        Refusal: the outline does not cross the centerline at both ends.
    """
    crossings = _crossings(loop.xy)
    if len(crossings) < 2:
        raise Refusal("no-outline")
    (y_tail, tail), (y_neck, neck) = crossings[0], crossings[-1]
    sharp = [_corner_at(loop, y) for y in (y_tail, y_neck)]
    right = _piece(loop, tail, neck, y_tail, y_neck)
    left = _piece(loop, neck, tail, y_neck, y_tail)
    last = len(left.xy) - 1
    mirrored = Half(left.xy[::-1] * (-1.0, 1.0), left.sigma[::-1], left.seen[::-1], np.sort(last - left.corners))
    right, mirrored = (replace(h, corners=_end_corners(h, sharp[0], sharp[1])) for h in (right, mirrored))
    return right, mirrored


def _corner_at(loop: Loop, y: float) -> bool:
    """Whether one of the loop's corners lies where it crosses the centerline at ``y``."""
    away = np.hypot(*(loop.xy[loop.corners] - (0.0, y)).T)
    return bool((away < CORNER_PAIR_MM).any())


# --- comparing -------------------------------------------------------------------------


def gaps(right: Half, left: Half) -> tuple[FloatArray, BoolArray]:
    """Return the signed gap at each point of the right half, and where both were traced.

    The gap is (mirrored left) - right along the outline's normal, mm, left larger positive,
    as the running median over :data:`GAP_WINDOW_MM`.
    """
    foot = feet(right.xy, left.xy, closed=False)
    side = np.einsum("ij,ij->i", foot.xy - right.xy, right.normals)
    raw = np.where(side >= 0, foot.distance, -foot.distance)
    step = arc_length(right.xy, closed=False)[-1] / max(len(right.xy) - 1, 1)
    window = max(round(GAP_WINDOW_MM / step) | 1, 3)
    seen = (right.seen > Seen.BRIDGED) & (left.seen[foot.segment] > Seen.BRIDGED)
    return np.asarray(median_filter(raw, window, mode="nearest")), np.asarray(seen)


def noise_of(half: Half) -> float:
    """Return the trace's own point noise, 1 sigma mm, from third differences along the normal."""
    third = np.diff(half.xy, n=3, axis=0)
    across = np.einsum("ij,ij->i", third, half.normals[1:-2])
    return float(1.4826 * np.median(np.abs(across)) / np.sqrt(20.0))


# --- the ends --------------------------------------------------------------------------


def _end_points(half: Half, at_tail: bool, blind: float) -> FloatArray:
    xy = half.xy if at_tail else half.xy[::-1]
    at = arc_length(xy, closed=False)
    return xy[(at >= blind) & (at <= END_FIT_MM)]


def _robust(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return Huber-weighted coefficients and their sigmas."""
    weight = np.ones(len(values))
    for _ in range(6):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(root[:, None] * design, root * values, rcond=None)[0]
        off = np.abs(values - design @ fit)
        scale = max(1.4826 * float(np.median(off)), 1e-6)
        weight = 1.0 / np.maximum(off / (1.5 * scale), 1.0)
    inverse = np.linalg.pinv(design.T @ (weight[:, None] * design))
    return np.asarray(fit), np.asarray(np.sqrt(np.diag(inverse)) * scale)


def fit_end(right: Half, left: Half | None, at_tail: bool) -> EndFit:
    """Return where the outline meets x = 0 and at what angle.

    With both halves a slant and a corner are told apart; with one, any leaving square is
    an angle of that half.
    """
    sides = [_end_points(right, at_tail, END_BLIND_MM if left is None else 0.0)]
    if left is not None:
        sides.append(_end_points(left, at_tail, 0.0) * (-1.0, 1.0))
    xy = np.vstack(sides)
    raw = float(right.xy[0 if at_tail else -1, 1])
    up = 1.0 if at_tail else -1.0  # the body lies on this side of the end
    if len(xy) < 8 or np.ptp(xy[:, 0]) < END_FIT_MM / 4:
        return EndFit(raw, 90.0)
    x, y = xy.T
    columns = [np.ones_like(x), np.abs(x), x**2] + ([x] if left is not None else [])
    fit, sigma = _robust(np.column_stack(columns), y)
    slope, slant = float(fit[1]), float(fit[3]) if left is not None else 0.0
    square = abs(np.degrees(np.arctan(slope))) < END_CORNER_DEG or abs(slope) < 3.0 * sigma[1]
    if square and left is not None:
        fit, _ = _robust(np.column_stack([columns[0], columns[2], columns[3]]), y)
        slope, slant = 0.0, float(fit[2])
    place = float(fit[0]) if abs(fit[0] - raw) < END_BELIEVED_MM else raw
    worst = max((slope + slant, slope - slant), key=abs)
    return EndFit(place, 90.0 - up * float(np.degrees(np.arctan(worst))))


def with_ends(half: Half, y_tail: float, y_neck: float) -> Half:
    """Return the half with its first and last points exactly at the given places on x = 0."""
    xy = half.xy.copy()
    xy[0], xy[-1] = (0.0, y_tail), (0.0, y_neck)
    keep = np.ones(len(xy), dtype=bool)
    for end, near in ((xy[0], slice(1, 40)), (xy[-1], slice(-40, -1))):
        part = xy[near]
        keep[near] = (part[:, 0] > 0.02) | (np.abs(part[:, 1] - end[1]) > END_GAP_MM)
    return _subset(replace(half, xy=xy), keep)


def _subset(half: Half, keep: BoolArray) -> Half:
    """Return the kept points; a corner whose point goes moves to the nearest one kept."""
    rank = np.cumsum(keep) - 1
    corners = np.unique(np.clip(rank[half.corners], 0, int(keep.sum()) - 1))
    return Half(half.xy[keep], half.sigma[keep], half.seen[keep], corners.astype(np.int64))


def closed_on_axis(half: Half) -> Half:
    """Return a traced half cut or carried on to x = 0 at both ends, with corners there if real.

    Raises:
        Refusal: an end stops too far from the centerline to be carried on, or the line touches it in between.
    """
    x = half.xy[:, 0]
    inside = np.flatnonzero(x > 0)
    if len(inside) < LEAST_HALF_POINTS or max(abs(x[0]), abs(x[-1])) > END_GAP_MM:
        raise Refusal("no-outline")
    middle = len(x) // 2
    before, after = np.flatnonzero(x[:middle] <= 0), np.flatnonzero(x[middle:] <= 0)
    first = int(before[-1]) + 1 if len(before) else 0
    last = int(after[0]) + middle - 1 if len(after) else len(x) - 1
    if last - first < LEAST_HALF_POINTS:
        raise Refusal("no-outline")  # it comes back to the centerline half-way: no half of one body
    keep = (np.arange(len(x)) >= first) & (np.arange(len(x)) <= last)
    body = _subset(replace(half, corners=half.corners[keep[half.corners]]), keep)
    ends = np.array([[0.0, body.xy[0, 1]], [0.0, body.xy[-1, 1]]])
    long = Half(
        np.vstack([ends[:1], body.xy, ends[1:]]),
        np.concatenate([body.sigma[:1], body.sigma, body.sigma[-1:]]),
        np.concatenate([body.seen[:1], body.seen, body.seen[-1:]]),
        body.corners + 1,
    )
    tail, neck = fit_end(long, None, at_tail=True), fit_end(long, None, at_tail=False)
    done = with_ends(long, tail.y_mm, neck.y_mm)
    sharp = [abs(e.angle_deg - 90.0) > HALF_CORNER_DEG for e in (tail, neck)]
    return replace(done, corners=_end_corners(done, sharp[0], sharp[1]))


def _end_corners(half: Half, tail: bool, neck: bool) -> IntArray:
    """Return the corners with those at the ends set as measured."""
    last = len(half.xy) - 1
    at = arc_length(half.xy, closed=False)
    inner = [int(c) for c in half.corners if CORNER_PAIR_MM < at[c] < at[-1] - CORNER_PAIR_MM]
    return np.array(([0] if tail else []) + inner + ([last] if neck else []), dtype=np.int64)


# --- averaging -------------------------------------------------------------------------


def _say(half: Half) -> FloatArray:
    """Return how much each point counts in an average: nothing where it was bridged."""
    step = arc_length(half.xy, closed=False)[-1] / max(len(half.xy) - 1, 1)
    traced = (half.seen > Seen.BRIDGED).astype(float)
    return np.asarray(gaussian_filter1d(traced, HANDOVER_MM / step, mode="nearest")) + 1e-3


def _paired_corners(right: Half, left: Half) -> list[tuple[int, int]]:
    """Return (right index, left index) of corners both halves have."""
    pairs = []
    for one, other, swap in ((right, left, False), (left, right, True)):
        for index in one.corners:
            mate = _mate(one, int(index), other)
            if mate is not None:
                pairs.append((mate, int(index)) if swap else (int(index), mate))
    distinct: list[tuple[int, int]] = []
    for pair in sorted(pairs):
        if not distinct or (pair[0] > distinct[-1][0] + 2 and pair[1] > distinct[-1][1] + 2):
            distinct.append(pair)
    return distinct


def _mate(half: Half, index: int, other: Half) -> int | None:
    """Return the other half's vertex for a corner, or None where the other half runs smoothly."""
    away = np.hypot(*(other.xy - half.xy[index]).T)
    listed = [int(c) for c in other.corners if away[c] < CORNER_PAIR_MM]
    if listed:
        return min(listed, key=lambda c: float(away[c]))
    near = int(np.argmin(away))
    if away[near] > CORNER_PAIR_MM or not 0 < near < len(other.xy) - 1:
        return None
    loop = np.vstack([other.xy, (other.xy * (-1.0, 1.0))[-2:0:-1]])
    at = arc_length(loop, closed=True)
    around = list(range(max(near - 6, 1), min(near + 7, len(other.xy) - 1)))
    best = max(around, key=lambda k: abs(corner_turns(loop, at, k)[0]))
    return best if abs(corner_turns(loop, at, best)[0]) > LONE_CORNER_DEG else None


def _carried_on(xy: FloatArray) -> FloatArray:
    """Return an open run with straight ends added, so that feet beyond it are found."""
    reach = min(12, len(xy) - 1)
    out = []
    for end, inner in ((xy[0], xy[reach]), (xy[-1], xy[-1 - reach])):
        away = (end - inner) / max(float(np.hypot(*(end - inner))), 1e-9)
        out.append(end + np.arange(0.25, 3.0, 0.25)[:, None] * away)
    return np.vstack([out[0][::-1], xy, out[1]])


def _mean_run(right: Half, left: Half, a: tuple[int, int], b: tuple[int, int], far: bool) -> FloatArray:
    """Return the mean of both halves between two paired corners, one point per right point."""
    mine = right.xy[a[0] : b[0] + 1]
    theirs = left.xy[a[1] : b[1] + 1]
    at_mine, at_theirs = arc_length(mine, closed=False), arc_length(theirs, closed=False)
    if far:
        share = at_mine / at_mine[-1] * at_theirs[-1]
        mate = np.column_stack([np.interp(share, at_theirs, theirs[:, k]) for k in (0, 1)])
    else:
        mate = feet(mine, _carried_on(theirs), closed=False).xy
    other_say = np.interp(at_mine / at_mine[-1], at_theirs / at_theirs[-1], _say(left)[a[1] : b[1] + 1])
    part = other_say / (other_say + _say(right)[a[0] : b[0] + 1])
    return np.asarray(mine + part[:, None] * (mate - mine))


def mean_half(right: Half, left: Half, largest_gap_mm: float) -> Half:
    """Return the average of both halves; bridged parts give way to traced ones.

    Args:
        right: the right half.
        left: the left half, mirrored.
        largest_gap_mm: how far they differ; decides how points are paired.
    """
    inner = [p for p in _paired_corners(right, left) if 0 < p[0] < len(right.xy) - 1 and 0 < p[1] < len(left.xy) - 1]
    stops = [(0, 0), *inner, (len(right.xy) - 1, len(left.xy) - 1)]
    xy = right.xy.copy()
    for a, b in itertools.pairwise(stops):
        xy[a[0] : b[0] + 1] = _mean_run(right, left, a, b, largest_gap_mm > NEAREST_GAP_MM)
    for i, k in inner:
        xy[i] = (right.xy[i] + left.xy[k]) / 2.0
    xy[0], xy[-1] = right.xy[0], right.xy[-1]
    foot = feet(right.xy, left.xy, closed=False)
    sigma = np.hypot(right.sigma, left.sigma[foot.segment]) / 2.0
    seen = np.maximum(right.seen, left.seen[foot.segment])
    ends = [int(c) for c in (*right.corners, *left.corners) if c == 0]
    last = [len(xy) - 1] * any(c == len(h.xy) - 1 for h in (right, left) for c in h.corners)
    corners = sorted({*ends, *(i for i, _ in inner), *last})
    return Half(xy, np.asarray(sigma), np.asarray(seen), np.array(corners, dtype=np.int64))


def mirrored_loop(half: Half) -> Loop:
    """Return the closed, exactly symmetric loop of a half whose ends lie on x = 0."""
    flip = np.array([-1.0, 1.0])
    count = len(half.xy)
    total = 2 * count - 2
    mirror = [(total - int(c)) % total for c in half.corners]
    return Loop(
        np.vstack([half.xy, (half.xy * flip)[-2:0:-1]]),
        np.concatenate([half.sigma, half.sigma[-2:0:-1]]),
        np.concatenate([half.seen, half.seen[-2:0:-1]]),
        np.array(sorted({*half.corners.tolist(), *mirror}), dtype=np.int64),
    )

"""Where lines and arcs meet, how far places are from them, and what they enclose: exact, piece by piece.

A piece is one line or arc of an ``ArcPath``. Places on it are fractions of the angle that it turns by (of its length
when straight), as in ``digitize.arcs.point_on``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray, frozen_floats
from digitize.arcs import STRAIGHT_BULGE, centres, norms, point_on, segments
from digitize.shapes import ArcPath

# Two places nearer than this are one: far below anything cut, far above the rounding of a body's coordinates.
SAME_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Meetings:
    """Common places of two paths, in no order."""

    one: IntArray  # (M,) piece of the first path
    at_one: FloatArray  # (M,) fraction of it
    other: IntArray  # (M,) piece of the second path
    at_other: FloatArray  # (M,)
    xy_mm: FloatArray  # (M, 2)


def meetings(one: ArcPath, other: ArcPath | None = None) -> Meetings:
    """Return where two paths meet, or where pieces of one meet its other pieces.

    A place at which two pieces of one path follow each other is no meeting. Pieces that run along each other have
    none either: their ends are found where other pieces meet them.
    """
    same = other is None
    second = one if other is None else other
    ends = _Ends(one), _Ends(second)
    rows = []
    for i, j in _near(ends[0].boxes, ends[1].boxes, same):
        for xy in _common(ends[0], int(i), ends[1], int(j)):
            if same and _only_joint(one, int(i), int(j), xy):
                continue
            rows.append((i, ends[0].fraction(int(i), xy), j, ends[1].fraction(int(j), xy), *xy))
    found = np.array(rows, dtype=np.float64).reshape(-1, 6)
    return Meetings(found[:, 0].astype(np.int64), found[:, 1], found[:, 2].astype(np.int64), found[:, 3], found[:, 4:])


def _only_joint(path: ArcPath, i: int, j: int, xy: tuple[float, float]) -> bool:
    """Tell whether a common place of two pieces is the vertex between them."""
    count = len(path.bulge)
    follow = [(i, j), (j, i)]
    for first, second in follow:
        if second == (first + 1) % count and (path.closed or second > first):
            vertex = path.xy_mm[second]
            if math.dist(xy, (float(vertex[0]), float(vertex[1]))) <= SAME_MM:
                return True
    return False


class _Ends:
    """A path's pieces as plain numbers: ends, bulges, centres, radii and boxes."""

    def __init__(self, path: ArcPath) -> None:
        starts, ends, bulge = segments(path)
        centre, radius = centres(path)
        chord = np.hypot(*(ends - starts).T)
        self.starts, self.ends, self.bulge = starts.tolist(), ends.tolist(), bulge.tolist()
        self.centres, self.radii = centre.tolist(), radius.tolist()
        # No place of an arc is farther from its chord's middle than this.
        middle, reach = (starts + ends) / 2.0, chord / 2.0 * np.maximum(1.0, np.abs(bulge)) + SAME_MM
        self.boxes = np.column_stack([middle - reach[:, None], middle + reach[:, None]])

    def straight(self, i: int) -> bool:
        return bool(abs(self.bulge[i]) < STRAIGHT_BULGE)

    def fraction(self, i: int, xy: tuple[float, float]) -> float:
        """Return which fraction of a piece a place on it is, 0..1 a little beyond its ends."""
        (x0, y0), (x1, y1) = self.starts[i], self.ends[i]
        if self.straight(i):
            dx, dy = x1 - x0, y1 - y0
            return float(((xy[0] - x0) * dx + (xy[1] - y0) * dy) / max(dx * dx + dy * dy, 1e-300))
        cx, cy = self.centres[i]
        turned = 4.0 * math.atan(self.bulge[i])
        began = math.atan2(y0 - cy, x0 - cx)
        angle = math.remainder(math.atan2(xy[1] - cy, xy[0] - cx) - began - turned / 2.0, 2.0 * math.pi)
        return 0.5 + angle / turned


def _near(one: FloatArray, other: FloatArray, same: bool) -> IntArray:
    """Return the (i, j) of pieces whose boxes touch; each pair of one path once."""
    low = np.maximum(one[:, None, :2], other[None, :, :2])
    high = np.minimum(one[:, None, 2:], other[None, :, 2:])
    touch = (low <= high).all(axis=2)
    if same:
        touch = np.triu(touch, 1)
    return np.argwhere(touch)


def _common(one: _Ends, i: int, other: _Ends, j: int) -> list[tuple[float, float]]:
    """Return the common places of two pieces."""
    if one.straight(i) and other.straight(j):
        found = _line_line(one.starts[i], one.ends[i], other.starts[j], other.ends[j])
    elif one.straight(i):
        found = _line_circle(one.starts[i], one.ends[i], other.centres[j], other.radii[j])
    elif other.straight(j):
        found = _line_circle(other.starts[j], other.ends[j], one.centres[i], one.radii[i])
    else:
        found = _circle_circle(one.centres[i], one.radii[i], other.centres[j], other.radii[j])
    return [xy for xy in found if _on(one, i, xy) and _on(other, j, xy)]


def _on(ends: _Ends, i: int, xy: tuple[float, float]) -> bool:
    """Tell whether a place on a piece's line or circle is on the piece."""
    if 0.0 <= ends.fraction(i, xy) <= 1.0:
        return True
    return min(math.dist(xy, ends.starts[i]), math.dist(xy, ends.ends[i])) <= SAME_MM


def _line_line(a: list[float], b: list[float], c: list[float], d: list[float]) -> list[tuple[float, float]]:
    ux, uy, vx, vy = b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]
    cross = ux * vy - uy * vx
    if abs(cross) <= 1e-12 * math.hypot(ux, uy) * math.hypot(vx, vy):
        return []
    t = ((c[0] - a[0]) * vy - (c[1] - a[1]) * vx) / cross
    return [(a[0] + t * ux, a[1] + t * uy)]


def _line_circle(a: list[float], b: list[float], centre: list[float], radius: float) -> list[tuple[float, float]]:
    ux, uy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(ux, uy)
    if length == 0.0:
        return []
    ux, uy = ux / length, uy / length
    along = (centre[0] - a[0]) * ux + (centre[1] - a[1]) * uy
    aside = (centre[0] - a[0]) * uy - (centre[1] - a[1]) * ux
    half = _half_chord(radius, abs(aside))
    return [(a[0] + (along + sign * half) * ux, a[1] + (along + sign * half) * uy) for sign in _signs(half)]


def _circle_circle(one: list[float], r: float, other: list[float], s: float) -> list[tuple[float, float]]:
    if r > s:  # seen from the smaller one: half a chord of a nearly straight arc would lose its digits
        one, r, other, s = other, s, one, r
    dx, dy = other[0] - one[0], other[1] - one[1]
    apart = math.hypot(dx, dy)
    if apart <= SAME_MM:
        return []
    ux, uy = dx / apart, dy / apart
    # (r - s)(r + s) keeps the digits that r^2 - s^2 loses for large radii
    along = (apart + (r - s) * (r + s) / apart) / 2.0
    half = _half_chord(r, abs(along))
    return [(one[0] + along * ux - sign * half * uy, one[1] + along * uy + sign * half * ux) for sign in _signs(half)]


def _half_chord(radius: float, aside: float) -> float:
    """Return half the chord at a distance from the centre; 0 when it only touches, NaN when it passes by."""
    square = (radius - aside) * (radius + aside)
    if square >= 0.0:
        return math.sqrt(square)
    return 0.0 if aside - radius <= SAME_MM else math.nan


def _signs(half: float) -> tuple[float, ...]:
    if math.isnan(half):
        return ()
    return (0.0,) if half == 0.0 else (-1.0, 1.0)


def winding(points_mm: FloatArray, path: ArcPath) -> IntArray:
    """Return how often a closed path runs round each of the points (N, 2), counter-clockwise positive.

    The angles under which the chords are seen, and a whole turn for each arc that passes a point on the far side.

    Raises:
        ValueError: the path is open.
    """
    if not path.closed:
        raise ValueError("an open path encloses nothing")
    starts, ends, bulge = segments(path)
    first, last = starts - points_mm[:, None, :], ends - points_mm[:, None, :]
    cross = first[..., 0] * last[..., 1] - first[..., 1] * last[..., 0]
    ahead = (first * last).sum(axis=2)
    # A place on a chord sees its arc turn by half a turn to the arc's own side.
    on_chord = (cross == 0.0) & (ahead < 0.0)
    turns = np.where(on_chord, np.sign(bulge) / 2.0, np.arctan2(cross, ahead) / (2.0 * np.pi))
    centre, radius = centres(path)
    arced = np.abs(bulge) >= STRAIGHT_BULGE
    safe = np.where(arced[:, None], centre, 0.0)
    in_circle = norms(points_mm[:, None, :] - safe) < np.where(arced, radius, 0.0)
    # Right of the chord seen from start to end lies what a positive arc adds.
    bulging = np.where(bulge > 0.0, cross < 0.0, cross > 0.0)
    # An arc of more than a half turn also holds what is beyond its chord within the circle.
    held = in_circle & bulging & arced
    return np.asarray(np.rint((turns + np.where(held, np.sign(bulge), 0.0)).sum(axis=1)), dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Lines and arcs on their own, each with its own ends."""

    starts: FloatArray  # (P, 2) mm
    ends: FloatArray  # (P, 2)
    bulge: FloatArray  # (P,)

    @property
    def middles(self) -> FloatArray:
        """(P, 2) the place halfway along each."""
        return point_on(self.starts, self.ends, self.bulge, np.full(len(self.bulge), 0.5))

    def only(self, wanted: BoolArray) -> Pieces:
        """Return those of the pieces for which ``wanted`` (P,) is true."""
        return Pieces(self.starts[wanted], self.ends[wanted], self.bulge[wanted])

    def and_also(self, more: Pieces) -> Pieces:
        """Return these pieces and others."""
        return Pieces(*(np.concatenate(pair) for pair in zip(self._arrays, more._arrays, strict=True)))

    @property
    def _arrays(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self.starts, self.ends, self.bulge


def split(path: ArcPath, piece: IntArray, at: FloatArray) -> Pieces:
    """Return a path's pieces in order, cut at the fractions ``at`` (C,) of the pieces ``piece`` (C,)."""
    starts, ends, bulge = segments(path)
    count = len(bulge)
    owner = np.concatenate([np.arange(count), piece])
    knot = np.concatenate([np.zeros(count), np.clip(at, 0.0, 1.0)])
    order = np.lexsort([knot, owner])
    owner, knot = owner[order], knot[order]
    cut = order >= count  # the first of each piece begins where the piece does, to the last digit
    xy = np.where(cut[:, None], point_on(starts[owner], ends[owner], bulge[owner], knot), starts[owner])
    last = np.append(owner[1:] != owner[:-1], True)
    after = np.where(last[:, None], ends[owner], np.roll(xy, -1, axis=0))
    share = np.tan(np.arctan(bulge[owner]) * (np.where(last, 1.0, np.roll(knot, -1)) - knot))
    long = (norms(after - xy) > SAME_MM) | (np.abs(share) > 1.0)
    return Pieces(xy[long], after[long], share[long])


def joined(parts: Pieces, tolerance_mm: float = 20.0 * SAME_MM) -> list[ArcPath]:
    """Return the closed paths that pieces make, each going on where the last one ended; loose ends are left out.

    Where several go on from one place the longest does: the others are loops of rounding, which close on themselves.
    """
    lengths = norms(parts.ends - parts.starts) * np.maximum(1.0, np.abs(parts.bulge))
    after = _following(parts, tolerance_mm)
    free = np.ones(len(lengths), dtype=bool)
    loops = []
    for first in np.argsort(-lengths, kind="stable").tolist():
        chain = _chain(first, after, free, lengths) if free[first] else []
        if chain:
            loops.append(ArcPath(frozen_floats(parts.starts[chain]), frozen_floats(parts.bulge[chain]), True))
    return loops


def _following(parts: Pieces, tolerance_mm: float) -> list[list[int]]:
    """Return for each piece those that begin where it ends, by places sorted along x."""
    order = np.argsort(parts.starts[:, 0], kind="stable")
    x = parts.starts[order, 0]
    low = np.searchsorted(x, parts.ends[:, 0] - tolerance_mm, side="left")
    high = np.searchsorted(x, parts.ends[:, 0] + tolerance_mm, side="right")
    found = []
    for end, first, last in zip(parts.ends, low.tolist(), high.tolist(), strict=True):
        near = order[first:last]
        found.append(near[norms(parts.starts[near] - end) <= tolerance_mm].tolist())
    return found


def _chain(first: int, after: Sequence[list[int]], free: BoolArray, lengths: FloatArray) -> list[int]:
    """Return the pieces from one on until they come back to it, taken from the free ones; none where they do not."""
    chain = [first]
    free[first] = False
    while first not in after[chain[-1]]:
        follow = max((k for k in after[chain[-1]] if free[k]), key=lambda k: float(lengths[k]), default=None)
        if follow is None:
            return []
        free[follow] = False
        chain.append(follow)
    return chain

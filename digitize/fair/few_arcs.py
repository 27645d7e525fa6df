"""The fewest arcs and lines that meet tangentially and stay within a tolerance of a curve.

One arc, free at both ends, leaves k' h^3 / 192 of a length h along which the curvature changes by k' h; arcs that also
have to meet tangentially leave k' h^3 / 124.7 (the spline of least norm that goes on evenly, a Bernoulli monospline),
1.155 times as many. To come near it the joints must lie off the curve, wherever they do best (Maier, Computer Aided
Geometric Design 31 (2014) 211; with joints at given points: Drysdale, Rote and Sturm, Computational Geometry 41 (2008)
31). Here the curve is cut into pieces that one arc each follows equally well, and :mod:`chain_fit` then moves all
joints and curvatures together; the number is the smallest for which that keeps within the tolerance.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.frames import FloatArray, frozen_floats
from digitize import arcs
from digitize.curve import arc_length, feet, resample
from digitize.fair.biarcs import Run, arcs_of
from digitize.fair.chain import Chain
from digitize.fair.chain_fit import Straight, Stretch, first_chain, fitted
from digitize.fair.cuts import (
    all_cuts,
    between_lines,
    even_cuts,
    halved_cuts,
    held,
    in_two,
    knots_of,
    long_arcs,
    opened_on_line,
    parts_between,
    straight_runs,
)
from digitize.shapes import ArcPath, FairOutline, FewArcs

TOLERANCE_MM = 0.05
# The points that are followed, and what is left of the tolerance for what lies between them.
STEP_MM, BETWEEN_MM = 0.5, 0.001
# Looked for within all of the tolerance, then within less, should what lies between the points followed be too far off.
TRIES = (1.0, 0.9)
# No more pieces than this many times those that a first look needs are tried before the stretch is cut in two; of few
# pieces, before biarcs stand in.
MOST_TIMES, MOST_TIMES_OF_FEW, MANY = 1.25, 1.6, 12
# Where a number of pieces does not do, a part of it more is tried next, then fewer again.
STRIDE = 20
# More arcs than this are not looked for at once, and stretches of fewer than the second are not cut in two for it: a
# chain that is held in one place, with the curve's own direction there, needs one more at most.
MOST_AT_ONCE, LEAST_TO_CUT = 24, 3
# Up to so many pieces, two fewer are tried where one fewer does not do.
FEW = 8
# At last one fewer is begun anew from so many places of the joints, each piece longer or shorter by about this part.
# On the centerline a piece is half of one with its mirror image, and does best at about half a length, or at a whole.
BEGINNINGS, UNLIKE, HALF = 12, 0.15, (0.3, 1.0)
# What is left between a straight run and the end of the curve, if less than this, is part of it.
END_REST_MM = 3.0
# Turns of less than this are none; a piece at a time that turns where the curve does not is made straight, so often.
LEAST_TURN_RAD, FLATTENINGS = np.radians(0.01), 4
SHARPEST_REACH_MM = 8.0


def _to_the_ends(xy: FloatArray, runs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the straight runs, the first and last going right to the curve's ends where hardly anything is left."""
    last, near = len(xy) - 1, round(END_REST_MM / STEP_MM)
    return [(0 if a <= near else a, last if b >= last - near else b) for a, b in runs]


def _line_of(stretch: Stretch, first: int, last: int) -> Straight:
    """Return the line of a straight run: through a corner that it starts or ends in, square where it must be."""
    xy, final = stretch.xy[first : last + 1], len(stretch.xy) - 1
    at = xy.mean(axis=0)
    _, vectors = np.linalg.eigh((xy - at).T @ (xy - at))
    along = vectors[:, 1] * np.sign(vectors[:, 1] @ (xy[-1] - xy[0]))
    ends = ((0, stretch.start), (final, stretch.end))
    held = [stretch.xy[k] for k, kind in ends if k in (first, last) and kind == "corner"]
    if (first == 0 and stretch.start == "square") or (last == final and stretch.end == "square"):
        along = np.array([np.sign(along[0]), 0.0])
        at = held[0] if held else at
    elif held:
        at = held[0]
        along = (held[-1] - at) if len(held) == 2 else (xy[-1] + xy[0] - 2.0 * at)
        along = along / np.hypot(*along) * np.sign(along @ (xy[-1] - xy[0]))
    return Straight(float(stretch.place[first]), float(stretch.place[last]), at, along)


# --- a run, and the whole outline ------------------------------------------------------


def stretch_of(xy: FloatArray, start: str, end: str) -> Stretch:
    """Return a smooth run, its points evenly spaced, its straight runs found."""
    even = resample(xy, STEP_MM, closed=False)
    place = arc_length(even, closed=False)
    tangent = CubicSpline(place, even)(place, 1)
    heading = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
    bare = Stretch(even, place, heading, start, end)
    runs = tuple(_line_of(bare, a, b) for a, b in _to_the_ends(even, straight_runs(even)))
    return Stretch(even, place, heading, start, end, runs)


def fewest(stretch: Stretch, tolerance_mm: float) -> Chain | None:
    """Return the chain of the fewest pieces found within the tolerance, None where none was."""
    inner = tolerance_mm - min(BETWEEN_MM, tolerance_mm / 10.0)
    look = all_cuts(stretch, inner, len(stretch.xy))
    count = sum(len(c) - 1 for c in look or [])
    times = MOST_TIMES if count >= MANY else MOST_TIMES_OF_FEW
    least, most = count, max(int(times * count), count + 3)
    done = _with(stretch, count, inner)
    while done is None and count < most:
        least, count = count + 1, count + max(1, round(count / STRIDE))
        done = _with(stretch, count, inner)
    # where an even half wants an odd number, one fewer may do worse than two fewer
    even = "square" in (stretch.start, stretch.end)
    floor = 0 if count == least else least - (3 if even else 1)
    misses, allowed = 0, (2 if even or count <= FEW else 1)
    while done is not None and count > floor and misses < allowed:
        count -= 1
        fewer = _with(stretch, count, inner) or _with_one_less(stretch, done, count, inner)
        misses = misses + 1 if fewer is None else 0
        done = fewer or done
    while done is not None and (fewer := _begun_anew(stretch, done, inner)) is not None:
        done = fewer
    return done


def _with(stretch: Stretch, count: int, inner: float) -> Chain | None:
    """Return a chain with ``count`` pieces besides the straight runs, None where none keeps within."""
    if count + len(stretch.straights) == 0:
        return None
    for cut in (even_cuts, halved_cuts) if "square" in (stretch.start, stretch.end) else (even_cuts,):
        parts = cut(stretch, count, inner) if parts_between(stretch) else []
        chain = _from_cuts(stretch, parts, inner) if parts is not None else None
        if chain is not None:
            return chain
    return None


def _with_one_less(stretch: Stretch, chain: Chain, count: int, inner: float) -> Chain | None:
    """Return a chain of ``count`` pieces begun as a longer one: its joints drawn together, or two pieces as one."""
    if stretch.straights or count < 2 or len(chain.length) != count + 1:
        return None
    ends = np.append(0.0, np.cumsum(chain.length)) * (len(stretch.xy) - 1) / chain.length.sum()
    step, pair = np.abs(np.diff(chain.curvature)), chain.length[1:] + chain.length[:-1]
    drawn = np.interp(np.linspace(0.0, count + 1.0, count + 1), np.arange(count + 2.0), ends)
    for places in (drawn, np.delete(ends, 1 + int(np.argmin(step * pair**2)))):
        found = _from_cuts(stretch, [np.rint(places).astype(int).tolist()], inner)
        if found is not None:
            return found
    return None


def _begun_anew(stretch: Stretch, chain: Chain, inner: float) -> Chain | None:
    """Return a chain of one piece fewer from the first of several beginnings, always the same, that leads to one.

    What is minimised has many minima, so that where the joints begin decides which is found.
    """
    count = len(chain.length) - 1
    if stretch.straights or count < LEAST_TO_CUT:
        return None
    last, chance = len(stretch.xy) - 1, np.random.default_rng(count)
    ends = np.append(0.0, np.cumsum(chain.length)) * last / chain.length.sum()
    even = np.diff(np.interp(np.linspace(0.0, count + 1.0, count + 1), np.arange(count + 2.0), ends))
    for _ in range(BEGINNINGS):
        pieces = even * np.exp(chance.normal(0.0, UNLIKE, count))
        for k, kind in ((0, stretch.start), (-1, stretch.end)):
            pieces[k] *= chance.uniform(*HALF) if kind == "square" else 1.0
        places = np.append(0.0, np.cumsum(pieces))
        places = np.rint(places * last / places[-1]).astype(int)
        found = _from_cuts(stretch, [places.tolist()], inner) if (np.diff(places) > 1).all() else None
        if found is not None:
            return found
    return None


def _from_cuts(stretch: Stretch, parts: list[list[int]], inner: float) -> Chain | None:
    """Return the chain that begins as the pieces between cuts, None where it does not keep within."""
    knots, straight = knots_of(stretch, parts)
    for _ in range(FLATTENINGS):
        try:
            chain = fitted(stretch, first_chain(stretch, knots, straight), straight, inner)
        except np.linalg.LinAlgError:
            return None
        if chain is None or _lobes(chain.headings) <= _lobes(stretch.heading):
            return chain
        stretch = replace(stretch, flat=(*stretch.flat, _weakest(chain)))
    return None


def _lobes(heading: FloatArray) -> int:
    """Return how many times a direction turns, left or right; less than a hundredth of a degree is no turn."""
    count, sense, extreme = 0, 0.0, float(heading[0])
    for value in heading[1:]:
        step = float(value) - extreme
        if abs(step) > LEAST_TURN_RAD and np.sign(step) != sense:
            count, sense = count + 1, float(np.sign(step))
        if np.sign(step) == sense:
            extreme = float(value)
    return count


def _weakest(chain: Chain) -> int:
    """Return the piece that turns least among those between two that turn the other way."""
    turn = chain.curvature * chain.length
    wrong = [k for k in range(1, len(turn) - 1) if turn[k] * turn[k - 1] < 0 and turn[k] * turn[k + 1] < 0]
    return min(wrong or range(len(turn)), key=lambda k: abs(turn[k]) if turn[k] else np.inf)


def _path_of(chain: Chain) -> tuple[FloatArray, FloatArray]:
    """Return a chain's vertices (P + 1, 2) and bulges (P,)."""
    return chain.joints, np.tan(chain.curvature * chain.length / 4.0)


def _pieces(xy: FloatArray, start: str, end: str, tolerance_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return the vertices and bulges of a run; a loop's last vertex is its first, and not repeated."""
    stretch = stretch_of(xy, start, end)
    opened = opened_on_line(stretch) if start == "loop" and stretch.straights else stretch
    vertices, bulge = np.zeros((0, 2)), np.zeros(0)
    for part in between_lines(opened):
        more, bends = _part(part, tolerance_mm)
        # cut in the middle of a straight run: its two halves are one line
        vertices = np.vstack([vertices[:-1], more[1:]]) if len(vertices) else more
        bulge = np.concatenate([bulge, bends[1:]]) if len(bulge) else bends
    if start != "loop":
        return vertices, bulge
    return (vertices[:-1], bulge) if opened is stretch else (vertices[1:-1], bulge[1:])


def _part(stretch: Stretch, tolerance_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return the vertices and bulges of a stretch: of one chain, else of one for each half, else biarcs."""
    pieces = long_arcs(stretch, tolerance_mm)
    chain = fewest(stretch, tolerance_mm) if len(pieces) <= MOST_AT_ONCE else None
    if chain is None and len(pieces) >= LEAST_TO_CUT:
        opened = held(stretch, pieces) if stretch.start == "loop" else stretch
        pieces = long_arcs(opened, tolerance_mm)
        (before, bends), (after, more) = (_part(half, tolerance_mm) for half in in_two(opened, pieces))
        return np.vstack([before, after[1:]]), np.concatenate([bends, more])
    if chain is None:
        return _by_biarcs(stretch, tolerance_mm - BETWEEN_MM)
    vertices, bulge = _path_of(chain)
    fixed = ("corner", "held")
    ends = [stretch.xy[k] if kind in fixed else vertices[k] for k, kind in ((0, stretch.start), (-1, stretch.end))]
    return np.vstack([ends[:1], vertices[1:-1], ends[1:]]), bulge


def _by_biarcs(stretch: Stretch, within_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return vertices and bulges of a run by biarcs between its straight runs: more pieces, but found at any rate."""
    along = stretch.heading_at(stretch.place)
    tangent, xy = np.column_stack([np.cos(along), np.sin(along)]), stretch.xy.copy()
    for at, kind in ((0, stretch.start), (-1, stretch.end)):
        tangent[at] = (np.sign(tangent[at, 0]), 0.0) if kind == "square" else tangent[at]
    if stretch.start == "loop":
        tangent[-1] = tangent[0]
    for run in stretch.straights:
        for k in np.searchsorted(stretch.place, (run.low, run.high)):
            xy[k] = run.at + ((xy[k] - run.at) @ run.along) * run.along
            tangent[k] = run.along
    ends = np.searchsorted(stretch.place, [run.high for run in stretch.straights])
    parts = {a: (b, arcs_of(Run(xy[a : b + 1], tangent[a : b + 1]), within_mm)) for a, b in parts_between(stretch)}
    vertices, at = [xy[0]], 0
    bulge: list[float] = []
    while at < len(xy) - 1:
        if at in parts:
            at, (more, bends) = parts[at]
            vertices, bulge = [*vertices, *more[1:]], [*bulge, *bends]
        else:
            at = next(int(k) for k in ends if k > at)
            vertices, bulge = [*vertices, xy[at]], [*bulge, 0.0]
    return np.array(vertices), np.array(bulge)


def cut_points(fair: FairOutline) -> list[int]:
    """Return the points that are the outline's corners, in order."""
    xy = fair.points.xy
    return sorted({int(np.argmin(np.hypot(*(xy - np.array(row[:2])).T))) for row in fair.corners})


def _even_path(fair: FairOutline, tolerance_mm: float) -> ArcPath:
    """Return the few arcs of an exactly even outline: those of its right half and their mirror images."""
    half = len(fair.points) // 2
    cuts = [c for c in cut_points(fair) if 0 < c < half]
    on_axis = {c for c in cut_points(fair) if c in (0, half)}
    stops = [0, *cuts, half]
    kinds = ["corner" if c in {*cuts, *on_axis} else "square" for c in stops]
    parts = [
        _pieces(fair.points.xy[a : b + 1], kinds[k], kinds[k + 1], tolerance_mm)
        for k, (a, b) in enumerate(itertools.pairwise(stops))
    ]
    xy = np.vstack([p[:-1] for p, _ in parts] + [parts[-1][0][-1:]])
    xy[[0, -1], 0] = 0.0
    bulge = np.concatenate([b for _, b in parts])
    whole = np.vstack([xy, (xy * (-1.0, 1.0))[-2:0:-1]])
    both = np.concatenate([bulge, bulge[::-1]])
    if len(bulge) > 1:
        whole, both = _through_axis(whole, both, len(bulge), kinds[-1] == "square")
        whole, both = _through_axis(whole, both, 0, kinds[0] == "square")
    return ArcPath(frozen_floats(whole), frozen_floats(both), True)


def _through_axis(xy: FloatArray, bulge: FloatArray, at: int, smooth: bool) -> tuple[FloatArray, FloatArray]:
    """Return a closed path without the vertex on the centerline between two halves of one arc."""
    if not smooth:
        return xy, bulge
    bulge = bulge.copy()
    bulge[at - 1] = np.tan(2.0 * np.arctan(bulge[at - 1]))
    return np.delete(xy, at, axis=0), np.delete(bulge, at)


def _uneven_path(fair: FairOutline, tolerance_mm: float) -> ArcPath:
    xy, cuts = fair.points.xy, cut_points(fair)
    if not cuts:
        # A loop is begun where it bends most: never within a straight run.
        ring = np.roll(xy, -sharpest(xy), axis=0)
        vertices, bulge = _pieces(np.vstack([ring, ring[:1]]), "loop", "loop", tolerance_mm)
        return ArcPath(frozen_floats(vertices), frozen_floats(bulge), True)
    ring = np.vstack([xy, xy])
    parts = [
        _pieces(ring[a : b + 1], "corner", "corner", tolerance_mm)
        for a, b in zip(cuts, [*cuts[1:], cuts[0] + len(xy)], strict=True)
    ]
    vertices = np.vstack([p[:-1] for p, _ in parts])
    return ArcPath(frozen_floats(vertices), frozen_floats(np.concatenate([b for _, b in parts])), True)


def sharpest(xy: FloatArray) -> int:
    """Return the point where a closed curve bends most."""
    reach = max(round(SHARPEST_REACH_MM * len(xy) / arc_length(xy, closed=True)[-1]), 1)
    ahead, back = np.roll(xy, -reach, axis=0) - xy, xy - np.roll(xy, reach, axis=0)
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return int(np.argmax(np.abs(np.arctan2(cross, np.einsum("ij,ij->i", back, ahead)))))


def few_arcs(fair: FairOutline, tolerance_mm: float = TOLERANCE_MM) -> FewArcs:
    """Return the outline in as few arcs and lines as the tolerance lets it be.

    Args:
        fair: the smooth outline, body frame. Its corners stay corners, its straight runs are one line each, exactly
            where they are, and an even outline stays even and square to the centerline.
        tolerance_mm: how far the arcs may lie from the smooth outline.
    """
    for part in TRIES:
        path = (_even_path if fair.symmetric else _uneven_path)(fair, part * tolerance_mm)
        deviation = _deviation(path, fair.points.xy)
        if deviation <= tolerance_mm:
            return FewArcs(path, tolerance_mm, deviation)
    return FewArcs(fair.path, tolerance_mm, fair.path_deviation_mm)


def _deviation(path: ArcPath, points: FloatArray) -> float:
    """Return the largest distance between path and points, both ways, mm."""
    there = arcs.distances(path, points).max()
    back = feet(arcs.sampled(path, STEP_MM), points, closed=True).distance.max()
    return float(max(there, back))

"""Where a curve is cut into pieces that one arc each follows equally well, and where it is straight."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from calibration.frames import FloatArray, IntArray
from digitize.fair import equal_pieces
from digitize.fair.chain_fit import Straight, Stretch
from digitize.fair.equal_pieces import Measure

# Pieces are cut so that one arc each lies equally far off, to this part.
HALVINGS, ALIKE = 18, 0.04
# A straight run keeps this near a line over at least this length ...
STRAIGHT_MM, STRAIGHT_LEAST_MM = 0.012, 12.0
# ... and, where so many times that is allowed, grows by less than an inflection (1.59 times) or a flat bend (2) would.
STRAIGHT_AGAIN, STRAIGHT_GROWS = 4.0, 1.4


# --- cutting into pieces that one arc follows ------------------------------------------


def _circle_off(xy: FloatArray) -> float:
    """Return how far points lie from their least-squares circle or line, at most, mm."""
    if len(xy) < 4:
        return 0.0
    q = xy - xy.mean(axis=0)
    size = float(np.sqrt(np.mean(q**2)))
    q = q / size
    square = np.einsum("ij,ij->i", q, q)
    design = np.column_stack([square, q, np.ones(len(q))])
    _, vectors = np.linalg.eigh(design.T @ design)
    a, b, c, d = vectors[:, 0]
    value = design @ vectors[:, 0]
    slope = max(b * b + c * c - 4.0 * a * d, 1e-30)
    off = 2.0 * value / (np.sqrt(slope) + np.sqrt(np.maximum(slope + 4.0 * a * value, 0.0)))
    return float(np.abs(off).max()) * size


def _line_off(xy: FloatArray) -> float:
    """Return how far points lie from their least-squares line, at most, mm."""
    q = xy - xy.mean(axis=0)
    _, vectors = np.linalg.eigh(q.T @ q)
    return float(np.abs(q @ vectors[:, 0]).max())


ARC = Measure(_circle_off, free=2)


def parts_between(stretch: Stretch) -> list[tuple[int, int]]:
    """Return the stretches (first, last point) between the straight runs, in order."""
    edges = [0]
    for run in stretch.straights:
        edges += [int(np.searchsorted(stretch.place, run.low)), int(np.searchsorted(stretch.place, run.high))]
    edges.append(len(stretch.xy) - 1)
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def all_cuts(stretch: Stretch, within_mm: float, most: int) -> list[list[int]] | None:
    """Return the cuts of every stretch between straight runs, or None where all together need more than ``most``."""
    found = []
    for a, b in parts_between(stretch):
        cuts = equal_pieces.cuts(stretch.xy[a : b + 1], within_mm, ARC, most)
        if cuts is None:
            return None
        found.append([a + c for c in cuts])
    return found if sum(len(c) - 1 for c in found) <= most else None


def even_cuts(stretch: Stretch, count: int, high_mm: float) -> list[list[int]] | None:
    """Return the cuts into at most ``count`` pieces with the least distance from one arc each."""
    best, low = all_cuts(stretch, high_mm, count), 0.0
    while best is None and high_mm < 100.0:
        low, high_mm = high_mm, 2.0 * high_mm
        best = all_cuts(stretch, high_mm, count)
    for _ in range(HALVINGS):
        middle = (low + high_mm) / 2.0
        cuts = all_cuts(stretch, middle, count)
        low, high_mm = (middle, high_mm) if cuts is None else (low, middle)
        best = cuts or best
        if high_mm - low < ALIKE * high_mm:
            break
    return best


def halved_cuts(stretch: Stretch, count: int, within_mm: float) -> list[list[int]] | None:
    """Return the cuts of an even curve's half into ``count`` pieces, those on the centerline half as long as others.

    With its mirror image such a piece is one arc. None for a stretch with straight runs, whose ends are those.
    """
    cuts = equal_pieces.cuts(stretch.xy, within_mm, ARC) if not stretch.straights and count > 2 else None
    if cuts is None or len(cuts) < 3:
        return None
    number = equal_pieces.numbers(stretch.xy, cuts, within_mm, ARC)
    first, final = (0.5 if kind == "square" else 1.0 for kind in (stretch.start, stretch.end))
    wanted = np.append(0.0, first + np.arange(count - 1.0)) * number[-1] / (count - 2.0 + first + final)
    places = np.rint(np.interp(np.append(wanted, number[-1]), number, cuts)).astype(int)
    return [places.tolist()] if (np.diff(places) > 1).all() else None


def knots_of(stretch: Stretch, parts: list[list[int]]) -> tuple[FloatArray, IntArray]:
    """Return the knots along the curve and which pieces between them are the straight runs."""
    knots = [0.0]
    straight: list[int] = []
    runs = {round(run.low, 6): run for run in stretch.straights}
    pieces = [(stretch.place[a], stretch.place[b], False) for cuts in parts for a, b in itertools.pairwise(cuts)]
    pieces += [(run.low, run.high, True) for run in runs.values()]
    for _, high, is_run in sorted(pieces):
        if is_run:
            straight.append(len(knots) - 1)
        knots.append(float(high))
    return np.array(knots), np.array(straight, dtype=np.int64)


# --- straight runs ---------------------------------------------------------------------


def _straight_from(xy: FloatArray, first: int, within_mm: float) -> int:
    last = len(xy) - 1
    high = first + 4
    while high < last and _line_off(xy[first : min(2 * high - first, last) + 1]) <= within_mm:
        high = min(2 * high - first, last)
    low, high = high, min(2 * high - first, last)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _line_off(xy[first : middle + 1]) <= within_mm else (low, middle)
    return low if _line_off(xy[first : high + 1]) > within_mm else high


def _grown(xy: FloatArray, first: int, last: int, within_mm: float) -> int:
    """Return by how many points more a straight run reaches where ``within_mm`` is allowed."""
    upper = _straight_from(xy, first, within_mm)
    lower = len(xy) - 1 - _straight_from(xy[::-1], len(xy) - 1 - last, within_mm)
    return max(upper - last, 0) + max(first - lower, 0)


def straight_runs(xy: FloatArray) -> list[tuple[int, int]]:
    """Return the straight runs (first, last point) of an open curve whose points lie evenly, in order."""
    step = float(np.hypot(*(xy[1:] - xy[:-1]).T).mean())
    least = max(int(np.ceil(STRAIGHT_LEAST_MM / step)), 6)
    found: list[tuple[int, int]] = []
    first = 0
    while first + least < len(xy):
        if _line_off(xy[first : first + least + 1]) > STRAIGHT_MM:
            first += max(least // 6, 1)
            continue
        back = _straight_from(xy[::-1], len(xy) - 1 - (first + least), STRAIGHT_MM)
        start = max(len(xy) - 1 - back, found[-1][1] if found else 0)
        last = _straight_from(xy, start, STRAIGHT_MM)
        grows = _grown(xy, start, last, STRAIGHT_AGAIN * STRAIGHT_MM) / max(last - start, 1)
        if last - start >= least and 1.0 + grows < STRAIGHT_GROWS:
            found.append((start, last))
        first = max(last, first + 1)
    return found


# --- cutting at straight runs ----------------------------------------------------------


def between_lines(stretch: Stretch) -> list[Stretch]:
    """Return the stretch cut in the middle of each straight run within it.

    A straight run stays where it is, so that what lies on either side of it has nothing to do with the other.
    """
    last = len(stretch.xy) - 1
    inner = [run for run in stretch.straights if run.low > stretch.place[0] and run.high < stretch.place[-1]]
    cuts = [0, *(int(np.searchsorted(stretch.place, (run.low + run.high) / 2.0)) for run in inner), last]
    kinds = [stretch.start, *["corner"] * len(inner), stretch.end]
    places = [stretch.xy[0], *(_on_line(run, stretch.xy[k]) for run, k in zip(inner, cuts[1:-1], strict=True))]
    places.append(stretch.xy[-1])
    parts = []
    for k, (a, b) in enumerate(itertools.pairwise(cuts)):
        part = _cut_out(stretch, a, b, kinds[k], kinds[k + 1])
        xy = part.xy.copy()
        xy[0], xy[-1] = places[k], places[k + 1]
        parts.append(replace(part, xy=xy))
    return parts


def _cut_out(stretch: Stretch, first: int, last: int, start: str, end: str) -> Stretch:
    """Return the part of a stretch from one point to another."""
    low, high = stretch.place[first], stretch.place[last]
    runs = tuple(
        replace(run, low=max(run.low, low) - low, high=min(run.high, high) - low)
        for run in stretch.straights
        if run.high > low and run.low < high
    )
    here = slice(first, last + 1)
    return Stretch(stretch.xy[here], stretch.place[here] - low, stretch.heading[here], start, end, runs)


def long_arcs(stretch: Stretch, within_mm: float) -> list[tuple[int, int]]:
    """Return the pieces (first, last point) that single arcs within ``within_mm`` follow, straight runs left out."""
    every = all_cuts(stretch, within_mm, len(stretch.xy)) or []
    return [pair for cuts in every for pair in itertools.pairwise(cuts)]


def _longest_middle(pieces: list[tuple[int, int]]) -> int:
    first, last = max(pieces, key=lambda piece: piece[1] - piece[0])
    return (first + last) // 2


def in_two(stretch: Stretch, pieces: list[tuple[int, int]]) -> tuple[Stretch, Stretch]:
    """Return an open stretch cut in the middle of the longest of its arcs that lie about half-way along it."""
    third = len(pieces) // 3
    middle = _longest_middle(pieces[third : len(pieces) - third])
    first = _cut_out(stretch, 0, middle, stretch.start, "held")
    return first, _cut_out(stretch, middle, len(stretch.xy) - 1, "held", stretch.end)


def held(loop: Stretch, pieces: list[tuple[int, int]]) -> Stretch:
    """Return a closed stretch without straight runs so that it begins and ends in the middle of its longest arc."""
    k = _longest_middle(pieces)
    order, heading, place = _rolled(loop, k)
    return Stretch(loop.xy[order], place, heading, "held", "held")


def _rolled(loop: Stretch, k: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return which points a closed stretch has from its k-th on, the headings and the places there."""
    count, whole = len(loop.xy) - 1, loop.place[-1]
    order = (np.arange(count + 1) + k) % count
    again = np.arange(count + 1) + k >= count
    turn = 2.0 * np.pi * np.round((loop.heading[-1] - loop.heading[0]) / (2.0 * np.pi))
    heading = loop.heading[order] + again * turn
    return order, heading, loop.place[order] + again * whole - loop.place[k]


def _on_line(run: Straight, at: FloatArray) -> FloatArray:
    return np.asarray(run.at + ((at - run.at) @ run.along) * run.along)


def opened_on_line(loop: Stretch) -> Stretch:
    """Return a closed stretch so that it begins and ends in the middle of its longest straight run."""
    run = max(loop.straights, key=lambda one: one.high - one.low)
    k, whole = int(np.searchsorted(loop.place, (run.low + run.high) / 2.0)), loop.place[-1]
    order, heading, place = _rolled(loop, k)
    xy, shift = loop.xy[order].copy(), loop.place[k]
    xy[0] = xy[-1] = _on_line(run, loop.xy[k])
    runs = [replace(run, low=0.0, high=run.high - shift), replace(run, low=run.low - shift + whole, high=whole)]
    for one in loop.straights:
        if one is not run:
            low = (one.low - shift) % whole
            runs.append(replace(one, low=low, high=low + one.high - one.low))
    return Stretch(xy, place, heading, "corner", "corner", tuple(sorted(runs, key=lambda one: one.low)))

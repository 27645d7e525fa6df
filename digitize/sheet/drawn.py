"""Straight drawn lines of the sheet at full resolution: borders, centerline, dimension lines, title box.

Chains of edges on the reduced picture say where thin dark lines may run; on one straight line they are one
candidate, dashed or crossed though it may be. At full resolution the middle of its ink is measured every so far
along, and what is no even thin dark line on paper there is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.chains import Joined
from digitize.sheet.lens import Lens
from digitize.sheet.profile import Course, Grey, across, follow, straight_course

# Chains that lie so near one line are of it, and no gap along it is longer than this part of what it joins.
SAME_LINE_PX = 3.0  # of the reduced picture
MOST_GAP_PART = 0.35
LEAST_GAP_PX = 120.0  # of the picture itself
# Both flanks of a line are as long as this part of it, each.
BOTH_FLANKS = 0.3
# A line is at least this part of the picture's diagonal long.
LEAST_OF_DIAGONAL = 0.09
# How far about the course it is looked at, and where the ink's middle may be, first and then; paper lies beyond
# this from it.
LOOKS_PX = ((12.0, 6.0), (9.0, 2.5), (9.0, 2.5))
PAPER_FROM_PX = 5.5
# Ink is darker than its paper by so many grey levels, and this part of the line's usual; alike on both sides.
LEAST_DARK, PART_OF_USUAL = 10.0, 0.5
MOST_UNEVEN = 0.35
# Widths of a line are alike within this part.
WIDTH_ALIKE = 0.45
MOST_WIDE_PX = 9.0
LEAST_PLACES = 10
LEAST_FOUND = 0.35
LEAST_SIGMA_PX = 0.05
CUBIC_FROM = 24  # stations, from which on a line may turn over against the rough lens


@dataclass(frozen=True, eq=False)
class DrawnLine:
    """What was measured along one candidate."""

    places: FloatArray  # (N, 2) px, in order
    sigma_px: FloatArray  # (N,) across it
    length_px: float


@dataclass(frozen=True, eq=False)
class Candidate:
    """A stretch of a straight line of the straightened picture, full-resolution px."""

    start: FloatArray  # (2,)
    end: FloatArray

    @property
    def length_px(self) -> float:
        """Distance of its ends."""
        return float(np.hypot(*(self.end - self.start)))


def line_candidates(chains: Sequence[FloatArray], factor: int, diagonal_px: float) -> list[Candidate]:
    """Return stretches that may be straight drawn lines, the longest first.

    Args:
        chains: places (N, 2) of each on the reduced picture, straightened; both flanks of a line.
        factor: of the reduction.
        diagonal_px: of the full picture.
    """
    joined = Joined.of(chains)
    free = np.ones(len(chains), dtype=np.bool_)
    found = []
    for first in joined.longest_first():
        if free[first]:
            found += _stretches(joined, first, free, factor)
    shift = (factor - 1) / 2
    full = [Candidate(c.start * factor + shift, c.end * factor + shift) for c in found]
    kept = [c for c in full if c.length_px >= LEAST_OF_DIAGONAL * diagonal_px]
    return sorted(kept, key=lambda c: -c.length_px)


def _stretches(joined: Joined, first: int, free: BoolArray, factor: int) -> list[Candidate]:
    """Return the stretches of the line of the first chain, and take their chains; gaps part them."""
    group, middle, along = joined.on_one_line(first, free, SAME_LINE_PX, 3)
    free[group] = False
    runs: list[list[tuple[float, float, float]]] = []
    reach = -np.inf
    for span in sorted(_span(joined.chains[k], middle, along) for k in group):
        room = max(LEAST_GAP_PX / factor, MOST_GAP_PART * (reach - runs[-1][0][0])) if runs else 0.0
        if not runs or span[0] - reach > room:
            runs.append([])
            reach = -np.inf
        runs[-1].append(span)
        reach = max(reach, span[1])
    return [c for run in runs if (c := _stretch(run, middle, along)) is not None]


def _span(chain: FloatArray, middle: FloatArray, along: FloatArray) -> tuple[float, float, float]:
    """Return where a chain begins and ends along the line, and its direction, +1 or -1."""
    first, last = float((chain[0] - middle) @ along), float((chain[-1] - middle) @ along)
    return min(first, last), max(first, last), 1.0 if last > first else -1.0


def _stretch(spans: Sequence[tuple[float, float, float]], middle: FloatArray, along: FloatArray) -> Candidate | None:
    """Return a run of chains as a candidate when both flanks of a thin line are in it."""
    low, high = min(s[0] for s in spans), max(s[1] for s in spans)
    flanks = [sum(s[1] - s[0] for s in spans if s[2] == way) for way in (1.0, -1.0)]
    if min(flanks) < BOTH_FLANKS * (high - low) * 0.5:
        return None
    return Candidate(middle + low * along, middle + high * along)


def measure_line(grey: Grey, lens: Lens, candidate: Candidate) -> DrawnLine | None:
    """Return the middle of a candidate's ink, or None when there is no even thin dark line.

    Args:
        grey: the picture.
        lens: roughly its lens.
        candidate: where the line runs in the straightened picture.
    """
    course = straight_course(lens, candidate.start, candidate.end, grey.shape)
    if course is None:
        return None
    looks = [
        lambda centre, reach=reach, near=near: _middles(grey, course, centre, reach, near) for reach, near in LOOKS_PX
    ]
    followed = follow(course, looks, 3 if len(course.places) > CUBIC_FROM else 2)
    if followed is None:
        return None
    found, smooth = followed
    used = smooth.used
    if used.sum() < max(LEAST_PLACES, LEAST_FOUND * len(used)):
        return None
    places = course.moved(np.where(used, found, 0.0))[used]
    scatter = np.full(int(used.sum()), max(smooth.sigma_px, LEAST_SIGMA_PX))
    return DrawnLine(places, scatter, float(np.hypot(*(places[-1] - places[0]))))


def _middles(grey: Grey, course: Course, centre: FloatArray, reach_px: float, near_px: float) -> FloatArray:
    """Return (S,) the middle of the ink, h from ``centre``; nan where there is no thin dark line like the rest."""
    h, seen = across(grey, course, centre, reach_px)
    sides = [np.median(seen[:, sign * h > PAPER_FROM_PX], axis=1) for sign in (-1, 1)]
    paper = np.interp(h, [-reach_px, reach_px], [0.0, 1.0])[None] * (sides[1] - sides[0])[:, None] + sides[0][:, None]
    dark = paper - seen
    inner = np.abs(h) <= near_px
    depth = dark[:, inner].max(axis=1)
    left, right = _flanks(dark, h, inner, depth)
    width = right - left
    good = (depth > LEAST_DARK) & (np.abs(sides[1] - sides[0]) < MOST_UNEVEN * depth) & (width < MOST_WIDE_PX)
    if not good.any():
        return np.full(len(seen), np.nan)
    usual, usual_width = float(np.median(depth[good])), float(np.median(width[good]))
    good &= (depth > PART_OF_USUAL * usual) & (np.abs(width - usual_width) < WIDTH_ALIKE * usual_width)
    return np.where(good, (left + right) / 2, np.nan)


def _flanks(dark: FloatArray, h: FloatArray, inner: BoolArray, depth: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (S,) h of both flanks at half the depth, nan where a flank is not seen."""
    rows = np.arange(len(dark))
    peak = np.flatnonzero(inner)[0] + dark[:, inner].argmax(axis=1)
    half = 0.5 * depth[:, None]
    below = dark < half
    index = np.arange(len(h))
    before = np.where(below & (index[None] < peak[:, None]), index[None], -1).max(axis=1)
    after = np.where(below & (index[None] > peak[:, None]), index[None], len(h)).min(axis=1)
    seen = (before >= 0) & (after < len(h))
    before, after = np.clip(before, 0, len(h) - 2), np.clip(after, 1, len(h) - 1)
    step = h[1] - h[0]
    rise = (half[:, 0] - dark[rows, before]) / np.maximum(dark[rows, before + 1] - dark[rows, before], 1e-9)
    fall = (dark[rows, after - 1] - half[:, 0]) / np.maximum(dark[rows, after - 1] - dark[rows, after], 1e-9)
    left = np.where(seen, h[before] + step * rise, np.nan)
    right = np.where(seen, h[after - 1] + step * fall, np.nan)
    return left, right

"""The sheet's outline on a reduced, straightened picture: the up to four lines that bound it best.

Every choice of lines round a place in the picture's middle bounds a polygon together with the frame. A good one has
an edge all along its sides, paper inside and something else outside. Where things hide a side (a rule, a square), the
paper is not seen beside it, and what is missing there does not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.sides import FULL_STEP, LEAST_STEP, SideLine

Grey = npt.NDArray[np.uint8]

# Corners of a sheet as a camera sees it.
LEAST_CORNER_DEG, MOST_CORNER_DEG = 50.0, 130.0
# The sheet is at least this part of the picture.
LEAST_AREA = 0.10
MOST_SIDES = 4
# What a length of side is worth: with an edge beside paper, with an edge beside something else, with none beside
# paper, and with none beside something else.
EDGE, EDGE_HIDDEN, NO_EDGE, NO_EDGE_HIDDEN = 1.0, 0.35, -0.9, -0.05
# A side has an edge along at least this part of what can be judged, and along this part of its length in all.
LEAST_SEEN, LEAST_LENGTH = 0.65, 0.06
# Paper is first judged by what is this part of the longer side about the place, then by what is like it farther out.
NEAR_ABOUT = (0.25, 0.32, 0.39, 0.46, 0.53)
# What is not paper inside, a part of it, and what is paper outside, a part of the picture, cost as much.
NOT_PAPER_COSTS, PAPER_COSTS = 3.0, 4.0
# A choice worth less than a side seen over half of the picture is none.
LEAST_SCORE = 1.5
# The best of so many choices are looked at inside and outside.
LOOKED_AT = 60
AREA_STEP_PX = 14
# Of all lines, those with the most edge beside paper are tried together.
MOST_TRIED = 16
# What is as near to the paper's level as this surely is paper, also beside a table that is nearly as light.
SURELY_PAPER = 0.03
# Grey that leaves the paper's by this part is something else, at the least and the most.
LEAST_OTHER, MOST_OTHER = 0.025, 0.15
PAPER_ROUNDS = 4
RIDGE = 1e-7  # keeps the surface's equations solvable where a sheet is seen in a narrow band
# A thing that lies on the sheet may have a long edge too, but beyond it, these parts of the diagonal out, there is
# paper or table again: lighter than right beside the edge by this (log), and by so many times what the table varies
# by over such a distance. Then a side loses this; but where paper is so far out too, it is another sheet's.
BEYOND = (0.05, 0.08, 0.11)
FAR_BEYOND = 0.20
LIGHTER_BEYOND, TIMES_TABLE = 0.12, 2.5
THING_COSTS = 1.5
# A side may be hidden under a thing all along: then the thing's outer edge stands for it, seen along this part.
LEAST_HIDDEN = 0.6
# That outer edge lies so far out at most, parts of the diagonal, and turned by so much at most.
MOST_THING, THING_TURN_DEG = 0.14, 5.0
# Another sheet is paper-like (log grey), the table is not, and it is at least this part of the picture.
LIKE_PAPER, TABLE_DIFFERS, LEAST_SHEET = 0.08, 0.25, 0.05


@dataclass(frozen=True, eq=False)
class Bound:
    """A choice of lines, each with its normal pointing out of the sheet."""

    lines: tuple[SideLine, ...]
    hidden: tuple[bool, ...]  # the line is the edge of a thing that hides the sheet's own
    score: float
    paper: FloatArray  # (6,) of the surface of the paper's log grey
    size_px: FloatArray  # (2,) of the picture that the surface is for

    def paper_grey(self, places: FloatArray) -> FloatArray:
        """Return (N,) the grey that paper has at places (N, 2)."""
        return np.asarray(np.exp(surface(places, self.size_px) @ self.paper))


@dataclass(frozen=True, eq=False)
class _Tones:
    """The picture without what is thin, at a few places."""

    places: FloatArray  # (P, 2)
    level: FloatArray  # (P,) log of the grey
    terms: FloatArray  # (P, 6) of a smooth surface over the picture
    size: FloatArray  # (2,) width, height

    @classmethod
    def of(cls, tones: Grey, seen: BoolArray) -> _Tones:
        """Take every so many pixels that are of the picture."""
        step = AREA_STEP_PX
        y, x = np.mgrid[step // 2 : tones.shape[0] : step, step // 2 : tones.shape[1] : step]
        use = seen[y, x]
        places = np.stack([x[use], y[use]], axis=1).astype(np.float64)
        size = np.array(tones.shape[::-1], dtype=np.float64)
        level = np.log(np.maximum(tones[y, x][use], 4).astype(np.float64))
        return cls(places, level, surface(places, size), size)

    def inside(self, lines: Sequence[SideLine]) -> BoolArray:
        """Return (P,) which places lie inside of all lines."""
        return np.asarray(np.all([line.outside(self.places) < 0 for line in lines], axis=0), dtype=np.bool_)


def surface(places: FloatArray, size: FloatArray) -> FloatArray:
    """Return (P, 6) the terms of a quadratic surface at places (P, 2)."""
    x, y = ((places - size / 2) / size.max()).T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def paper_surface(level: FloatArray, terms: FloatArray) -> FloatArray:
    """Return (6,) the smooth surface of the paper's log grey; what is not paper is left out, most of it must be."""
    use: BoolArray = np.asarray(np.abs(level - np.median(level)) < 0.5)
    answer = np.zeros(6)
    for _ in range(PAPER_ROUNDS):
        if use.sum() < 40:
            break
        own = terms[use]
        answer = np.asarray(np.linalg.solve(own.T @ own + RIDGE * len(own) * np.eye(6), own.T @ level[use]))
        off = level - terms @ answer
        spread = max(1.4826 * float(np.median(np.abs(off[use]))), 0.004)
        use = np.asarray(np.abs(off) < 3 * spread)
    return np.asarray(answer)


def bound_sheet(lines: Sequence[SideLine], tones: Grey, seen: BoolArray, about: FloatArray) -> Bound | None:
    """Return the choice of lines that bounds a sheet round a place, or None when nothing does.

    Args:
        lines: candidates.
        tones: (H, W) the straightened picture without what is thin.
        seen: (H, W) where the straightened picture shows anything.
        about: (2,) a place on the sheet.
    """
    sample = _Tones.of(tones, seen)
    paper = _paper_about(sample, about)
    turned = [line if line.outside(about[None])[0] < 0 else line.flipped() for line in lines]
    lighter = max(LIGHTER_BEYOND, TIMES_TABLE * _table_varies(tones, paper))
    judged = [_judge(line, paper, tones, lighter) for line in turned]
    judged = sorted(judged, key=lambda side: -float(side.worth.clip(0).sum()))[:MOST_TRIED]
    best: Bound | None = None
    for score, choice in _by_edges(judged)[:LOOKED_AT]:
        area = _area_score([judged[k].line for k in choice], sample)
        if area is not None and score + area > (LEAST_SCORE if best is None else best.score):
            best = _bound(choice, judged, sample, score + area)
    return None if best is None else _beyond_things(best, judged)


def paper_about(tones: Grey, seen: BoolArray, about: FloatArray) -> FloatArray:
    """Return (6,) of the surface of the log grey of the paper about a place; arguments as of ``bound_sheet``."""
    return _paper_about(_Tones.of(tones, seen), about)


def _paper_about(sample: _Tones, about: FloatArray) -> FloatArray:
    """Return (6,) the paper's surface about a place, grown outwards by what is like the surface so far."""
    away = np.abs(sample.places - about).max(axis=1) / sample.size.max()
    paper = np.zeros(6)
    like = np.ones(len(away), dtype=np.bool_)
    for reach in NEAR_ABOUT:
        use = like & (away < reach)
        paper = paper_surface(sample.level[use], sample.terms[use])
        like = np.asarray(np.abs(sample.level - sample.terms @ paper) < MOST_OTHER)
    return paper


def _bound(choice: tuple[int, ...], judged: Sequence[_Judged], sample: _Tones, score: float) -> Bound:
    lines = tuple(judged[k].line for k in choice)
    inside = sample.inside(lines)
    paper = paper_surface(sample.level[inside], sample.terms[inside])
    return Bound(lines, _hidden(choice, judged), score, paper, sample.size)


@dataclass(frozen=True, eq=False)
class _Judged:
    """A line and what is seen at each of its samples (S,)."""

    line: SideLine
    worth: FloatArray
    edge: BoolArray  # an edge
    paper: BoolArray  # paper inside of it
    thing: BoolArray  # what is outside of it ends soon: it is no table


def _table_varies(tones: Grey, paper: FloatArray) -> float:
    """Return how much what is not paper varies over the least distance beyond a side, log grey."""
    step = round(BEYOND[0] * float(np.hypot(tones.shape[0], tones.shape[1])) / AREA_STEP_PX)
    y, x = np.mgrid[0 : tones.shape[0] : AREA_STEP_PX, 0 : tones.shape[1] : AREA_STEP_PX]
    places = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
    size_px = np.array(tones.shape[::-1], dtype=np.float64)
    level = np.log(np.maximum(tones[y, x], 4).astype(np.float64)) - (surface(places, size_px) @ paper).reshape(x.shape)
    other = np.abs(level) > MOST_OTHER
    varies = []
    for a, b in ((np.s_[:, step:], np.s_[:, :-step]), (np.s_[step:], np.s_[:-step])):
        both = other[a] & other[b]
        varies.append(float(np.median(np.abs(level[a] - level[b])[both])) if both.sum() > 50 else 0.0)
    return max(varies)


def _judge(line: SideLine, paper: FloatArray, tones: Grey, lighter: float) -> _Judged:
    size_px = np.array(tones.shape[::-1], dtype=np.float64)
    expected = surface(line.places, size_px) @ paper
    step = line.inner - line.outer
    strong = np.abs(step) > LEAST_STEP
    sign = np.sign(np.sum(np.clip(step[strong], -FULL_STEP, FULL_STEP))) or 1.0
    size = np.clip((sign * step - LEAST_STEP) / (FULL_STEP - LEAST_STEP), 0, 1)
    edge = size > 0
    inside = np.abs(np.log(np.maximum(line.inner, 4)) - expected) < MOST_OTHER
    worth = np.where(edge, size * np.where(inside, EDGE, EDGE_HIDDEN), np.where(inside, NO_EDGE, NO_EDGE_HIDDEN))
    # a thing's edge with paper beyond it
    outside = np.abs(np.log(np.maximum(line.outer, 4)) - expected) < SURELY_PAPER
    worth = np.where(edge & ~inside & outside, NO_EDGE, worth)
    return _Judged(line, worth, edge, inside, _thing_beside(line, tones, lighter))


def _thing_beside(line: SideLine, tones: Grey, lighter: float) -> BoolArray:
    """Return (S,) where what is right outside of a line is darker than what is farther out."""
    inner, outer = np.log(np.maximum(line.inner, 4)), np.log(np.maximum(line.outer, 4))
    thing = np.zeros(len(line.places), dtype=np.bool_)
    for part in BEYOND:
        level = _level_beyond(line, tones, part)
        thing |= (level > outer + lighter) & (level < inner + MOST_OTHER)
    another = np.abs(_level_beyond(line, tones, FAR_BEYOND) - inner) < MOST_OTHER
    return thing & ~another


def _level_beyond(line: SideLine, tones: Grey, part: float) -> FloatArray:
    """Return (S,) the log grey so far out of a line, a part of the diagonal; nan beyond the picture."""
    size_px = np.array(tones.shape[::-1])
    places = line.places + part * np.hypot(tones.shape[0], tones.shape[1]) * line.normal
    seen = ((places >= 0) & (places <= size_px - 1)).all(axis=1)
    x, y = np.clip(np.rint(places).astype(int), 0, size_px - 1).T
    return np.where(seen, np.log(np.maximum(tones[y, x], 4)), np.nan)


def _by_edges(judged: Sequence[_Judged]) -> list[tuple[float, tuple[int, ...]]]:
    """Return (score, lines) of every choice that makes a sheet's outline, the best first, by their edges alone."""
    lines = [side.line for side in judged]
    within = [[line.outside(other.places) < 0 for line in lines] for other in lines]  # [other][line]
    meets = [[_meet(a, b) for b in lines] for a in lines]
    found = []
    choices: list[tuple[int, ...]] = [(k,) for k in range(len(lines))]
    while choices:
        for choice in choices:
            score = _edge_score(choice, within, judged)
            if score is not None:
                found.append((score, choice))
        choices = [
            (*choice, k)
            for choice in choices
            if len(choice) < MOST_SIDES
            for k in range(choice[-1] + 1, len(lines))
            if all(meets[k][other] for other in choice)
        ]
    return sorted(found, reverse=True)


def _meet(a: SideLine, b: SideLine) -> bool:
    """Return whether two lines may both bound a sheet: facing each other, or meeting in a corner like a sheet's."""
    between = float(np.degrees(np.arccos(np.clip(-(a.normal @ b.normal), -1, 1))))  # the angle inside the corner
    return LEAST_CORNER_DEG < between < MOST_CORNER_DEG or between < 180 - MOST_CORNER_DEG


def _edge_score(
    choice: tuple[int, ...], within: Sequence[Sequence[BoolArray]], judged: Sequence[_Judged]
) -> float | None:
    """Return what the sides of a choice are worth, None when one of them is no edge of the sheet."""
    score = 0.0
    for k in choice:
        inside = _inside(choice, k, within, len(judged[k].worth))
        side = judged[k]
        edge, paper = side.edge[inside], side.paper[inside]
        if not (_is_edge(edge, paper) or _is_hidden(edge, paper)):
            return None
        score += float(side.worth[inside].sum()) / 100.0
        score -= THING_COSTS * (float(side.thing[inside & side.edge].mean()) > 0.5)
    return score


def _inside(choice: tuple[int, ...], k: int, within: Sequence[Sequence[BoolArray]], count: int) -> BoolArray:
    """Return (S,) the samples of line ``k`` that are a side of the choice's polygon."""
    inside = np.ones(count, dtype=np.bool_)
    for other in choice:
        if other != k:
            inside &= within[k][other]
    return inside


def _is_edge(edge: BoolArray, paper: BoolArray) -> bool:
    both = int(np.count_nonzero(edge & paper))
    return len(edge) >= 8 and both >= LEAST_SEEN * int(np.count_nonzero(paper)) and both >= LEAST_LENGTH * len(edge)


def _is_hidden(edge: BoolArray, paper: BoolArray) -> bool:
    return len(edge) >= 8 and int(np.count_nonzero(edge & ~paper)) >= LEAST_HIDDEN * len(edge)


def _hidden(choice: tuple[int, ...], judged: Sequence[_Judged]) -> tuple[bool, ...]:
    """Return for each side of a choice whether a thing's edge stands for it.

    A side is a thing's too where it steps to lighter while the others step to darker, or the other way about.
    """
    lines = [judged[k].line for k in choice]
    found, steps = [], []
    for at, k in enumerate(choice):
        side = judged[k]
        inside = np.ones(len(side.worth), dtype=np.bool_)
        for other, line in enumerate(lines):
            if other != at:
                inside &= line.outside(side.line.places) < 0
        thing = float(side.thing[inside & side.edge].mean()) > 0.5
        found.append(thing or not _is_edge(side.edge[inside], side.paper[inside]))
        steps.append(float(np.sign(np.median((side.line.inner - side.line.outer)[inside & side.edge]))))
    usual = float(np.sign(sum(steps)))
    return tuple(thing or step == -usual != 0 for thing, step in zip(found, steps, strict=True))


def _beyond_things(bound: Bound, judged: Sequence[_Judged]) -> Bound:
    """Return the bound with the inner edges of things that hide the sheet's moved out to their outer ones, or gone."""
    lines, hidden = [], []
    for k, line in enumerate(bound.lines):
        others = [other for at, other in enumerate(bound.lines) if at != k]
        moved = _outer_edge(line, others, judged) if bound.hidden[k] else line
        if moved is not None:
            lines.append(moved)
            hidden.append(bound.hidden[k])
    return replace(bound, lines=tuple(lines), hidden=tuple(hidden))


def _outer_edge(line: SideLine, others: Sequence[SideLine], judged: Sequence[_Judged]) -> SideLine | None:
    """Return the farthest line beside ``line`` with an edge along most of it; itself when it is an outer one."""
    best, best_px = (line, 0.0) if _is_outer(line, others, judged) else (None, 0.0)
    most_px = MOST_THING * float(np.hypot(*np.ptp(np.vstack([side.line.places for side in judged]), axis=0)))
    for side in judged:
        if side.line.normal @ line.normal < np.cos(np.radians(THING_TURN_DEG)):
            continue
        inside = np.ones(len(side.worth), dtype=np.bool_)
        for other in others:
            inside &= other.outside(side.line.places) < 0
        if inside.sum() < 8 or not _is_hidden(side.edge[inside], side.paper[inside]):
            continue
        out_px = float(line.outside(side.line.places[inside]).mean())
        if best_px < out_px < most_px:
            best, best_px = side.line, out_px
    return best


def _is_outer(line: SideLine, others: Sequence[SideLine], judged: Sequence[_Judged]) -> bool:
    """Return whether a line of the choice is a thing's outer edge already: what is inside of it is not paper."""
    side = next(side for side in judged if side.line is line)
    inside = np.ones(len(side.worth), dtype=np.bool_)
    for other in others:
        inside &= other.outside(line.places) < 0
    return not _is_edge(side.edge[inside], side.paper[inside])


def _area_score(lines: Sequence[SideLine], sample: _Tones) -> float | None:
    """Return how much the inside is paper and the outside is not, None when this cannot be a sheet."""
    inside = sample.inside(lines)
    share = inside.mean()
    if share < LEAST_AREA:
        return None
    off = sample.level - sample.terms @ paper_surface(sample.level[inside], sample.terms[inside])
    half_step = np.clip(0.5 * np.median(np.abs(off[~inside])) if not inside.all() else 1.0, LEAST_OTHER, MOST_OTHER)
    paper = np.abs(off) < half_step
    return float(NOT_PAPER_COSTS * (paper[inside].mean() - 1.0) - PAPER_COSTS * (paper & ~inside).mean())


def count_sheets(bound: Bound, tones: Grey, seen: BoolArray) -> int:
    """Return how many sheets are seen: wide places beyond the first one that are as light as its paper.

    Only a table that differs from paper tells.
    """
    sample = _Tones.of(tones, seen)
    out = np.max([line.outside(sample.places) for line in bound.lines], axis=0)
    inside = out < 0
    off = sample.level - sample.terms @ bound.paper
    if inside.all() or np.median(np.abs(off[~inside])) < TABLE_DIFFERS:
        return 1
    other = (np.abs(off) < LIKE_PAPER) & (out > AREA_STEP_PX)
    cells = np.zeros([side // AREA_STEP_PX + 1 for side in tones.shape], dtype=np.uint8)
    x, y = (sample.places[other] // AREA_STEP_PX).astype(int).T
    cells[y, x] = 1
    solid = cv2.morphologyEx(cells, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    sizes = cv2.connectedComponentsWithStats(solid, connectivity=4)[2][1:, cv2.CC_STAT_AREA]
    return 1 + int(np.count_nonzero(sizes > LEAST_SHEET * cells.size))

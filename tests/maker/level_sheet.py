"""The sheet of a level's plan: body, fittings, crowd, border, rules, marked points; true mm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from shapely import ops
from shapely.geometry import LineString

from calibration.frames import FloatArray
from tests.maker.crowd import CLIPPED, WHOLE, parallel
from tests.maker.ground import Ground, body_of, clip, words
from tests.maker.level_spec import LevelSpec
from tests.maker.marks import Mark, arrow, box, circle, dimension, line, moved, text
from tests.maker.sheet import INSET_MM, OVERRUN_MM, Sheet, _body_room, _rules, _title

GRID_MM = 5.0  # squared paper
GAP_CLEAR_MM = 10.0  # from a gap to the nearest sharp corner, or to a bend that no eye could carry across the gap
TIGHT_MM = 25.0  # radius below which a bend is tight
LONG_GAP_MM = 3.0
SPREAD_MM = 25.0  # between two gaps
SPAN_INK_MM = 2.5  # arms of the cross at a marked point


@dataclass(frozen=True, eq=False)
class LevelSheet:
    """A finished drawing, and what more is true of it."""

    sheet: Sheet
    ground: Ground
    gaps_mm: FloatArray  # (G, 2, 2) body frame: both ends of every gap in the outline
    span_mm: FloatArray  # (2, 2) sheet frame: the marked points; empty without


def _radii(points: FloatArray, reach: int) -> FloatArray:
    """Return the radius of the circle through points ``reach`` apart, of an open polyline; inf at its ends."""
    radii = np.full(len(points), np.inf)
    a, b, c = points[: -2 * reach], points[reach:-reach], points[2 * reach :]
    area = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    sides = np.hypot(*(b - a).T) * np.hypot(*(c - b).T) * np.hypot(*(c - a).T)
    radii[reach:-reach] = sides / np.maximum(2 * area, 1e-9)
    return radii


def gap_places(ground: Ground) -> list[tuple[float, float]]:
    """Return the gaps as (start, end) along the drawn outline, clear of corners, tight bends and each other.

    A gap is only put where a person could carry the line across it: a builder with a batten could not
    bridge one over a corner or a tight bend either.
    """
    points = ground.drawn_outline()
    if not ground.spec.half:
        points = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    bad = along[_radii(points, 10) < TIGHT_MM]
    sharp = [along[int(np.argmin(np.hypot(*(points - corner).T)))] for corner in ground.body.corners_mm]
    ends = [0.0, float(along[-1])]
    taken: list[tuple[float, float]] = []
    for gap in ground.spec.gaps_mm:
        for _ in range(60):
            start = float(ground.rng.uniform(GAP_CLEAR_MM, along[-1] - GAP_CLEAR_MM - gap))
            away = np.concatenate([sharp, ends, bad if gap > LONG_GAP_MM else []])
            near_bad = np.any((away > start - GAP_CLEAR_MM) & (away < start + gap + GAP_CLEAR_MM))
            if not near_bad and all(start > e + SPREAD_MM or start + gap < s - SPREAD_MM for s, e in taken):
                taken.append((start, start + gap))
                break
    return sorted(taken)


def outline_marks(ground: Ground) -> tuple[list[Mark], FloatArray]:
    """Return the outline's pen lines and the ends of its gaps."""
    points, pen = ground.drawn_outline(), ground.spec.line_mm
    taken = gap_places(ground)
    if not taken:
        return [Mark(points, pen, closed=not ground.spec.half)], np.zeros((0, 2, 2))
    path = LineString(points if ground.spec.half else np.vstack([points, points[:1]]))
    pieces = [(0.0, taken[0][0]), *[(a[1], b[0]) for a, b in pairwise(taken)],
              (taken[-1][1], path.length)]
    lines = [np.asarray(ops.substring(path, *piece).coords) for piece in pieces]
    if not ground.spec.half:
        lines = [*lines[1:-1], np.vstack([lines[-1], lines[0][1:]])]
    ends = [[path.interpolate(s).coords[0], path.interpolate(e).coords[0]] for s, e in taken]
    return [Mark(piece, pen) for piece in lines], np.array(ends)


def _centerline(ground: Ground) -> Mark:
    low, high = ground.body.outline_mm[:, 1].min(), ground.body.outline_mm[:, 1].max()
    dash = () if ground.spec.solid_centerline else (14.0, 2.2, 2.2, 2.2)
    ends = ((0.0, float(low) - OVERRUN_MM), (0.0, float(high) + OVERRUN_MM))
    return line(*ends, width_mm=0.22, dash_mm=dash)


def _fittings(ground: Ground) -> list[Mark]:
    """Return sound hole, bridge and neck as on any plan of that kind of body."""
    length, half = ground.neck_y, ground.body.neck_half_mm
    hole = min(0.105 * length, 0.45 * abs(ground.edge_x(0.67 * length, ground.sides[0])))
    marks = [] if half < 17.0 else [circle(0, 0.67 * length, hole), circle(0, 0.67 * length, hole + 4, 0.18)]
    wide = 0.9 * min(0.4 * length, 1.1 * min(abs(ground.edge_x(0.3 * length, side)) for side in (1.0, -1.0)))
    marks.append(box(-wide / 2, 0.30 * length, wide, 0.05 * length, 0.3))
    if "fingerboard" not in ground.spec.crowd:
        for side in (1.0, -1.0):
            marks.append(line((side * (half + 1.5), 0.82 * length), (side * (half - 1.0), length + 34.0), width_mm=0.3))
        marks.append(line((-half - 1.5, 0.82 * length), (half + 1.5, 0.82 * length), width_mm=0.3))
    return marks


def _lining(ground: Ground) -> list[Mark]:
    if "lining" in ground.spec.crowd or ground.rng.random() < 0.3:
        return []
    ring = np.asarray(ground.offset(-7.0).exterior.coords)[:-1]
    return [Mark(ring, 0.2, (4.0, 2.0), closed=True)]


def _dimensions(ground: Ground) -> list[Mark]:
    """Return the body's length and its widest place; extension lines touch the outline."""
    side, points = ground.sides[0], ground.drawn_outline()
    tip = points[int(np.argmax(side * points[:, 0]))]
    reach = float(np.abs(ground.body.outline_mm[:, 0]).max())
    if "chain dimensions" in ground.spec.crowd:
        return []
    marks = dimension((0.0, 0.0), (0.0, ground.neck_y), (side * (reach + 22.0), 0.0), f"{ground.neck_y:.0f}")
    if ground.spec.half:
        far = (0.0, float(tip[1]))
    else:
        left = ground.body.outline_mm[int(np.argmin(ground.body.outline_mm[:, 0]))]
        far = (float(left[0]), float(left[1]))
    ends = sorted([far, (float(tip[0]), float(tip[1]))])
    low = float(ground.body.outline_mm[:, 1].min())
    level = low - 18.0
    marks += [line(end, (end[0], level - 2.5)) for end in ends]
    marks += [line((ends[0][0], level), (ends[1][0], level)), arrow((ends[0][0], level), (-1.0, 0.0)),
              arrow((ends[1][0], level), (1.0, 0.0))]
    middle = 0.62 * ends[0][0] + 0.38 * ends[1][0]
    return marks + text(f"{ends[1][0] - ends[0][0]:.0f}", (middle, level + 1.4), 3.0, middle=True)


def _notes(ground: Ground) -> list[Mark]:
    """Return a leader that ends on the outline and a few words inside."""
    place, out = ground.spot(0.45, 0.7)
    elbow = place + 14.0 * out + [0.0, 6.0]
    tip, end = (float(place[0]), float(place[1])), (float(elbow[0]), float(elbow[1]))
    marks = [line(tip, end), arrow(tip, (tip[0] - end[0], tip[1] - end[1]))]
    marks += words(ground, "SIDES 2.2", (end[0] + 1.0, end[1] + 1.0), 2.6)
    return marks + words(ground, "LINING 6 X 14", (-44.0, 0.18 * ground.neck_y), 2.8)


def line_note(spec: LevelSpec) -> str:
    """Return what the sheet says of its lines."""
    beside = spec.parallel
    if beside is None:
        return "THE OUTLINE IS THE MIDDLE OF THE LINE."
    which = "INNER" if beside.distance_mm > 0 else "OUTER"
    what = "OVERHANG" if beside.distance_mm > 0 else "BINDING"
    return f"BODY IS THE {which} LINE, {what} {abs(beside.distance_mm):.1f}"


def _other_marks(ground: Ground) -> tuple[list[Mark], list[Mark]]:
    """Return everything but the outline: what a half drawing cuts off at the centerline, and what it does not."""
    cut = [*_fittings(ground), *_lining(ground), *parallel(ground)]
    for item in ground.spec.crowd:
        cut += CLIPPED[item](ground) if item in CLIPPED else []
    whole = [*_dimensions(ground), *_notes(ground)]
    for item in ground.spec.crowd:
        whole += WHOLE[item](ground) if item in WHOLE else []
    if ground.spec.half:
        cut = clip(cut, ground.kept)
    return cut, whole


def _paper(spec: LevelSpec, size: tuple[float, float]) -> list[Mark]:
    """Return a second border and the squares of the paper, sheet frame."""
    wide, high = size
    marks = []
    if "second border" in spec.crowd:
        marks.append(box(INSET_MM - 4, INSET_MM - 4, wide - 2 * INSET_MM + 8, high - 2 * INSET_MM + 8, 0.35))
    if spec.grid_ink:
        for number, x in enumerate(np.arange(0.0, wide, GRID_MM)):
            marks.append(Mark(np.array([(x, 0.0), (x, high)]), 0.25 if number % 10 == 0 else 0.13, ink=spec.grid_ink))
        for number, y in enumerate(np.arange(0.0, high, GRID_MM)):
            marks.append(Mark(np.array([(0.0, y), (wide, y)]), 0.25 if number % 10 == 0 else 0.13, ink=spec.grid_ink))
    return marks


def _span(spec: LevelSpec, size: tuple[float, float]) -> tuple[list[Mark], FloatArray]:
    """Return two crossed points up the left side with their distance, sheet frame, whole millimetres."""
    if not spec.span:
        return [], np.zeros((0, 2))
    upright = spec.rules[0].along == "x"
    room = (size[1] if upright else size[0] - 120.0) - 2 * INSET_MM - 70.0
    long = float(np.floor(min(room, 400.0) / 10) * 10)
    start = np.array([INSET_MM + 22.0, INSET_MM + 52.0] if upright else [INSET_MM + 50.0, INSET_MM + 12.0])
    along = np.array([0.0, 1.0] if upright else [1.0, 0.0])
    ends = np.array([start, start + long * along])
    arms = [line(tuple(end - SPAN_INK_MM * way), tuple(end + SPAN_INK_MM * way), width_mm=0.2)
            for end in ends for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))]
    place = (float(start[0] + 6.0), float(start[1] + 6.0))
    return arms + text(f"CROSS TO CROSS {long:.0f} MM", place, 2.8, 90.0 if upright else 0.0), ends


def _inked(marks: list[Mark], share: float) -> list[Mark]:
    return [replace(mark, ink=mark.ink * share) for mark in marks] if share < 1.0 else marks


def draw_level(spec: LevelSpec) -> LevelSheet:
    """Return everything on the sheet, in true mm, nothing copied or scanned yet."""
    rng = np.random.default_rng([spec.seed, 2])
    ground = Ground(spec, body_of(spec), np.random.default_rng([spec.seed, 6]))
    own, gaps = outline_marks(ground)
    cut, whole = _other_marks(ground)
    others = [_centerline(ground), *cut, *whole]
    place, size = _body_room(spec, [*own, *others], rng)
    rules = _rules(spec, size, rng)
    arms, span = _span(spec, size)
    sheet = [*_title(spec, size), *_paper(spec, size), *arms, *[mark for rule in rules for mark in rule.marks]]
    if spec.parallel:
        sheet += text(line_note(spec), (size[0] - INSET_MM - 96.0, INSET_MM + 36.0), 2.6)
    others = [*[moved(mark, place) for mark in others], *sheet]
    marks = _inked([moved(mark, place) for mark in own], spec.body_ink) + _inked(others, spec.other_ink)
    low, high = ground.body.outline_mm[:, 1].min(), ground.body.outline_mm[:, 1].max()
    ends = np.array([(0.0, low - OVERRUN_MM), (0.0, high + OVERRUN_MM)])
    drawn = Sheet(tuple(marks), size, ground.body, place, tuple(rules), ends)
    return LevelSheet(drawn, ground, gaps, span)


def body_area(ground: Ground) -> shapely.Polygon:
    """Return the drawn part of the body as an area, body frame."""
    return ground.shape.intersection(ground.kept)

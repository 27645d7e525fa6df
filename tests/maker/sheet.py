"""The sheet: body, what a draftsman puts round it, rules, border and title block, all in true mm."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.geometry import box as area

from calibration.frames import FloatArray
from tests.maker.bodies import Body, make_body
from tests.maker.marks import Mark, arrow, box, circle, dimension, line, moved, text
from tests.maker.rules import DrawnRule, draw_rule
from tests.maker.spec import PlanSpec

OVERRUN_MM = 26.0  # of the centerline beyond both ends of the body
INSET_MM = 10.0  # of the border from the paper's edge
TITLE_WIDE_MM, TITLE_HIGH_MM = 98.0, 33.0
RULE_ROOM_MM = 62.0  # from border to body on the sides that hold a rule


@dataclass(frozen=True, eq=False)
class Sheet:
    """A finished drawing in the sheet frame: mm, origin the paper's lower left corner, y up."""

    marks: tuple[Mark, ...]
    size_mm: tuple[float, float]
    body: Body
    body_to_sheet: FloatArray  # (2, 3) rigid
    rules: tuple[DrawnRule, ...]
    centerline_mm: FloatArray  # (2, 2) body frame, drawn ends, tail first


def right_half(body: Body) -> FloatArray:
    """Return the open right half of a symmetric outline, tail to neck end, body frame."""
    top = int(np.argmax(body.outline_mm[:, 1]))
    return body.outline_mm[: top + 1]


def _side(body: Body, y: float) -> float:
    """Return half the body's width at ``y``, on the right."""
    half = body.outline_mm[body.outline_mm[:, 0] > 0]
    return float(half[np.argmin(np.abs(half[:, 1] - y)), 0])


def _outline(spec: PlanSpec, body: Body) -> Mark:
    if spec.half:
        return Mark(right_half(body), spec.line_mm)
    return Mark(body.outline_mm, spec.line_mm, closed=True)


def _centerline(spec: PlanSpec, length: float) -> Mark:
    dash = () if spec.solid_centerline else (14.0, 2.2, 2.2, 2.2)
    return line((0.0, -OVERRUN_MM), (0.0, length + OVERRUN_MM), width_mm=0.22, dash_mm=dash)


def _lining(spec: PlanSpec, body: Body) -> list[Mark]:
    """Return the dashed line of the lining, a constant distance inside the body."""
    inner = Polygon(body.outline_mm).buffer(-7.0, quad_segs=60).exterior
    if not spec.half:
        return [Mark(np.asarray(inner.coords)[:-1], 0.2, (4.0, 2.0), closed=True)]
    kept = LineString(inner.coords).intersection(area(0.0, -10.0, 1e4, 1e4))
    parts = getattr(kept, "geoms", [kept])
    return [Mark(np.asarray(part.coords), 0.2, (4.0, 2.0)) for part in parts]


def _fittings(spec: PlanSpec, body: Body) -> list[Mark]:
    """Return sound hole, rosette, bridge and neck lines; half of each for a half drawing."""
    length = body.length_mm
    hole = 0.105 * length
    marks = [circle(0, 0.67 * length, hole), circle(0, 0.67 * length, hole + 5, 0.18)]
    wide = min(0.36 * length, 1.1 * _side(body, 0.3 * length))
    marks.append(box(-wide / 2, 0.30 * length, wide, 0.055 * length, 0.3))
    neck = body.neck_half_mm
    for side in (1.0, -1.0):
        foot, head = (side * (neck + 1.5), 0.82 * length), (side * (neck - 1.0), length + 34.0)
        marks.append(line(foot, head, width_mm=0.3))
    marks.append(line((-neck - 1.5, 0.82 * length), (neck + 1.5, 0.82 * length), width_mm=0.3))
    if spec.family == "violin":
        marks = marks[2:]  # no round hole, but a bridge and a neck
    return [_right(mark) for mark in marks if mark.points[:, 0].max() > 0] if spec.half else marks


def _right(mark: Mark) -> Mark:
    """Return the part of a mark at x >= 0, as an open line from the centerline."""
    points = np.vstack([mark.points, mark.points[:1]]) if mark.closed else mark.points
    start = int(np.argmin(points[:-1, 0])) if mark.closed else 0
    points = np.roll(points[:-1], -start, axis=0) if mark.closed else points
    dense = np.vstack([points, points[:1]]) if mark.closed else points
    cross = np.flatnonzero(np.diff(np.sign(dense[:, 0])) != 0)
    keep = [point for point in dense if point[0] >= 0]
    if len(cross) == 0:
        return Mark(np.array(keep), mark.width_mm, mark.dash_mm)
    edge = [dense[i] + (dense[i + 1] - dense[i]) * (-dense[i, 0] / (dense[i + 1, 0] - dense[i, 0])) for i in cross]
    ends = [edge[0], *keep, *edge[1:2]]
    return Mark(np.array(ends), mark.width_mm, mark.dash_mm)


def _dimensions(spec: PlanSpec, body: Body) -> list[Mark]:
    """Return the body length and the widest bout, with lines that touch the outline."""
    length, reach = body.length_mm, float(body.outline_mm[:, 0].max())
    widest = body.outline_mm[int(np.argmax(body.outline_mm[:, 0]))]
    left = (0.0, 0.0) if spec.half else (-widest[0], float(widest[1]))
    words = f"{widest[0]:.0f}" if spec.half else f"{2 * widest[0]:.0f}"
    marks = dimension((0.0, 0.0), (0.0, length), (reach + 22.0, 0.0), f"{length:.0f}")
    right = (float(widest[0]), float(widest[1]))
    if spec.half:
        left = (0.0, right[1])
    marks += dimension(left, right, (0.0, -widest[1] - 18.0), words)
    return marks


def _notes(spec: PlanSpec, body: Body) -> list[Mark]:
    """Return a leader that ends on the outline and a few words."""
    points = right_half(body)
    spot = points[int(np.argmin(np.abs(points[:, 1] - 0.56 * body.length_mm)))]
    elbow = (float(body.outline_mm[:, 0].max()) - 4.0, float(spot[1]) + 16.0)
    toward = (float(spot[0]) - elbow[0], float(spot[1]) - elbow[1])
    tip = (float(spot[0]), float(spot[1]))
    marks = [line(tip, elbow, (elbow[0] + 3.0, elbow[1])), arrow(tip, toward)]
    marks += text("SIDES 2.2", (elbow[0] - 2.0, elbow[1] + 2.0), 2.6)
    inside = (4.0 if spec.half else -44.0, 0.18 * body.length_mm)
    return marks + text("LINING 6 X 14", inside, 2.8)


def _title(spec: PlanSpec, size: tuple[float, float]) -> list[Mark]:
    """Return border and title block of the invented shop, sheet frame."""
    wide, high = size
    x, y = wide - INSET_MM - TITLE_WIDE_MM, INSET_MM
    marks = [box(INSET_MM, INSET_MM, wide - 2 * INSET_MM, high - 2 * INSET_MM, 0.6)]
    marks += [box(x, y, TITLE_WIDE_MM, TITLE_HIGH_MM, 0.4), line((x, y + 20), (x + TITLE_WIDE_MM, y + 20))]
    marks += [line((x, y + 10), (x + TITLE_WIDE_MM, y + 10)), line((x + 64, y), (x + 64, y + 20))]
    marks += text(spec.title, (x + 4, y + 23.5), 5.5)
    marks += text("HAZEL LANE WORKSHOP", (x + 3, y + 13.2), 2.8) + text("SHEET 1", (x + 68, y + 13.2), 2.8)
    marks += text("HALF" if spec.half else "WHOLE BODY", (x + 3, y + 3.4), 2.8) + text("1 : 1", (x + 68, y + 3.4), 2.8)
    words = "THE OUTLINE IS THE MIDDLE OF THE LINE."
    return marks + text(words, (INSET_MM + 6, high - INSET_MM - 8), 2.8)


def _body_room(spec: PlanSpec, marks: list[Mark], rng: np.random.Generator) -> tuple[FloatArray, tuple[float, float]]:
    """Return body_to_sheet and the sheet's size that hold the turned marks, rules and title."""
    angle = np.pi / 2 * spec.turn
    turn = np.round(np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]))
    every = np.vstack([mark.points for mark in marks]) @ turn.T
    low, high = every.min(axis=0), every.max(axis=0)
    across = any(rule.along == "x" for rule in spec.rules)
    upright = any(rule.along == "y" for rule in spec.rules)
    left = INSET_MM + (RULE_ROOM_MM if upright else 12.0) + rng.uniform(0, 12)
    bottom = INSET_MM + max(RULE_ROOM_MM - 12 if across else 0.0, TITLE_HIGH_MM + 8.0) + rng.uniform(0, 12)
    shift = np.array([left, bottom]) - low
    need = [rule.length_mm + 60.0 for rule in spec.rules if rule.along == "y"]
    wide = max(high[0] + shift[0] + INSET_MM + rng.uniform(8, 25), 330.0)
    tall = max(high[1] + shift[1] + INSET_MM + 14.0 + rng.uniform(8, 25), *need, 250.0)
    return np.column_stack([turn, shift]), (float(wide), float(tall))


def _rules(spec: PlanSpec, size: tuple[float, float], rng: np.random.Generator) -> list[DrawnRule]:
    """Return the drawn rules: along the bottom left of the title block, and up the left side."""
    room_x = size[0] - 2 * INSET_MM - TITLE_WIDE_MM - 34.0
    drawn = []
    for rule in spec.rules:
        room = room_x if rule.along == "x" else size[1] - 2 * INSET_MM - 50.0
        shorter = replace(rule, length_mm=min(rule.length_mm, room))
        corner = (INSET_MM + 22.0, INSET_MM + 10.0) if rule.along == "x" else (INSET_MM + 34.0, INSET_MM + 46.0)
        drawn += draw_rule(shorter, corner, rng)
    return drawn


def draw_sheet(spec: PlanSpec) -> Sheet:
    """Return everything on the sheet, in true mm, nothing copied or scanned yet."""
    rng = np.random.default_rng([spec.seed, 2])
    body = make_body(spec)
    on_body = [_outline(spec, body), _centerline(spec, body.length_mm), *_lining(spec, body)]
    on_body += _fittings(spec, body) + _dimensions(spec, body) + _notes(spec, body)
    place, size = _body_room(spec, on_body, rng)
    rules = _rules(spec, size, rng)
    marks = [moved(mark, place) for mark in on_body] + _title(spec, size)
    marks += [mark for rule in rules for mark in rule.marks]
    ends = np.array([(0.0, -OVERRUN_MM), (0.0, body.length_mm + OVERRUN_MM)])
    return Sheet(tuple(marks), size, body, place, tuple(rules), ends)

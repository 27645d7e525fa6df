"""What stands on a crowded sheet besides the body: each thing as a function from the ground to its marks."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon

from calibration.frames import FloatArray
from tests.maker.ground import Ground, clip, words
from tests.maker.marks import Mark, arrow, circle, line, text

NOTES = ("SIDES 2.2", "KERF 6 X 14", "TOP 2.6 TO 2.9", "BEND TO LINE", "GLUE FIRST", "CEDAR", "SEE DETAIL B",
         "R 12 HERE", "CHECK FIT", "2 OFF", "TAPER 3 MM")
THIN_MM = (0.13, 0.3)


def _pen(ground: Ground) -> float:
    return float(ground.rng.uniform(*THIN_MM))


def bar(first: FloatArray, second: FloatArray, wide: float, pen: float, dash: tuple[float, ...] = ()) -> list[Mark]:
    """Return a brace as two thin parallel lines."""
    along = np.asarray(second, float) - first
    side = np.array([-along[1], along[0]]) / np.hypot(*along) * wide / 2
    return [Mark(np.array([first + s * side, second + s * side]), pen, dash) for s in (1.0, -1.0)]


def _dash(ground: Ground) -> tuple[float, ...]:
    return () if ground.rng.random() < 0.6 else (3.5, 1.6)


def x_brace(ground: Ground) -> list[Mark]:
    """Return crossed braces and cross bars whose lines end on the outline."""
    length, pen, dash, rng = ground.neck_y, _pen(ground), _dash(ground), ground.rng
    cross, spread = 0.55 * length, rng.uniform(0.55, 0.75)
    marks = []
    for side in (1.0, -1.0):
        low = np.array([side * 400.0 * spread, cross - 400.0])
        marks += bar(np.array([0.0, cross]) - 0.9 * (low - [0, cross]), low, 8.0, pen, dash)
    height = rng.uniform(0.76, 0.86) * length
    marks += bar(np.array([-300.0, height]), np.array([300.0, height]), 10.0, pen, dash)
    for side in (1.0, -1.0):
        start = np.array([side * 18.0, 0.42 * length])
        marks += bar(start, start + np.array([side * 200.0, -rng.uniform(30, 90)]), 6.0, pen, dash)
    return ground.inside(marks)


def fan_braces(ground: Ground) -> list[Mark]:
    """Return fan braces below the bridge; some run to the outline, some to the lining."""
    length, pen, dash = ground.neck_y, _pen(ground), _dash(ground)
    marks = []
    for share in np.linspace(-0.42, 0.42, int(ground.rng.choice([5, 7]))):
        foot = np.array([share * 120.0, 0.5 * length])
        marks += bar(foot, foot + np.array([share * 400.0, -0.7 * length]), 6.0, pen, dash)
    for height in (0.51, 0.8):
        marks += bar(np.array([-300.0, height * length]), np.array([300.0, height * length]), 14.0, pen, dash)
    area = ground.shape if ground.rng.random() < 0.6 else ground.offset(-6.0)
    return ground.inside(marks, area)


def fingerboard(ground: Ground) -> list[Mark]:
    """Return fingerboard, frets and strings that cross the neck end."""
    length, half = ground.neck_y, ground.body.neck_half_mm
    foot, head, scale = 0.72 * length, length + 60.0, 1.25 * length
    wide = {y: half + 1.5 - 4.0 * (y - foot) / (head - foot) for y in (foot, head)}
    marks = [line((side * wide[foot], foot), (side * wide[head], head), width_mm=0.3) for side in (1.0, -1.0)]
    marks.append(line((-wide[foot], foot), (wide[foot], foot), width_mm=0.3))
    nut, count = 0.33 * length + scale, int(ground.rng.choice([4, 6]))
    for number in range(8, 24):
        y = nut - scale * (1 - 2 ** (-number / 12))
        if foot < y < head:
            at = np.interp(y, [foot, head], [wide[foot], wide[head]])
            marks.append(line((-at, y), (at, y), width_mm=0.15))
    for share in np.linspace(-0.8, 0.8, count):
        marks.append(line((share * (half + 4.0), 0.33 * length), (share * wide[head], head), width_mm=0.12))
    return marks


def leaders(ground: Ground) -> list[Mark]:
    """Return leader lines across the outline, from a note outside to something inside."""
    marks: list[Mark] = []
    for _ in range(int(ground.rng.integers(2, 6))):
        place, out = ground.spot(0.08, 0.92)
        tilt = ground.rng.uniform(-0.9, 0.9)
        c, s = np.cos(tilt), np.sin(tilt)
        along = np.array([c * out[0] - s * out[1], s * out[0] + c * out[1]])
        tip, end = place - along * ground.rng.uniform(8, 40), place + along * ground.rng.uniform(10, 22)
        marks += [line(tuple(tip), tuple(end), width_mm=_pen(ground)), arrow(tuple(tip), tuple(-along))]
        marks += words(ground, str(ground.rng.choice(NOTES)), (float(end[0]), float(end[1])), 2.6)
    return marks


def notes(ground: Ground) -> list[Mark]:
    """Return printed words that run right across the outline."""
    marks: list[Mark] = []
    for _ in range(int(ground.rng.integers(1, 4))):
        place, _ = ground.spot(0.1, 0.9)
        string, high = str(ground.rng.choice(NOTES)), float(ground.rng.uniform(2.4, 4.0))
        start = place - np.array([len(string) * high * ground.rng.uniform(0.3, 0.6), ground.rng.uniform(0.0, high)])
        marks += words(ground, string, (float(start[0]), float(start[1])), high, float(ground.rng.uniform(-8, 8)))
    return marks


def _scrawl(rng: np.random.Generator, long: float, high: float) -> FloatArray:
    """Return one freehand stroke: loops that wander to the right, 0.3 mm between points."""
    at = np.linspace(0.0, 1.0, max(40, int(long * 12)))
    turns = long / (high * rng.uniform(0.7, 1.1))
    phase = 2 * np.pi * turns * at + 1.3 * np.sin(2 * np.pi * at * turns / rng.uniform(2.2, 4.0))
    size = high * (0.5 + 0.35 * np.sin(2 * np.pi * at * rng.uniform(1.0, 3.0) + rng.uniform(0, 6)))
    x = long * at + 0.45 * size * np.cos(phase)
    return np.stack([x, size * np.sin(phase) + 0.5 * np.sin(5 * at)], axis=1)


def handwriting(ground: Ground) -> list[Mark]:
    """Return pencilled words across the outline and a freehand circle or arrow."""
    rng, marks = ground.rng, []
    for _ in range(int(rng.integers(1, 4))):
        place, _ = ground.spot(0.1, 0.9)
        ink, pen, tilt = float(rng.uniform(0.35, 0.9)), float(rng.uniform(0.25, 0.55)), rng.uniform(-0.5, 0.5)
        turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
        start = place - np.array([rng.uniform(5, 25), rng.uniform(-2, 2)])
        for _ in range(int(rng.integers(1, 4))):
            stroke = _scrawl(rng, rng.uniform(10, 28), rng.uniform(3.0, 6.0))
            marks.append(Mark(stroke @ turn + start, pen, ink=ink))
            start = start + np.array([rng.uniform(-4, 12), -rng.uniform(5, 9)])
    place, _ = ground.spot(0.1, 0.9)
    at = np.linspace(0, 2.15 * np.pi, 120)
    wobble = 1 + 0.08 * np.sin(3 * at + rng.uniform(0, 6)) + 0.03 * at
    ring = np.stack([np.cos(at), 0.7 * np.sin(at)], axis=1) * (wobble * rng.uniform(6, 14))[:, None]
    return [*marks, Mark(place + ring, float(rng.uniform(0.25, 0.5)), ink=float(rng.uniform(0.35, 0.9)))]


def lining(ground: Ground) -> list[Mark]:
    """Return the dashed line of the lining inside the body."""
    inner = ground.offset(-float(ground.rng.uniform(4.0, 8.0))).exterior
    dash = (float(ground.rng.uniform(2.5, 5)), float(ground.rng.uniform(1.2, 2.2)))
    return [Mark(np.asarray(inner.coords)[:-1], float(ground.rng.uniform(0.15, 0.3)), dash, closed=True)]


def end_blocks(ground: Ground) -> list[Mark]:
    """Return neck and tail block, hatched, their sides ending on the outline."""
    marks: list[Mark] = []
    for y, deep in ((0.0, 22.0), (ground.neck_y, -60.0)):
        wide = float(ground.rng.uniform(22, 40))
        low, high = sorted((y - np.sign(deep) * 30.0, y + deep))
        block = shapely.box(-wide, low, wide, high).intersection(ground.shape)
        marks += [line((-wide, low), (-wide, high), width_mm=0.22), line((wide, low), (wide, high), width_mm=0.22)]
        marks.append(line((-wide, y + deep), (wide, y + deep), width_mm=0.22))
        marks += _hatch(block, 3.5, 0.13)
    return ground.inside(marks)


def _hatch(area: Polygon, step: float, pen: float) -> list[Mark]:
    """Return slanted lines that fill an area."""
    if area.is_empty:
        return []
    x0, y0, x1, y1 = area.bounds
    tall = y1 - y0
    rows = [Mark(np.array([(x, y0), (x + tall, y1)]), pen) for x in np.arange(x0 - tall, x1, step)]
    parts = [part for part in getattr(area, "geoms", [area]) if part.geom_type == "Polygon"]
    return [mark for part in parts for mark in clip(rows, part)]


def hatching(ground: Ground) -> list[Mark]:
    """Return a hatched patch that ends on the outline: a section, or a block glued to the side."""
    place, out = ground.spot(0.15, 0.85)
    deep, wide = float(ground.rng.uniform(8, 26)), float(ground.rng.uniform(12, 40))
    along = np.array([-out[1], out[0]])
    corners = [place + 6 * out + along * wide / 2, place + 6 * out - along * wide / 2,
               place - deep * out - along * wide / 2, place - deep * out + along * wide / 2]
    area = Polygon(corners).intersection(ground.shape)
    edges = [Mark(np.array([corners[1], corners[2], corners[3], corners[0]]), 0.2)]
    return ground.inside(edges) + _hatch(area, float(ground.rng.uniform(1.6, 3.0)), 0.13)


def section(ground: Ground) -> list[Mark]:
    """Return a section line A-A right across body and outline, with arrows and letters."""
    y = float(ground.rng.uniform(0.15, 0.8)) * ground.neck_y
    left, right = ground.edge_x(y, -1.0) - 14.0, ground.edge_x(y, 1.0) + 14.0
    if ground.spec.half:
        left, right = (left, -1.0) if ground.spec.left_half else (1.0, right)
    marks = [line((left, y), (right, y), width_mm=0.3, dash_mm=(9.0, 1.8, 1.8, 1.8))]
    for x in (left, right):
        marks += [line((x, y), (x, y + 8.0), width_mm=0.4), arrow((x, y + 9.0), (0.0, 1.0))]
        marks += text("A", (x, y + 10.5), 4.0, middle=True)
    return marks


def chain_dimensions(ground: Ground) -> list[Mark]:
    """Return a chain of dimensions beside the body whose extension lines touch the outline."""
    side = ground.sides[0]
    reach = side * (np.abs(ground.body.outline_mm[:, 0]).max() + ground.rng.uniform(12, 18))
    stops = np.array([0.06, *np.sort(ground.rng.uniform(0.12, 0.88, 4)), 0.93]) * ground.neck_y
    marks = [line((reach, stops[0]), (reach, stops[-1]))]
    for y in stops:
        marks.append(line((ground.edge_x(float(y), side), float(y)), (reach + side * 2.5, float(y)), width_mm=0.15))
        marks.append(line((reach - 1.2, y - 1.2), (reach + 1.2, y + 1.2), width_mm=0.3))
    for low, high in pairwise(stops):
        marks += text(f"{high - low:.0f}", (reach - 1.5, float((low + high) / 2)), 2.6, 90.0, middle=True)
    return marks


def centre_dimensions(ground: Ground) -> list[Mark]:
    """Return widths dimensioned right through the body, arrows on the outline."""
    marks: list[Mark] = []
    for y in ground.rng.uniform(0.15, 0.85, int(ground.rng.integers(2, 5))) * ground.neck_y:
        ends = [ground.edge_x(float(y), s) for s in (-1.0, 1.0)]
        if ground.spec.half:
            ends = sorted((0.0, ground.edge_x(float(y), ground.sides[0])))
        marks.append(line((ends[0], float(y)), (ends[1], float(y)), width_mm=0.15))
        marks += [arrow((ends[0], float(y)), (-1.0, 0.0)), arrow((ends[1], float(y)), (1.0, 0.0))]
        marks += text(f"{ends[1] - ends[0]:.1f}", (0.7 * ends[0] + 0.3 * ends[1], float(y) + 1.4), 2.8, middle=True)
    return marks


def _beside(ground: Ground, wide: float) -> float:
    """Return where something of a width stands beside the body, free of it: its left edge."""
    side = ground.sides[0]
    reach = np.abs(ground.body.outline_mm[:, 0]).max() + 30.0
    return float(reach if side > 0 else -reach - wide)


def side_view(ground: Ground) -> list[Mark]:
    """Return the side of the instrument: a long flat shape as long as the body, closed."""
    length, deep = ground.neck_y, float(ground.rng.uniform(38, 70))
    x = _beside(ground, deep)
    at = np.linspace(0.0, 1.0, 200)
    back = x + deep * (0.86 + 0.14 * np.sin(np.pi * (0.15 + 0.7 * at)))
    ring = np.vstack([[(x, 0.0), (back[0], 0.0)], np.stack([back, at * length], axis=1), [(x, length)]])
    marks = [Mark(ring, ground.spec.line_mm * float(ground.rng.uniform(0.6, 1.0)), closed=True)]
    marks.append(line((x + 3.0, 0.0), (x + 3.0, length), width_mm=0.18))
    inner = np.stack([back - 3.0, at * length], axis=1)
    return [*marks, Mark(inner, 0.18), *text("SIDE", (x + 6.0, length / 2), 4.0)]


def back_view(ground: Ground) -> list[Mark]:
    """Return the back: smaller mostly, as large as the top when the sheet is that kind."""
    grown = ground.offset(float(ground.rng.uniform(2.0, 3.0))) if ground.spec.same_size_back else ground.shape
    size = 1.0 if ground.spec.same_size_back else float(ground.rng.uniform(0.3, 0.6))
    ring = np.asarray(grown.exterior.coords)[:-1] * [-size, size]
    wide = float(np.ptp(ring[:, 0]))
    if ground.spec.half:
        keep = ring[:, 0] * ground.sides[0] >= 0
        ring = ring[keep] if keep.any() else ring
    x = _beside(ground, wide) + wide / 2 + 45.0 * ground.sides[0] * (0.0 if not ground.spec.same_size_back else 1.0)
    x += 80.0 * ground.sides[0] * ("side view" in ground.spec.crowd)
    middle = [x, 0.0 if ground.spec.same_size_back else 0.3 * ground.neck_y]
    marks = [Mark(ring + middle, ground.spec.line_mm, closed=not ground.spec.half)]
    low, high = ring[:, 1].min() + middle[1], ring[:, 1].max() + middle[1]
    dash = () if ground.spec.half else (10.0, 2.0)
    marks.append(line((x, float(low)), (x, float(high)), width_mm=0.25, dash_mm=dash))
    for share in (0.25, 0.5, 0.75):
        y = float(low + share * (high - low))
        marks += clip(bar(np.array([x - 300, y]), np.array([x + 300, y]), 8.0 * size, 0.18), Polygon(ring + middle))
    return [*marks, *text("BACK", (x + 3.0, float(low) + 0.6 * float(high - low)), 4.0)]


def detail(ground: Ground) -> list[Mark]:
    """Return an enlarged detail in a circle above the body, with a piece of curved line in it."""
    radius, side = float(ground.rng.uniform(22, 32)), ground.sides[0]
    reach, top = np.abs(ground.body.outline_mm[:, 0]).max(), ground.body.outline_mm[:, 1].max()
    x, y = side * (reach - radius), top + radius + 14.0
    disc = shapely.Point(x, y).buffer(radius, quad_segs=90)
    at = np.linspace(-1, 1, 100) * radius * 1.2
    pens = ((0.0, 0.5), (7.0, 0.5), (-9.0, 0.2))
    curves = [Mark(np.stack([x + at, y + lift + at**2 / 160], axis=1), pen) for lift, pen in pens]
    return [circle(x, y, radius), *clip(curves, disc), *text("DETAIL B 2 : 1", (x - radius, y - radius - 6.0), 3.0)]


def parallel(ground: Ground) -> list[Mark]:
    """Return the line that runs beside the outline all the way."""
    beside = ground.spec.parallel
    if beside is None:
        return []
    ring = np.asarray(ground.offset(beside.distance_mm).exterior.coords)[:-1]
    return [Mark(ring, ground.spec.line_mm * beside.width_share, beside.dash_mm, closed=True)]


CLIPPED: dict[str, Callable[[Ground], list[Mark]]] = {
    "x brace": x_brace, "fan braces": fan_braces, "fingerboard": fingerboard, "lining": lining,
    "end blocks": end_blocks, "hatching": hatching,
}
WHOLE: dict[str, Callable[[Ground], list[Mark]]] = {
    "leaders": leaders, "notes": notes, "handwriting": handwriting, "section": section, "detail": detail,
    "chain dimensions": chain_dimensions, "centre dimensions": centre_dimensions, "side view": side_view,
    "back view": back_view,
}

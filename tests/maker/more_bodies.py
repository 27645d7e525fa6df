"""Bodies that come from no common formula: straight runs, horns, slants, points; body frame, true plan mm.

x = 0 is the centerline as drawn, y = 0 where it meets the outline at the tail. A body may reach
below y = 0 beside the centerline, and above its neck end.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline
from shapely import affinity
from shapely.geometry import Point, Polygon
from shapely.validation import explain_validity

from calibration.frames import FloatArray
from tests.maker.bodies import Body, _guitar_half, _spline, _symmetric, _whole, resample

FINE_DEG = 0.25  # between the points of a fillet
ROUND_SEGS = 400  # of a quarter circle when a shape is rounded
TRIES = 40
Rng = np.random.Generator


def fillet(vertices: FloatArray, radii: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a closed ring of straight lines and tangent arcs, and its sharp corners.

    Args:
        vertices: (V, 2) corners of the polygon, mm, in order.
        radii: (V,) of the arc that rounds each; 0 keeps it sharp.

    Raises:
        ValueError: two arcs overlap on a side.
    """
    count = len(vertices)
    before, after = np.roll(vertices, 1, axis=0) - vertices, np.roll(vertices, -1, axis=0) - vertices
    sides = np.hypot(*after.T)
    unit_in, unit_out = before / np.hypot(*before.T)[:, None], after / sides[:, None]
    opening = np.arccos(np.clip((unit_in * unit_out).sum(axis=1), -1.0, 1.0))
    taken = radii / np.tan(opening / 2)
    if np.any(taken + np.roll(taken, -1) > sides):
        raise ValueError("two rounded corners overlap")
    parts, sharp = [], []
    for i in range(count):
        if radii[i] == 0:
            parts.append(vertices[i : i + 1])
            sharp.append(vertices[i])
            continue
        bisector = unit_in[i] + unit_out[i]
        centre = vertices[i] + bisector / np.hypot(*bisector) * radii[i] / np.sin(opening[i] / 2)
        start, end = vertices[i] + taken[i] * unit_in[i] - centre, vertices[i] + taken[i] * unit_out[i] - centre
        sweep = np.angle(complex(*end) / complex(*start))
        at = np.angle(complex(*start)) + np.linspace(0.0, sweep, max(8, int(abs(np.degrees(sweep)) / FINE_DEG)))
        parts.append(centre + radii[i] * np.stack([np.cos(at), np.sin(at)], axis=1))
    return np.vstack(parts), np.array(sharp).reshape(-1, 2)


def loop(ring: FloatArray, corners: FloatArray, neck_half_mm: float) -> Body:
    """Return the body of a closed ring: counter-clockwise, from where x = 0 meets it lowest, y = 0 there.

    Raises:
        ValueError: the ring crosses itself or misses the centerline.
    """
    shape = Polygon(ring)
    if not shape.is_valid:
        raise ValueError(explain_validity(shape))
    if not shape.exterior.is_ccw:
        ring = ring[::-1]
    following = np.roll(ring, -1, axis=0)
    up = np.flatnonzero((ring[:, 0] <= 0) & (following[:, 0] > 0))  # counter-clockwise: the tail runs left to right
    if len(up) == 0:
        raise ValueError("the ring does not cross its centerline")
    share = -ring[up, 0] / (following[up, 0] - ring[up, 0])
    heights = ring[up, 1] + share * (following[up, 1] - ring[up, 1])
    first, tail = int(up[np.argmin(heights)]), float(heights.min())
    ring = np.vstack([[0.0, tail], np.roll(ring, -first - 1, axis=0), [0.0, tail]]) - [0.0, tail]
    ring = ring[np.concatenate([[True], np.hypot(*np.diff(ring, axis=0).T) > 1e-9])]
    corners = corners - [0.0, tail]
    stops = sorted({0, len(ring) - 1, *(int(np.argmin(np.hypot(*(ring - corner).T))) for corner in corners)})
    parts = [resample(ring[a : b + 1])[:-1] for a, b in pairwise(stops)]
    return Body(np.vstack(parts), corners, neck_half_mm)


def _closed_spline(knots: FloatArray) -> FloatArray:
    """Return a dense periodic cubic spline through ``knots``: curvature without jumps."""
    ring = np.vstack([knots, knots[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T) ** 0.7)])
    return np.asarray(CubicSpline(along, ring, bc_type="periodic")(np.linspace(0.0, along[-1], 20_001)))[:-1]


def _rounded(shape: Polygon, outward_mm: float, inward_mm: float) -> FloatArray:
    """Return the ring of a shape whose outward and inward corners are rounded to these radii."""
    shape = shape.buffer(-outward_mm, quad_segs=ROUND_SEGS).buffer(outward_mm, quad_segs=ROUND_SEGS)
    shape = shape.buffer(inward_mm, quad_segs=ROUND_SEGS).buffer(-inward_mm, quad_segs=ROUND_SEGS)
    if not isinstance(shape, Polygon):
        raise ValueError("rounding took the shape apart")
    return np.asarray(shape.simplify(2e-5).exterior.coords)[:-1]


def _ellipse(x: float, y: float, across: float, along: float, tilt_deg: float = 0.0) -> Polygon:
    disc = affinity.scale(Point(0, 0).buffer(1.0, quad_segs=1500), across, along)
    return affinity.translate(affinity.rotate(disc, tilt_deg, origin=(0, 0)), x, y)


def _double_cutaway(rng: Rng) -> Body:
    """Return a solid body with two unequal horns and a straight neck end between them."""
    left = [(-28, 0), (-96, 12), (-150, 62), (-158, 118), (-132, 182), (-117, 228), (-132, 282), (-150, 330),
            (-146, 378), (-122, 396), (-104, 372), (-88, 336), (-58, 322)]
    right = [(58, 312), (92, 300), (116, 318), (134, 346), (152, 340), (154, 300), (133, 252), (119, 214),
             (130, 172), (156, 118), (150, 60), (98, 13), (30, 0)]
    knots = np.array([*left, (-31, 330), (31, 330), *right], dtype=float)
    knots[[13, 14], 1] += 6.0
    size = rng.uniform(0.94, 1.06, 2)
    knots = (knots + rng.normal(0.0, 2.0, knots.shape)) * size
    shape = Polygon(_closed_spline(knots))
    half, floor = 28.0, rng.uniform(326, 332) * size[1]
    shape = shape.difference(Polygon([(-half, floor), (half, floor), (half, 460), (-half, 460)]))
    if not isinstance(shape, Polygon):
        raise ValueError("the neck end took the shape apart")
    return loop(_rounded(shape, 4.0, 3.0), np.zeros((0, 2)), half)


def _offset(rng: Rng) -> Body:
    """Return a slanted body: the left waist lies higher than the right one, the horns differ."""
    whole = _whole(_guitar_half(rng)) * [0.82, 0.86]
    slant, top = rng.choice([-1.0, 1.0]) * rng.uniform(0.10, 0.20), whole[:, 1].max()
    bend = rng.uniform(0.0, 14.0) * np.sin(np.pi * whole[:, 1] / top)
    shape = Polygon(np.stack([whole[:, 0] + np.sign(slant) * bend, whole[:, 1] + slant * whole[:, 0]], axis=1))
    for side in (-1.0, 1.0):
        wide, high = rng.uniform(62, 72), rng.uniform(0.13, 0.22) * top
        shape = shape.difference(_ellipse(side * (34.0 + wide), top * rng.uniform(1.0, 1.02), wide, high, side * 14.0))
    if not isinstance(shape, Polygon):
        raise ValueError("the cutaways took the shape apart")
    return loop(_rounded(shape, rng.uniform(6, 11), rng.uniform(8, 14)), np.zeros((0, 2)), 28.0)


def _horns(rng: Rng) -> Body:
    """Return a body with two narrow horns of a few millimetres' radius, of arcs and straight lines."""
    h = rng.uniform(0.94, 1.06, 6)
    right = [(34, 318), (74 * h[0], 292), (128 * h[1], 392 * h[2]), (162 * h[3], 340), (112 * h[4], 236),
             (172 * h[5], 118), (128, 0)]
    radii = [9.0, rng.uniform(16, 22), rng.uniform(4, 7), rng.uniform(30, 42), 75.0, 66.0, 72.0]
    vertices = np.array([*right, *[(-x, y) for x, y in right[::-1]]], dtype=float)
    ring, _ = fillet(vertices, np.array([*radii, *radii[::-1]]))
    return loop(ring, np.zeros((0, 2)), 30.0)


def _box(rng: Rng) -> Body:
    """Return a box or travel body: long straight sides, sharp or rounded corners."""
    length, tail, neck = rng.uniform(230, 480), rng.uniform(75, 150), rng.uniform(60, 130)
    vertices = np.array([(-tail, 0), (tail, 0), (neck, length), (-neck, length)])
    radii = np.zeros(4) if rng.random() < 0.4 else np.repeat(rng.uniform(4, 38, 2), 2)
    return loop(*fillet(vertices, radii), 24.0)


def _dulcimer(rng: Rng) -> Body:
    """Return a long slim hourglass of straight runs and wide arcs, square at both ends."""
    length, low, high = rng.uniform(560, 660), rng.uniform(84, 100), rng.uniform(64, 78)
    waist, end = rng.uniform(46, 54), rng.uniform(26, 34)
    right = [(end, 0), (low * 1.18, 0.16 * length), (low, 0.32 * length), (waist, 0.57 * length),
             (high * 1.08, 0.78 * length), (end, length)]
    radii = [0.0, 120.0, 140.0, 150.0, 90.0, 0.0]
    vertices = np.array([*right, *[(-x, y) for x, y in right[::-1]]], dtype=float)
    return loop(*fillet(vertices, np.array([*radii, *radii[::-1]])), 18.0)


def _angular(rng: Rng) -> Body:
    """Return an unequal body of straight lines with small or sharp corners."""
    places = [(-30, 330), (-96, 300), (-158, 402), (-176, 348), (-118, 214), (-186, 46), (-122, -22), (0, 40),
              (142, -12), (190, 58), (112, 204), (168, 330), (146, 366), (84, 292), (30, 330)]
    vertices = np.array(places, dtype=float)
    vertices[1:-1] += rng.normal(0.0, 7.0, (len(places) - 2, 2))
    radii = rng.uniform(3.0, 9.0, len(places))
    if rng.random() < 0.5:
        radii[[2, 5, 8, 11]] = 0.0
    return loop(*fillet(vertices, radii), 28.0)


def _teardrop(rng: Rng) -> Body:
    """Return a lute, bouzouki or teardrop body; the neck end is a narrow straight edge between corners."""
    length, wide, neck = rng.uniform(330, 470), rng.uniform(128, 172), rng.uniform(20, 26)
    flat = rng.random() < 0.4
    base = rng.uniform(28, 46) if flat else 0.0
    knots = [(base, 0.0), (0.62 * wide, 0.045 * length), (0.92 * wide, 0.16 * length), (wide, 0.31 * length),
             (0.93 * wide, 0.47 * length), (0.70 * wide, 0.69 * length), (0.40 * wide, 0.88 * length), (neck, length)]
    lean = (np.cos(0.5), np.sin(0.5)) if flat else (1.0, 0.0)
    side = _spline(np.array(knots), lean, (-0.62, 0.78))
    pieces = [side, np.array([(neck, length), (0.0, length)])]
    if flat:
        pieces = [np.array([(0.0, 0.0), (base, 0.0)]), *pieces]
    return _symmetric(pieces, neck - 2.0)


def _fiddle(rng: Rng) -> Body:
    """Return a body with four sharp corners of other proportions: sloping shoulders, long waist."""
    size, wide = rng.uniform(1.05, 1.5), rng.uniform(0.92, 1.08)
    low = np.array([rng.uniform(84, 92), rng.uniform(120, 136)])
    high = np.array([rng.uniform(70, 77), rng.uniform(222, 242)])
    lower = _spline(np.array([(0, 0), (58, 3), (96, 34), (102, 78), (88, 108), low]), (1.0, 0.0), (0.80, 0.60))
    waist = np.array([low, (66, 146), (54, 184), (58, 212), high])
    bout = _spline(waist, (-0.90, 0.40), (0.97, 0.20))
    upper = np.array([high, (72, 252), (76, 284), (60, 322), (36, 346), (18, 372), (17, 384)])
    shoulder = _spline(upper, (-0.85, 0.52), (0.0, 1.0))
    pieces = [piece * [wide * size, size] for piece in (lower, bout, shoulder)]
    top = pieces[-1][-1]
    return _symmetric([*pieces, np.array([top, (0.0, top[1])])], 15.0)


def _pineapple(rng: Rng) -> Body:
    """Return a ukulele without a waist: a superellipse below, another above, flat at the neck."""
    length, wide, power = rng.uniform(220, 300), rng.uniform(84, 112), rng.uniform(2.2, 2.7)
    split = rng.uniform(0.36, 0.44) * length
    at = np.linspace(-np.pi / 2, np.pi / 2, 20_001)
    x = wide * np.abs(np.cos(at)) ** (2 / power)
    y = np.sign(np.sin(at)) * np.abs(np.sin(at)) ** (2 / power)
    y = split + np.where(y < 0, y * split, y * (length - split))
    slim = 1 - rng.uniform(0.10, 0.2) * np.clip((y - split) / (length - split), 0, 1) ** 3
    return _symmetric([np.stack([x * slim, y], axis=1)], 18.0)


def _parlour(rng: Rng) -> Body:
    """Return a slim guitar whose bouts are nearly equal."""
    length, lower = rng.uniform(430, 480), rng.uniform(140, 165)
    upper, waist = lower * rng.uniform(0.88, 0.97), lower * rng.uniform(0.70, 0.78)
    knots = [(0.0, 0.0), (0.52 * lower, 0.012 * length), (0.88 * lower, 0.09 * length), (lower, 0.22 * length),
             (0.5 * (lower + waist), 0.40 * length), (waist, 0.56 * length), (0.5 * (upper + waist), 0.68 * length),
             (upper, 0.82 * length), (0.82 * upper, 0.935 * length), (0.45 * upper, 0.987 * length), (0.0, length)]
    return _symmetric([_spline(np.array(knots), (1.0, 0.0), (-1.0, 0.0))], 25.0)


def _florentine(rng: Rng) -> Body:
    """Return a guitar with a pointed cutaway, on either side: the cut runs straight, then turns to the neck."""
    half = resample(_guitar_half(rng), 0.1)
    length = half[-1, 1]
    upper = float(half[half[:, 1] > 0.75 * length, 0].max())
    tip_y, foot_y = rng.uniform(0.875, 0.90) * length, rng.uniform(0.775, 0.80) * length
    far = np.array([(30.0, length + 40), (30.0, foot_y), (46.0, foot_y - 6.0), (upper + 60.0, tip_y + 36.0)])
    ring, _ = fillet(np.vstack([far, [(upper + 60.0, length + 40)]]), np.array([0.0, 4.0, 9.0, 0.0, 0.0]))
    shape = Polygon(_whole(half)).difference(Polygon(ring))
    if not isinstance(shape, Polygon):
        raise ValueError("the cutaway took the shape apart")
    cut, whole = np.asarray(shape.exterior.coords)[:-1], Polygon(_whole(half)).exterior
    edge = Polygon(ring).exterior
    near = [p for p in cut if edge.distance(Point(p)) < 1e-6]
    on_both = [p for p in near if whole.distance(Point(p)) < 1e-6]
    corners = np.array(on_both).reshape(-1, 2)
    if len(corners) != 2:
        raise ValueError("the cutaway meets the body at other than two places")
    flip = np.array([1.0 if rng.random() < 0.6 else -1.0, 1.0])
    return loop(cut * flip, corners * flip, 27.0)


MAKERS: dict[str, Callable[[Rng], Body]] = {
    "double cutaway": _double_cutaway, "offset": _offset, "horns": _horns, "box": _box, "dulcimer": _dulcimer,
    "angular": _angular, "teardrop": _teardrop, "fiddle": _fiddle, "pineapple": _pineapple, "parlour": _parlour,
    "florentine": _florentine,
}
SYMMETRIC = ("horns", "box", "dulcimer", "teardrop", "fiddle", "pineapple", "parlour")


def more_body(family: str, seed: int) -> Body:
    """Return a body of one of the families in MAKERS; a draw whose parts do not fit is drawn again.

    Raises:
        ValueError: no draw of this seed fits together.
    """
    why = ""
    for attempt in range(TRIES):
        try:
            body = MAKERS[family](np.random.default_rng([seed, 1, attempt]))
        except ValueError as fault:
            why = str(fault)
            continue
        if Polygon(body.outline_mm).is_valid:
            return body
    raise ValueError(f"{family}, seed {seed}: {why}")

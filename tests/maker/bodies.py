"""Body outlines of five families in true plan mm, body frame: x = 0 the centerline, y = 0 the tail."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import root
from shapely import affinity
from shapely.geometry import Point, Polygon

from calibration.frames import FloatArray
from tests.maker.spec import PlanSpec

ARC_POINTS = 4000
STEP_MM = 0.4  # between the points of an outline: 0.001 mm of sagitta at a radius of 20 mm


@dataclass(frozen=True, eq=False)
class Body:
    """A body outline, closed, counter-clockwise, starting at the tail; the first point is not repeated."""

    outline_mm: FloatArray  # (N, 2)
    corners_mm: FloatArray  # (C, 2) sharp corners, each also a point of the outline
    neck_half_mm: float

    @property
    def length_mm(self) -> float:
        """Body length on the centerline."""
        return float(np.ptp(self.outline_mm[:, 1]))


def resample(points: FloatArray, step_mm: float = STEP_MM) -> FloatArray:
    """Return points at equal steps along an open polyline, both ends kept."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / step_mm)) + 1))
    return np.stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])], axis=1)


def _spline(knots: FloatArray, start: tuple[float, float], end: tuple[float, float]) -> FloatArray:
    """Return a dense cubic spline through ``knots`` with unit tangents at both ends."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T) ** 0.8)])
    speed = [np.hypot(*(knots[1] - knots[0])) / along[1], np.hypot(*(knots[-1] - knots[-2])) / (along[-1] - along[-2])]
    ends = ((1, np.array(start) / np.hypot(*start) * speed[0]), (1, np.array(end) / np.hypot(*end) * speed[1]))
    return np.asarray(CubicSpline(along, knots, bc_type=ends)(np.linspace(0.0, along[-1], 20_000)))


def _whole(half: FloatArray) -> FloatArray:
    """Return the closed outline of a right half that runs from tail to neck end."""
    half = half.copy()
    half[[0, -1], 0] = 0.0
    return np.vstack([half, half[-2:0:-1] * [-1.0, 1.0]])


def _symmetric(pieces: list[FloatArray], neck_half_mm: float) -> Body:
    """Return a body whose right half is ``pieces`` joined at sharp corners."""
    pieces = [resample(piece) for piece in pieces]
    half = np.vstack([pieces[0], *[piece[1:] for piece in pieces[1:]]])
    right = np.array([piece[-1] for piece in pieces[:-1]]).reshape(-1, 2)
    return Body(_whole(half), np.vstack([right, right * [-1.0, 1.0]]), neck_half_mm)


def _guitar_half(rng: np.random.Generator) -> FloatArray:
    """Return a waisted right half: a spline with continuous curvature."""
    length, lower = rng.uniform(460, 515), rng.uniform(180, 205)
    waist, upper = lower * rng.uniform(0.60, 0.70), lower * rng.uniform(0.72, 0.79)
    shares = [
        (0.0, 0.0), (0.50 * lower, 0.016 * length), (0.87 * lower, 0.100 * length),
        (lower, rng.uniform(0.235, 0.255) * length), (0.5 * (lower + waist) + 0.015 * lower, 0.458 * length),
        (waist, rng.uniform(0.615, 0.63) * length), (0.35 * waist + 0.65 * upper, 0.738 * length),
        (upper, 0.845 * length), (0.77 * upper, 0.952 * length), (0.37 * upper, 0.991 * length), (0.0, length),
    ]
    return _spline(np.array(shares), (1.0, 0.0), (-1.0, 0.0))


def _guitar(rng: np.random.Generator) -> Body:
    return _symmetric([_guitar_half(rng)], 27.0)


def _arc(start: FloatArray, heading: float, radius: float, turn: float) -> tuple[FloatArray, FloatArray, float]:
    """Return points, end and end heading of an arc; ``turn`` > 0 is counter-clockwise, radians."""
    side = np.sign(turn) * radius
    centre = start + side * np.array([-np.sin(heading), np.cos(heading)])
    at = heading + np.linspace(0.0, turn, ARC_POINTS)
    points = centre + side * np.stack([np.sin(at), -np.cos(at)], axis=1)
    return points, points[-1], heading + turn


def _chain(arcs: list[tuple[float, float]]) -> FloatArray:
    """Return the points of tangent arcs (radius, turn) from the tail, ``ARC_POINTS`` an arc."""
    end, heading, parts = np.zeros(2), 0.0, []
    for radius, turn in arcs:
        points, end, heading = _arc(end, heading, radius, turn)
        parts.append(points)
    return np.vstack(parts)


def _small(rng: np.random.Generator) -> Body:
    """Return a small body of five tangent arcs each side, as drawn with a compass.

    The waist's and the upper bout's turns are found so that the half ends on the centerline with the
    upper bout the wanted share of the lower one.
    """
    length, share = rng.uniform(245, 350), rng.uniform(0.76, 0.83)
    radii = np.array([0.9, 0.30, 0.55, 0.20, 0.55]) * rng.uniform(0.96, 1.04, 5)
    tail, lower = np.radians([17.0, 106.0]) + np.radians(rng.uniform(-1.5, 1.5, 2))

    def chain(unknown: FloatArray) -> FloatArray:
        last = np.pi - tail - lower - unknown.sum()
        return _chain(list(zip(radii, [tail, lower, *unknown, last], strict=True)))

    def miss(unknown: FloatArray) -> tuple[float, float]:
        x = chain(unknown)[:, 0].reshape(5, ARC_POINTS)
        return float(x[-1, -1]), float(x[3].max() - share * x[1].max())

    found = root(miss, np.radians([-48.0, 70.0]), tol=1e-13)
    half = chain(found.x)
    if abs(half[-1, 0]) > 1e-9:
        raise ValueError("the arcs of this small body do not meet")
    return _symmetric([half * (length / half[-1, 1])], 17.0)


def _violin(rng: np.random.Generator) -> Body:
    """Return a body with four sharp corners; the curves meet there at an angle."""
    size = rng.uniform(1.0, 1.22)
    wide = size * rng.uniform(0.97, 1.03)
    low, high = np.array([94.5, 130.0]), np.array([78.0, 236.0])
    lower = _spline(
        np.array([(0, 0), (48, 5.5), (88, 31), (104, 76), (94, 113), low]), (1.0, 0.0), (0.62, 0.78)
    )
    bout = _spline(np.array([low, (73, 141), (56.5, 180), (62, 217), high]), (-0.97, 0.16), (0.93, 0.36))
    upper = _spline(
        np.array([high, (77, 249), (84, 287), (68, 330), (33, 349), (0, 355)]), (-0.62, 0.78), (-1.0, 0.0)
    )
    return _symmetric([piece * [wide, size] for piece in (lower, bout, upper)], 16.0)


def _cassini(spec: PlanSpec) -> Body:
    """Return Cassini's oval with its long axis on the centerline (closed forms: shared facts, section 6)."""
    c, b = spec.cassini_c_mm, spec.cassini_b_mm
    at = np.linspace(0.0, np.pi, 40_000)
    root = np.sqrt(b**4 - c**4 * np.sin(2 * at) ** 2)
    radius = np.sqrt(c**2 * np.cos(2 * at) + root)
    half = np.stack([radius * np.sin(at), np.sqrt(b**2 + c**2) - radius * np.cos(at)], axis=1)
    return _symmetric([half], 20.0)


def _find(points: FloatArray, place: FloatArray) -> int:
    return int(np.argmin(np.hypot(*(points - place).T)))


def _from_polygon(shape: Polygon, length: float) -> FloatArray:
    """Return the outline of ``shape`` counter-clockwise from the tail."""
    ring = np.asarray(shape.exterior.coords)[:-1]
    area = np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1))
    ring = ring if area > 0 else ring[::-1]
    return np.roll(ring, -_find(ring, np.zeros(2)), axis=0)


def _cutaway(rng: np.random.Generator) -> Body:
    """Return a guitar with the right shoulder cut away; the horn is rounded or a sharp point."""
    half = resample(_guitar_half(rng), 0.2)
    length, upper = half[-1, 1], float(half[half[:, 1] > 0.75 * half[-1, 1], 0].max())
    scoop = affinity.rotate(Point(0, 0).buffer(1.0, quad_segs=2000), 0)
    scoop = affinity.scale(scoop, (upper - 31.0) * rng.uniform(0.98, 1.0), 0.19 * length)
    cutter = affinity.translate(scoop, upper + 2.0, length * 1.005)
    cut = Polygon(_whole(half)).difference(cutter)
    sharp = bool(rng.random() < 0.5)
    corners = np.zeros((0, 2))
    if sharp:
        ring = _from_polygon(cut, length)
        inside = np.hypot(*((ring - [upper + 2.0, length * 1.005]) / [scoop.bounds[2], scoop.bounds[3]]).T) < 1.0 + 1e-6
        runs = np.flatnonzero(inside)
        corners = ring[[runs.min(), runs.max()]]
    else:
        radius = rng.uniform(9.0, 14.0)
        cut = cut.buffer(-radius, quad_segs=400).buffer(radius, quad_segs=400)
        ring = _from_polygon(cut.simplify(2e-5), length)
    ring = np.vstack([ring, ring[:1]])
    stops = sorted({0, len(ring) - 1, *(_find(ring, corner) for corner in corners)})
    parts = [resample(ring[a : b + 1])[:-1] for a, b in pairwise(stops)]
    return Body(np.vstack(parts), corners, 27.0)


def make_body(spec: PlanSpec) -> Body:
    """Return the body that ``spec`` asks for; its seed alone decides the random sizes."""
    rng = np.random.default_rng([spec.seed, 1])
    if spec.family == "cassini":
        return _cassini(spec)
    return {"guitar": _guitar, "small": _small, "violin": _violin, "cutaway": _cutaway}[spec.family](rng)

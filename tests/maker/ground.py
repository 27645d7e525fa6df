"""What everything on a sheet is drawn against: the body, its shape, its sides, its sheet's dice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from calibration.frames import FloatArray
from tests.maker.bodies import Body, make_body
from tests.maker.found_bodies import FOUND, found_body
from tests.maker.level_spec import LevelSpec
from tests.maker.marks import Mark, text
from tests.maker.more_bodies import MAKERS, more_body

FAR_MM = 1e4


def body_of(spec: LevelSpec) -> Body:
    """Return the body of any family."""
    if spec.family in MAKERS:
        return more_body(spec.family, spec.seed)
    return found_body(spec.family, spec.seed) if spec.family in FOUND else make_body(spec)


@dataclass(frozen=True, eq=False)
class Ground:
    """A body and what is asked about it while drawing, body frame."""

    spec: LevelSpec
    body: Body
    rng: np.random.Generator

    @cached_property
    def shape(self) -> Polygon:
        """The body as an area."""
        return Polygon(self.body.outline_mm)

    @cached_property
    def neck(self) -> int:
        """Row of the outline where the centerline leaves it at the neck."""
        points = self.body.outline_mm
        following = np.roll(points, -1, axis=0)
        over = np.flatnonzero((points[:, 0] > 0) & (following[:, 0] <= 0))
        return int((over[np.argmax(points[over, 1])] + 1) % len(points))

    @cached_property
    def neck_y(self) -> float:
        """Height of the neck end on the centerline."""
        return float(self.body.outline_mm[self.neck, 1])

    @cached_property
    def kept(self) -> Polygon:
        """The side of the centerline that is drawn; everything for a whole drawing."""
        low = 0.0 if self.spec.half and not self.spec.left_half else -FAR_MM
        high = 0.0 if self.spec.half and self.spec.left_half else FAR_MM
        return shapely.box(low, -FAR_MM, high, FAR_MM)

    @property
    def sides(self) -> tuple[float, ...]:
        """Signs of x that are drawn."""
        if not self.spec.half:
            return (1.0, -1.0)
        return (-1.0,) if self.spec.left_half else (1.0,)

    def drawn_outline(self) -> FloatArray:
        """Return the outline as drawn: the closed loop, or the open half from tail to neck."""
        if not self.spec.half:
            return self.body.outline_mm
        if self.spec.left_half:
            return np.vstack([self.body.outline_mm[self.neck :], self.body.outline_mm[:1]])[::-1]
        return self.body.outline_mm[: self.neck + 1]

    def edge_x(self, y: float, side: float) -> float:
        """Return where the outline stands at height ``y`` on a side, outermost."""
        cut = LineString([(0.0, y), (side * 1000.0, y)]).intersection(self.shape.exterior)
        xs = shapely.get_coordinates(cut)[:, 0]
        return float(xs[np.argmax(np.abs(xs))]) if len(xs) else side * 60.0

    def spot(self, low: float, high: float) -> tuple[FloatArray, FloatArray]:
        """Return a random place of the drawn outline between two shares of the length, and its outward normal."""
        points = self.drawn_outline()
        fit = np.flatnonzero((points[:, 1] > low * self.neck_y) & (points[:, 1] < high * self.neck_y))
        fit = fit[(fit > 2) & (fit < len(points) - 3)]
        at = int(self.rng.choice(fit))
        along = points[at + 2] - points[at - 2]
        out = np.array([along[1], -along[0]]) / np.hypot(*along)
        if self.shape.contains(shapely.Point(points[at] + 0.5 * out)):
            out = -out
        return points[at], out

    def inside(self, marks: list[Mark], shape: Polygon | None = None) -> list[Mark]:
        """Return the parts of ``marks`` inside the body (or another area): they end on its line."""
        return clip(marks, self.shape if shape is None else shape)

    def offset(self, distance_mm: float) -> Polygon:
        """Return the body grown (+) or shrunk (-); its biggest part."""
        grown = self.shape.buffer(distance_mm, quad_segs=60)
        return max(getattr(grown, "geoms", [grown]), key=lambda part: part.area)


def clip(marks: list[Mark], area: Polygon) -> list[Mark]:
    """Return what of ``marks`` lies in ``area``; lines are cut at its edge."""
    got: list[Mark] = []
    for mark in marks:
        ring = np.vstack([mark.points, mark.points[:1]]) if mark.closed else mark.points
        shape = Polygon(mark.points) if mark.filled else LineString(ring)
        if area.contains(shape):
            got.append(mark)
            continue
        left = shape.intersection(area)
        left = shapely.line_merge(left) if left.geom_type == "MultiLineString" else left
        for part in getattr(left, "geoms", [left]):
            if part.is_empty or part.geom_type not in ("LineString", "Polygon"):
                continue
            points = np.asarray((part.exterior if mark.filled else part).coords)
            got.append(replace(mark, points=points, closed=mark.filled))
    return got


def words(ground: Ground, string: str, at: tuple[float, float], high: float, angle_deg: float = 0.0) -> list[Mark]:
    """Return a note; on a half drawing it is kept off the empty side."""
    marks = text(string, at, high, angle_deg)
    if ground.spec.half:
        xs = np.concatenate([mark.points[:, 0] for mark in marks])
        side = ground.sides[0]
        over = min(0.0, xs.min() - 3.0) if side > 0 else max(0.0, xs.max() + 3.0)
        marks = text(string, (at[0] - over, at[1]), high, angle_deg)
    return marks

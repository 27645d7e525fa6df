"""Bodies with closed-form answers for the tests of drawing, writers and arcs."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.frames import BodyPoints, FloatArray, frozen_floats
from digitize.arcs import arc_length, polygon, signed_area
from digitize.shapes import ArcPath, BodyMeasures, FairOutline

# Cassini oval (x^2 + y^2)^2 - 2 c^2 (x^2 - y^2) = b^4 - c^4 with its closed-form area 2 b^2 E(c^4 / b^4);
# the perimeter was computed two ways.
CASSINI_C_MM, CASSINI_B_MM = 170.0, 184.0
CASSINI_AREA_MM2 = 82902.274244
CASSINI_PERIMETER_MM = 1236.576887
CASSINI_LENGTH_MM = 2.0 * 250.511477
CASSINI_BOUT_MM = 2.0 * 99.576471
CASSINI_WAIST_MM = 2.0 * 70.398864


@dataclass(frozen=True)
class Body:
    fair: FairOutline
    measures: BodyMeasures


def cassini_points(count: int, scale: float = 1.0) -> FloatArray:
    """Counter-clockwise from the tail end at (0, 0), long axis along y."""
    c2, b4 = CASSINI_C_MM**2, CASSINI_B_MM**4
    angle = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False) - math.pi
    radius = np.sqrt(c2 * np.cos(2 * angle) + np.sqrt(b4 - c2**2 * np.sin(2 * angle) ** 2))
    along, aside = radius * np.cos(angle), radius * np.sin(angle)
    return frozen_floats(np.column_stack([-aside, along - along[0]]) * scale)


def arcs_through(points: FloatArray) -> ArcPath:
    """An arc through every second point and the one between."""
    start, middle = points[::2], points[1::2]
    end = np.roll(start, -1, axis=0)
    chord = end - start
    right = np.column_stack([chord[:, 1], -chord[:, 0]])
    return ArcPath(
        start, frozen_floats(2.0 * ((middle - (start + end) / 2.0) * right).sum(1) / (chord**2).sum(1)), True
    )


def body_of(path: ArcPath, points: FloatArray | None = None) -> Body:
    xy = path.xy_mm if points is None else points
    fair = FairOutline(BodyPoints(xy), path, (), 0.0, 0.0, 0.0, True)
    measures = BodyMeasures(
        CASSINI_LENGTH_MM,
        CASSINI_BOUT_MM,
        CASSINI_WAIST_MM,
        None,
        110.0,
        250.0,
        None,
        arc_length(path),
        signed_area(path),
        92.5,
    )
    return Body(fair, measures)


def cassini(count: int = 720, scale: float = 1.0) -> Body:
    points = cassini_points(count, scale)
    return body_of(arcs_through(points), points)


def semicircles() -> Body:
    """Two half turns of radius 200: the hardest case for arcs given by radius and end points."""
    return body_of(ArcPath(frozen_floats([(0.0, 0.0), (0.0, 400.0)]), frozen_floats([1.0, 1.0]), True))


def one_long_arc() -> Body:
    """Three quarters of a circle and its chord, the centerline crossing both the arc and the chord."""
    return body_of(
        ArcPath(frozen_floats([(150.0, 0.0), (-150.0, 0.0)]), frozen_floats([math.tan(3 * math.pi / 8), 0.0]), True)
    )


def cornered() -> Body:
    """Straight lines only, with points on the centerline inside a side and at a corner."""
    return body_of(
        polygon(frozen_floats([(0, 0), (120, -10), (80, 200), (110, 380), (-90, 380), (-60, 200), (-100, 5)]))
    )


def clockwise() -> Body:
    """The Cassini oval the other way round, beginning in the middle of the left side."""
    points = np.roll(cassini_points(720)[::-1], 97, axis=0)
    return body_of(arcs_through(points), points)


BODIES: dict[str, Callable[[], Body]] = {
    "cassini": cassini,
    "semicircles": semicircles,
    "one long arc": one_long_arc,
    "cornered": cornered,
    "clockwise": clockwise,
}

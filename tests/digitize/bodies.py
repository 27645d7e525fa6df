"""Made outlines with known truth for the tests of symmetry and fair; mm, body frame unless said otherwise."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline

from calibration.frames import FloatArray, SheetPoints, frozen_floats
from digitize.curve import arc_length, feet, resample
from digitize.shapes import Seen, SheetLine, TracedOutline

SPACING_MM = 0.25

# Control points of a cubic B-spline for the right half of a waisted body, tail to neck.
HALF_CONTROLS = np.array(
    [(70, 0), (150, 8), (190, 60), (190, 130), (160, 200), (118, 265), (112, 320),
     (140, 370), (142, 425), (105, 470), (45, 478)],
    dtype=float,
)
# The same with the upper bout scooped out on this side.
CUTAWAY_CONTROLS = np.array(
    [(70, 0), (150, 8), (190, 60), (190, 130), (160, 200), (118, 265), (112, 320),
     (135, 350), (118, 385), (62, 400), (40, 478)],
    dtype=float,
)


def body(cutaway: bool = False, count: int = 40_000) -> FloatArray:
    """A guitar-like closed outline with its tail at (0, 0); exactly even unless ``cutaway``."""
    left = (HALF_CONTROLS * (-1.0, 1.0))[::-1]
    ring = np.vstack([CUTAWAY_CONTROLS if cutaway else HALF_CONTROLS, left])
    # Start the closed spline halfway between the two lowest control points.
    wrapped = np.vstack([ring, ring[:3]])
    curve = BSpline(np.arange(len(wrapped) + 4.0), wrapped, 3)
    xy = curve(np.linspace(3.0, 3.0 + len(ring), count, endpoint=False))
    return np.asarray(xy - (0.0, tail_y(xy)))


def tail_y(xy: FloatArray) -> float:
    """Where a closed outline meets x = 0 lowest down."""
    turn = np.flatnonzero((xy[:, 0] < 0) != (np.roll(xy[:, 0], -1) < 0))
    return float(min((xy[turn, 1] + np.roll(xy[:, 1], -1)[turn]) / 2))


def lens(radius: float = 150.0, corner_deg: float = 80.0, count: int = 4000) -> FloatArray:
    """Two arcs of one radius meeting at bottom and top (first and middle point) at ``corner_deg`` inside."""
    reach = np.radians(corner_deg / 2.0)
    angle = np.linspace(-reach, reach, count, endpoint=False)
    right = radius * np.column_stack([np.cos(angle) - np.cos(reach), np.sin(angle) + np.sin(reach)])
    top = np.array([[0.0, 2.0 * radius * np.sin(reach)]])
    left = np.vstack([top, (right[1:] * (-1.0, 1.0))[::-1]])
    return np.vstack([right, left])


def turned(xy: FloatArray, angle_deg: float, shift: tuple[float, float]) -> FloatArray:
    """Points turned counter-clockwise about the origin, then shifted."""
    a = np.radians(angle_deg)
    matrix = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray(xy @ matrix.T + shift)


def spaced(xy: FloatArray, corners: tuple[int, ...] = ()) -> tuple[FloatArray, list[int]]:
    """The closed curve about 0.25 mm apart, its corners kept as points; returns points and corner indices."""
    if not corners:
        return resample(xy, SPACING_MM, closed=True), []
    parts, marks, total = [], [], 0
    for a, b in zip(corners, [*corners[1:], corners[0] + len(xy)], strict=True):
        run = resample(xy[np.arange(a, b + 1) % len(xy)], SPACING_MM, closed=False)[:-1]
        parts.append(run)
        marks.append(total)
        total += len(run)
    return np.vstack(parts), marks


def noisy(xy: FloatArray, sigma: float, seed: int, bumps: int = 0) -> FloatArray:
    """Points with white noise and, where other lines cross, bumps of 0.1 mm over about 2 mm."""
    rng = np.random.default_rng(seed)
    out = xy + rng.normal(0.0, sigma, xy.shape) if sigma else xy.copy()
    at = arc_length(xy, closed=True)
    tangent = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    for centre in rng.uniform(0, at[-1], bumps):
        away = (at[:-1] - centre + at[-1] / 2) % at[-1] - at[-1] / 2
        out += (rng.choice((-0.1, 0.1)) * np.exp(-0.5 * (away / 0.85) ** 2))[:, None] * normal
    return np.asarray(out)


def line(start: FloatArray, end: FloatArray) -> SheetLine:
    """A continuous drawn line."""
    return SheetLine((float(start[0]), float(start[1])), (float(end[0]), float(end[1])), 1.0, 0.005, 0.00002)


def traced(
    xy: FloatArray,
    sigma: float = 0.03,
    corners: list[int] | None = None,
    lines: tuple[SheetLine, ...] = (),
    half: bool = False,
) -> TracedOutline:
    """What the contour stage would hand over."""
    count = len(xy)
    return TracedOutline(
        points=SheetPoints(xy),
        sigma_mm=frozen_floats(np.full(count, max(sigma, 0.005))),
        seen=np.full(count, Seen.BOTH_EDGES),
        corners=np.array(corners or [], dtype=np.int64),
        half=half,
        lines=lines,
        width_mm=0.4,
    )


def apart(one: FloatArray, other: FloatArray, closed: bool = True) -> tuple[float, float]:
    """Rms and largest distance of the points ``one`` from the curve ``other``."""
    distance = feet(one, other, closed).distance
    return float(np.sqrt(np.mean(distance**2))), float(distance.max())

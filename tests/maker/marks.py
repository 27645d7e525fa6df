"""Neutral marks of a drawing in mm, before anything is copied or scanned."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.frames import FloatArray
from tests.maker.lettering import letter_strokes


@dataclass(frozen=True, eq=False)
class Mark:
    """One pen line or filled shape; ``dash_mm`` alternates ink and gap."""

    points: FloatArray  # (N, 2) mm
    width_mm: float = 0.18
    dash_mm: tuple[float, ...] = ()
    closed: bool = False
    filled: bool = False
    ink: float = 1.0  # share of full ink


def moved(mark: Mark, matrix: FloatArray) -> Mark:
    """Return ``mark`` under the (2, 3) affine ``matrix``, which keeps lengths."""
    points = mark.points @ matrix[:, :2].T + matrix[:, 2]
    return replace(mark, points=points)


def line(*points: tuple[float, float], width_mm: float = 0.18, dash_mm: tuple[float, ...] = ()) -> Mark:
    """Return a polyline through ``points``."""
    return Mark(np.array(points, dtype=float), width_mm, dash_mm)


def box(x: float, y: float, wide: float, high: float, width_mm: float = 0.25) -> Mark:
    """Return a rectangle from its lower left corner."""
    corners = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)], dtype=float)
    return Mark(corners, width_mm, closed=True)


def circle(x: float, y: float, radius: float, width_mm: float = 0.3) -> Mark:
    """Return a circle as a fine polygon."""
    at = np.linspace(0.0, 2 * np.pi, 1440, endpoint=False)
    return Mark(np.array([x, y]) + radius * np.stack([np.cos(at), np.sin(at)], axis=1), width_mm, closed=True)


def text(words: str, at: tuple[float, float], high: float, angle_deg: float = 0.0, middle: bool = False) -> list[Mark]:
    """Return the pen strokes of a line of text."""
    pen = max(0.15, high * 0.085)
    return [Mark(stroke, pen) for stroke in letter_strokes(words, at, high, angle_deg, middle)]


def arrow(tip: tuple[float, float], toward: tuple[float, float]) -> Mark:
    """Return a slim filled arrow head at ``tip`` pointing along ``toward``."""
    along = np.array(toward) / np.hypot(*toward)
    side = np.array([-along[1], along[0]])
    back = np.array(tip) - 2.8 * along
    return Mark(np.array([tip, back + 0.45 * side, back - 0.45 * side]), closed=True, filled=True)


def dimension(
    first: tuple[float, float], second: tuple[float, float], shift: tuple[float, float], words: str
) -> list[Mark]:
    """Return extension lines from two points on the outline, the line between them and its words.

    Extension lines start on the points themselves, as on many old plans: they touch the outline.
    """
    ends = [np.array(first) + shift, np.array(second) + shift]
    along = ends[1] - ends[0]
    over = np.array(shift) / np.hypot(*shift) * 2.5
    marks = [
        line(first, tuple(ends[0] + over)), line(second, tuple(ends[1] + over)), line(tuple(ends[0]), tuple(ends[1])),
        arrow(tuple(ends[0]), tuple(-along)), arrow(tuple(ends[1]), tuple(along)),
    ]
    angle = float(np.degrees(np.arctan2(along[1], along[0])))
    lift = np.array([-along[1], along[0]]) / np.hypot(*along) * 1.4
    return marks + text(words, tuple((ends[0] * 0.62 + ends[1] * 0.38) + lift), 3.0, angle, middle=True)

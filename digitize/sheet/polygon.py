"""The sheet's polygon: the picture's frame cut by the lines that bound the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.shapes import SheetSide
from digitize.sheet.lens import Lens

# The frame is bent when the picture is straightened, the sheet's sides when it is not: both come in so many pieces.
PIECES = 12


@dataclass(frozen=True, eq=False)
class Half:
    """All that lies on one side of a straight line of the straightened picture, full-resolution px."""

    normal: FloatArray  # (2,) unit, pointing out
    offset_px: float
    side: SheetSide

    def outside(self, places: FloatArray) -> FloatArray:
        """Return (N,) how far places (N, 2) lie beyond the line."""
        return np.asarray(places @ self.normal - self.offset_px)


@dataclass(frozen=True, eq=False)
class Polygon:
    """A closed polygon, clockwise as seen; side i runs from vertex i to i + 1."""

    places: FloatArray  # (V, 2)
    sides: tuple[int, ...]  # number of the half that cut it there, -1 for the frame


def cut_frame(lens: Lens, shape: tuple[int, ...], halves: tuple[Half, ...]) -> Polygon:
    """Return what the halves leave of the frame, in the straightened picture; empty when nothing."""
    height, width = shape[:2]
    corners = np.array([(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)], dtype=np.float64)
    t = np.arange(PIECES)[:, None] / PIECES
    frame = np.vstack([a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    polygon = Polygon(lens.straighten(frame), (-1,) * len(frame))
    for number, half in enumerate(halves):
        polygon = _cut(polygon, half, number)
    return polygon


def _cut(polygon: Polygon, half: Half, number: int) -> Polygon:
    """Cut one half off (Sutherland and Hodgman, Comm. ACM 17 (1974) 32)."""
    places: list[FloatArray] = []
    sides: list[int] = []
    count = len(polygon.places)
    if count == 0:
        return polygon
    out = half.outside(polygon.places)
    for at in range(count):
        after = (at + 1) % count
        here, there = polygon.places[at], polygon.places[after]
        if out[at] <= 0:
            places.append(here)
            sides.append(polygon.sides[at])
        if (out[at] <= 0) != (out[after] <= 0):
            places.append(here + (there - here) * out[at] / (out[at] - out[after]))
            sides.append(number if out[at] <= 0 else polygon.sides[at])
    return Polygon(np.array(places).reshape(-1, 2), tuple(sides))


def side_ends(polygon: Polygon, number: int) -> tuple[FloatArray, FloatArray] | None:
    """Return where the side that a half has cut begins and ends, clockwise, or None when it has none."""
    count = len(polygon.places)
    own = [at for at in range(count) if polygon.sides[at] == number]
    if not own:
        return None
    first = next((at for at in own if polygon.sides[at - 1] != number), own[0])
    return polygon.places[first], polygon.places[(first + len(own)) % count]


def seen_polygon(polygon: Polygon, lens: Lens, halves: tuple[Half, ...]) -> tuple[FloatArray, tuple[SheetSide, ...]]:
    """Return the polygon as the lens shows it, (V, 2) px, and what each of its sides is."""
    places: list[FloatArray] = []
    sides: list[SheetSide] = []
    following = np.roll(polygon.places, -1, axis=0)
    for here, there, number in zip(polygon.places, following, polygon.sides, strict=True):
        pieces = 1 if number < 0 else PIECES
        places += [here + k / pieces * (there - here) for k in range(pieces)]
        sides += ["cut" if number < 0 else halves[number].side] * pieces
    return lens.bend(np.array(places)), tuple(sides)


def inside_polygon(polygon: FloatArray, places: FloatArray) -> BoolArray:
    """Return (N,) which places (N, 2) a polygon (V, 2) holds: an odd number of its sides lies to their left."""
    held = np.zeros(len(places), dtype=np.bool_)
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        spans = (a[1] > places[:, 1]) != (b[1] > places[:, 1])
        rise = b[1] - a[1]
        x = a[0] + (places[:, 1] - a[1]) / (rise or 1.0) * (b[0] - a[0])
        held ^= spans & (places[:, 0] > x)
    return held

"""Do the paper's sides run straight on the sheet as it was measured?

Where one bows, it is not cut straight or not flat; where it has a step, another sheet lies against it.

Of a sheet that bends far, what bends looks drawn as a curve and is left alone, and the straight things that remain fit
some camera well: all that was measured agrees, and may be centimetres off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray, PxPoints
from calibration.photo import PhotoCalibration

SIDE_NAMES = ("right", "lower", "left", "upper")  # as the picture shows them
LEAST_PLACES = 30
TANGENT_MM = 24.0  # over which a place's own direction is taken
TANGENT_GAP = 1.5  # times that: the rim is broken there
MOST_TURN_DEG = 30.0  # of that direction from its side's
CORNER_MM = 15.0
LEAST_MM = 120.0  # of a side
CELL_MM, LEAST_SEEN = 4.0, 0.5  # in steps of so much, of its length
ROUNDS, SOFT_MM = 10, 0.3
# A side has a smooth course where so many of its places are this near to it: a shadow, a notch or a thing that lies
# over the paper's end has none. The highest power of the course, and the part on it: what turns more must fit better.
ON_COURSE_MM, COURSES = 1.2, ((5, 0.97), (14, 0.997))
BOWED_MM = 2.0  # shears and knives cut straighter along a paper's side (common practice, no source)
# Of its length: a side that leaves a straight line by more was cut to a shape, for no sheet rises so far toward a
# camera that sees all of it (30 mm of lift at 300 mm from below the camera, seen from 600 mm, are 16 mm).
CUT_SHARE = 0.08
# A side of two sheets that overlap nearly in line: two straight pieces, each so long, and a step from one to the other;
# the end of a shadow makes one of 2 mm.
PIECE_MM, ON_LINE_MM, LEAST_ON_LINE, STEP_MM = 60.0, 0.8, 0.97, 3.0
ONE_LINE_MM = 0.4  # a side whose places are this near to one line has no such step
BREAK_MM = 5.0  # about the step nothing is sure
THINNED = 3  # every so many places are enough
STRAIGHT_SHARE = 0.85  # of a side, along which its own edge was found straight: it does not bow
FACING = ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))


@dataclass(frozen=True, eq=False)
class Rim:
    """Where the paper ends, along the axes of the rectangle that fits it."""

    px: FloatArray  # (N, 2)
    xy: FloatArray  # (N, 2) mm
    free: BoolArray  # (N,)
    way: FloatArray  # (N, 2) unit, along it; nan where it is broken
    edges: tuple[FloatArray, ...]  # (M, 2) mm, of the straight ones that were measured

    @classmethod
    def of(
        cls, photo: PhotoCalibration, rim_px: FloatArray, free: BoolArray, edges_px: Sequence[FloatArray] = ()
    ) -> Rim | None:
        """Return it, None where hardly any is seen.

        Args:
            photo: as adjusted.
            rim_px: (N, 2) where the paper ends, in order round it; parts may be missing.
            free: (N,) where no rule hides it.
            edges_px: (M, 2) places of each edge of the sheet that was measured as a straight line.
        """
        if len(rim_px) < LEAST_PLACES:
            return None
        xy = photo.to_sheet(PxPoints(rim_px)).xy
        turn = np.radians(cv2.minAreaRect(xy.astype(np.float32))[2])
        axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        edges = tuple(photo.to_sheet(PxPoints(edge)).xy @ axes for edge in edges_px)
        return cls(rim_px, xy @ axes, free, _ways(xy @ axes), edges)

    def _at(self, facing: FloatArray) -> BoolArray:
        """Return (N,) which places are of the side that faces a way (2,)."""
        beyond = self.xy @ facing
        along = np.abs(self.way @ facing) < np.sin(np.radians(MOST_TURN_DEG))  # not where it is nan
        return np.asarray(along & (beyond > np.median(beyond)))

    def side(self, facing: FloatArray) -> FloatArray:
        """Return (M, 2) along and across a side, mm, without its corners and what rules may hide."""
        xy = self.xy[self._at(facing) & self.free]
        places = np.stack([xy @ [-facing[1], facing[0]], xy @ facing], axis=1)
        if not len(places):
            return places
        low, high = places[:, 0].min() + CORNER_MM, places[:, 0].max() - CORNER_MM
        return np.asarray(places[(places[:, 0] > low) & (places[:, 0] < high)])

    def straight(self, facing: FloatArray) -> bool:
        """Tell whether nearly all of a side was measured as a straight line; the rim is rougher than that."""
        along = np.array([-facing[1], facing[0]])
        middle = float(np.median(self.xy @ facing))
        spans = [np.ptp(edge @ along) for edge in self.edges if np.median(edge @ facing) > middle]
        return bool(max(spans, default=0.0) > STRAIGHT_SHARE * np.ptp(self.side(facing)[:, 0]))

    def side_name(self, facing: FloatArray) -> str:
        """Return what a side is called by the way that it faces in the picture."""
        own = self.px[self._at(facing)]
        x, y = np.median(own, axis=0) - np.median(self.px, axis=0) if len(own) else facing
        return SIDE_NAMES[round(float(np.arctan2(y, x)) / (np.pi / 2)) % 4]


@dataclass(frozen=True)
class Bow:
    """By how much a side of the paper leaves a straight line."""

    side: str
    length_mm: float
    bow_mm: float  # from its farthest place on one side to that on the other


def bows_of(rim: Rim) -> list[Bow]:
    """Return the bow of every side of the paper that has a smooth course."""
    found = ((facing, _bow(rim.side(facing))) for facing in np.array(FACING))
    kept = [(facing, seen) for facing, seen in found if seen is not None and not rim.straight(facing)]
    return [Bow(rim.side_name(facing), *seen) for facing, seen in kept]


def worst_bow(rim: Rim) -> Bow | None:
    """Return the side that bows most as a bent sheet's may, None where none does for certain."""
    bowed = [one for one in bows_of(rim) if BOWED_MM < one.bow_mm < CUT_SHARE * one.length_mm]
    return max(bowed, key=lambda one: one.bow_mm, default=None)


@dataclass(frozen=True)
class Step:
    """A side of the paper that is straight on either side of a step."""

    side: str
    step_mm: float


def worst_step(rim: Rim) -> Step | None:
    """Return the largest step in a side of the paper, None where there is none."""
    found = [(rim.side_name(facing), _step(rim.side(facing))) for facing in np.array(FACING)]
    return max((Step(*one) for one in found if one[1] >= STEP_MM), key=lambda one: one.step_mm, default=None)


def _ways(xy: FloatArray) -> FloatArray:
    """Return (N, 2) unit vectors along a rim at its places, nan where it is broken."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    ends = [np.searchsorted(at, at + half).clip(0, len(at) - 1) for half in (-TANGENT_MM / 2, TANGENT_MM / 2)]
    way = xy[ends[1]] - xy[ends[0]]
    size = np.hypot(*way.T)
    whole = (size > TANGENT_MM / TANGENT_GAP) & (size < TANGENT_MM * TANGENT_GAP)
    return np.where(whole, way.T / np.where(whole, size, 1.0), np.nan).T


def _bow(side: FloatArray) -> tuple[float, float] | None:
    """Return the length and the bow of a side (M, 2), None where it is short, hidden or has no smooth course."""
    if len(side) < LEAST_PLACES:
        return None
    along, across = side.T
    length = float(np.ptp(along))
    if length < LEAST_MM or len(np.unique(along // CELL_MM)) * CELL_MM < LEAST_SEEN * length:
        return None
    course = _course(2.0 * (along - along.min()) / length - 1.0, across)
    if course is None:
        return None
    line = np.polynomial.Polynomial.fit(along, course, 1)(along)
    return length, float(np.ptp(course - line))


def _step(side: FloatArray) -> float:
    """Return the step between the two straight pieces of a side (M, 2), 0 where it is not two such pieces."""
    if len(side) < LEAST_PLACES:
        return 0.0
    along, across = side[np.argsort(side[:, 0])][::THINNED].T
    if _line(along, across, ONE_LINE_MM) is not None:
        return 0.0
    found = 0.0
    for at in np.arange(along[0] + PIECE_MM, along[-1] - PIECE_MM, BREAK_MM):
        parts = (along < at - BREAK_MM, along > at + BREAK_MM)
        first, second = (_line(along[part], across[part], ON_LINE_MM) for part in parts)
        if first is not None and second is not None:
            found = max(found, abs(float(first(at)) - float(second(at))))
    return found


def _line(along: FloatArray, across: FloatArray, near_mm: float) -> np.polynomial.Polynomial | None:
    """Return the straight line that nearly all places of a piece are on, None where they are on none."""
    if len(along) < LEAST_PLACES or np.ptp(along) < PIECE_MM:
        return None
    line = np.polynomial.Polynomial.fit(along, across, 1)
    return line if np.mean(np.abs(across - line(along)) < near_mm) >= LEAST_ON_LINE else None


def _course(at: FloatArray, value: FloatArray) -> FloatArray | None:
    """Return (M,) the smoothest course that nearly all values at places -1 to 1 are on, None where there is none."""
    for power, least in COURSES:
        course = _smooth(at, value, power)
        if np.mean(np.abs(value - course) < ON_COURSE_MM) >= least:
            return course
    return None


def _smooth(at: FloatArray, value: FloatArray, power: int) -> FloatArray:
    """Return (M,) a polynomial through values at places -1 to 1, by least absolute deviations (reweighted)."""
    design = np.polynomial.legendre.legvander(at, power)
    weight = np.ones(len(at))
    course = value
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        course = design @ np.linalg.lstsq(design * root, value * root[:, 0], rcond=None)[0]
        weight = 1.0 / np.maximum(np.abs(value - course), SOFT_MM)
    return np.asarray(course)

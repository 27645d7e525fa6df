"""A cut part's straight edge, and on which side of the outline its material is by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.errors import Refusal
from calibration.frames import BoolArray, FloatArray, frozen_floats
from calibration.part_fit import PartFit
from calibration.part_runs import StraightFit, straight_fit
from digitize.fit_shapes import EdgePlaces, HalfCurve, Side
from digitize.part_edge import STRAIGHT_REACH_MM, level_beside, line_contrasts
from digitize.part_view import PartView
from digitize.part_walls import seen_edge

SIDES: tuple[Side, ...] = ("inside", "outside")
STATION_MM = 0.5
# How far beyond the ends it is looked for, and what decides on which side the material is.
BEYOND_MM, NEAR_END_MM, LOOK_MM = 60.0, 4.0, 22.0
MOST_SEEN, LEAST_SEEN = 0.65, 0.4
# Where it is too faint to be followed: its slope over the whole of it, as a part of the outline's.
MOST_FAINT, LEAST_FAINT = 0.5, 0.3


@dataclass(frozen=True, eq=False)
class OutlineSeen:
    """What the outline's own edge looks like, for a choice of side."""

    matrix: FloatArray  # (2, 3) sheet mm to body mm
    rise: FloatArray  # (M,) at the places used
    inner: FloatArray
    outer: FloatArray

    @property
    def usual(self) -> float:
        """The usual change of light across it."""
        return float(np.median(self.rise))


@dataclass(frozen=True, eq=False)
class StraightSeen:
    """What was seen along x = 0."""

    y_mm: FloatArray
    line: HalfCurve
    edge: EdgePlaces
    wall_u_mm: FloatArray  # (S,) 1 sigma of its place by a wall beside it
    low_mm: float
    high_mm: float
    drawn: bool

    @classmethod
    def along(cls, view: PartView, curve: HalfCurve, outline: OutlineSeen) -> StraightSeen:
        """Look for edges along x = 0, from beyond the tail to beyond the neck."""
        low, high = float(curve.xy_mm[0, 1]), float(curve.xy_mm[-1, 1])
        y = np.arange(low - BEYOND_MM, high + BEYOND_MM, STATION_MM)
        xy = np.column_stack([np.zeros_like(y), y])
        normal = np.tile([-1.0, 0.0], (len(y), 1))
        line = HalfCurve(frozen_floats(xy), normal, frozen_floats(y - y[0]), np.zeros(len(y), dtype=bool))
        usual = float(np.median(np.abs(outline.rise)))
        edge, wall_u = seen_edge(view, line, outline.matrix, 1.0, STRAIGHT_REACH_MM, usual)
        return cls(y, line, edge, wall_u, low, high, view.drawn)

    def where(self, side: Side, reach_mm: float) -> BoolArray:
        """(S,) the stations at which a part with its material there has its straight edge."""
        if side == "inside":
            return np.asarray((self.y_mm > self.low_mm + NEAR_END_MM) & (self.y_mm < self.high_mm - NEAR_END_MM))
        below = (self.y_mm < self.low_mm - NEAR_END_MM) & (self.y_mm > self.low_mm - NEAR_END_MM - reach_mm)
        above = (self.y_mm > self.high_mm + NEAR_END_MM) & (self.y_mm < self.high_mm + NEAR_END_MM + reach_mm)
        return np.asarray(below | above)

    def chosen(self, side: Side) -> BoolArray:
        """(S,) those of them that were seen."""
        return self.edge.seen & self.where(side, BEYOND_MM)

    def wall_u(self, side: Side) -> float:
        """The usual 1 sigma of its places by a wall beside it, mm."""
        where = self.chosen(side)
        return float(np.median(self.wall_u_mm[where])) if where.any() else 0.0

    def share(self, side: Side) -> float:
        """Share of the stations near the body at which an edge was seen."""
        return float(self.edge.seen[self.where(side, LOOK_MM)].mean())

    def rise(self, side: Side) -> float:
        """The usual change of light there."""
        where = self.where(side, LOOK_MM) & self.edge.seen
        return float(np.median(self.edge.rise[where])) if where.any() else 0.0

    def fitted(self, side: Side, fit: PartFit, alike: float) -> tuple[StraightFit | None, FloatArray]:
        """Return the line through a part's straight edge, and its places, body frame."""
        if self.drawn and self.share(side) < MOST_SEEN:  # other ink crosses the centerline
            return None, np.zeros((0, 2))
        points = fit.to_body(self.edge.points_mm[self.chosen(side)])
        return straight_fit(points, alike), points


def side_of(view: PartView, seen: Mapping[Side, StraightSeen], outlines: Mapping[Side, OutlineSeen]) -> Side:
    """Return on which side of the outline the material is.

    A solid half's straight edge joins tail and neck; a template's runs beyond both. Across the one the light
    changes as it does across the outline, across the other the opposite way.

    Args:
        view: the part's picture.
        seen: what was seen along the centerline, the part taken to lie on either side.
        outlines: the same of the outline.

    Raises:
        Refusal: ``fit-side``.
    """
    sides = [side for side in SIDES if _shows(seen[side], side, outlines[side].usual)]
    sides = sides or [side for side in SIDES if _shows_faintly(view, seen[side], side, outlines[side])]
    if len(sides) != 1:
        within, beyond = (f"{100 * seen[side].share(side):.0f}" for side in SIDES)
        raise Refusal("fit-side", within=within, beyond=beyond)
    return sides[0]


def _shows(seen: StraightSeen, side: Side, outline: float) -> bool:
    here, other = (side, "outside" if side == "inside" else "inside")
    way = 1.0 if side == "inside" else -1.0
    clear = seen.share(here) > MOST_SEEN and seen.share(other) < LEAST_SEEN  # type: ignore[arg-type]
    return clear and way * seen.rise(here) * outline > 0.0


def _shows_faintly(view: PartView, seen: StraightSeen, side: Side, outline: OutlineSeen) -> bool:
    """Whether a straight edge that texture hides place by place shows there, and the ground's tone agrees.

    What lies beyond the centerline is the ground, as what is on the outline's other side is.
    """
    picture, matrix = (view.picture.grey, view.calibration), outline.matrix
    where = tuple(seen.where(one, LOOK_MM) for one in SIDES)
    shares = [one / outline.usual for one in line_contrasts(*picture, seen.line, matrix, STRAIGHT_REACH_MM, where)]
    ground = level_beside(*picture, seen.line, matrix, where[0])
    to_outer, to_inner = (abs(ground - float(np.median(one))) for one in (outline.outer, outline.inner))
    if side == "inside":
        return shares[0] > MOST_FAINT and abs(shares[1]) < LEAST_FAINT and to_outer < to_inner
    return -shares[1] > MOST_FAINT and abs(shares[0]) < LEAST_FAINT and to_inner < to_outer

"""A cut part's dowel holes: where the mold has them, where they are seen, and what holds a fit to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.circle_fit import CircleFit, fit_circle
from calibration.errors import Refusal
from calibration.frames import FloatArray, frozen_floats
from calibration.part_fit import PartFit
from digitize.arcs import mirrored
from digitize.fit_shapes import HalfCurve
from digitize.mold_settings import MoldJob
from digitize.part_edge import follow, nearest_on
from digitize.part_view import PartView
from digitize.parts.layers import dowel_places, outer_shape
from digitize.parts.regions import ring_half
from digitize.shapes import ArcPath

ENDS = ("tail", "neck")
REACH_MM = 3.0  # a hole further from its place is not looked for
STATION_MM = 0.2
LEAST_SEEN = 0.6  # share of a hole's rim
DIAMETER_MM = 0.6  # a hole that differs from its drill by more is something else
OUTLIER_SIGMAS, MAD_TO_SIGMA, ROUNDS = 3.5, 1.4826, 3


@dataclass(frozen=True)
class Dowel:
    """A dowel hole as the mold has it, of the half that the part is cut for, as the right one; body frame, mm."""

    end: str
    at_mm: tuple[float, float]
    diameter_mm: float


def dowels_of(body: ArcPath, half: str, job: MoldJob) -> tuple[Dowel, ...]:
    """Return the two dowel holes of a half's master and layers.

    Raises:
        Refusal: ``half-not-single`` or ``no-room-for-dowels``.
    """
    shown = body if half == "right" else mirrored(body)
    places = dowel_places(ring_half(outer_shape(shown, job), shown), job)
    return tuple(Dowel(end, at, job.dowels.diameter_mm) for end, at in zip(ENDS, places, strict=True))


def seen_dowels(view: PartView, dowels: Sequence[Dowel], sheet_to_body: FloatArray) -> FloatArray:
    """Return the middles (2, 2) of the holes in the picture, sheet mm.

    Args:
        view: the part's picture.
        dowels: where the mold has them.
        sheet_to_body: (2, 3) affine of a fit along the outline.

    Raises:
        Refusal: ``fit-no-dowels``.
    """
    middles = []
    for dowel in dowels:
        radius = dowel.diameter_mm / 2.0
        at = np.arange(0.0, 2.0 * np.pi * radius, STATION_MM) / radius
        out = np.column_stack([np.cos(at), np.sin(at)])
        rim = HalfCurve(
            frozen_floats(np.array(dowel.at_mm) + radius * out), frozen_floats(out), frozen_floats(at * radius),
            np.zeros(len(at), dtype=bool),
        )  # fmt: skip
        # An edge is looked for on both sides of the rim, but not beyond the hole's middle.
        seen = follow(view.picture.grey, view.calibration, rim, sheet_to_body, min(REACH_MM, 0.8 * radius))
        circle = _circle(seen.points_mm[seen.seen]) if seen.share >= LEAST_SEEN else None
        if circle is None or abs(2.0 * circle.radius - dowel.diameter_mm) > DIAMETER_MM:
            place = f"{dowel.at_mm[1]:.0f} mm from the tail"
            raise Refusal("fit-no-dowels", end=dowel.end, place=place, diameter=f"{dowel.diameter_mm:g}")
        middles.append(circle.centre)
    return np.array(middles)


def _circle(points: FloatArray) -> CircleFit | None:
    """Return the circle of places after leaving out strays."""
    found = None
    for _ in range(ROUNDS):
        found = fit_circle(points) if len(points) >= 4 else None
        if found is None:
            return None
        scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(found.off))), 1e-6)
        points = points[np.abs(found.off) <= OUTLIER_SIGMAS * scatter]
    return found


def moved_onto(
    fit: PartFit, dowels: Sequence[Dowel], middles_mm: FloatArray, points_mm: FloatArray, curve: HalfCurve
) -> PartFit:
    """Return a fit turned and moved until its holes' middle and the line through both are the mold's.

    ``points_mm`` (N, 2) are the fit's places, sheet mm.

    The strains stay as the outline's own shape has them: held and fitted at once, they would be bent to make up for
    an outline that lies elsewhere than its holes. Nor do the holes stretch the part: how far they are apart is told.
    """
    seen = fit.to_body(middles_mm)
    first, second = (np.array(dowel.at_mm) for dowel in dowels)
    to, away = second - first, seen[1] - seen[0]
    turn = np.arctan2(away[0] * to[1] - away[1] * to[0], away @ to)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = (first + second) / 2.0 - rotation @ seen.mean(axis=0)
    linear = rotation @ fit.matrix[:, :2]
    matrix = np.column_stack([linear, rotation @ fit.matrix[:, 2] + shift])
    places = fit.swayed(points_mm) @ linear.T + matrix[:, 2]
    feet, normals = nearest_on(curve)(places)
    off = np.einsum("ni,ni->n", normals, places - feet)
    covariance = np.zeros_like(fit.covariance)
    covariance[3:, 3:] = fit.covariance[3:, 3:]
    return replace(
        fit, matrix=frozen_floats(matrix), off_mm=frozen_floats(off), covariance=frozen_floats(covariance)
    )


def apart_mm(dowels: Sequence[Dowel], middles_body_mm: FloatArray) -> float:
    """Return by how much the holes are further apart than the mold has them."""
    first, second = (np.array(dowel.at_mm) for dowel in dowels)
    return float(np.hypot(*(middles_body_mm[1] - middles_body_mm[0])) - np.hypot(*(second - first)))

"""What the pipeline carries from stage to stage until the outline is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.budget import Budget, Term, outline_budget
from calibration.card import CardCheck
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, SheetPoints
from calibration.photo import PhotoCalibration
from calibration.solve import Calibration
from digitize.outcome import Clock as Clock
from digitize.settings import PlanSettings
from digitize.shapes import (
    BodyMeasures,
    BodyTrace,
    FairOutline,
    FairSpline,
    FewArcs,
    Picture,
    Rule,
    SpanPlaces,
    TracedOutline,
)


@dataclass(frozen=True, eq=False)
class CopySize:
    """What the copy measures against the plan, along the plan's own right angle as it lies in the picture."""

    x_percent: float
    y_percent: float
    u95_percent: float
    source: str
    shear_deg: float | None = None  # where it is known against the paper; else the picture's own is told
    axis_rad: float = 0.0  # of x in the picture, from its x towards its y (down)
    measured: bool = True  # both ways, by lengths and not by what copiers usually do


@dataclass(frozen=True, eq=False)
class Traced:
    """Everything known of a plan once its outline is measured."""

    plan: PlanSettings
    picture: Picture
    rules: tuple[Rule, ...]
    spans: tuple[SpanPlaces, ...]
    calibration: Calibration
    copy: CopySize | None
    on_sheet: TracedOutline
    body: BodyTrace
    fair: FairOutline
    measures: BodyMeasures
    budget: Budget
    doubts: tuple[Doubt, ...]
    photo: PhotoCalibration | None = None  # of a photo: its camera
    few: FewArcs | None = None  # the outline in as few arcs as can be
    spline: FairSpline | None = None  # the outline as splines of few knots
    cards: tuple[CardCheck, ...] = ()
    others: tuple[Picture, ...] = ()  # as read: further photos that the outline is the mean of


def scale_u_rel(calibration: Calibration) -> float:
    """Return the larger relative 1 sigma of a length along the picture's x and y."""
    return max(calibration.length_u_rel(0.0), calibration.length_u_rel(math.pi / 2.0))


def body_angle_rad(body: BodyTrace) -> float:
    """Return the direction of the body's length in the sheet frame, from x towards y."""
    toward_neck = np.linalg.solve(body.sheet_to_body[:, :2], np.array([0.0, 1.0]))
    return math.atan2(toward_neck[1], toward_neck[0])


def body_to_px(body: BodyTrace, calibration: Calibration) -> FloatArray:
    """Return the (2, 3) affine from body mm to picture px."""
    body_to_sheet = np.linalg.inv(np.vstack([body.sheet_to_body, [0.0, 0.0, 1.0]]))[:2]
    return np.asarray(np.linalg.inv(calibration.matrix) @ body_to_sheet)


def reach_mm(traced: Traced, axis_rad: float) -> tuple[float, float]:
    """Return how far the body reaches along a direction of the picture and square to it, traced mm.

    ``axis_rad`` is from the picture's x towards its y (down).
    """
    px = traced.body.points.xy @ body_to_px(traced.body, traced.calibration)[:, :2].T
    ways = [np.array([math.cos(angle), math.sin(angle)]) for angle in (axis_rad, axis_rad + math.pi / 2.0)]
    x, y = (float(np.ptp(px @ way)) * float(np.hypot(*(traced.calibration.matrix @ way))) for way in ways)
    return x, y


def body_on_sheet(body: BodyTrace) -> SheetPoints:
    """Return the outline in the frame of the sheet, in order."""
    linear, shift = body.sheet_to_body[:, :2], body.sheet_to_body[:, 2]
    return SheetPoints(np.asarray(np.linalg.solve(linear, (body.points.xy - shift).T).T, dtype=np.float64))


def traced_budget(
    calibration: Calibration, body: BodyTrace, fair: FairOutline, measures: BodyMeasures, more: tuple[Term, ...] = ()
) -> Budget:
    """Return the uncertainty budget of the outline as traced, faired and written as arcs; ``more`` terms besides."""
    line_sigma_mm = float(np.sqrt(np.mean(body.sigma_mm[body.traced] ** 2))) if body.traced.any() else 0.0
    bridged_mm = body.sigma_mm[~body.traced]
    # what fairing moved beyond the noise of the points may have been the true curve
    fairing_u_mm = math.sqrt(max(0.0, fair.moved_rms_mm**2 - line_sigma_mm**2))
    return outline_budget(
        measures.length_mm,
        measures.lower_bout_mm,
        calibration,
        line_sigma_mm,
        math.sqrt(calibration.mm_per_px_x * calibration.mm_per_px_y),
        body_angle_rad=body_angle_rad(body),
        mirrored=body.symmetric,
        axis_u_mm=body.axis_u_mm,
        axis_angle_u_rad=2.0 * body.axis_u_mm / measures.length_mm,  # as uncertain at the ends as in the middle
        arcs_mm=fair.path_deviation_mm,
        fairing_u_mm=fairing_u_mm,
        bridged_fraction=float(np.mean(~body.traced)),
        bridged_u_mm=float(np.median(bridged_mm)) if len(bridged_mm) else 0.0,
        more=more,
    )


def moved_doubts(fair: FairOutline, budget: Budget) -> tuple[Doubt, ...]:
    """Return the doubt that fairing moved the line further than the line is uncertain, where it did."""
    if fair.moved_mean_mm <= budget.u95_mm:
        return ()
    x_mm, y_mm = fair.moved_at
    told = {"moved_mm": f"{fair.moved_mean_mm:.2f}", "u95_mm": f"{budget.u95_mm:.2f}"}
    return (doubt("fair-moved", x_mm=f"{x_mm:.0f}", y_mm=f"{y_mm:.0f}", **told),)

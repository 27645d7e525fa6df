"""The sheet on the table: what is drawn on it, its own frame, and how far it lifts off the table.

Sheet frame: mm on the flat paper, origin its lower left corner, x right, y up. A lifted sheet bends without
stretching; for lifts of a few millimetres its own mm are taken as the table's (1 mm over 250 mm shortens a
sheet by 0.003 mm), so a point (x, y) of the paper stands at (x, y, height) in the world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from calibration.frames import FloatArray
from tests.maker.ground import Ground
from tests.maker.level_sheet import LevelSheet, draw_level
from tests.maker.level_spec import LevelSpec
from tests.maker.marks import Mark
from tests.maker.photo_spec import PhotoSpec
from tests.maker.press import specks
from tests.maker.truth import compose

LIFT_AT_MM = 250.0  # from the sheet's middle: where the lift is as asked for
CURL_FROM_MM = {"edge": 90.0, "corner": 120.0}  # from the middle: here a curl begins
RIDGE_WIDE_MM = 45.0
SLOPE_STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class Paper:
    """A sheet and what is true of it; every mm is the paper's own."""

    spec: PhotoSpec
    marks: tuple[Mark, ...]  # sheet frame
    size_mm: tuple[float, float]
    corners_mm: FloatArray  # (4, 2) lower left, lower right, upper right, upper left
    body_to_sheet: FloatArray  # (2, 3) rigid
    plan_to_body: FloatArray  # (2, 2) plan mm to the paper's, body frame: the copier, and the mirror of a mirrored copy
    drawing: LevelSheet
    plan_to_sheet: FloatArray  # (2, 3) drawn sheet to this one
    middle_mm: FloatArray  # (2,)

    def height_mm(self, points_mm: FloatArray) -> FloatArray:
        """Return the height above the table of (N, 2) points of the sheet."""
        return heights(self.spec, np.asarray(points_mm, dtype=float) - self.middle_mm)

    def world(self, points_mm: FloatArray) -> FloatArray:
        """Return (N, 3) world places of sheet points."""
        points = np.asarray(points_mm, dtype=float)
        return np.column_stack([points, self.height_mm(points)])

    def slope(self, points_mm: FloatArray) -> FloatArray:
        """Return the (N, 2) slope of the paper."""
        steps = np.eye(2) * SLOPE_STEP_MM
        points = np.asarray(points_mm, dtype=float)
        return np.stack([(self.height_mm(points + s) - self.height_mm(points - s)) for s in steps], axis=1) / (
            2 * SLOPE_STEP_MM)


def heights(spec: PhotoSpec, away_mm: FloatArray) -> FloatArray:
    """Return the heights of (N, 2) points given from the sheet's middle."""
    if spec.lift == "flat" or spec.lift_mm == 0.0:
        return np.zeros(len(away_mm))
    to = np.radians(spec.lift_to_deg)
    along = away_mm @ np.array([np.cos(to), np.sin(to)])
    if spec.lift == "cylinder":
        return np.asarray(spec.lift_mm * (along / LIFT_AT_MM) ** 2)
    if spec.lift == "ridge":
        return np.asarray(spec.lift_mm * np.exp(-np.abs(along - 40.0) / RIDGE_WIDE_MM))
    start = CURL_FROM_MM[spec.lift]
    return np.asarray(spec.lift_mm * (np.maximum(0.0, along - start) / (LIFT_AT_MM - start)) ** 2)


@lru_cache(maxsize=8)
def drawn(plan: LevelSpec) -> LevelSheet:
    """Return the drawing of a plan, kept for a while: placing, describing and drawing all ask for it."""
    return draw_level(plan)


def _own_marks(drawing: LevelSheet, with_rules: bool) -> list[Mark]:
    """Return the sheet's marks, its drawn rules left out when the photo is to be without."""
    if with_rules:
        return list(drawing.sheet.marks)
    gone = {mark.points.tobytes() for rule in drawing.sheet.rules for mark in rule.marks}
    return [mark for mark in drawing.sheet.marks if mark.points.tobytes() not in gone]


def _copied(plan: LevelSpec, size: tuple[float, float], pad: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Return drawn sheet -> paper, and the paper's size: copier, mirror, blank paper round it."""
    copier = np.array([[plan.copier_x, np.tan(np.radians(plan.shear_deg))], [0.0, plan.copier_y]])
    corners = np.array([(0, 0), (size[0], 0), size, (0, size[1])], dtype=float) @ copier.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    matrix = np.column_stack([copier, -low])
    if plan.mirrored:
        matrix = compose(np.array([[-1.0, 0.0, high[0] - low[0]], [0.0, 1.0, 0.0]]), matrix)
    matrix[:, 2] += pad[:2]
    return matrix, high - low + [pad[0] + pad[2], pad[1] + pad[3]]


def _body_frame(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the rigid body frame of the paper and plan mm -> it, from the affine plan body -> sheet."""
    up = matrix[:, 1] / np.hypot(*matrix[:, 1])
    axes = np.array([[up[1], up[0]], [-up[0], up[1]]])  # columns: x, y of the body on the sheet
    return np.column_stack([axes, matrix[:, 2]]), axes.T @ matrix[:, :2]


def lay(spec: PhotoSpec) -> Paper:
    """Return the sheet of a photo."""
    plan = spec.plan
    drawing = drawn(plan)
    matrix, size = _copied(plan, drawing.sheet.size_mm, spec.pad_mm)
    wide = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    own = [*_own_marks(drawing, spec.drawn_rules), *specks(plan, drawing.sheet.size_mm)]
    marks = tuple(
        replace(m, points=m.points @ matrix[:, :2].T + matrix[:, 2], width_mm=m.width_mm * wide + plan.gain_mm)
        for m in own)
    frame, to_body = _body_frame(compose(matrix, drawing.sheet.body_to_sheet))
    lean = size[1] * np.tan(np.radians(spec.sheet_skew_deg))
    corners = np.array([(0.0, 0.0), (size[0], 0.0), (size[0] + lean, size[1]), (lean, size[1])])
    return Paper(spec, marks, (float(size[0]), float(size[1])), corners, frame, to_body, drawing, matrix, size / 2)


def body_points(paper: Paper, plan_points: FloatArray) -> FloatArray:
    """Return plan body points in the paper's own body frame."""
    return np.asarray(plan_points, dtype=float) @ paper.plan_to_body.T


def sheet_points(paper: Paper, body_mm: FloatArray) -> FloatArray:
    """Return body-frame points of the paper in its sheet frame."""
    return np.asarray(body_mm, dtype=float) @ paper.body_to_sheet[:, :2].T + paper.body_to_sheet[:, 2]


def ground(paper: Paper) -> Ground:
    """Return the body as the drawing knows it, plan mm."""
    return paper.drawing.ground

"""One call from a spec to a picture with its truth."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from calibration.frames import FloatArray
from tests.maker.press import ink_page, save, scan, sheet_to_px, specks
from tests.maker.rules import DrawnRule, rule_length_mm
from tests.maker.sheet import Sheet, draw_sheet, right_half
from tests.maker.spec import PlanSpec


@dataclass(frozen=True, eq=False)
class RuleTruth:
    """A drawn rule as it lies in the picture."""

    unit: str
    pitch_mm: float
    pitch_px: float
    from_px: FloatArray  # (2,) first graduation, on the baseline
    to_px: FloatArray
    length_mm: float
    graduations: int  # drawn
    missing: int


@dataclass(frozen=True, eq=False)
class MadePlan:
    """A picture and everything that is true of it; mm are the plan's own."""

    spec: PlanSpec
    path: Path
    size_px: tuple[int, int]
    plan_to_px: FloatArray  # (2, 3) body mm -> px frame (centre of the first pixel is 0, 0)
    outline_mm: FloatArray  # (N, 2) whole body, closed, counter-clockwise from the tail
    half_mm: FloatArray  # (M, 2) the open right half as drawn, empty for a whole drawing
    corners_mm: FloatArray  # (C, 2)
    centerline_mm: FloatArray  # (2, 2) drawn ends, tail first
    mm_per_px_x: float  # along the picture's own x
    mm_per_px_y: float
    measures: dict[str, float]  # length_mm, width_mm, area_mm2, perimeter_mm
    rules: tuple[RuleTruth, ...]

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Return body-frame points in the px frame."""
        return np.asarray(points_mm) @ self.plan_to_px[:, :2].T + self.plan_to_px[:, 2]


def compose(outer: FloatArray, inner: FloatArray) -> FloatArray:
    """Return the (2, 3) affine that applies ``inner`` first."""
    return np.column_stack([outer[:, :2] @ inner[:, :2], outer[:, :2] @ inner[:, 2] + outer[:, 2]])


def measure(outline: FloatArray) -> dict[str, float]:
    """Return length, width, area and perimeter of a closed outline."""
    following = np.roll(outline, -1, axis=0)
    return {
        "length_mm": float(np.ptp(outline[:, 1])),
        "width_mm": float(np.ptp(outline[:, 0])),
        "area_mm2": float(np.sum(outline[:, 0] * following[:, 1] - following[:, 0] * outline[:, 1]) / 2),
        "perimeter_mm": float(np.hypot(*(following - outline).T).sum()),
    }


def _rule_truth(rule: DrawnRule, affine: FloatArray) -> RuleTruth:
    ends = rule.start_mm + np.outer(rule.present[[0, -1]] * rule.pitch_mm, rule.along)
    places = ends @ affine[:, :2].T + affine[:, 2]
    pitch = float(np.hypot(*(affine[:, :2] @ rule.along))) * rule.pitch_mm
    gone = int(rule.present[-1] - rule.present[0]) + 1 - len(rule.present)
    length = rule_length_mm(rule)
    return RuleTruth(rule.unit, rule.pitch_mm, pitch, places[0], places[1], length, len(rule.present), gone)


def describe(spec: PlanSpec, path: Path) -> tuple[MadePlan, Sheet, FloatArray]:
    """Return the truth, the sheet and sheet_to_px without drawing the picture."""
    sheet = draw_sheet(spec)
    affine, size = sheet_to_px(spec, sheet.size_mm)
    per_px = np.hypot(*np.linalg.inv(affine[:, :2]))
    outline = sheet.body.outline_mm
    plan = MadePlan(
        spec, path, size, compose(affine, sheet.body_to_sheet), outline,
        right_half(sheet.body) if spec.half else np.zeros((0, 2)), sheet.body.corners_mm, sheet.centerline_mm,
        float(per_px[0]), float(per_px[1]), measure(outline), tuple(_rule_truth(r, affine) for r in sheet.rules),
    )
    return plan, sheet, affine


def make_plan(spec: PlanSpec, folder: Path) -> MadePlan:
    """Draw, copy and scan one plan into ``folder``; the picture is named after the spec."""
    folder.mkdir(parents=True, exist_ok=True)
    plan, sheet, affine = describe(spec, folder / f"{spec.name}{spec.suffix}")
    marks = sheet.marks + specks(spec, sheet.size_mm)
    ink = ink_page(marks, affine, plan.size_px, spec.gain_mm, spec.blur_px)
    save(scan(ink, spec), spec, plan.path)
    return plan


def truth_json(plan: MadePlan) -> str:
    """Return the truth as JSON text; lengths in mm, places in px, six decimals."""

    def plain(value: object) -> object:
        if isinstance(value, np.ndarray):
            return np.round(value, 9 if value.shape == (2, 3) else 4).tolist()
        return value.name if isinstance(value, Path) else value

    fields = {name: plain(value) for name, value in vars(plan).items() if name not in ("spec", "rules")}
    rules = [{name: plain(value) for name, value in vars(rule).items()} for rule in plan.rules]
    return json.dumps({**fields, "rules": rules, "spec": asdict(plan.spec)}, indent=None)

"""One call from a level's spec to a picture with its truth and the one line that would settle a doubt."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from calibration.frames import FloatArray
from tests.maker.level_press import save_level
from tests.maker.level_sheet import LevelSheet, body_area, draw_level
from tests.maker.level_spec import LevelSpec
from tests.maker.marks import Mark
from tests.maker.press import HALF_PX, ink_page, sheet_to_px, specks
from tests.maker.spec import MM_PER_INCH
from tests.maker.truth import MadePlan, _rule_truth, compose, measure

OVER = 2  # drawn this many times finer: the drawing library covers part pixels too
EDGE_MM = (1.5, 4.0)  # from the outline to the end of a scan that only just holds it


@dataclass(frozen=True, eq=False)
class LevelPlan(MadePlan):
    """A made plan with what a person could add to its plan file."""

    help: dict[str, tuple[float, float]]  # "near": inside the body; "through": on the outline; px
    ambiguous: bool
    spans: tuple[tuple[tuple[float, float], tuple[float, float], float], ...]  # from px, to px, mm
    gaps_mm: FloatArray  # (G, 2, 2) body frame

    def plan_file(self, body_line: str = "") -> str:
        """Return the plan file: the picture, the stated spans, and one line about the body."""
        lines = ["[plan]", f'image = "{self.path.name}"']
        for start, end, long in self.spans:
            lines += ["[[span]]", f"from = {list(start)}", f"to = {list(end)}", f'length = "{long:.0f} mm"']
        return "\n".join([*lines, *(["[body]", body_line] if body_line else []), ""])


def _mirror(affine: FloatArray, wide_px: int) -> FloatArray:
    """Return ``affine`` followed by a flip of the picture from left to right."""
    return compose(np.array([[-1.0, 0.0, wide_px - 2 * HALF_PX], [0.0, 1.0, 0.0]]), affine)


def _cropped(
    spec: LevelSpec, affine: FloatArray, size: tuple[int, int], outline_px: FloatArray
) -> tuple[FloatArray, tuple[int, int]]:
    """Return affine and size of a scan that ends just beyond the outline above and on the right: no rule lies there."""
    room = np.random.default_rng([spec.seed, 9]).uniform(*EDGE_MM, 2) * spec.dpi / MM_PER_INCH
    right = min(size[0], int(np.ceil(outline_px[:, 0].max() + room[0])))
    top = max(0, int(np.floor(outline_px[:, 1].min() - room[1])))
    return affine - np.array([[0.0, 0.0, 0.0], [0.0, 0.0, top]]), (right, size[1] - top)


def _flipped(points: FloatArray) -> FloatArray:
    """Return a closed loop mirrored about the centerline, still counter-clockwise from the tail."""
    mirrored = points * [-1.0, 1.0]
    return np.vstack([mirrored[:1], mirrored[:0:-1]])


def _help(drawn: LevelSheet, to_px: FloatArray) -> dict[str, tuple[float, float]]:
    """Return whole pixels that a person would click, body frame carried by ``to_px``."""
    area = body_area(drawn.ground)
    spot = area.buffer(-25.0)
    near = np.asarray((area if spot.is_empty else spot).representative_point().coords[0])
    points = drawn.ground.drawn_outline()
    gaps = drawn.gaps_mm.reshape(-1, 2)
    order = np.argsort(np.abs(points[:, 1] - 0.25 * drawn.ground.neck_y))
    clear = [i for i in order if len(gaps) == 0 or np.hypot(*(gaps - points[i]).T).min() > 10.0]
    places = np.rint(np.array([near, points[clear[0]]]) @ to_px[:, :2].T + to_px[:, 2])
    return {name: (float(p[0]), float(p[1])) for name, p in zip(("near", "through"), places, strict=True)}


def describe_level(spec: LevelSpec, path: Path) -> tuple[LevelPlan, tuple[Mark, ...], FloatArray]:
    """Return the truth, all marks and sheet_to_px without drawing the picture."""
    drawn = draw_level(spec)
    sheet = drawn.sheet
    affine, size = sheet_to_px(spec, sheet.size_mm)
    body_px = compose(affine, sheet.body_to_sheet)
    if spec.close_edges:
        ring = drawn.ground.drawn_outline() @ body_px[:, :2].T + body_px[:, 2]
        affine, size = _cropped(spec, affine, size, ring)
    affine = _mirror(affine, size[0]) if spec.mirrored else affine
    body_px = compose(affine, sheet.body_to_sheet)
    help_px = _help(drawn, body_px)
    outline, half, corners = sheet.body.outline_mm, drawn.ground.drawn_outline(), sheet.body.corners_mm
    gaps = drawn.gaps_mm
    if spec.mirrored:
        outline, half, corners = _flipped(outline), half * [-1.0, 1.0], corners * [-1.0, 1.0]
        gaps, body_px = gaps * [-1.0, 1.0], body_px * [[-1.0, 1.0, 1.0], [-1.0, 1.0, 1.0]]
    per_px = np.hypot(*np.linalg.inv(affine[:, :2]))
    marked = np.rint(drawn.span_mm @ affine[:, :2].T + affine[:, 2])
    long = [float(np.hypot(*np.diff(drawn.span_mm, axis=0)[0]))] if spec.span else []
    marked_px = [(float(x), float(y)) for x, y in marked]
    spans = [(marked_px[0], marked_px[1], mm) for mm in long]
    plan = LevelPlan(
        spec, path, size, body_px, outline, half if spec.half else np.zeros((0, 2)), corners, sheet.centerline_mm,
        float(per_px[0]), float(per_px[1]), measure(outline), tuple(_rule_truth(r, affine) for r in sheet.rules),
        help_px, spec.ambiguous, tuple(spans), gaps,
    )
    return plan, sheet.marks + specks(spec, sheet.size_mm), affine


def make_level_plan(spec: LevelSpec, folder: Path) -> LevelPlan:
    """Draw, copy and scan one plan into ``folder``; the picture is named after the spec."""
    folder.mkdir(parents=True, exist_ok=True)
    plan, marks, affine = describe_level(spec, folder / f"{spec.name}{spec.suffix}")
    save_level(ink_page(marks, affine, plan.size_px, spec.gain_mm, spec.blur_px, OVER), spec, plan.path)
    return plan


def truth_is_simple(plan: LevelPlan) -> bool:
    """Return whether the true outline is one closed curve that does not cross itself."""
    return bool(shapely.is_simple(shapely.LinearRing(plan.outline_mm)))

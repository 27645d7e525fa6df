"""What the pipeline passes along between stages, and the record that it makes of a run (schema 1)."""

from __future__ import annotations

import math
import resource
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.budget import Budget, outline_budget
from calibration.controls import Control
from calibration.flags import Doubt
from calibration.frames import PxPoints
from calibration.solve import Calibration, solve
from calibration.units import MM_PER_INCH
from digitize import __version__
from digitize.settings import PlanSettings, SpanHint
from digitize.shapes import BodyMeasures, BodyTrace, FairOutline, Picture, Rule, TracedOutline

SCHEMA = 1
COVERAGE_95 = 1.96  # of a normal distribution, two-sided
# Marks of a span are put by eye on the middle of a line.
SPAN_MARK_U_PX = 1.0
# Stated dimensions are rounded to 1/64 in or half a millimetre at best: half of 0.5 mm, rectangular.
SPAN_STATED_U_MM = 0.25 / math.sqrt(3.0)
# Half-width of a home flatbed's scale error against its declared dpi (measured on one: 0.6 % between halves of a page).
SCANNER_ERROR_REL = 0.003
BYTES_PER_MIB = 2**20
# Kernels count the peak in KiB, except Darwin's, in bytes.
BYTES_PER_MAXRSS = 1 if sys.platform == "darwin" else 1024


class Clock:
    """Seconds per stage, and the picture as soon as there is one, for a record of a refused run."""

    def __init__(self, progress: Callable[[str], None] | None = None) -> None:
        """Start with nothing done; ``progress`` is told the name of each stage as it begins."""
        self.timings_s: dict[str, float] = {}
        self.picture: Picture | None = None
        self._progress = progress

    @contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        """Time one stage, also when it fails."""
        if self._progress:
            self._progress(stage)
        start = time.perf_counter()
        try:
            yield
        finally:
            self.timings_s[stage] = round(time.perf_counter() - start, 3)


@dataclass(frozen=True, eq=False)
class CopySize:
    """What the copy measures against the plan, in the picture's own directions."""

    x_percent: float
    y_percent: float
    u95_percent: float
    source: str


@dataclass(frozen=True, eq=False)
class Traced:
    """Everything known of a plan once its outline is measured."""

    plan: PlanSettings
    picture: Picture
    rules: tuple[Rule, ...]
    calibration: Calibration
    copy: CopySize | None
    on_sheet: TracedOutline
    body: BodyTrace
    fair: FairOutline
    measures: BodyMeasures
    budget: Budget
    doubts: tuple[Doubt, ...]


def plan_controls(rules: Sequence[Rule], spans: Sequence[SpanHint]) -> tuple[Control, ...]:
    """Return the known lengths that lead to plan millimetres.

    Drawn rules and spans went through the copier with the outline. A laid rule measures the paper only, so
    it counts when nothing drawn is there.
    """
    drawn = [rule.control for rule in rules if rule.role == "drawn"]
    stated = [_span_control(span, number) for number, span in enumerate(spans, 1)]
    return (*drawn, *stated) or tuple(rule.control for rule in rules)


def _span_control(span: SpanHint, number: int) -> Control:
    return Control(
        name=f"span {number}",
        source="span",
        places=PxPoints(np.array([span.from_px, span.to_px])),
        at_mm=np.array([0.0, span.length_mm]),
        sigma_px=np.full(2, SPAN_MARK_U_PX),
        sigma_across_px=SPAN_MARK_U_PX,
        standard_u_mm=SPAN_STATED_U_MM,
    )


def copy_source(rules: Sequence[Rule], dpi: tuple[float, float] | None, calibration: Calibration) -> CopySize | None:
    """Return the copy's size against the plan: by a laid rule, else by the declared dpi; None without either."""
    laid = tuple(rule.control for rule in rules if rule.role == "laid")
    drawn = any(rule.role == "drawn" for rule in rules)
    paper = solve(laid) if laid and drawn else None
    if paper:
        u_rel = math.hypot(scale_u_rel(paper), scale_u_rel(calibration))
        return _copy_size(paper.mm_per_px_x, paper.mm_per_px_y, u_rel, "laid rule", calibration)
    if dpi is None:
        return None
    u_rel = math.hypot(SCANNER_ERROR_REL / math.sqrt(3.0), scale_u_rel(calibration))
    return _copy_size(MM_PER_INCH / dpi[0], MM_PER_INCH / dpi[1], u_rel, "declared dpi", calibration)


def _copy_size(
    paper_mm_per_px_x: float, paper_mm_per_px_y: float, u_rel: float, source: str, plan: Calibration
) -> CopySize:
    x = 100.0 * paper_mm_per_px_x / plan.mm_per_px_x
    y = 100.0 * paper_mm_per_px_y / plan.mm_per_px_y
    return CopySize(x, y, 100.0 * COVERAGE_95 * u_rel, source)


def scale_u_rel(calibration: Calibration) -> float:
    """Return the larger relative 1 sigma of a length along the picture's x and y."""
    return max(calibration.length_u_rel(0.0), calibration.length_u_rel(math.pi / 2.0))


def made_record(traced: Traced, clock: Clock, files: dict[str, str]) -> dict[str, Any]:
    """Return the record of an outline; ``look`` when any doubt asks for it."""
    look = any(doubt.weight == "look" for doubt in traced.doubts)
    return {
        **_head(traced.plan, clock, "look" if look else "sound", traced.doubts),
        "scale": _scale(traced),
        "copy": _copy(traced),
        "body": _body(traced),
        "outline": _outline(traced),
        "symmetry": _symmetry(traced.body),
        "budget": [{"term": term.term, "u_mm": term.u_mm, "how": term.how} for term in traced.budget.terms],
        "files": files,
        **_effort(clock),
    }


def refused_record(plan: PlanSettings, clock: Clock, reason: Doubt) -> dict[str, Any]:
    """Return the record of a run that gave no outline."""
    return {**_head(plan, clock, "refused", (reason,)), "files": {}, **_effort(clock)}


def _head(plan: PlanSettings, clock: Clock, verdict: str, doubts: Sequence[Doubt]) -> dict[str, Any]:
    picture = clock.picture
    return {
        "schema": SCHEMA,
        "tool": {"name": "boutline", "version": __version__},
        "verdict": verdict,
        "reasons": [{"code": one.code, "text": one.text, "remedy": one.remedy} for one in doubts],
        "input": {
            "file": plan.image.name,
            "sha256": picture.sha256 if picture else None,
            "width_px": picture.grey.shape[1] if picture else None,
            "height_px": picture.grey.shape[0] if picture else None,
            "captured": picture.captured if picture else plan.captured,
        },
        "settings": plan.as_record(),
    }


def _effort(clock: Clock) -> dict[str, Any]:
    peak_bytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_PER_MAXRSS
    return {"timings_s": dict(clock.timings_s), "peak_mib": round(peak_bytes / BYTES_PER_MIB, 1)}


def _scale(traced: Traced) -> dict[str, Any]:
    calibration = traced.calibration
    return {
        "mm_per_px_x": calibration.mm_per_px_x,
        "mm_per_px_y": calibration.mm_per_px_y,
        "u95_percent": 100.0 * COVERAGE_95 * scale_u_rel(calibration),
        "rules": [_rule(rule) for rule in traced.rules],
        "spans": [span.model_dump(mode="json") for span in traced.plan.spans],
    }


def _rule(rule: Rule) -> dict[str, Any]:
    at_mm = rule.control.at_mm
    return {
        "role": rule.role,
        "unit": rule.unit,
        "from_px": list(rule.from_px),
        "to_px": list(rule.to_px),
        "length_mm": float(np.ptp(at_mm)),
        "graduations": rule.graduations,
        "residual_rms_mm": rule.residual_rms_px * rule.pitch_mm / rule.pitch_px,
    }


def _copy(traced: Traced) -> dict[str, Any]:
    size = traced.copy
    return {
        "x_percent": size.x_percent if size else None,
        "y_percent": size.y_percent if size else None,
        "shear_deg": shear_deg(traced.calibration),
        "model": traced.calibration.model,
        "u95_percent": size.u95_percent if size else None,
    }


def shear_deg(calibration: Calibration) -> float:
    """Return how far the picture's x and y directions are from square on the sheet, degrees."""
    along_x, along_y = np.asarray(calibration.matrix)[:2, :2].T
    angle = math.atan2(abs(along_x[0] * along_y[1] - along_x[1] * along_y[0]), float(along_x @ along_y))
    return 90.0 - math.degrees(angle)


def _body(traced: Traced) -> dict[str, Any]:
    measures = traced.measures
    length_u_mm = traced.calibration.length_u_rel(_length_direction_rad(traced.body)) * measures.length_mm
    return {
        "length_mm": measures.length_mm,
        "length_u95_mm": COVERAGE_95 * math.hypot(length_u_mm, _ends_u_mm(traced.body)),
        "lower_bout_mm": measures.lower_bout_mm,
        "waist_mm": measures.waist_mm,
        "upper_bout_mm": measures.upper_bout_mm,
        "perimeter_mm": measures.perimeter_mm,
        "area_mm2": measures.area_mm2,
        "min_radius_mm": measures.min_radius_mm,
        "corners": [{"x_mm": x, "y_mm": y, "angle_deg": angle} for x, y, angle in traced.fair.corners],
    }


def _length_direction_rad(body: BodyTrace) -> float:
    """Return the direction of the body's length in the sheet frame."""
    toward_neck = np.linalg.solve(body.sheet_to_body[:, :2], np.array([0.0, 1.0]))
    return math.atan2(toward_neck[1], toward_neck[0])


def _ends_u_mm(body: BodyTrace) -> float:
    """Return the 1 sigma of the length from the line's own places at the two ends."""
    y_mm = body.points.xy[:, 1]
    return float(math.hypot(body.sigma_mm[np.argmin(y_mm)], body.sigma_mm[np.argmax(y_mm)]))


def _outline(traced: Traced) -> dict[str, Any]:
    return {
        "u95_mm": traced.budget.u95_mm,
        "points": len(traced.fair.points),
        "arcs": int(np.count_nonzero(traced.fair.path.bulge)),
        "traced_fraction": float(np.mean(traced.on_sheet.traced)),
    }


def _symmetry(body: BodyTrace) -> dict[str, Any]:
    audit = body.audit
    side, x_mm, y_mm = audit.max_at
    return {
        "rms_mm": audit.rms_mm if audit.measured else None,
        "max_mm": audit.max_mm if audit.measured else None,
        "max_at": {"side": side, "x_mm": x_mm, "y_mm": y_mm} if audit.measured else None,
        "u95_mm": audit.u95_mm if audit.measured else None,
        "tail_angle_deg": audit.tail_angle_deg,
        "neck_angle_deg": audit.neck_angle_deg,
    }

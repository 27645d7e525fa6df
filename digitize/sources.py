"""Where known lengths come from: what leads to plan millimetres, and what measures the copy itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.frames import PxPoints
from calibration.print_factors import SCANNER_LIMIT_REL, PrintFactors
from calibration.solve import Calibration, solve
from calibration.units import MM_PER_INCH
from digitize.settings import PlanSettings, SpanHint
from digitize.shapes import Picture, Rule, SpanPlaces
from digitize.traced import CopySize, scale_u_rel

# Stated dimensions are rounded to 1/64 in or half a millimetre at best: half of 0.5 mm, rectangular.
SPAN_LIMIT_MM = 0.25
# Longer side of a picture that may show a plan of a body: a small one is 120 mm long, a wide roll of paper 1 m wide and
# as long as the largest body a few times over (common practice, no source).
LEAST_SIDE_MM, MOST_SIDE_MM = 100.0, 5000.0
NEARER = 3.0  # one part of a photographed sheet is this much nearer to the camera than another, at most


def refuse_wrong_places(picture: Picture, plan: PlanSettings) -> None:
    """Refuse what a plan file tells of a picture that cannot be, before anything is looked for by it.

    Raises:
        UsageError: ``place-outside``.
        Refusal: ``absurd-size``.
    """
    plan.refuse_places_outside(picture)
    refuse_absurd_spans(picture, plan.spans)


def refuse_absurd_size(picture: Picture, calibration: Calibration) -> None:
    """Refuse a scale by which the picture shows no plan of a body: most likely a wrong unit.

    No later stage is made for lines that are a hundredth of a pixel wide, or a hundred.

    Raises:
        Refusal: ``absurd-size``.
    """
    scale = calibration.mm_per_px_x, calibration.mm_per_px_y
    _refuse_absurd(picture, scale, " and ".join(calibration.names), 1.0)


def refuse_absurd_spans(picture: Picture, spans: Sequence[SpanHint]) -> None:
    """Refuse a span of a length that cannot be, before anything is looked for in sizes that follow from it.

    Raises:
        Refusal: ``absurd-size``.
    """
    wider = NEARER if picture.captured == "photo" else 1.0
    for number, span in enumerate(spans, 1):
        mm_per_px = span.length_mm / math.dist(span.from_px, span.to_px)
        _refuse_absurd(picture, (mm_per_px, mm_per_px), f"span {number}", wider)


def _refuse_absurd(picture: Picture, mm_per_px: tuple[float, float], by: str, wider: float) -> None:
    height, width = picture.grey.shape
    sides_mm = width * mm_per_px[0], height * mm_per_px[1]
    if not LEAST_SIDE_MM / wider <= max(sides_mm) <= MOST_SIDE_MM * wider:
        raise Refusal("absurd-size", by=by, width=f"{sides_mm[0]:.0f}", height=f"{sides_mm[1]:.0f}")


def plan_controls(rules: Sequence[Rule], spans: Sequence[SpanPlaces]) -> tuple[Control, ...]:
    """Return the known lengths that lead to plan millimetres.

    Drawn rules and spans went through the copier with the outline. A laid rule measures the paper only, so
    it counts when nothing drawn is there.
    """
    return drawn_controls(rules, spans) or tuple(rule.control for rule in rules)


def drawn_controls(rules: Sequence[Rule], spans: Sequence[SpanPlaces]) -> tuple[Control, ...]:
    """Return the known lengths that went through the copier."""
    drawn = [rule.control for rule in rules if rule.role == "drawn"]
    return (*drawn, *(span_control(span, number) for number, span in enumerate(spans, 1)))


def photo_controls(rules: Sequence[Rule], spans: Sequence[SpanPlaces]) -> tuple[Control, ...]:
    """Return the known lengths of a photo: all of them, laid and drawn; see ``photographed`` for where they differ."""
    return (*(rule.control for rule in rules), *(span_control(span, number) for number, span in enumerate(spans, 1)))


def span_control(span: SpanPlaces, number: int) -> Control:
    """Return a span as a known length."""
    return Control(
        name=f"span {number}",
        source="span",
        places=PxPoints(np.array([span.from_px, span.to_px])),
        at_mm=np.array([0.0, span.length_mm]),
        sigma_px=np.array(span.sigma_px),
        sigma_across_px=max(span.sigma_px),
        standard_u_mm=SPAN_LIMIT_MM / math.sqrt(3.0),
        limit_mm=SPAN_LIMIT_MM,
    )


def copy_source(rules: Sequence[Rule], dpi: tuple[float, float] | None, calibration: Calibration) -> CopySize | None:
    """Return the copy's size against the plan: by a laid rule, else by the declared dpi; None without either."""
    laid = tuple(rule.control for rule in rules if rule.role == "laid")
    drawn = any(rule.role == "drawn" for rule in rules)
    paper = solve(laid) if laid and drawn else None
    if isinstance(paper, Calibration):
        u_rel = math.hypot(scale_u_rel(paper), scale_u_rel(calibration))
        return _copy_size(paper.mm_per_px_x, paper.mm_per_px_y, u_rel, "laid rule", calibration)
    if dpi is None:
        return None
    u_rel = math.hypot(SCANNER_LIMIT_REL / math.sqrt(3.0), scale_u_rel(calibration))
    return _copy_size(MM_PER_INCH / dpi[0], MM_PER_INCH / dpi[1], u_rel, "declared dpi", calibration)


def factors_size(factors: PrintFactors) -> CopySize:
    """Return the copy's size against the plan as two factors have it, along the plan's own directions."""
    u95 = max(factors.x.u95, factors.y.u95)
    x, y, shear_deg = 100.0 * factors.x.value, 100.0 * factors.y.value, math.degrees(factors.shear.value)
    return CopySize(x, y, 100.0 * u95, factors.paper_by, shear_deg)


def _copy_size(
    paper_mm_per_px_x: float, paper_mm_per_px_y: float, u_rel: float, source: str, plan: Calibration
) -> CopySize:
    x = 100.0 * paper_mm_per_px_x / plan.mm_per_px_x
    y = 100.0 * paper_mm_per_px_y / plan.mm_per_px_y
    return CopySize(x, y, 100.0 * COVERAGE_95 * u_rel, source)

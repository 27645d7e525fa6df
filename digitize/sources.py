"""Where known lengths come from: what leads to plan millimetres, and what measures the copy itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calibration.controls import Control
from calibration.errors import Refusal
from calibration.frames import PxPoints
from calibration.print_factors import PrintFactors, print_factors
from calibration.solve import Calibration
from calibration.units import MM_PER_INCH
from digitize.settings import PlanSettings, SpanHint
from digitize.shapes import Picture, Rule, SpanPlaces
from digitize.traced import CopySize

# Stated dimensions are rounded to 1/64 in or half a millimetre at best: half of 0.5 mm, rectangular.
SPAN_LIMIT_MM = 0.25
LEAST_DPI = 100.0  # below this a resolution is what programs write when they know nothing
# Two edges of one real rule share its error, so they count once: parallel within this, and this near.
SAME_BODY_RAD, SAME_BODY_MM = np.deg2rad(1.5), 45.0
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


def stated_mm_per_px(dpi: tuple[float, float] | None) -> tuple[float, float] | None:
    """Return the scanner's own mm per px, x and y, where the file states a resolution that can be true."""
    return None if dpi is None or min(dpi) < LEAST_DPI else (MM_PER_INCH / dpi[0], MM_PER_INCH / dpi[1])


def copy_size(
    rules: Sequence[Rule], spans: Sequence[SpanPlaces], dpi: tuple[float, float] | None
) -> CopySize | None:
    """Return a scanned copy's size against the plan, as the print check has it; None where nothing tells it.

    It takes a length that went through the copier, and a laid rule or the scanner's resolution for the paper.
    """
    drawn, paper = drawn_controls(rules, spans), stated_mm_per_px(dpi)
    laid = one_each([rule for rule in rules if rule.role == "laid"])
    if not drawn or (not laid and paper is None):
        return None
    return factors_size(print_factors(drawn, laid, paper))


def one_each(rules: Sequence[Rule]) -> tuple[Control, ...]:
    """Return the controls of real rules, of every rule's two edges the longer: they share the rule's own error."""
    kept: list[Rule] = []
    for rule in sorted(rules, key=lambda one: -float(np.ptp(one.control.at_mm))):
        if not any(_one_body(rule, other) for other in kept):
            kept.append(rule)
    return tuple(rule.control for rule in kept)


def _one_body(first: Rule, second: Rule) -> bool:
    a, b = (np.array([rule.from_px, rule.to_px]) for rule in (first, second))
    along = (b[1] - b[0]) / np.hypot(*(b[1] - b[0]))
    other = (a[1] - a[0]) / np.hypot(*(a[1] - a[0]))
    if abs(along[0] * other[1] - along[1] * other[0]) > np.sin(SAME_BODY_RAD):
        return False
    away = a.mean(axis=0) - b[0]
    beside = 0.0 < away @ along < np.hypot(*(b[1] - b[0]))
    apart_mm = abs(along[0] * away[1] - along[1] * away[0]) * second.pitch_mm / second.pitch_px
    return bool(beside and apart_mm < SAME_BODY_MM)


def factors_size(factors: PrintFactors) -> CopySize:
    """Return the copy's size against the plan as two factors have it, along the plan's own directions."""
    u95 = max(factors.x.u95, factors.y.u95)
    x, y, shear_deg = 100.0 * factors.x.value, 100.0 * factors.y.value, math.degrees(factors.shear.value)
    measured = factors.x.measured and factors.y.measured
    return CopySize(x, y, 100.0 * u95, factors.paper_by, shear_deg, factors.axis_rad, measured)

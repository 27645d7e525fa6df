"""From measured graduations to the record passed on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from calibration.controls import Control
from calibration.frames import PxPoints
from calibration.linefit import FEWEST_SHAPES, POINTS_TO_A_SHAPE
from digitize.rule.graduations import Ticks
from digitize.rule.unit import Decision
from digitize.shapes import Rule

if TYPE_CHECKING:
    from digitize.settings import RuleHint

# Directive 2014/32/EU Annex X, Table 1: permitted error +-(a + b L) mm, L in metres rounded up.
GRADE_MM = {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
DEFAULT_GRADE = "II"  # common practice, no source: what unmarked workshop rules are


# What all graduations of a rule can share, end against end, and their scatter does not tell: with fine ones that run
# into each other after blur, a bias that changes slowly with the beat of both pixel directions. By pitch, 1 sigma.
# Measured on made grey rules: of 7 px and more (158) the scatter tells it all, errors being 1.25 of what it says, root
# mean square, where few shapes alone make it 1.22; of 5 to 7 px: errors of up to 0.012 px; finer ones: up to 0.09 px.
SHARED_U_PX = ((5.0, 0.05), (7.0, 0.02), (math.inf, 0.0))
# Middle of a graduation whose two edges each fall on a whole pixel: uniform over one pixel.
GRID_U_PX = 1 / math.sqrt(12)
GRID_HARMONICS = 4
# The same of a line along the pixels of a grey picture, by what darkness makes of the place within a pixel: measured on
# made rules nearly along the pixels, 0.1 px from one end to the other.
GREY_ACROSS_U_PX = 0.1
# A wave along a rule that goes through so many cycles puts less into the scale than its slow residuals show
# (``slow_scatter``); one of fewer more. The shortest rule whose slow residuals are looked at has so many graduations.
SEEN_CYCLES = 1.25
SEEN_GRADUATIONS = FEWEST_SHAPES * POINTS_TO_A_SHAPE


def _grid_u_px(ticks: Ticks) -> float:
    """Return 1 sigma that a two-level picture's pixel grid leaves on the whole length of a rule, unseen in its scatter.

    The error of a graduation's middle repeats with its place within the pixel. It averages out over the
    graduations when these drift through the pixel, and within a graduation when it leans through one; with a
    pitch of nearly whole pixels and no lean it does not. Term ``m`` of the periodic error has size 1 / m. Where it
    drifts through some cycles the residuals show it, and there it counts in the fit of the line.
    """
    along, across = np.sort(np.abs(ticks.line.direction))[::-1]
    pitch = ticks.pitch_px * along
    span = float(ticks.index[-1] - ticks.index[0])
    lean = float(np.median(ticks.lengths_px)) * across / along
    orders = np.arange(1, GRID_HARMONICS + 1)
    drift = np.abs(orders * pitch - np.rint(orders * pitch)) * span
    terms = GRID_U_PX / orders / np.maximum(1.0, drift) / np.maximum(1.0, np.pi * orders * lean)
    seen = (drift >= SEEN_CYCLES) & (ticks.count >= SEEN_GRADUATIONS)
    return float(np.sqrt(np.sum(terms[~seen] ** 2)))


def _across_u_px(ticks: Ticks, *, two_level: bool) -> float:
    """Return 1 sigma of a rule's ends across it, with what pixels leave on a line along them, unseen in its scatter.

    Where it goes on from one row of pixels to the next it averages out, as along the rule.
    """
    rows = float(np.abs(ticks.line.direction).min() * (ticks.t_px[-1] - ticks.t_px[0]))
    grid = GRID_U_PX if two_level else GREY_ACROSS_U_PX
    return math.hypot(ticks.across_px, grid / max(1.0, rows))


def _limit_mm(role: str, hint: RuleHint | None, length_mm: float) -> float:
    """Return how far a rule may be off, by its class or as told.

    A drawn one is the plan's own millimetre, unless it is told what it is: a real rule, photocopied with the plan.
    """
    if hint is not None and hint.within_mm is not None:
        return hint.within_mm
    grade = hint.grade if hint is not None else None
    if role != "laid" and grade is None:
        return 0.0
    fixed, per_metre = GRADE_MM[grade or DEFAULT_GRADE]
    return fixed + per_metre * math.ceil(length_mm / 1000)


def rule_record(name: str, ticks: Ticks, decision: Decision, hint: RuleHint | None, *, two_level: bool) -> Rule:
    """Return the Rule of measured graduations whose value is decided; ``two_level`` for 1-bit pictures.

    Raises:
        ValueError: the decision holds no value.
    """
    worth = decision.worth
    if worth is None:
        raise ValueError("a rule needs the value of a graduation")
    role = hint.role if hint else "drawn"
    index = (ticks.index - ticks.index[0])[ticks.used]
    places, at_mm = ticks.places, (index - index[0]) * worth.pitch_mm
    limit_mm = _limit_mm(role, hint, float(at_mm[-1]))
    common_u_px = next(u for below, u in SHARED_U_PX if ticks.pitch_px < below)
    shared_u_px = math.hypot(common_u_px, _grid_u_px(ticks) if two_level else 0.0)
    shared_u_mm = shared_u_px * worth.pitch_mm / ticks.pitch_px
    control = Control(
        name=name,
        source="laid rule" if role == "laid" else "drawn rule",
        places=PxPoints(places),
        at_mm=at_mm.astype(np.float64),
        sigma_px=np.full(len(places), ticks.sigma_px),
        sigma_across_px=_across_u_px(ticks, two_level=two_level),
        standard_u_mm=math.hypot(limit_mm / math.sqrt(3), shared_u_mm),  # uniform within the limits
        limit_mm=limit_mm,
    )
    first, last = places[0], places[-1]
    return Rule(
        control=control,
        role=role,
        unit=worth.unit,
        pitch_mm=worth.pitch_mm,
        from_px=(float(first[0]), float(first[1])),
        to_px=(float(last[0]), float(last[1])),
        graduations=ticks.count,
        missing=ticks.missing,
        pitch_px=ticks.pitch_px,
        residual_rms_px=ticks.rms_px,
        unit_evidence=decision.evidence,
    )

"""From measured graduations to the record passed on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from calibration.controls import Control
from calibration.frames import PxPoints
from digitize.rule.graduations import Ticks
from digitize.rule.unit import Decision
from digitize.shapes import Rule

if TYPE_CHECKING:
    from digitize.settings import RuleHint

# Directive 2014/32/EU Annex X, Table 1: permitted error +-(a + b L) mm, L in metres rounded up.
GRADE_MM = {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
DEFAULT_GRADE = "II"  # common practice, no source: what unmarked workshop rules are


# What all graduations of a rule can share, end against end: pixel grid, flaws of its line. Measured on made
# rules: errors of the whole length stay within 0.035 px where single graduations scatter by 0.02 px.
SHARED_U_PX = 0.02


def _standard_u_mm(role: str, grade: str | None, length_mm: float) -> float:
    """Return 1 sigma of a laid rule of a class; a drawn rule is the plan's own millimetre."""
    if role != "laid":
        return 0.0
    fixed, per_metre = GRADE_MM[grade or DEFAULT_GRADE]
    return (fixed + per_metre * math.ceil(length_mm / 1000)) / math.sqrt(3)  # uniform within the limits


def rule_record(name: str, ticks: Ticks, decision: Decision, hint: RuleHint | None) -> Rule:
    """Return the Rule of measured graduations whose value is decided.

    Raises:
        ValueError: the decision holds no value.
    """
    worth = decision.worth
    if worth is None:
        raise ValueError("a rule needs the value of a graduation")
    role = hint.role if hint else "drawn"
    index = (ticks.index - ticks.index[0])[ticks.used]
    places, at_mm = ticks.places, (index - index[0]) * worth.pitch_mm
    class_u_mm = _standard_u_mm(role, hint.grade if hint else None, float(at_mm[-1]))
    shared_u_mm = SHARED_U_PX * worth.pitch_mm / ticks.pitch_px
    control = Control(
        name=name,
        source="laid rule" if role == "laid" else "drawn rule",
        places=PxPoints(places),
        at_mm=at_mm.astype(np.float64),
        sigma_px=np.full(len(places), ticks.sigma_px),
        sigma_across_px=ticks.across_px,
        standard_u_mm=math.hypot(class_u_mm, shared_u_mm),
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

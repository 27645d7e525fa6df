"""From graduations in a photo to the records passed on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np

from calibration.controls import Control, KnownAngle
from calibration.flags import Doubt
from calibration.frames import FloatArray, PxPoints
from calibration.standards import mid_limit_mm
from digitize.shapes import Rule

if TYPE_CHECKING:
    from digitize.rule.unit import Worth
    from digitize.settings import RuleHint

LIFT_MM, LIFT_U_MM = 0.75, 0.35  # of a laid rule's graduations above the paper, where nothing else is known
DEFAULT_GRADE: Literal["II"] = "II"  # common practice, no source: what unmarked workshop rules are
LEAST_SIGMA_PX = 0.03  # no claim of a place below this
SHARED_U_PX = 0.03  # what all graduations may share, end against end
# Errors that change slowly along a rule (its lean, its light, its foot in a shadow), measured on made photos: places
# taken as independent later on would average them away, were they not widened by the number of places over the few
# slow terms that such errors have.
SLOW_U_PX, SLOW_ACROSS_U_PX, SLOW_TERMS = 0.02, 0.12, 4.0


@dataclass(frozen=True, eq=False)
class PhotoRule:
    """One graduated edge in a photo, with the body that it belongs to."""

    rule: Rule
    polygon: PxPoints  # (N, 2) round the rule's body
    body: int  # edges of one body share its number
    role_sure: float  # 0 to 1
    role_why: str  # "its body has another tone than what lies beside it"
    flat: bool = False  # of metal, and so of one thickness from edge to edge


@dataclass(frozen=True, eq=False)
class PhotoRuleSearch:
    """The rules found in a photo."""

    rules: tuple[PhotoRule, ...]
    angles: tuple[KnownAngle, ...]
    doubts: tuple[Doubt, ...]
    # two bodies that may be the arms of a square, or two rules, and how likely the former is
    perhaps_squares: Mapping[frozenset[int], float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Measured:
    """Graduations ready to be recorded."""

    number: FloatArray  # (N,) whole, increasing
    places_px: FloatArray  # (N, 2)
    left_px: FloatArray  # (N,) departures from a smooth scale
    across_u_px: float  # of the line through the feet
    missing: int


def sigma_of(left_px: FloatArray) -> float:
    """Return 1 sigma of a place, widened where neighbours share their errors.

    The variance is multiplied by the integrated autocorrelation, summed to its first value below zero
    (C. J. Geyer, "Practical Markov Chain Monte Carlo", Stat. Sci. 7 (1992) 473).
    """
    away = left_px - left_px.mean()
    products = np.correlate(away, away, "full")[len(away) - 1 :] / max(float(away @ away), 1e-12)
    below = np.nonzero(products < 0)[0]
    shared = 2.0 * float(products[: below[0] if len(below) else len(away)].sum()) - 1.0
    rms = float(np.sqrt(np.mean(away**2)))
    return max(rms * sqrt(max(shared, 1.0)), LEAST_SIGMA_PX)


def slow_u(u_px: float, count: int) -> float:
    """Return 1 sigma of a single place that stands for slow errors of ``u_px`` shared by ``count`` places."""
    return u_px * sqrt(max(count / SLOW_TERMS, 1.0))


def _standard_u_mm(length_mm: float, hint: RuleHint | None) -> float:
    """Return 1 sigma of a laid rule: its class's limits, or what was told, as a rectangular distribution."""
    if hint is not None and hint.within_mm is not None:
        return hint.within_mm / sqrt(3.0)
    grade = hint.grade if hint is not None and hint.grade is not None else DEFAULT_GRADE
    return mid_limit_mm(length_mm, grade) / sqrt(3.0)


def photo_rule(
    name: str, measured: Measured, worth: Worth, evidence: str, role: Literal["drawn", "laid"], hint: RuleHint | None,
    edges: int,
) -> Rule:  # fmt: skip
    """Return the record of a rule whose unit is certain.

    The ``edges`` of one body share its error. As each of them is taken by itself later on, each gets the standard's
    1 sigma times the root of their number: all together then weigh as one rule.
    """
    number, places, count = measured.number, measured.places_px, len(measured.number)
    at_mm = np.abs(number - number[0]) * worth.pitch_mm
    span_px = float(np.sum(np.hypot(*np.diff(places, axis=0).T)))
    pitch_px = span_px / float(number[-1] - number[0])
    shared_mm = SHARED_U_PX * worth.pitch_mm / pitch_px
    laid = role == "laid"
    real = laid or (hint is not None and (hint.within_mm is not None or hint.grade is not None))
    own_mm = sqrt(edges) * _standard_u_mm(float(at_mm[-1]), hint) if real else 0.0
    control = Control(
        name=name,
        source="laid rule" if laid else "drawn rule",
        places=PxPoints(places),
        at_mm=at_mm,
        sigma_px=np.full(count, np.hypot(sigma_of(measured.left_px), slow_u(SLOW_U_PX, count))),
        sigma_across_px=slow_u(float(np.hypot(measured.across_u_px, SLOW_ACROSS_U_PX)), count),
        standard_u_mm=float(np.hypot(own_mm, shared_mm)),
        lift_mm=LIFT_MM if laid else 0.0,
        lift_u_mm=LIFT_U_MM if laid else 0.0,
    )
    first, last = places[0], places[-1]
    return Rule(
        control=control,
        role=role,
        unit=worth.unit,
        pitch_mm=worth.pitch_mm,
        from_px=(float(first[0]), float(first[1])),
        to_px=(float(last[0]), float(last[1])),
        graduations=len(places),
        missing=measured.missing,
        pitch_px=pitch_px,
        residual_rms_px=float(np.sqrt(np.mean(measured.left_px**2))),
        unit_evidence=evidence,
    )

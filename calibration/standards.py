"""What published standards allow a straight measure or a card to be wrong by."""

from __future__ import annotations

import math
from typing import Literal

MidGrade = Literal["I", "II", "III"]

# Directive 2014/32/EU, Annex X (MI-008), chapter I, table 1: a + b L and c, mm, L in whole metres
MID_MM: dict[str, tuple[float, float, float]] = {
    "I": (0.1, 0.1, 0.1),
    "II": (0.3, 0.2, 0.2),
    "III": (0.6, 0.4, 0.3),
}
# the same, table 2: (interval up to 1 mm, above 1 mm up to 1 cm), mm
MID_INTERVAL_MM: dict[str, tuple[float, float]] = {"I": (0.1, 0.2), "II": (0.2, 0.4), "III": (0.3, 0.6)}
# JIS B 7512:2018 clause 6.1, steel tapes: (fixed, per metre), mm
JIS_TAPE_MM: dict[int, tuple[float, float]] = {1: (0.2, 0.1), 2: (0.25, 0.15)}
JIS_TAPE_HOOK_MM = 0.2  # more when zero is the tape's end
MM_PER_M = 1000.0
CARD_ID1_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1, nominal
CARD_CORNER_MM = 3.18  # ISO/IEC 7813, nominal
CARD_THICK_MM = 0.76  # ISO/IEC 7810, nominal
# 1 sigma of how high its face is above that: thickness limits 0.68 to 0.84 mm, and a card may be bowed so that it takes
# up 1.5 mm in all (ISO/IEC 7810, warpage; from memory, not seen in the standard)
CARD_LIFT_U_MM = 0.25
# limits of an unused card, from memory of ISO/IEC 7810 clause 5, not seen in the standard
CARD_ID1_LIMITS_MM = ((85.47, 85.72), (53.92, 54.03))


def mid_limit_mm(length_mm: float, grade: MidGrade, *, from_end: bool = False) -> float:
    """Return the permitted error between two marks of an EU/UK material measure of length.

    Args:
        length_mm: between the marks.
        grade: accuracy class.
        from_end: the length begins at the rule's end or a tape's hook, not at a mark.

    Raises:
        ValueError: the length is not above zero, or the class is unknown.
    """
    _check(length_mm)
    if grade not in MID_MM:
        raise ValueError(f"grade: need I, II or III, got {grade!r}")
    fixed, per_metre, end = MID_MM[grade]
    return fixed + per_metre * math.ceil(length_mm / MM_PER_M) + (end if from_end else 0.0)


def mid_interval_limit_mm(interval_mm: float, grade: MidGrade) -> float:
    """Return the permitted error of one graduation interval of up to 1 cm.

    Raises:
        ValueError: the interval is not above zero or is more than 1 cm.
    """
    _check(interval_mm)
    if interval_mm > 10.0:
        raise ValueError("the table ends at 1 cm")
    return MID_INTERVAL_MM[grade][0 if interval_mm <= 1.0 else 1]


def jis_rule_limit_mm(length_mm: float) -> float:
    """Return the permitted error of a class 1 metal rule (JIS B 7516:2005).

    Raises:
        ValueError: the length is not above zero.
    """
    _check(length_mm)
    return 0.10 + 0.05 * math.ceil(length_mm / (MM_PER_M / 2))


def jis_tape_limit_mm(length_mm: float, tape_class: Literal[1, 2], *, from_end: bool = False) -> float:
    """Return the permitted error of a steel tape (JIS B 7512:2018).

    Raises:
        ValueError: the length is not above zero.
    """
    _check(length_mm)
    fixed, per_metre = JIS_TAPE_MM[tape_class]
    return fixed + per_metre * math.ceil(length_mm / MM_PER_M) + (JIS_TAPE_HOOK_MM if from_end else 0.0)


def laid_rule_u_mm(length_mm: float, grade: MidGrade | None) -> float:
    """Return 1 sigma of a laid rule over ``length_mm``; an unmarked rule counts as class III.

    Raises:
        ValueError: the length is not above zero, or the class is unknown.
    """
    return mid_limit_mm(length_mm, grade or "III") / math.sqrt(3.0)


def card_u_mm(side: Literal[0, 1]) -> float:
    """Return 1 sigma of a bank card's long (0) or short (1) side, from the wider of its limits."""
    low, high = CARD_ID1_LIMITS_MM[side]
    nominal = CARD_ID1_MM[side]
    return max(nominal - low, high - nominal) / math.sqrt(3.0)


def _check(length_mm: float) -> None:
    if not length_mm > 0.0:
        raise ValueError(f"a length above zero is needed, got {length_mm}")

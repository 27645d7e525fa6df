"""Lengths as people write them, and millimetres: the only 25.4 of the project.

One international inch is 25.4 mm exactly since 1 July 1959 (NBS Circular 572, addendum of 22 January 1960).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

from calibration.errors import UsageError

Unit = Literal["mm", "in"]

MM_PER_INCH = 25.4
INCHES_PER_FOOT = 12
MM_PER_CM = 10.0
# The finest graduation of an inch rule, and so the finest fraction written.
FINEST_FRACTION = 64

_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_INCH_AMOUNT = rf"(?:(?P<whole>\d+)(?:\s+|\s*-\s*))?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)|(?P<inches>{_NUMBER})"
_INCH_SIGN = r"(?:in|inch|inches|\"|″|'')"
_FOOT_SIGN = r"(?:ft|foot|feet|'|′)"
_METRIC = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>mm|cm|m)", re.IGNORECASE)
_INCHES = re.compile(rf"(?:{_INCH_AMOUNT})\s*{_INCH_SIGN}\.?", re.IGNORECASE)
_FEET = re.compile(rf"(?P<feet>{_NUMBER})\s*{_FOOT_SIGN}(?:\s*-?\s*(?:{_INCH_AMOUNT})\s*{_INCH_SIGN})?", re.IGNORECASE)
_BARE = re.compile(rf"(?:{_INCH_AMOUNT})", re.IGNORECASE)
_MM_OF = {"mm": 1.0, "cm": MM_PER_CM, "m": 1000.0}


def parse_length(text: str | float, default_unit: Unit = "mm") -> float:
    """Return the millimetres of ``505 mm``, ``19.875 in``, ``19 7/8 in``, ``1 ft 7 7/8 in`` or a bare number.

    A bare number, also one with a fraction, is in ``default_unit``.

    Raises:
        UsageError: ``bad-length`` when the text is not a length above zero.
    """
    written = str(text).strip()
    length_mm = None if isinstance(text, bool) else _length_mm(written, default_unit)
    if length_mm is None or not math.isfinite(length_mm) or length_mm <= 0.0:
        raise UsageError("bad-length", text=written)
    return length_mm


def _length_mm(written: str, default_unit: Unit) -> float | None:
    if found := _METRIC.fullmatch(written):
        return float(found["number"]) * _MM_OF[found["unit"].lower()]
    if found := _INCHES.fullmatch(written):
        return _scaled(_amount(found), MM_PER_INCH)
    if found := _FEET.fullmatch(written):
        inches = _amount(found) if (found["inches"] or found["top"]) else Fraction(0)
        return None if inches is None else _scaled(Fraction(found["feet"]) * INCHES_PER_FOOT + inches, MM_PER_INCH)
    if found := _BARE.fullmatch(written):
        return _scaled(_amount(found), MM_PER_INCH if default_unit == "in" else 1.0)
    return None


def _amount(found: re.Match[str]) -> Fraction | None:
    """Return the number of a match of ``_INCH_AMOUNT``; None for a fraction over zero."""
    if found["inches"]:
        return Fraction(found["inches"])
    if int(found["bottom"]) == 0:
        return None
    return int(found["whole"] or 0) + Fraction(int(found["top"]), int(found["bottom"]))


def _scaled(amount: Fraction | None, mm_per_unit: float) -> float | None:
    return None if amount is None else float(amount * Fraction(str(mm_per_unit)))


def format_length(length_mm: float, unit: Unit = "mm", finest: int = FINEST_FRACTION) -> str:
    """Return a length for people: ``505.10 mm``, or inches to the nearest 1/``finest``.

    Inches: the length is rounded to the nearest 1/64 in, halves away from zero, the fraction reduced
    (``19 7/8 in``). The remainder, length less what is written, is at most 1/128 in (0.198 mm); it is
    written behind in thousandths of an inch when it is 0.0005 in or more: ``19 7/8 in +0.004``.
    """
    if unit == "mm":
        return f"{length_mm:.2f} mm"
    inches = length_mm / MM_PER_INCH
    steps = math.floor(abs(inches) * finest + 0.5)
    sign = "-" if inches < 0 and steps else ""
    remainder = round(inches - math.copysign(steps / finest, inches), 3)
    behind = f" {remainder:+.3f}" if remainder else ""
    return f"{sign}{_mixed(Fraction(steps, finest))} in{behind}"


def _mixed(amount: Fraction) -> str:
    whole, rest = divmod(amount.numerator, amount.denominator)
    if rest == 0:
        return str(whole)
    fraction = f"{rest}/{amount.denominator}"
    return f"{whole} {fraction}" if whole else fraction

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.errors import UsageError
from calibration.units import MM_PER_INCH, format_length, parse_length


def test_the_inch_is_the_international_one() -> None:
    """1 yd = 0.9144 m exactly: NBS Circular 572, addendum of 22 January 1960."""
    assert Fraction(str(MM_PER_INCH)) * 36 == Fraction("914.4")


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("505 mm", 505.0),
        ("50.5 cm", 505.0),
        ("0.505 m", 505.0),
        ("505mm", 505.0),
        ("19.875 in", 504.825),
        ("19 7/8 in", 504.825),
        ("19-7/8 inches", 504.825),
        ('19 7/8"', 504.825),
        ("1 ft 7 7/8 in", 504.825),
        ("1' 7 7/8\"", 504.825),
        ("1 ft", 304.8),
        ("7/8 in", 22.225),
        (".5 in", 12.7),
        ("  505   MM ", 505.0),
    ],
)
def test_lengths_with_units(text: str, length_mm: float) -> None:
    assert parse_length(text, "mm") == pytest.approx(length_mm, rel=1e-12)
    assert parse_length(text, "in") == pytest.approx(length_mm, rel=1e-12)


@pytest.mark.parametrize(("bare", "inches"), [("19.875", 19.875), ("19 7/8", 19.875), (15, 15.0), (15.625, 15.625)])
def test_bare_numbers_take_the_default_unit(bare: str | float, inches: float) -> None:
    assert parse_length(bare, "in") == pytest.approx(inches * 25.4, rel=1e-12)
    assert parse_length(bare, "mm") == pytest.approx(inches, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["", "mm", "12 parsec", "19 7/0 in", "1 ft 505 mm", "-3 mm", "0 mm", "1,5 mm", "nan", "inf mm", "7 8/ in"]
)
def test_what_is_not_a_length_is_refused_with_its_text(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_length(text, "mm")
    assert caught.value.code == "bad-length"
    assert f"'{text}'" in str(caught.value)


def test_truth_is_not_a_length() -> None:
    with pytest.raises(UsageError):
        parse_length(True)


@pytest.mark.parametrize(
    ("length_mm", "text"),
    [
        (504.825, "19 7/8 in"),
        (25.4, "1 in"),
        (12.7, "1/2 in"),
        (0.396875, "1/64 in"),
        (505.0, "19 7/8 in +0.007"),
        (504.7, "19 7/8 in -0.005"),
        (0.0, "0 in"),
        (-12.7, "-1/2 in"),
        (0.5 * 0.396875, "1/64 in -0.008"),
    ],
)
def test_inches_to_the_nearest_sixty_fourth_with_the_remainder(length_mm: float, text: str) -> None:
    assert format_length(length_mm, "in") == text


def test_millimetres_to_the_hundredth() -> None:
    assert format_length(504.825, "mm") in ("504.82 mm", "504.83 mm")
    assert format_length(505, "mm") == "505.00 mm"


@given(st.integers(min_value=1, max_value=64 * 120))
def test_a_written_fraction_reads_back_exactly(steps: int) -> None:
    length_mm = float(Fraction(steps, 64) * Fraction("25.4"))
    assert parse_length(format_length(length_mm, "in")) == pytest.approx(length_mm, rel=1e-12)


@given(st.floats(min_value=1.0, max_value=3000.0))
def test_fraction_and_remainder_add_up_to_the_length(length_mm: float) -> None:
    written, _, remainder = format_length(length_mm, "in").partition(" in")
    total_mm = parse_length(f"{written} in") + float(remainder or 0) * 25.4
    assert abs(total_mm - length_mm) <= 0.0005 * 25.4 + 1e-9
    assert abs(float(remainder or 0)) <= 1 / 128 + 0.0005

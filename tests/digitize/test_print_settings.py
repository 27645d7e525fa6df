"""What a first print's check lines tell, and what they cannot."""

import pytest

from calibration.errors import UsageError
from digitize.print_settings import PrintSettings, printed_at


@pytest.mark.parametrize(
    ("measured", "across", "along"),
    [
        ("99.6 mm x 100.2 mm", 0.996, 1.002),
        ("9.96 cm X 10.02 cm", 0.996, 1.002),
        ("99.6mm×100.2mm", 0.996, 1.002),
        ("4.01 in x 3.99 in", 1.0025, 0.9975),
        ('4 1/64 in x 3 63/64"', 4.015625 / 4.0, 3.984375 / 4.0),
        ("101.6 mm of 100 mm x 101.6 mm of the 4 in", 1.016, 1.0),
        ("99.6 mm x 4.01 in", 0.996, 1.0025),
    ],
)
def test_the_check_lines_give_the_printers_factors(measured: str, across: float, along: float) -> None:
    assert printed_at(measured) == pytest.approx((across, along), abs=1e-12)


def test_the_page_is_drawn_larger_where_the_printer_makes_it_smaller() -> None:
    assert PrintSettings(measured="99 mm x 100.5 mm").scale == pytest.approx((1 / 0.99, 1 / 1.005))
    assert PrintSettings().scale == (1.0, 1.0)


@pytest.mark.parametrize(
    ("measured", "code"),
    [
        ("99.6 mm", "bad-measured"),
        ("99.6 x 100.2", "bad-measured"),  # no unit
        ("99.6 mm x broad", "bad-measured"),
        ("99.6 mm x 100.2 mm x 100 mm", "bad-measured"),
        ("99.6 mm of 90 mm x 100.2 mm", "bad-measured"),
        ("101.5 mm x 100.2 mm", "check-line-uncertain"),  # the 4 in line is 101.6 mm
        ("3.94 in x 3.94 in", "check-line-uncertain"),  # the 100 mm line is 3.937 in
        ("3.9 mm x 3.9 mm", "print-far-off"),
        ("126 mm x 100 mm", "print-far-off"),
    ],
)
def test_what_cannot_be_told_is_asked_for(measured: str, code: str) -> None:
    with pytest.raises(UsageError) as fault:
        printed_at(measured)
    assert fault.value.code == code
    assert fault.value.remedy

"""What standards allow a rule or a card to be wrong by."""

from __future__ import annotations

import math

import pytest

from calibration.standards import (
    card_u_mm,
    jis_rule_limit_mm,
    jis_tape_limit_mm,
    laid_rule_u_mm,
    mid_interval_limit_mm,
    mid_limit_mm,
)


@pytest.mark.parametrize(
    ("length_mm", "limits"),
    [
        (300.0, (0.2, 0.5, 1.0)),
        (1000.0, (0.2, 0.5, 1.0)),
        (1000.1, (0.3, 0.7, 1.4)),
        (2000.0, (0.3, 0.7, 1.4)),
        (2500.0, (0.4, 0.9, 1.8)),
        (4500.0, (0.6, 1.3, 2.6)),
        (5000.0, (0.6, 1.3, 2.6)),
    ],
)
def test_mid_permitted_errors(length_mm, limits):
    """Directive 2014/32/EU, Annex X (MI-008), chapter I, table 1: a + b L, L in whole metres, rounded up."""
    got = [mid_limit_mm(length_mm, grade) for grade in ("I", "II", "III")]
    assert got == pytest.approx(limits, abs=1e-12)


def test_mid_from_the_end_of_the_rule():
    """The same, table 1, c: 0.1, 0.2, 0.3 mm more from an end or a hook."""
    more = [mid_limit_mm(500, g, from_end=True) - mid_limit_mm(500, g) for g in ("I", "II", "III")]
    assert more == pytest.approx([0.1, 0.2, 0.3], abs=1e-12)


def test_mid_intervals():
    """The same, table 2."""
    assert [mid_interval_limit_mm(1.0, g) for g in ("I", "II", "III")] == [0.1, 0.2, 0.3]
    assert [mid_interval_limit_mm(5.0, g) for g in ("I", "II", "III")] == [0.2, 0.4, 0.6]
    with pytest.raises(ValueError, match="1 cm"):
        mid_interval_limit_mm(11.0, "I")


def test_a_short_class_ii_rule_may_cost_most_of_a_millimetre_on_a_body():
    """Derived from table 1: 300 mm class II is 0.17 %, 0.8 mm on 500 mm."""
    assert mid_limit_mm(300, "II") / 300 * 500 == pytest.approx(0.833, abs=1e-3)


def test_unmarked_rules_count_as_the_worst_class():
    assert laid_rule_u_mm(300, None) == laid_rule_u_mm(300, "III") == pytest.approx(1.0 / math.sqrt(3))


@pytest.mark.parametrize(("length_mm", "limit"), [(500, 0.15), (1000, 0.20), (1500, 0.25), (2000, 0.30)])
def test_jis_rules(length_mm, limit):
    """JIS B 7516:2005, class 1 metal rules."""
    assert jis_rule_limit_mm(length_mm) == pytest.approx(limit, abs=1e-12)


def test_jis_tapes():
    """JIS B 7512:2018 clause 6.1: class 1 0.2 + 0.1 L, class 2 0.25 + 0.15 L; 0.2 more from the end."""
    assert jis_tape_limit_mm(2000, 1) == pytest.approx(0.4)
    assert jis_tape_limit_mm(1500, 2) == pytest.approx(0.55)
    assert jis_tape_limit_mm(900, 1, from_end=True) == pytest.approx(0.5)


def test_a_card_is_a_check_and_no_scale():
    """ISO/IEC 7810 ID-1, 85.60 x 53.98 mm; limits of clause 5 from memory: about 0.15 %, 0.1 %."""
    assert card_u_mm(0) * math.sqrt(3) == pytest.approx(0.13, abs=1e-9)
    assert card_u_mm(1) * math.sqrt(3) == pytest.approx(0.06, abs=1e-9)


def test_lengths_must_be_above_zero():
    with pytest.raises(ValueError, match="above zero"):
        mid_limit_mm(0.0, "I")
    with pytest.raises(ValueError, match="grade"):
        mid_limit_mm(10.0, "IV")  # type: ignore[arg-type]

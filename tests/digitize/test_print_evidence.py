"""Whether drawn and laid were told apart rightly, and which laid rules count."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.errors import UsageError
from calibration.frames import PxPoints
from calibration.print_check import Tolerance
from calibration.print_factors import print_factors
from digitize.print_check import parse_tolerance
from digitize.print_evidence import role_doubts
from digitize.shapes import Rule
from digitize.sources import one_each
from tests.calibration.test_solve import PX_PER_MM, capture, rule

PAPER = (1 / PX_PER_MM, 1 / PX_PER_MM)


def codes(drawn_at, laid_at):
    """Return the doubts of a drawn and a laid rule each way that are as large as these two captures make them."""
    one = [rule(drawn_at, (20, 20), a, 250, name=f"drawn {a}") for a in (0, 90)]
    two = [rule(laid_at, (0, 0), a, 300, source="laid rule", name=f"laid {a}") for a in (0, 90)]
    return {found.code for found in role_doubts(print_factors(one, two, PAPER))}


def test_a_copy_that_is_off_and_a_real_rule_are_not_doubted():
    assert codes(capture(1.013, 0.992), capture(1.001, 0.999)) == set()


def test_swapped_roles_are_seen_by_the_scanners_own_scale():
    assert codes(capture(1.001, 0.999), capture(1.013, 0.992)) == {"roles-swapped"}


def test_two_printed_rules_are_seen_by_agreeing_with_each_other_and_not_with_the_scanner():
    assert codes(capture(1.013, 0.992), capture(1.013, 0.992)) == {"rules-same-kind"}


def test_a_scanner_further_off_than_usual_is_only_noted():
    assert codes(capture(1.03, 1.02), capture(1.008, 1.008)) == {"scanner-differs"}


def test_a_copy_nearer_to_true_than_scanners_are_cannot_be_doubted():
    assert codes(capture(1.002, 0.998), capture(1.0, 1.0)) == set()
    assert codes(capture(1.0, 1.0), capture(1.002, 0.998)) == set()


def found(name, start_px, along, length_mm, pitch_mm=1.0):
    count = int(length_mm / pitch_mm) + 1
    at = np.arange(count) * pitch_mm
    px = np.asarray(start_px) + PX_PER_MM * at[:, None] * np.asarray(along, dtype=float)
    control = rule(np.eye(2), (0, 0), 0, length_mm, source="laid rule", name=name)
    control = type(control)(name, "laid rule", PxPoints(px), at, np.full(count, 0.03), 0.03)
    ends = [(float(x), float(y)) for x, y in px[[0, -1]]]
    return Rule(control, "laid", "mm", pitch_mm, *ends, count, 0, PX_PER_MM * pitch_mm, 0.02, "")


def test_the_two_edges_of_one_real_rule_count_once():
    """They share the rule's own error: counted twice, the claim would be too narrow by the root of two."""
    long, short = found("long", (100, 100), (1, 0), 300), found("short", (130, 100 + 25 * PX_PER_MM), (1, 0), 250)
    other = found("other", (100, 100 + 200 * PX_PER_MM), (1, 0), 200)
    upright = found("upright", (100, 100), (0, 1), 300)
    assert {one.name for one in one_each([short, other, upright, long])} == {"upright", "long", "other"}


@pytest.mark.parametrize(
    ("text", "tolerance"),
    [(None, Tolerance()), ("0.1 %", Tolerance(share=0.001)), ("0,25%", Tolerance(share=0.0025)),
     ("0.5 mm", Tolerance(share=None, mm=0.5)), ("1/64 in", Tolerance(share=None, mm=25.4 / 64))],
)
def test_tolerances_are_percent_or_a_length(text, tolerance):
    assert parse_tolerance(text) == tolerance


@pytest.mark.parametrize("text", ["0.1", "", "0 %", "6 %", "-0.1 %", "mm", "0 mm", "some"])
def test_anything_else_is_not_a_tolerance(text):
    with pytest.raises(UsageError) as caught:
        parse_tolerance(text)
    assert caught.value.code == "bad-tolerance"

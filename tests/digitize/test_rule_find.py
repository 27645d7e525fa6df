"""find_rules against rules drawn by the tests' own renderer, with the truth of every graduation."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.measures import measure_control
from calibration.units import MM_PER_INCH
from digitize.rule import find_rules
from digitize.settings import RuleHint
from tests.digitize.rule_pages import HALF_LEVELS, MM_LEVELS, DrawnRule, Page, inch_levels

SCALE_LIMIT_PERCENT = 0.01  # the figure for the 95th percentile; the median is far below
PLACE_LIMIT = 0.12  # of a graduation: no graduation may be taken for its neighbour


def inch(n, count, **more):
    return DrawnRule((20, 20), more.pop("angle_deg", 0.0), MM_PER_INCH / n, count, inch_levels(n), **more)


def check(page, drawn, rule):
    """Scale, count and every place of a found rule against the truth."""
    a = np.deg2rad(drawn.angle_deg)
    step = page.to_px[:, :2] @ np.array([np.cos(a), np.sin(a)])
    px_per_mm = np.hypot(*step)
    assert rule.pitch_mm == pytest.approx(drawn.pitch_mm, rel=1e-12)
    assert 100 * abs(rule.pitch_px / rule.pitch_mm / px_per_mm - 1) < SCALE_LIMIT_PERCENT
    along = (rule.control.places.xy - page.px(drawn.start_mm)) @ (step / px_per_mm)
    index = along / px_per_mm / drawn.pitch_mm
    assert np.abs(index - np.rint(index)).max() < PLACE_LIMIT
    counted = np.abs(np.diff(np.rint(index)))
    assert np.allclose(counted, np.diff(rule.control.at_mm) / drawn.pitch_mm)
    present = drawn.count - len(drawn.missing)
    assert 0.9 * present <= rule.graduations <= present


CASES = {
    "mm, skewed": (Page(dpi=200, skew_deg=1.3, fx=1.012, fy=0.988), DrawnRule((15, 20), 0, 1.0, 210, MM_LEVELS)),
    "mm, down the sheet": (
        Page(dpi=300, width_mm=60, height_mm=200, skew_deg=-1.0),
        DrawnRule((30, 15), 90, 1.0, 160, MM_LEVELS, side=-1),
    ),
    "mm, slanted on an uneven copy": (
        Page(dpi=300, width_mm=140, height_mm=120, fx=1.02, fy=0.98),
        DrawnRule((20, 15), 37, 1.0, 110, MM_LEVELS),
    ),
    "mm, no line under it, 1-bit": (
        Page(dpi=400, one_bit=True, skew_deg=-1.0),
        DrawnRule((15, 12), 7, 1.0, 200, MM_LEVELS, baseline=False),
    ),
    "half mm": (Page(dpi=300), DrawnRule((15, 20), 0, 0.5, 300, HALF_LEVELS)),
    "inch 1/8 at 600 dpi": (Page(dpi=600, width_mm=130, height_mm=45), inch(8, 28)),
    "inch 1/16, 1-bit": (Page(dpi=300, one_bit=True, skew_deg=0.7), inch(16, 110)),
    "inch 1/32": (Page(dpi=200, skew_deg=-0.8), inch(32, 200)),
    "inch 1/64 at 200 dpi, lines of 1.2 px": (Page(dpi=200, skew_deg=0.9), inch(64, 400)),
    "60 mm only": (Page(dpi=200, width_mm=110), DrawnRule((20, 20), 0, 1.0, 61, MM_LEVELS)),
}


def slow(value):
    return pytest.param(value, marks=pytest.mark.slow)


BETWEEN = ("mm, down the sheet", "inch 1/8 at 600 dpi", "inch 1/32")  # much as those run by default


@pytest.mark.parametrize("name", [slow(name) if name in BETWEEN else name for name in CASES])
def test_a_rule_is_found_with_its_unit_count_and_scale(name):
    page, drawn = CASES[name]
    page.rules = [drawn]
    result = find_rules(page.picture())
    assert result.doubts == ()
    assert len(result.rules) == 1
    check(page, drawn, result.rules[0])


def test_missing_graduations_leave_gaps_and_never_miscounts():
    missing = (*range(40, 52), 3, 17, 90, 91, 92, 130)
    drawn = DrawnRule((15, 20), 0, 1.0, 200, MM_LEVELS, missing=missing)
    page = Page(dpi=200, skew_deg=0.5, rules=[drawn])
    (rule,) = find_rules(page.picture()).rules
    check(page, drawn, rule)
    assert rule.missing >= len(missing)


def test_lines_that_cross_do_not_move_the_scale():
    drawn = DrawnRule((15, 20), 0, 1.0, 200, MM_LEVELS)
    crossing = [((x, 5), (x + 30, 40), 0.3) for x in range(20, 200, 12)] + [((5, 21.5), (240, 21.5), 0.2)]
    page = Page(dpi=300, skew_deg=-0.6, rules=[drawn], strokes_mm=crossing)
    (rule,) = find_rules(page.picture()).rules
    assert 100 * abs(rule.pitch_px * MM_PER_INCH / page.dpi - 1) < SCALE_LIMIT_PERCENT
    assert rule.graduations > 150


def test_two_edges_with_two_units_are_two_rules():
    page = Page(dpi=300, skew_deg=0.4, rules=[
        DrawnRule((15, 15), 0, 1.0, 180, MM_LEVELS),
        DrawnRule((15, 45), 0, MM_PER_INCH / 16, 112, inch_levels(16), side=-1),
    ])  # fmt: skip
    rules = find_rules(page.picture()).rules
    assert sorted((rule.unit, rule.pitch_mm) for rule in rules) == [("in", MM_PER_INCH / 16), ("mm", 1.0)]


def test_one_line_with_both_units_is_two_rules():
    page = Page(dpi=300, rules=[
        DrawnRule((15, 30), 0, 1.0, 180, MM_LEVELS),
        DrawnRule((15, 30), 0, MM_PER_INCH / 16, 112, inch_levels(16), side=-1),
    ])  # fmt: skip
    rules = find_rules(page.picture()).rules
    assert sorted(rule.unit for rule in rules) == ["in", "mm"]


def test_the_same_graduations_on_both_edges_are_one_rule():
    page = Page(dpi=300, skew_deg=0.4, rules=[
        DrawnRule((15, 15), 0, 1.0, 180, MM_LEVELS),
        DrawnRule((15, 40), 0, 1.0, 180, MM_LEVELS, side=-1, numbers=False),
    ])  # fmt: skip
    assert len(find_rules(page.picture()).rules) == 1


def test_a_real_rule_laid_in_step_beside_a_drawn_one_leaves_it_a_rule():
    """30 mm apart and of one pitch they look like the two edges of one body; the person says that they are not."""
    page = Page(dpi=200, skew_deg=0.4, rules=[
        DrawnRule((15, 15), 0, 1.0, 120, MM_LEVELS),
        DrawnRule((15, 45), 0, 1.0, 120, MM_LEVELS, numbers=False),
    ])  # fmt: skip
    hints = [
        RuleHint.model_validate({"role": role, "near": tuple(page.px((60, y)))})
        for role, y in (("drawn", 16), ("laid", 46))
    ]
    assert sorted(rule.role for rule in find_rules(page.picture(), hints).rules) == ["drawn", "laid"]
    assert len(find_rules(page.picture()).rules) == 1


def test_the_stated_sigma_covers_the_error_of_the_scale():
    ratios = []
    for seed in range(6):
        drawn = DrawnRule((15, 20), 0, 1.0, 100, MM_LEVELS, line_mm=0.25)
        page = Page(dpi=200, width_mm=140, height_mm=45, skew_deg=0.3 * seed - 0.7, one_bit=seed % 2 == 0, seed=seed)
        page.rules = [drawn]
        (rule,) = find_rules(page.picture()).rules
        px_per_mm = page.dpi / MM_PER_INCH
        ratios.append((rule.pitch_px / px_per_mm - 1) / measure_control(rule.control).log_u)
    assert np.abs(ratios).max() < 3.5
    assert np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_a_pitch_of_whole_pixels_in_a_1_bit_picture_claims_less():
    """Every graduation then falls alike on the pixel grid, so that their number does not help."""
    claims = []
    for fx in (1.0, 1.02):
        drawn = inch(8, 24, line_mm=0.25)
        page = Page(dpi=200, width_mm=130, height_mm=45, fx=fx, one_bit=True, rules=[drawn])
        (rule,) = find_rules(page.picture()).rules
        claims.append(rule.control.standard_u_mm * page.dpi / MM_PER_INCH)
        error_px = (rule.pitch_px * MM_PER_INCH / rule.pitch_mm / page.dpi / fx - 1) * 23 * rule.pitch_px
        assert abs(error_px) < 2.5 * np.hypot(claims[-1], rule.control.sigma_px[0])
    assert claims[0] > 0.1  # of a pixel that all share, uniform, less what the lean of the line takes away
    assert claims[1] < claims[0] / 2


@pytest.mark.parametrize(("told", "limit_mm"), [({}, 0.0), ({"grade": "I"}, 0.2), ({"within": "0.05 mm"}, 0.05)])
def test_a_real_rule_photocopied_with_the_plan_keeps_its_own_error(told, limit_mm):
    """Directive 2014/32/EU Annex X: class I up to 1 m may be 0.2 mm out. What nothing is told of is the plan's own."""
    page = Page(dpi=100, width_mm=120, height_mm=40, rules=[DrawnRule((10, 12), 0, 1.0, 90, MM_LEVELS)])
    (rule,) = find_rules(page.picture(), (RuleHint.model_validate({"role": "drawn", "unit": "mm", **told}),)).rules
    assert rule.control.source == "drawn rule"
    assert rule.control.limit_mm == limit_mm
    assert rule.control.standard_u_mm >= limit_mm / np.sqrt(3)


def test_a_hint_picks_one_rule_and_carries_role_and_class():
    page = Page(dpi=300, rules=[
        DrawnRule((15, 12), 0, 1.0, 180, MM_LEVELS),
        DrawnRule((15, 48), 0, MM_PER_INCH / 16, 112, inch_levels(16), side=-1),
    ])  # fmt: skip
    place = tuple(page.px((60, 47)))
    hint = RuleHint.model_validate({"role": "laid", "near": place, "grade": "II"})
    (rule,) = find_rules(page.picture(), (hint,)).rules
    assert (rule.unit, rule.role, rule.control.source) == ("in", "laid", "laid rule")
    # Directive 2014/32/EU Annex X: class II up to 1 m may be 0.5 mm out; uniform within the limits.
    assert rule.control.standard_u_mm == pytest.approx(0.5 / np.sqrt(3), rel=1e-3)

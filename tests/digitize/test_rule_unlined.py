"""The direction of a rule is as certain as it says, with a drawn line and with none: ends or middles in line."""

from __future__ import annotations

import zlib
from itertools import product

import numpy as np
import pytest

from calibration.measures import measure_control
from calibration.units import MM_PER_INCH
from digitize.rule import find_rules
from digitize.rule.unlined import standing
from tests.bench.rule_scenes import made, render
from tests.bench.rules import turn_over_claim
from tests.digitize.rule_pages import MM_LEVELS, DrawnRule, Page, inch_levels

TURN_SIGMAS = 3.0
SIXTEENTHS = inch_levels(16)


def turn_sigmas(page: Page, drawn: DrawnRule) -> float:
    """How far the direction of the one rule found is off, over its 1 sigma."""
    (rule,) = find_rules(page.picture()).rules
    assert rule.pitch_mm == pytest.approx(drawn.pitch_mm)
    assert 0.98 * drawn.count < rule.graduations <= drawn.count
    seen = measure_control(rule.control)
    true = page.to_px[:, 0]
    off = seen.angle_rad - np.arctan2(true[1], true[0])
    return float(((off + np.pi / 2) % np.pi - np.pi / 2) / seen.angle_u_rad)


PITCHES = {"mm": (1.0, 181, MM_LEVELS), "inch": (MM_PER_INCH / 16, 113, SIXTEENTHS)}
WAYS = list(product(PITCHES, [False, True], [False, True], [-0.9, 0.4]))
# Every unit with ends and with middles in line, each grey and 1-bit, turned either way: a quarter of all ways.
USUAL = {("mm", False, False, 0.4), ("mm", True, True, -0.9), ("inch", False, True, 0.4), ("inch", True, False, -0.9)}


@pytest.mark.parametrize(
    ("unit", "centred", "one_bit", "skew_deg"),
    [pytest.param(*way, marks=() if way in USUAL else pytest.mark.slow) for way in WAYS],
)
def test_the_direction_is_as_certain_as_it_says(unit, centred, one_bit, skew_deg):
    pitch_mm, count, levels = PITCHES[unit]
    drawn = DrawnRule((15, 22), 0, pitch_mm, count, levels, baseline=False, centred=centred)
    page = Page(dpi=240, skew_deg=skew_deg, one_bit=one_bit, rules=[drawn])
    assert abs(turn_sigmas(page, drawn)) < TURN_SIGMAS


def test_fine_graduations_are_not_counted_at_every_fourth():
    """Every fourth of them makes a comb too, whose places the others in between pull along with it."""
    drawn = DrawnRule((15, 22), 0, MM_PER_INCH / 32, 257, inch_levels(32), baseline=False, centred=True)
    page = Page(dpi=400, skew_deg=-1.05, rules=[drawn])
    assert abs(turn_sigmas(page, drawn)) < TURN_SIGMAS


def test_thin_graduations_on_a_large_sheet_are_found():
    """So small in the picture that is looked through first that their strokes do not show as segments."""
    drawn = DrawnRule((40, 250), 0, MM_PER_INCH / 16, 113, SIXTEENTHS, baseline=False, centred=True, line_mm=0.15)
    page = Page(dpi=240, width_mm=700, height_mm=560, skew_deg=-1.6, noise=1.5, rules=[drawn])
    page.strokes_mm = [((60, 60), (640, 60), 0.5), ((60, 60), (60, 520), 0.5), ((640, 60), (640, 520), 0.5)]
    assert abs(turn_sigmas(page, drawn)) < TURN_SIGMAS


def test_figures_that_touch_the_longest_do_not_make_a_pattern_of_their_own():
    """A digit runs on from every whole inch: a 1 by less than a 2."""
    drawn = DrawnRule((15, 22), 0, MM_PER_INCH / 16, 81, SIXTEENTHS, baseline=False, centred=True, numbers=False)
    page = Page(dpi=280, skew_deg=0.9, rules=[drawn])
    for inch in range(6):
        x = 15 + MM_PER_INCH * inch
        foot = 22 + max(SIXTEENTHS.values())
        page.strokes_mm.append(((x, foot), (x, foot + (1.2 if inch % 2 else 3.5)), 0.15))
    assert abs(turn_sigmas(page, drawn)) < TURN_SIGMAS


@pytest.mark.parametrize("slope", [-0.004, 0.0, 0.011])
@pytest.mark.parametrize("kind", ["near ends", "far ends", "middles"])
def test_the_line_through_ends_or_middles_is_told_from_a_leaning_one(kind, slope):
    t = np.arange(113.0) * 15.0
    lengths = np.array([58, 18, 26, 18, 35, 18, 26, 18, 46, 18, 26, 18, 35, 18, 26, 18])[np.arange(113) % 16] * 1.0
    foot = {"near ends": 0.0 * lengths, "far ends": 58.0 - lengths, "middles": (58.0 - lengths) / 2}[kind]
    axis = 5.0 + slope * t  # of the line they were counted along, over that through the nearest ends
    own, other = foot + lengths - axis, np.maximum(axis - foot, 0.0)
    found = standing(t, own, other, own > 0)
    assert found is not None
    assert found.slope == pytest.approx(-slope, abs=2e-4)
    assert found.turned == (kind == "far ends")


def test_too_few_graduations_tell_no_line():
    few = np.arange(8.0)
    assert standing(few, few + 9, few * 0, few >= 0) is None


HALF = "half mm at 200 dpi"
LEANT = [("specks, 1-bit", 61002), ("dropouts, 1-bit", 61002), (HALF, 61000), (HALF, 61002)]


@pytest.mark.parametrize(("kind", "seed"), LEANT)
def test_a_drawn_line_is_as_straight_on_as_it_says(kind, seed):
    """Counted from a part of the rule at first, or nearly along the pixels: then it leant by up to 12 sigma."""
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
    scene = made(kind, rng)
    (rule,) = find_rules(render(scene, rng)).rules
    assert abs(turn_over_claim(scene, rule)) < TURN_SIGMAS

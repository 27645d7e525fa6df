"""Rules on poor prints: thin lines that come and go, faint ink, blotched ground, lines across; the count stays sure."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.units import MM_PER_INCH
from digitize.rule import find_rules
from digitize.rule.baseline import find_baseline
from digitize.rule.candidates import Seed
from digitize.rule.certain import certain_part
from digitize.rule.graduations import Ticks
from digitize.rule.hierarchy import read_hierarchy
from digitize.rule.strip import Line
from digitize.shapes import Picture
from tests.digitize.rule_pages import MM_LEVELS, DrawnRule, Page, inch_levels, level_length

SCALE_LIMIT_PERCENT = 0.02  # 95th percentile that is asked for
WHOLE = 0.9  # of the graduations between the ends


def only_rule(picture, page, drawn, limit_percent=SCALE_LIMIT_PERCENT):
    """The one rule found, with its value, its scale and every graduation's number as drawn."""
    result = find_rules(picture)
    assert [rule.pitch_mm for rule in result.rules] == [pytest.approx(drawn.pitch_mm, rel=1e-12)]
    (rule,) = result.rules
    a = np.deg2rad(drawn.angle_deg)
    step = page.to_px[:, :2] @ np.array([np.cos(a), np.sin(a)]) * drawn.pitch_mm
    pitch_px = np.hypot(*step)
    assert 100 * abs(rule.pitch_px / pitch_px - 1) < limit_percent
    index = (rule.control.places.xy - page.px(drawn.start_mm)) @ step / pitch_px**2
    assert np.abs(index - np.rint(index)).max() < 0.2
    assert np.allclose(np.abs(np.diff(np.rint(index))) * drawn.pitch_mm, np.diff(rule.control.at_mm))
    return rule


def grey_of(picture, change):
    grey = np.clip(np.rint(change(picture.grey.astype(np.float32))), 0, 255).astype(np.uint8)
    return Picture(grey, picture.file, picture.sha256, picture.dpi, "scan")


def slow(*values):
    return pytest.param(*values, marks=pytest.mark.slow)


# 1.14 and 1.26 px at 200 dpi: after blur and threshold only what falls near a pixel's middle stays.
THIN = {"mm": (1.0, MM_LEVELS, 0.145), "1/8 in": (MM_PER_INCH / 8, inch_levels(8), 0.16)}


@pytest.mark.parametrize(("kind", "skew_deg"), [("mm", 0.6), slow("mm", -0.86), ("1/8 in", -0.86), slow("1/8 in", 0.6)])
def test_thin_lines_that_come_and_go_in_a_1_bit_scan(kind, skew_deg):
    pitch_mm, levels, line_mm = THIN[kind]
    drawn = DrawnRule((15, 20), 0, pitch_mm, int(200 / pitch_mm), levels, line_mm=line_mm)
    page = Page(dpi=200, fx=1.0142, skew_deg=skew_deg, blur_px=0.78, one_bit=True, rules=[drawn])
    picture = page.picture()
    inked = np.count_nonzero(picture.grey == 0)
    whole = np.count_nonzero(Page(**{**vars(page), "blur_px": 0.0}).picture().grey == 0)
    assert inked < 0.95 * whole  # the print is broken indeed
    rule = only_rule(picture, page, drawn)
    assert rule.graduations > 0.5 * drawn.count


@pytest.mark.parametrize("depth", [25, slow(45)])
def test_faint_ink(depth):
    drawn = DrawnRule((15, 20), 0, 1.0, 180, MM_LEVELS, line_mm=0.2)
    page = Page(dpi=300, skew_deg=0.5, noise=0.0, rules=[drawn])
    clean = page.picture()
    noise = np.random.default_rng(3).normal(0, 3.0, clean.grey.shape)
    picture = grey_of(clean, lambda grey: 235 - (245 - grey) * depth / 215 + noise)
    assert only_rule(picture, page, drawn).graduations > WHOLE * drawn.count


def test_blotched_ground_does_not_widen_the_graduations():
    """As a blueprint comes after its colours were turned round; coarse graduations felt it most."""
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 8, 60, inch_levels(8))
    page = Page(dpi=200, skew_deg=0.7, noise=6.0, rules=[drawn])
    clean = page.picture()
    rng = np.random.default_rng(5)
    small = rng.standard_normal((clean.grey.shape[0] // 24 + 2, clean.grey.shape[1] // 24 + 2)).astype(np.float32)
    blotches = 12 * cv2.resize(small, clean.grey.shape[::-1], interpolation=cv2.INTER_CUBIC)
    picture = grey_of(clean, lambda grey: 190 - (245 - grey) * 85 / 215 + blotches)
    assert only_rule(picture, page, drawn).graduations > WHOLE * drawn.count


def test_a_hand_drawn_line_across_a_third_of_the_rule():
    """It makes graduations seem to grow along the rule, which they do not."""
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 16, 110, inch_levels(16))
    x = np.linspace(110, 190, 60)
    y = 25 + 5 * np.sin(x / 6)
    wave = [((x[i], y[i]), (x[i + 1], y[i + 1]), 0.5) for i in range(59)]
    page = Page(dpi=300, skew_deg=-0.4, rules=[drawn], strokes_mm=wave)
    assert only_rule(page.picture(), page, drawn).graduations > 0.8 * drawn.count


@pytest.mark.parametrize("one_bit", [False, True])
def test_a_third_of_the_graduations_dropped_out(one_bit):
    rng = np.random.default_rng(11)
    missing = (*sorted(rng.choice(np.arange(1, 199), 50, replace=False).tolist()), *range(90, 100))
    drawn = DrawnRule((15, 20), 0, 1.0, 200, MM_LEVELS, missing=missing)
    page = Page(dpi=200, skew_deg=0.8, one_bit=one_bit, rules=[drawn])
    rule = only_rule(page.picture(), page, drawn)
    assert rule.missing >= len(set(missing)) - 5  # some may lie beyond the ends


def test_squared_paper_under_a_rule():
    drawn = DrawnRule((15.3, 20.6), 0, 1.0, 110, MM_LEVELS)
    page = Page(dpi=200, width_mm=150, skew_deg=0.4, rules=[drawn])
    squares = [((x, 0), (x, 60), 0.12) for x in np.arange(0, 150, 5)] + [
        ((0, y), (150, y), 0.12) for y in np.arange(0, 60, 5)
    ]
    under = Page(dpi=200, width_mm=150, skew_deg=0.4, noise=0.0, strokes_mm=squares).picture().grey.astype(np.float32)
    picture = grey_of(page.picture(), lambda grey: grey - 0.25 * (245 - under))
    assert only_rule(picture, page, drawn).graduations > 0.8 * drawn.count


@pytest.mark.parametrize("one_bit", [False, True])
def test_squared_paper_alone_is_no_rule(one_bit):
    squares = [((x, 0), (x, 40), 0.15) for x in np.arange(0, 110, 2)] + [
        ((0, y), (110, y), 0.15) for y in np.arange(0, 40, 2)
    ]
    page = Page(dpi=200, width_mm=110, height_mm=40, skew_deg=0.7, one_bit=one_bit, strokes_mm=squares)
    assert find_rules(page.picture()).rules == ()


def test_staircases_of_slanted_1_bit_lines_are_no_rule():
    lines = [((5, 4 + 6 * i), (245, 4 + 6 * i + 240 * np.tan(np.deg2rad(0.25 + 0.5 * i))), 0.2) for i in range(7)]
    assert find_rules(Page(dpi=200, one_bit=True, strokes_mm=lines).picture()).rules == ()


def ticks_with(index, length):
    """Evenly placed graduations of given lengths."""
    index, length = np.asarray(index), np.asarray(length, dtype=np.float64)
    line = Line(np.zeros(2), np.array([1.0, 0.0]), 0.0, 2000.0)
    every = np.ones(len(index), dtype=bool)
    return Ticks(line, 1, index, 8.0 * index, every, 0.0, 8.0, 0.02, 1.5, length, every, 0 * length, 0.03)


def lengths_of(index):
    return [8 * level_length(int(k), MM_LEVELS) for k in index]


def test_a_pattern_that_does_not_go_on_across_a_gap_is_cut_there():
    """Two rules in one line, their graduations in step by chance, are not counted as one."""
    first, second = np.arange(0, 110), np.arange(125, 155)
    lengths = lengths_of(first) + lengths_of(second + 3)
    ticks = ticks_with(np.concatenate([first, second]), lengths)
    part = certain_part(ticks, read_hierarchy(ticks.index, ticks.lengths_px))
    assert (part.index[0], part.index[-1]) == (0, 109)
    assert part.pitch_px == pytest.approx(8.0)


def test_a_pattern_that_goes_on_keeps_both_sides():
    index = np.concatenate([np.arange(0, 90), np.arange(110, 160)])
    ticks = ticks_with(index, lengths_of(index))
    assert certain_part(ticks, read_hierarchy(index, ticks.lengths_px)) is ticks


@pytest.mark.filterwarnings("error")
def test_a_strip_without_ink_holds_no_baseline():
    """Paper in rows light and lighter, as a screen prints it: no middle may be taken of no ink."""
    grey = np.full((60, 400), 200, dtype=np.uint8)
    grey[1::2] = 215
    line = Line(np.array([0.0, 30.0]), np.array([1.0, 0.0]), 0.0, 399.0)
    assert not find_baseline(grey, Seed(line, 1, 10.0, 0.0, 399.0, 1.0)).drawn


def test_fine_graduations_on_both_sides_of_their_line_are_found():
    """Each edge of the line is broken at every graduation: on a large sheet, looked at small, no edge is left of it."""
    levels = {step: length / 2.8 for step, length in inch_levels(16).items()}
    sides = [DrawnRule((120, 300), 0, MM_PER_INCH / 16, 176, levels, side=side) for side in (1, -1)]
    page = Page(dpi=200, width_mm=600, height_mm=440, skew_deg=1.0, rules=sides)
    rule = only_rule(page.picture(), page, sides[0])
    assert rule.graduations > WHOLE * sides[0].count

"""What is not a rule is not found, and a unit that is not certain is never claimed."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.units import MM_PER_INCH
from digitize.rule import find_rules
from digitize.rule.hierarchy import Hierarchy, read_hierarchy
from digitize.rule.unit import Reference, decide
from digitize.settings import RuleHint
from digitize.shapes import Picture
from tests.digitize.rule_pages import HALF_LEVELS, MM_LEVELS, DrawnRule, Page, inch_levels, level_length

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"


def lines(xs, y0, y1, w=0.2):
    return [((x, y0), (x, y1), w) for x in xs]


def dashed(y, on, off, count):
    return [((10 + i * (on + off), y), (10 + i * (on + off) + on, y), 0.3) for i in range(count)]


WORDS = "the sides are bent over a hot pipe and glued to the lining in a mold"
TEXT = [((20, 8 + 6 * i), WORDS, 2.4) for i in range(8)]
TWELFTHS = {12: 6.0, 6: 4.8, 3: 3.6, 1: 2.4}
FRETS_MM = 230 - 200 * 2 ** (-np.arange(25) / 12)
DASHES = dashed(20, 2, 1, 70) + dashed(40, 6, 3, 22) + dashed(40, 0.5, 8.5, 22)
NOT_RULES = {
    "text": Page(texts_mm=TEXT),
    "hatching against a line": Page(
        width_mm=150,
        strokes_mm=[((10, 40), (140, 40), 0.3)] + [((12 + 2 * i, 40), (18 + 2 * i, 30), 0.15) for i in range(60)],
    ),
    "upright hatching of one length": Page(
        width_mm=130, strokes_mm=[((10, 40), (120, 40), 0.3), *lines(np.arange(12, 110, 1.0), 34, 40)]
    ),
    "dashed and dash-dot lines": Page(strokes_mm=DASHES),
    "fret lines": Page(
        strokes_mm=[((10, 15), (240, 15), 0.3), ((10, 50), (240, 50), 0.3), *lines(FRETS_MM, 15, 50)]
    ),
    "title block rows": Page(
        strokes_mm=[((150, 5 + 5 * i), (240, 5 + 5 * i), 0.3) for i in range(10)] + lines((150, 180, 210, 240), 5, 50)
    ),
    "nothing": Page(),
}


@pytest.mark.parametrize("name", NOT_RULES)
def test_other_things_are_not_rules(name):
    result = find_rules(NOT_RULES[name].picture())
    assert result.rules == ()
    assert result.doubts == ()


def test_a_rosette_is_not_a_rule():
    picture = Page(dpi=200, width_mm=100, height_mm=100).picture()
    grey = picture.grey.copy()
    for ring in (30, 32, 42, 44):
        cv2.circle(grey, (394, 394), int(ring * 200 / 25.4), 30, 2, cv2.LINE_AA)
    for angle in np.arange(0, 2 * np.pi, 0.03):
        u = np.array([np.cos(angle), np.sin(angle)]) * 200 / 25.4
        cv2.line(grey, tuple(np.int64(394 + 32 * u)), tuple(np.int64(394 + 42 * u)), 30, 1, cv2.LINE_AA)
    assert find_rules(Picture(grey, "r.png", "0", (200, 200), "scan")).rules == ()


def test_a_pattern_that_is_neither_mm_nor_inch_is_refused_with_its_place():
    drawn = DrawnRule((15, 20), 0, 1.0, 200, TWELFTHS)
    result = find_rules(Page(dpi=300, rules=[drawn]).picture())
    assert result.rules == ()
    assert [doubt.code for doubt in result.doubts] == ["unit-uncertain"]
    assert result.doubts[0].weight == "refused"


def test_a_resolution_that_no_value_fits_refuses():
    page = Page(dpi=300, rules=[DrawnRule((15, 20), 0, 1.15, 180, MM_LEVELS)])
    result = find_rules(page.picture())
    assert result.rules == ()
    assert [doubt.code for doubt in result.doubts] == ["unit-uncertain"]


def test_a_hint_settles_what_the_resolution_does_not():
    drawn = DrawnRule((15, 20), 0, 1.15, 85, MM_LEVELS)
    page = Page(dpi=300, width_mm=130, height_mm=35, declared=False, rules=[drawn])
    picture = page.picture()
    assert find_rules(picture).rules == ()
    hint = RuleHint.model_validate({"unit": "mm", "near": tuple(page.px((60, 21)))})
    (rule,) = find_rules(picture, (hint,)).rules
    assert (rule.unit, rule.pitch_mm) == ("mm", 1.0)
    assert "plan file" in rule.unit_evidence


def test_tenths_of_an_inch_are_told_from_millimetres_by_the_resolution():
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 10, 80, {10: 6.0, 5: 4.5, 1: 3.0})
    (rule,) = find_rules(Page(dpi=300, rules=[drawn]).picture()).rules
    assert (rule.unit, rule.pitch_mm) == ("in", pytest.approx(2.54))


@pytest.mark.parametrize("size", [0.5, 0.25])
def test_millimetres_on_a_copy_at_half_its_size_are_not_fiftieths_of_an_inch(size):
    """They fit the resolution to 2 %; the outline came out half as large and was called sound."""
    drawn = DrawnRule((15, 10), 0, size, 200, {step: size * length for step, length in MM_LEVELS.items()})
    page = Page(dpi=600, width_mm=30 + 200 * size, height_mm=25, rules=[drawn])
    picture = page.picture()
    result = find_rules(picture)
    assert result.rules == ()
    assert [doubt.code for doubt in result.doubts] == ["unit-uncertain"]
    hint = RuleHint.model_validate({"unit": "mm", "near": tuple(page.px((40, 11)))})
    (rule,) = find_rules(picture, (hint,)).rules
    assert (rule.unit, rule.pitch_mm) == ("mm", 1.0)


def test_beside_such_millimetres_an_inch_rule_without_figures_is_not_believed_either():
    """Nothing but the resolution speaks for its half, and the millimetres speak against the resolution."""
    half_inches = {step: length / 2 for step, length in inch_levels(16).items()}
    page = Page(dpi=600, width_mm=130, height_mm=40, rules=[
        DrawnRule((15, 8), 0, 0.5, 200, {step: length / 2 for step, length in MM_LEVELS.items()}),
        DrawnRule((15, 32), 0, MM_PER_INCH / 32, 130, half_inches, side=-1, numbers=False),
    ])  # fmt: skip
    picture = page.picture()
    result = find_rules(picture)
    assert result.rules == ()
    assert {doubt.code for doubt in result.doubts} == {"unit-uncertain"}
    hint = RuleHint.model_validate({"unit": "mm", "near": tuple(page.px((60, 9)))})
    found = find_rules(picture, (hint,), others=True).rules
    assert ("mm", 1.0) in {(rule.unit, rule.pitch_mm) for rule in found}


def test_fiftieths_of_an_inch_are_taken_where_the_person_says_inches():
    drawn = DrawnRule((15, 10), 0, MM_PER_INCH / 50, 200, {10: 3.6, 5: 2.8, 1: 2.0})
    page = Page(dpi=600, width_mm=130, height_mm=25, rules=[drawn])
    hint = RuleHint.model_validate({"unit": "in", "near": tuple(page.px((60, 11)))})
    (rule,) = find_rules(page.picture(), (hint,)).rules
    assert rule.pitch_mm == pytest.approx(MM_PER_INCH / 50)


def test_without_a_resolution_millimetres_need_a_usual_one():
    drawn = DrawnRule((15, 20), 0, 1.0, 200, MM_LEVELS)
    (rule,) = find_rules(Page(dpi=300, declared=False, rules=[drawn]).picture()).rules
    assert rule.pitch_mm == 1.0
    assert find_rules(Page(dpi=261, declared=False, rules=[drawn]).picture()).rules == ()


def test_a_certain_rule_settles_the_other_where_no_resolution_is_declared():
    page = Page(dpi=300, declared=False, rules=[
        DrawnRule((15, 12), 0, 1.0, 200, MM_LEVELS),
        DrawnRule((15, 48), 0, MM_PER_INCH / 16, 120, inch_levels(16), side=-1),
    ])  # fmt: skip
    result = find_rules(page.picture())
    assert sorted(rule.unit for rule in result.rules) == ["in", "mm"]
    assert result.doubts == ()


def test_an_undecided_rule_beside_a_certain_one_is_left_out_with_a_note():
    page = Page(dpi=300, rules=[
        DrawnRule((15, 12), 0, 1.0, 200, MM_LEVELS),
        DrawnRule((15.4, 48), 0, 1.3, 150, TWELFTHS, side=-1),
    ])  # fmt: skip
    result = find_rules(page.picture())
    assert [rule.pitch_mm for rule in result.rules] == [1.0]
    assert [(doubt.code, doubt.weight) for doubt in result.doubts] == [("rule-left-out", "note")]


LEVELS = {"decimal": MM_LEVELS, "half": HALF_LEVELS, "dyadic": inch_levels(16), "other": TWELFTHS}


@pytest.mark.parametrize("kind", LEVELS)
@pytest.mark.parametrize("first", [0, 3, 7])
def test_the_pattern_of_lengths_is_read_from_any_start(kind, first):
    rng = np.random.default_rng(first)
    index = np.sort(rng.choice(120, 100, replace=False))
    length = np.array([level_length(int(k) + first, LEVELS[kind]) for k in index]) * 8 + rng.normal(0, 0.7, 100)
    length[rng.choice(100, 6, replace=False)] *= 2  # crossed by something
    assert read_hierarchy(index, length).kind == kind


def test_no_length_pattern_is_no_hierarchy():
    rng = np.random.default_rng(0)
    assert read_hierarchy(np.arange(150), 20 + rng.normal(0, 2.0, 150)).kind == "none"


def test_the_declared_resolution_picks_among_halved_inches():
    index = np.arange(200)
    length = np.array([level_length(int(k), inch_levels(32)) for k in index]) * 8
    found = read_hierarchy(index, length)
    reference = Reference(300 / MM_PER_INCH, "the file's 300 dots per inch", 0.06)
    chosen = decide(found, 300 / 32, reference, None)
    assert chosen.worth is not None
    assert chosen.worth.words == "1/32 in"
    assert decide(found, 300 / 32 * 1.3, reference, None).worth is None
    assert decide(found, 300 / 32, None, None).worth is None  # as 1/64 in it would be 600 dpi, as usual as 300


def test_a_unit_told_settles_graduations_whose_lengths_were_misread():
    """Eighths of an inch whose lengths look like sixteenths: what the person says and the scale leave one value."""
    index = np.arange(60)
    length = np.array([level_length(int(k), inch_levels(16)) for k in index]) * 8.0
    rng = np.random.default_rng(0)
    found = read_hierarchy(index, length + rng.normal(0.0, 0.15 * np.ptp(length), len(length)))
    assert not found.clear and found.kind == "dyadic" and found.depth == 4
    reference = Reference(12.0, "the other rule", 0.05)
    eighth = MM_PER_INCH / 8 * 12.0
    assert decide(found, eighth, reference, None).worth is None
    told = decide(found, eighth * 1.017, reference, "in").worth
    assert told is not None and told.words == "1/8 in"
    assert decide(found, eighth * 1.2, reference, "in").worth is None


def test_clear_lengths_of_an_unusual_value_that_does_not_fit_were_misread_too():
    """From the edge of a steel rule's body, sixteenths of an inch once looked like twentieths."""
    found = Hierarchy("half", 0.82, 0, (2, 10))
    assert found.clear
    reference = Reference(200 / MM_PER_INCH, "the file's 200 dots per inch", 0.06)
    told = decide(found, 200 / 16, reference, "in").worth
    assert told is not None and told.words == "1/16 in"
    assert decide(found, 200 / 16, reference, None).worth is None
    assert decide(found, 200 / 20, reference, "in").worth is not None  # and where they do fit, they are twentieths
    off = decide(found, 1.3 * 200 / 20, reference, "in").worth  # no value fits: the resolution is wrong, not the person
    assert off is not None and off.words == "1/20 in"


def real(name, dpi):
    path = DATA / name
    if not path.exists():
        pytest.skip(f"{name} is not here")
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    return Picture(grey, name, "0", dpi, "photo")


def slow(value):
    return pytest.param(value, marks=pytest.mark.slow)


@pytest.mark.parametrize("dpi", [slow(None), (72, 72), slow((169.5, 169.5)), slow((300, 300))])
def test_half_millimetres_of_a_real_rule_are_never_read_as_millimetres(dpi):
    for rule in find_rules(real("halfmm_rule.jpg", dpi)).rules:
        assert rule.pitch_px / rule.pitch_mm == pytest.approx(6.675, rel=0.01)


def test_an_old_scale_cut_out_of_its_plan_is_seen_and_not_given_a_unit():
    whole = real("engraved_plan_a.jpg", None).grey
    part = cv2.resize(whole[4900:5600, 1400:3400], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    result = find_rules(Picture(part, "part.png", "0", (150, 150), "photo"))
    assert result.rules == ()
    assert [doubt.code for doubt in result.doubts] == ["unit-uncertain"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["engraved_plan_a.jpg", "engraved_plan_b.jpg"])
def test_an_old_scale_is_never_given_a_unit(name):
    assert find_rules(real(name, (300, 300))).rules == ()

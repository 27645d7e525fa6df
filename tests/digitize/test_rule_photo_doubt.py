"""In photos: what is no rule is not found, and a unit that is not certain is never claimed."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.units import MM_PER_INCH
from digitize.rule import find_photo_rules
from digitize.rule.hierarchy import Hierarchy
from digitize.rule.photo_unit import Sight, alone, by_scale, contradicts, together
from digitize.rule.unit import HALF_MM, MM
from digitize.settings import RuleHint
from digitize.shapes import Picture
from tests.digitize.rule_photo_scenes import TONES, Edge, laid_rule
from tests.digitize.test_rule_photo import START_MM, scene_of

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
NOTHING = {1: 0.0}


class OtherEdge(Edge):
    """Graduations of a pitch and lengths of its own."""

    pitch_mm = 1.3
    marks = NOTHING

    def mark_mm(self, index):
        return next(self.marks[step] for step in sorted(self.marks, reverse=True) if index % step == 0)

    @property
    def unit(self):
        return "mm"

    @property
    def every(self):
        return 10**6


def strange(pitch_mm, marks, count, tone="steel"):
    """A laid rule with a scale of its own."""
    body = laid_rule(START_MM, 3.0, 230.0, 28.0, ("1 mm", ""), TONES[tone])
    edge = body.edges[0]
    other = type("Strange", (OtherEdge,), {"pitch_mm": pitch_mm, "marks": marks})
    body.edges = [other("1 mm", count, edge.start_mm, edge.along, edge.into)]
    body.numbers_mm = 0.0
    return body


TWELFTHS = {12: 7.0, 6: 5.6, 3: 4.4, 1: 3.2}
TENTHS = {10: 7.0, 5: 4.8, 1: 2.8}
HATCHING = [(np.array([(50 + 2 * i, 60.0), (56 + 2 * i, 75.0)]), 0.25) for i in range(110)]
GRID = [(np.array([(x, 5.0), (x, 190.0)]), 0.15) for x in np.arange(10, 340, 5.0)] + [
    (np.array([(5.0, y), (340.0, y)]), 0.15) for y in np.arange(8, 190, 5.0)
]
ONE_LENGTH = [(np.array([(50 + i, 60.0), (50 + i, 64.0)]), 0.16) for i in range(200)]
FRETS_MM = 320 - 260 * 2 ** (-np.arange(25) / 12)
FRETS = [(np.array([(x, 80.0), (x, 130.0)]), 0.3) for x in FRETS_MM]
DASHES = [(np.array([(20 + 4 * i, 30 + 0.3 * i), (22 + 4 * i, 30 + 0.3 * i + 0.15)]), 0.4) for i in range(70)]
NOT_RULES = {"hatching": HATCHING, "squared paper": GRID, "marks of one length": ONE_LENGTH, "frets": FRETS + DASHES}


@pytest.mark.parametrize("name", NOT_RULES)
def test_other_things_in_a_photo_are_no_rules(name):
    _, picture = scene_of([], lines_mm=NOT_RULES[name])
    search = find_photo_rules(picture)
    assert search.rules == ()
    assert search.doubts == ()


def test_a_scale_of_twelfths_is_refused_with_its_place():
    scene, picture = scene_of([strange(1.3, TWELFTHS, 170)])
    search = find_photo_rules(picture)
    assert search.rules == ()
    (doubt,) = search.doubts
    assert (doubt.code, doubt.weight) == ("unit-uncertain", "refused")
    place = [float(word.strip(",")) for word in doubt.text.split() if word.strip(",").isdigit()][:2]
    foot = scene.camera.px(scene.bodies[0].edges[0].foot_mm())
    assert np.hypot(*(foot - place).T).min() < 40


def test_tenths_of_an_inch_alone_are_not_taken_for_millimetres():
    _, picture = scene_of([strange(MM_PER_INCH / 10, TENTHS, 90)])
    search = find_photo_rules(picture)
    assert search.rules == ()
    assert [one.code for one in search.doubts] == ["unit-uncertain"]
    assert "1 mm or 1/10 in" in search.doubts[0].text


def test_an_inch_rule_beside_them_settles_tenths_of_an_inch():
    inch = laid_rule(np.array([50.0, 120.0]), -2.0, 220.0, 26.0, ("1/16 in", ""), TONES["wood"])
    _, picture = scene_of([strange(MM_PER_INCH / 10, TENTHS, 90), inch])
    pitches = sorted(one.rule.pitch_mm for one in find_photo_rules(picture).rules)
    assert pitches == pytest.approx([MM_PER_INCH / 16, MM_PER_INCH / 10])


def test_what_the_person_says_settles_the_unit():
    scene, picture = scene_of([strange(MM_PER_INCH / 10, TENTHS, 90)])
    place = tuple(scene.camera.px(scene.bodies[0].edges[0].foot_mm()[30:31])[0])
    hint = RuleHint.model_validate({"unit": "in", "near": place})
    (found,) = find_photo_rules(picture, (hint,)).rules
    assert (found.rule.unit, found.rule.pitch_mm) == ("in", pytest.approx(2.54))
    assert "plan file" in found.rule.unit_evidence


DECIMAL = Hierarchy("decimal", 0.95, 0, (5, 10))
HALF = Hierarchy("half", 0.95, 0, (2, 10, 20))


def halved(depth, confirmed=True):
    return Hierarchy("dyadic", 0.95, depth, tuple(2 ** (i + 1) for i in range(depth)), confirmed)


def sight(pattern, pitch_px, tall, second=2.0, finer=False, told=None):
    return Sight(pattern, pitch_px, tall, second, finer, 4000.0, told)


def test_long_marks_tell_millimetres_from_tenths_of_an_inch():
    assert alone(sight(DECIMAL, 7.5, 3.0)).worth == MM
    short = alone(sight(DECIMAL, 7.5, 1.3))
    assert short.worth is None
    assert [one.words for one in short.candidates] == ["1 mm", "1/10 in"]


def test_a_field_larger_than_any_plan_excludes_a_value():
    # as tenths of an inch, 5.5 px would make the picture show 1.85 m
    assert alone(sight(DECIMAL, 5.5, 1.5)).worth == MM
    assert alone(sight(DECIMAL, 5.5, 1.1)).worth is None  # marks too short for millimetres all the same


def test_fives_alone_tell_no_unit():
    assert alone(sight(Hierarchy("decimal", 0.95, 0, (5,)), 5.5, 3.0)).worth is None


def test_half_millimetres_need_long_marks_too():
    assert alone(sight(HALF, 3.3, 2.4, second=2.6)).worth == HALF_MM
    assert alone(sight(HALF, 6.5, 2.4, second=1.4)).worth is None


def test_halved_inches_need_the_longest_class_confirmed_and_marks_of_their_usual_length():
    assert alone(sight(halved(4), 9.0, 2.1)).worth.words == "1/16 in"
    assert alone(sight(halved(4, confirmed=False), 9.0, 2.1)).worth is None
    assert alone(sight(halved(5), 9.0, 1.5)).worth is None  # too short for 32nds: one class too many was seen
    assert alone(sight(halved(2), 9.0, 1.5)).worth is None


def test_two_edges_of_one_rule_decide_together():
    both = together(sight(DECIMAL, 5.0, 1.2), sight(halved(4, confirmed=False), 7.9, 1.4), 1 / 1.5875 * 1.01)
    assert both is not None
    assert [one.worth.words for one in both] == ["1 mm", "1/16 in"]
    assert together(sight(DECIMAL, 5.0, 1.2), sight(halved(4), 7.9, 1.4), 1 / 1.3) is None


def test_the_scale_elsewhere_leaves_one_value_or_none():
    assert by_scale(sight(halved(4, confirmed=False), 8.0, 1.4), 5.2, "the other rule").worth.words == "1/16 in"
    assert by_scale(sight(halved(4, confirmed=False), 8.0, 1.4), 7.2, "the other rule").worth is None  # 1/16 or 1/32
    assert contradicts(sight(DECIMAL, 5.0, 3.0), MM, 9.0)
    assert not contradicts(sight(DECIMAL, 5.0, 3.0), MM, 6.5)


def real(name):
    path = DATA / name
    if not path.exists():
        pytest.skip(f"{name} is not here")
    return Picture(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), name, "0", None, "photo")


@pytest.mark.parametrize("name", ["halfmm_rule.jpg", "halfmm_rule_exif6.jpg"])
def test_half_millimetres_of_a_real_rule_are_read_as_such(name):
    """The picture's own note says half millimetres, 3.3375 px each."""
    (found,) = find_photo_rules(real(name)).rules
    assert found.rule.pitch_mm == 0.5
    assert found.rule.pitch_px / found.rule.pitch_mm == pytest.approx(6.675, rel=0.01)
    assert found.rule.graduations > 140
    assert found.rule.role == "laid"


@pytest.mark.parametrize(
    "name",
    ["engraved_plan_a.jpg", pytest.param("engraved_plan_b.jpg", marks=pytest.mark.slow), "curled_graph_paper.jpg",
     "phone_book_exif6.jpg"],
)  # fmt: skip
def test_no_rule_is_claimed_in_real_pictures_without_one(name):
    search = find_photo_rules(real(name))
    assert search.rules == ()
    assert search.angles == ()


def test_a_tiny_picture_holds_nothing():
    picture = Picture(np.full((40, 50), 200, dtype=np.uint8), "p.png", "0", None, "photo")
    assert find_photo_rules(picture).rules == ()



"""The thickness of a laid rule by its wall, in pictures whose wall is known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.controls import Control
from calibration.frames import FloatArray, PxPoints
from digitize.rule import photo_wall
from digitize.rule.photo_lift import LONG_STEEL_MM, SHORT_STEEL_MM, SQUARE_MM, with_lifts, with_walls
from digitize.rule.photo_records import PhotoRule, PhotoRuleSearch
from digitize.rule.photo_wall import wall_of
from digitize.settings import RuleHint
from digitize.shapes import Picture, Rule

LEFT, RIGHT, TOP, RIM = 60.0, 940.0, 60.0, 160.0  # of the rule's face; its graduations stand on the lower rim
SEEN = 2.4  # px that a mm's height moves a place by, up in the picture
SIZE, FINER = (260, 1000), 8
FACE, PAPER = 0.22, 0.55  # light
GAMMA = 2.2


def rise(points: PxPoints) -> FloatArray:
    """Return how places move as they rise: the camera is above the lower end of the picture."""
    return np.tile([0.0, -SEEN], (len(points.xy), 1))


def photo(wall_mm: float, wall: float = 0.08, shadow: float = 0.0, blur_px: float = 1.1) -> np.ndarray:
    """Return the grey of a rule with graduations, its wall and the soft shadow beyond it, blurred as light is."""
    rows = (np.arange(SIZE[0] * FINER) + 0.5) / FINER - 0.5
    foot = RIM + wall_mm * SEEN
    column = np.where(rows < TOP, PAPER, np.where(rows < RIM, FACE, np.where(rows < foot, wall, PAPER)))
    column = column * (1.0 - shadow * np.exp(-np.maximum(rows - foot, 0.0) / 7.0) * (rows >= foot))
    light = np.repeat(column.reshape(SIZE[0], FINER).mean(axis=1)[:, None], SIZE[1], axis=1)
    for x in np.arange(LEFT + 5, RIGHT - 5, 4.4):
        light[int(RIM) - 14 : int(RIM), round(x)] *= 0.5
    light[:, : int(LEFT)] = light[:, int(RIGHT) :] = PAPER
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    noise = np.random.default_rng(3).normal(0.0, 1.5, light.shape)
    return np.clip(np.rint(255.0 * light ** (1.0 / GAMMA) + noise), 0, 255).astype(np.uint8)


def edge(lift: tuple[float, float] = LONG_STEEL_MM, body: int = 0, name: str = "rule 1") -> PhotoRule:
    """Return the graduated edge as it is found."""
    x = np.arange(LEFT + 5, RIGHT - 5, 4.4)
    places = np.column_stack([x, np.full(len(x), RIM)])
    control = Control(name, "laid rule", PxPoints(places), np.arange(len(x), dtype=float), np.full(len(x), 0.1), 0.1,
                      lift_mm=lift[0], lift_u_mm=lift[1])  # fmt: skip
    rule = Rule(control, "laid", "mm", 1.0, (LEFT, RIM), (RIGHT, RIM), len(x), 0, 4.4, 0.1, "told")
    ring = PxPoints(np.array([(LEFT, TOP), (RIGHT, TOP), (RIGHT, RIM), (LEFT, RIM)]))
    return PhotoRule(rule, ring, body, 1.0, "by its tone", flat=True)


def slow(value: object) -> object:
    return pytest.param(value, marks=pytest.mark.slow)


@pytest.mark.parametrize("thick_mm", [0.6, slow(1.0), 1.5, slow(2.2), 3.0])
@pytest.mark.parametrize("shadow", [0.0, 0.35], ids=["no shadow", "soft shadow"])
def test_a_wall_gives_the_thickness(thick_mm: float, shadow: float) -> None:
    found = wall_of(photo(thick_mm, shadow=shadow), edge(), rise)
    assert found is not None
    assert abs(found.mm - thick_mm) < 2.0 * found.u_mm
    if thick_mm > 2.0:  # a band of 5 px and more
        assert found.u_mm < (0.4 if shadow else 0.2)
        assert abs(found.mm - thick_mm) < 0.2, "half a pixel, of 2.4 px for a mm"


@pytest.mark.parametrize("away_px", [5.0, 8.0])
def test_a_line_drawn_beside_the_rule_is_no_wall(away_px: float) -> None:
    """It is darker than the wall, and its far side changes to paper more."""
    grey = photo(1.8, wall=0.12, shadow=0.25).copy()
    row = RIM + 1.8 * SEEN + away_px
    for x in range(SIZE[1]):
        at = round(row + 0.004 * x)
        grey[at : at + 3, x] = (grey[at : at + 3, x] * 0.35).astype(np.uint8)
    found = wall_of(cv2.GaussianBlur(grey, (0, 0), 0.7), edge(), rise)
    assert found is not None
    assert abs(found.mm - 1.8) < 2.0 * found.u_mm and found.u_mm < 0.5
    assert abs(found.mm - 1.8) < 0.3


@pytest.mark.parametrize(
    ("body_px", "usual"), [(RIGHT - LEFT, LONG_STEEL_MM), (155 * 4.4, SHORT_STEEL_MM)], ids=["200 mm long", "155 mm"]
)
def test_a_long_rule_is_long_though_glare_hides_some_of_it(body_px: float, usual: tuple[float, float]) -> None:
    whole = edge()
    seen, right = whole.rule.control, LEFT + body_px * 1.01
    control = replace(seen, places=PxPoints(seen.places.xy[:140]), at_mm=seen.at_mm[:140], sigma_px=seen.sigma_px[:140])
    ring = PxPoints(np.array([(LEFT, TOP), (right, TOP), (right, RIM), (LEFT, RIM)]))
    rule = replace(whole, rule=replace(whole.rule, control=control), polygon=ring)
    picture = Picture(photo(1.0), "rule.jpg", "0" * 64, None, "photo")
    (found,) = with_lifts(picture, PhotoRuleSearch((rule,), (), ()), ()).rules
    assert (found.rule.control.lift_mm, found.rule.control.lift_u_mm) == usual


def test_one_piece_that_looks_clear_by_chance_does_not_decide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a low wall in a soft shadow most pieces say little; the middle one of several counts, and little."""
    told = iter([(1.74, 1.16), (2.43, 0.47), (1.12, 2.2), (1.27, 1.62), (1.43, 1.18), None, None, None])
    monkeypatch.setattr(photo_wall, "_height", lambda piece: next(told))
    found = wall_of(photo(1.5), edge(), rise)
    assert found is not None
    assert found.mm == pytest.approx((1.43 + 1.74) / 2.0)
    assert found.u_mm > 1.0


def test_without_a_wall_in_view_nothing_is_told() -> None:
    assert wall_of(photo(0.0), edge(), rise) is None
    from_above = wall_of(photo(1.5), edge(), lambda points: np.zeros((len(points.xy), 2)))
    assert from_above is None, "the camera does not see it"
    search = PhotoRuleSearch((edge(),), (), ())
    assert with_walls(photo(0.0), search, (), rise) is search


def test_a_wall_of_the_tone_of_the_face_cannot_be_told_from_it() -> None:
    assert wall_of(photo(1.5, wall=FACE), edge(), rise) is None


def test_the_edges_of_one_thing_are_as_high_as_each_other_and_what_is_told_stays() -> None:
    grey = photo(1.8)
    search = PhotoRuleSearch((edge(), edge(name="rule 2")), (), ())
    one, two = (rule.rule.control for rule in with_walls(grey, search, (), rise).rules)
    assert one.lift_mm == two.lift_mm and abs(one.lift_mm - 1.8) < 0.25
    told = RuleHint.model_validate({"thickness": "1.2 mm"}, context={"unit": "mm"})
    kept = with_walls(grey, search, (told,), rise).rules[0].rule.control
    assert kept.lift_mm == LONG_STEEL_MM[0]


def test_where_what_is_seen_and_what_is_usual_disagree_the_claim_covers_both() -> None:
    thick = with_walls(photo(3.4), PhotoRuleSearch((edge((1.0, 0.2)),), (), ()), (), rise).rules[0].rule.control
    assert abs(thick.lift_mm - 3.4) < 0.3
    assert thick.lift_mm - 2.0 * thick.lift_u_mm <= 1.0 + 1e-9


def test_what_may_be_one_square_is_as_high_as_the_wall_that_shows() -> None:
    """Two bodies, the second beyond the picture's light: its wall does not show."""
    hidden = edge((1.4, 0.5), body=1, name="rule 2")
    places = hidden.rule.control.places.xy + np.array([0.0, 60.0])
    hidden = replace(hidden, rule=replace(hidden.rule, control=replace(hidden.rule.control, places=PxPoints(places))))
    bodies = (edge((1.4, 0.5)), hidden)
    pair = {frozenset({0, 1}): 0.5}
    found = with_walls(photo(2.0), PhotoRuleSearch(bodies, (), (), pair), (), rise).rules
    assert abs(found[0].rule.control.lift_mm - 2.0) < 0.2
    assert abs(found[1].rule.control.lift_mm - 2.0) < 0.3 and found[1].rule.control.lift_u_mm < 0.35
    alone = with_walls(photo(2.0), PhotoRuleSearch(bodies, (), ()), (), rise).rules
    assert alone[1].rule.control.lift_mm == 1.4


def test_what_is_wider_than_rules_are_is_likelier_a_square() -> None:
    """Two bodies that may be its arms: 23 mm wide both, or the first 41 mm, which no short steel rule is."""
    picture = Picture(photo(1.0), "rule.jpg", "0" * 64, None, "photo")
    pair = {frozenset({0, 1}): 0.5}
    narrow = edge(), edge(body=1, name="rule 2")
    ring = PxPoints(np.array([(LEFT, RIM - 180.0), (RIGHT, RIM - 180.0), (RIGHT, RIM), (LEFT, RIM)]))
    wide = replace(narrow[0], polygon=ring)
    of_narrow, of_wide = (
        [one.rule.control for one in with_lifts(picture, PhotoRuleSearch((first, narrow[1]), (), (), pair), ()).rules]
        for first in (narrow[0], wide)
    )
    for one, other in zip(of_narrow, of_wide, strict=True):
        assert other.lift_mm > one.lift_mm + 0.15
        assert abs(other.lift_mm - 1.8) < other.lift_u_mm < one.lift_u_mm
    (alone,) = with_lifts(picture, PhotoRuleSearch((wide,), (), ()), ()).rules
    assert LONG_STEEL_MM[0] < alone.rule.control.lift_mm < SQUARE_MM[0]


def test_what_looks_like_a_high_wall_beside_plastic_may_be_its_shadow() -> None:
    thin = replace(edge((0.5, 0.25)), flat=False)
    (found,) = with_walls(photo(2.2), PhotoRuleSearch((thin,), (), ()), (), rise).rules
    control = found.rule.control
    assert 1.2 < control.lift_mm < 1.5, "half way between 0.5 and 2.2 mm"
    for true_mm in (0.5, 2.2):  # whichever it is
        assert abs(control.lift_mm - true_mm) <= 1.1 * control.lift_u_mm

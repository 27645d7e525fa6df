"""find_photo_rules against rules seen by the tests' own camera, with the truth of every graduation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial import Chebyshev

from digitize.rule import find_photo_rules, photo_search
from digitize.settings import RuleHint
from tests.digitize.rule_photo_scenes import (
    MM_PER_INCH,
    TONES,
    Body,
    PhotoScene,
    camera_for,
    drawn_rule,
    laid_rule,
    render,
    square,
)

PLACE_RMS_PX = 0.12  # across the graduations; what is aimed at is 0.15
PLACE_MEAN_PX = 0.06
SIZE_PX = (1800, 1000)
PX_PER_MM = 5.2
FIELD_MM = (SIZE_PX[0] / PX_PER_MM, SIZE_PX[1] / PX_PER_MM)
START_MM = np.array([45.0, 60.0])


def scene_of(bodies, tilt_deg=22.0, toward_deg=60.0, k1=-0.2, seed=1, **more):
    """A photo of rules; tilt and lens bend them and change their pitch."""
    camera = camera_for(FIELD_MM, SIZE_PX, tilt_deg, toward_deg, 2.0, PX_PER_MM, k1, focal=1.6)
    scene = PhotoScene(camera, SIZE_PX, list(bodies), **more)
    return scene, render(scene, np.random.default_rng(seed))


def held(scene, found):
    """The true edge that a found one lies on, and by how much each place misses its graduation's line, px."""
    xy = found.rule.control.places.xy
    edges = [edge for body in scene.bodies for edge in body.edges]

    def away(edge):
        feet = scene.camera.px(edge.foot_mm())
        return float(np.median(np.hypot(*(xy[:, None] - feet[None]).transpose(2, 0, 1)).min(axis=1)))

    edge = min(edges, key=away)
    feet = scene.camera.px(edge.foot_mm())
    ahead = scene.camera.px(edge.foot_mm() + 3.0 * edge.into) - feet
    ahead /= np.hypot(*ahead.T)[:, None]
    apart = xy[:, None] - feet[None]
    beyond = apart[..., 0] * ahead[None, :, 1] - apart[..., 1] * ahead[None, :, 0]
    number = np.argmin(np.where(np.hypot(*apart.transpose(2, 0, 1)) < 40, np.abs(beyond), np.inf), axis=1)
    return edge, number, beyond[np.arange(len(xy)), number]


def check(scene, found, part=0.9):
    """Unit, every number, every place and the length used of one found edge."""
    edge, number, off = held(scene, found)
    control = found.rule.control
    assert found.rule.unit == edge.unit
    times = found.rule.pitch_mm / edge.pitch_mm
    assert times == pytest.approx(round(times), abs=1e-9) and round(times) in (1, 2)
    assert np.allclose(np.abs(np.diff(number)) * edge.pitch_mm, np.diff(control.at_mm))
    assert abs(off.mean()) < PLACE_MEAN_PX
    assert off.std() < PLACE_RMS_PX
    assert off.std() < 2.0 * control.sigma_px[0]
    assert np.ptp(number) >= part * (edge.count - 1)
    return edge


LAID = {
    "steel, mm and sixteenths": (("1 mm", "1/16 in"), "steel", {}),
    "black with white marks": (("1 mm", "1/16 in"), "black", {}),
    "grey with white marks, steep": (("1 mm", ""), "grey with white", {"tilt_deg": 30.0, "toward_deg": 90.0}),
    "wood, sixteenths and eighths": (("1/16 in", "1/8 in"), "wood", {}),
    "plastic as white as the paper": (("1 mm", ""), "white plastic", {"k1": 0.15}),
    "32nds and 64ths": (("1/32 in", "1/64 in"), "bright steel", {"tilt_deg": 8.0}),
    "mm and half mm": (("1 mm", "0.5 mm"), "steel", {"tilt_deg": 12.0, "toward_deg": 200.0}),
    "much blur": (("1 mm", "1/16 in"), "steel", {"blur_px": 1.2, "noise": 5.0}),
}


def slow(value):
    return pytest.param(value, marks=pytest.mark.slow)


BETWEEN = ("grey with white marks, steep", "mm and half mm", "much blur")  # much as those run by default


@pytest.mark.parametrize("name", [slow(name) if name in BETWEEN else name for name in LAID])
def test_a_laid_rule_is_found_with_its_unit_and_every_graduation(name):
    names, tone, more = LAID[name]
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, names, TONES[tone])
    scene, picture = scene_of([body], **more)
    search = find_photo_rules(picture)
    assert len(search.rules) == sum(1 for one in names if one)
    for found in search.rules:
        check(scene, found)
        assert (found.rule.role, found.rule.control.source) == ("laid", "laid rule")
        assert (found.rule.control.lift_mm, found.rule.control.lift_u_mm) == (0.75, 0.35)
    assert len({found.body for found in search.rules}) == 1
    assert search.doubts == () and search.angles == ()


@pytest.mark.parametrize("angle_deg", [37.0, 88.0])
def test_a_rule_at_any_angle(angle_deg):
    at = np.array([120.0, 20.0])
    scene, picture = scene_of([laid_rule(at, angle_deg, 150.0, 24.0, ("1 mm", ""), TONES["yellow"])])
    (found,) = find_photo_rules(picture).rules
    check(scene, found)


def test_a_clear_rule_over_drawn_lines():
    body = laid_rule(START_MM, 3.0, 240.0, 30.0, ("1 mm", ""), TONES["clear"])
    lines = [(np.array([(x, 40.0), (x + 25.0, 110.0)]), 0.3) for x in range(50, 290, 24)]
    scene, picture = scene_of([body], lines_mm=lines)
    (found,) = find_photo_rules(picture).rules
    check(scene, found)
    assert found.rule.role == "laid"


def test_a_drawn_rule_is_told_from_a_laid_one():
    bodies = [
        drawn_rule(np.array([60.0, 150.0]), -3.0, 180.0, "1 mm"),
        laid_rule(START_MM, 3.0, 200.0, 25.0, ("1/16 in", ""), TONES["steel"]),
    ]
    scene, picture = scene_of(bodies)
    rules = find_photo_rules(picture).rules
    assert sorted((one.rule.role, one.rule.unit) for one in rules) == [("drawn", "mm"), ("laid", "in")]
    for found in rules:
        check(scene, found)
    drawn = next(one.rule.control for one in rules if one.rule.role == "drawn")
    assert drawn.source == "drawn rule"
    assert (drawn.lift_mm, drawn.lift_u_mm) == (0.0, 0.0)


def test_the_count_goes_on_across_a_hand():
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, ("1 mm", ""), TONES["steel"])
    hand = np.array([(140.0, 40.0), (168.0, 44.0), (172.0, 120.0), (136.0, 118.0)])
    scene, picture = scene_of([body], over_mm=[(hand, 150.0)])
    (found,) = find_photo_rules(picture).rules
    check(scene, found)
    assert found.rule.missing >= 25


def test_glare_over_a_part_never_shifts_the_count():
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, ("1 mm", "1/16 in"), TONES["steel"])
    scene, picture = scene_of([body], glare_px=[(800.0, 420.0, 60.0, 2.5), (1200.0, 500.0, 40.0, 1.5)])
    rules = find_photo_rules(picture).rules
    assert {one.rule.unit for one in rules} == {"mm", "in"}
    for found in rules:
        check(scene, found, part=0.15)


def test_the_arms_of_a_square_are_known_to_be_square():
    bodies = square(np.array([50.0, 30.0]), 3.0, (250.0, 150.0), 32.0, ("1 mm", "1 mm"), TONES["steel"])
    scene, picture = scene_of(bodies, tilt_deg=20.0)
    search = find_photo_rules(picture)
    for found in search.rules:
        check(scene, found)
    assert ("the arms of a square", 90.0) in {(one.why, round(np.rad2deg(one.angle_rad))) for one in search.angles}
    names = {one.rule.control.name: held(scene, one)[0] for one in search.rules}
    for known in search.angles:
        turn = names[known.first].along @ names[known.second].along
        assert abs(abs(turn) - np.cos(known.angle_rad)) < 1e-9
        assert known.u_rad == pytest.approx(np.deg2rad(0.02))


def test_small_waves_of_a_course_do_not_move_the_corner(monkeypatch):
    """The outer edge of an arm begins as far from the corner as the other is wide, where a wave's end would lead on."""
    bodies = square(np.array([50.0, 30.0]), 3.0, (250.0, 150.0), 40.0, ("1 mm", "1 mm"), TONES["steel"])
    seen, first = [], photo_search.squares_of
    monkeypatch.setattr(photo_search, "squares_of", lambda grey, arms: seen.append(arms) or first(grey, arms))
    _, picture = scene_of(bodies, tilt_deg=20.0)
    find_photo_rules(picture)

    def waved(arm):
        course = arm.edge.course
        wave = Chebyshev([0.0] * 8 + [0.9], domain=course.y.fit.domain)  # px; steepest at the ends
        runs = np.ptp(course.foot(arm.edge.at), axis=0)
        axis = "y" if runs[0] > runs[1] else "x"
        bent = replace(getattr(course, axis), fit=getattr(course, axis).fit + wave)
        return replace(arm, edge=replace(arm.edge, course=replace(course, **{axis: bent})))

    told = first(picture.grey, [waved(arm) for arm in seen[0]])
    assert len([one for one in told.angles if one.why == "the arms of a square"]) == 2


def test_an_arm_of_a_square_is_no_printed_rule(monkeypatch):
    """In a glare the face of an arm beside its inner edge may look like paper, and that edge printed beside a rule."""
    bodies = square(np.array([50.0, 30.0]), 3.0, (250.0, 150.0), 32.0, ("1 mm", "1 mm"), TONES["steel"])
    _, picture = scene_of(bodies, tilt_deg=20.0)
    monkeypatch.setattr(photo_search, "parted", lambda members, seen: [[n] for n in range(len(members))])
    search = find_photo_rules(picture)
    assert len(search.rules) == 4 and len({one.body for one in search.rules}) == 2
    assert {one.rule.role for one in search.rules} == {"laid"}


def test_two_rules_laid_against_one_another_are_no_square():
    """Their widths are a whole number of centimetres and their ends are flush, as neat people lay them."""
    tone = TONES["steel"]
    along = laid_rule(np.array([80.0, 30.0]), 0.0, 200.0, 30.0, ("1 mm", "1 mm"), tone)
    down = laid_rule(np.array([80.0, 30.0]), 90.0, 140.0, 30.0, ("1 mm", "1 mm"), tone)
    for body in (along, down):
        body.outline_mm = body.outline_mm.copy()
    _, picture = scene_of([along, down], tilt_deg=15.0)
    search = find_photo_rules(picture)
    assert len({one.body for one in search.rules}) == 2
    assert search.angles == ()


@pytest.mark.parametrize("gap_mm", [0.0, slow(0.2)])
def test_a_rule_set_with_its_end_on_another_is_no_square(gap_mm):
    """Laid square by eye, its end flush with the other's: it counts from the corner, but its end shows."""
    tone = TONES["steel"]
    along = laid_rule(np.array([80.0, 30.0]), 0.0, 200.0, 30.0, ("1 mm", "1 mm"), tone)
    end_on = laid_rule(np.array([80.0, 60.0 + gap_mm]), 90.3, 140.0, 30.0, ("1 mm", "1 mm"), tone)
    _, picture = scene_of([along, end_on], tilt_deg=15.0)
    search = find_photo_rules(picture)
    assert len({one.body for one in search.rules}) == 2
    assert search.angles == ()


def test_a_rule_in_inches_and_millimetres_set_on_one_an_inch_wide_is_no_square():
    """Its outer edge counts from the corner in inches, its inner one in millimetres, and an inch is no centimetre."""
    tone = TONES["steel"]
    along = laid_rule(np.array([80.0, 30.0]), 0.0, 200.0, 25.4, ("1/16 in", "1/16 in"), tone)
    end_on = laid_rule(np.array([105.4, 55.4]), 90.0, 120.0, 25.4, ("1 mm", "1/16 in"), tone)
    _, picture = scene_of([along, end_on], tilt_deg=15.0)
    search = find_photo_rules(picture)
    assert len({one.body for one in search.rules}) == 2
    assert search.angles == ()


@pytest.mark.parametrize("at_mm", [(110.0, 60.0), slow((280.0, 60.0)), (310.0, 60.0)])
def test_a_rule_set_anywhere_flush_on_another_is_no_square(at_mm):
    """Under the other's begin, or under or beside its end; the rule's face lies to the left of where it is set."""
    tone = TONES["steel"]
    along = laid_rule(np.array([80.0, 30.0]), 0.0, 200.0, 30.0, ("1 mm", "1 mm"), tone)
    end_on = laid_rule(np.array(at_mm), 90.0, 100.0, 30.0, ("1 mm", "1 mm"), tone)
    _, picture = scene_of([along, end_on], tilt_deg=15.0)
    search = find_photo_rules(picture)
    assert len({one.body for one in search.rules}) == 2
    assert search.angles == ()


@pytest.mark.parametrize(("wide_mm", "known"), [(32.0, 2), (30.0, 0)])
def test_a_square_with_a_line_across_its_corner_is_known_by_its_odd_width(wide_mm, known):
    """Two rules that are whole centimetres wide may look just so, where one ends at the other."""
    bodies = square(np.array([50.0, 30.0]), 3.0, (250.0, 150.0), wide_mm, ("1 mm", "1 mm"), TONES["steel"])
    across = laid_rule(np.array([62.0, 25.0]), 3.0, 1.5, 50.0, ("", ""), TONES["black"])
    _, picture = scene_of([*bodies, across], tilt_deg=20.0)
    search = find_photo_rules(picture)
    assert [one.why for one in search.angles].count("the arms of a square") == known


def begun_late(bodies: list[Body], bare_mm: float = 40.0) -> list[Body]:
    """Return bodies whose first graduations do not show, as glare hides them."""
    for edge in (edge for body in bodies for edge in body.edges):
        bare = round(bare_mm / edge.pitch_mm)
        edge.start_mm = edge.start_mm + bare * edge.pitch_mm * edge.along
        edge.count -= bare
    return bodies


def test_a_square_is_known_where_glare_hides_how_both_arms_begin():
    bodies = square(np.array([50.0, 30.0]), 3.0, (250.0, 190.0), 32.0, ("1 mm", "1 mm"), TONES["steel"])
    _, picture = scene_of(begun_late(bodies), tilt_deg=20.0)
    search = find_photo_rules(picture)
    assert [one.why for one in search.angles].count("the arms of a square") >= 1


@pytest.mark.parametrize("gap_mm", [slow(0.0), 0.2])
def test_a_rule_with_its_end_on_another_is_no_square_where_glare_hides_how_both_begin(gap_mm):
    tone = TONES["steel"]
    along = laid_rule(np.array([80.0, 30.0]), 0.0, 240.0, 30.0, ("1 mm", "1 mm"), tone)
    end_on = laid_rule(np.array([80.0, 60.0 + gap_mm]), 90.0, 190.0, 30.0, ("1 mm", "1 mm"), tone)
    _, picture = scene_of(begun_late([along, end_on]), tilt_deg=15.0)
    search = find_photo_rules(picture)
    assert len({one.body for one in search.rules}) == 2
    assert search.angles == ()


def test_class_and_edges_set_the_standard_uncertainty():
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, ("1 mm", "1/16 in"), TONES["steel"])
    _, picture = scene_of([body])
    unmarked = [one.rule.control.standard_u_mm for one in find_photo_rules(picture).rules]
    # Directive 2014/32/EU Annex X, table 1: class II up to 1 m may be 0.5 mm out, class I 0.2 mm; both edges of one
    # rule share that error, so that as independent ones each carries the root of two times as much.
    assert unmarked == pytest.approx([np.sqrt(2 / 3) * 0.5] * 2, rel=1e-3)
    told = find_photo_rules(picture, (RuleHint.model_validate({"grade": "I"}),)).rules
    assert [one.rule.control.standard_u_mm for one in told] == pytest.approx([np.sqrt(2 / 3) * 0.2] * 2, rel=1e-3)


def test_a_hint_picks_a_rule_and_sets_its_role():
    bodies = [
        laid_rule(START_MM, 3.0, 200.0, 25.0, ("1 mm", ""), TONES["steel"]),
        laid_rule(np.array([60.0, 130.0]), -2.0, 200.0, 25.0, ("1/16 in", ""), TONES["wood"]),
    ]
    scene, picture = scene_of(bodies)
    place = tuple(scene.camera.px(bodies[1].edges[0].foot_mm()[40:41])[0])
    hint = RuleHint.model_validate({"near": place, "role": "drawn"})
    (found,) = find_photo_rules(picture, (hint,)).rules
    assert (found.rule.unit, found.rule.role, found.role_sure) == ("in", "drawn", 1.0)
    assert found.rule.control.standard_u_mm < 0.05


def area_of(ring):
    x, y = ring.T
    return 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def test_the_polygon_covers_the_body():
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, ("1 mm", "1/16 in"), TONES["steel"])
    scene, picture = scene_of([body])
    corners = scene.camera.px(body.outline_mm)
    for found in find_photo_rules(picture).rules:
        ring = found.polygon.xy
        for corner in corners:
            assert np.hypot(*(ring - corner).T).min() < 1.5 * PX_PER_MM
        assert area_of(ring) == pytest.approx(area_of(corners), rel=0.06)


@pytest.mark.parametrize("tilt_deg", [0.0, 28.0])
def test_a_line_drawn_beyond_a_rule_is_not_its_far_edge(tilt_deg):
    """A heavy one along the rule shows more than the step from wood to paper does."""
    body = laid_rule(START_MM, 4.0, 254.0, 26.0, ("1 mm", ""), TONES["wood"])
    start = body.outline_mm[0]
    along = np.array([np.cos(np.deg2rad(4.0)), np.sin(np.deg2rad(4.0))])
    beyond = start + 48.0 * np.array([-along[1], along[0]])
    line = (np.array([beyond - 20.0 * along, beyond + 270.0 * along]), 1.2)
    scene, picture = scene_of([body], tilt_deg=tilt_deg, lines_mm=[line])
    (found,) = find_photo_rules(picture).rules
    corners = scene.camera.px(body.outline_mm)
    for corner in corners:
        assert np.hypot(*(found.polygon.xy - corner).T).min() < 2.0 * PX_PER_MM
    assert area_of(found.polygon.xy) == pytest.approx(area_of(corners), rel=0.08)


def test_inches_of_the_scene_are_international():
    assert MM_PER_INCH == 25.4  # NBS Circular 572, addendum of 22 January 1960

"""The maker of plans is only worth what its truth is worth: these tests hold it to that."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import pyvips
from scipy.ndimage import map_coordinates

from tests.maker import PlanSpec, RuleSpec, describe, make_plan, measure, plain, specs, truth_json
from tests.maker.bodies import STEP_MM, make_body
from tests.maker.fixtures import DEMO
from tests.maker.marks import Mark, circle
from tests.maker.press import ink_page, sheet_to_px
from tests.maker.spec import FAMILIES

NOWHERE = Path("nowhere.png")  # truth needs no picture
FRAME_PX = 0.01  # the drawn ink's centroid against the truth: 1/25 of what the pixels could show
MIDDLE_PX = 0.02  # a single cross-section: the drawing library counts cover in 1/15 of a fine pixel


def centroid(ink):
    weight = ink.astype(float)
    rows, columns = np.indices(ink.shape)
    return np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()


def test_the_centre_of_the_top_left_pixel_is_0_0():
    identity = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    disc = circle(40.37, 55.81, 20.0)
    ink = ink_page((Mark(disc.points, closed=True, filled=True),), identity, (90, 120))
    np.testing.assert_allclose(centroid(ink), [40.37, 55.81], atol=FRAME_PX)


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_a_mark_at_a_sheet_place_lands_where_sheet_to_px_says(turn):
    spec = PlanSpec(turn=turn, copier_x=1.013, copier_y=0.996, shear_deg=0.04, skew_deg=1.2)
    affine, size = sheet_to_px(spec, (80.0, 60.0))
    disc = circle(31.3 + turn, 22.7, 6.0)
    ink = ink_page((Mark(disc.points, closed=True, filled=True),), affine, size)
    truth = affine[:, :2] @ [31.3 + turn, 22.7] + affine[:, 2]
    np.testing.assert_allclose(centroid(ink), truth, atol=FRAME_PX)


def ink_middle(ink, places, normals, reach_px):
    """Return the signed distance of the ink's middle from each place along its normal, px."""
    at = np.linspace(-reach_px, reach_px, 241)
    samples = places[:, :, None] + normals[:, :, None] * at
    profile = map_coordinates(ink, samples[:, ::-1].transpose(1, 0, 2), order=1, output=float)
    return (profile * at).sum(axis=1) / profile.sum(axis=1)


def slow(*values):
    return pytest.param(*values, marks=pytest.mark.slow)


@pytest.mark.parametrize("family", ["small", "violin", "cassini", slow("guitar"), slow("cutaway")])
def test_the_outline_is_the_middle_of_its_ink(family):
    spec = PlanSpec(family=family, seed=5, copier_x=1.01, copier_y=0.99, skew_deg=0.7, shear_deg=0.03)
    plan, sheet, affine = describe(spec, NOWHERE)
    ink = ink_page((sheet.marks[0],), affine, plan.size_px)  # the outline's mark alone
    px = plan.to_px(plan.outline_mm)
    along = np.roll(px, -1, axis=0) - np.roll(px, 1, axis=0)
    normals = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    clear = np.ones(len(px), bool)
    for corner in plan.corners_mm:
        clear &= np.hypot(*(plan.outline_mm - corner).T) > 3.0
    miss = ink_middle(ink, px[clear], normals[clear], 4.0)
    assert np.sqrt(np.mean(miss**2)) < MIDDLE_PX
    assert abs(miss.mean()) < FRAME_PX / 2


@pytest.mark.parametrize("family", [*FAMILIES, "cassini"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_body_is_a_closed_counter_clockwise_loop_from_the_tail(family, seed):
    body = make_body(PlanSpec(family=family, seed=seed))
    steps = np.hypot(*(np.roll(body.outline_mm, -1, axis=0) - body.outline_mm).T)
    assert steps.max() < 1.05 * STEP_MM
    assert measure(body.outline_mm)["area_mm2"] > 0
    np.testing.assert_allclose(body.outline_mm[0], 0.0, atol=0.002)
    assert body.outline_mm[:, 1].min() > -0.002
    for corner in body.corners_mm:
        assert np.hypot(*(body.outline_mm - corner).T).min() < 1e-9


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(8))
def test_the_lower_bout_is_the_wider_one_and_the_waist_is_narrowest(family, seed):
    half = make_body(PlanSpec(family=family, seed=seed)).outline_mm * [-1.0, 1.0]  # the left half, whole in a cutaway
    share = half[:, 1] / half[:, 1].max()
    lower, upper = half[share < 0.45, 0].max(), half[share > 0.65, 0].max()
    waist = half[(share > 0.4) & (share < 0.8) & (half[:, 0] > 0), 0].min()
    assert upper < 0.93 * lower
    assert waist < 0.96 * upper


def test_corners_are_sharp_and_nothing_else_is():
    body = make_body(PlanSpec(family="violin", seed=4))
    ahead = np.roll(body.outline_mm, -1, axis=0) - body.outline_mm
    heading = np.unwrap(np.arctan2(ahead[:, 1], ahead[:, 0]))
    turn = np.degrees(np.abs(np.angle(np.exp(1j * (heading - np.roll(heading, 1))))))
    sharp = body.outline_mm[turn > 30.0]
    assert len(sharp) == 4 == len(body.corners_mm)
    assert np.sort(turn)[-5] < 5.0


def test_the_cassini_oval_has_its_closed_form_measures():
    """Half-length, half-bout, waist: closed forms; area 2 b^2 E(m); perimeter numeric (shared facts, section 6)."""
    body = make_body(PlanSpec(family="cassini"))
    got = measure(body.outline_mm)
    assert got["length_mm"] == pytest.approx(2 * 250.511477, abs=2e-3)
    assert got["width_mm"] == pytest.approx(2 * 99.576471, abs=2e-3)
    assert got["area_mm2"] == pytest.approx(82902.274244, rel=2e-6)
    assert got["perimeter_mm"] == pytest.approx(1236.576887, rel=2e-6)


@pytest.mark.parametrize("unit,per_inch,pitch", [("mm", 16, 1.0), ("in", 16, 1.5875), ("in", 32, 0.79375)])
def test_graduations_stand_at_the_truth_pitch(unit, per_inch, pitch):
    spec = plain(PlanSpec(seed=3, family="small", rules=(RuleSpec(unit, per_inch, "x", 120.0),)))
    plan, sheet, affine = describe(spec, NOWHERE)
    rule = plan.rules[0]
    assert rule.pitch_mm == pitch
    ink = ink_page(tuple(m for m in sheet.rules[0].marks if len(m.points) == 2), affine, plan.size_px, 0.0, 0.5)
    row = round(rule.from_px[1] - 1.2 * spec.dpi / 25.4)  # 1.2 mm above the baseline every graduation is crossed
    x = rule.from_px[0] + rule.pitch_px * np.arange(rule.graduations)
    places = np.stack([x, np.full_like(x, row)], axis=1)
    across = np.tile([1.0, 0.0], (len(x), 1))
    assert np.abs(ink_middle(ink, places, across, 3.0)).max() < MIDDLE_PX
    assert x[-1] == pytest.approx(rule.to_px[0], abs=1e-9)


def test_missing_graduations_and_both_edges_are_counted():
    spec = PlanSpec(seed=3, rules=(RuleSpec(length_mm=150.0, missing=4, both_edges=True),))
    plan, _, _ = describe(spec, NOWHERE)
    assert [rule.unit for rule in plan.rules] == ["mm", "in"]
    assert plan.rules[0].missing == 4 and plan.rules[0].graduations == 147
    assert plan.rules[1].missing == 0


def test_copier_factors_show_in_the_local_scale():
    plan, _, _ = describe(PlanSpec(copier_x=1.013, copier_y=0.996, dpi=300.0), NOWHERE)
    assert plan.mm_per_px_x == pytest.approx(25.4 / 300 / 1.013, rel=1e-12)
    assert plan.mm_per_px_y == pytest.approx(25.4 / 300 / 0.996, rel=1e-12)


@pytest.mark.parametrize("suffix,one_bit", [slow(".png", True), (".tif", True), (".png", False)])
def test_the_file_declares_its_dpi_and_depth(tmp_path, suffix, one_bit):
    spec = PlanSpec(family="small", half=True, seed=2, suffix=suffix, one_bit=one_bit, dpi=200.0)
    plan = make_plan(spec, tmp_path)
    image = pyvips.Image.new_from_file(str(plan.path))
    assert (image.width, image.height) == plan.size_px
    assert image.xres * 25.4 == pytest.approx(200.0, rel=1e-3)
    values = np.unique(image.numpy())
    assert (set(values.tolist()) == {0, 255}) is one_bit


def test_the_same_spec_gives_the_same_picture(tmp_path):
    spec = PlanSpec(family="small", half=True, seed=9, one_bit=True, dpi=100.0)
    first = make_plan(spec, tmp_path / "a").path.read_bytes()
    assert make_plan(spec, tmp_path / "b").path.read_bytes() == first
    assert make_plan(replace(spec, seed=10), tmp_path / "c").path.read_bytes() != first


def test_a_half_drawing_carries_half_the_ink_and_the_whole_truth():
    whole, _, _ = describe(PlanSpec(seed=3), NOWHERE)
    half, sheet, _ = describe(PlanSpec(seed=3, half=True), NOWHERE)
    np.testing.assert_array_equal(half.outline_mm, whole.outline_mm)
    assert half.half_mm[:, 0].min() == 0.0
    assert len(half.half_mm) == len(whole.outline_mm) // 2 + 1
    assert not sheet.marks[0].closed


def test_the_mix_holds_every_kind():
    mix = specs(1, 60)
    assert {spec.group for spec in mix} >= {f"{f} whole" for f in FAMILIES} | {"guitar half", "violin half"}
    assert {spec.turn for spec in mix} == {0, 1, 2, 3}
    assert {spec.dpi for spec in mix} == {200.0, 300.0, 400.0}
    assert {spec.one_bit for spec in mix} == {True, False}
    assert {rule.unit for spec in mix for rule in spec.rules} == {"mm", "in"}
    assert max(np.prod(describe(spec, NOWHERE)[0].size_px) for spec in mix[:12]) < 70e6
    assert specs(1, 60) == mix and specs(2, 60) != mix


def test_the_demo_is_the_plover_copied_unequally():
    assert (DEMO.copier_x, DEMO.copier_y, DEMO.skew_deg, DEMO.dpi) == (1.013, 0.996, 0.6, 200.0)
    plan, _, _ = describe(DEMO, Path("plover.png"))
    assert '"title": "PLOVER"' in truth_json(plan)

"""The levels' truth: bodies closed and simple, corners where the curve turns, ink on the outline but for gaps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips
import shapely
from scipy.ndimage import map_coordinates

from tests.maker.bodies import STEP_MM
from tests.maker.found_bodies import CORNER_DEG, FOUND, missing, turns_deg
from tests.maker.ground import Ground, body_of
from tests.maker.level_plan import OVER, describe_level, make_level_plan
from tests.maker.level_press import PAPERS
from tests.maker.level_sheet import draw_level
from tests.maker.level_spec import ALL_FAMILIES, CROWD, LEVELS, LevelSpec, Parallel, level_specs
from tests.maker.more_bodies import MAKERS, SYMMETRIC, fillet, more_body
from tests.maker.press import ink_page

NOWHERE = Path("nowhere.png")
NEW = (*MAKERS, *FOUND)
SHARP_DEG = 20.0  # at one point of a curve drawn every 0.4 mm: only a corner turns so much (radius under 1.2 mm)
SMALL = LevelSpec(name="small", seed=3, family="pineapple", dpi=200.0, specks=0, smudges=0, fold=False)


def body(family, seed):
    if missing(family):
        pytest.skip(missing(family))
    return body_of(LevelSpec(family=family, seed=seed))


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3, 4))])
@pytest.mark.parametrize("family", NEW)
def test_every_new_body_is_one_simple_loop_from_the_tail(family, seed):
    made = body(family, seed)
    points = made.outline_mm
    ring = shapely.LinearRing(points)
    assert ring.is_simple and ring.is_ccw
    np.testing.assert_allclose(points[0], 0.0, atol=1e-6)
    assert np.hypot(*(np.roll(points, -1, axis=0) - points).T).max() < 1.05 * STEP_MM
    assert 150.0 < np.ptp(points[:, 1]) < 700.0


@pytest.mark.parametrize("family", MAKERS)
def test_corners_are_where_the_curve_turns_and_nowhere_else(family):
    for seed in (1, 2, 3):
        made = more_body(family, seed)
        sharp = made.outline_mm[np.abs(turns_deg(made.outline_mm)) > SHARP_DEG]
        assert len(sharp) == len(made.corners_mm)
        for corner in made.corners_mm:
            assert np.hypot(*(sharp - corner).T).min() < 1e-6


@pytest.mark.parametrize("family", FOUND)
def test_corners_of_found_bodies_are_points_of_them_that_turn(family):
    made = body(family, 2)
    turns = np.abs(turns_deg(made.outline_mm))
    for corner in made.corners_mm:
        away = np.hypot(*(made.outline_mm - corner).T)
        assert away.min() < 0.05
        assert turns[away < STEP_MM].max() > 0.5 * CORNER_DEG


@pytest.mark.parametrize("family", SYMMETRIC)
def test_symmetric_families_mirror_onto_themselves(family):
    points = more_body(family, 5).outline_mm
    assert shapely.hausdorff_distance(shapely.LinearRing(points), shapely.LinearRing(points * [-1.0, 1.0])) < 0.02


def test_a_fillet_leaves_straight_sides_and_the_asked_radius():
    square = np.array([(0.0, 0.0), (40.0, 0.0), (40.0, 40.0), (0.0, 40.0)])
    ring, sharp = fillet(square, np.array([5.0, 0.0, 5.0, 5.0]))
    assert sharp.tolist() == [[40.0, 0.0]]
    assert shapely.Polygon(ring).area == pytest.approx(1600.0 - 3 * (1 - np.pi / 4) * 25.0, rel=1e-5)
    with pytest.raises(ValueError, match="overlap"):
        fillet(square, np.array([25.0, 0.0, 25.0, 25.0]) * 1.7)


def outline_ink(spec):
    """Return the share of ink at every point of the drawn outline, drawn alone, and the plan."""
    plan, _, affine = describe_level(spec, NOWHERE)
    drawn = draw_level(spec)
    own = len(drawn.gaps_mm) or 1
    ink = ink_page(drawn.sheet.marks[:own], affine, plan.size_px, 0.0, 0.5, OVER)
    points = plan.half_mm if spec.half else plan.outline_mm
    px = plan.to_px(points)
    return map_coordinates(ink, px[:, ::-1].T, order=1, output=float) / 255.0, points, plan


@pytest.mark.parametrize("kind", ["plain", "turned", "mirrored", "half", "left half", "close", "gaps"])
def test_the_ink_lies_on_the_true_outline_but_for_its_gaps(kind):
    family = {"mirrored": "angular", "close": "offset"}.get(kind, "pineapple")
    spec = replace(
        SMALL, family=family, turn=1 if kind == "turned" else 0, mirrored=kind == "mirrored", skew_deg=0.8,
        half="half" in kind, left_half=kind == "left half", close_edges=kind == "close", copier_x=1.01,
        gaps_mm=(2.0, 6.0, 1.4) if kind == "gaps" else (),
    )
    ink, points, plan = outline_ink(spec)
    assert len(plan.gaps_mm) == (3 if kind == "gaps" else 0)
    away = np.full(len(points), np.inf)
    for start, end in plan.gaps_mm:
        away = np.minimum(away, shapely.distance(shapely.points(points), shapely.LineString([start, end])))
    ends = np.minimum(np.hypot(*(points - points[0]).T), np.hypot(*(points - points[-1]).T)) if spec.half else away
    assert ink[(away > 1.0) & (ends > 0.5)].min() > 0.8
    for start, end in plan.gaps_mm:
        middle = np.hypot(*(points - (start + end) / 2).T).argmin()
        assert ink[middle] < 0.05


@pytest.mark.parametrize("level", LEVELS)
def test_help_points_lie_inside_and_on_the_outline(level):
    for spec in level_specs(level, 5, 8):
        if missing(spec.family):
            continue
        plan, _, _ = describe_level(spec, NOWHERE)
        inverse = np.linalg.inv(plan.plan_to_px[:, :2])
        places = np.array([plan.help["near"], plan.help["through"]])
        near, through = (places - plan.plan_to_px[:, 2]) @ inverse.T
        ring = shapely.Polygon(plan.outline_mm)
        assert ring.contains(shapely.Point(near))
        assert ring.exterior.distance(shapely.Point(through)) < 0.75 * max(plan.mm_per_px_x, plan.mm_per_px_y)
        assert places.min() >= 0 and np.all(places < plan.size_px)
        outline = plan.to_px(plan.half_mm if spec.half else plan.outline_mm)
        assert outline.min() > 0 and np.all(outline.max(axis=0) < plan.size_px)


def test_levels_are_the_same_for_the_same_seed_and_hold_every_kind():
    for level in LEVELS:
        mix = level_specs(level, 1, 60)
        assert mix == level_specs(level, 1, 60) and mix[:10] == level_specs(level, 1, 10)
        assert mix != level_specs(level, 2, 60)
        assert {spec.family for spec in mix} == set(ALL_FAMILIES)
        assert {spec.turn for spec in mix} == {0, 1, 2, 3}
        assert {spec.mirrored for spec in mix} == {spec.left_half for spec in mix if spec.half} == {True, False}
    assert all(spec.dpi >= 300 for level in LEVELS[:2] for spec in level_specs(level, 1, 60) if spec.one_bit)
    assert {item for spec in level_specs("crowded", 1, 60) for item in spec.crowd} == set(CROWD)
    poor = level_specs("poor", 1, 60)
    assert {spec.paper for spec in poor} == set(PAPERS)
    assert any(spec.quality == 40 for spec in poor) and any(spec.one_bit and spec.dpi == 200 for spec in poor)
    faint = [198 * spec.body_ink for spec in poor if spec.body_ink < 1 and not spec.one_bit]
    assert min(faint) >= 25 and max(faint) <= 60


def test_braces_end_on_the_outline_and_parallel_lines_keep_their_distance():
    spec = replace(SMALL, family="parlour", crowd=("x brace",), parallel=Parallel(3.0, 0.5))
    drawn = draw_level(spec)
    ring = drawn.ground.shape.exterior
    place = drawn.sheet.body_to_sheet
    marks = [(mark.points - place[:, 2]) @ np.linalg.inv(place[:, :2]).T for mark in drawn.sheet.marks]
    far = [shapely.distance(shapely.points(points), ring) for points in marks if len(points) > 99]
    beside = [round(float(np.median(away)), 2) for away in far if np.ptp(away) < 0.02]
    assert beside[0] == 0.0 and beside.count(3.0) == 1
    ends = np.array([points[k] for points in marks if len(points) == 2 for k in (0, 1)])
    assert (shapely.distance(shapely.points(ends), ring) < 1e-6).sum() >= 16


def test_a_level_plan_is_made_twice_alike_in_colour_and_in_one_bit(tmp_path):
    blue = replace(SMALL, paper="blueprint", suffix=".jpg", quality=40, folds=1, stains=1, uneven=0.1, bleed=0.1)
    blue = replace(blue, voids=50)
    plan = make_level_plan(blue, tmp_path / "a")
    assert plan.path.read_bytes() == make_level_plan(blue, tmp_path / "b").path.read_bytes()
    page = cv2.imread(str(plan.path))
    assert page[..., 0].mean() > page[..., 2].mean() + 50  # blue paper
    x, y = (int(v) for v in plan.help["through"])
    near = page[y - 30 : y + 30, x - 30 : x + 30, 2].astype(float)
    assert page[y, x, 2] > np.median(near) + 60  # the line is light
    flat = make_level_plan(replace(SMALL, one_bit=True, suffix=".tif", body_ink=0.4, uneven=0.2), tmp_path)
    values = pyvips.Image.new_from_file(str(flat.path)).numpy()
    assert set(np.unique(values).tolist()) == {0, 255} and values.mean() > 200
    x, y = (int(v) for v in flat.help["through"])
    assert values[y, x] == 0


def test_a_plan_file_carries_spans_and_the_one_line():
    plan, _, _ = describe_level(replace(SMALL, span=True, rules=SMALL.rules[:1]), NOWHERE)
    (start, end, long), = plan.spans
    pitch = np.hypot(end[0] - start[0], end[1] - start[1]) * plan.mm_per_px_y
    assert pitch == pytest.approx(long, abs=0.2)
    assert plan.plan_file("near = [1, 2]").splitlines()[-2:] == ["[body]", "near = [1, 2]"]
    assert plan.plan_file().count("[[span]]") == 1


def test_the_side_kept_of_a_half_is_the_side_asked_for():
    for left in (True, False):
        spec = replace(SMALL, half=True, left_half=left)
        ground = Ground(spec, body_of(spec), np.random.default_rng(1))
        xs = ground.drawn_outline()[:, 0]
        assert (xs.max() <= 1e-9) if left else (xs.min() >= -1e-9)

"""The camera's truth: what the maker says of a photo is where the picture shows it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips
import shapely
from scipy.ndimage import map_coordinates

from tests.maker.camera import Camera, looking
from tests.maker.level_spec import LevelSpec
from tests.maker.photo import describe_photo, make_photo
from tests.maker.photo_bad import FAULTS, bad_specs
from tests.maker.photo_laid import put
from tests.maker.photo_mix import COPIES, KINDS, METAL, photo_specs
from tests.maker.photo_objects import MODELS
from tests.maker.photo_paper import heights, lay
from tests.maker.photo_press import meet_paper, render
from tests.maker.photo_spec import MAX_SHEET_MM, LaidSpec, PhotoSpec
from tests.maker.spec import RuleSpec

NOWHERE = Path("nowhere.jpg")  # truth needs no picture
PLACE_PX = 0.1  # of a single mark; neighbours may be 2.5 px away and brushed metal under it
MEAN_PX = 0.015  # of many
PLAN = LevelSpec(name="small", seed=3, family="pineapple", rules=(), specks=0, smudges=0, fold=False, line_mm=0.5)
LAID = (LaidSpec("steel 300", (30.0, 12.0), 1.0), LaidSpec("wood 300", (40.0, 60.0), 91.0))
CLEAN = PhotoSpec(
    name="clean", seed=4, plan=PLAN, pad_mm=(60.0, 40.0, 10.0, 10.0), long_px=2000, portrait=True, tilt_deg=18.0,
    tilt_to_deg=70.0, turn_deg=2.0, lens=(-0.12, 0.03, 4e-4, -3e-4), centre_share=(0.006, -0.004), noise=0.0,
    sharpen=0.0, fall=0.0, light_rgb=(1.0, 1.0, 1.0), laid=LAID,
)


@cache
def shown(spec):
    """Return a photo's truth and the picture's light, in shares of white, before JPEG."""
    photo, placed = describe_photo(spec, NOWHERE)
    values = render(spec, photo.camera, photo.paper, placed)[..., 1] / 255.0
    return photo, np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def middles(light, places, ways, reach_px):
    """Return how far along ``ways`` from ``places`` the middle of what is darker than its surroundings lies, px."""
    at = np.linspace(-1.0, 1.0, 81) * np.asarray(reach_px)[:, None]
    samples = places[:, :, None] + ways[:, :, None] * at[:, None, :]
    profile = map_coordinates(light, samples[:, ::-1].transpose(1, 0, 2), order=1)
    ends = np.linspace(0.0, 1.0, 81)[None, :]
    ground = profile[:, :1] * (1 - ends) + profile[:, -1:] * ends
    dark = np.clip(ground - profile, 0.0, None)
    return (dark * at).sum(axis=1) / dark.sum(axis=1)


def off_ticks(light, edge):
    """Return how far graduations lie from where the truth says, px along the edge; those at its ends left out."""
    reach = 0.5 * np.hypot(*np.gradient(edge.places_px, axis=0).T)
    ways = directions(edge.places_px, closed=False)
    spots = [edge.places_px + share * (edge.inner_px - edge.places_px) for share in np.linspace(0.15, 0.75, 9)]
    return np.mean([middles(light, spot, ways, reach) for spot in spots], axis=0)[3:-3]


def directions(px, closed):
    """Return unit vectors along a polyline in px."""
    ahead = np.roll(px, -1, axis=0) - np.roll(px, 1, axis=0) if closed else np.gradient(px, axis=0)
    return ahead / np.hypot(*ahead.T)[:, None]


def normals(px):
    along = directions(px, closed=True)
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def straight_down(far_mm, f_px=3000.0, middle_mm=(0.0, 0.0)):
    """Return a camera without a lens's faults, ``far_mm`` above a place of the sheet."""
    rotation = looking(0.0, 0.0, 0.0)
    shift = -rotation @ np.array([*middle_mm, far_mm])
    return Camera((4000, 3000), f_px, np.array([1999.5, 1499.5]), np.zeros(4), rotation, shift)


@pytest.mark.parametrize("lens", [(-0.15, 0.0, 1e-3, -1e-3), (0.10, -0.03, -1e-3, 1e-3), (0.0, 0.0, 0.0, 0.0)])
def test_projection_is_opencvs_and_rays_undo_it(lens):
    camera = describe_photo(replace(CLEAN, lens=lens, f_share=0.70, tilt_deg=30.0), NOWHERE)[0].camera
    places = np.random.default_rng(1).uniform((-50, -50, 0), (450, 550, 5), (200, 3))
    turned, _ = cv2.Rodrigues(camera.rotation)
    wanted, _ = cv2.projectPoints(places, turned, camera.shift_mm, camera.matrix, camera.lens)
    px = camera.project(places)
    np.testing.assert_allclose(px, wanted[:, 0], rtol=0, atol=1e-6)
    wide, high = camera.size_px
    frame = np.array([(0, 0), (wide, 0), (wide, high), (0, high), (wide / 2, high / 3)], dtype=float)
    np.testing.assert_allclose(camera.project(camera.place_mm + 700.0 * camera.rays(frame)), frame, rtol=0, atol=1e-6)


def test_a_lens_that_folds_the_frame_is_refused():
    camera = replace(straight_down(700.0, f_px=2800.0), lens=np.array([-0.3, -0.1, 0.0, 0.0]))
    with pytest.raises(ValueError, match="folds"):
        camera.rays(np.zeros((1, 2)))


@pytest.mark.parametrize("lift", ["flat", pytest.param("cylinder", marks=pytest.mark.slow), "ridge"])
def test_the_outlines_ink_is_where_the_truth_says(lift):
    spec = replace(CLEAN, long_px=1600, laid=(), lift=lift, lift_mm=0.0 if lift == "flat" else 4.0, lift_to_deg=40.0)
    photo, light = shown(spec)
    px = photo.to_px(photo.outline_mm)
    off = middles(light, px, normals(px), np.full(len(px), 4.0))
    assert abs(np.median(off)) < MEAN_PX
    assert np.percentile(np.abs(off), 85) < PLACE_PX  # the rest: where other lines meet it


@pytest.mark.parametrize("models", [("steel 300", "wood 300"), ("black 300", "clear 300"), ("square 300 flipped",)])
def test_graduations_are_where_the_truth_says(models):
    spots = ((30.0, 60.0),) if len(models) == 1 else ((30.0, 12.0), (42.0, 60.0))
    laid = [LaidSpec(model, spot, 1.5 + 90.0 * n, error=0.002, square_error_deg=0.01)
            for n, (model, spot) in enumerate(zip(models, spots, strict=True))]
    photo, light = shown(replace(CLEAN, laid=tuple(laid), table="white"))
    for edge in photo.edges:
        sign = -1.0 if MODELS[edge.name.split(" edge")[0]].stuff in ("black", "dark steel") else 1.0
        np.testing.assert_allclose(edge.true_mm, edge.at_mm * 1.002, rtol=1e-12)
        if edge.pitch_mm > 0.9:
            off = off_ticks(sign * light, edge)
            assert abs(off.mean()) < MEAN_PX, edge.name
            assert np.percentile(np.abs(off), 95) < PLACE_PX, edge.name


def test_the_sheets_edges_are_where_the_truth_says():
    photo, light = shown(replace(CLEAN, laid=(), table="stone", sheet_skew_deg=0.1, blur_px=1.0))
    wide, high = photo.sheet_mm
    ring = photo.paper.corners_mm
    lean = high * np.tan(np.radians(0.1))
    np.testing.assert_allclose(ring, [(0, 0), (wide, 0), (wide + lean, high), (lean, high)], atol=1e-9)
    for first, second in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        px = photo.sheet_to_px(first + np.linspace(0.1, 0.9, 60)[:, None] * (second - first))
        along = directions(px, closed=False)
        out = np.stack([along[:, 1], -along[:, 0]], axis=1)
        at = np.linspace(-5.0, 5.0, 101)
        samples = px[:, :, None] + out[:, :, None] * at
        step = map_coordinates(light, samples[:, ::-1].transpose(1, 0, 2), order=1)
        low, high_light = step[:, -1:], step[:, :1]
        edge = ((step - low) / (high_light - low)).sum(axis=1) * 0.1 - 5.05
        assert abs(np.abs(edge).mean()) < PLACE_PX


def test_a_card_on_the_paper_looks_larger_by_its_thickness():
    """0.76 mm at 700 mm: +0.11 % (shared facts, section 2: apparent scale +t/(D - t), pinhole geometry)."""
    camera = straight_down(700.0, middle_mm=(200.0, 200.0))
    paper = lay(replace(CLEAN, laid=()))
    card = put(LaidSpec("card", (120.0, 150.0), 20.0), paper)
    strip = card.model.strips[0]
    ends = np.array([(0.0, 10.0), (strip.long_mm, 10.0)])
    top, low = (np.hypot(*np.diff(camera.project(card.world(strip, ends, up)), axis=0)[0]) for up in (0.76, 0.0))
    assert top / low - 1.0 == pytest.approx(0.0011, abs=5e-5)
    assert top / low - 1.0 == pytest.approx(0.76 / (700.0 - 0.76), rel=1e-9)
    assert low == pytest.approx(85.60 * 3000.0 / 700.0, rel=1e-9)  # ISO/IEC 7810 ID-1


def test_a_lifted_edge_looks_further_out():
    """5 mm lift 250 mm off the axis at 700 mm: 1.8 mm (shared facts, section 2: r h / (D - h))."""
    camera = straight_down(700.0)
    spec = replace(CLEAN, lift="cylinder", lift_mm=5.0)
    spot = np.array([[250.0, 0.0]])
    up = heights(spec, spot)
    assert up[0] == pytest.approx(5.0)
    lifted, flat = (camera.project(np.column_stack([spot, z]))[0, 0] for z in (up, np.zeros(1)))
    assert (lifted - flat) * 700.0 / 3000.0 == pytest.approx(1.8, abs=0.02)


@pytest.mark.parametrize("lift", ["cylinder", "edge", "corner", "ridge"])
def test_lifted_paper_rises_as_asked_and_rays_find_it(lift):
    spec = replace(CLEAN, lift=lift, lift_mm=1.0, lift_to_deg=0.0)
    top = heights(spec, np.array([[40.0 if lift == "ridge" else 250.0, 0.0]]))
    assert top[0] == pytest.approx(1.0)
    paper, camera = lay(spec), describe_photo(spec, NOWHERE)[0].camera
    points = np.random.default_rng(2).uniform((0, 0), paper.size_mm, (300, 2))
    rays = camera.rays(camera.project(paper.world(points)))
    np.testing.assert_allclose(meet_paper(paper, camera.place_mm, rays), points, rtol=0, atol=1e-4)


def test_a_squares_arms_are_square_but_for_its_own_error():
    for model in ("square 600", "square 24 in flipped"):
        thing = put(LaidSpec(model, (20.0, 300.0), 33.0, square_error_deg=0.01), lay(CLEAN))
        along = np.array([(0.0, 0.0), (100.0, 0.0)])
        ways = [np.diff(thing.world(strip, along, 0.0), axis=0)[0] for strip in thing.model.strips]
        angle = np.degrees(np.arccos(ways[0] @ ways[1] / 1e4))
        assert abs(angle - 90.0) == pytest.approx(0.01, rel=1e-3)


def test_truth_names_what_objects_cover():
    spec = replace(CLEAN, long_px=1200, laid=(LaidSpec("square 300", (20.0, 12.0), 1.0), LAID[1]))
    photo, placed = describe_photo(spec, NOWHERE)
    with_things, without = (
        render(spec, photo.camera, photo.paper, things)[..., 1].astype(float) for things in (placed, []))
    changed = np.abs(with_things - without) > 12.0
    hidden = np.zeros(changed.shape, np.uint8)
    for ring in (ring for thing in photo.laid for ring in thing.covered_px):
        cv2.fillPoly(hidden, [np.rint(ring).astype(np.int32)], 1)
    px_per_mm = photo.camera.f_px / photo.camera.place_mm[2]
    shadow = 2 * round(4.0 * px_per_mm) + 1  # no shadow here is wider than 4 mm
    assert changed[cv2.erode(hidden, np.ones((5, 5), np.uint8)) > 0].mean() > 0.98
    assert not changed[cv2.dilate(hidden, np.ones((shadow, shadow), np.uint8)) == 0].any()


def test_a_copys_factors_are_in_the_papers_mm_and_not_in_the_plans():
    spec = replace(CLEAN, long_px=1600, laid=(), plan=replace(PLAN, copier_x=1.012, copier_y=0.991, turn=1))
    photo, light = shown(spec)
    for axis, factor in ((0, 0.991), (1, 1.012)):  # neck to the left: the body's length lies along the sheet's x
        plan_mm = np.ptp(photo.plan_outline_mm[:, axis])
        assert np.ptp(photo.outline_mm[:, axis]) == pytest.approx(factor * plan_mm, rel=1e-9)
    px = photo.to_px(photo.outline_mm)
    assert abs(np.median(middles(light, px, normals(px), np.full(len(px), 4.0)))) < MEAN_PX


@pytest.mark.parametrize("change", [{"mirrored": True, "family": "angular"}, {"half": True, "left_half": True},
                                    {"shear_deg": 0.2}])
def test_truth_follows_mirrored_half_and_sheared_copies(change):
    photo, light = shown(replace(CLEAN, long_px=1200, laid=(), plan=replace(PLAN, **change)))
    area = shapely.Polygon(photo.outline_mm)
    assert area.exterior.is_ccw and photo.measures["area_mm2"] > 0
    np.testing.assert_allclose(photo.centerline_mm[:, 0], 0.0, atol=1e-9)
    line = photo.half_mm if photo.spec.plan.half else photo.outline_mm
    px = photo.to_px(line)[5:-5]
    depth = map_coordinates(light, px[:, ::-1].T, order=1)
    assert np.percentile(depth, 95) < 0.75 * np.median(light)
    near = np.linalg.inv(np.column_stack([photo.paper.body_to_sheet[:, :2]])) @ (
        meet_paper(photo.paper, photo.camera.place_mm, photo.camera.rays(np.array([photo.help["near"]])))[0]
        - photo.paper.body_to_sheet[:, 2])
    assert area.contains(shapely.Point(near))


def test_drawn_rules_are_told_apart_and_lie_where_the_truth_says():
    rules = (RuleSpec(length_mm=120.0), RuleSpec("in", 16, "y", 120.0))
    spec = replace(CLEAN, laid=(), plan=replace(PLAN, rules=rules, copier_x=1.01))
    assert describe_photo(spec, NOWHERE)[0].drawn == ()
    photo, light = shown(replace(spec, drawn_rules=True))
    assert [(edge.unit, edge.pitch_mm) for edge in photo.drawn] == [("mm", 1.0), ("in", 1.5875)]
    np.testing.assert_allclose(photo.drawn[0].true_mm, 1.01 * photo.drawn[0].at_mm)
    for edge in photo.drawn:
        off = off_ticks(light, edge)
        assert abs(off.mean()) < MEAN_PX and np.percentile(np.abs(off), 95) < PLACE_PX


@pytest.mark.parametrize("tag", [1, 3, 6, 8])
def test_the_file_is_turned_as_its_tag_says_and_carries_the_focal_length(tmp_path, tag):
    spec = replace(CLEAN, long_px=400, orientation=tag, quality=95, name=f"tag {tag}", exif_focal=tag != 3)
    photo = make_photo(spec, tmp_path)
    image = pyvips.Image.new_from_file(str(photo.path))
    stored = (image.width, image.height)
    assert (stored if tag in (1, 3) else stored[::-1]) == photo.size_px
    upright = image.autorot().numpy()
    plain = render(spec, photo.camera, photo.paper, describe_photo(spec, NOWHERE)[1])
    assert np.abs(upright.astype(float) - plain).mean() < 3.0  # what JPEG leaves
    fields = image.get_fields()
    assert "exif-ifd2-ExposureTime" in fields
    assert ("exif-ifd2-FocalLengthIn35mmFilm" in fields) is (tag != 3)
    if tag != 3:
        said = float(image.get("exif-ifd2-FocalLengthIn35mmFilm").split(" ")[0])
        diagonal = np.hypot(*photo.size_px)
        own = photo.camera.f_px / diagonal * np.hypot(36.0, 24.0)
        assert 0.98 * own - 0.51 < said < own + 0.51  # whole mm, and that of a far view


def test_the_same_spec_gives_the_same_picture_and_a_truth_file_names_it(tmp_path):
    spec = replace(CLEAN, long_px=400, noise=1.5, shadow=0.3, table="stone")
    photo = make_photo(spec, tmp_path / "a")
    assert photo.path.read_bytes() == make_photo(spec, tmp_path / "b").path.read_bytes()
    assert photo.path.read_bytes() != make_photo(replace(spec, seed=9), tmp_path / "c").path.read_bytes()
    assert photo.plan_file("near = [1, 2]").splitlines() == ["[plan]", 'image = "clean.jpg"', "[body]", "near = [1, 2]"]


@cache
def mix(kind):
    return photo_specs(3, 6, kind, 800)


def test_mixes_are_the_same_for_the_same_seed_and_do_not_depend_on_the_count():
    assert photo_specs(3, 2, "lifted", 800) == mix("lifted")[:2]
    assert photo_specs(4, 1, "lifted", 800) != mix("lifted")[:1]
    assert [spec.kind for spec in mix("two rules or square")] == ["two rules", "square"] * 3
    assert {spec.lift for spec in mix("lifted")} == {"cylinder", "edge", "corner"}
    assert all(spec.lift_mm == 1.0 for spec in mix("lifted"))


def test_a_body_this_machine_has_no_file_for_keeps_its_place(monkeypatch):
    whole = photo_specs(3, 3, "one rule", 800)
    monkeypatch.setattr("tests.maker.photo_mix.missing", lambda family: "gone" if family == "small" else "")
    part = photo_specs(3, 3, "one rule", 800)
    assert [spec.name for spec in part] == [spec.name for spec in whole]
    assert part[0] == whole[0] and part[2] == whole[2]
    assert part[1].plan.family == "small" and part[1].laid == ()


@pytest.mark.parametrize(
    "kind", [kind if n % 2 == 0 else pytest.param(kind, marks=pytest.mark.slow) for n, kind in enumerate(KINDS)]
)
def test_photos_of_a_mix_keep_their_promises(kind):
    for spec in mix(kind):
        photo, _ = describe_photo(spec, NOWHERE)
        assert np.all(np.sort(photo.sheet_mm) <= np.sort(MAX_SHEET_MM) + 1e-9)
        frame = shapely.box(-0.5, -0.5, *(np.array(photo.size_px) - 0.5))
        drawn = photo.to_px(photo.half_mm if spec.plan.half else photo.outline_mm)
        assert shapely.contains_xy(frame, *drawn.T).all()
        assert all(shapely.contains_xy(frame, *edge.places_px.T).all() for edge in photo.edges)
        hidden = shapely.union_all([shapely.Polygon(ring) for thing in photo.laid for ring in thing.covered_px])
        assert not shapely.contains_xy(hidden, *drawn.T).any()
        count = {"two rules": 2, "square": 1, "one rule": 1, "no rule": 0}[spec.kind.removeprefix("lifted ")]
        assert sum(thing.kind != "card" for thing in photo.laid) == count
        if kind in COPIES:
            rules = [shapely.LineString(edge.places_px) for edge in photo.drawn]
            assert len(rules) >= 2 and not any(rule.intersects(hidden) for rule in rules)
        if kind in ("one rule", "drawn only"):
            assert shapely.contains_xy(frame, *photo.sheet_corners_px.T).all()


def test_laid_rules_stay_within_their_class():
    """Directive 2014/32/EU, Annex X, table 1: class I 0.1 + 0.1 L, class II 0.3 + 0.2 L mm, L in whole metres."""
    for kind in KINDS:
        for spec in mix(kind):
            for thing in spec.laid:
                model = MODELS[thing.model]
                long = max(strip.long_mm for strip in model.strips)
                assert abs(thing.error) * long <= (0.2 if model.stuff in METAL else 0.5)
                assert abs(thing.square_error_deg) <= 0.01


def test_bad_photos_have_their_faults():
    bad = bad_specs(1, 800)
    assert tuple(bad) == FAULTS
    assert bad["no rule"].laid == () and bad["two sheets"].second is not None
    short = describe_photo(bad["rule too short"], NOWHERE)[0]
    assert len(short.laid) == 1 and short.edges[0].at_mm.max() < 61.0
    out, _ = describe_photo(bad["one direction, edges out"], NOWHERE)
    ring = shapely.Polygon(out.sheet_to_px(shapely.get_coordinates(
        shapely.segmentize(shapely.Polygon(out.paper.corners_mm), 20.0))))
    assert ring.contains(shapely.box(-0.5, -0.5, *(np.array(out.size_px) - 0.5)))
    drawn = out.to_px(out.half_mm if out.spec.plan.half else out.outline_mm)
    assert drawn.min() > 0 and np.all(drawn.max(axis=0) < out.size_px)
    for name in ("rolled", "curled edge"):
        paper = lay(bad[name])
        assert paper.height_mm(paper.corners_mm).max() > 10.0

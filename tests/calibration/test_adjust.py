"""Photos of flat sheets as points; OpenCV's projector (tests.bench.photo_points) is the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import process_time

import numpy as np
import pytest

from calibration.adjust import adjust
from calibration.budget import outline_budget
from calibration.camera import CameraPose, turned
from calibration.controls import Control, KnownAngle
from calibration.frames import PxPoints, SheetPoints
from calibration.known_lens import KnownLens, LensSigma
from calibration.lens import Lens
from calibration.photo import PhotoCalibration
from calibration.solve import FailedFit
from tests.bench.photo_points import (
    LAYOUTS,
    SIZE_PX,
    Camera,
    Sheet,
    across_error,
    body,
    made,
    two_rules,
)

EASY = ("a square", "two rules, drawn frame", "two rules, four edges", "four rules")


def adjusted(sheet: Sheet, **more) -> PhotoCalibration:
    result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX, **more)
    assert isinstance(result, PhotoCalibration), result.doubt
    return result


def seen_by(bend, tilt_deg: float, toward_deg: float, layout: Callable[[Sheet], None], sigma: float) -> Sheet:
    """A sheet under one given camera, hardly any noise."""
    rng = np.random.default_rng(11)
    camera = Camera.random(rng, 0.0)
    toward = np.deg2rad(toward_deg)
    tilt = turned(np.deg2rad(tilt_deg) * np.array([np.cos(toward), np.sin(toward), 0.0]))
    camera = replace(
        camera, rotation=tilt @ np.diag([1.0, -1, -1]), bend=np.array([*bend, 0.0, 0.0, 0.0]),
        centre_px=(np.array(SIZE_PX) - 1) / 2, translation=np.array([8.0, -5.0, 900.0]),
    )  # fmt: skip
    sheet = Sheet(camera, rng, sigma=sigma)
    layout(sheet)
    return sheet


CAMERAS = [(-0.15, 30.0, 40.0), (0.1, 30.0, 200.0), (-0.05, 0.0, 0.0)]
# Each layout is seen by one of them by default; every camera sees some.
SEEN_BY = [
    pytest.param(*camera, layout, marks=() if place == n % len(CAMERAS) else pytest.mark.slow)
    for n, layout in enumerate(LAYOUTS) for place, camera in enumerate(CAMERAS)
]  # fmt: skip


@pytest.mark.parametrize(("k1", "tilt", "toward", "layout"), SEEN_BY)
def test_it_finds_its_own_way_to_the_answer(k1, tilt, toward, layout):
    """From nothing but the points: lens, tilt and outline come out, at a hundredth of the usual scatter."""
    sheet = seen_by((k1, 0.01), tilt, toward, LAYOUTS[layout], 0.01)
    result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)
    if not result:  # one rule and edges square to 0.1 degree may be too little; with so little scatter their bows show
        assert layout == "one rule, four edges"
        assert result.code in ("photo-scale-open", "photo-open-bent")
        return
    found = result.to_sheet(PxPoints(sheet.camera(body())))
    error = across_error(found.xy, body())
    assert np.all(np.abs(error) <= 4 * result.u_outline_mm(found) + 0.005)
    assert result.pose.tilt_deg == pytest.approx(tilt, abs=4 * np.degrees(result.covariance[5:7, 5:7].max() ** 0.5))


@pytest.mark.parametrize("count", [3, pytest.param(8, marks=pytest.mark.slow)])
def test_the_claim_holds(count):
    """Inside two sigmas: 95 % of the outline's points, of a few photos each way.

    One photo's points err together, so all layouts count as one; ``tests.bench.photo_points`` has many of each.
    """
    inside = {}
    for layout in LAYOUTS:
        found = [share for seed in range(count) if (share := _held(made(layout, seed, 20.0))) is not None]
        assert len(found) >= 0.6 * count, layout
        inside[layout] = float(np.mean(found))
    one = 0.125  # how far the shares of single photos scatter
    # a standard error of 1.5 % for 64 photos; of eight photos alone 4.5 %
    assert np.mean(list(inside.values())) >= 0.95 - 1.92 * one / np.sqrt(count * len(LAYOUTS))
    assert min(inside.values()) >= 0.95 - 3.3 * one / np.sqrt(count), inside


@pytest.mark.slow
@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_claim_of_each_layout_holds(layout):
    """The same of 24 photos of each: 95 % with a standard error of 2.5 %."""
    inside = [share for seed in range(24) if (share := _held(made(layout, seed, 20.0))) is not None]
    assert len(inside) >= 16
    assert np.mean(inside) >= 0.90


def _held(sheet: Sheet) -> float | None:
    """Return the share of the outline's points inside of two sigmas, None of a photo that is refused."""
    result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)
    if not result:
        return None
    found = result.to_sheet(PxPoints(sheet.camera(body())))
    return float(np.mean(np.abs(across_error(found.xy, body())) <= 2 * result.u_outline_mm(found)))


@pytest.mark.parametrize(
    "layout", ["a square", "four rules", *(pytest.param(name, marks=pytest.mark.slow) for name in EASY[1:3])]
)
def test_two_directions_and_a_right_angle_are_good_to_a_tenth(layout):
    """From geometry alone, rules true to size: 0.05 mm root mean square, median; 0.2 mm at most, of 10 photos."""
    errors = []
    for seed in range(100, 110):
        sheet = made(layout, seed, 12.0)
        found = adjusted(sheet, focal_px=sheet.camera.focal_px).to_sheet(PxPoints(sheet.camera(body())))
        errors.append(across_error(found.xy, body()))
    assert np.median([np.sqrt(np.mean(error**2)) for error in errors]) < 0.05
    assert max(np.abs(error).max() for error in errors) < 0.2


def test_sheet_frame():
    """Origin on the lens's axis, x level in the picture there, y up."""
    photo = adjusted(made("two rules, drawn frame", 3, 20.0))
    ideal = photo.pose.project(np.array([[0.0, 0.0], [50.0, 0.0], [0.0, 50.0]])).xy
    np.testing.assert_allclose(ideal[0], photo.lens.centre_px, rtol=0, atol=1e-6)
    assert ideal[1, 1] == pytest.approx(ideal[0, 1], abs=1e-6)
    assert ideal[1, 0] > ideal[0, 0]
    assert ideal[2, 1] < ideal[0, 1]


def test_there_and_back():
    photo = adjusted(made("two rules, drawn frame", 3, 20.0))
    points = SheetPoints(body())
    np.testing.assert_allclose(photo.to_sheet(photo.to_px(points)).xy, points.xy, rtol=0, atol=1e-8)


def test_size_of_a_pixel():
    """The square root of the sheet's area that a pixel covers, by the map itself."""
    photo = adjusted(made("two rules, drawn frame", 3, 20.0))
    middle = photo.to_px(SheetPoints([[120.0, -90.0]])).xy[0]
    corners = photo.to_sheet(PxPoints(middle + 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))).xy
    x, y = corners.T
    area = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2
    assert photo.mm_per_px(SheetPoints([[120.0, -90.0]]))[0] == pytest.approx(np.sqrt(area), rel=1e-6)


def moved_by(photo: PhotoCalibration, step: np.ndarray, px: PxPoints) -> np.ndarray:
    """Where fixed pixels lie on the sheet when the common unknowns take a small step, by the public lens and pose."""
    lens, pose = photo.lens, photo.pose
    focal = lens.focal_px * np.exp(step[0])
    centre = (lens.centre_px[0] + step[1], lens.centre_px[1] + step[2])
    rotation = turned(np.array([step[5], step[6], 0.0])) @ pose.rotation
    changed = CameraPose(rotation, pose.translation_mm * np.exp(step[7]), focal, centre)
    terms = lens.terms + np.concatenate([step[3:5], step[8:10]])
    return changed.to_sheet(Lens(centre, focal, *(float(term) for term in terms)).undistort(px)).xy


def test_places_follow_the_unknowns_as_stated():
    photo = adjusted(made("two rules, drawn frame", 5, 20.0))
    points = SheetPoints(body(40))
    px, moves = photo.to_px(points), photo.moves(points)
    for number, size in enumerate([1e-5, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6]):
        step = np.zeros(10)
        step[number] = size
        slope = (moved_by(photo, step, px) - moved_by(photo, -step, px)) / (2 * size)
        np.testing.assert_allclose(moves[:, :, number], slope, rtol=0, atol=1e-4 * np.abs(slope).max() + 1e-6)


def test_claims_are_those_of_drawn_cameras():
    """Cameras drawn from the covariance scatter the outline, its frame and its scale by what is claimed."""
    photo = adjusted(made("two rules, drawn frame", 5, 20.0))
    points = SheetPoints(body(90))
    px, rng = photo.to_px(points), np.random.default_rng(1)
    draws = rng.multivariate_normal(np.zeros(10), photo.covariance[:10, :10], 400, method="cholesky")
    places = np.array([moved_by(photo, draw, px) for draw in draws])
    bare = replace(photo, covariance=np.pad(photo.covariance[:10, :10], (0, 1)))
    # 400 draws: 3.5 % on a sigma
    across = np.array([across_error(place, points.xy) for place in places])
    np.testing.assert_allclose(bare.u_outline_mm(points), across.std(axis=0), rtol=0.2, atol=2e-3)
    cov = bare.point_cov_mm(points)
    np.testing.assert_allclose(np.sqrt(cov[:, 0, 0]), places[:, :, 0].std(axis=0), rtol=0.15, atol=1e-3)
    off = points.xy - points.xy.mean(axis=0)
    grown = [np.linalg.lstsq(off, place - place.mean(axis=0), rcond=None)[0] for place in places]
    scales = np.array([[g[0, 0] - 1, g[1, 1] - 1, g[1, 0] + g[0, 1]] for g in grown])
    size = np.sqrt(np.diag(bare.scale_covariance(points)))
    np.testing.assert_allclose(
        bare.scale_covariance(points) / np.outer(size, size), np.cov(scales.T) / np.outer(size, size), rtol=0, atol=0.2
    )


def test_the_claim_does_not_depend_on_where_a_curve_begins():
    photo = adjusted(made("four rules", 2, 20.0))
    curve = body()
    claimed = photo.u_outline_mm(SheetPoints(curve))
    rolled = photo.u_outline_mm(SheetPoints(np.roll(curve, 57, axis=0)))
    np.testing.assert_allclose(np.roll(rolled, -57), claimed, rtol=1e-9)
    np.testing.assert_allclose(photo.u_outline_mm(SheetPoints(curve[::-1]))[::-1], claimed, rtol=1e-9)


def test_a_curve_needs_points_apart():
    photo = adjusted(made("four rules", 2, 20.0))
    with pytest.raises(ValueError, match="closed curve"):
        photo.u_outline_mm(SheetPoints([[0.0, 0.0], [0.0, 0.0], [5.0, 5.0]]))


def test_the_budget_of_lengths_takes_it():
    photo = adjusted(made("two rules, drawn frame", 5, 20.0))
    over = photo.over(SheetPoints(body()))
    assert over.certified == (True, True)
    assert over.mm_per_px_x == pytest.approx(float(np.mean(photo.mm_per_px(SheetPoints(body())))), rel=0.1)
    budget = outline_budget(480, 330, over, 0.05, 0.2, body_angle_rad=0.0)
    scale = next(term.u_mm for term in budget.terms if term.term.startswith("the scale"))
    assert scale == pytest.approx(float(np.quantile(photo.u_outline_mm(SheetPoints(body())), 0.95)), rel=0.6)


def spoiled(control: Control, places: dict[int, float], **more) -> Control:
    """The control with some places moved up and right by so many px."""
    xy = control.places.xy.copy()
    for number, off in places.items():
        xy[number] += (off, -off)
    return replace(control, places=PxPoints(xy), **more)


def test_stray_graduations_are_left_out_alone():
    sheet = made("two rules, drawn frame", 8, 15.0)
    clean = adjusted(sheet)
    strays = {20: 4.0, 21: -60.0, 150: 2.0, 300: 500.0}
    sheet.controls[0] = spoiled(sheet.controls[0], strays)
    photo = adjusted(sheet)
    left_out = set(np.nonzero(np.isnan(photo.residuals_mm[0]))[0])
    assert set(strays) <= left_out
    assert len(left_out) < 12  # 4 sigma in 400 places: hardly any of the good ones
    curve = SheetPoints(body())
    moved = across_error(photo.to_sheet(clean.to_px(curve)).xy, curve.xy)
    assert np.abs(moved).max() < 0.25 * clean.u_outline_mm(curve).max()


@pytest.mark.parametrize(("percent", "who"), [(0.5, 0), (-1.0, 2), pytest.param(6.0, 3, marks=pytest.mark.slow)])
def test_a_rule_that_is_wrong_is_refused_by_name(percent, who):
    sheet = made("four rules", 4, 15.0)
    one = sheet.controls[who]
    sheet.controls[who] = replace(one, at_mm=one.at_mm * (1 + percent / 100))
    result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)
    assert isinstance(result, FailedFit)
    assert result.code == "rules-disagree"
    assert one.name in {result.facts["first"], result.facts["second"]}
    assert float(result.facts["percent"]) == pytest.approx(abs(percent), rel=0.2)


def test_a_rough_rule_may_differ_within_its_own_sigma():
    sheet = made("four rules", 4, 15.0)
    one = sheet.controls[1]
    sheet.controls[1] = replace(one, at_mm=one.at_mm * 1.005, standard_u_rel=0.005)
    assert adjusted(sheet).names == ("rule 1", "rule 2", "rule 3", "rule 4")


def test_the_rules_own_error_stays_in_the_claim():
    """Two rules, each known to 0.3 mm in 400 and 300: no picture makes the scale better than that."""
    sheet = made("two rules, drawn frame", 6, 15.0)
    sheet.controls = [replace(one, standard_u_mm=0.3) for one in sheet.controls]
    scale = np.sqrt(np.diag(adjusted(sheet).scale_covariance(SheetPoints(body()))))
    both = 1 / np.hypot(400 / 0.3, 300 / 0.3)  # as if each measured both directions
    assert both < scale[0] < 0.3 / 400 * 1.1
    assert both < scale[1] < 0.3 / 300 * 1.1


@pytest.mark.parametrize("times", [1.0, 3.0])
def test_more_scatter_than_stated_widens(times):
    sheet = made("two rules, drawn frame", 9, 15.0)
    honest = adjusted(sheet)
    sheet.controls = [replace(c, sigma_px=c.sigma_px / times, sigma_across_px=c.sigma_across_px / times)
                      for c in sheet.controls]
    sheet.lines = [replace(line, sigma_px=line.sigma_px / times) for line in sheet.lines]
    widened = adjusted(sheet)
    curve = SheetPoints(body())
    np.testing.assert_allclose(widened.u_outline_mm(curve), honest.u_outline_mm(curve), rtol=0.25)


def test_less_scatter_than_stated_never_narrows():
    sheet = made("two rules, drawn frame", 9, 15.0)
    curve = SheetPoints(body())
    honest = adjusted(sheet).u_outline_mm(curve)
    sheet.controls = [replace(c, sigma_px=c.sigma_px * 4, sigma_across_px=c.sigma_across_px * 4)
                      for c in sheet.controls]
    sheet.lines = [replace(line, sigma_px=line.sigma_px * 4) for line in sheet.lines]
    photo = adjusted(sheet)
    assert photo.scatter == 1.0
    assert np.all(photo.u_outline_mm(curve) > honest)


def test_residuals_are_those_of_the_points():
    photo = adjusted(made("two rules, drawn frame", 10, 15.0))
    assert photo.rms_px == pytest.approx(np.full((2, 2), 0.15), rel=0.15)
    assert photo.line_rms_px == pytest.approx([0.25] * 8, rel=0.4)
    assert photo.line_names == tuple(f"line {n}" for n in range(1, 9))
    mm_per_px = float(np.median(photo.mm_per_px(SheetPoints(body()))))
    assert np.nanstd(photo.residuals_mm[0]) == pytest.approx(0.15 * mm_per_px, rel=0.2)


def test_one_rule_alone_leaves_the_other_direction_open():
    rng = np.random.default_rng(1)
    sheet = Sheet(Camera.random(rng, 10.0), rng)
    sheet.rule((-200, -100), 0, 400)
    result = adjust(sheet.controls, [], [], SIZE_PX)
    assert isinstance(result, FailedFit)
    assert result.code == "photo-scale-open"
    assert result.facts["part"] == "scale bottom to top"
    assert result.doubt.weight == "refused"


def test_one_rule_and_edges_say_what_they_rest_on():
    for seed in range(5):
        sheet = made("one rule, four edges", seed, 8.0)
        result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX, sheet.camera.focal_px)
        if result:
            break
    assert any(s.startswith("The scale bottom to top rests on: ") and "edges being square" in s for s in result.weak)
    assert "photo-rests" in {d.code for d in result.doubts if d.weight == "look"}


def test_two_rules_say_that_squareness_rests_on_the_lens():
    weak = [s for seed in range(4) for s in adjusted_or_none("two rules", seed)]
    assert any(s.startswith("The squareness rests on: ") for s in weak)
    assert any("focal length that phones usually have" in s for s in weak)


def adjusted_or_none(layout: str, seed: int) -> tuple[str, ...]:
    sheet = made(layout, seed, 20.0)
    result = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)
    return result.weak if result else ()


@pytest.mark.parametrize("layout", ["two rules, drawn frame", "four rules"])
def test_enough_evidence_rests_on_nothing_that_matters(layout):
    sheet = made(layout, 1, 10.0)
    photo = adjusted(sheet, focal_px=sheet.camera.focal_px)
    assert photo.certified == (True, True)
    assert not [d for d in photo.doubts if d.weight == "look"]


def test_an_angle_that_is_not_so_is_doubted():
    sheet = made("two rules, drawn frame", 2, 15.0)
    one = sheet.angles[0]
    sheet.angles[0] = replace(one, angle_rad=one.angle_rad - np.deg2rad(1.0))
    photo = adjusted(sheet)
    doubts = [d for d in photo.doubts if d.code == "photo-angle"]
    assert doubts
    assert any(one.first in d.text and one.second in d.text for d in doubts)
    found = photo.to_sheet(PxPoints(sheet.camera(body())))  # it has not bent the camera
    assert np.all(np.abs(across_error(found.xy, body())) <= 3 * photo.u_outline_mm(found))


def test_a_slanted_angle_counts_either_way_round():
    """Lines have no direction: 60 degrees is 120 degrees."""
    rng = np.random.default_rng(4)
    sheet = Sheet(Camera.random(rng, 20.0), rng)
    names = [sheet.rule((-200, -150), 5, 400), sheet.rule((150, -150), 125, 300)]
    for order in (names, names[::-1]):
        sheet.angles = [KnownAngle(*order, np.deg2rad(60.0), 1e-4, "as drawn")]
        found = adjusted(sheet).to_sheet(PxPoints(sheet.camera(body())))
        assert np.abs(across_error(found.xy, body())).max() < 0.3


def test_a_lens_calibrated_before_is_kept_to():
    sheet = made("two rules", 7, 15.0)
    camera = sheet.camera
    lens = KnownLens(Lens(tuple(camera.centre_px), camera.focal_px, *camera.bend[:2]), LensSigma(), SIZE_PX)
    photo = adjusted(sheet, lens=lens)
    assert abs(np.log(photo.lens.focal_px / camera.focal_px)) < 0.04
    curve = SheetPoints(body())
    assert photo.u_outline_mm(curve).max() < 0.8 * adjusted(sheet).u_outline_mm(curve).max()


def seconds_with(count: int) -> float:
    """The least of three times for two rules and ten lines with so many places each."""
    rng = np.random.default_rng(2)
    sheet = Sheet(Camera.random(rng, 20.0), rng)
    sheet.rule((-200, -185), 0, 300, count)
    sheet.rule((-275, -150), 90, 300, count)
    for _ in range(10):
        start = rng.uniform([-250, -180], [250, 180])
        sheet.line(start, start + rng.uniform(80, 150, 2) * rng.choice([-1, 1], 2), count=count)

    def once() -> float:
        begin = process_time()
        assert adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)
        return process_time() - begin

    return min(once() for _ in range(3))


def test_time_grows_no_faster_than_the_places():
    assert seconds_with(800) < 6.0 * seconds_with(200)


def test_few_points_do_no_harm():
    """Two marked spans, two points each: an answer with a wide claim, or a refusal."""
    rng = np.random.default_rng(3)
    sheet = Sheet(Camera.random(rng, 10.0), rng)
    sheet.rule((-240, 0), 0, 480, 2, source="span")
    sheet.rule((0, -170), 90, 340, 2, source="span")
    result = adjust(sheet.controls, [], [], SIZE_PX)
    if result:
        found = result.to_sheet(PxPoints(sheet.camera(body())))
        assert np.mean(np.abs(across_error(found.xy, body())) <= 3 * result.u_outline_mm(found)) > 0.9
        assert any(d.weight == "look" for d in result.doubts)
    else:
        assert result.code == "photo-scale-open"


def test_nothing_known_is_no_rule():
    assert adjust([], [], [], SIZE_PX).code == "no-rule"
    rng = np.random.default_rng(3)
    sheet = Sheet(Camera.random(rng, 10.0), rng)
    sheet.rule((0, 0), 0, 100, source="dpi")
    assert adjust(sheet.controls, [], [], SIZE_PX).code == "no-rule"


def test_names_that_are_none_or_twice_are_refused():
    rng = np.random.default_rng(3)
    sheet = Sheet(Camera.random(rng, 10.0), rng)
    two_rules(sheet)
    with pytest.raises(ValueError, match="rule 9"):
        adjust(sheet.controls, [], [KnownAngle("rule 1", "rule 9", np.pi / 2, 0.01, "")], SIZE_PX)
    with pytest.raises(ValueError, match="angle needs"):
        adjust(sheet.controls, [], [KnownAngle("rule 1", "rule 2", np.pi / 2, 0.0, "")], SIZE_PX)
    with pytest.raises(ValueError, match="same"):
        same = replace(sheet.controls[0], places=PxPoints(np.tile(sheet.controls[0].places.xy[:1], (401, 1))))
        adjust([same, sheet.controls[1]], [], [], SIZE_PX)


def test_a_bent_rule_is_seen():
    sheet = made("two rules, drawn frame", 8, 15.0)
    one = sheet.controls[0]
    wave = 0.25 * np.sin(one.at_mm / 400 * 6 * np.pi)  # mm, graduations crowded and spread by turns
    sheet.controls[0] = replace(one, at_mm=one.at_mm + wave)
    photo = adjusted(sheet)
    assert photo.uneven_mm == pytest.approx(0.25, abs=0.08)
    assert any(d.code == "rule-nonlinear" and one.name in d.text for d in photo.doubts)

"""Photos of copies that are off, as points: drawn lengths lead back to the plan, laid ones tell what the copier did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.adjust import adjust
from calibration.bends import forms
from calibration.controls import Control
from calibration.flatness import flatness
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.photo import PhotoCalibration, outward
from calibration.photo_copy import FLIP, LiftsOnPlan, PlanScale, plan_scale
from calibration.solve import FailedFit
from tests.bench.photo_points import SIZE_PX, Camera, Sheet, across_error, body

COPY = (0.985, 1.012)
TRIALS = 4


def copy_matrix(x: float, y: float, shear_deg: float = 0.0) -> FloatArray:
    return np.array([[x, np.tan(np.deg2rad(shear_deg))], [0.0, y]])


def drawn(sheet: Sheet, copier: FloatArray, start, deg: float, length: float) -> None:
    """Draw a rule on the plan; ``start`` is on the paper."""
    way = copier @ [np.cos(np.deg2rad(deg)), np.sin(np.deg2rad(deg))]
    sheet.rule(start, np.rad2deg(np.arctan2(way[1], way[0])), length, source="drawn rule", grown=float(np.hypot(*way)))


def copy_in_a_photo(seed: int, copier: FloatArray, *, laid: bool = True, tilt_deg: float = 20.0, **more) -> Sheet:
    rng = np.random.default_rng([seed, 41])
    sheet = Sheet(Camera.random(rng, tilt_deg), rng, **more)
    if laid:
        sheet.rule((-200, -190), rng.normal(0, 1), 400)
        sheet.rule((-280, -150), 90 + rng.normal(0, 1), 300)
    sheet.own_u_mm = 0.0  # what is drawn is drawn exactly
    drawn(sheet, copier, (-90, -165), 0.0, 200.0)
    drawn(sheet, copier, (255, -100), 90.0, 180.0)
    sheet.frame((270, 195), edge=True)
    return sheet


def taken(sheet: Sheet) -> tuple[PhotoCalibration, PlanScale]:
    photo = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX, sheet.camera.focal_px, copied=True)
    assert isinstance(photo, PhotoCalibration), photo.doubt
    scale = plan_scale(photo, drawn_on(sheet))
    assert isinstance(scale, PlanScale), scale.doubt
    return photo, scale


def in_plan(photo: PhotoCalibration, scale: PlanScale, px: FloatArray) -> tuple[FloatArray, SheetPoints]:
    on_paper = photo.to_sheet(PxPoints(px))
    return scale.calibration.to_sheet(PxPoints(on_paper.xy * FLIP)).xy, on_paper


def test_a_copy_that_is_off_comes_out_as_the_plan_and_the_copier_is_told():
    copier = copy_matrix(*COPY, shear_deg=0.1)
    sheet = copy_in_a_photo(6, copier, sigma=0.02)
    photo, scale = taken(sheet)
    found, _ = in_plan(photo, scale, sheet.camera(body() @ copier.T))
    assert np.abs(across_error(found, body())).max() < 0.05  # a fiftieth of the usual scatter
    factors = scale.factors(LiftsOnPlan.of(flatness(photo, sheet.controls, sheet.lines), scale))
    # the rules' bow and lift scatter as usual: 0.1 mm of lift is 0.012 %
    assert (factors.x.value, factors.y.value) == pytest.approx(COPY, abs=5e-4)
    assert abs(factors.shear.value - np.deg2rad(0.1)) <= factors.shear.u95 < np.deg2rad(0.3)


@pytest.mark.parametrize("laid", [True, False])
def test_the_claims_hold(laid):
    """Inside two sigmas: 95 % of the outline's points, and nineteen factors of twenty, give or take."""
    copier = copy_matrix(*COPY)
    inside, factors_off = [], []
    for seed in range(TRIALS):
        sheet = copy_in_a_photo(seed, copier, laid=laid, own_u_mm=0.1 if laid else 0.0)
        photo, scale = taken(sheet)
        assert all(scale.calibration.certified)
        found, on_paper = in_plan(photo, scale, sheet.camera(body() @ copier.T))
        error = across_error(found, body())
        claimed = np.hypot(scale.u_outline_mm(on_paper), by_scale(scale, found))  # as the budget has it
        inside.append(np.mean(np.abs(error) <= 2.0 * claimed))
        bent = LiftsOnPlan.of(flatness(photo, sheet.controls, sheet.lines), scale)
        both = scale.factors(bent)
        factors_off += [abs(one.value - true) / one.u95 for one, true in zip((both.x, both.y), COPY, strict=True)]
    assert np.mean(inside) > 0.92
    if laid:
        assert np.sum(np.array(factors_off) > 1.0) <= 2  # of 8; a chance of 1 % at 95 %
        assert np.median(factors_off) > 0.02  # and the interval is no barn door


def by_scale(scale: PlanScale, xy: FloatArray) -> FloatArray:
    """1 sigma across a curve by the plan's scale and squareness."""
    across, _ = outward(xy)
    off = xy - xy.mean(axis=0)
    rows = np.stack([across[:, 0] * off[:, 0], across[:, 1] * off[:, 1], np.sum(across * off[:, ::-1], axis=1) / 2], 1)
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", rows, scale.calibration.covariance, rows)))


def test_what_is_wrong_all_over_the_sheet_is_made_good():
    """A camera that has every length wrong alike, or lengths and squareness, leaves the plan as it is."""
    _, scale = taken(copy_in_a_photo(1, copy_matrix(*COPY)))
    spots = SheetPoints(body())
    for strain in ([[1.0, 0.0], [0.0, 0.0]], [[0.0, 0.0], [0.0, 1.0]], [[0.0, 0.5], [0.5, 0.0]]):
        wrong = np.array(strain)

        def moves(points: SheetPoints, wrong=wrong) -> FloatArray:
            return np.asarray(points.xy @ wrong.T)[:, :, None]

        left = scale.moves(spots, moves)[:, :, 0]
        plane = np.column_stack([np.ones(len(spots)), spots.xy])
        grown = np.linalg.lstsq(plane, left, rcond=None)[0][1:]
        assert np.abs(grown + grown.T).max() < 0.06  # to the first order, where the copy is off by 2 %


def test_a_lift_under_the_drawn_rule_alone_counts_all_over_the_sheet():
    sheet = copy_in_a_photo(2, copy_matrix(1.0, 1.0))
    photo, scale = taken(sheet)
    bent = LiftsOnPlan.of(flatness(photo, sheet.controls, sheet.lines), scale)
    form = next(n for n, one in enumerate(forms()) if one.kind == "ridge" and abs(one.turn_rad - np.pi / 2) < 0.1)
    left = bent.across(photo, SheetPoints(body()))[:, form]
    assert left.shape == (len(body()),) and np.abs(left).max() > 0.01


def test_drawn_rules_that_disagree_are_told():
    failed = scale_with_another((-90, 175), 0.0, 1.03)
    assert not failed and failed.code == "rules-disagree"


def test_a_clear_rule_that_disagrees_with_what_is_drawn_is_left_out():
    scale = scale_with_another((-90, 175), 0.0, 1.0)
    assert scale and scale.left_out == ("rule 5",)
    assert [one.code for one in scale.doubts] == ["drawn-left-out"]
    assert [one.name for one in scale.drawn] == ["rule 3", "rule 4"]
    assert not scale_with_another((-90, 175), 0.0, 1.0, told=["rule 5"])  # drawn for certain: then they do disagree


def test_a_rule_that_may_be_a_clear_one_is_doubted_where_the_plan_needs_it():
    """The copy is off along x and true along y: or what runs along y is no part of the copy."""
    copier = copy_matrix(COPY[0], 1.0)
    sheet = copy_in_a_photo(7, copier)
    photo, scale = taken(sheet)
    assert [one.code for one in scale.doubts] == ["drawn-or-laid"]
    told = plan_scale(photo, drawn_on(sheet), ["rule 4"])
    assert told and told.doubts == ()


def scale_with_another(start, deg: float, grown: float, told=()) -> PlanScale | FailedFit:
    sheet = copy_in_a_photo(4, copy_matrix(*COPY))
    sheet.rule(start, deg, 200.0, source="drawn rule", grown=grown)
    photo = adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX, sheet.camera.focal_px, copied=True)
    assert isinstance(photo, PhotoCalibration)
    return plan_scale(photo, drawn_on(sheet), told)


def drawn_on(sheet: Sheet) -> list[Control]:
    return [one for one in sheet.controls if one.source == "drawn rule"]


def test_lengths_that_a_photo_leaves_wide_open_are_no_scale():
    """They ended in a matrix that has no inverse."""
    sheet = copy_in_a_photo(6, copy_matrix(*COPY))
    photo, _ = taken(sheet)
    found = plan_scale(replace(photo, covariance=photo.covariance * 1e18), drawn_on(sheet))
    assert isinstance(found, FailedFit)
    assert found.doubt.code == "photo-scale-open" and "over 100 %" in found.doubt.text

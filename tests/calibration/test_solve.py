"""The scale from known lengths, and whether its sigma holds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from calibration.controls import Control, Source
from calibration.flags import TABLE
from calibration.frames import PxPoints
from calibration.solve import Calibration, FailedFit, solve

PX_PER_MM = 300 / 25.4  # a 300 dpi scan
RNG_SEED = 20240


def turn(deg: float) -> np.ndarray:
    a = np.deg2rad(deg)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def capture(x=1.0, y=1.0, shear=0.0, skew_deg=0.0) -> np.ndarray:
    """Plan mm (y down) -> px: a copier with its own feed axes, then a scanner that turns the sheet."""
    return PX_PER_MM * turn(skew_deg) @ np.array([[x, shear], [0.0, y]])


def rule(to_px, start, angle_deg, length_mm, *, rng=None, sigma=0.03, count=None, source: Source = "drawn rule",
         name="rule", standard_u=0.0, factor=1.0) -> Control:
    count = count or int(length_mm) + 1
    at = np.linspace(0.0, length_mm, count)
    direction = turn(angle_deg)[:, 0]
    plan = np.asarray(start) + factor * at[:, None] * direction
    px = plan @ to_px.T
    if rng is not None:
        px = px + rng.normal(0.0, sigma, px.shape)
    return Control(name, source, PxPoints(px), at, np.full(count, sigma), sigma, standard_u_mm=standard_u)


def solved(*controls: Control) -> Calibration:
    result = solve(controls)
    assert isinstance(result, Calibration), result
    return result


def metric(to_px: np.ndarray) -> np.ndarray:
    inverse = np.linalg.inv(to_px)
    return inverse.T @ inverse


@pytest.mark.parametrize("skew", [0.0, 1.5, -7.0, 89.0, 180.5])
def test_two_exact_rules_give_the_metric_of_copier_and_scanner(skew):
    to_px = capture(1.013, 0.991, skew_deg=skew)
    found = solved(rule(to_px, (20, 20), 0, 250), rule(to_px, (10, 30), 90, 300))
    # the prior pulls exact rules by (3e-6 / 0.016)^2 of the stretch, far below a millionth
    np.testing.assert_allclose(found.matrix.T @ found.matrix, metric(to_px), rtol=0, atol=1e-7 * 0.0072)
    assert found.model == "two scales"
    assert found.certified == (True, True)


def test_apparent_shear_in_the_picture_comes_from_stretch_and_skew():
    to_px = capture(1.02, 0.98, skew_deg=10.0)
    found = solved(rule(to_px, (0, 0), 0, 250), rule(to_px, (0, 0), 90, 300))
    one, two = found.matrix[:, 0], found.matrix[:, 1]
    assert abs(one @ two) / (np.hypot(*one) * np.hypot(*two)) > 0.01
    np.testing.assert_allclose(found.matrix.T @ found.matrix, metric(to_px), rtol=0, atol=1e-7 * 0.0072)


def test_a_shearing_copier_is_seen_in_the_angle_between_two_drawn_rules():
    to_px = capture(1.01, 0.99, shear=0.008, skew_deg=1.0)
    found = solved(rule(to_px, (0, 0), 0, 250), rule(to_px, (0, 0), 90, 300))
    assert found.model == "affine"
    # the prior against shear moves the answer by no more than (0.02 / 0.29 degree)^2 of it
    np.testing.assert_allclose(found.matrix.T @ found.matrix, metric(to_px), rtol=0, atol=1e-4 * 0.0072)


def test_a_ruler_laid_nearly_along_a_drawn_rule_does_not_turn_its_right_angle():
    """It looks drawn; taken for parallel to what was drawn it would shear all by half its turn."""
    to_px = capture(1.01, 1.01)
    drawn = [rule(to_px, (0, 0), 0, 250, name="x"), rule(to_px, (0, 0), 90, 300, name="y")]
    laid = rule(to_px, (40, 20), 90.87, 300, name="clear")
    matrix = solved(*drawn, laid).matrix
    one, two = matrix[:, 0], matrix[:, 1]
    assert abs(one @ two) / (np.hypot(*one) * np.hypot(*two)) < np.deg2rad(0.01)


def test_a_sheared_copy_of_rules_of_which_some_are_not_parallel_is_told_by_their_lengths():
    to_px = capture(1.01, 1.01, shear=0.003)
    drawn = [rule(to_px, (0, 0), 0, 250, name="x"), rule(to_px, (0, 0), 90, 300, name="y")]
    found = solved(*drawn, rule(to_px, (40, 20), 90.87, 300, name="clear"))
    np.testing.assert_allclose(found.matrix.T @ found.matrix, metric(to_px), rtol=0, atol=1e-4 * 0.0072)


def test_a_third_rule_on_the_slant_proves_squareness():
    to_px = capture(1.01, 0.99, shear=0.006)
    rules = [rule(to_px, (0, 0), a, 250, name=f"rule {a}") for a in (0, 90, 45)]
    found = solved(*rules)
    assert found.model == "affine"
    assert "shear-assumed" not in {d.code for d in found.doubts}
    np.testing.assert_allclose(found.matrix.T @ found.matrix, metric(to_px), rtol=0, atol=2e-6 * 0.0072)


def test_a_true_copy_is_a_similarity():
    rng = np.random.default_rng(RNG_SEED)
    to_px = capture(skew_deg=0.7)
    models = [
        solved(rule(to_px, (0, 0), 0, 250, rng=rng), rule(to_px, (0, 0), 90, 300, rng=rng)).model for _ in range(100)
    ]
    assert models.count("similarity") >= 94  # one chance in a hundred each to reject it


def test_frame_is_the_picture_turned_upright():
    to_px = capture(1.013, 0.991, skew_deg=1.2)
    found = solved(rule(to_px, (0, 0), 0, 250), rule(to_px, (0, 0), 90, 300))
    np.testing.assert_allclose(found.matrix @ np.diag([1, -1]), (found.matrix @ np.diag([1, -1])).T, atol=1e-12)
    assert np.linalg.det(found.matrix) < 0
    points = PxPoints(np.array([[0.0, 0.0], [100.0, 50.0], [-3.0, 2000.0]]))
    np.testing.assert_allclose(found.to_px(found.to_sheet(points)).xy, points.xy, atol=1e-9)
    assert found.to_sheet(PxPoints([[0.0, 100.0]])).xy[0, 1] < 0
    np.testing.assert_allclose(found.mm_per_px_x, np.sqrt(metric(to_px)[0, 0]), rtol=1e-7)
    np.testing.assert_allclose(found.mm_per_px_y, np.sqrt(metric(to_px)[1, 1]), rtol=1e-7)


LAYOUTS = {
    "two drawn rules": [(0, 250, "drawn rule"), (90, 300, "drawn rule")],
    "short and long": [(0, 60, "drawn rule"), (90, 300, "drawn rule")],
    "three with a slant": [(0, 250, "drawn rule"), (90, 300, "drawn rule"), (40, 200, "drawn rule")],
    "two laid rules": [(0, 250, "laid rule"), (90, 300, "laid rule")],
    "rule and span": [(0, 250, "drawn rule"), (90, 480, "span")],
    "four rules": [(0, 250, "drawn rule"), (0, 150, "drawn rule"), (90, 300, "drawn rule"), (90, 200, "drawn rule")],
    "one rule": [(0, 250, "drawn rule")],
    "one slanted rule": [(30, 250, "drawn rule")],
}


@pytest.mark.parametrize("count", [40, pytest.param(150, marks=pytest.mark.slow)])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_stated_sigma_covers_the_truth(layout, count):
    """About 95 % of the errors of a length in any direction fall inside U95."""
    rng = np.random.default_rng(RNG_SEED)
    angles = np.deg2rad(np.arange(0, 180, 15))
    inside = []
    for _ in range(count):
        aspect, shear, mean = rng.normal(0, 0.016), rng.normal(0, 0.005), rng.uniform(-0.01, 0.01)
        # drawn square to 0.02 degree, and a copier with shear of its own
        draft = np.deg2rad(rng.normal(0, 0.02))
        skew = rng.uniform(-1.5, 1.5)
        to_px = capture(1 + mean + aspect / 2, 1 + mean - aspect / 2, shear, skew)
        controls = []
        for index, (angle, length, source) in enumerate(LAYOUTS[layout]):
            own_u = 0.1 if source == "laid rule" else 0.0
            off = 1 + rng.normal(0, own_u) / length
            loose = rng.normal(0, 1.0) if source == "laid rule" else np.rad2deg(draft) * (angle == 90)
            controls.append(
                rule(to_px, (10, 10), angle + loose, length, rng=rng, sigma=0.3 if source == "span" else 0.03,
                     count=2 if source == "span" else None, source=source, name=f"m{index}", standard_u=own_u,
                     factor=off)
            )
        found = solve(controls)
        if not found:
            assert found.code == "rules-disagree"
            continue
        inverse = np.linalg.inv(to_px)
        row = []
        for a in angles:
            px = np.linalg.inv(found.matrix) @ np.array([np.cos(a), np.sin(a)])
            error = np.log(1.0 / np.hypot(*(inverse @ px)))
            row.append(abs(error) <= 1.96 * found.length_u_rel(a))
        inside.append(np.mean(row))
    assert len(inside) >= count - binom.ppf(0.995, count, 0.01)  # one chance in a hundred each to be refused
    # sheets with directions that err together: 95 % give or take 2.5 standard errors
    assert np.mean(inside) >= 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / count)


def test_copiers_even_over_the_measured_range_are_inside_the_claim_with_one_rule():
    """x and y factors independently 0.98 to 1.02: the unmeasured direction still holds 95 %."""
    rng = np.random.default_rng(RNG_SEED)
    hits = []
    for _ in range(300):
        to_px = capture(*rng.uniform(0.98, 1.02, 2))
        found = solved(rule(to_px, (0, 0), 0, 250, rng=rng))
        error = np.log(found.mm_per_px_y * np.hypot(*to_px[:, 1]))
        hits.append(abs(error) <= 1.96 * found.length_u_rel(np.pi / 2))
    assert np.mean(hits) >= 0.93


def test_one_direction_is_certified_there_only():
    found = solved(rule(capture(skew_deg=0.8), (0, 0), 90, 250))
    assert found.certified == (False, True)
    assert {d.code for d in found.doubts} == {"one-direction", "shear-assumed"}
    assert "top to bottom" in next(d.text for d in found.doubts if d.code == "one-direction")
    assert found.length_u_rel(0.0) > 0.01
    assert found.length_u_rel(np.pi / 2) < 1e-3


def test_two_rules_in_one_direction_do_not_certify_the_other():
    to_px = capture(1.01, 0.99)
    found = solved(rule(to_px, (0, 0), 0, 250), rule(to_px, (0, 200), 0.3, 150))
    assert found.certified == (True, False)


@pytest.mark.parametrize("percent", [0.12, 0.5, 3.0])
def test_parallel_rules_that_disagree_are_refused(percent):
    to_px = capture()
    result = solve([
        rule(to_px, (0, 0), 0, 250, name="rule 1"),
        rule(to_px, (0, 300), 0, 200, name="rule 2", factor=1 + percent / 100),
    ])
    assert isinstance(result, FailedFit)
    assert not result
    assert result.code == "rules-disagree"
    assert {result.facts["first"], result.facts["second"]} == {"rule 1", "rule 2"}
    assert float(result.facts["percent"]) == pytest.approx(percent, abs=0.006)
    assert result.doubt.weight == "refused"


def test_a_slanted_rule_that_fits_no_sheet_is_refused_by_name():
    to_px = capture(1.01, 0.99)
    result = solve([
        rule(to_px, (0, 0), 0, 250, name="rule 1"),
        rule(to_px, (0, 0), 90, 250, name="rule 2"),
        rule(to_px, (0, 0), 45, 250, name="rule 3"),
        rule(to_px, (0, 0), 30, 250, name="rule 4", factor=1.01),
        rule(to_px, (0, 0), 135, 250, name="rule 5"),
    ])
    assert isinstance(result, FailedFit)
    assert result.facts["first"] == "rule 4"


def test_a_rough_span_may_differ_within_its_own_sigma():
    to_px = capture()
    span = rule(to_px, (0, 0), 0, 100, count=2, source="span", name="span", standard_u=0.3, factor=1.002)
    assert solve([rule(to_px, (0, 0), 0, 250), rule(to_px, (0, 0), 90, 250), span])


def test_nothing_known_is_no_rule():
    assert solve([]).code == "no-rule"
    dpi = rule(capture(), (0, 0), 0, 250, count=2, source="dpi")
    assert solve([dpi]).code == "no-rule"
    assert "no-rule" in TABLE


def test_stray_graduations_do_not_move_the_scale():
    rng = np.random.default_rng(RNG_SEED)
    clean = rule(capture(), (0, 0), 0, 250, rng=rng)
    places = clean.places.xy.copy()
    places[[40, 90, 200]] += (3.0, 0.0)
    stray = Control("rule", "drawn rule", PxPoints(places), clean.at_mm, clean.sigma_px, 0.03)
    one, two = solved(clean), solved(stray)
    assert abs(np.log(one.mm_per_px_x / two.mm_per_px_x)) < one.length_u_rel(0.0)
    assert "rule-nonlinear" not in {d.code for d in two.doubts}


def test_uneven_feeding_is_seen_and_widens_the_claim():
    clean = rule(capture(), (0, 0), 0, 250, rng=np.random.default_rng(RNG_SEED))
    bend = 2.0 * np.sin(clean.at_mm / 250 * np.pi)  # px: 0.17 mm
    bent = Control("rule 7", "drawn rule", PxPoints(clean.places.xy + bend[:, None] * [1, 0]), clean.at_mm,
                   clean.sigma_px, 0.03)
    found = solved(bent)
    text = next(d.text for d in found.doubts if d.code == "rule-nonlinear")
    assert "rule 7" in text
    assert 0.05 < found.uneven_mm < 0.17
    assert found.length_u_rel(0.0) > 50 * solved(clean).length_u_rel(0.0)


def test_residuals_are_millimetres_along_each_rule():
    rng = np.random.default_rng(RNG_SEED)
    found = solved(rule(capture(), (0, 0), 0, 250, rng=rng, name="a"), rule(capture(), (0, 0), 90, 120, rng=rng,
                                                                         name="b"))
    assert found.names == ("a", "b")
    assert [len(r) for r in found.residuals_mm] == [251, 121]
    for residuals in found.residuals_mm:
        assert np.std(residuals) == pytest.approx(0.03 / PX_PER_MM, rel=0.25)


def test_places_that_run_against_the_millimetres_are_the_same_rule():
    to_px = capture(1.01, 1.0)
    forth = rule(to_px, (0, 0), 0, 250)
    back = Control("back", "drawn rule", PxPoints(forth.places.xy[::-1]), forth.at_mm, forth.sigma_px, 0.03)
    assert solved(back).mm_per_px_x == pytest.approx(solved(forth).mm_per_px_x, rel=1e-12)


def test_all_places_equal_is_a_wrong_call():
    same = Control("r", "span", PxPoints([[1.0, 1.0], [1.0, 1.0]]), np.array([0.0, 5.0]), np.array([0.1, 0.1]), 0.1)
    with pytest.raises(ValueError, match="same"):
        solve([same])

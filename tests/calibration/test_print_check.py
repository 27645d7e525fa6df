import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.coverage import half_width
from calibration.feed import feed_test
from calibration.print_check import Tolerance, held, implausible, judge, setting, single_setting
from calibration.print_factors import DPI, LAID, print_factors
from tests.bench.print_points import KINDS, point_case
from tests.calibration.test_solve import PX_PER_MM, capture, rule

PAPER = (1 / PX_PER_MM, 1 / PX_PER_MM)
RNG_SEED = 31


def drawn(to_px, *, rng=None):
    return [rule(to_px, (20, 20), 0, 250, name="one", rng=rng), rule(to_px, (10, 30), 90, 300, name="two", rng=rng)]


def laid(glass, *, rng=None):
    return [rule(glass, (0, 0), a, 300, source="laid rule", name=f"laid {a}", rng=rng) for a in (0.7, 89.2)]


@pytest.mark.parametrize("skew", [0.0, 1.5, -4.0])
def test_drawn_against_laid_gives_the_copiers_factors_along_the_plans_own_axes(skew):
    to_px = capture(1.013, 0.992, 0.001, skew)
    found = print_factors(drawn(to_px), laid(capture(skew_deg=0.0)), PAPER)
    # exact places; what is left is the pull of what machines usually do, a millionth or two
    assert found.x.value == pytest.approx(1.013, abs=3e-6)
    assert found.y.value == pytest.approx(np.hypot(0.992, 0.001), abs=3e-6)
    assert found.shear.value == pytest.approx(-0.001, abs=1e-4)  # the picture's y is down, the copy's up
    assert found.axis_rad == pytest.approx(np.deg2rad(skew), abs=1e-9)
    assert found.paper_by == LAID
    assert (found.x.measured, found.y.measured, found.shear.measured) == (True, True, True)


@settings(deadline=None)
@given(st.floats(0.97, 1.03), st.floats(0.97, 1.03), st.floats(-4.0, 4.0), st.floats(-1.5, 1.5))
def test_swapping_drawn_and_laid_turns_the_factor_over(x, y, skew, tilt):
    to_px = capture(x, y, 0.0, skew)
    glass = capture()
    paper = [rule(glass, (0, 0), skew + a, 300, source="laid rule", name=f"laid {a}") for a in (0, 90)]
    one = print_factors(drawn(to_px), paper, PAPER)
    other = print_factors(paper, drawn(to_px), PAPER)
    assert one.x.value * other.x.value == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("skew", [0.0, 3.0])
def test_the_scanners_resolution_claims_no_less_than_what_such_scanners_do(skew):
    found = print_factors(drawn(capture(1.01, 1.0, 0.0, skew)), [], PAPER)
    assert found.paper_by == DPI
    assert found.x.value == pytest.approx(1.01, abs=1e-5)
    assert found.x.u95 == pytest.approx(0.95 * 0.003, rel=0.02)


def test_a_direction_without_a_drawn_length_is_not_measured():
    found = print_factors(drawn(capture(1.013, 0.992))[:1], laid(capture()), PAPER)
    assert found.x.measured
    assert not found.y.measured
    assert found.y.u95 > 0.02


@pytest.mark.parametrize("count", [70, pytest.param(200, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", KINDS)
def test_the_intervals_hold_the_truth_in_95_of_100(kind, count):
    """400 axes (200 of one ruler) scatter by 1.1 % (1.5 %) about 95 %; the limits are three times that."""
    inside = []
    for number in range(count):
        found, true = point_case(kind, np.random.default_rng([RNG_SEED, KINDS.index(kind), number]))
        inside += [abs(e.value - t) <= e.u95 for e, t in zip((found.x, found.y), true, strict=True) if e.measured]
    assert abs(np.mean(inside) - 0.95) <= 3.2 * np.sqrt(0.95 * 0.05 / len(inside))


def test_a_limit_is_not_widened_as_if_it_were_normal():
    assert half_width(0.0, [0.5]) == pytest.approx(0.475)
    assert half_width(0.2, []) == pytest.approx(0.392, abs=5e-4)


@given(st.floats(0.0, 3.0), st.lists(st.floats(0.0, 3.0), max_size=4))
def test_more_error_is_never_a_narrower_interval(u, limits):
    assert half_width(u, [*limits, 0.5]) >= half_width(u, limits) - 2e-3 * (u + sum(limits) + 1)
    assert half_width(u, limits) <= 1.97 * u + sum(limits) + 1e-6


@pytest.mark.parametrize(
    ("off", "u95", "answer"),
    [(0.0002, 0.0003, "true"), (0.0008, 0.0003, "cannot tell"), (0.0012, 0.0003, "cannot tell"),
     (0.0015, 0.0003, "not true"), (-0.0015, 0.0003, "not true"), (0.0, 0.003, "cannot tell")],
)
def test_the_whole_interval_must_be_on_one_side_of_the_tolerance(off, u95, answer):
    assert held(off, u95, 0.001).answer == answer


def test_a_tolerance_in_mm_needs_the_body():
    found = print_factors(drawn(capture(1.0005, 1.0)), laid(capture()), PAPER)
    half_mm = Tolerance(share=None, mm=0.5)
    assert judge(found, half_mm, (400.0, 500.0), ()).answer == "true"  # 0.2 mm
    assert judge(found, half_mm, (1200.0, 500.0), ()).x.answer == "not true"  # 0.6 mm
    assert judge(found, half_mm, (None, None), ()).answer == "cannot tell"


def test_a_copy_too_large_is_asked_for_smaller():
    found = print_factors(drawn(capture(1.013, 0.992)), laid(capture()), PAPER)
    assert setting(found.x) == pytest.approx(98.717, abs=1e-3)
    assert setting(found.y) == pytest.approx(100.806, abs=1e-3)


@given(st.floats(0.97, 1.03), st.floats(0.97, 1.03), st.floats(150, 600), st.floats(150, 600))
def test_no_other_single_setting_leaves_less(x, y, wide, long):
    percent, left = single_setting((x, y), (wide, long), step=0.1)
    for other in np.arange(96.5, 103.6, 0.1):
        worst = max(abs(wide * (x * other / 100 - 1)), abs(long * (y * other / 100 - 1)))
        assert left <= worst + 1e-6
    assert percent == pytest.approx(round(percent, 1), abs=1e-6)


def test_a_factor_that_no_copier_makes_is_implausible():
    assert implausible(print_factors(drawn(capture(1.3, 1.0)), laid(capture()), PAPER))
    assert not implausible(print_factors(drawn(capture(1.02, 0.98)), laid(capture()), PAPER))


def test_an_even_feed_is_not_called_uneven():
    rng = np.random.default_rng(RNG_SEED)
    at = np.arange(0.0, 301.0)
    tests = [feed_test("rule", at, rng.normal(0, 0.03, len(at))) for _ in range(300)]
    assert sum(test.chance < 0.05 for test in tests) <= 30  # 5 in 100 of even ones, and twice that is already rare
    assert not any(test.proven for test in tests)


@pytest.mark.parametrize("size", [0.15, 0.5, 2.0])
def test_a_wave_in_the_feed_is_proven_and_shown(size):
    at = np.arange(0.0, 301.0)
    off = size * np.sin(2 * np.pi * at / 150.0) + np.random.default_rng(RNG_SEED).normal(0, 0.03, len(at))
    test = feed_test("rule", at, off)
    assert test.proven
    assert 0.6 * size < test.peak_mm < 1.5 * size

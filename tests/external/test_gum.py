"""Uncertainty arithmetic against JCGM 100:2008 (GUM) and JCGM 101:2008 worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.budget import Budget, Term, coverage_factor, rectangular_u, resolution_u, triangular_u
from calibration.controls import Control
from calibration.coverage import half_width
from calibration.frames import PxPoints
from calibration.linefit import fit_line
from calibration.measures import measure_control

NM = 1e-6  # mm


def end_gauge() -> Budget:
    """GUM H.1, table H.1: an end gauge of 50 mm."""
    length_nm = 50_000_623.0
    difference = Budget((
        Term("repeat", 5.8 * NM, "", 24),
        Term("comparator, random", 3.9 * NM, "10 nm at 95 %", 5),
        Term("comparator, systematic", 6.7 * NM, "", 8),
    ))
    spread_u, warmth_u = rectangular_u(1e-6), rectangular_u(0.05)
    return Budget((
        Term("standard", 75 / 3 * NM, "", 18),
        Term("difference", difference.u_mm, "", 25.6),
        Term("expansion difference", length_nm * 0.1 * spread_u * NM, "", 50),
        Term("temperature difference", length_nm * 11.5e-6 * warmth_u * NM, "", 2),
    ))


def test_end_gauge_contributions():
    """GUM H.1.5: 25, 9.7, 2.9 and 16.6 nm (16.7 unrounded)."""
    got = [term.u_mm / NM for term in end_gauge().terms]
    assert got == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.09)


def test_end_gauge_result():
    """GUM H.1.5-H.1.6: u_c = 32 nm, 16 effective degrees of freedom, t99 = 2.92, U99 = 93 nm."""
    budget = end_gauge()
    assert round(budget.u_mm / NM) == 32
    assert budget.dof == 16
    assert coverage_factor(0.99, 16) == pytest.approx(2.92, abs=5e-3)
    # the GUM multiplies rounded figures, 2.92 x 32; unrounded inputs give 92.5
    assert round(coverage_factor(0.99, budget.dof) * round(budget.u_mm / NM)) == 93
    assert budget.expanded_mm(0.99) / NM == pytest.approx(93, abs=1.0)


def test_thermometer_line():
    """GUM H.3, table H.6: correction of a thermometer as a line about 20 degrees, and at 30."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    fit = fit_line(t - 20.0, b)
    assert (fit.intercept, fit.intercept_u) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (fit.slope, fit.slope_u) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert fit.correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert float(np.sum(fit.residuals**2)) == pytest.approx(1.10097e-4, rel=1e-5)
    assert fit.predict(10.0) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert fit.dof == 9


@pytest.mark.parametrize(
    ("dof", "factor"), [(3, 3.182), (4, 2.776), (5, 2.571), (9, 2.262), (10, 2.228), (math.inf, 1.960)]
)
def test_student_table(dof, factor):
    """GUM table G.2, 95 % two-sided."""
    assert coverage_factor(0.95, dof) == pytest.approx(factor, abs=5e-4)


def test_shapes_of_limits():
    """GUM 4.3.7, 4.3.9, F.2.2.1 (from memory), each checked by drawing many values."""
    rng = np.random.default_rng(3)
    many = 400_000
    assert rectangular_u(0.5) == pytest.approx(rng.uniform(-0.5, 0.5, many).std(), rel=0.005)
    assert triangular_u(0.5) == pytest.approx(rng.triangular(-0.5, 0, 0.5, many).std(), rel=0.005)
    values = rng.uniform(0, 100, many)
    assert resolution_u(1.0) == pytest.approx((values - np.round(values)).std(), rel=0.005)


def test_sum_of_four_normals():
    """JCGM 101:2008 9.2, table 2: u = 2.00, 95 % within 3.92; by the budget and by Monte Carlo."""
    budget = Budget(tuple(Term(str(i), 1.0, "") for i in range(4)))
    assert budget.u_mm == pytest.approx(2.00, abs=5e-3)
    assert budget.u95_mm == pytest.approx(3.92, abs=5e-3)
    total = np.random.default_rng(5).normal(size=(4, 400_000)).sum(0)
    assert np.mean(np.abs(total) <= budget.u95_mm) == pytest.approx(0.95, abs=0.0015)


def test_sum_of_four_rectangles():
    """JCGM 101:2008 9.2, table 3: u = 2.00, 95 % within 3.88; the budget's 3.92 is a little wide."""
    budget = Budget(tuple(Term(str(i), rectangular_u(math.sqrt(3)), "") for i in range(4)))
    assert budget.u_mm == pytest.approx(2.00, abs=5e-3)
    total = np.random.default_rng(5).uniform(-math.sqrt(3), math.sqrt(3), (4, 400_000)).sum(0)
    assert np.quantile(np.abs(total), 0.95) == pytest.approx(3.88, abs=0.01)
    assert np.mean(np.abs(total) <= budget.u95_mm) >= 0.95


def test_four_normals_and_four_rectangles_as_whole_distributions():
    """JCGM 101:2008 9.2, tables 2 and 3: +-3.92 of normals, +-3.88 of rectangles, where the GUM's factor says 3.92."""
    assert half_width(2.0, []) == pytest.approx(3.92, abs=5e-3)
    assert half_width(0.0, [math.sqrt(3)] * 4) == pytest.approx(3.88, abs=5e-3)


def test_a_sum_that_one_rectangle_rules():
    """JCGM 101:2008 9.2.4, table 4 (from memory): u = 10.1, 95 % within 17.0, where the GUM's factor says 19.9."""
    limits = [math.sqrt(3)] * 3 + [10 * math.sqrt(3)]
    assert half_width(0.0, limits) == pytest.approx(17.0, abs=0.05)
    budget = Budget(tuple(Term(str(i), rectangular_u(limit), "") for i, limit in enumerate(limits)))
    assert budget.u_mm == pytest.approx(10.1, abs=0.05)
    assert budget.u95_mm == pytest.approx(19.9, abs=0.05)
    rng = np.random.default_rng(7)
    total = sum(rng.uniform(-limit, limit, 400_000) for limit in limits)
    assert np.quantile(np.abs(total), 0.95) == pytest.approx(half_width(0.0, limits), rel=3e-3)


def test_a_line_and_its_prediction_through_the_measures_of_a_rule():
    """GUM H.3, table H.6, as a rule: the thermometer's correction for graduations, its slope for the scale."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    sigma = np.full(len(t), 0.0035)  # the residual standard deviation that the GUM finds
    places = PxPoints(np.stack([t + b, np.zeros_like(t)], axis=1))
    measure = measure_control(Control("thermometer", "drawn rule", places, t, sigma, 0.0))
    # mm per px is one over 1 + 0.00218, and its relative uncertainty 0.00067 / 1.00218
    assert math.exp(-measure.log_mm_per_px) - 1.0 == pytest.approx(0.00218, abs=5e-6)
    assert measure.log_u == pytest.approx(0.00067, abs=1e-5)

"""Errors in both axes: Pearson's data with York's weights (York 1966; York et al. 2004, Am. J. Phys. 72, 367)."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.linefit import fit_line_both

X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WEIGHT_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
WEIGHT_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def test_pearson_york():
    fit = fit_line_both(X, Y, WEIGHT_X**-0.5, WEIGHT_Y**-0.5)
    assert fit.intercept == pytest.approx(5.47991022, abs=5e-9)
    assert fit.slope == pytest.approx(-0.480533407, abs=5e-10)
    assert fit.chi2 / fit.dof == pytest.approx(1.48329, abs=5e-6)
    # standard errors of York 2004; Kalantar's 0.29193, 0.057617 follow another formula
    assert fit.intercept_u == pytest.approx(0.294971, abs=5e-7)
    assert fit.slope_u == pytest.approx(0.0579850, abs=5e-8)


def test_swapping_the_axes_gives_the_same_line():
    """A line with errors in both axes does not depend on which one is called x."""
    fit = fit_line_both(X, Y, WEIGHT_X**-0.5, WEIGHT_Y**-0.5)
    swapped = fit_line_both(Y, X, WEIGHT_Y**-0.5, WEIGHT_X**-0.5)
    assert swapped.slope == pytest.approx(1 / fit.slope, rel=1e-9)
    assert swapped.chi2 == pytest.approx(fit.chi2, rel=1e-9)

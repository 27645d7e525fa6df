"""Line fits against certified and published values. Data and values are typed from the sources named."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.linefit import fit_line, fit_line_robust


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), float)


# NIST/ITL Statistical Reference Datasets, Norris.dat
NORRIS_X = numbers(
    ".2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777 558.2 .4 .6 775.5 666.9 338 447.5 11.6 556 228.1 995.8"
    " 887.6 120.2 .3 .3 556.8 339.1 887.2 999 779 11.1 118.3 229.2 669.1 448.9 .5"
)
NORRIS_Y = numbers(
    ".1 338.8 118.1 888 9.2 228.1 668.5 998.5 449.1 778.9 559.2 .3 .1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 998"
    " 888.8 119.6 .3 .6 557.6 339.3 888 998.5 778.9 10.2 117.6 228.9 668.4 449.2 .2"
)


def test_norris_certified_values():
    """NIST/ITL StRD, linear regression, Norris: certified values."""
    fit = fit_line(NORRIS_X, NORRIS_Y)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert fit.intercept_u == pytest.approx(0.232818234301152, rel=1e-11)
    assert fit.slope_u == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    error = float(np.sum(fit.residuals**2))
    total = float(np.sum((NORRIS_Y - NORRIS_Y.mean()) ** 2))
    assert error == pytest.approx(26.6173985294224, rel=1e-11)
    assert total - error == pytest.approx(4255954.13232369, rel=1e-12)
    assert 1 - error / total == pytest.approx(0.999993745883712, rel=1e-13)
    assert (total - error) / (error / fit.dof) == pytest.approx(5436385.54079785, rel=1e-10)


def test_norris_through_the_fit_that_rules_use():
    """The robust fit gives the certified line too: no point of Norris is a stray."""
    fit = fit_line_robust(NORRIS_X, NORRIS_Y, np.full(36, 0.884796396144373))
    assert fit.used.all()
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)


def test_noint1_certified_values():
    """NIST/ITL StRD, linear regression, NoInt1 (through the origin): certified values."""
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = fit_line(x, y, through_origin=True)
    assert fit.intercept == 0.0
    assert fit.slope == pytest.approx(2.07438016528926, rel=1e-13)
    assert fit.slope_u == pytest.approx(0.0165289256198347, rel=1e-12)
    assert fit.residual_sd == pytest.approx(3.56753034006338, rel=1e-12)
    assert fit.dof == 10
    assert 1 - np.sum(fit.residuals**2) / np.sum(y**2) == pytest.approx(0.999365492298663, rel=1e-13)


def test_natrella_line():
    """M. G. Natrella, Experimental Statistics, NBS Handbook 91, section 5-4.1 worksheet."""
    x = numbers("30 100 200 300 400 500 600 700 800 900 1000 1100 1200 1300 1400 1500")
    y = numbers("4642 4612 4565 4513 4476 4433 4389 4347 4303 4251 4201 4140 4100 4073 4024 3999")
    fit = fit_line(x, y)
    assert fit.slope == pytest.approx(-0.44985482, abs=5e-9)
    assert fit.slope_u**2 == pytest.approx(2.5649045e-5, rel=1e-6)
    assert fit.intercept == pytest.approx(4654.9846, abs=5e-5)
    assert fit.intercept_u**2 == pytest.approx(19.879452, rel=1e-6)
    assert fit.residual_sd == pytest.approx(9.277617, abs=5e-6)

"""The slope's own uncertainty, however neighbouring points err."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from calibration.linefit import fit_line_robust
from digitize.rule.records import SEEN_CYCLES

SEED = 31
TRIALS = 400
AT = np.arange(0.0, 201.0)
SIGMA = 0.2


def white(rng):
    return rng.normal(0.0, SIGMA, len(AT))


def alike(rng):
    """Neighbours share most of their error: flaws of a line, blotches."""
    return lfilter([0.6], [1.0, -0.8], rng.normal(0.0, SIGMA, 300))[-len(AT):]


def against(rng):
    """Neighbours err against each other."""
    return lfilter([1.0, -0.6], [1.0], rng.normal(0.0, SIGMA, 300))[-len(AT):]


def pixels(rng):
    """A 1-bit picture: every place is moved to a whole pixel, 7 to 20 of them to a graduation."""
    pitch, start = rng.uniform(7.0, 20.0), rng.uniform(0.0, 1.0)
    at = start + pitch * AT
    return np.round(at) - at


def held(noise, claimed=SIGMA):
    rng = np.random.default_rng(SEED)
    fits = [fit_line_robust(AT, 3.0 + noise(rng), np.full(len(AT), claimed)) for _ in range(TRIALS)]
    slopes, claims = np.array([(fit.slope, fit.slope_u) for fit in fits]).T
    return float(np.mean(np.abs(slopes) <= 1.96 * claims)), float(np.median(claims) / np.std(slopes))


@pytest.mark.parametrize("noise", [white, alike, against])
def test_intervals_hold_as_often_as_they_say(noise):
    """95 % of 400, give or take 2.3 standard errors; the claim is not far above what happens either."""
    share, times = held(noise)
    assert 0.925 <= share <= 0.985
    assert 0.8 < times < 1.5


def test_pixels_that_cancel_are_not_counted_as_if_they_added_up():
    """What the pixel grid does to graduations averages out over them; claimed 0.6 px a graduation, it would be 0.06."""
    share, _ = held(pixels, np.sqrt(1.0 / 12.0))
    assert share >= 0.95
    fits = [
        fit_line_robust(AT, pixels(np.random.default_rng([SEED, n])), np.full(len(AT), np.sqrt(1 / 12)))
        for n in range(100)
    ]
    alone = np.sqrt(1 / 12) / np.sqrt(np.sum((AT - AT.mean()) ** 2))
    assert np.median([fit.slope_u for fit in fits]) < 0.7 * alone


@pytest.mark.parametrize("count", [16, 60, 201])
@pytest.mark.parametrize("cycles", [SEEN_CYCLES, 1.5, 2.0, 3.3, 5.0])
def test_a_wave_of_some_cycles_is_told_by_its_residuals(count, cycles):
    """Over all phases the slope errs by no more than it claims: nothing need be added for such a wave."""
    at = np.arange(float(count))
    phases = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    fits = [
        fit_line_robust(at, np.sin(2 * np.pi * cycles * at / (count - 1) + phase), np.full(count, 1.0))
        for phase in phases
    ]
    errors, claims = np.array([(fit.slope, fit.slope_u) for fit in fits]).T
    assert np.sqrt(np.mean(errors**2)) <= np.sqrt(np.mean(claims**2))


def test_a_wave_of_less_than_one_cycle_is_not():
    """Which is why the pixel grid's own term stays there (``digitize.rule.records``)."""
    phases = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    fits = [fit_line_robust(AT, np.sin(1.2 * np.pi * AT / 200 + phase), np.full(len(AT), 0.01)) for phase in phases]
    errors, claims = np.array([(fit.slope, fit.slope_u) for fit in fits]).T
    assert np.sqrt(np.mean(errors**2)) > 2.0 * np.sqrt(np.mean(claims**2))


def test_a_claim_never_falls_far_below_the_stated_sigma():
    """Places that agree perfectly are still places read off pixels."""
    fit = fit_line_robust(AT, 2.0 * AT, np.full(len(AT), SIGMA))
    alone = SIGMA / np.sqrt(np.sum((AT - AT.mean()) ** 2))
    assert fit.slope_u == pytest.approx(0.25 * alone)


def test_few_points_are_taken_as_independent():
    fit = fit_line_robust(AT[:5], AT[:5], np.full(5, SIGMA))
    alone = SIGMA / np.sqrt(np.sum((AT[:5] - 2.0) ** 2))
    assert fit.slope_u == pytest.approx(alone)

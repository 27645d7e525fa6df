"""A lens from shots of a board: OpenCV's projector is the truth, with a known lens and noise."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import binom, chi2

from calibration.chessboard import BoardShot, MeasuredLens, measure_lens
from calibration.frames import FloatArray, PxPoints
from calibration.solve import FailedFit

SIZE = (1600, 1200)
AT_MM = 25.0 * np.stack(np.meshgrid(np.arange(9.0), np.arange(6.0)), axis=2).reshape(-1, 2)
CORNER_PX = 0.2  # 1 sigma of a corner; OpenCV's own samples show as much
PLAIN = np.array([-0.08, 0.01, 0.0, 0.0, 0.0])


def shots_of(rng, count: int, tilt_deg: tuple[float, float], terms: FloatArray, bent_mm: float = 0.0):
    """Shots with the whole board in the picture, and what is true of the lens: focal, centre, k1, k2, p1, p2."""
    focal = rng.uniform(0.75, 0.95) * SIZE[0]
    centre = (np.array(SIZE) - 1) / 2 + rng.normal(0, 8, 2)
    matrix = np.array([[focal, 0.0, centre[0]], [0.0, focal, centre[1]], [0.0, 0.0, 1.0]])
    middle = AT_MM.mean(axis=0)
    rise = bent_mm * (1.0 - ((AT_MM[:, 0] - middle[0]) / 100.0) ** 2)
    board = np.column_stack([AT_MM, rise])
    shots: list[BoardShot] = []
    while len(shots) < count:
        toward, tilt = rng.uniform(0, 2 * np.pi), np.deg2rad(rng.uniform(*tilt_deg))
        spin = cv2.Rodrigues(np.array([0.0, 0.0, rng.uniform(-0.3, 0.3) + rng.integers(2) * np.pi / 2]))[0]
        turn = cv2.Rodrigues(tilt * np.array([np.cos(toward), np.sin(toward), 0.0]))[0] @ spin
        place = np.array([rng.uniform(-80, 80), rng.uniform(-60, 60), rng.uniform(260, 420)]) - turn[:, :2] @ middle
        seen = cv2.projectPoints(board, cv2.Rodrigues(turn)[0], place, matrix, terms)[0][:, 0]
        if np.all(seen > 5.0) and np.all(seen < np.array(SIZE) - 6.0):
            noisy = PxPoints(seen + rng.normal(0, CORNER_PX, seen.shape))
            shots.append(BoardShot(f"shot {len(shots) + 1}", noisy, AT_MM))
    return shots, np.array([focal, *centre, *terms[:4]])


def any_terms(rng) -> FloatArray:
    return np.array([rng.uniform(-0.15, 0.10), rng.uniform(-0.03, 0.03), *rng.normal(0, 5e-4, 2), 0.0])


def measured(shots) -> MeasuredLens:
    found = measure_lens(shots, SIZE)
    assert isinstance(found, MeasuredLens), found.doubt
    return found


@pytest.mark.parametrize("calibrations", [15, pytest.param(40, marks=pytest.mark.slow)])
def test_the_stated_sigmas_hold(calibrations):
    """Ten shots each: the truth lies within 95 % limits in as many made calibrations as it should, for every number."""
    scaled = []
    for seed in range(calibrations):
        rng = np.random.default_rng(seed)
        shots, truth = shots_of(rng, 10, (15.0, 40.0), any_terms(rng))
        found = measured(shots)
        lens, sigma = found.lens, found.sigma
        got = np.array([lens.focal_px, *lens.centre_px, *lens.terms])
        u = np.array([sigma.focal_px, *sigma.centre_px, sigma.k1, sigma.k2, sigma.p1, sigma.p2])
        scaled.append((got - truth) / u)
        assert found.rms_px == pytest.approx(CORNER_PX * np.sqrt(2.0), rel=0.1)  # of distances, so of both axes
    inside = np.sum(np.abs(scaled) < 1.96, axis=0)
    assert inside.min() >= binom.ppf(0.05, calibrations, 0.95), inside  # 36 of 40, 13 of 15
    # nor are they so wide that they say nothing: chance gives 0.77 at least of 40 (97.5 %), leaving out takes a little
    least = np.sqrt(chi2.ppf(0.025, calibrations - 1) / calibrations)
    assert np.std(scaled, axis=0).min() > 0.78 * least


def test_what_four_terms_leave_out_is_told():
    """A lens with k3: the places it bends to are known within what the sigmas say."""
    rng = np.random.default_rng(5)
    shots, _ = shots_of(rng, 12, (15.0, 40.0), np.array([-0.1, 0.0, 0.0, 0.0, 0.1]))
    plain, _ = shots_of(np.random.default_rng(5), 12, (15.0, 40.0), np.array([-0.1, 0.0, 0.0, 0.0, 0.0]))
    bent, straight = measured(shots), measured(plain)
    assert abs(bent.k3 - 0.1) < 3 * bent.k3_u
    assert abs(straight.k3) < 3 * straight.k3_u
    assert bent.sigma.k3 > 1.5 * straight.sigma.k3


@pytest.mark.parametrize("steepest_deg", [0.01, 2.0, 5.0])
def test_shots_from_straight_above_leave_the_lens_open(steepest_deg):
    rng = np.random.default_rng(3)
    shots, _ = shots_of(rng, 8, (0.0, steepest_deg), any_terms(rng))
    found = measure_lens(shots, SIZE)
    assert isinstance(found, FailedFit)
    assert found.code == "lens-open"
    assert "four different directions" in found.doubt.remedy


@pytest.mark.parametrize("bent_mm", [0.3, pytest.param(1.0, marks=pytest.mark.slow), 3.0])
def test_a_bowed_board_does_not_bend_the_lens(bent_mm):
    """Taken for flat, a bow of 0.3 mm moves the focal length by eleven of its sigmas; so it is adjusted too."""
    off = []
    for seed in range(6):
        shots, truth = shots_of(np.random.default_rng(seed), 12, (15.0, 40.0), PLAIN, bent_mm)
        found = measured(shots)
        off.append([(found.lens.focal_px - truth[0]) / found.sigma.focal_px, (found.lens.k1 + 0.08) / found.sigma.k1])
        assert found.bow_mm == pytest.approx(bent_mm, rel=0.2)  # 100 mm from its middle, where its last corners are
    assert np.abs(off).max() < 3.0  # 12 of them


def test_a_stretched_board_does_not_either():
    """Paper fed 0.5 % short."""
    off = []
    for seed in range(6):
        shots, truth = shots_of(np.random.default_rng(seed), 12, (15.0, 40.0), PLAIN)
        told = [BoardShot(shot.name, shot.corners, shot.at_mm * [1.005, 1.0]) for shot in shots]
        found = measured(told)
        off.append((found.lens.focal_px - truth[0]) / found.sigma.focal_px)
    assert np.abs(off).max() < 3.0


def test_corners_that_fit_no_board_are_refused():
    shots, _ = shots_of(np.random.default_rng(8), 8, (15.0, 40.0), np.zeros(5))
    wild = shots[2].corners.xy + np.random.default_rng(1).normal(0, 6.0, (54, 2))
    shots[2] = BoardShot("wild", PxPoints(wild), AT_MM)
    found = measure_lens(shots, SIZE)
    assert isinstance(found, FailedFit)
    assert found.code == "lens-residual"
    assert "wild" in found.doubt.text


def test_one_shot_too_few_is_a_wrong_call():
    shots, _ = shots_of(np.random.default_rng(1), 4, (15.0, 40.0), np.zeros(5))
    with pytest.raises(ValueError, match="5 shots"):
        measure_lens(shots, SIZE)

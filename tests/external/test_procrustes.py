"""The part's fit against scipy.linalg.orthogonal_procrustes (Schoenemann, Psychometrika 31, 1966)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import orthogonal_procrustes

from calibration.frames import FloatArray
from calibration.part_fit import fit_part

CERTAIN = np.diag([1e-12, 1e-12, 1e-12]) ** 2


@pytest.mark.parametrize("mirrored", [False, True])
def test_with_known_counterparts_the_fit_is_procrustes(mirrored: bool) -> None:
    """Each place counts twice, across x and across y of its counterpart: that is the sum of squared distances."""
    rng = np.random.default_rng(5)
    target = rng.uniform(-150.0, 150.0, (60, 2))
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    # Far below the fit's least scatter, so that its robust weights are all 1.
    measured = target @ (turn @ flip).T + (40.0, -25.0) + 2e-4 * rng.standard_normal((60, 2))

    def nearest(places: FloatArray) -> tuple[FloatArray, FloatArray]:
        return np.repeat(target, 2, axis=0), np.tile([[1.0, 0.0], [0.0, 1.0]], (len(target), 1))

    start = np.column_stack([flip @ turn.T, -flip @ turn.T @ np.array([41.0, -25.5])])
    fit = fit_part(np.repeat(measured, 2, axis=0), nearest, start, CERTAIN)

    rotation, _ = orthogonal_procrustes(measured - measured.mean(axis=0), target - target.mean(axis=0))
    assert np.sign(np.linalg.det(rotation)) == (-1.0 if mirrored else 1.0)
    assert fit.matrix[:, :2] == pytest.approx(rotation.T, abs=1e-8)
    shift = target.mean(axis=0) - rotation.T @ measured.mean(axis=0)
    assert fit.matrix[:, 2] == pytest.approx(shift, abs=1e-6)

"""The size of a whole contour: half an egg from points alone, with what the scale may have wrong in it."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.frames import FloatArray
from calibration.part_fit import PartFit, fit_part
from calibration.part_size import freed, part_size, size_explains
from digitize.part_edge import nearest_on
from tests.digitize.test_fit_judged import HERE, egg

EXACT = 1e-14 * np.eye(3)
# 1 sigma of the scales along x and y and of the shear: two good rules, and one rule with nothing the other way.
RULES = {"two rules": np.diag([4e-4, 6e-4, 5e-4]) ** 2, "one rule": np.diag([4e-4, 1e-2, 2e-3]) ** 2}
CURVE = egg()
NEAREST = nearest_on(CURVE)


def lying(size: float, strain: FloatArray, off_mm: FloatArray | float, rng: np.random.Generator) -> FloatArray:
    """The egg's edge, so many times too large and ``off_mm`` out, as a scale with strains sees it; sheet mm."""
    off = off_mm + 0.02 * rng.standard_normal(len(CURVE.xy_mm))
    x, y, shear = strain
    seen = np.array([[1.0 + x, shear / 2.0], [shear / 2.0, 1.0 + y]])
    return np.asarray((size * CURVE.xy_mm + off[:, None] * CURVE.normal) @ seen.T)


def fitted(points: FloatArray, covariance: FloatArray) -> PartFit:
    return fit_part(points, NEAREST, HERE, covariance)


@pytest.mark.parametrize("rules", RULES)
def test_a_size_is_told_within_what_it_claims(rules: str) -> None:
    covariance = RULES[rules]
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(40):
        size = 1.0 + rng.uniform(-0.04, 0.04)
        strain = rng.multivariate_normal(np.zeros(3), covariance)
        found = part_size(fitted(lying(size, strain, 0.0, rng), freed(covariance)), covariance)
        ratios.append((1.0 + found.share - size) / found.u)
    # Forty draws: the root mean square of a right claim lies within 0.75 and 1.25 in 97 of 100 such tests.
    assert 0.75 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.25


def explains(points: FloatArray, covariance: FloatArray) -> bool:
    return size_explains(fitted(points, freed(covariance)), fitted(points, EXACT))


def test_a_wrong_size_explains_what_a_place_or_an_edge_left_standing_does_not() -> None:
    rng = np.random.default_rng(6)
    covariance, straight = RULES["two rules"], np.zeros(3)
    place = np.clip(4.0 * (0.5 - np.abs(CURVE.along_mm - 150.0) / 40.0), 0.0, 1.0)
    assert explains(lying(1.02, straight, 0.0, rng), covariance)
    assert explains(lying(0.995, straight, 0.6 * place, rng), covariance)
    assert not explains(lying(1.0, straight, 0.0, rng), covariance)
    assert not explains(lying(1.0, straight, 0.6 * place, rng), covariance)
    assert not explains(lying(1.0, straight, 0.6, rng), covariance)  # wood left all along

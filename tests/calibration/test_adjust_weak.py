from __future__ import annotations

import numpy as np
import pytest

from calibration.adjust_weak import _inverse


@pytest.mark.parametrize("seed", range(20))
def test_what_rounding_leaves_of_nothing_is_never_a_variance_below_zero(seed: int) -> None:
    """Sums of squares of rows that fix all but one combination of the unknowns, which are of very unlike sizes."""
    rng = np.random.default_rng(seed)
    free = rng.normal(size=8)
    rows = rng.normal(size=(40, 8))
    rows -= np.outer(rows @ free, free) / (free @ free)
    size = 10.0 ** rng.uniform(-3, 4, 8)
    matrix = (rows * size).T @ (rows * size)
    inverse = _inverse(matrix)
    variances = np.diag(inverse) * size**2  # each has a share of what nothing fixes
    assert (variances > 1e6 * free**2 / (free @ free)).all()


def test_a_sound_matrix_is_inverted_as_usual() -> None:
    rng = np.random.default_rng(1)
    rows = rng.normal(size=(40, 8)) * 10.0 ** rng.uniform(-2, 2, 8)
    assert np.allclose(_inverse(rows.T @ rows) @ (rows.T @ rows), np.eye(8), atol=1e-9)

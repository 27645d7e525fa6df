"""The comparison is checked on curves whose distance is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import directed_hausdorff

from tests.bench.compare import best_rigid, carry, compare, rigid
from tests.maker import PlanSpec
from tests.maker.bodies import make_body

NONE = np.zeros((0, 2))


@pytest.fixture(scope="module")
def body():
    return make_body(PlanSpec(family="guitar", seed=3)).outline_mm


def test_a_moved_copy_fits_back_to_nothing(body):
    motion = rigid(np.array([0.31, -0.22]), 0.002)
    back = compare(carry(body, motion), body, NONE, NONE)
    assert back.max_mm < 0.002  # chords of 0.4 mm against chords of 0.4 mm, shifted along the curve
    np.testing.assert_allclose(back.frame_deg, -np.degrees(0.002), atol=1e-4)
    inverse = np.linalg.inv(np.vstack([motion, [0, 0, 1]]))[:2]
    np.testing.assert_allclose(best_rigid(carry(body, motion), body), inverse, atol=2e-4)


def test_an_enlarged_circle_is_off_by_the_difference_of_radii():
    at = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    ring = np.stack([np.cos(at), np.sin(at)], axis=1)
    got = compare(100.2 * ring, 100.0 * ring, NONE, NONE)
    assert got.rms_mm == pytest.approx(0.2, abs=1e-3)
    assert got.max_mm == pytest.approx(0.2, abs=1e-3)


def test_the_scale_of_a_moved_and_enlarged_body_with_a_bump_is_told(body):
    spoiled = carry(1.0007 * body, rigid(np.array([0.31, -0.22]), 0.002))
    assert compare(spoiled, body, NONE, NONE).scale == pytest.approx(1.0007, abs=2e-6)
    spoiled[900:905, 0] += 0.8
    assert compare(spoiled, body, NONE, NONE).scale == pytest.approx(1.0007, abs=5e-5)


def test_a_bump_shows_at_its_place_and_agrees_with_scipy(body):
    """The largest two-way distance is the Hausdorff distance (scipy.spatial.distance)."""
    spoiled = body.copy()
    spoiled[900:905, 0] += 0.8
    got = compare(spoiled, body, NONE, NONE)
    fitted = carry(spoiled, got.to_truth)
    dense = max(directed_hausdorff(fitted, body)[0], directed_hausdorff(body, fitted)[0])
    assert got.max_mm == pytest.approx(dense, abs=0.1)  # scipy compares points, 0.4 mm apart
    assert np.hypot(*(got.worst_at_mm - body[902])).min() < 2.0


def test_a_missing_corner_is_an_infinite_error():
    violin = make_body(PlanSpec(family="violin", seed=3))
    found = violin.corners_mm + np.array([0.1, 0.0])
    whole = compare(violin.outline_mm, violin.outline_mm, violin.corners_mm, found)
    assert whole.corner_mm == pytest.approx(0.1, abs=1e-6)
    lost = compare(violin.outline_mm, violin.outline_mm, violin.corners_mm, found[:3])
    assert lost.corner_mm == float("inf")


def test_the_frame_of_a_shifted_answer_is_told(body):
    got = compare(body - [0.05, -0.08], body, NONE, NONE)
    assert got.frame_x_mm == pytest.approx(0.05, abs=1e-3)
    assert got.frame_y_mm == pytest.approx(-0.08, abs=1e-3)

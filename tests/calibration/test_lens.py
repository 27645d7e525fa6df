"""The lens model against its own definition."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.frames import PxPoints
from calibration.lens import Lens

CENTRE = (2010.0, 1490.0)
FOCAL = 3300.0
RETURN_PX = 1e-9  # far below what a picture can show; the promise of the model


def spread(reach: float, count: int = 400) -> PxPoints:
    """Places evenly over a disc of this radius, in focal lengths."""
    number = np.arange(count) + 0.5
    radius, turn = reach * np.sqrt(number / count), number * 2.399963
    return PxPoints(CENTRE + FOCAL * radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], 1))


@pytest.mark.parametrize("k1", [-0.3, -0.15, -0.01, 0.0, 0.1, 0.25])
@pytest.mark.parametrize("k2", [-0.05, 0.0, 0.08])
@pytest.mark.parametrize("decentering", [(0.0, 0.0), (1e-3, -2e-3)])
def test_there_and_back(k1, k2, decentering):
    lens = Lens(CENTRE, FOCAL, k1, k2, *decentering)
    ideal = spread(0.9 * min(lens.reach, 1.0))
    back = lens.undistort(lens.distort(ideal))
    np.testing.assert_allclose(back.xy, ideal.xy, rtol=0, atol=RETURN_PX)
    seen = lens.distort(ideal)
    np.testing.assert_allclose(lens.distort(lens.undistort(seen)).xy, seen.xy, rtol=0, atol=RETURN_PX)


def test_the_definition_in_numbers():
    """Half a focal length out, k1 = -0.1, k2 = 0.02: 0.5 (1 - 0.1 / 4 + 0.02 / 16) = 0.488125."""
    lens = Lens((0.0, 0.0), 1000.0, -0.1, 0.02)
    np.testing.assert_allclose(lens.distort(PxPoints([[300.0, 400.0]])).xy, [[292.875, 390.5]], rtol=0, atol=1e-10)


def test_decentering_in_numbers():
    """Along x at 0.5: x gains p2 (r2 + 2 x2) = 0.75 p2, y gains p1 r2 = 0.25 p1 (Brown 1966; OpenCV's order)."""
    lens = Lens((0.0, 0.0), 1000.0, p1=0.002, p2=0.004)
    np.testing.assert_allclose(lens.distort(PxPoints([[500.0, 0.0]])).xy, [[503.0, 0.5]], rtol=0, atol=1e-10)


def test_reach_is_where_the_picture_folds_back():
    """r + k1 r^3 turns where 1 + 3 k1 r^2 = 0: at r = 1 / sqrt(0.9) for k1 = -0.3, seen at two thirds of that."""
    lens = Lens(CENTRE, FOCAL, -0.3)
    assert lens.reach == pytest.approx(1 / np.sqrt(0.9), rel=1e-12)
    edge_px = FOCAL * 2 / 3 / np.sqrt(0.9)
    inside, outside = ([[CENTRE[0] + share * edge_px, CENTRE[1]]] for share in (0.999, 1.001))
    assert lens.undistort(PxPoints(inside)).xy[0, 0] > CENTRE[0]
    with pytest.raises(ValueError, match="reach"):
        lens.undistort(PxPoints(outside))
    with pytest.raises(ValueError, match="reach"):
        lens.distort(PxPoints([[CENTRE[0] + 1.01 * lens.reach * FOCAL, CENTRE[1]]]))


def test_one_point_out_of_reach_refuses_all():
    lens = Lens(CENTRE, FOCAL, -0.3)
    with pytest.raises(ValueError, match="reach"):
        lens.undistort(PxPoints([CENTRE, (CENTRE[0] + FOCAL, CENTRE[1])]))


def test_the_centre_stays_and_no_points_are_no_points():
    lens = Lens(CENTRE, FOCAL, -0.2, 0.03, 1e-3, 1e-3)
    np.testing.assert_array_equal(lens.undistort(PxPoints([CENTRE])).xy, [CENTRE])
    assert len(lens.undistort(PxPoints(np.zeros((0, 2))))) == 0


@pytest.mark.parametrize("focal", [0.0, -5.0, np.nan])
def test_a_lens_needs_a_focal_length(focal):
    with pytest.raises(ValueError, match="focal"):
        Lens(CENTRE, focal)

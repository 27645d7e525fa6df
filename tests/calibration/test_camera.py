"""A camera over a sheet, in numbers that a ruler and a pencil give."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.camera import FACING, CameraPose, turned
from calibration.frames import PxPoints, SheetPoints

CENTRE = (2000.0, 1500.0)


def above(distance_mm: float = 700.0, focal_px: float = 3500.0) -> CameraPose:
    return CameraPose(FACING, np.array([0.0, 0.0, distance_mm]), focal_px, CENTRE)


def tilted(x_deg: float, y_deg: float) -> CameraPose:
    turn = turned(np.deg2rad([x_deg, y_deg, 3.0]))
    return CameraPose(turn @ FACING, np.array([12.0, -7.0, 700.0]), 3500.0, CENTRE)


def test_straight_above_is_a_scale_with_y_up():
    """5 px per mm at 700 mm with 3500 px."""
    seen = above().project(np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]]))
    np.testing.assert_allclose(seen.xy, [[2000, 1500], [2500, 1500], [2000, 1000]], rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("height_mm", "off_mm", "shift_mm"),
    [(5.0, 250.0, 1.8), (1.0, 250.0, 0.36), (0.76, 85.6, 0.093)],
)
def test_a_lifted_place_moves_away_from_the_foot(height_mm, off_mm, shift_mm):
    """Pinhole geometry, r h / (D - h) with D = 700 mm: 1.8 mm, 0.36 mm; a card 0.76 mm thick +0.11 % of its length."""
    pose = above()
    seen = pose.project(np.array([[off_mm, 0.0]]), height_mm)
    found = pose.to_sheet(seen).xy[0, 0] - off_mm
    assert found == pytest.approx(off_mm * height_mm / (700 - height_mm), rel=1e-9)
    assert found == pytest.approx(shift_mm, rel=0.01)


@pytest.mark.parametrize("tilt", [(0, 0), (30, 0), (0, -30), (15, 20)])
def test_there_and_back(tilt):
    pose = tilted(*tilt)
    rng = np.random.default_rng(5)
    points = rng.uniform(-300, 300, (200, 2))
    np.testing.assert_allclose(pose.to_sheet(pose.project(points)).xy, points, rtol=0, atol=1e-9)


def test_the_homography_is_the_same_map():
    pose = tilted(20, -10)
    points = np.array([[10.0, 20.0], [-200.0, 150.0], [250.0, -90.0]])
    w = np.column_stack([points, np.ones(3)]) @ pose.homography.T
    np.testing.assert_allclose(w[:, :2] / w[:, 2:], pose.project(points).xy, rtol=0, atol=1e-9)


def test_distance_foot_and_tilt():
    pose = CameraPose(turned(np.deg2rad([25.0, 0.0, 0.0])) @ FACING, np.array([0.0, 0.0, 800.0]), 3500.0, CENTRE)
    assert pose.tilt_deg == pytest.approx(25.0, abs=1e-9)
    assert pose.distance_mm == pytest.approx(800 * np.cos(np.deg2rad(25)), rel=1e-12)
    assert np.hypot(*pose.foot_mm) == pytest.approx(800 * np.sin(np.deg2rad(25)), rel=1e-12)
    high = pose.project(np.atleast_2d(pose.foot_mm), 100.0).xy
    np.testing.assert_allclose(high, pose.project(np.atleast_2d(pose.foot_mm)).xy, rtol=0, atol=1e-9)


def test_past_the_horizon_and_behind_the_camera():
    pose = tilted(60, 0)
    with pytest.raises(ValueError, match="horizon"):
        pose.to_sheet(PxPoints([[2000.0, 1500.0 - 3500.0], [2000.0, 1500.0 + 3500.0]]))
    with pytest.raises(ValueError, match="behind"):
        pose.project(np.array([[0.0, -3000.0], [0.0, 3000.0]]))


@pytest.mark.parametrize(
    ("rotation", "distance"), [(np.eye(3), 700.0), (FACING, -700.0), (np.diag([1.0, 1.0, -1.0]), 700.0)]
)
def test_impossible_cameras_are_refused(rotation, distance):
    with pytest.raises(ValueError, match=r"needs a rotation|in front"):
        CameraPose(rotation, np.array([0.0, 0.0, distance]), 3500.0, CENTRE)


def test_turning_by_a_right_angle():
    np.testing.assert_allclose(turned(np.array([0, 0, np.pi / 2])) @ [1, 0, 0], [0, 1, 0], rtol=0, atol=1e-15)
    assert isinstance(above().to_sheet(PxPoints([CENTRE])), SheetPoints)

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from calibration.frames import FloatArray, frozen_floats
from calibration.solve import Calibration
from digitize.fit_shapes import HalfCurve
from digitize.part_edge import Wall, follow, follow_line, follow_walled, level_beside, line_contrasts, rough_places

MM_PER_PX = 0.1
FLAT = Calibration(np.diag([MM_PER_PX, -MM_PER_PX]), np.zeros((3, 3)), "similarity", (True, True), (), (), 0.0)
SHEET_IS_BODY = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def scene(edge_x_mm: float, ramp: float = 0.0, noise: float = 2.0) -> np.ndarray:
    """Material left of an upright edge, 40 mm square; light ground right of it, with a shadow that fades over 1 mm."""
    rng = np.random.default_rng(1)
    x = np.arange(400) - edge_x_mm / MM_PER_PX
    ground = 240.0 - ramp * np.exp(-np.maximum(x, 0.0) / 10.0)
    grey = 120.0 + (ground - 120.0) * ndtr(x / 0.9) + noise * rng.standard_normal((400, 400))
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def upright(x_mm: float) -> HalfCurve:
    y = np.arange(-36.0, -4.0, 0.5)
    xy = np.column_stack([np.full_like(y, x_mm), y])
    normal = np.tile([1.0, 0.0], (len(y), 1))
    return HalfCurve(frozen_floats(xy), normal, frozen_floats(y - y[0]), np.zeros(len(y), dtype=bool))


@pytest.mark.parametrize("at_mm", [20.0, 20.033, 20.05, 20.087])
def test_an_edge_is_placed_to_a_twentieth_of_a_pixel(at_mm: float) -> None:
    edge = follow(scene(at_mm), FLAT, upright(20.6), SHEET_IS_BODY)
    assert edge.seen.all()
    assert edge.points_mm[:, 0].mean() == pytest.approx(at_mm, abs=0.005)
    assert np.median(edge.rise) > 0.0


def test_a_shadow_beside_the_edge_moves_it_by_less_than_a_fifth_of_a_pixel() -> None:
    edge = follow(scene(20.03, ramp=70.0), FLAT, upright(19.5), SHEET_IS_BODY)
    assert edge.share > 0.95
    assert np.nanmean(edge.points_mm[:, 0]) == pytest.approx(20.03, abs=0.02)


def test_a_stretch_without_an_edge_is_not_seen() -> None:
    grey = scene(20.0)
    grey[150:260] = 180
    edge = follow(grey, FLAT, upright(20.0), SHEET_IS_BODY)
    within = (upright(20.0).xy_mm[:, 1] < -16.5) & (upright(20.0).xy_mm[:, 1] > -24.5)
    assert not edge.seen[within].any()
    assert edge.seen[~within].mean() > 0.8


def lying(turn_deg: float, mirrored: bool) -> tuple[np.ndarray, HalfCurve, FloatArray]:
    """A dark half egg on light ground, and the affine from body to sheet that put it there."""
    at = np.linspace(-np.pi / 2, np.pi / 2, 400)
    xy = np.column_stack([28.0 * np.cos(at) * (1.0 - 0.25 * np.sin(at)), 45.0 + 45.0 * np.sin(at)])
    turn = np.radians(turn_deg)
    pose = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag(
        [-1.0 if mirrored else 1.0, 1.0]
    )
    to_sheet = np.column_stack([pose, np.array([75.0, -75.0]) - pose @ xy.mean(axis=0)])
    px = (xy @ pose.T + to_sheet[:, 2]) * [1.0, -1.0] / MM_PER_PX
    grey = np.full((1500, 1500), 235, dtype=np.uint8)
    cv2.fillPoly(grey, [np.rint(px * 16).astype(np.int32)], 70, cv2.LINE_AA, 4)
    tangent = np.gradient(xy, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    along = np.linspace(0.0, float(np.hypot(*np.diff(xy, axis=0).T).sum()), len(xy))
    return grey, HalfCurve(frozen_floats(xy), normal, frozen_floats(along), np.zeros(len(xy), dtype=bool)), to_sheet


@pytest.mark.parametrize(("turn_deg", "mirrored"), [(0.0, False), (141.0, True)])
def test_a_half_is_found_whichever_way_it_lies(turn_deg: float, mirrored: bool) -> None:
    grey, curve, to_sheet = lying(turn_deg, mirrored)
    best = rough_places(grey, FLAT, curve)[0]
    assert best.mirrored == mirrored
    back = curve.xy_mm @ to_sheet[:, :2].T + to_sheet[:, 2]
    again = back @ best.matrix[:, :2].T + best.matrix[:, 2]
    assert np.hypot(*(again - curve.xy_mm).T).max() < 0.5


def grained(left: float, right: float) -> np.ndarray:
    """Two tones that meet at 20 mm, under a texture of 8 grey values, 1 sigma."""
    rng = np.random.default_rng(4)
    x = np.arange(400) - 200.0
    fine = cv2.GaussianBlur(rng.standard_normal((400, 400)), (0, 0), 1.6)
    grey = left + (right - left) * ndtr(x / 0.9) + 8.0 * fine / fine.std()
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def test_a_straight_edge_that_texture_hides_place_by_place_adds_up() -> None:
    line = upright(20.4)
    everywhere = np.ones(len(line.along_mm), dtype=bool)
    near = (FLAT, line, SHEET_IS_BODY)
    assert follow(grained(110.0, 124.0), *near).share < 0.5
    (seen,), (none,) = (line_contrasts(grained(110.0, to), *near, 3.0, (everywhere,)) for to in (124.0, 110.0))
    assert seen > 0.0
    assert seen > 2.0 * abs(none)
    assert line_contrasts(grained(124.0, 110.0), *near, 3.0, (everywhere,))[0] < 0.0
    assert level_beside(grained(110.0, 124.0), *near, everywhere) == pytest.approx(124.0, abs=3.0)


def walled(rim_mm: float, wide_mm: FloatArray, tones: tuple[float, float, float]) -> np.ndarray:
    """A face left of an upright rim, its wall beside it as wide as each row of places has it, then paper."""
    rng = np.random.default_rng(2)
    rows = -upright(0.0).xy_mm[:, 1] / MM_PER_PX
    wide = np.interp(np.arange(400), rows[::-1], wide_mm[::-1])[:, None]
    x = np.arange(400)[None, :] - rim_mm / MM_PER_PX
    face, wall, paper = tones
    grey = face + (wall - face) * ndtr(x / 0.9) + (paper - wall) * ndtr((x - wide / MM_PER_PX) / 0.9)
    return np.clip(np.rint(grey + 2.0 * rng.standard_normal((400, 400))), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("tones", [(150.0, 90.0, 210.0), (120.0, 180.0, 220.0), (60.0, 40.0, 215.0)])
@pytest.mark.parametrize("wide", [(0.2, 0.5), (0.8, 2.4)])
def test_the_rim_of_a_face_is_told_from_the_foot_of_its_wall(
    tones: tuple[float, float, float], wide: tuple[float, float]
) -> None:
    line = upright(20.4)
    wide_mm = np.linspace(*wide, len(line.along_mm))
    edge, u = follow_walled(walled(20.03, wide_mm, tones), FLAT, line, SHEET_IS_BODY, Wall(wide_mm, 1.0, 6.0), 3.0)
    off = edge.points_mm[:, 0] - 20.03
    assert edge.share > 0.9
    # Where the wall is narrower than the blur lets it be seen apart, its tone decides, which is told as uncertain.
    assert (np.abs(off[edge.seen]) < np.maximum(0.04, 2.0 * u[edge.seen])).mean() > 0.95
    assert abs(float(np.nanmean(off))) < 0.05


def test_where_one_edge_of_a_wall_shows_nothing_is_claimed() -> None:
    line = upright(20.4)
    wide_mm = np.full(len(line.along_mm), 1.5)
    grey = walled(20.0, wide_mm, (150.0, 150.0, 210.0))  # the wall has the face's tone
    edge, u = follow_walled(grey, FLAT, line, SHEET_IS_BODY, Wall(wide_mm, 1.0, 6.0), 3.0)
    assert edge.share > 0.9
    assert u.min() > 0.5
    assert np.nanmedian(edge.points_mm[:, 0]) == pytest.approx(20.0, abs=0.05)  # by the foot, a wall's width back


@pytest.mark.parametrize(("side", "at_mm"), [("middle", 20.03), ("outer", 20.28), ("inner", 19.78)])
def test_a_drawn_line_is_placed_by_both_its_sides(side: str, at_mm: float) -> None:
    x = np.arange(400) - 200.3
    grey = 235.0 - 150.0 * (ndtr((x + 2.5) / 0.7) - ndtr((x - 2.5) / 0.7)) + np.random.default_rng(3).normal(
        0.0, 2.0, (400, 400)
    )
    drawn = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    edge, wide = follow_line(drawn, FLAT, upright(20.6), SHEET_IS_BODY, 3.0, side)  # type: ignore[arg-type]
    assert edge.share > 0.95
    assert np.nanmean(edge.points_mm[:, 0]) == pytest.approx(at_mm, abs=0.01 if side == "middle" else 0.05)
    assert np.nanmedian(wide) == pytest.approx(0.5, abs=0.1)

"""A photo laid flat: places, pixels and what lies on the sheet, against a camera that OpenCV projects."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.errors import Refusal
from calibration.frames import FloatArray, PxPoints, SheetPoints
from digitize.rectify import COARSEST_PX_PER_MM, FINEST_PX_PER_MM, WHITE, px_per_mm_for, rectify
from digitize.shapes import Picture

FOCAL_PX, SIZE_PX, K1 = 900.0, (1000, 760), -0.08
REGION_MM = np.array([(-80.0, -60.0), (80.0, -60.0), (80.0, 60.0), (-80.0, 60.0)])
CAMERA = np.array([[FOCAL_PX, 0.0, 499.5], [0.0, FOCAL_PX, 379.5], [0.0, 0.0, 1.0]])


def to_px(points: SheetPoints) -> PxPoints:
    """Project by OpenCV's own model: tilted 20 degrees, 190 mm away, barrel distortion."""
    world = np.column_stack([points.xy * [1.0, -1.0], np.zeros(len(points))])
    turn, shift = np.array([np.radians(20.0), 0.0, 0.03]), np.array([0.0, 0.0, 190.0])
    return PxPoints(cv2.projectPoints(world, turn, shift, CAMERA, np.array([K1, 0.0, 0.0, 0.0]))[0].reshape(-1, 2))


def dotted(dots_mm: FloatArray) -> Picture:
    """Return a photo with soft dark dots at places of the sheet, their middles exact."""
    x, y = np.meshgrid(np.arange(SIZE_PX[0]), np.arange(SIZE_PX[1]))
    ink = np.zeros(x.shape)
    for dot in to_px(SheetPoints(dots_mm)).xy:
        ink += np.exp(-((x - dot[0]) ** 2 + (y - dot[1]) ** 2) / (2 * 2.5**2))
    return Picture(np.rint(245 - 180 * ink).astype(np.uint8), "made.png", "0" * 64, None, "photo")


def test_a_places_pixel_in_the_flat_picture_shows_what_the_photo_shows_there() -> None:
    dots = np.array([(-70.0, -50.0), (-20.0, 31.0), (0.0, 0.0), (41.0, -22.0), (72.0, 52.0)])
    flat = rectify(dotted(dots), to_px, REGION_MM, 9.0)
    for dot in dots:
        want = flat.to_flat_px(SheetPoints(dot[None]))[0]
        column, row = np.rint(want).astype(int)
        window = 245.0 - flat.picture.grey[row - 14 : row + 15, column - 14 : column + 15]
        window[window < 6.0] = 0.0
        down, across = np.mgrid[-14:15, -14:15]
        middle = np.array([(window * across).sum(), (window * down).sum()]) / window.sum() + [column, row]
        assert np.hypot(*(middle - want)) < 0.2  # px, 0.02 mm; a dot's own image is not quite symmetric under tilt


def test_the_flat_picture_is_as_large_as_the_sheet_and_says_nothing_of_dpi() -> None:
    flat = rectify(dotted(np.zeros((1, 2))), to_px, REGION_MM, 8.0)
    assert flat.picture.grey.shape == (120 * 8 + 1, 160 * 8 + 1)
    assert flat.picture.dpi is None and not flat.picture.grey.flags.writeable
    assert np.allclose(flat.to_sheet(flat.to_flat_px(SheetPoints(REGION_MM))).xy, REGION_MM, atol=1e-9)
    assert np.allclose(flat.to_flat_px(SheetPoints(REGION_MM[3:])), 0.0)


def test_what_lies_on_the_sheet_and_beyond_it_becomes_paper() -> None:
    picture = Picture(np.full(SIZE_PX[::-1], 60, np.uint8), "made.png", "0" * 64, None, "photo")
    thing = np.array([(-30.0, -10.0), (30.0, -10.0), (30.0, 5.0), (-30.0, 5.0)])
    triangle = np.array([(-80.0, -60.0), (80.0, -60.0), (0.0, 60.0)])
    flat = rectify(picture, to_px, triangle, 8.0, [thing])

    def at(x: float, y: float) -> int:
        column, row = np.rint(flat.to_flat_px(SheetPoints(np.array([[x, y]])))[0]).astype(int)
        return int(flat.picture.grey[row, column])

    assert at(0.0, 0.0) == at(29.0, -9.0) == at(-75.0, 50.0) == WHITE
    assert at(0.0, 20.0) == at(40.0, -40.0) == 60


def test_a_map_that_went_wrong_is_refused_before_anything_is_made() -> None:
    with pytest.raises(Refusal) as refused:
        rectify(dotted(np.zeros((1, 2))), to_px, REGION_MM * 100.0, 8.0)
    assert refused.value.code == "photo-not-solved"


def test_the_flat_picture_is_as_fine_as_the_photo_within_limits() -> None:
    assert px_per_mm_for(np.array([0.1, 0.3])) == pytest.approx(11.0)
    assert px_per_mm_for(np.array([1.0])) == COARSEST_PX_PER_MM
    assert px_per_mm_for(np.array([0.01])) == FINEST_PX_PER_MM

"""A calibrated lens in another picture of its camera: other size, turned, or who knows which way round."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.frames import PxPoints
from calibration.known_lens import KnownLens, LensSigma, turned_clockwise
from calibration.lens import Lens

SIZE = (1600, 1200)
LENS = Lens((812.0, 590.0), 1300.0, -0.1, 0.02, 8e-4, -5e-4)
KNOWN = KnownLens(LENS, LensSigma(2.0, (3.0, 1.0), 0.004, 0.01, 2e-4, 1e-4, 0.01), SIZE)
PLACES = np.random.default_rng(1).uniform((0.0, 0.0), (1599.0, 1199.0), (50, 2))


def straight(xy: np.ndarray) -> np.ndarray:
    return LENS.undistort(PxPoints(xy)).xy


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_a_turned_picture_is_straightened_alike(quarters):
    """numpy turns the picture: pixel (x, y) of it must be where the lens says."""
    size = SIZE if quarters % 2 == 0 else SIZE[::-1]
    numbers = np.arange(SIZE[0] * SIZE[1]).reshape(SIZE[1], SIZE[0])
    row, column = np.nonzero(np.rot90(numbers, -quarters) == numbers[31, 77])
    assert turned_clockwise(np.array([[77.0, 31.0]]), SIZE, quarters)[0].tolist() == [column[0], row[0]]
    known = KNOWN.in_picture(size, quarters)
    assert known is not None and known.size_px == size
    ideal = known.lens.undistort(PxPoints(turned_clockwise(PLACES, SIZE, quarters))).xy
    np.testing.assert_allclose(ideal, turned_clockwise(straight(PLACES), SIZE, quarters), rtol=0, atol=1e-8)


def test_half_the_size_is_straightened_alike():
    known = KNOWN.in_picture((800, 600), 0)
    assert known is not None
    ideal = known.lens.undistort(PxPoints((PLACES + 0.5) / 2 - 0.5)).xy
    np.testing.assert_allclose(ideal, (straight(PLACES) + 0.5) / 2 - 0.5, rtol=0, atol=1e-8)
    assert known.sigma.focal_px == 1.0


@pytest.mark.parametrize("size", [SIZE, SIZE[::-1], (800, 600)])
def test_where_the_way_round_is_not_known_every_way_is_within_the_sigmas(size):
    known = KNOWN.in_picture(size, None)
    assert known is not None
    for quarters in range(4):
        true = KNOWN.in_picture(size, quarters)
        if true is None or true.size_px != size or not true.way_known:
            continue
        off = np.abs(np.subtract(true.lens.centre_px, known.lens.centre_px))
        assert np.all(off <= known.sigma.centre_px)
        assert max(abs(true.lens.p1), abs(true.lens.p2)) <= known.sigma.p1
    assert known.sigma.p1 >= KNOWN.sigma.p1


def test_another_shape_is_another_camera_or_a_cropped_picture():
    for quarters in (0, 1, None):
        assert KNOWN.in_picture((1600, 900), quarters) is None
        assert KNOWN.in_picture((1200, 1200), quarters) is None

"""Tiles hold the picture's own pixels, each at its place."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitize.desk.tiles import TILE_PX, Tiles


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """Smooth enough for JPEG to keep it within 2 grey values; odd sides."""
    y, x = np.mgrid[0:1301, 0:2751]
    return np.asarray(np.round(127 + 60 * np.sin(x / 90) + 60 * np.cos(y / 70)), dtype=np.uint8)


def unpacked(tiles: Tiles, *place: int) -> np.ndarray:
    packed = tiles.jpeg(*place)
    assert packed is not None
    return cv2.imdecode(np.frombuffer(packed, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)


@pytest.mark.parametrize("place", [(0, 0), (2, 1), (5, 2)])
def test_a_tile_of_the_finest_level_is_that_part_of_the_picture(picture: np.ndarray, place: tuple[int, int]) -> None:
    column, row = place
    part = picture[row * TILE_PX : (row + 1) * TILE_PX, column * TILE_PX : (column + 1) * TILE_PX]
    tile = unpacked(Tiles(picture), 0, column, row)
    assert tile.shape == part.shape
    assert np.max(np.abs(tile.astype(int) - part)) <= 2


def test_coarser_levels_are_means_of_the_pixels_they_cover(picture: np.ndarray) -> None:
    tiles = Tiles(picture)
    assert [level.shape for level in tiles.levels] == [(1301, 2751), (650, 1375), (325, 687), (162, 343)]
    for level in (1, 2, 3):
        step = 2**level
        tile = unpacked(tiles, level, 0, 0)
        for x, y in ((0, 0), (100, 77), (tile.shape[1] - 1, tile.shape[0] - 1)):
            mean = picture[y * step : (y + 1) * step, x * step : (x + 1) * step].mean()
            assert abs(float(tile[y, x]) - mean) <= 2.5


def test_there_is_nothing_beyond_the_picture(picture: np.ndarray) -> None:
    tiles = Tiles(picture)
    for place in ((0, 6, 0), (0, 0, 3), (4, 0, 0), (-1, 0, 0), (0, -1, 0), (3, 1, 0)):
        assert tiles.jpeg(*place) is None


def test_packed_tiles_are_kept_within_bounds(picture: np.ndarray) -> None:
    tiles = Tiles(picture, kept_bytes=30_000)
    for column in range(6):
        for row in range(3):
            tiles.jpeg(0, column, row)
    kept = sum(len(packed) for packed in tiles._kept.values())
    assert 0 < kept <= 30_000
    assert tiles.jpeg(0, 5, 2) is tiles.jpeg(0, 5, 2)

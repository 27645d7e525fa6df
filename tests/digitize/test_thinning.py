"""Thinning by blocks is thinning of the whole; the peaks are those of scipy.signal."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.signal import find_peaks
from skimage.morphology import skeletonize

from digitize.contour.continuation import _off_cubic
from digitize.contour.peaks import peaks
from digitize.ink.thinning import BLOCK_PX, DEEPEST_PX, thinned
from digitize.rule.comb import _median
from digitize.rule.strip import percentile


@pytest.mark.parametrize(("share", "thick_px"), [(0.3, 1.0), (0.45, 2.0), (0.5, 3.0), (0.5, 6.0)])
def test_blocks_give_what_one_piece_gives(share: float, thick_px: float) -> None:
    grain = cv2.GaussianBlur(np.random.default_rng(3).random((700, 1100)).astype(np.float32), (0, 0), thick_px)
    mask = np.pad(grain > np.quantile(grain, 1.0 - share), 2)
    assert mask.shape[1] > 2 * BLOCK_PX
    whole, away = skeletonize(mask), cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    lines, depth = thinned(mask)
    assert (away.max() > DEEPEST_PX) == (thick_px == 6.0)  # the thickest is done in one piece
    np.testing.assert_array_equal(lines, whole)
    np.testing.assert_array_equal(depth, away[whole])


def test_paper_has_no_lines() -> None:
    lines, depth = thinned(np.zeros((40, 50), dtype=np.bool_))
    assert not lines.any() and len(depth) == 0


def test_peaks_are_those_of_scipy() -> None:
    rng = np.random.default_rng(1)
    for number in range(300):
        values = rng.normal(size=int(rng.integers(3, 150)))
        values = np.round(values, 1) if number % 2 else np.maximum(np.convolve(values, np.ones(5), "same"), 1.0)
        apart, least = int(rng.integers(1, 12)), float(rng.normal())
        np.testing.assert_array_equal(peaks(values, least, apart), find_peaks(values, height=least, distance=apart)[0])


def test_quick_statistics_are_those_of_numpy() -> None:
    rng = np.random.default_rng(2)
    for _ in range(300):
        values = rng.normal(size=(int(rng.integers(1, 9)), int(rng.integers(1, 40)))).astype(np.float32)
        assert percentile(values, 90.0) == np.percentile(values, 90.0)
        assert _median(values.ravel().astype(np.float64)) == np.median(values.astype(np.float64))


def test_the_cubic_is_the_one_of_least_squares() -> None:
    rng = np.random.default_rng(4)
    for count in (6, 20, 150):
        u = np.sort(rng.uniform(-1.0, 1.0, count))
        v = np.sin(4.0 * u) + rng.normal(0.0, 0.1, count)
        assert _off_cubic(u, v) == pytest.approx(np.sqrt(np.mean((v - np.polyval(np.polyfit(u, v, 3), u)) ** 2)))

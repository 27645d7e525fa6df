"""Faint lines: ridges of darkness that stand out from the noise of the paper around them.

A line is where darkness bends down across it more than noise can (Lindeberg, "Edge detection and ridge
detection with automatic scale selection", Int. J. Computer Vision 30 (1998) 117): the second derivative, at a
width of the filter for thin lines and another for wide ones, so that shade that changes slowly has no say.
Four directions stand for all, which misses at most a sixth of the answer, and everything stays in small integers.
Two levels with hysteresis (Canny, IEEE PAMI 8 (1986) 679) follow a line through its palest places.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

ByteArray = npt.NDArray[np.uint8]
ShortArray = npt.NDArray[np.int16]
Kernel = npt.NDArray[np.float64]

# Width of the filter and how far it reaches, pixels of the picture that it is given.
SIGMA_PX = 1.2
REACH_PX = 3
# Answers are kept in fourths of a grey level, at most 63.
PER_LEVEL = 4
# Noise is estimated in tiles of this size, from every so many of its rows and columns.
TILE_PX = 32
TILE_ROWS, TILE_COLUMNS = 4, 2
MEDIAN_TO_SIGMA = 1.4826  # standard deviation of normal noise over the median of its size
# Where a line is sure, and how far it is then followed, in standard deviations of the noise.
SURE_SIGMAS = 5.5
FOLLOW_SIGMAS = 2.8
# The same as parts of full ink, for thin lines and for wide ones: what is paler is no line on any page, and
# the crease of a fold answers like a wide pale line.
THIN_OF_FULL = (0.014, 0.025)
WIDE_OF_FULL = (0.025, 0.05)
# Beside something dark a line must answer with these parts of its darkness: compression rings round black lettering.
OF_NEAR = (0.018, 0.05)
NEAR_PX = 4
# What even the emptier parts of a page are printed with (grid paper) is its ground, and no line: in all but this
# part of the tiles of this size, this share of the pixels answers more. Lines must exceed it by the factor.
GROUND_TILE_PX, GROUND_STEP_PX = 96, 3
GROUND_EMPTIER, GROUND_SHARE = 0.3, 0.03
GROUND_TIMES = 1.2
# Sure lines stand out from the ground by this much more than followed ones.
SURE_OVER_FOLLOW = 1.3
STRIP_TILES = 16


@dataclass(frozen=True, eq=False)
class Ridges:
    """Where the page has faint lines."""

    follow: ByteArray  # (H, W) 1 where a line may be followed
    sure_bits: ByteArray  # 1 where there is one, packed: it waits for long
    thin_bits: ByteArray  # 1 where there is a thin one, packed


def _kernels() -> tuple[Kernel, Kernel, Kernel]:
    """Return the Gaussian and its first and second derivative, each made free of units by the filter's width."""
    x = np.arange(-REACH_PX, REACH_PX + 1, dtype=np.float64)
    gauss = np.exp(-(x**2) / (2 * SIGMA_PX**2))
    gauss /= gauss.sum()
    first = x / SIGMA_PX * gauss
    second = (1.0 - x**2 / SIGMA_PX**2) * gauss
    second -= second.mean()  # an even page gives nothing
    return gauss, first, second


GAUSS, FIRST, SECOND = _kernels()


def ridges(darkness: ByteArray, full: float) -> Ridges:
    """Return where faint lines run; ``full`` is the darkness of full ink.

    Thin lines are looked for on the page itself, wide ones on a copy of half its size.
    """
    thin_follow, thin_sure = _one_width(darkness, THIN_OF_FULL, full)
    thin_bits = np.packbits(thin_sure)
    half = cv2.resize(darkness, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    follow, sure = _one_width(half, WIDE_OF_FULL, full)
    for thin, wide in ((thin_follow, follow), (thin_sure, sure)):
        cv2.bitwise_or(thin, _spread(wide, darkness.shape[::-1]), dst=thin)
    return Ridges(thin_follow, np.packbits(thin_sure), thin_bits)


def _one_width(darkness: ByteArray, of_full: tuple[float, float], full: float) -> tuple[ByteArray, ByteArray]:
    """Return where a line may be followed and where one is sure; each at least its part ``of_full`` ink."""
    answer = np.empty_like(darkness)
    sizes = []
    for top, bottom in _strips(darkness.shape[0]):
        part, noise = _answer(darkness, top, bottom)
        answer[top:bottom] = part
        sizes.append(noise)
    noise = cv2.blur(cv2.erode(np.vstack(sizes), np.ones((3, 3), np.uint8)), (3, 3))
    ground = GROUND_TIMES * _ground(answer)
    least = [part * full * PER_LEVEL for part in of_full]
    near = _near(darkness)
    follow = np.maximum(noise * FOLLOW_SIGMAS, max(least[0], ground))
    sure = np.maximum(noise * SURE_SIGMAS, max(least[1], SURE_OVER_FOLLOW * ground))
    return _above(answer, follow, near, OF_NEAR[0]), _above(answer, sure, near, OF_NEAR[1])


def _strips(height: int) -> Iterator[tuple[int, int]]:
    step = STRIP_TILES * TILE_PX
    for top in range(0, height, step):
        yield top, min(top + step, height)


def _answer(darkness: ByteArray, top: int, bottom: int) -> tuple[ByteArray, npt.NDArray[np.float32]]:
    """Return the answer of rows ``top`` to ``bottom`` and the noise of its tiles, both in fourths of a grey level."""
    first, last = max(0, top - REACH_PX), min(darkness.shape[0], bottom + REACH_PX)
    rows = darkness[first:last]
    across = _filtered(rows, SECOND, GAUSS)
    down = _filtered(rows, GAUSS, SECOND)
    twist = cv2.absdiff(_filtered(rows, FIRST, FIRST), 0)
    slant = cv2.add(cv2.addWeighted(across, 0.5, down, 0.5, 0), twist)
    most = cv2.max(cv2.max(across, down), slant)[top - first : bottom - first]
    byte = np.empty(most.shape, dtype=np.uint8)
    np.clip(most, 0, 255, out=byte, casting="unsafe")
    return byte, _tile_noise(across[top - first : bottom - first])


def _filtered(rows: ByteArray, along_x: Kernel, along_y: Kernel) -> ShortArray:
    return np.asarray(
        cv2.sepFilter2D(rows, cv2.CV_16S, along_x * PER_LEVEL, along_y, borderType=cv2.BORDER_REPLICATE), dtype=np.int16
    )


def _tile_noise(answer: ShortArray) -> npt.NDArray[np.float32]:
    """Return the standard deviation of the noise in each tile; lines are few, so the median does not see them."""
    sample = np.abs(answer[::TILE_ROWS, ::TILE_COLUMNS])
    high, wide = TILE_PX // TILE_ROWS, TILE_PX // TILE_COLUMNS
    padded = np.pad(sample, ((0, -len(sample) % high), (0, -sample.shape[1] % wide)), mode="symmetric")
    tiles = padded.reshape(len(padded) // high, high, -1, wide).swapaxes(1, 2)
    median = np.median(tiles.reshape(*tiles.shape[:2], -1), axis=2)
    return np.asarray(MEDIAN_TO_SIGMA * median, dtype=np.float32)


def _ground(answer: ByteArray) -> float:
    """Return how much the emptier tiles of the page answer."""
    tile = GROUND_TILE_PX // GROUND_STEP_PX
    sample = answer[::GROUND_STEP_PX, ::GROUND_STEP_PX]
    high, wide = (side // tile for side in sample.shape)
    if high * wide == 0:
        return 0.0
    tiles = sample[: high * tile, : wide * tile].reshape(high, tile, wide, tile).swapaxes(1, 2).reshape(high * wide, -1)
    rank = int((1.0 - GROUND_SHARE) * (tile * tile - 1))
    return float(np.quantile(np.partition(tiles, rank, axis=1)[:, rank], GROUND_EMPTIER))


def _near(darkness: ByteArray) -> ByteArray:
    """Return the darkest near by, for every 4 x 4 pixels."""
    quarter = cv2.dilate(darkness, np.ones((4, 4), np.uint8))[::4, ::4]
    return np.asarray(cv2.dilate(quarter, np.ones((NEAR_PX // 2 + 1,) * 2, np.uint8)), dtype=np.uint8)


def _above(answer: ByteArray, tiles: npt.NDArray[np.float32], near: ByteArray, of_near: float) -> ByteArray:
    """Return 1 where the answer is above the level of its tile and its part of the darkness near by."""
    size = answer.shape[::-1]
    level = _spread(np.clip(np.ceil(tiles), 0, 255).astype(np.uint8), size)
    cv2.max(level, _spread(cv2.convertScaleAbs(near, alpha=of_near * PER_LEVEL), size), dst=level)
    cv2.compare(answer, level, cv2.CMP_GT, dst=level)
    return np.asarray(cv2.bitwise_and(level, 1, dst=level), dtype=np.uint8)


def _spread(coarse: ByteArray, size: tuple[int, int]) -> ByteArray:
    return np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)

"""Two scans of one sheet, the second turned half round: how places of one lie in the other, to parts of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from calibration.turned import AFFINE, EVEN, Blocks, ScannerError, fit_step, powers

Grey = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

COARSE_PX, WORK_PX = 512, 2400  # longer side of the pictures that are laid on each other, first and then
TURNS_DEG = np.arange(-4.0, 4.01, 0.5)  # sheets are put down askew by less
LEAST_RESPONSE = 0.06  # of a phase correlation: what two scans of one sheet have, and other sheets have not
CLEARLY = 1.3  # times: the better of turned and not turned
BLURS_PX = (6.0, 3.0, 1.5, 1.0, 1.0)
CELL_PX, BAND_PX = 16, 256
BLOCKS = 28  # along the longer side
EVEN_FROM = 2  # rounds of an affine motion alone
LEAST_INK = 0.1  # of the usual block's gradients: less is bare paper
FEWEST_BLOCKS = 60
AROUND = 15.0  # times the blur: slower changes of light are no drawing
MOST_LEFT = 0.5  # of the drawing's own contrast, where both lie on each other: more is another sheet

Fault = Literal["same way", "other sheet", "cropped"]
SIZE_ALIKE = 0.01


@dataclass(frozen=True, eq=False)
class _Laid:
    """The second scan, turned back, as it lies on the first: q + affine + even powers, px of the working picture."""

    middle: FloatArray  # (2,)
    half: FloatArray  # (2,)
    values: FloatArray  # (2, K) of AFFINE, then EVEN

    def shift(self, q: FloatArray) -> FloatArray:
        """Return (N, 2) how far from q (N, 2) the turned second scan shows the same place."""
        return powers((q - self.middle) / self.half, (*AFFINE, *EVEN)) @ self.values.T


def scanner_error(first: Grey, second: Grey, mm_per_px: tuple[float, float]) -> ScannerError | Fault:
    """Return what two scans tell of their scanner, or why nothing.

    Args:
        first: a scan of the whole glass.
        second: another, of the same sheet turned half round, cropped alike.
        mm_per_px: x, y of both.
    """
    if any(abs(a / b - 1.0) > SIZE_ALIKE for a, b in zip(first.shape, second.shape, strict=True)):
        return "cropped"
    step = max(1, math.ceil(max(first.shape) / WORK_PX))
    height, width = (min(a, b) // step * step for a, b in zip(first.shape, second.shape, strict=True))
    # the same corner of the glass is the first pixel of both; cut alike before the second is turned back
    one, two = (_ink(picture[:height, :width], step) for picture in (first, second))
    two = np.ascontiguousarray(two[::-1, ::-1])
    laid = _coarse(one, two)
    if not isinstance(laid, _Laid):
        return laid
    for number, blur in enumerate(BLURS_PX):
        if number == EVEN_FROM:
            laid = _about_pivot(laid, one.shape)
        blocks, left = _blocks(one, two, laid, blur)
        if len(blocks.at) < FEWEST_BLOCKS:
            return "other sheet"
        fitted = fit_step(blocks, even=number >= EVEN_FROM)
        laid = _moved(laid, fitted.values)
    if left > MOST_LEFT:
        return "other sheet"
    return _in_mm(laid, fitted.covariance, blocks, np.array(mm_per_px) * step)


def _ink(picture: Grey, step: int) -> Floats:
    """Return ink, 0 paper, averaged over steps."""
    size = (picture.shape[1] // step, picture.shape[0] // step)
    small = picture if step == 1 else cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return np.float32(255.0) - small.astype(np.float32)


def _coarse(one: Floats, two: Floats) -> _Laid | Fault:
    """Return roughly how the turned second scan lies on the first."""
    by = max(one.shape) / COARSE_PX
    size = (round(one.shape[1] / by), round(one.shape[0] / by))
    small, other = (_sharp(cv2.resize(ink, size, interpolation=cv2.INTER_AREA), 1.0) for ink in (one, two))
    turned, same = _best_turn(small, other), _best_turn(small, np.ascontiguousarray(other[::-1, ::-1]))
    if max(same, turned)[0] < LEAST_RESPONSE:
        return "other sheet"
    if same[0] > CLEARLY * turned[0]:
        return "same way"
    _, angle, shift = turned
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    half = np.array(one.shape[::-1], dtype=np.float64) / 2.0
    middle = half - 0.5
    turn = np.array([[c, s], [-s, c]])  # as cv2.getRotationMatrix2D turns, y down
    # a place q of the first is at turn^-1 (q + shift - middle) + middle of the second
    values = np.zeros((2, len(AFFINE) + len(EVEN)))
    values[:, 0] = turn.T @ (np.array(shift) * by)
    values[:, 1:3] = (turn.T - np.eye(2)) * half
    return _Laid(middle, half, values)


def _best_turn(one: Floats, two: Floats) -> tuple[float, float, tuple[float, float]]:
    """Return (response, angle deg, shift px) of the turn of ``two`` that lies best on ``one``."""
    window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_32F)
    best = (0.0, 0.0, (0.0, 0.0))
    centre = ((one.shape[1] - 1) / 2.0, (one.shape[0] - 1) / 2.0)
    for angle in TURNS_DEG:
        turn = cv2.getRotationMatrix2D(centre, float(angle), 1.0)
        shift, response = cv2.phaseCorrelate(one, cv2.warpAffine(two, turn, one.shape[::-1]), window)
        best = max(best, (float(response), float(angle), (float(shift[0]), float(shift[1]))))
    return best


def _sharp(ink: Floats, blur: float) -> Floats:
    """Return ink a little blurred, without its slow changes."""
    around = 2 * math.ceil(AROUND * blur) + 1
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), blur) - cv2.blur(ink, (around, around)))


def _about_pivot(laid: _Laid, shape: tuple[int, ...]) -> _Laid:
    """Return the same affine motion about the pivot of the turn, so that even powers are even about it."""
    last = np.array(shape[::-1]) - 1.0
    slope = laid.values[:, 1:3] / laid.half
    start = laid.values[:, 0] - slope @ laid.middle
    # at the pivot a place is shown at the same px of both scans: q + shift(q) = last - q
    pivot = np.asarray(np.linalg.solve(2.0 * np.eye(2) + slope, last - start), dtype=np.float64)
    values = np.zeros_like(laid.values)
    values[:, 0], values[:, 1:3] = start + slope @ pivot, slope * laid.half
    return _Laid(pivot, laid.half, values)


def _moved(laid: _Laid, step: FloatArray) -> _Laid:
    own = step.reshape(2, -1)
    values = laid.values.copy()
    values[:, : own.shape[1]] += own
    return _Laid(laid.middle, laid.half, values)


def _blocks(one: Floats, two: Floats, laid: _Laid, blur: float) -> tuple[Blocks, float]:
    """Return what blocks say of how much further the second lies off, and how much of the drawing differs, a share."""
    height, width = one.shape
    side = math.ceil(max(height, width) / BLOCKS)
    rows, columns = height // side, width // side
    flat_one = _sharp(one, blur)
    flat_two = _warped(_sharp(two, blur), laid, (height, width))
    slope_x, slope_y = (
        (cv2.Scharr(flat_one, cv2.CV_32F, *way) + cv2.Scharr(flat_two, cv2.CV_32F, *way)) / 64.0
        for way in ((1, 0), (0, 1))
    )
    off = np.where(np.isfinite(flat_two), flat_two - flat_one, 0.0).astype(np.float32)
    border = 4 * math.ceil(blur) + 2
    inside = np.zeros_like(off)
    inside[border:-border, border:-border] = 1.0

    def summed(values: Floats) -> FloatArray:
        part = (values * inside)[: rows * side, : columns * side].reshape(rows, side, columns, side)
        return np.asarray(part.sum(axis=(1, 3), dtype=np.float64).ravel())

    xx, xy, yy = summed(slope_x * slope_x), summed(slope_x * slope_y), summed(slope_y * slope_y)
    pull = -np.stack([summed(slope_x * off), summed(slope_y * off)], axis=1)
    weight = xx + yy
    use = weight > LEAST_INK * np.percentile(weight, 75)
    y, x = np.mgrid[:rows, :columns]
    at = (np.stack([x.ravel(), y.ravel()], axis=1) + 0.5) * side - 0.5
    hessian = np.stack([np.stack([xx, xy], axis=1), np.stack([xy, yy], axis=1)], axis=1)
    left = float(np.sqrt(summed(off * off).sum() / summed(flat_one * flat_one).sum()))
    return Blocks((at[use] - laid.middle) / laid.half, hessian[use], pull[use]), left


def _warped(two: Floats, laid: _Laid, shape: tuple[int, int]) -> Floats:
    """Return the turned second scan as it lies on the first; bare paper beyond it."""
    height, width = shape
    x, y = np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64)
    node_x, node_y = (np.arange(0, size + CELL_PX, CELL_PX, dtype=np.float64) for size in (width, height))
    nodes = np.stack(np.meshgrid(node_x, node_y), axis=-1)
    bent = _Laid(laid.middle, laid.half, laid.values * ([0.0] * len(AFFINE) + [1.0] * len(EVEN)))
    bend = bent.shift(nodes.reshape(-1, 2)).reshape(nodes.shape).astype(np.float32)
    u, v = (x - laid.middle[0]) / laid.half[0], (y - laid.middle[1]) / laid.half[1]
    out = np.empty(shape, dtype=np.float32)
    for top in range(0, height, BAND_PX):
        rows = slice(top, min(top + BAND_PX, height))
        at_x = np.broadcast_to((x / CELL_PX).astype(np.float32), (rows.stop - top, width))
        at_y = np.broadcast_to((y[rows] / CELL_PX).astype(np.float32)[:, None], at_x.shape)
        more = cv2.remap(bend, at_x, at_y, cv2.INTER_LINEAR)  # it bends so little that a cell's 1/32 does no harm
        straight = [c + a * u + b * v[rows, None] for c, a, b in laid.values[:, : len(AFFINE)]]
        place = [(x + straight[0]) + more[..., 0], (y[rows, None] + straight[1]) + more[..., 1]]
        # remap rounds places to 1/32 px, which differs from row to row and shifts no block's mean
        to_x, to_y = (part.astype(np.float32) for part in place)
        out[rows] = cv2.remap(
            two, to_x, to_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(0.0,)
        )  # fmt: skip
    return out


def _in_mm(laid: _Laid, covariance: FloatArray, blocks: Blocks, mm: FloatArray) -> ScannerError:
    """Return the scanner's error: half of the even part of the sum of both places, which the shift has negative."""
    first, count = len(AFFINE), len(AFFINE) + len(EVEN)
    keep = [*range(first, count), *range(count + first, 2 * count)]
    size = np.repeat(mm, len(EVEN)) / 2.0
    places = blocks.at * laid.half + laid.middle
    return ScannerError(
        middle_mm=laid.middle * mm, half_mm=laid.half * mm, low_mm=places.min(axis=0) * mm,
        high_mm=places.max(axis=0) * mm, values=-laid.values[:, first:] * mm[:, None] / 2.0,
        covariance=covariance[np.ix_(keep, keep)] * np.outer(size, size),
    )  # fmt: skip

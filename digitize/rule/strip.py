"""Straight strips of the picture, cut along a line at full resolution.

Frames: everything here is px; ``t`` runs along the line, ``h`` across it, both in pixels.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray, IntArray
from digitize.paged import ADDRESSED_PX, give_back, is_paged, rows_at_once

Grey = npt.NDArray[np.uint8]
Float32Array = npt.NDArray[np.float32]

PAPER_PERCENTILE = 90.0  # of a block of columns; ticks and lines cover less than this leaves
PAPER_BLOCK_PX = 256  # shadows and folds are wider than this


@dataclass(frozen=True, eq=False)
class Line:
    """A straight line in the picture with the part of it that is of interest."""

    origin: FloatArray  # (2,) px, t = 0
    direction: FloatArray  # (2,) unit vector
    from_px: float  # t of both ends
    to_px: float

    @property
    def normal(self) -> FloatArray:
        """Unit vector across the line; + is to the right of the direction seen with y down."""
        return np.array([-self.direction[1], self.direction[0]])

    @property
    def length_px(self) -> float:
        """Distance between the ends."""
        return self.to_px - self.from_px

    def at(self, t_px: npt.ArrayLike, h_px: npt.ArrayLike = 0.0) -> FloatArray:
        """Return (..., 2) px places of positions along and across the line."""
        t = np.asarray(t_px, dtype=np.float64)[..., None]
        h = np.asarray(h_px, dtype=np.float64)[..., None]
        return np.asarray(self.origin + t * self.direction + h * self.normal)

    def moved(self, offset_px: float, slope: float) -> Line:
        """Return the line through h = offset + slope * t of this one, with the same extent."""
        origin = self.origin + offset_px * self.normal
        direction = self.direction + slope * self.normal
        return Line(origin, direction / np.hypot(*direction), self.from_px, self.to_px)

    def extended(self, from_px: float, to_px: float) -> Line:
        """Return the same line with other ends."""
        return Line(self.origin, self.direction, from_px, to_px)


@dataclass(frozen=True, eq=False)
class Strip:
    """Darkness (paper minus grey, in grey levels) on a grid of 1 px along and across a line."""

    line: Line
    darkness: Float32Array  # (rows, columns)
    t0_px: float  # of column 0
    h0_px: float  # of row 0

    @property
    def columns(self) -> int:
        """Number of samples along the line."""
        return int(self.darkness.shape[1])

    def rows(self, h_from_px: float, h_to_px: float) -> Float32Array:
        """Return the rows between two offsets, both included, at least one."""
        first = round(min(h_from_px, h_to_px) - self.h0_px)
        last = round(max(h_from_px, h_to_px) - self.h0_px)
        first = min(max(first, 0), len(self.darkness) - 1)
        return self.darkness[first : max(last, first) + 1]

    def sample(self, t_px: FloatArray, h_px: FloatArray) -> FloatArray:
        """Return darkness at (t, h), linear along t, nearest along h; 0 outside."""
        x = t_px - self.t0_px
        left = np.floor(x).astype(np.int64)
        part = x - left
        row = np.rint(h_px - self.h0_px).astype(np.int64)
        inside = (left >= 0) & (left < self.columns - 1) & (row >= 0) & (row < len(self.darkness))
        left, row = np.where(inside, left, 0), np.where(inside, row, 0)
        value = (1 - part) * self.darkness[row, left] + part * self.darkness[row, left + 1]
        return np.where(inside, value, 0.0)


def reach_in_picture(grey: Grey, line: Line) -> tuple[float, float]:
    """Return the smallest and largest t at which the line is inside the picture."""
    low, high = -np.inf, np.inf
    for axis, size in ((0, grey.shape[1]), (1, grey.shape[0])):
        step, start = line.direction[axis], line.origin[axis]
        if abs(step) > 1e-9:  # parallel to this border otherwise
            ends = sorted(((0 - start) / step, (size - 1 - start) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
    return float(low), float(high)


def warp(
    grey: Grey, line: Line, t_px: tuple[float, float], h_px: tuple[float, float], h_step_px: float = 1.0
) -> Grey:
    """Return grey values on the grid of the strip, quickly; places are good to 1/32 px. Paper outside."""
    columns = int(np.ceil(t_px[1] - t_px[0])) + 1
    rows = int(np.floor((h_px[1] - h_px[0]) / h_step_px)) + 1
    below = _below(grey, line, (t_px[0], t_px[0] + columns), (h_px[0], h_px[1]))
    if max(grey.shape) > ADDRESSED_PX or (is_paged(grey) and len(below) > rows_at_once(grey)):
        return _warped_in_pieces(grey, line, t_px[0], h_px[0], h_step_px, (columns, rows))
    start = line.at(t_px[0], h_px[0])
    out = _warped(grey, np.column_stack([line.direction, line.normal * h_step_px, start]), (columns, rows))
    give_back(below)
    return out


def _below(grey: Grey, line: Line, t_px: tuple[float, float], h_px: tuple[float, float]) -> Grey:
    """Return the part of the page that a strip needs."""
    corners = line.at(np.array(t_px)[:, None], np.array(h_px)).reshape(-1, 2)
    low = _corner(grey, corners)
    high = np.maximum(np.ceil(corners.max(axis=0)).astype(int) + 3, low + 1)
    return grey[low[1] : high[1], low[0] : high[0]]


def _corner(grey: Grey, places: FloatArray) -> IntArray:
    """Return the first (x, y) pixel of the part of the page that some places need."""
    return np.asarray(np.clip(np.floor(places.min(axis=0)).astype(int) - 2, 0, np.array(grey.shape[::-1]) - 1))


def _warped(grey: Grey, matrix: FloatArray, size: tuple[int, int]) -> Grey:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(grey, matrix, size, flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=255)
    return np.asarray(out, dtype=np.uint8)


def _warped_in_pieces(
    grey: Grey, line: Line, t0_px: float, h0_px: float, h_step_px: float, size: tuple[int, int]
) -> Grey:
    """Return a strip of a page that is too large for it, each piece of it from the part of the page below."""
    columns, rows = size
    out = np.empty((rows, columns), dtype=np.uint8)
    h_px = h0_px, h0_px + (rows - 1) * h_step_px
    for piece in _pieces(grey, columns):
        part = _below(grey, line, (t0_px + piece.start, t0_px + piece.stop), h_px)
        corners = line.at(t0_px + np.array([[piece.start], [piece.stop]]), np.array(h_px)).reshape(-1, 2)
        start = line.at(t0_px + piece.start, h0_px) - _corner(grey, corners)
        matrix = np.column_stack([line.direction, line.normal * h_step_px, start])
        out[:, piece] = _warped(part, matrix, (piece.stop - piece.start, rows))
        give_back(part)
    return out


def paper_level(grey: Float32Array) -> Float32Array:
    """Return (columns,) the grey of the paper along a strip."""
    columns = grey.shape[1]
    blocks = max(1, columns // PAPER_BLOCK_PX)
    edges = np.linspace(0, columns, blocks + 1).astype(np.int64)
    level = [percentile(grey[::2, a:b:3], PAPER_PERCENTILE) for a, b in itertools.pairwise(edges)]
    middle = (edges[:-1] + edges[1:]) / 2
    return np.interp(np.arange(columns), middle, level).astype(np.float32)


def percentile(values: Float32Array, percent: float) -> float:
    """Return what numpy.percentile does of some values, without what that takes to get going."""
    flat = values.ravel()
    at = (len(flat) - 1) * (percent / 100.0)
    low = min(int(at), len(flat) - 1)
    high = min(low + 1, len(flat) - 1)
    part = np.partition(flat, (low, high))
    share = at - low
    step = part[high] - part[low]
    return float(part[high] - step * (1.0 - share) if share >= 0.5 else part[low] + step * share)


def cut(grey: Grey, line: Line, t_px: tuple[float, float], h_px: tuple[float, float]) -> Strip:
    """Return the strip between two t and two whole h, places good to 1/32 px."""
    values = warp(grey, line, t_px, h_px).astype(np.float32)
    return Strip(line, paper_level(values) - values, t_px[0], h_px[0])


def _bilinear(grey: Grey, xy: FloatArray) -> FloatArray:
    """Return grey at (..., 2) px places in double precision; places are moved inside the picture."""
    x = np.clip(xy[..., 0], 0, grey.shape[1] - 1.001)
    y = np.clip(xy[..., 1], 0, grey.shape[0] - 1.001)
    left, top = x.astype(np.int64), y.astype(np.int64)
    fx, fy = x - left, y - top
    upper = (1 - fx) * grey[top, left] + fx * grey[top, left + 1]
    lower = (1 - fx) * grey[top + 1, left] + fx * grey[top + 1, left + 1]
    give_back(grey[top.min() : top.max() + 2])
    return np.asarray((1 - fy) * upper + fy * lower)


def _pieces(grey: Grey, columns: int) -> list[slice]:
    most = rows_at_once(grey) if is_paged(grey) else max(grey.shape)
    step = max(1, min(columns, most, ADDRESSED_PX))
    return [slice(first, min(first + step, columns)) for first in range(0, columns, step)]


def cut_fine(grey: Grey, line: Line, t_px: tuple[float, float], h_px: tuple[float, float]) -> Strip:
    """Return a strip sampled at exact places (no rounding to 1/32 px), for measuring."""
    t = np.arange(int(np.ceil(t_px[1] - t_px[0])) + 1) + t_px[0]
    h = np.arange(max(1, int(np.floor(h_px[1] - h_px[0])) + 1)) + h_px[0]
    parts = [_bilinear(grey, line.at(t[None, piece], h[:, None])) for piece in _pieces(grey, len(t))]
    values = np.concatenate(parts, axis=1).astype(np.float32)
    return Strip(line, paper_level(values) - values, t_px[0], h_px[0])

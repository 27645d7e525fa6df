"""How blurred a photo is, and whether it moved: how wide its sharpest edges are, each way.

A step blurred by a normal distribution is as steep as its height over 2.5 standard deviations. Out of focus, no
edge is narrower than the blur; a movement leaves the edges along it sharp.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.profile import profiles

Grey = npt.NDArray[np.uint8]

TILE_PX = 40  # in each of these the strongest edge is looked at
MOST_EDGES = 1200
LEAST_STEP = 12.0  # grey levels; weaker edges say more of the noise
REACH_PX, STEP_PX, ALONG_PX = 30.0, 0.5, 3
RIM_PX = 40
SLOPE_TO_SIGMA = 1.0 / np.sqrt(2.0 * np.pi)
BINS = 12  # of directions, 15 degrees each
LEAST_IN_BIN = 6
USUAL = 0.5  # quantile of a direction's edges: shadows are softer, the flanks of a line that moved are sharper
# Blurred: more than this in a picture whose longer side is FULL_PX, what pixels do by themselves apart. Made photos
# that are sharp have 0.6 to 0.9 in all, and those whose graduations of 1 mm are lost 2 and more.
FULL_PX, BLURRED_PX, PIXEL_PX = 4000.0, 1.5, 0.9
# Moved: so much less sharp one way than another.
TIMES_SHARPEST = 2.5


@dataclass(frozen=True)
class Sharpness:
    """Standard deviations of the blur."""

    least_px: float  # across the edges of the sharpest direction
    most_px: float  # across those of the least sharp one
    full: float  # the picture's longer side over FULL_PX

    @property
    def blurred(self) -> bool:
        """Whether no direction is sharp."""
        return self.least_px > self._limit_px

    @property
    def moved(self) -> bool:
        """Whether one direction is far less sharp than another."""
        return self.most_px > max(self._limit_px, TIMES_SHARPEST * self.least_px)

    @property
    def _limit_px(self) -> float:
        return float(np.hypot(BLURRED_PX * self.full, PIXEL_PX))


def sharpness_of(grey: Grey) -> Sharpness | None:
    """Return how blurred a picture (H, W) is, None where it holds too few edges to say."""
    places, normals = _edges(grey)
    if len(places) < LEAST_IN_BIN:
        return None
    width = _sigma_px(grey, places, normals)
    way = np.degrees(np.arctan2(normals[:, 1], normals[:, 0])) % 180.0
    number = np.rint(way / (180.0 / BINS)).astype(int) % BINS
    groups = [width[(number == k) & np.isfinite(width)] for k in range(BINS)]
    found = [float(np.quantile(own, USUAL)) for own in groups if len(own) >= LEAST_IN_BIN]
    return Sharpness(min(found), max(found), max(grey.shape) / FULL_PX) if found else None


def _edges(grey: Grey) -> tuple[FloatArray, FloatArray]:
    """Return (N, 2) the strongest place of each tile, and (N, 2) unit vectors across the edge there."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    dx, dy = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    size = cv2.magnitude(dx, dy)
    size[:RIM_PX], size[-RIM_PX:], size[:, :RIM_PX], size[:, -RIM_PX:] = 0, 0, 0, 0
    rows, columns = (side // TILE_PX for side in size.shape)
    tiles = size[: rows * TILE_PX, : columns * TILE_PX].reshape(rows, TILE_PX, columns, TILE_PX)
    tiles = tiles.transpose(0, 2, 1, 3).reshape(rows * columns, -1)
    best = tiles.argmax(axis=1)
    order = np.argsort(-tiles[np.arange(len(tiles)), best])[:MOST_EDGES]
    y, x = (order // columns) * TILE_PX + best[order] // TILE_PX, (order % columns) * TILE_PX + best[order] % TILE_PX
    normal = np.stack([dx[y, x], dy[y, x]], axis=1).astype(np.float64)
    length = np.hypot(*normal.T)
    kept = length > 0.0
    return np.stack([x, y], axis=1)[kept].astype(np.float64), normal[kept] / length[kept, None]


def _sigma_px(grey: Grey, places: FloatArray, normals: FloatArray) -> FloatArray:
    """Return (N,) the blur across each edge; nan where there is no plain step."""
    h = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    along = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    total = np.zeros((len(places), len(h)))
    for t in range(-ALONG_PX, ALONG_PX + 1):
        total += profiles(grey, (places + t * along)[:, None] + h[:, None] * normals[:, None])
    rows = total / (2 * ALONG_PX + 1)
    slope = np.gradient(rows, STEP_PX, axis=1)
    middle = slice(len(h) // 2 - 8, len(h) // 2 + 9)
    steepest = slope[:, middle].max(axis=1)
    top = slope[:, middle].argmax(axis=1) + middle.start
    rises = slope > 0.1 * steepest[:, None]
    step = np.array([_height(row, own, at) for row, own, at in zip(rows, rises, top, strict=True)])
    return np.where((step > LEAST_STEP) & (steepest > 0), SLOPE_TO_SIGMA * step / np.maximum(steepest, 1e-9), np.nan)


def _height(row: FloatArray, rises: BoolArray, at: int) -> float:
    """Return by how much a row rises in one go about a place."""
    below, above = np.flatnonzero(~rises[:at]), np.flatnonzero(~rises[at:])
    first = int(below[-1]) if len(below) else 0
    last = at + int(above[0]) if len(above) else len(row) - 1
    return float(row[last] - row[first])

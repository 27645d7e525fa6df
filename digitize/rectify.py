"""A photo of a flat sheet -> the sheet as a scanner would see it: one scale all over, straight from above.

The picture is resampled once, by bicubic interpolation (Keys, IEEE Trans. ASSP 29 (1981) 1153). The map is worked out
on a coarse grid and interpolated between: it changes so slowly that this moves nothing by a hundredth of a pixel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.errors import Refusal
from calibration.frames import FloatArray, PxPoints, SheetPoints
from digitize.shapes import Picture

ToPx = Callable[[SheetPoints], PxPoints]

GRID_PX = 16  # of the flat picture, between places whose map is worked out
ROWS_AT_ONCE = 256
WHITE = 245  # beyond the sheet, and where a thing lay on it
SHADOW_MM = 1.5  # a thing's shadow reaches this far beyond it
RIM_MM = 1.0  # the sheet's own edge and the shadow beside it, made paper too
# The flat picture is this much finer than the photo is where it sees the sheet best, within limits: other stages
# are made for scans of 200 dots per inch and more, and more than the photo shows is of no use.
FINER, COARSEST_PX_PER_MM, FINEST_PX_PER_MM = 1.1, 8.0, 14.0
MOST_MM = 2500.0  # a larger sheet than this is a map that went wrong


@dataclass(frozen=True, eq=False)
class FlatSheet:
    """The rectified picture and where it lies on the sheet."""

    picture: Picture
    px_per_mm: float
    left_mm: float  # sheet x of the middle of its first column
    top_mm: float  # sheet y of the middle of its first row

    @property
    def matrix(self) -> FloatArray:
        """(2, 2) flat px -> mm of a sheet frame whose origin is the flat picture's first pixel; y up."""
        return np.diag([1.0, -1.0]) / self.px_per_mm

    def to_flat_px(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2) px of the flat picture for places on the sheet."""
        return (points.xy - [self.left_mm, self.top_mm]) * [self.px_per_mm, -self.px_per_mm]

    def to_sheet(self, flat_px: FloatArray) -> SheetPoints:
        """Return the places on the sheet of (N, 2) px of the flat picture."""
        return SheetPoints(flat_px / [self.px_per_mm, -self.px_per_mm] + [self.left_mm, self.top_mm])


def px_per_mm_for(mm_per_px: FloatArray) -> float:
    """Return how fine the flat picture is to be, from (N,) sizes of the photo's pixels over the sheet."""
    return float(np.clip(FINER / np.min(mm_per_px), COARSEST_PX_PER_MM, FINEST_PX_PER_MM))


def rectify(
    picture: Picture, to_px: ToPx, region_mm: FloatArray, px_per_mm: float, covered_mm: Sequence[FloatArray] = (),
    *, as_seen_mm: float = 0.0,
) -> FlatSheet:  # fmt: skip
    """Return the sheet seen straight from above.

    Args:
        picture: the photo, its light evened.
        to_px: sheet mm to the photo's pixels.
        region_mm: (V, 2) polygon of what the photo shows of the sheet, sheet frame.
        px_per_mm: of the flat picture.
        covered_mm: polygons of things lying on the sheet; they are made paper.
        as_seen_mm: so much round the region's box is shown too, and nothing is made paper, when this is not 0.

    Raises:
        Refusal: ``photo-not-solved`` when the region is larger than any sheet.
    """
    low, high = region_mm.min(axis=0) - as_seen_mm, region_mm.max(axis=0) + as_seen_mm
    if (high - low).max() > MOST_MM:
        raise Refusal("photo-not-solved")
    width, height = (int(np.ceil(side * px_per_mm)) + 1 for side in high - low)
    flat = FlatSheet(picture, px_per_mm, float(low[0]), float(high[1]))
    grey = np.empty((height, width), dtype=np.uint8)
    coarse = _coarse_map(flat, to_px, width, height)
    for top in range(0, height, ROWS_AT_ONCE):
        rows = slice(top, min(top + ROWS_AT_ONCE, height))
        x, y = _fine_map(coarse, rows, width)
        grey[rows] = cv2.remap(
            picture.grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(WHITE,)
        )
    if not as_seen_mm:
        _make_paper(grey, flat, region_mm, covered_mm)
    grey.setflags(write=False)
    return replace(flat, picture=replace(picture, grey=grey, dpi=None, focal_px=None))


def _coarse_map(flat: FlatSheet, to_px: ToPx, width: int, height: int) -> FloatArray:
    """Return (rows, columns, 2) photo px of every GRID_PX-th pixel of the flat picture, less the largest whole part."""
    x = np.arange(0, width + GRID_PX, GRID_PX, dtype=np.float64)
    y = np.arange(0, height + GRID_PX, GRID_PX, dtype=np.float64)
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    return to_px(flat.to_sheet(grid.reshape(-1, 2))).xy.reshape(grid.shape)


def _fine_map(coarse: FloatArray, rows: slice, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the photo's x and y (rows, width), float32, for a band of rows of the flat picture."""
    down = np.arange(rows.start, rows.stop) / GRID_PX
    first = int(down[0])
    part = coarse[first : int(down[-1]) + 2]
    at_x = np.broadcast_to((np.arange(width) / GRID_PX).astype(np.float32), (len(down), width))
    at_y = np.broadcast_to((down - first).astype(np.float32)[:, None], (len(down), width))
    middle = np.floor(part.mean(axis=(0, 1)))  # a band's own coordinates are small, so float32 keeps them
    near = (part - middle).astype(np.float32)
    x, y = (_bilinear(near[..., n], at_x, at_y) + np.float32(middle[n]) for n in (0, 1))
    return x, y


def _bilinear(values: np.ndarray, at_x: np.ndarray, at_y: np.ndarray) -> np.ndarray:
    """Return values between those of a grid; exact, where cv2.remap rounds places to 1/32 of a cell."""
    column, row = at_x[0].astype(np.int64), at_y[:, 0].astype(np.int64)
    across, down = at_x[0] - column, (at_y[:, 0] - row)[:, None]
    upper, lower = values[row], values[np.minimum(row + 1, len(values) - 1)]
    band = upper + (lower - upper) * down
    left, right = band[:, column], band[:, np.minimum(column + 1, values.shape[1] - 1)]
    return np.asarray(left + (right - left) * across, dtype=np.float32)


def _make_paper(grey: np.ndarray, flat: FlatSheet, region_mm: FloatArray, covered_mm: Sequence[FloatArray]) -> None:
    """Make all beyond the region, and under the things on the sheet, paper; in place."""
    inside = np.zeros_like(grey)
    cv2.fillPoly(inside, [_whole(flat, region_mm)], 1)
    grey[inside == 0] = WHITE
    _paint_round(grey, flat, region_mm, RIM_MM)
    for polygon in covered_mm:
        cv2.fillPoly(grey, [_whole(flat, polygon)], (WHITE,))
        _paint_round(grey, flat, polygon, SHADOW_MM)


def _paint_round(grey: np.ndarray, flat: FlatSheet, polygon_mm: FloatArray, reach_mm: float) -> None:
    """Make paper of what lies within a distance of a polygon's sides, in place."""
    cv2.polylines(grey, [_whole(flat, polygon_mm)], True, (WHITE,), max(1, round(2 * reach_mm * flat.px_per_mm)))


def _whole(flat: FlatSheet, polygon_mm: FloatArray) -> np.ndarray:
    return np.rint(flat.to_flat_px(SheetPoints(polygon_mm))).astype(np.int32)

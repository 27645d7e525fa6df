"""A picture with a known scale -> the sheet true size, ready to be printed: upright or mirrored, grey or 1-bit.

The picture is resampled straight to the pixels of each page, a band of rows at a time, by bicubic interpolation
(Keys, IEEE Trans. ASSP 29 (1981) 1153); where a page holds far fewer pixels, they are averaged first. Paper is made
white: the grey of bare paper, which changes over a scan with its light and its folds, is divided out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray, frozen_floats
from digitize.shapes import Picture, TrueSheet, Window

Grey = npt.NDArray[np.uint8]

WHITE = 255
# What bare paper becomes, before white ends it: what is within 2 % of it is white, the scanner's noise with it.
PAPER = 260
CELL_MM = 8.0  # the grey of paper is looked at over squares of this side
PAPER_PERCENTILE = 75.0  # of a square's values: more than a quarter of it is bare nearly everywhere
PAPER_MEDIAN_CELLS = 5  # squares each way that a dark one is judged by
PAPER_LEAST = 0.5  # of the usual paper: what is darker over whole squares is drawn so
PAPER_LOOK_PX = 2  # every so many pixels are looked at
DARKEST_PERCENTILE = 0.2  # the ink: a drawing covers more of its sheet than this
INK_SHARE = 0.4  # of the way from paper to ink: darker than this is ink in a 1-bit print
INK_CELL_MM = 2.0  # places of ink are told this finely
INK_FOR_MARKS = 200  # grey value, paper made white: darker than this is in the way of a mark
AROUND_PX = 4  # beyond a band, for the interpolation
AVERAGE_FROM = 2  # picture pixels to one of the page, each way, from which they are averaged first


@dataclass(frozen=True, eq=False)
class _Source:
    """The picture and the maps between it and sheet mm."""

    grey: Grey
    to_px: FloatArray  # (2, 2) sheet mm -> px
    paper: Grey  # grey of bare paper in every cell
    cell_px: int
    limit: int | None  # 1-bit: darker is ink

    def band(self, window: Window, size_px: tuple[int, int], first: int, last: int) -> Grey:
        """Return rows of a window's pixels; see ``TrueSheet.band``."""
        place = _pixels_to_px(self.to_px, window, size_px, first)
        size = (size_px[0], last - first)
        values = _warped(self.grey, place, size)
        to_cell = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5]]) / self.cell_px - [[0.0, 0.0, 0.5], [0.0, 0.0, 0.5]]
        cells = np.column_stack([to_cell[:, :2] @ place[:, :2], to_cell[:, :2] @ place[:, 2] + to_cell[:, 2]])
        flags = _INVERSE | cv2.INTER_LINEAR
        paper = cv2.warpAffine(self.paper, cells, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        flat: Grey = cv2.divide(values, paper, scale=float(PAPER))
        if self.limit is None:
            return flat
        return np.asarray(np.where(flat < self.limit, 0, WHITE), dtype=np.uint8)


_INVERSE = cv2.WARP_INVERSE_MAP


def true_sheet(
    picture: Picture,
    matrix: FloatArray,
    region_px: Window | None = None,
    *,
    mirrored: bool = False,
    one_bit: bool = False,
) -> TrueSheet:
    """Return a picture's sheet at true size.

    Args:
        picture: dark ink on light paper.
        matrix: (2, 2) px -> sheet mm, the y flip in it.
        region_px: x, y of the first and of the last corner of the part to print, px; left out: all.
        mirrored: turn it over, left for right, all that is written on it too.
        one_bit: black and white only.
    """
    height, width = picture.grey.shape
    box = _box(matrix, region_px or (-0.5, -0.5, width - 0.5, height - 0.5))
    cell_px = max(1, round(CELL_MM / _mm_per_px(matrix)))
    paper = _paper(picture.grey, cell_px)
    bare = _Source(picture.grey, frozen_floats(np.linalg.inv(matrix)), paper, cell_px, None)
    coarse, ink_mm = _ink(bare, box)
    dark = float(np.percentile(coarse, DARKEST_PERCENTILE))
    limit = round(PAPER - INK_SHARE * (PAPER - dark)) if one_bit else None
    source = _Source(bare.grey, bare.to_px, paper, cell_px, limit)
    sheet = TrueSheet(box, 1.0 / _mm_per_px(matrix), frozen_floats(ink_mm), one_bit, source.band)
    return _turned_over(sheet) if mirrored else sheet


def _turned_over(sheet: TrueSheet) -> TrueSheet:
    def band(window: Window, size_px: tuple[int, int], first: int, last: int) -> Grey:
        # the same pixels as of the plain sheet, in the other order
        return np.ascontiguousarray(sheet.band(_flipped(window), size_px, first, last)[:, ::-1])

    ink_mm = frozen_floats(sheet.ink_mm * [-1.0, 1.0])
    return TrueSheet(_flipped(sheet.box), sheet.px_per_mm, ink_mm, sheet.one_bit, band)


def _flipped(window: Window) -> Window:
    return -window[2], window[1], -window[0], window[3]


def _mm_per_px(matrix: FloatArray) -> float:
    """Return the finer of a picture's two."""
    return float(np.hypot(*matrix).min())


def _box(matrix: FloatArray, region_px: Window) -> Window:
    left, top, right, bottom = region_px
    corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)]) @ matrix.T
    (x, y), (x_end, y_end) = corners.min(axis=0), corners.max(axis=0)
    return float(x), float(y), float(x_end), float(y_end)


def _pixels_to_px(to_px: FloatArray, window: Window, size_px: tuple[int, int], first: int) -> FloatArray:
    """Return the (2, 3) affine from the pixels of a window, counted from row ``first`` on, to px of the picture."""
    step = np.array([(window[2] - window[0]) / size_px[0], (window[1] - window[3]) / size_px[1]])
    start = np.array([window[0], window[3]]) + step * [0.5, first + 0.5]
    return np.column_stack([to_px * step, to_px @ start])


def _warped(grey: Grey, place: FloatArray, size: tuple[int, int]) -> Grey:
    """Return the values at the places of (columns, rows) pixels; white beyond the picture."""
    columns, rows = size
    corners = np.array([(0, 0), (columns, 0), (0, rows), (columns, rows)]) @ place[:, :2].T + place[:, 2]
    height, width = grey.shape
    many = int(np.hypot(*place[:, :2]).min())
    step = many if many >= AVERAGE_FROM else 1
    around = AROUND_PX * step
    left, top = (int(max(0, side)) // step * step for side in np.floor(corners.min(axis=0)) - around)
    right, low = (int(side) for side in np.minimum(np.ceil(corners.max(axis=0)) + around, (width, height)))
    if right - left < step or low - top < step:
        return np.full((rows, columns), WHITE, dtype=np.uint8)
    part = grey[top:low, left:right]
    near = np.column_stack([place[:, :2], place[:, 2] - (left, top)])  # small numbers, which keep their decimals
    if step > 1:
        part = part[: len(part) // step * step, : part.shape[1] // step * step]
        part = cv2.resize(part, (part.shape[1] // step, len(part) // step), interpolation=cv2.INTER_AREA)
        near = np.column_stack([near[:, :2] / step, (near[:, 2] + 0.5) / step - 0.5])
    return np.asarray(
        cv2.warpAffine(
            part, near, size, flags=_INVERSE | cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(WHITE,)
        ),
        dtype=np.uint8,
    )


def _paper(grey: Grey, cell_px: int) -> Grey:
    """Return the grey of bare paper in squares of the picture: a dark square is judged by those around it."""
    rows, columns = (max(1, -(-side // cell_px)) for side in grey.shape)
    levels = np.empty((rows, columns), dtype=np.uint8)
    for row in range(rows):
        strip = grey[row * cell_px : (row + 1) * cell_px : PAPER_LOOK_PX]
        for column in range(columns):
            cell = strip[:, column * cell_px : (column + 1) * cell_px : PAPER_LOOK_PX]
            levels[row, column] = np.percentile(cell, PAPER_PERCENTILE)
    least = max(1, round(PAPER_LEAST * float(np.median(levels))))
    return np.asarray(np.maximum(cv2.medianBlur(levels, PAPER_MEDIAN_CELLS), least), dtype=np.uint8)


def _ink(bare: _Source, box: Window) -> tuple[Grey, FloatArray]:
    """Return the sheet's values coarsely (a pixel a quarter of a cell), and (N, 2) mm of the cells that hold ink."""
    columns, rows = (max(1, int(np.ceil((box[axis + 2] - box[axis]) / INK_CELL_MM))) for axis in (0, 1))
    fine = 8  # pixels to a cell, so that a thin line still shows dark
    values = bare.band(box, (columns * fine, rows * fine), 0, rows * fine)
    darkest = values.reshape(rows, fine, columns, fine).min(axis=(1, 3))
    row, column = np.nonzero(darkest < INK_FOR_MARKS)
    x = box[0] + (column + 0.5) * (box[2] - box[0]) / columns
    y = box[3] - (row + 0.5) * (box[3] - box[1]) / rows
    return values, np.column_stack([x, y])

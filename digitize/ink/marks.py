"""Connected marks of ink: which are lines, which are specks, and which are the pieces of one broken line."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from calibration.frames import BoolArray, FloatArray, IntArray

ByteArray = npt.NDArray[np.uint8]
LabelArray = npt.NDArray[np.int32]

# Specks: ink smaller than this across is not a line.
SPECK_MM = 0.8
# Pieces of a broken line lie this near each other (a copier or a 1-bit scan drops pixels of a hairline), and
# together they are at least this long. A speck beside a mark longer than a piece is not of it.
MENDED_PX = 7
LEAST_MENDED_MM = 3.0
PIECE_MM = 8.0
# A line is so many times longer than wide.
LEAST_SLENDER = 3.0
# Some of what is worked out of a page is so a strip of rows at a time; a multiple of 8.
STRIP_ROWS = 512
# Marks are told apart in no more than so many pixels at once.
LABELLED_PIXELS = 3 * 2**22


@dataclass(frozen=True, eq=False)
class InkPlaces:
    """Flat places (N,) of the ink of a mask, and whether each bends down more than noise."""

    at: IntArray
    sure: BoolArray


@dataclass(frozen=True, eq=False)
class _Marks:
    """The connected marks of a mask; number 0 is the paper."""

    at: IntArray  # (N,) flat places of the ink, ascending
    label: LabelArray  # (N,) their marks
    box: IntArray  # (M, 4) left, top, right, bottom
    area: IntArray  # (M,)
    sure: BoolArray  # (M,) it holds a pixel that bends down more than noise

    def rows(self, first: int, last: int, width: int) -> LabelArray:
        """Return (last - first, width) the marks of some of the rows."""
        part = slice(*np.searchsorted(self.at, (first * width, last * width)))
        labels = np.zeros((last - first, width), dtype=np.int32)
        labels.ravel()[self.at[part] - first * width] = self.label[part]
        return labels


def strip_of(bits: ByteArray, top: int, shape: tuple[int, ...]) -> ByteArray:
    """Return ``STRIP_ROWS`` rows of a packed mask of a shape from ``top``, a multiple of that, unpacked."""
    rows = min(STRIP_ROWS, shape[0] - top)
    first = top * shape[1] // 8
    return np.unpackbits(bits[first : first + rows * shape[1] // 8 + 1], count=rows * shape[1]).reshape(rows, shape[1])


def long_marks(mask: ByteArray, sure: ByteArray, least_px: float) -> ByteArray:
    """Return the marks that hold something ``sure`` (packed), are long enough and much longer than wide.

    They are told apart on a copy of half the size, ink where any of 2 x 2 pixels is: so a line broken by one
    pixel of noise is one mark still.
    """
    half = _halved(mask)
    marks = _marks(half, ink_places(half, np.packbits(_halved(mask, sure))))
    keep = marks.sure & (_extent(marks.box) >= least_px / 2) & _slender(marks.box, marks.area)
    kept = np.zeros_like(half)
    kept.ravel()[marks.at[keep[marks.label]]] = 1
    whole = cv2.resize(kept, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)[: mask.shape[0], : mask.shape[1]]
    return np.asarray(cv2.bitwise_and(whole, mask, dst=whole), dtype=np.uint8)


def _halved(mask: ByteArray, sure: ByteArray | None = None) -> ByteArray:
    """Return 1 where any of 2 x 2 pixels is, and is ``sure`` (packed)."""
    height, width = mask.shape
    half = np.empty(((height + 1) // 2, (width + 1) // 2), dtype=np.uint8)
    for top in range(0, height, STRIP_ROWS):
        part = mask[top : top + STRIP_ROWS]
        part = part if sure is None else cv2.bitwise_and(part, strip_of(sure, top, mask.shape))
        even = cv2.copyMakeBorder(part, 0, len(part) % 2, 0, width % 2, cv2.BORDER_REPLICATE)
        rows = cv2.bitwise_or(even[::2], even[1::2])
        np.bitwise_or(rows[:, ::2], rows[:, 1::2], out=half[top // 2 : top // 2 + len(rows)])
    return half


def ink_places(mask: ByteArray, sure: ByteArray) -> InkPlaces:
    """Return where a mask's ink is, and which of it is ``sure`` (packed)."""
    at = np.flatnonzero(mask.view(np.bool_))  # masks are 0 or 1; numpy looks through booleans much faster
    return InkPlaces(at, (sure[at >> 3] << (at & 7).astype(np.uint8)) & 128 > 0)


def drawn_marks(mask: ByteArray, ink: InkPlaces, broken: IntArray, px_per_mm: float) -> BoolArray:
    """Return the mask without what is too small for a line; pieces of a broken line are mended before.

    What is dark but nowhere sure goes too: shade that the paper's closing could not follow, and noise on it.

    Args:
        mask: (H, W) 0 or 1; it is used up.
        ink: its ink.
        broken: flat places of paper where a thin line runs.
        px_per_mm: of the mask.
    """
    marks = _marks(mask, ink)
    gap_at, gap_labels = _gaps(mask.shape, marks, broken)
    beside = np.sort(_extent(marks.box)[gap_labels], axis=1)
    pieces = (beside[:, 0] >= SPECK_MM * px_per_mm) | (beside[:, 1] < PIECE_MM * px_per_mm)
    gap_at, gap_labels = gap_at[pieces], gap_labels[pieces]
    group, box, area = _grouped(marks, gap_labels)
    mended = (_extent(box) >= LEAST_MENDED_MM * px_per_mm) & _slender(box, area)
    keep = marks.sure & ((_extent(marks.box) >= SPECK_MM * px_per_mm) | mended[group])
    keep[0] = False
    kept = mask.view(np.bool_)
    kept.ravel()[marks.at] = keep[marks.label]
    kept.ravel()[gap_at[mended[group[gap_labels[:, 0]]]]] = True
    return kept


def _marks(mask: ByteArray, ink: InkPlaces) -> _Marks:
    """Return the marks of a mask; of a large one they are told apart in bands, and joined where those meet."""
    height, width = mask.shape
    step = max(1, LABELLED_PIXELS // width)
    label = np.empty(len(ink.at), dtype=np.int32)
    boxes, areas, pairs = [np.array([[0, 0, width, height]])], [np.zeros(1, dtype=np.int64)], []
    count, above = 1, np.zeros(width, dtype=np.int32)
    for top in range(0, height, step):
        band = mask[top : top + step]
        _, labels, stats, _ = cv2.connectedComponentsWithStats(band, connectivity=8)
        part = slice(*np.searchsorted(ink.at, (top * width, (top + len(band)) * width)))
        label[part] = labels.ravel()[ink.at[part] - top * width] + (count - 1)
        ends = [np.where(labels[row] > 0, labels[row] + (count - 1), 0) for row in (0, -1)]
        del labels
        corner = stats[1:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]] + (0, top)
        boxes.append(np.hstack([corner, corner + stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]]))
        areas.append(stats[1:, cv2.CC_STAT_AREA])
        pairs.append(_meeting(above, ends[0]))
        count, above = count + len(stats) - 1, ends[1]
    return _joined(ink, label, np.concatenate(boxes), np.concatenate(areas), np.concatenate(pairs))


def _meeting(above: LabelArray, below: LabelArray) -> LabelArray:
    """Return (P, 2) the marks that touch each other from one row to the next."""
    padded = np.pad(above, 1)
    found = [np.stack([padded[shift : shift + len(below)], below], axis=1) for shift in range(3)]
    pairs = np.concatenate(found)
    return np.asarray(np.unique(pairs[(pairs > 0).all(axis=1)], axis=0))


def _joined(ink: InkPlaces, label: LabelArray, box: IntArray, area: IntArray, pairs: LabelArray) -> _Marks:
    box, area = box.astype(np.int64), area.astype(np.int64)
    if len(pairs):
        group, box, summed = _groups(box, area, pairs)
        label, area = group[label].astype(np.int32), summed.astype(np.int64)
    held = np.zeros(len(area), dtype=np.bool_)
    held[label[ink.sure]] = True
    return _Marks(ink.at, label, box, area, held)


def _extent(box: IntArray) -> IntArray:
    return np.asarray((box[:, 2:] - box[:, :2]).max(axis=1))


def _slender(box: IntArray, area: IntArray | FloatArray) -> BoolArray:
    return np.asarray(_extent(box).astype(float) ** 2 >= LEAST_SLENDER * area)


def _gaps(shape: tuple[int, ...], marks: _Marks, broken: IntArray) -> tuple[IntArray, LabelArray]:
    """Return the flat places (G,) of paper between two marks where a thin line runs, and the two marks (G, 2)."""
    step = max(1, LABELLED_PIXELS // shape[1])
    at, between = [], []
    for top in range(0, shape[0], step):
        rows = max(0, top - MENDED_PX), min(shape[0], top + step + MENDED_PX)
        part = broken[slice(*np.searchsorted(broken, (top * shape[1], (top + step) * shape[1])))]
        first = rows[0] * shape[1]
        places, labels = _gaps_between(marks.rows(*rows, shape[1]), len(marks.area), part - first)
        at.append(places + first)
        between.append(labels)
    return np.concatenate(at), np.concatenate(between)


def _gaps_between(labels: LabelArray, count: int, broken: IntArray) -> tuple[IntArray, LabelArray]:
    """Return the same of some rows of a page, in their own flat places; there are ``count`` marks in all."""
    shape = labels.shape
    rows, cols = np.divmod(broken, shape[1])
    low = np.full(len(rows), count, dtype=np.int32)
    high = np.zeros(len(rows), dtype=np.int32)
    near_px = MENDED_PX // 2
    inner_rows = np.clip(rows, near_px, shape[0] - 1 - near_px)
    inner_cols = np.clip(cols, near_px, shape[1] - 1 - near_px)
    for d_row, d_col in itertools.product(range(-near_px, near_px + 1), repeat=2):
        near = labels[inner_rows + d_row, inner_cols + d_col]
        np.maximum(high, near, out=high)
        np.minimum(low, np.where(near > 0, near, low), out=low)
    two = low < high
    return np.asarray(rows[two] * shape[1] + cols[two]), np.stack([low[two], high[two]], axis=1)


def _grouped(marks: _Marks, pairs: LabelArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the group of each mark when the pairs are joined, and the groups' boxes (K, 4) and areas (K,)."""
    return _groups(marks.box, marks.area, pairs)


def _groups(box: IntArray, area: IntArray, pairs: LabelArray) -> tuple[IntArray, IntArray, FloatArray]:
    count = len(area)
    joined = csr_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    groups, group = connected_components(joined, directed=False)
    joint = np.tile(np.array([np.iinfo(np.int64).max] * 2 + [0, 0]), (groups, 1))
    np.minimum.at(joint[:, :2], group, box[:, :2])
    np.maximum.at(joint[:, 2:], group, box[:, 2:])
    return np.asarray(group, dtype=np.int64), joint, np.asarray(np.bincount(group, area, groups), dtype=np.float64)

"""Which pixels hold ink: full lines by one threshold for the page, faint ones by what stands out near by."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import IntArray
from digitize.ink.marks import STRIP_ROWS, drawn_marks, ink_places, long_marks, strip_of
from digitize.ink.ridge import ridges

ByteArray = npt.NDArray[np.uint8]

# Shading wider than this is paper or shadow, narrower is drawn.
SHADE_MM = 4.0
# Ink is what is darker than paper by this part of full ink.
INK_FRACTION = 0.38
# Grey levels are counted in every so many of the rows.
COUNTED_ROWS = 3
# Drawn lines cover a few hundredths of a page; what covers more is its ground (grid paper, a screen of dots).
MOST_INK_SHARE = 0.10
# A faint line is at least this long.
LEAST_FAINT_MM = 3.0
# Surely full ink is darker than this part of it; its width and its blurred flank reach this far.
CORE_FRACTION = 0.6
FLANK_PX = 3
# A faint line's own full ink is looked for within this.
OWN_INK_PX = 3
# Paper's own darkness is the median of tiles of this size.
BASE_TILE_PX, BASE_STEP_PX = 64, 8


@dataclass(frozen=True, eq=False)
class Levels:
    """What of a page is as dark as ink and what stands out near by, whatever its size; masks are packed."""

    darkness: ByteArray  # (H, W)
    full: float  # the darkness of full ink
    ink: ByteArray  # as dark as ink
    sure: ByteArray  # bends down more than noise
    thin: ByteArray  # sure thin lines
    apart: ByteArray  # faint lines, apart from full ink
    beside: ByteArray  # faint lines beside full ink

    def mask(self, bits: ByteArray) -> ByteArray:
        """Return one of the masks unpacked, (H, W) 0 or 1."""
        return np.unpackbits(bits, count=self.darkness.size).reshape(self.darkness.shape)


def shade_px(px_per_mm: float) -> int:
    """Return how wide shading is at least: all that :func:`ink_levels` is told of the scale, in steps of 4 px."""
    return max(3, int(SHADE_MM * px_per_mm) | 1) // 4


def paper_darkness(grey: ByteArray, shade: int) -> ByteArray:
    """Return how much darker each pixel is than the paper around it, uint8.

    The paper is the morphological closing (the greatest lower envelope from above), so
    soft shadows and yellowed paper vanish while lines stay.
    """
    quarter = cv2.dilate(grey, np.ones((3, 3), np.uint8))[::4, ::4]
    kernel = np.ones((max(3, shade) | 1,) * 2, np.uint8)
    paper = cv2.blur(cv2.morphologyEx(quarter, cv2.MORPH_CLOSE, kernel), (5, 5))
    full = cv2.resize(paper, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.subtract(full, grey, dst=full), dtype=np.uint8)


def ink_levels(grey: ByteArray, shade: int) -> Levels:
    """Return what is dark on a page, and what stands out; ``shade`` is that of :func:`shade_px`.

    Masks of a large page are most of the memory: those that wait do so as bits, and each goes when it is done with.
    """
    darkness = paper_darkness(grey, shade)
    del grey
    full = _full_ink(_smooth(darkness))
    found = ridges(darkness, full)
    smooth = _smooth(darkness)
    apart = found.follow
    beside = _taken_beside(apart, smooth, full)
    _keep_above_half(apart, smooth)
    ink = np.packbits(smooth > INK_FRACTION * full)
    return Levels(darkness, full, ink, found.sure_bits, found.thin_bits, np.packbits(apart), beside)


def ink_mask(levels: Levels, px_per_mm: float) -> tuple[npt.NDArray[np.bool_], ByteArray]:
    """Return (mask, darkness): which pixels are ink, and darkness scaled so that 255 is full ink.

    The levels' own darkness is used up.
    """
    mask = levels.mask(levels.ink)
    _add_faint(mask, levels, LEAST_FAINT_MM * px_per_mm)
    cv2.convertScaleAbs(levels.darkness, dst=levels.darkness, alpha=255.0 / levels.full)
    return drawn_marks(mask, ink_places(mask, levels.sure), _broken(mask, levels), px_per_mm), levels.darkness


def _broken(mask: ByteArray, levels: Levels) -> IntArray:
    """Return the flat places of paper where a thin line runs."""
    found = []
    for top in range(0, len(mask), STRIP_ROWS):
        apart = cv2.subtract(strip_of(levels.thin, top, mask.shape), mask[top : top + STRIP_ROWS])
        found.append(np.flatnonzero(apart.view(np.bool_)) + top * mask.shape[1])
    return np.concatenate(found)


def _smooth(darkness: ByteArray) -> ByteArray:
    return np.asarray(cv2.GaussianBlur(darkness, (0, 0), 0.6), dtype=np.uint8)


def _full_ink(darkness: ByteArray) -> float:
    """Return the darkness of a full line, 1..255: the upper quartile of what stands out from paper noise."""
    counts = cv2.calcHist([darkness[::COUNTED_ROWS]], [0], None, [256], [0, 256]).ravel()
    levels = np.arange(256)
    total = counts.sum()
    noise = np.sqrt((counts[:40] * levels[:40] ** 2).sum() / max(total, 1.0))
    ground = int(np.count_nonzero(np.cumsum(counts[::-1])[::-1] > MOST_INK_SHARE * total))
    start = max(int(min(128.0, max(24.0, 5.0 * noise))), ground)
    above = counts[start:]
    if above.sum() == 0:
        return 255.0
    cumulative = np.cumsum(above) / above.sum()
    return float(start + np.searchsorted(cumulative, 0.75))


def _taken_beside(follow: ByteArray, smooth: ByteArray, full: float) -> ByteArray:
    """Take what lies beside full ink out of a mask and return it, packed."""
    taken = []
    for top in range(0, len(follow), STRIP_ROWS):
        own, above = follow[top : top + STRIP_ROWS], min(top, FLANK_PX)
        core = cv2.compare(smooth[top - above : top + STRIP_ROWS + FLANK_PX], CORE_FRACTION * full, cv2.CMP_GT)
        beside = cv2.bitwise_and(cv2.dilate(core, _square(FLANK_PX))[above : above + len(own)], own)
        cv2.subtract(own, beside, dst=own)
        taken.append(np.packbits(beside))
    return np.concatenate(taken)


def _add_faint(mask: ByteArray, levels: Levels, least_px: float) -> None:
    """Add the faint lines to the mask of full ink, in place."""
    apart = levels.mask(levels.apart)
    faint = long_marks(apart, levels.sure, least_px)
    # Up to the full line that a faint one meets, across that line's flank.
    meets = cv2.dilate(faint, _square(FLANK_PX - 1), dst=apart)
    for top in range(0, len(mask), STRIP_ROWS):
        own = slice(top, top + STRIP_ROWS)
        cv2.bitwise_and(meets[own], strip_of(levels.beside, top, mask.shape), dst=meets[own])
    cv2.bitwise_or(mask, cv2.bitwise_or(faint, meets, dst=meets), dst=mask)


def _keep_above_half(apart: ByteArray, smooth: ByteArray) -> None:
    """Keep the pixels that have their part of the darkness that the line near by reaches, beyond paper's own."""
    base, row_of = _paper_base(smooth)
    above = apart[:0]  # the rows above a strip as they were
    for top in range(0, len(apart), STRIP_ROWS):
        own = slice(top, top + STRIP_ROWS)
        near = np.concatenate([above, apart[top : top + STRIP_ROWS + OWN_INK_PX]])
        rows = smooth[top - len(above) : top + STRIP_ROWS + OWN_INK_PX]
        level = cv2.dilate(cv2.bitwise_and(rows, rows, mask=near), _square(OWN_INK_PX))
        level = level[len(above) :][: len(apart[own])]
        level = cv2.addWeighted(level, INK_FRACTION, base[row_of[own]], 1.0 - INK_FRACTION, 0.0)
        above = apart[own][-OWN_INK_PX:].copy()
        cv2.bitwise_and(apart[own], cv2.compare(smooth[own], level, cv2.CMP_GT), dst=apart[own])


def _square(reach_px: int) -> ByteArray:
    return np.ones((2 * reach_px + 1,) * 2, np.uint8)


def _paper_base(smooth: ByteArray) -> tuple[ByteArray, npt.NDArray[np.int64]]:
    """Return the darkness of bare paper: its lightest grains, by which paper is known, are lighter by their noise.

    It comes as one row of the page for each row of tiles, and for each row of the page (H,) which of them it is.
    """
    sample = smooth[::BASE_STEP_PX, ::BASE_STEP_PX]
    tile = BASE_TILE_PX // BASE_STEP_PX
    padded = np.pad(sample, ((0, -sample.shape[0] % tile), (0, -sample.shape[1] % tile)), mode="symmetric")
    tiles = padded.reshape(len(padded) // tile, tile, -1, tile).swapaxes(1, 2)
    median = np.median(tiles.reshape(*tiles.shape[:2], -1), axis=2).astype(np.uint8)
    rows = cv2.resize(median, (smooth.shape[1], len(median)), interpolation=cv2.INTER_NEAREST)
    number = np.arange(len(median), dtype=np.float32)[:, None]
    row_of = cv2.resize(number, (1, len(smooth)), interpolation=cv2.INTER_NEAREST)[:, 0].astype(np.int64)
    return np.asarray(rows, dtype=np.uint8), row_of

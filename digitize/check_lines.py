"""The check lines of a printed page, found in a scan of it: two level, two upright, ticks at their ends.

They are told from all else on a page by how they belong together: the 100 mm line and the 4 in line begin side by side,
the second to the right of the first on the way, and the two pairs stand square to each other, each pair so far apart.
Whichever way the page lies on the glass, that says which pair is the level one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray

Grey = npt.NDArray[np.uint8]

INK_SHARE = 0.3  # of the way from paper to the darkest ink: darker is ink
PAPER_MM = 6.0  # the grey of paper is that of squares of this side
MOST_FACTOR = 1.27  # a print further off than 0.8 to 1.25 is refused anyway
THICK_MM = (1.2, 6.5)  # across a line with its ticks, and words that touch it
TICK_ROWS_MM = (0.45, 1.3)  # beside the line, where a tick is seen alone
TICK_ROOM_MM = 1.2  # about its place
STEP_PX = 0.2
LEAST_TICK = 0.25  # of the darkest ink
RATIO_OFF, GAP_OFF, BEGIN_OFF_MM = 0.006, 0.12, 0.6
PARALLEL_RAD, SQUARE_RAD = math.radians(1.0), math.radians(2.0)


@dataclass(frozen=True)
class PairShape:
    """Two check lines that begin side by side, as they are drawn; mm."""

    short_mm: float
    long_mm: float
    gap_mm: float  # between them


@dataclass(frozen=True, eq=False)
class LineSeen:
    """One check line in the scan."""

    start: FloatArray  # (2,) px, the middle of its tick
    end: FloatArray

    @property
    def px(self) -> FloatArray:
        """(2,) from start to end."""
        return np.asarray(self.end - self.start)


@dataclass(frozen=True, eq=False)
class LinesSeen:
    """The check lines of one page."""

    level: tuple[LineSeen, LineSeen]  # the short one, the long one
    upright: tuple[LineSeen, LineSeen]


def find_check_lines(
    grey: Grey, mm_per_px: tuple[float, float], level: PairShape, upright: PairShape
) -> LinesSeen | None:
    """Return a page's check lines; None where not all four are there, or more than four could be.

    Args:
        grey: the scan.
        mm_per_px: x, y, to a few percent.
        level: how the level pair is drawn.
        upright: and the upright one.
    """
    mm = np.array(mm_per_px)
    lines = [line for place in _long_pieces(grey, mm, level) if (line := _measured(grey, place, mm)) is not None]
    pairs = {
        name: [pair for both in permutations(lines, 2) if (pair := _pair(*both, shape, mm)) is not None]
        for name, shape in (("level", level), ("upright", upright))
    }
    whole = [(one, two) for one in pairs["level"] for two in pairs["upright"] if _square(one[0], two[0], mm)]
    return LinesSeen(*whole[0]) if len(whole) == 1 else None


def _long_pieces(grey: Grey, mm: FloatArray, shape: PairShape) -> list[tuple[FloatArray, FloatArray]]:
    """Return the ends (2,) px of pieces of ink that are as long and as narrow as a check line with its ticks."""
    per_mm = 1.0 / float(np.sqrt(mm[0] * mm[1]))
    ink = _ink(grey, per_mm)
    limit = INK_SHARE * float(np.percentile(ink[::3, ::3], 99.9))
    mask = cv2.morphologyEx((ink > limit).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), dtype=np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    found = []
    least, most = shape.short_mm / MOST_FACTOR * per_mm, shape.long_mm * MOST_FACTOR * per_mm
    for number, (x, y, wide, high, _) in enumerate(stats.tolist()):
        if number == 0 or not least * 0.95 < math.hypot(wide, high) < most * 1.05:
            continue
        rows, columns = np.nonzero(labels[y : y + high, x : x + wide] == number)
        points = np.stack([columns + x, rows + y], axis=1).astype(np.float32)
        _, (one, two), _ = box = cv2.minAreaRect(points)
        if least < max(one, two) < most and THICK_MM[0] < min(one, two) / per_mm < THICK_MM[1]:
            found.append(_ends(points.astype(np.float64), cv2.boxPoints(box).astype(np.float64)))
    return found


def _ends(points: FloatArray, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the ends of a long piece: its direction is that of its box, its middle that of most of its ink."""
    sides = [corners[1] - corners[0], corners[2] - corners[1]]
    along = max(sides, key=lambda side: float(np.hypot(*side)))
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    t, h = points @ along, points @ across
    middle = float(np.median(h)) * across
    return float(t.min()) * along + middle, float(t.max()) * along + middle


def _ink(grey: Grey, per_mm: float) -> npt.NDArray[np.uint8]:
    """Return how much darker than the paper about it a place is."""
    cell = max(2, round(PAPER_MM * per_mm))
    size = (math.ceil(grey.shape[1] / cell), math.ceil(grey.shape[0] / cell))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    paper = cv2.dilate(small, np.ones((3, 3), dtype=np.uint8))
    ink: Grey = cv2.subtract(cv2.resize(paper, grey.shape[::-1], interpolation=cv2.INTER_LINEAR), grey)
    return ink


def _measured(grey: Grey, place: tuple[FloatArray, FloatArray], mm: FloatArray) -> LineSeen | None:
    """Return a line by the middles of its ticks; None without a tick on both sides of both ends."""
    start, end = place
    per_mm = 1.0 / float(np.sqrt(mm[0] * mm[1]))
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]])
    start = start + _line_off(grey, start, along, across, per_mm)
    end = end + _line_off(grey, end, -along, across, per_mm)
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]])
    ticks = [_tick(grey, at, along, across, per_mm) for at in (start, end)]
    if ticks[0] is None or ticks[1] is None:
        return None
    return LineSeen(start + ticks[0] * along, end + ticks[1] * along)


def _line_off(grey: Grey, at: FloatArray, inward: FloatArray, across: FloatArray, per_mm: float) -> FloatArray:
    """Return the step across from an end to the line itself, seen from 2 to 9 mm inside of the tick."""
    t = np.arange(2.0 * per_mm, 9.0 * per_mm, 1.0)
    h = np.arange(-1.6 * per_mm, 1.6 * per_mm, STEP_PX)
    ink = _darkness(_sampled(grey, at, inward, across, t, h).mean(axis=1))
    peak = int(np.argmax(ink))
    near = np.abs(h - h[peak]) < 0.5 * per_mm
    return np.asarray(float((ink * near * h).sum() / max(float((ink * near).sum()), 1e-9)) * across)


def _tick(grey: Grey, at: FloatArray, along: FloatArray, across: FloatArray, per_mm: float) -> float | None:
    """Return where along the line its tick is, px from ``at``: the mean of what is seen of it on both sides."""
    t = np.arange(-TICK_ROOM_MM * per_mm, TICK_ROOM_MM * per_mm, STEP_PX)
    rows = np.arange(TICK_ROWS_MM[0] * per_mm, TICK_ROWS_MM[1] * per_mm, 0.5)
    found = []
    for side in (-1.0, 1.0):
        ink = _darkness(_sampled(grey, at, along, across, t, side * rows).mean(axis=0))
        if ink.max() < LEAST_TICK * 255.0 * 0.5:
            return None
        near = np.abs(t - t[int(np.argmax(ink))]) < 0.5 * per_mm
        found.append(float((ink * near * t).sum() / (ink * near).sum()))
    return float(np.mean(found)) if abs(found[0] - found[1]) < 0.3 * per_mm else None


def _darkness(profile: FloatArray) -> FloatArray:
    return np.clip(float(np.percentile(profile, 80)) - profile - 2.0, 0.0, None)


def _sampled(
    grey: Grey, at: FloatArray, along: FloatArray, across: FloatArray, t: FloatArray, h: FloatArray
) -> FloatArray:
    """Return the grey (H, T) at places along and across from ``at``."""
    places = at + t[None, :, None] * along + h[:, None, None] * across
    x, y = (places[..., axis].astype(np.float32) for axis in (0, 1))
    return np.asarray(cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64)


def _pair(one: LineSeen, two: LineSeen, shape: PairShape, mm: FloatArray) -> tuple[LineSeen, LineSeen] | None:
    """Return two lines, each the right way round, as the short and the long one of a pair; None if they are none."""
    ratio = float(np.hypot(*(two.px * mm)) / np.hypot(*(one.px * mm)))
    if abs(ratio / (shape.long_mm / shape.short_mm) - 1.0) > RATIO_OFF:
        return None
    for short in (one, LineSeen(one.end, one.start)):
        long = two if (short.px * mm) @ (two.px * mm) > 0.0 else LineSeen(two.end, two.start)
        if _side_by_side(short, long, shape, mm):
            return short, long
    return None


def _side_by_side(short: LineSeen, long: LineSeen, shape: PairShape, mm: FloatArray) -> bool:
    """Whether two lines run the same way, begin together, and the long one lies right of the short one, as far off."""
    length = float(np.hypot(*(short.px * mm)))
    along = short.px * mm / length
    right = np.array([-along[1], along[0]])  # y runs down
    if abs(float(long.px * mm @ right)) > math.sin(PARALLEL_RAD) * length:
        return False
    apart = (long.start - short.start) * mm * shape.short_mm / length
    return bool(abs(apart @ along) < BEGIN_OFF_MM and abs(apart @ right / shape.gap_mm - 1.0) < GAP_OFF)


def _square(level: LineSeen, upright: LineSeen, mm: FloatArray) -> bool:
    """Whether the upright line turns up from the level one."""
    one, two = level.px * mm, upright.px * mm
    turn = math.atan2(one[0] * two[1] - one[1] * two[0], one @ two)  # y runs down: up is to the left
    return abs(turn + math.pi / 2) < SQUARE_RAD

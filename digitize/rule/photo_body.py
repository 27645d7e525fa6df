"""The body of a rule in a photo: where its edges run, and whether it lies on the paper or is drawn there.

Grey values are looked at in blocks along the rule, each row by its median, so that graduations and numbers drop out.
A laid rule has another tone than what lies beyond its edge, or its marks end on a bare edge; a drawn one stands on a
drawn line with the same paper on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from calibration.frames import BoolArray, FloatArray
from digitize.rule.photo_course import Course, straightened
from digitize.rule.strip import Grey

BLOCKS = 24  # along a rule
BLOCK_COLUMNS = 24
BEYOND_MM = 22.0  # looked at outside the edge
WIDEST_MM = 66.0  # body, from the graduated edge
NEAR_ROWS, FAR_ROWS = 3.0, 12.0  # beside the edge: clear of its line, and of its shadow
LEAST_STEP = 6.0  # grey levels between body and paper
STEP_SHARE = 0.65  # of the blocks
LINE_DEPTH, MARKS_DEPTH = 0.5, 0.35  # of the graduations' contrast: a line along their feet, darker than they are
FOOT_ROWS, LINE_ROWS = 6, 3  # looked at for that line, and from its middle to where it must have faded
LINE_FADES = 0.35  # to this share of its depth
SURE_STEP, SURE_LINE, SURE_BARE = 0.97, 0.9, 0.7
NUMBERS_MM = 6.0  # room for numbers beyond the longest marks where no far edge is seen
END_MM = 18.0  # how far beyond its graduations a rule may go on
END_SPARE_MM = 2.0
END_BACK_PX, END_HALF_PX = 8.0, 5  # looked at inward from the last graduation; averaged on both sides of a step
EDGE_SHARE = 0.6  # of the blocks show the far edge
MOST_TURN = 1.5  # mm by which the far edge may seem farther at the end of a rule than in its middle
JUMP_ROWS, WIDE_MM, FACE_MM = 3, 2.0, 5.0  # beside a far edge, in which its step is seen; of the face, beyond the marks
SAME_EDGE_MM = 4.0  # from the nearest place that may be the far edge, with what turn it may have, to the clearest
FIRST_SHARE = 0.5  # of the strongest step, where nothing beyond is as light as before the feet
OUTSIDE_SHARE = 0.35  # of the step between body and paper: as light as the paper
CLEAR_ROWS, INSIDE_ROWS = 1.5, 4  # beyond the tips of the shortest marks: clear of them, and looked at


@dataclass(frozen=True, eq=False)
class Side:
    """Rows of a course in mm terms: ``way`` is +1 where the marks point to larger rows."""

    base: float  # row at which the graduations stand
    short: float  # row that the shortest reach
    tip: float  # row that the longest reach
    way: int
    rows_per_mm: float

    def row(self, mm: float) -> float:
        """Return the row so many mm inward from the base."""
        return self.base + self.way * mm * self.rows_per_mm


@dataclass(frozen=True, eq=False)
class Body:
    """What was seen beside one graduated edge."""

    laid: bool
    sure: float  # 0 to 1, of that
    far: float  # row of the body's other edge in the middle of the rule
    slope: float  # rows by which that is farther at the end of the rule than in its middle
    why: str
    face: float = np.nan  # usual grey beyond the shortest marks
    beside: float = np.nan  # usual grey beside the feet


def tones(grey: Grey, course: Course, low: float, high: float, rows: FloatArray) -> FloatArray:
    """Return (R, BLOCKS) the usual grey of each row in blocks along a rule."""
    count = BLOCKS * BLOCK_COLUMNS
    index = np.linspace(low, high, count)
    index = index + 0.5 * ((np.arange(count) * 0.618) % 1.0)  # no beat with the graduations
    strip = straightened(grey, course, index, rows)
    return np.asarray(np.median(strip.reshape(len(rows), BLOCKS, BLOCK_COLUMNS), axis=2), dtype=np.float64)


def look_at_body(grey: Grey, course: Course, low: float, high: float, side: Side, contrast: float) -> Body:
    """Return what the rows on both sides of the graduations' feet say."""
    mm = side.rows_per_mm
    steps = np.arange(-np.ceil(BEYOND_MM * mm), np.ceil(WIDEST_MM * mm) + 1)
    tone = tones(grey, course, low, high, side.base + side.way * steps)
    zero = int(np.argmin(np.abs(steps)))
    outside = tone[zero - int(FAR_ROWS) : zero - int(NEAR_ROWS)].mean(axis=0)
    # Just beyond the shortest marks few are left, and the median does not see them.
    first = zero + abs(side.short - side.base)
    inside = tone[int(first + CLEAR_ROWS) : int(first + CLEAR_ROWS) + INSIDE_ROWS].mean(axis=0)
    ends = np.sqrt(course.pitch_px / course.pitch(np.array([low, high])))
    spread = float((ends[1] - ends[0]) / (ends[1] + ends[0]))
    far, slope = _far_edge(tone, zero, abs(side.tip - side.base), mm, outside, spread)
    edge = tone[zero - FOOT_ROWS : zero + FOOT_ROWS]
    band = tone[zero + FOOT_ROWS : max(int(first) - 1, zero + FOOT_ROWS + 1)].mean(axis=0)
    laid, sure, why = _role(_Foot(outside, edge, band, inside), contrast)
    usual = float(np.median(inside)), float(np.median(outside))
    return Body(laid, sure, side.base + side.way * far, side.way * slope, why, *usual)


@dataclass(frozen=True, eq=False)
class _Foot:
    """Tones beside the graduations' feet; (BLOCKS,) each but ``edge``."""

    outside: FloatArray
    edge: FloatArray  # (R, BLOCKS) from FOOT_ROWS outside the feet to FOOT_ROWS inside
    marks: FloatArray  # where all graduations stand
    inside: FloatArray  # beyond the shortest ones


def _line_share(foot: _Foot, contrast: float) -> float:
    """Return the share of blocks with a line drawn along the feet: dark and narrow, where a shadow is broad."""
    darkest = np.argmin(foot.edge[LINE_ROWS:], axis=0) + LINE_ROWS
    each = np.arange(foot.edge.shape[1])
    depth = foot.outside - foot.edge[darkest, each]
    before = foot.outside - foot.edge[darkest - LINE_ROWS, each]
    clear = (depth > LINE_DEPTH * contrast) & (foot.marks - foot.edge[darkest, each] > MARKS_DEPTH * contrast)
    return float(np.mean(clear & (before < LINE_FADES * depth)))


def _role(foot: _Foot, contrast: float) -> tuple[bool, float, str]:
    """Return (laid, how sure, why)."""
    if np.mean(np.abs(foot.inside - foot.outside) > LEAST_STEP) > STEP_SHARE:
        return True, SURE_STEP, "its body has another tone than what lies beside it"
    if _line_share(foot, contrast) > STEP_SHARE:
        return False, SURE_LINE, "its graduations stand on a drawn line with the same paper on both sides"
    return True, SURE_BARE, "its graduations end in line without a line drawn there"


@dataclass(frozen=True, eq=False)
class _Beyond:
    """What each row of a rule's blocks says of a far edge there; (R, BLOCKS) each."""

    step: FloatArray  # from the rows before it to those after it
    as_outside: BoolArray  # what comes after it is as light as what lies before the graduations' feet


def _far_edge(
    tone: FloatArray, zero: int, tall: float, mm: float, outside: FloatArray, spread: float
) -> tuple[float, float]:
    """Return (rows inward, rows more at the end) of the body's other edge, beyond the longest marks.

    It is the nearest one after which it is as light as before the feet: the paper goes on there. Where there is none,
    as with a rule on the sheet's edge, it is the first of the strong steps. ``spread`` is by how much of themselves
    rows grow from the middle to the end, as the view has it.
    """
    first = int(zero + tall + 1.0 * mm)
    nothing = tall + NUMBERS_MM * mm, 0.0
    if first >= len(tone) - 2 * JUMP_ROWS:
        return nothing
    beyond = _beyond(tone, first, mm, outside)
    along = np.linspace(-1.0, 1.0, BLOCKS)
    rows = np.arange(first, len(tone) - JUMP_ROWS)
    turns = np.arange(-MOST_TURN * mm, MOST_TURN * mm + 1, 2.0)[:, None] + spread * (rows - zero)  # (T, R)
    steps, ends = np.zeros(turns.shape), np.zeros(turns.shape, dtype=bool)
    for k, turn in enumerate(turns):
        at = np.clip(rows[:, None] + np.rint(turn[:, None] * along).astype(int), 0, len(tone) - 1)
        steps[k] = np.percentile(np.take_along_axis(beyond.step, at, axis=0), 100 * (1 - EDGE_SHARE), axis=1)
        ends[k] = np.take_along_axis(beyond.as_outside, at, axis=0).mean(axis=1) > EDGE_SHARE
    steps[steps <= LEAST_STEP] = 0.0
    ends &= steps > 0.0
    if not ends.any():
        # Paper may be as light as a white body, and the table is not: then the first clear step is its edge.
        ends = steps > FIRST_SHARE * steps.max()
    if ends.any():
        nearest = int(np.argmax(ends.any(axis=0)))
        ends[:, nearest + max(1, round(SAME_EDGE_MM * mm)) :] = False
        steps = np.where(ends, steps, 0.0)
    best = np.unravel_index(int(np.argmax(steps)), steps.shape)
    return (float(rows[best[1]] - zero), float(turns[best])) if steps[best] > 0.0 else nothing


def _beyond(tone: FloatArray, first: int, mm: float, outside: FloatArray) -> _Beyond:
    """Return the steps of all rows; what is narrower than a mm, as drawn lines are, makes none."""
    wide = max(JUMP_ROWS, round(WIDE_MM * mm))
    usual = median_filter(tone, (2 * (wide // 2) + 1, 1), mode="nearest")
    away = wide // 2 + JUMP_ROWS
    padded = np.pad(usual, ((away, away), (0, 0)), mode="edge")
    before, after = padded[: len(tone)], padded[2 * away :]
    sums = uniform_filter1d(tone, JUMP_ROWS, axis=0, mode="nearest")
    narrow = np.abs(np.roll(sums, -(JUMP_ROWS // 2 + 1), axis=0) - np.roll(sums, JUMP_ROWS // 2, axis=0))
    narrow[-away:] = 0.0  # what is not seen on both its sides is no edge
    narrow = maximum_filter1d(narrow, 3, axis=0)
    body = np.median(tone[first : first + max(1, round(FACE_MM * mm))], axis=0)
    near = np.maximum(LEAST_STEP, OUTSIDE_SHARE * np.abs(body - outside))
    as_outside = (np.abs(after - outside) < near) & (np.abs(body - outside) > LEAST_STEP)
    # a clear rule's edge is no more than a line itself
    step = np.minimum(narrow, np.abs(after - before)) if np.median(np.abs(body - outside)) > LEAST_STEP else narrow
    return _Beyond(step, as_outside)


def end_of_body(grey: Grey, course: Course, end: float, way: int, rows: FloatArray, per_mm: float) -> float:
    """Return the graduation number at which the body ends beyond its last graduation; ``way`` is +1 or -1 along it."""
    pitch_px = float(course.pitch(end))
    px = np.arange(-END_BACK_PX, END_MM * per_mm * pitch_px)
    tone = np.median(straightened(grey, course, end + way * px / pitch_px, rows), axis=0).astype(np.float64)
    sums = np.concatenate([[0.0], np.cumsum(tone)])
    half = END_HALF_PX
    jump = np.abs(sums[2 * half :] - 2.0 * sums[half:-half] + sums[: -2 * half]) / half
    best = int(np.argmax(jump))
    if jump[best] < 2 * LEAST_STEP:
        return end + way * END_SPARE_MM * per_mm
    return end + way * float(px[best + half] - 0.5) / pitch_px


def outline(
    course: Course, inner: tuple[float, float], ends: tuple[float, float], side: Side, body: Body
) -> FloatArray:
    """Return (N, 2) px round the body, bent as the lens bends it; ``inner`` is where the far edge was seen along."""
    index = np.linspace(ends[0], ends[1], 24)
    along = 2.0 * (index - inner[0]) / (inner[1] - inner[0]) - 1.0
    outer = course.px(index, np.full(24, side.base - side.way * 0.5))
    far = course.px(index, body.far + body.slope * along)
    return np.vstack([outer, far[::-1]])

"""One graduated edge in a photo, from its seed to measured graduations with a certain count."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.hierarchy import CLEAR_SCORE, Hierarchy
from digitize.rule.photo_body import Side
from digitize.rule.photo_certain import certain_marks
from digitize.rule.photo_course import Course, fit_curve, straightened
from digitize.rule.photo_follow import Followed, degree_for, first_course, refined
from digitize.rule.photo_level import counted
from digitize.rule.photo_marks import Marks, contrast_rows, read_marks
from digitize.rule.photo_pattern import read_pattern
from digitize.rule.photo_places import Places, measure_places
from digitize.rule.photo_tiles import Stripes
from digitize.rule.strip import Grey

LOOKS_FIRST, LOOKS_THEN, LOOKS_LAST = 2, 12, 6  # at most
REPEATS = 0.5  # share of a band's variation that repeats from graduation to graduation
MOST_HARMONIC = 4
LEVEL_ROWS = 40.0  # on both sides of the band, in which finer and coarser graduations are looked for
FEWEST = 20  # graduations
FEWEST_PERIODS = 1.8
LEAST_SCORE = 0.45  # of the pattern of lengths
PLAIN_SCORE = 0.8
OUTLIER_SIGMAS, OUTLIER_LEAST_PX = 4.5, 0.12
WORST_RMS = 0.06  # of the pitch
WORST_RMS_PX = 0.4
LEAN_ROUNDS = 2
LONGER, LONGER_ROWS = 1.35, 2.0  # of the usual length, and rows: a longer graduation
FEWEST_LONG = 8
ANGLE_DEGREE = 3  # of the curve of the graduations' directions
KNOTS = 24  # of a curve that is fitted anew
TIP_BLOCK_PX = 60.0  # length of a block of which one place of the tips is taken
TIP_ROWS, TIP_SHARE, TIP_FLOOR = 8.0, 0.5, 0.4  # rows looked at beyond the tips, of full ink, least scale
FEWEST_BLOCKS = 4
ACROSS_LEAST_PX, ACROSS_WORST_PX = 0.03, 1.0
SLACK = 1.5  # graduations beyond the followed ends


@dataclass(frozen=True, eq=False)
class GraduatedEdge:
    """Counted and measured graduations along one edge."""

    course: Course
    band: tuple[float, float]
    marks: Marks
    way: int  # +1: the marks go to larger rows from the edge
    pattern: Hierarchy
    start: int  # number, modulo the pattern's period, of the longest
    used: BoolArray  # (N,) of marks.index: certain, measured, no outlier
    off: FloatArray  # (N,) graduations beyond the number
    left_px: FloatArray  # (N,) departures from a smooth scale, 0 where not used
    across_u_px: float  # 1 sigma of the line of the places across the edge
    finer: bool  # finer marks that are not resolved hide the feet of those counted

    @property
    def index(self) -> IntArray:
        """(K,) numbers of the graduations used."""
        return np.asarray(self.marks.index[self.used])

    @property
    def at(self) -> FloatArray:
        """(K,) where they are along the course."""
        return np.asarray((self.marks.index + self.marks.shift + self.off)[self.used])

    @property
    def ends(self) -> tuple[float, float]:
        """Along the course."""
        return float(self.at[0]), float(self.at[-1])

    @property
    def inward_px(self) -> FloatArray:
        """(N,) rows from the middle of the band to the tip of each mark."""
        return self.marks.right_px if self.way > 0 else self.marks.left_px

    @property
    def base_row(self) -> float:
        """Row at which the marks stand."""
        back = self.marks.left_px if self.way > 0 else self.marks.right_px
        return -self.way * float(np.median(back[self.used]))

    @property
    def tip_row(self) -> float:
        """Row that the longest marks reach."""
        return self.way * float(np.percentile(self.inward_px[self.used], 97))

    @property
    def short_row(self) -> float:
        """Row that the shortest marks reach."""
        return self.way * float(np.percentile(self.inward_px[self.used], 30))

    @property
    def tall(self) -> float:
        """Length of the shortest marks over the pitch."""
        return abs(self.short_row - self.base_row) / self.course.pitch_px

    @property
    def second_tall(self) -> float:
        """Length of every second mark, the longer ones, over twice the pitch."""
        even = (self.index - self.start) % 2 == 0
        second = float(np.percentile(self.inward_px[self.used][even], 30)) if even.any() else 0.0
        return (second + abs(self.base_row)) / (2.0 * self.course.pitch_px)

    @property
    def feet(self) -> FloatArray:
        """(K, 2) px at the feet of the graduations used, all on one straight line of the rule.

        How high above the paper they are is known best there: rulers of wood and plastic rise from a thin edge. The
        body's edge, its side and its shadow are in the way, so the line is that of the tips, carried on to the feet.
        """
        return self.course.px(self.at, self.short_row + (self.base_row - self.short_row) * self._rows_a_length)

    @property
    def _rows_a_length(self) -> FloatArray:
        """(K,) how many rows the same length across the rule is at each graduation, over its median.

        In a perspective view with depth w the pitch goes as 1 / w^2, what is square to the run as 1 / w.
        """
        rows = np.sqrt(self.course.pitch_px / self.course.pitch(self.at)) / np.abs(np.sin(self.course.lean(self.at)))
        return np.asarray(rows / np.median(rows))

    def side(self, pitch_mm: float) -> Side:
        """Return the edge's rows in mm terms."""
        return Side(self.base_row, self.short_row, self.tip_row, self.way, self.course.pitch_px / pitch_mm)


def repeats(grey: Grey, followed: Followed) -> float:
    """Return the share of the variation along a band that all graduations have in common, or all second or third ones.

    A seed may follow a harmonic of coarse graduations.
    """
    samples = 16
    rows = np.arange(np.ceil(followed.band[0]), np.floor(followed.band[1]) + 1)
    count = int(followed.high - followed.low)
    index = followed.low + np.arange(count * samples) / samples
    strip = straightened(grey, followed.course, index, rows)
    strip -= uniform_filter1d(strip, samples, axis=1, mode="nearest")
    profile = strip.mean(axis=0)
    best = 0.0
    for k in range(1, min(MOST_HARMONIC, count // 6) + 1):
        each = profile[: count // k * k * samples].reshape(-1, k * samples)
        best = max(best, float(np.mean(each.mean(axis=0) ** 2) / max(float(np.mean(each**2)), 1e-6)))
    return best


def follow_seed(grey: Grey, stripes: Stripes) -> Followed | None:
    """Return the course of a seed counted at its finest resolved graduations; None for stripes that do not repeat."""
    first = refined(grey, *first_course(stripes), LOOKS_FIRST)
    if first is None or repeats(grey, first) < REPEATS:
        return None
    whole = refined(grey, first.course, first.low, first.high, LOOKS_THEN)
    if whole is None:
        return None
    level = counted(grey, whole.course, whole.low, whole.high, LEVEL_ROWS)
    if level is None:
        return None
    last = refined(grey, level.course, level.low, level.high, LOOKS_LAST, level.band)
    return replace(last, finer=level.finer) if last is not None else None


def _best_reading(grey: Grey, followed: Followed) -> tuple[Marks, int, Hierarchy, BoolArray] | None:
    """Return marks, way, pattern and which are there, for the clearest of dark or bright, inward right or left."""
    best: tuple[Marks, int, Hierarchy, BoolArray] | None = None
    for sign in (1.0, -1.0):
        marks = read_marks(grey, followed.course, followed.low, followed.high, followed.band, sign)
        inside = (marks.index >= followed.low - SLACK) & (marks.index <= followed.high + SLACK)
        there = marks.present & inside
        for way, length in ((1, marks.right_px), (-1, marks.left_px)):
            pattern = read_pattern(marks.index[there], length[there])
            if pattern.kind != "none" and (best is None or pattern.score > best[2].score):
                best = marks, way, pattern, there
            if best is not None and best[2].score > PLAIN_SCORE:
                return best  # the gaps between marks never explain as much
    return best


def read_edge(grey: Grey, followed: Followed) -> GraduatedEdge | None:
    """Return the graduations along a course whose count is certain; None where no pattern of lengths shows."""
    reading = _best_reading(grey, followed)
    if reading is None:
        return None
    marks, way, pattern, there = reading
    if pattern.score < LEAST_SCORE or np.count_nonzero(there) < max(FEWEST, FEWEST_PERIODS * pattern.period):
        return None
    course = _leaned(grey, followed, marks, way, there)
    course, across_u = _levelled(grey, course, marks, way, there)
    places = measure_places(grey, course, marks.index, marks.shift, followed.band, there)
    good, off, left = _smooth(course, marks, there & places.fair, places)
    lengths = marks.right_px if way > 0 else marks.left_px
    used, start = certain_marks(marks.index, lengths, good, pattern)
    used = _without_ends(used)
    if np.count_nonzero(used) < FEWEST or not _steady(course, left[used]):
        return None
    return GraduatedEdge(course, followed.band, marks, way, pattern, start, used, off, left, across_u, followed.finer)


def _tall(marks: Marks, way: int, there: BoolArray, band: tuple[float, float]) -> tuple[BoolArray, tuple[float, float]]:
    """Return graduations and rows that tell the lean best: the longer ones, if there are enough, over their length."""
    inward = marks.right_px if way > 0 else marks.left_px
    usual = float(np.median(inward[there]))
    long = there & (inward > LONGER * usual + LONGER_ROWS)
    if np.count_nonzero(long) < FEWEST_LONG:
        return there, band
    tip = float(np.percentile(inward[long], 20)) - LONGER_ROWS
    return long, (band[0], max(tip, band[1])) if way > 0 else (min(-tip, band[0]), band[1])


def _leaned(grey: Grey, followed: Followed, marks: Marks, way: int, there: BoolArray) -> Course:
    """Return the course with the lean that its graduations show from one band of rows to the next."""
    course = followed.course
    use, band = _tall(marks, way, there, followed.band)
    index = marks.index[use]
    at = np.asarray(index + marks.shift, dtype=np.float64)
    for _ in range(LEAN_ROUNDS):
        places = measure_places(grey, course, index, marks.shift, band, np.ones(len(index), dtype=bool))
        known = places.fair & ~np.isnan(places.slant)
        if np.count_nonzero(known) < FEWEST_LONG:
            return course
        degree = min(2, degree_for(float(np.ptp(at[known]))))
        turn = fit_curve(at[known], places.slant[known], np.ones(np.count_nonzero(known)), degree, 1e-3)
        knots = np.linspace(at[0], at[-1], KNOTS)
        # One row is pitch / usual pitch px long and runs square to the run but for the lean.
        long = np.hypot(*course.step(knots).T)
        square = np.sin(course.lean(knots))
        turned = -np.arctan(turn(knots) / long * np.abs(square)) * np.sign(square)
        # Graduations of one rule turn smoothly, whatever small bends the course itself has.
        angle = fit_curve(knots, course.angle(knots) + turned, np.ones(KNOTS), ANGLE_DEGREE, 1e-4, robust=False)
        course = course.directed(angle)
    return course


def _tips(grey: Grey, course: Course, marks: Marks, way: int, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return (graduation, row) of the tips of graduations of one length, in blocks: where half their contrast is left.

    Tips stand on the body's plain face; at their feet the body's edge, its side and its shadow are in the way.
    """
    reach = float(np.median((marks.right_px if way > 0 else marks.left_px)[use])) + TIP_ROWS
    rows = way * np.arange(0.0, reach + 1)
    at = np.asarray((marks.index + marks.shift)[use], dtype=np.float64)
    each = marks.sign * contrast_rows(grey, course, at, rows) / marks.usual[use]
    inner = max(2, int(0.5 * (len(rows) - TIP_ROWS)))
    found = []
    for part in np.array_split(np.arange(len(at)), max(4, int(len(at) * course.pitch_px / TIP_BLOCK_PX))):
        profile = np.median(each[:, part], axis=1) if len(part) else np.zeros(len(rows))
        level = TIP_SHARE * float(np.median(profile[:inner]))
        below = np.nonzero(profile < level)[0]
        if level > 0 and len(below) and below[0] > 0:
            k = int(below[0])
            beyond = (profile[k - 1] - level) / max(float(profile[k - 1] - profile[k]), 1e-9)
            found.append((float(at[part].mean()), float(rows[k - 1] + way * beyond)))
    table = np.array(found).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _levelled(grey: Grey, course: Course, marks: Marks, way: int, there: BoolArray) -> tuple[Course, float]:
    """Return the course moved so that the shortest marks end on one row, and 1 sigma of that row across, px."""
    inward = marks.right_px if way > 0 else marks.left_px
    short = there & (inward < LONGER * float(np.percentile(inward[there], 30)) + LONGER_ROWS)
    middle, tip = _tips(grey, course, marks, way, short)
    if len(tip) < FEWEST_BLOCKS:
        return course, ACROSS_WORST_PX
    degree = min(4, degree_for(float(np.ptp(middle))), len(tip) - 2)
    curve = fit_curve(middle, tip, np.ones(len(tip)), degree, TIP_FLOOR)
    spread = 1.4826 * float(np.median(np.abs(tip - curve(middle)))) * float(np.sqrt((degree + 1) / len(tip)))
    at = np.asarray((marks.index + marks.shift)[there], dtype=np.float64)
    knots = np.linspace(at[0], at[-1], 4 * KNOTS)
    places = course.px(knots, curve(knots) - float(np.median(tip)))
    most = max(len(course.x.fit.coef) - 1, 3)
    x, y = (fit_curve(knots, places[:, k], np.ones(len(knots)), most, 1e-4, robust=False) for k in (0, 1))
    kept = fit_curve(knots, course.angle(knots), np.ones(len(knots)), ANGLE_DEGREE, 1e-4, robust=False)
    return replace(course, x=x, y=y).directed(kept), float(np.clip(spread, ACROSS_LEAST_PX, ACROSS_WORST_PX))


def _smooth(
    course: Course, marks: Marks, there: BoolArray, places: Places
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Return which graduations lie on a smooth scale, their places, and their departures from it, px."""
    at = np.asarray(marks.index + marks.shift, dtype=np.float64)
    if np.count_nonzero(there) < FEWEST:
        return there, places.off, np.zeros(len(at))
    degree = degree_for(float(np.ptp(at[there])))
    curve = fit_curve(at[there], places.off[there], np.ones(np.count_nonzero(there)), degree, 1e-3)
    left = (places.off - curve(at)) * course.pitch(at)
    scale = 1.4826 * float(np.median(np.abs(left[there])))
    good = there & (np.abs(left) < max(OUTLIER_SIGMAS * scale, OUTLIER_LEAST_PX))
    return good, places.off, np.where(good, left, 0.0)


def _steady(course: Course, left_px: FloatArray) -> bool:
    return bool(np.sqrt(np.mean(left_px**2)) < max(WORST_RMS * course.pitch_px, WORST_RMS_PX))


def _without_ends(used: BoolArray) -> BoolArray:
    """Leave out the first and the last: a body's end may pass for a graduation."""
    out = used.copy()
    at = np.nonzero(used)[0]
    if len(at) > 2:
        out[at[[0, -1]]] = False
    return out


def clear_pattern(edge: GraduatedEdge) -> bool:
    """Tell whether an edge's pattern is worth a word to the person even where its unit stays open."""
    return edge.pattern.score >= CLEAR_SCORE

"""A scan that was fed unevenly -> the same scan as if it had been fed evenly, where the rules prove what happened.

The picture is resampled once (bicubic, Keys 1981), each place moved along a rule by what its graduations show there.
One curve along a direction holds for the whole sheet, as paper and sensor move as a whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.budget import Term
from calibration.feed_curve import FeedCurve, feed_curve
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, frozen_floats
from calibration.measures import measure_control
from digitize.paged import give_back, is_paged, like, remapped
from digitize.shapes import OutlineHints, Picture, Rule

ROWS_AT_ONCE, FEW_ROWS_AT_ONCE = 256, 32
WHITE = 245  # beyond the picture
LEFT_U_MM = 0.02  # of what a curve through a rule leaves, 1 sigma: see tests/calibration/test_feed_curve.py
BEYOND_SHARE = 0.05  # of the outline beyond the rule's ends, more than a claim of 95 % can leave out
SHORTEST_MM = 100.0  # of a rule that may speak for the feed


@dataclass(frozen=True, eq=False)
class Course:
    """One direction and what feeding did along it."""

    rule: str
    origin_px: FloatArray  # (2,)
    way: FloatArray  # (2,) unit vector
    mm_per_px: float
    zero_mm: float  # true place along the rule that is seen at the origin, the straight scale's
    curve: FeedCurve

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "origin_px", frozen_floats(self.origin_px))
        object.__setattr__(self, "way", frozen_floats(self.way))

    def along_mm(self, xy_px: FloatArray) -> FloatArray:
        """Return (N,) places along the rule, by its straight scale."""
        return np.asarray((xy_px - self.origin_px) @ self.way * self.mm_per_px + self.zero_mm)

    def to_even(self, xy_px: FloatArray) -> FloatArray:
        """Return places of the scan as they lie in the evened picture, (N, 2) px."""
        seen = self.along_mm(xy_px)
        return np.asarray(xy_px + np.outer((self.curve.true_place(seen) - seen) / self.mm_per_px, self.way))

    def shift_px(self, true_mm: FloatArray) -> FloatArray:
        """Return how far along the way the scan shows what belongs at a place, px."""
        return np.asarray(np.interp(true_mm, self.curve.at_mm, self.curve.off_mm) / self.mm_per_px)

    def to_scan(self, xy_px: FloatArray) -> FloatArray:
        """Return places of the evened picture as they lie in the scan, (N, 2) px."""
        return np.asarray(xy_px + np.outer(self.shift_px(self.along_mm(xy_px)), self.way))

    def askew_mm(self, xy_px: FloatArray) -> float:
        """Return the rms error at places if the scanner fed unevenly, along the picture, and not the copier.

        A sheet that lies askew on the glass has the rule's direction and the picture's apart; nothing on it tells
        along which it was fed unevenly. It is taken out along the rule's.
        """
        axis = np.eye(2)[int(np.argmax(np.abs(self.way)))]
        normal = np.array([-self.way[1], self.way[0]])
        aside = (xy_px - self.origin_px) @ normal * self.mm_per_px * (normal @ axis) / (self.way @ axis)
        at, curve = self.along_mm(xy_px), self.curve
        apart = np.interp(at + aside, curve.at_mm, curve.off_mm) - np.interp(at, curve.at_mm, curve.off_mm)
        return float(np.sqrt(np.mean(apart**2)))


@dataclass(frozen=True, eq=False)
class Evened:
    """The resampled picture and the way there and back."""

    picture: Picture
    courses: tuple[Course, ...]  # along the picture's x, its y, or both

    def to_even(self, xy_px: FloatArray) -> FloatArray:
        """Return (N, 2) px of the scan in the evened picture."""
        for course in self.courses:
            xy_px = course.to_even(xy_px)
        return xy_px

    def to_scan(self, xy_px: FloatArray) -> FloatArray:
        """Return (N, 2) px of the evened picture in the scan."""
        for course in reversed(self.courses):
            xy_px = course.to_scan(xy_px)
        return xy_px

    def place(self, xy_px: tuple[float, float]) -> tuple[float, float]:
        """Return one place of the scan in the evened picture."""
        x, y = self.to_even(np.array([xy_px]))[0]
        return float(x), float(y)

    def hints(self, hints: OutlineHints) -> OutlineHints:
        """Return what was said of the scan, for the evened picture."""
        return replace(
            hints,
            near=None if hints.near is None else self.place(hints.near),
            ignore=tuple(tuple(self.place(corner) for corner in polygon) for polygon in hints.ignore),
            through=tuple(self.place(one) for one in hints.through),
            shown=self.to_scan,
        )

    def terms(self, outline_px: FloatArray) -> tuple[Term, ...]:
        """Return what is left of it as parts of an outline's uncertainty; the outline is (N, 2) px, evened."""
        found = []
        for course in self.courses:
            at = course.along_mm(outline_px)
            beyond = float(np.mean((at < course.curve.at_mm[0]) | (at > course.curve.at_mm[-1])))
            u_mm = LEFT_U_MM if beyond <= BEYOND_SHARE else course.curve.test.peak_mm
            how = f"{100 * beyond:.0f} % of the outline lies beyond the ends of {course.rule}"
            found.append(Term(f"uneven feeding along {course.rule}, after it was taken out", u_mm, how))
            how = "the sheet lies askew, and the scanner may have fed unevenly, not the copier"
            found.append(Term(f"direction of the feed along {course.rule}", course.askew_mm(outline_px), how))
        return tuple(found)

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """One for each direction that was evened."""
        return tuple(
            doubt(
                "feed-evened", rule=course.rule, max_mm=f"{course.curve.test.peak_mm:.2f}",
                f=f"{course.curve.test.statistic:.0f}", chance=f"{max(course.curve.test.chance, 1e-12):.0e}",
            )
            for course in self.courses
        )  # fmt: skip


def evened(picture: Picture, rules: Sequence[Rule]) -> Evened | None:
    """Return the picture without the uneven feeding that its rules prove; None where they prove none.

    Args:
        picture: the scan.
        rules: found on it; drawn ones count, laid ones where nothing is drawn.
    """
    drawn = [rule for rule in rules if rule.role == "drawn"] or list(rules)
    courses: dict[int, Course] = {}
    for rule in sorted(drawn, key=lambda one: -float(np.ptp(one.control.at_mm))):
        course = _course(rule, picture.two_level)
        axis = 0 if abs(rule.to_px[0] - rule.from_px[0]) > abs(rule.to_px[1] - rule.from_px[1]) else 1
        if course is not None:
            courses.setdefault(axis, course)
    found = tuple(courses[axis] for axis in sorted(courses))
    return Evened(_resampled(picture, found), found) if found else None


def _course(rule: Rule, two_level: bool) -> Course | None:
    m = measure_control(rule.control)
    if float(np.ptp(m.at_mm)) < SHORTEST_MM:
        return None
    mm_per_px = float(np.exp(m.log_mm_per_px))
    away = m.along_px * mm_per_px - m.at_mm
    middle = float(np.median(away))
    curve = feed_curve(rule.control.name, m.at_mm, away - middle, mm_per_px if two_level else 0.0)
    if curve is None:
        return None
    way = np.array([np.cos(m.angle_rad), np.sin(m.angle_rad)])
    origin = np.median(rule.control.places.xy, axis=0)
    return Course(rule.control.name, origin, way, mm_per_px, -middle, curve)


def _resampled(picture: Picture, courses: tuple[Course, ...]) -> Picture:
    height, width = picture.grey.shape
    grey = like(picture.grey)
    columns = np.arange(width, dtype=np.float64)
    at_once = FEW_ROWS_AT_ONCE if is_paged(grey) else ROWS_AT_ONCE
    for top in range(0, height, at_once):
        rows = np.arange(top, min(top + at_once, height), dtype=np.float64)
        x, y = (part.astype(np.float64) for part in np.meshgrid(columns, rows))
        for course in reversed(courses):
            t_px = (x - course.origin_px[0]) * course.way[0] + (y - course.origin_px[1]) * course.way[1]
            shift = course.shift_px(t_px * course.mm_per_px + course.zero_mm)
            x, y = x + shift * course.way[0], y + shift * course.way[1]
        low = max(0, int(np.floor(y.min())) - 4)
        band = picture.grey[low : min(height, int(np.ceil(y.max())) + 5)]
        near = (x.astype(np.float32), (y - low).astype(np.float32))
        grey[top : top + len(rows)] = remapped(
            band, *near, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(WHITE,)
        )
        give_back(grey[top : top + len(rows)])
    grey.setflags(write=False)
    return replace(picture, grey=grey, notes=(*picture.notes, "uneven feeding was taken out by resampling"))

"""An outline about its axis: which end is the neck, where both halves lie, and how they differ there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray, SheetPoints
from digitize.shapes import SheetLine, TracedOutline
from digitize.symmetry.axis import Axis, OwnAxis, own_axis, refined
from digitize.symmetry.centerline import Chosen, choose_axis, line_angle, told_axis
from digitize.symmetry.halves import EndFit, Half, Loop, fit_end, gaps, noise_of, split

# Halves that differ by less than this everywhere may well have been meant alike.
DRAWING_MM = 0.5
DRAWING_U = 3.0
# Bouts that differ by less than this share of the width do not tell tail from neck.
ENDS_MARGIN = 0.02
WIDTH_BIN_MM = 3.0
# A waist is narrower than this part of the narrower bout.
WAIST_SHARE = 0.97
# A line whose neck is believed runs this nearly along the axis, and past the body's middle this near; half a body's
# middle lies well off its centerline.
AXIS_DEG, AXIS_OFF_MM = 4.0, 120.0


@dataclass(frozen=True, eq=False)
class Frame:
    """A rotation and shift from sheet to body."""

    matrix: FloatArray  # (2, 3)

    def apply(self, xy: FloatArray) -> FloatArray:
        """Return places (N, 2) of the sheet in the body frame, mm."""
        return np.asarray(xy @ self.matrix[:, :2].T + self.matrix[:, 2])

    def raised(self, y_mm: float) -> Frame:
        """Return the frame whose y = 0 lies at this one's ``y_mm``."""
        shift = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, y_mm]])
        return Frame(self.matrix - shift)

    def flipped(self) -> Frame:
        """Return the frame mirrored left to right."""
        return Frame(self.matrix * np.array([[-1.0], [1.0]]))


def frame_of(axis: Axis) -> Frame:
    """Return the frame whose +y runs along the axis and whose +x lies to its right."""
    turn = np.vstack([-axis.across, axis.along])
    return Frame(np.column_stack([turn, -turn @ np.array(axis.at)]))


def _reversed(axis: Axis) -> Axis:
    return Axis(axis.at, axis.angle_rad + np.pi)


def _bouts(xy: FloatArray, half: bool) -> tuple[float, float, bool]:
    """Return the largest widths of the lower and the upper half of the length, and whether a waist lies between."""
    y = xy[:, 1] - xy[:, 1].min()
    bins = np.floor(y / WIDTH_BIN_MM).astype(np.int64)
    high = np.full(bins.max() + 1, -np.inf)
    low = np.full(bins.max() + 1, np.inf)
    np.maximum.at(high, bins, np.abs(xy[:, 0]) if half else xy[:, 0])
    np.minimum.at(low, bins, -np.abs(xy[:, 0]) if half else xy[:, 0])
    width = np.where(np.isfinite(high), high - low, 0.0)
    middle = len(width) // 2
    # A cutaway may leave a waist on one side only.
    waisted = any(_waisted(side) for side in (width, high, -low))
    return float(width[:middle].max()), float(width[middle:].max()), waisted


def _waisted(reach: FloatArray) -> bool:
    """Return whether a profile along the body is somewhere narrower than further on both ways."""
    reach = np.where(np.isfinite(reach), reach, 0.0)
    before, after = np.maximum.accumulate(reach), np.maximum.accumulate(reach[::-1])[::-1]
    return bool((reach < WAIST_SHARE * np.minimum(before, after)).any())


def _neck_told(axis: Axis, xy: FloatArray, lines: tuple[SheetLine, ...]) -> int:
    """Return whether drawn lines along the axis tell that the neck is its way (+1), the other way (-1) or nothing."""
    nearest: tuple[float, int] = (AXIS_OFF_MM, 0)
    for line in lines:
        step = np.subtract(line.end, line.start)
        alike = float(step @ axis.along) / float(np.hypot(*step))
        off = abs(float((np.add(line.start, line.end) / 2.0 - xy.mean(axis=0)) @ axis.across))
        if line.neck and abs(alike) > np.cos(np.radians(AXIS_DEG)) and off < nearest[0]:
            nearest = (off, line.neck if alike > 0 else -line.neck)
    return nearest[1]


def neck_up(
    axis: Axis, xy: FloatArray, half: bool, lines: tuple[SheetLine, ...], neck: SheetPoints | None
) -> tuple[Axis, tuple[Doubt, ...]]:
    """Return the axis pointing from the tail to the neck.

    What the person says holds. Else the neck's own edges, where drawn, tell; so does the wider bout, which is
    the tail's. When they contradict each other the drawn neck is followed, with a doubt.
    """
    if neck is not None:
        place = xy @ axis.along
        above = float(neck.xy[0] @ axis.along) > (float(place.min()) + float(place.max())) / 2.0
        return (axis if above else _reversed(axis)), ()
    lower, upper, waisted = _bouts(frame_of(axis).apply(xy), half)
    alike = abs(lower - upper) < ENDS_MARGIN * max(lower, upper)
    told = _neck_told(axis, xy, lines)
    if told:
        agrees = told > 0
        doubts = () if alike or agrees == (lower > upper) else (doubt("ends-uncertain"),)
        return (axis if agrees else _reversed(axis)), doubts
    if alike:
        # Nothing in the outline tells; plans are mostly drawn neck up, or neck right.
        along = axis.along
        upright = along[1] > 0 if abs(along[1]) > 0.5 else along[0] > 0
        return axis if upright else _reversed(axis), (doubt("ends-uncertain"),)
    # A body that only tapers may have its neck at either end.
    return (axis if lower > upper else _reversed(axis)), () if waisted else (doubt("ends-uncertain"),)


@dataclass(frozen=True, eq=False)
class Compared:
    """Both halves about one axis, and how they differ."""

    right: Half
    left: Half
    gap: FloatArray  # (N,) at the right half's points, mm
    seen: BoolArray  # (N,) both traced there
    sigma: float  # 1 sigma of one gap value
    tail: EndFit
    neck: EndFit

    @property
    def largest(self) -> float:
        """The largest gap where both halves were traced, mm."""
        return float(np.abs(self.gap[self.seen]).max(initial=0.0))

    @property
    def agree(self) -> bool:
        """Whether a drawing meant to be even can be off by as much."""
        return self.largest <= max(DRAWING_MM, DRAWING_U * self.sigma)


def compare(loop: Loop, frame: Frame, axis_u_mm: float) -> Compared:
    """Return both halves of a loop on the sheet about a frame's x = 0; axis_u_mm: its 1 sigma."""
    right, left = split(replace(loop, xy=frame.apply(loop.xy)))
    gap, seen = gaps(right, left)
    point = [max(noise_of(h), float(np.median(h.sigma))) for h in (right, left)]
    sigma = float(np.sqrt(point[0] ** 2 + point[1] ** 2 + (2.0 * axis_u_mm) ** 2))
    tail, neck = fit_end(right, left, at_tail=True), fit_end(right, left, at_tail=False)
    return Compared(right, left, gap, seen, sigma, tail, neck)


@dataclass(frozen=True, eq=False)
class About:
    """A whole outline about the axis that becomes x = 0."""

    loop: Loop  # sheet frame
    own: OwnAxis
    chosen: Chosen
    frame: Frame
    one: Compared
    doubts: tuple[Doubt, ...]


def about_axis(traced: TracedOutline, neck: SheetPoints | None, near: Axis | None = None) -> About:
    """Return a whole outline with its axis found and its halves compared about it.

    Args:
        traced: the outline in sheet mm.
        neck: a place nearer to the neck end than to the tail, where one is known.
        near: the outline's own axis but for a little, where it is known.

    Raises:
        Refusal: the outline does not cross the centerline at both ends.
    """
    loop = Loop(traced.points.xy, traced.sigma_mm, traced.seen, traced.corners).counter_clockwise()
    likely = tuple(line_angle(line) for line in traced.lines)
    own = own_axis(loop.xy, likely) if near is None else refined(near, loop.xy)[0]
    if traced.told_axis is not None:
        chosen = told_axis(traced.told_axis, loop.xy, traced.lines, own)
    else:
        even = compare(loop, frame_of(own.axis), own.offset_u_mm).agree
        chosen = choose_axis(own, loop.xy, traced.lines, even)
    axis, doubts = neck_up(chosen.axis, loop.xy, half=False, lines=traced.lines, neck=neck)
    turned = np.cos(axis.angle_rad - own.axis.angle_rad) > 0
    chosen = chosen if turned else replace(chosen, offset_mm=-chosen.offset_mm)
    frame = frame_of(axis)
    return About(loop, own, chosen, frame, compare(loop, frame, chosen.u_mm), (*chosen.doubts, *doubts))

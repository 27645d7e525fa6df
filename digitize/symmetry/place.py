"""From the sheet to the body frame: axis, ends, audit, and what of the two halves is kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.flags import Doubt, doubt
from calibration.frames import BodyPoints, BoolArray, FloatArray, SheetPoints, frozen_floats
from digitize.curve import signed_area
from digitize.shapes import BodyTrace, Hand, Keep, SheetLine, SymmetryAudit, TracedOutline
from digitize.symmetry.axis import Axis, OwnAxis, own_axis, refined
from digitize.symmetry.centerline import Chosen, choose_axis, half_axis, line_angle, told_axis
from digitize.symmetry.halves import (
    EndFit,
    Half,
    Loop,
    closed_on_axis,
    fit_end,
    gaps,
    mean_half,
    mirrored_loop,
    noise_of,
    split,
    with_ends,
)

# Halves that differ by less than this everywhere may well have been meant alike.
DRAWING_MM = 0.5
DRAWING_U = 3.0
# A difference larger than this is a cutaway, drawn on purpose.
ON_PURPOSE_MM = 8.0
# Bouts that differ by less than this share of the width do not tell tail from neck.
ENDS_MARGIN = 0.02
WIDTH_BIN_MM = 3.0
# A waist is narrower than this part of the narrower bout.
WAIST_SHARE = 0.97
# A line whose neck is believed runs this nearly along the axis, and past the body's middle this near; half a body's
# middle lies well off its centerline.
AXIS_DEG, AXIS_OFF_MM = 4.0, 120.0
# The record's gap stations lie about this far apart.
STATION_MM = 2.0


@dataclass(frozen=True, eq=False)
class _Frame:
    """A rotation and shift from sheet to body."""

    matrix: FloatArray  # (2, 3)

    def apply(self, xy: FloatArray) -> FloatArray:
        return np.asarray(xy @ self.matrix[:, :2].T + self.matrix[:, 2])

    def raised(self, y_mm: float) -> _Frame:
        shift = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, y_mm]])
        return _Frame(self.matrix - shift)

    def flipped(self) -> _Frame:
        return _Frame(self.matrix * np.array([[-1.0], [1.0]]))


def _frame(axis: Axis) -> _Frame:
    """Return the frame whose +y runs along the axis and whose +x lies to its right."""
    turn = np.vstack([-axis.across, axis.along])
    return _Frame(np.column_stack([turn, -turn @ np.array(axis.at)]))


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


def _neck_up(
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
    lower, upper, waisted = _bouts(_frame(axis).apply(xy), half)
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


# --- whole drawings --------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Compared:
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


def _compare(loop: Loop, frame: _Frame, axis_u_mm: float) -> _Compared:
    right, left = split(replace(loop, xy=frame.apply(loop.xy)))
    gap, seen = gaps(right, left)
    point = [max(noise_of(h), float(np.median(h.sigma))) for h in (right, left)]
    sigma = float(np.sqrt(point[0] ** 2 + point[1] ** 2 + (2.0 * axis_u_mm) ** 2))
    tail, neck = fit_end(right, left, at_tail=True), fit_end(right, left, at_tail=False)
    return _Compared(right, left, gap, seen, sigma, tail, neck)


def _audit(one: _Compared, chosen: Chosen, agree: bool) -> SymmetryAudit:
    """Return the audit in the body frame, tail at y = 0."""
    gap = np.where(one.seen, one.gap, 0.0)
    worst = int(np.argmax(np.abs(gap)))
    side: Literal["left", "right"] = "left" if gap[worst] > 0 else "right"
    x, y = one.right.xy[worst] + (gap[worst] if side == "left" else 0.0) * one.right.normals[worst]
    every = max(round(STATION_MM * len(gap) / max(np.abs(np.diff(one.right.xy, axis=0)).sum(), 1.0)), 1)
    stations = np.arange(0, len(gap), every)
    stations = stations[one.seen[stations]]
    return SymmetryAudit(
        rms_mm=float(np.sqrt(np.mean(one.gap[one.seen] ** 2))) if one.seen.any() else 0.0,
        max_mm=one.largest,
        max_at=(side, float(-x if side == "left" else x), float(y - one.tail.y_mm)),
        u95_mm=COVERAGE_95 * one.sigma,
        tail_angle_deg=one.tail.angle_deg,
        neck_angle_deg=one.neck.angle_deg,
        gap_y_mm=frozen_floats(one.right.xy[stations, 1] - one.tail.y_mm),
        gap_mm=frozen_floats(one.gap[stations]),
        axis_source=chosen.source,
        axis_offset_mm=chosen.offset_mm,
        axis_angle_deg=chosen.angle_deg,
        agree=agree,
        measured=True,
    )


def _decide(one: _Compared, keep: Keep) -> tuple[Keep, str, tuple[Doubt, ...]]:
    """Return what to keep, in plain words why, and the doubts."""
    size = f"the halves differ by up to {one.largest:.2f} mm"
    if keep != "auto":
        return keep, f"{keep}, as asked; {size}", ()
    if one.agree:
        return "mean", f"the mean of both halves: {size}, within what a drawing can be off", ()
    if one.largest > ON_PURPOSE_MM:
        return "as drawn", f"as drawn: {size}, so they were drawn unlike on purpose", ()
    return "as drawn", f"as drawn: {size}", (doubt("halves-differ", max_mm=f"{one.largest:.2f}"),)


def kept_loop(about: About, keep: Keep) -> tuple[Loop, bool]:
    """Return the loop after ``keep`` in the body frame, and whether it is exactly even."""
    one = about.one
    shift = np.array([0.0, one.tail.y_mm])
    if keep == "as drawn":
        placed = replace(about.loop, xy=about.frame.apply(about.loop.xy) - shift)
        start = int(np.argmin(np.hypot(*placed.xy.T)))
        return placed.rolled(start), False
    half = {"left": one.left, "right": one.right}.get(keep) or mean_half(one.right, one.left, one.largest)
    ended = with_ends(half, one.tail.y_mm, one.neck.y_mm)
    return mirrored_loop(replace(ended, xy=ended.xy - shift)), True


@dataclass(frozen=True, eq=False)
class About:
    """A whole outline about the axis that becomes x = 0."""

    loop: Loop  # sheet frame
    own: OwnAxis
    chosen: Chosen
    frame: _Frame
    one: _Compared
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
        even = _compare(loop, _frame(own.axis), own.offset_u_mm).agree
        chosen = choose_axis(own, loop.xy, traced.lines, even)
    axis, doubts = _neck_up(chosen.axis, loop.xy, half=False, lines=traced.lines, neck=neck)
    turned = np.cos(axis.angle_rad - own.axis.angle_rad) > 0
    chosen = chosen if turned else replace(chosen, offset_mm=-chosen.offset_mm)
    frame = _frame(axis)
    return About(loop, own, chosen, frame, _compare(loop, frame, chosen.u_mm), (*chosen.doubts, *doubts))


def _place_whole(traced: TracedOutline, keep: Keep, neck: SheetPoints | None) -> BodyTrace:
    about = about_axis(traced, neck)
    one = about.one
    keep, words, more = _decide(one, keep)
    kept, symmetric = kept_loop(about, keep)
    audit = _audit(one, about.chosen, one.agree)
    matrix = about.frame.raised(one.tail.y_mm).matrix
    return _trace(kept, audit, words, symmetric, matrix, about.chosen, (*about.doubts, *more))


def _trace(
    loop: Loop,
    audit: SymmetryAudit,
    words: str,
    symmetric: bool,
    matrix: FloatArray,
    chosen: Chosen,
    doubts: tuple[Doubt, ...],
) -> BodyTrace:
    return BodyTrace(
        points=BodyPoints(loop.xy),
        sigma_mm=frozen_floats(loop.sigma),
        seen=loop.seen,
        corners=loop.corners,
        audit=audit,
        kept=words,
        symmetric=symmetric,
        sheet_to_body=frozen_floats(matrix),
        axis_u_mm=chosen.u_mm,
        doubts=doubts,
    )


# --- half drawings ---------------------------------------------------------------------


def _as_half(traced: TracedOutline, frame: _Frame) -> tuple[Half, bool]:
    """Return the half in the body frame, tail to neck on the right, and whether it was the left one."""
    xy = frame.apply(traced.points.xy)
    left = bool(np.median(xy[:, 0]) < 0)
    xy = xy * (-1.0, 1.0) if left else xy
    up = xy[0, 1] < xy[-1, 1]
    corners = traced.corners if up else np.sort(len(xy) - 1 - traced.corners)
    run = slice(None) if up else slice(None, None, -1)
    return Half(xy[run], traced.sigma_mm[run], traced.seen[run], corners), left


def _half_audit(half: Half, chosen: Chosen) -> SymmetryAudit:
    nothing = frozen_floats(np.zeros(0))
    tail, neck = fit_end(half, None, at_tail=True), fit_end(half, None, at_tail=False)
    return SymmetryAudit(
        rms_mm=0.0,
        max_mm=0.0,
        max_at=("right", 0.0, 0.0),
        u95_mm=0.0,
        tail_angle_deg=tail.angle_deg,
        neck_angle_deg=neck.angle_deg,
        gap_y_mm=nothing,
        gap_mm=nothing,
        axis_source=chosen.source,
        axis_offset_mm=chosen.offset_mm,
        axis_angle_deg=chosen.angle_deg,
        agree=True,
        measured=False,
    )


def _half_parts(traced: TracedOutline, neck: SheetPoints | None) -> tuple[Half, bool, Chosen, Axis, tuple[Doubt, ...]]:
    """Return the half on the right of its axis, whether it was the left one, and the axis with the doubts about it."""
    xy, told = traced.points.xy, traced.told_axis
    chosen = half_axis(xy, traced.lines) if told is None else told_axis(told, xy, traced.lines)
    axis, doubts = _neck_up(chosen.axis, traced.points.xy, half=True, lines=traced.lines, neck=neck)
    half, was_left = _as_half(traced, _frame(axis))
    return half, was_left, chosen, axis, doubts


def half_about(
    traced: TracedOutline, neck: SheetPoints | None
) -> tuple[Half, Literal["left", "right"], Chosen, tuple[Doubt, ...]]:
    """Return a half outline on the right of its axis, tail at y = 0, as drawn; its side; the axis; the doubts.

    Raises:
        Refusal: it does not reach the centerline at both ends.
    """
    half, was_left, chosen, _, doubts = _half_parts(traced, neck)
    shift = np.array([0.0, closed_on_axis(half).xy[0, 1]])
    return replace(half, xy=half.xy - shift), "left" if was_left else "right", chosen, (*chosen.doubts, *doubts)


def _place_half(traced: TracedOutline, neck: SheetPoints | None) -> BodyTrace:
    half, was_left, chosen, axis, doubts = _half_parts(traced, neck)
    closed = closed_on_axis(half)
    shift = np.array([0.0, closed.xy[0, 1]])
    placed = replace(closed, xy=closed.xy - shift)
    side = "left" if was_left else "right"
    words = f"the {side} half, the only one drawn, mirrored on the centerline"
    matrix = _frame(axis).raised(float(shift[1])).matrix
    audit = _half_audit(placed, chosen)
    return _trace(mirrored_loop(placed), audit, words, True, matrix, chosen, (*chosen.doubts, *doubts))


# --- both ------------------------------------------------------------------------------


def _left_handed(trace: BodyTrace) -> BodyTrace:
    """Return the trace mirrored, still counter-clockwise from the tail."""
    loop = Loop(trace.points.xy * (-1.0, 1.0), trace.sigma_mm, trace.seen, trace.corners).reversed()
    loop = loop.rolled(len(loop.xy) - 1)
    side, x, y = trace.audit.max_at
    audit = replace(
        trace.audit, max_at=("left" if side == "right" else "right", -x, y), gap_mm=frozen_floats(-trace.audit.gap_mm)
    )
    return replace(
        trace,
        points=BodyPoints(loop.xy),
        sigma_mm=frozen_floats(loop.sigma),
        seen=loop.seen,
        corners=loop.corners,
        audit=audit,
        sheet_to_body=frozen_floats(_Frame(trace.sheet_to_body).flipped().matrix),
    )


def place_body(
    traced: TracedOutline, keep: Keep = "auto", hand: Hand = "right", neck: SheetPoints | None = None
) -> BodyTrace:
    """Put a traced outline into the body frame, measure left against right, then keep what is asked.

    Args:
        traced: the outline in sheet mm, whole (closed) or half (open).
        keep: "auto" takes the mean of halves that agree within what a drawing can be off,
            and the outline as drawn where they differ. A half drawing has no choice.
        hand: "left" mirrors the result.
        neck: one place on the sheet that lies nearer to the neck end than to the tail; None leaves the ends to
            what is drawn.

    Returns:
        The closed outline, counter-clockwise from the tail end at (0, 0), x = 0 the
        centerline, with the audit made before anything was averaged.

    Raises:
        Refusal: the outline does not reach the centerline at both ends.
    """
    if not traced.half and abs(signed_area(traced.points.xy)) < 1.0:
        raise ValueError("the outline encloses nothing")
    trace = _place_half(traced, neck) if traced.half else _place_whole(traced, keep, neck)
    return _left_handed(trace) if hand == "left" else trace

"""From the sheet to the body frame: axis, ends, audit, and what of the two halves is kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.flags import Doubt, doubt
from calibration.frames import BodyPoints, FloatArray, SheetPoints, frozen_floats
from digitize.curve import signed_area
from digitize.shapes import BodyTrace, Hand, Keep, SymmetryAudit, TracedOutline
from digitize.symmetry.about import About, Compared, Frame, about_axis, frame_of, neck_up
from digitize.symmetry.axis import Axis
from digitize.symmetry.centerline import Chosen, half_axis, told_axis
from digitize.symmetry.halves import (
    Half,
    Loop,
    closed_on_axis,
    fit_end,
    mean_half,
    mirrored_loop,
    with_ends,
)
from digitize.symmetry.square import gap_u, squared_outline

# A difference larger than this is a cutaway, drawn on purpose.
ON_PURPOSE_MM = 8.0
# The record's gap stations lie about this far apart.
STATION_MM = 2.0


# --- whole drawings --------------------------------------------------------------------


@dataclass(frozen=True)
class _Even:
    """Whether the halves may well have been meant alike."""

    agree: bool
    by_shear: bool = False  # they do not as they lie, but do with a shear taken out that the sheet may have
    doubts: tuple[Doubt, ...] = ()  # about the axis, as it is best known


def _audit(about: About, even: _Even, shear_u_mm: float) -> SymmetryAudit:
    """Return the audit in the body frame, tail at y = 0.

    Args:
        about: the outline as it is, whatever the sheet's shear makes of it.
        even: how its halves were judged.
        shear_u_mm: 1 sigma of what a sheet as square as this one may make of the gap, where it makes most.
    """
    one, chosen = about.one, about.chosen
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
        u95_mm=COVERAGE_95 * float(np.hypot(one.sigma, shear_u_mm)),
        tail_angle_deg=one.tail.angle_deg,
        neck_angle_deg=one.neck.angle_deg,
        gap_y_mm=frozen_floats(one.right.xy[stations, 1] - one.tail.y_mm),
        gap_mm=frozen_floats(one.gap[stations]),
        axis_source=chosen.source,
        axis_offset_mm=chosen.offset_mm,
        axis_angle_deg=chosen.angle_deg,
        agree=even.agree,
        measured=True,
        by_shear=even.by_shear,
    )


def _evenness(traced: TracedOutline, about: About, covariance: FloatArray) -> _Even:
    """Return whether the halves agree, if need be on the sheet made as square as its gap says it is.

    Only a gap that has the pattern of shear all round is explained by it, and only by as much shear as the sheet may
    have: a place where one half bulges is none. The mean of both halves is the same, sheared or not.
    """
    if about.one.agree:
        return _Even(True, doubts=about.doubts)
    square = squared_outline(traced, about, covariance)
    by_shear = square.taken_rad != 0.0 and square.about.one.agree
    return _Even(by_shear, by_shear, square.about.doubts if by_shear else about.doubts)


def _decide(one: Compared, even: _Even, keep: Keep) -> tuple[Keep, str, tuple[Doubt, ...]]:
    """Return what to keep, in plain words why, and the doubts."""
    size = f"the halves differ by up to {one.largest:.2f} mm"
    if keep != "auto":
        return keep, f"{keep}, as asked; {size}", ()
    if even.by_shear:
        why = "as on a sheet out of square by no more than this one may be"
        return "mean", f"the mean of both halves: {size}, {why}", ()
    if even.agree:
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


def _place_whole(traced: TracedOutline, keep: Keep, neck: SheetPoints | None, covariance: FloatArray) -> BodyTrace:
    about = about_axis(traced, neck)
    one, even = about.one, _evenness(traced, about, covariance)
    keep, words, more = _decide(one, even, keep)
    kept, symmetric = kept_loop(about, keep)
    audit = _audit(about, even, gap_u(traced, about, covariance))
    matrix = about.frame.raised(one.tail.y_mm).matrix
    return _trace(kept, audit, words, symmetric, matrix, about.chosen, (*even.doubts, *more))


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


def _as_half(traced: TracedOutline, frame: Frame) -> tuple[Half, bool]:
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
    axis, doubts = neck_up(chosen.axis, traced.points.xy, half=True, lines=traced.lines, neck=neck)
    half, was_left = _as_half(traced, frame_of(axis))
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
    matrix = frame_of(axis).raised(float(shift[1])).matrix
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
        sheet_to_body=frozen_floats(Frame(trace.sheet_to_body).flipped().matrix),
    )


def place_body(
    traced: TracedOutline,
    keep: Keep = "auto",
    hand: Hand = "right",
    neck: SheetPoints | None = None,
    covariance: FloatArray | None = None,
) -> BodyTrace:
    """Put a traced outline into the body frame, measure left against right, then keep what is asked.

    Args:
        traced: the outline in sheet mm, whole (closed) or half (open).
        keep: "auto" takes the mean of halves that agree within what a drawing can be off,
            and the outline as drawn where they differ. A half drawing has no choice.
        hand: "left" mirrors the result.
        neck: one place on the sheet that lies nearer to the neck end than to the tail; None leaves the ends to
            what is drawn.
        covariance: (3, 3) of the sheet's log scale x, log scale y and shear, its own frame; None: known exactly.
            A sheet that may be out of square may part halves that are alike.

    Returns:
        The closed outline, counter-clockwise from the tail end at (0, 0), x = 0 the
        centerline, with the audit made before anything was averaged.

    Raises:
        Refusal: the outline does not reach the centerline at both ends.
    """
    if not traced.half and abs(signed_area(traced.points.xy)) < 1.0:
        raise ValueError("the outline encloses nothing")
    sure = np.zeros((3, 3)) if covariance is None else covariance
    trace = _place_half(traced, neck) if traced.half else _place_whole(traced, keep, neck, sure)
    return _left_handed(trace) if hand == "left" else trace

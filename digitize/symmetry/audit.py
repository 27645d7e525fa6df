"""The symmetry audit: what a person needs to know of both halves before one of them becomes the master."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.frames import BoolArray, FloatArray, SheetPoints
from digitize.curve import arc_length, blurred, feet, resample, unit_tangents
from digitize.shapes import BodyTrace, EndMeeting, HalvesAudit, Keep, KeepChange, Seen, TracedOutline
from digitize.symmetry.about import About, about_axis
from digitize.symmetry.differences import COVERAGE, differences
from digitize.symmetry.halves import Half, Loop
from digitize.symmetry.place import half_about, kept_loop
from digitize.symmetry.square import Squareness, judged_gap

KEEPS: tuple[Keep, ...] = ("as drawn", "mean", "left", "right")
# How a half meets the centerline is read from this much of its line, but for the very end.
END_FROM_MM, END_TO_MM = 0.6, 15.0
# Curvature for fairness: of the line under a running average of this standard deviation, away from ends and corners.
FAIR_STEP_MM, FAIR_BLUR_MM, FAIR_CLEAR_MM = 0.5, 5.0, 15.0
# A half is called the fairer one where the other is rougher by this much.
FAIRER_TIMES = 1.25
# Outlines are compared and measured evenly spaced and quietened by so much: so a corner is rounded alike in each.
EVEN_STEP_MM, EVEN_BLUR_MM = 0.0625, 1.0


@dataclass(frozen=True, eq=False)
class JudgedHalves(HalvesAudit):
    """The audit with how square the sheet was taken to be."""

    square: Squareness | None = None  # of a whole outline


# --- the ends --------------------------------------------------------------------------


def meeting(half: Half, at_tail: bool) -> EndMeeting:
    """Return how a half meets x = 0: its angle there, and what it and its mirror image would make of it.

    The line within :data:`END_TO_MM` is fitted by a + b x + c x^2, b being 0 where it is square.
    """
    xy = half.xy if at_tail else half.xy[::-1]
    at = arc_length(xy, closed=False)
    x, y = xy[(at >= END_FROM_MM) & (at <= END_TO_MM)].T
    up = 1.0 if at_tail else -1.0
    if len(x) < 8 or np.ptp(x) < END_TO_MM / 4:
        return EndMeeting(90.0, 90.0, 0.0, 0.0)
    full = np.column_stack([np.ones_like(x), x, x**2])
    fit = np.linalg.lstsq(full, y, rcond=None)[0]
    even = np.linalg.lstsq(full[:, ::2], y, rcond=None)[0]
    off = y - full @ fit
    variance = float(off @ off) / (len(x) - 3) * _repeated(off)
    sigma = np.degrees(np.sqrt(variance * np.linalg.inv(full.T @ full)[1, 1])) / (1.0 + fit[1] ** 2)
    angle = 90.0 - up * float(np.degrees(np.arctan(fit[1])))
    return EndMeeting(angle, COVERAGE * float(sigma), 180.0 - 2.0 * angle, up * float(even[0] - fit[0]))


def squared(body: BodyTrace) -> tuple[EndMeeting, EndMeeting]:
    """Return how the kept line of an even body met the centerline, tail and neck, before fairing made it square."""
    half = len(body.points.xy) // 2 + 1
    right = Half(body.points.xy[:half], body.sigma_mm[:half], body.seen[:half], body.corners[body.corners < half])
    return meeting(right, at_tail=True), meeting(right, at_tail=False)


def _repeated(off: FloatArray) -> float:
    """Return how many neighbouring residuals say the same thing, 1 where each its own."""
    series = off - off.mean()
    power = float(series @ series)
    if power <= 0:
        return 1.0
    total = 1.0
    for lag in range(1, len(series) // 3):
        alike = float(series[lag:] @ series[:-lag]) / power
        if alike < 0.05:
            break
        total += 2.0 * alike
    return total


def straightness(edge: FloatArray) -> tuple[float, float, FloatArray]:
    """Return how straight an edge is, from points (N, 2) along it in mm.

    Returns:
        rms and largest distance from its least-squares line, and (N,) what each place does to the width of the
        mirrored body: twice its distance, as the edge lies on the centerline.
    """
    away = edge - edge.mean(axis=0)
    _, vectors = np.linalg.eigh(away.T @ away)
    off = away @ vectors[:, 0]
    return float(np.sqrt(np.mean(off**2))), float(np.abs(off).max()), np.asarray(2.0 * off)


# --- fairness --------------------------------------------------------------------------


def roughness(half: Half) -> float:
    """Return the rms change of a half's curvature along it, 1/mm2; corners, ends and what was not seen left out."""
    xy = resample(blurred(half.xy, FAIR_BLUR_MM / _spacing(half), closed=False), FAIR_STEP_MM, closed=False)
    tangent = unit_tangents(xy, closed=False)
    heading = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
    step = arc_length(xy, closed=False)[-1] / (len(xy) - 1)
    change = np.gradient(np.gradient(heading, step), step)
    use = _clear(half, xy)
    return float(np.sqrt(np.mean(change[use] ** 2))) if use.any() else 0.0


def _spacing(half: Half) -> float:
    return float(arc_length(half.xy, closed=False)[-1]) / max(len(half.xy) - 1, 1)


def _clear(half: Half, xy: FloatArray) -> BoolArray:
    """Return which points are away from both ends, corners and whatever was bridged."""
    stops = np.vstack([half.xy[[0, -1]], half.xy[half.corners], half.xy[half.seen == Seen.BRIDGED]])
    near = np.min([np.hypot(*(xy - stop).T) for stop in stops[:: max(len(stops) // 200, 1)]], axis=0)
    return np.asarray(near > FAIR_CLEAR_MM)


def _fairer(left: float, right: float) -> Literal["left", "right"] | None:
    if max(left, right) < FAIRER_TIMES * min(left, right):
        return None
    return "left" if left < right else "right"


# --- what keep would change ------------------------------------------------------------


def _even(loop: Loop) -> FloatArray:
    """Return (N, 2) a loop evenly spaced, its noise quietened."""
    return blurred(resample(loop.xy, EVEN_STEP_MM, closed=True), EVEN_BLUR_MM / EVEN_STEP_MM, closed=True)


def _size(xy: FloatArray) -> tuple[float, float]:
    """Return the length and the greatest width of a closed curve."""
    return float(np.ptp(xy[:, 1])), float(np.ptp(xy[:, 0]))


def _keep_changes(about: About) -> tuple[KeepChange, ...]:
    drawn = _even(kept_loop(about, "as drawn")[0])
    length, width = _size(drawn)
    rows = []
    for keep in KEEPS:
        kept = _even(kept_loop(about, keep)[0])
        moved = feet(kept, drawn, closed=True).distance
        k = int(np.argmax(moved))
        size = _size(kept)
        rows.append(
            KeepChange(
                keep,
                float(np.sqrt(np.mean(moved**2))),
                float(moved[k]),
                float(kept[k, 0]),
                float(kept[k, 1]),
                size[0] - length,
                size[1] - width,
            )
        )
    return tuple(rows)


# --- all of it -------------------------------------------------------------------------


def audit_halves(
    traced: TracedOutline, neck: SheetPoints | None = None, covariance: FloatArray | None = None
) -> JudgedHalves:
    """Return the audit of a traced outline: both halves of a whole one, or the one half there is.

    Args:
        traced: the outline in sheet mm.
        neck: a place nearer to the neck end than to the tail, where the person told one.
        covariance: (3, 3) of the sheet's log scale x, log scale y and shear, its own frame; None: known exactly.

    Raises:
        Refusal: the outline does not reach the centerline at both ends.
    """
    sure = np.zeros((3, 3)) if covariance is None else covariance
    return _half(traced, neck) if traced.half else _whole(traced, neck, sure)


def _whole(traced: TracedOutline, neck: SheetPoints | None, covariance: FloatArray) -> JudgedHalves:
    about = about_axis(traced, neck)
    shift = np.array([0.0, about.one.tail.y_mm])
    right, left = (replace(half, xy=half.xy - shift) for half in (about.one.right, about.one.left))
    rough = roughness(left), roughness(right)
    gap, square = judged_gap(traced, about, covariance)
    return JudgedHalves(
        whole=True,
        map=differences(gap),
        ends=(
            ("left", meeting(left, at_tail=True), meeting(left, at_tail=False)),
            ("right", meeting(right, at_tail=True), meeting(right, at_tail=False)),
        ),
        axis_source=about.chosen.source,
        axis_offset_mm=about.chosen.offset_mm,
        axis_angle_deg=about.chosen.angle_deg,
        axis_u95_mm=COVERAGE * (about.chosen.u_mm if traced.told_axis else about.own.offset_u_mm),
        axis_u95_deg=COVERAGE * float(np.degrees(about.own.angle_u_rad)),
        roughness=rough,
        fairer=_fairer(*rough),
        keeps=_keep_changes(about),
        doubts=about.doubts,
        square=square,
    )


def _half(traced: TracedOutline, neck: SheetPoints | None) -> JudgedHalves:
    half, side, chosen, doubts = half_about(traced, neck)
    return JudgedHalves(
        whole=False,
        map=None,
        ends=((side, meeting(half, at_tail=True), meeting(half, at_tail=False)),),
        axis_source=chosen.source,
        axis_offset_mm=chosen.offset_mm,
        axis_angle_deg=chosen.angle_deg,
        axis_u95_mm=COVERAGE * chosen.u_mm,
        axis_u95_deg=0.0,
        roughness=None,
        fairer=None,
        keeps=(),
        doubts=doubts,
    )

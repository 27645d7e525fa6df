"""The drawn centerline among the sheet's straight lines, and how it goes with the outline's own axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from digitize.shapes import AxisSource, SheetLine
from digitize.symmetry.axis import Axis, OwnAxis

# A centerline runs over at least this share of the body.
LEAST_SPAN = 0.5
# How far a drawn centerline may lie from a trustworthy own axis to be taken for it ...
NEAR_MM, NEAR_DEG = 4.0, 1.5
# ... and from the axis of a body so uneven that its own axis is a rough guess.
ROUGH_NEAR_MM, ROUGH_NEAR_DEG = 15.0, 4.0
# A line through an uneven body reaches over this share of it, with this share of the outline on either side.
THROUGH_SPAN, ONE_SIDE = 0.95, 0.25
# Of several such lines a centerline leaves this much on either side; arrows end a dimension line this near the outline.
MIDWAY, ON_OUTLINE_MM = 0.4, 1.5
# Offsets and angles are weighed against each other by these when the nearest line is chosen.
OFFSET_SCALE_MM, ANGLE_SCALE_DEG = 1.0, 0.3
# A drawn line further from the axis of a symmetric body than this is a disagreement.
DISAGREE_MM, DISAGREE_DEG = 0.3, 0.1
# The same for an uneven body, whose own axis says less.
UNEVEN_DISAGREE_MM, UNEVEN_DISAGREE_DEG = 1.0, 0.5
# Below this symmetric share the own axis is a rough guess.
TRUSTED_PART = 0.4
# A drawn line's middle against the drawing as meant, 1 sigma.
DRAWN_FLOOR_MM = 0.006
# A line this near to the one that the person gave, all along it, is the one that was pointed at.
TOLD_NEAR_MM, TOLD_NEAR_DEG = 1.5, 0.3
USED = {
    "drawn centerline": "the drawn centerline", "outline": "the outline's own axis", "as told": "what was given",
}  # fmt: skip
# The ends of a half outline lie this near a drawn centerline.
HALF_END_MM, HALF_END_SHARE = 2.0, 0.01
# 1 sigma of the end of a half outline when no drawn line fixes it.
HALF_END_U_MM = 0.15


@dataclass(frozen=True, eq=False)
class Chosen:
    """The axis that becomes x = 0."""

    axis: Axis
    source: AxisSource
    u_mm: float  # 1 sigma of x = 0, averaged over the body's length
    offset_mm: float  # drawn against own axis at mid body
    angle_deg: float
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class _Drawn:
    """A drawn line seen from another axis: offset and turn at that axis's own point."""

    line: SheetLine
    offset_mm: float
    turn_rad: float
    offset_u_mm: float
    turn_u_rad: float
    span: float


def line_angle(line: SheetLine) -> float:
    """Return the direction of a drawn line, radians."""
    return float(np.arctan2(line.end[1] - line.start[1], line.end[0] - line.start[0]))


def _half_turn(angle: float) -> float:
    """Bring an angle between lines into -90..90 degrees."""
    return float((angle + np.pi / 2) % np.pi - np.pi / 2)


def _seen(line: SheetLine, axis: Axis, low: float, high: float) -> _Drawn:
    """Return a drawn line as seen from ``axis``; low, high: the body's reach along it, mm."""
    ends = np.array([line.start, line.end])
    away, along = axis.offset(ends), (ends - np.array(axis.at)) @ axis.along
    turn = _half_turn(line_angle(line) - axis.angle_rad)
    middle = ends.mean(axis=0)
    forward = float((middle - np.array(axis.at)) @ axis.along)
    offset = float(away.mean() - forward * np.tan(turn))
    overlap = min(float(along.max()), high) - max(float(along.min()), low)
    length = max(float(np.hypot(*(ends[1] - ends[0]))), 1.0)
    turn_u = np.hypot(line.angle_sigma_rad, DRAWN_FLOOR_MM * np.sqrt(12.0) / length)
    offset_u = np.sqrt(line.offset_sigma_mm**2 + (turn_u * forward) ** 2 + DRAWN_FLOOR_MM**2)
    return _Drawn(line, offset, turn, float(offset_u), float(turn_u), overlap / max(high - low, 1.0))


def _reach(axis: Axis, xy: FloatArray) -> tuple[float, float]:
    along = (xy - np.array(axis.at)) @ axis.along
    return float(along.min()), float(along.max())


def drawn_near(axis: Axis, xy: FloatArray, lines: Sequence[SheetLine], trusted: bool) -> _Drawn | None:
    """Return the drawn line that runs along ``axis`` over most of the body, if there is one."""
    low, high = _reach(axis, xy)
    near_mm, near_deg = (NEAR_MM, NEAR_DEG) if trusted else (ROUGH_NEAR_MM, ROUGH_NEAR_DEG)
    seen = [_seen(line, axis, low, high) for line in lines]
    fit = [
        one
        for one in seen
        if one.span >= LEAST_SPAN and abs(one.offset_mm) <= near_mm and abs(np.degrees(one.turn_rad)) <= near_deg
    ]

    def distance(one: _Drawn) -> float:
        return float(np.hypot(one.offset_mm / OFFSET_SCALE_MM, np.degrees(one.turn_rad) / ANGLE_SCALE_DEG)) / one.span

    return min(fit, key=distance, default=None)


def drawn_through(xy: FloatArray, lines: Sequence[SheetLine]) -> _Drawn | None:
    """Return the one drawn line that runs right through a body from end to end, if there is just one.

    An uneven body has no axis of its own to look near. Dimension lines run through it too, but end on its outline, or
    leave far more of it on one side.
    """
    found: list[_Drawn] = []
    midway: list[_Drawn] = []
    for line in lines:
        own = Axis(line.start, line_angle(line))
        low, high = _reach(own, xy)
        right = float(np.mean(own.offset(xy) < 0))
        one = _seen(line, own, low, high)
        if one.span >= THROUGH_SPAN and ONE_SIDE <= right <= 1.0 - ONE_SIDE:
            found.append(one)
            if MIDWAY <= right <= 1.0 - MIDWAY and not _ends_on(xy, line):
                midway.append(one)
    found = midway if len(found) > 1 else found
    return found[0] if len(found) == 1 else None


def _ends_on(xy: FloatArray, line: SheetLine) -> bool:
    """Whether both ends of a line are on an outline (N, 2)."""
    away = [float(np.hypot(*(xy - end).T).min()) for end in (line.start, line.end)]
    return max(away) < ON_OUTLINE_MM


def _moved(axis: Axis, offset: float, turn: float) -> Axis:
    at = np.array(axis.at) + offset * axis.across
    return Axis((float(at[0]), float(at[1])), axis.angle_rad + turn)


def _mean_u(offset_u: float, turn_u: float, length: float) -> float:
    """Return 1 sigma of a line's place, averaged over a length about its own point."""
    return float(np.sqrt(offset_u**2 + (turn_u * length) ** 2 / 12.0))


def _blend(values: tuple[float, float], sigmas: tuple[float, float]) -> tuple[float, float]:
    """Return the weighted mean of two values and its sigma, widened when they differ (Birge 1932)."""
    weight = 1.0 / np.square(sigmas)
    mean = float(np.dot(weight, values) / weight.sum())
    chi = float(np.dot(weight, (np.array(values) - mean) ** 2))
    return mean, float(np.sqrt(max(chi, 1.0) / weight.sum()))


def _both(own: OwnAxis, drawn: _Drawn, length: float) -> Chosen:
    offset, offset_u = _blend((0.0, drawn.offset_mm), (own.offset_u_mm, drawn.offset_u_mm))
    turn, turn_u = _blend((0.0, drawn.turn_rad), (own.angle_u_rad, drawn.turn_u_rad))
    u_mm = _mean_u(offset_u, turn_u, length)
    return Chosen(_moved(own.axis, offset, turn), "both", u_mm, drawn.offset_mm, float(np.degrees(drawn.turn_rad)))


def _disagreement(offset_mm: float, angle_deg: float, used: AxisSource) -> Doubt:
    return doubt(
        "axes-disagree",
        which="The centerline that was given" if used == "as told" else "The drawn centerline",
        offset_mm=f"{abs(offset_mm):.2f}",
        angle_deg=f"{abs(angle_deg):.2f}",
        used=USED[used],
    )


def choose_axis(own: OwnAxis, xy: FloatArray, lines: Sequence[SheetLine], symmetric: bool) -> Chosen:
    """Return what becomes x = 0 for a whole outline.

    A symmetric body and a drawn line that agree are averaged by their weights; where they
    disagree the outline wins, since the body's own evenness is measured all round it. An
    uneven body goes by its drawn line.

    Args:
        own: the outline's own axis.
        xy: (N, 2) closed outline in sheet mm.
        lines: straight lines drawn on the sheet.
        symmetric: whether the halves agree about the own axis.
    """
    low, high = _reach(own.axis, xy)
    drawn = drawn_near(own.axis, xy, lines, symmetric or own.symmetric_part >= TRUSTED_PART)
    own_u = _mean_u(own.offset_u_mm, own.angle_u_rad, high - low)
    through = drawn_through(xy, lines) if drawn is None and not symmetric else None
    if through is not None:
        return _by_line(through, xy)
    if drawn is None:
        code = "axis-from-outline" if symmetric else "no-centerline"
        return Chosen(own.axis, "outline", own_u, 0.0, 0.0, (doubt(code),))
    # Both axes are compared at mid body, where a person would look.
    middle = (low + high) / 2.0
    offset = drawn.offset_mm + middle * float(np.tan(drawn.turn_rad))
    angle_deg = float(np.degrees(drawn.turn_rad))
    if symmetric:
        if abs(offset) <= DISAGREE_MM and abs(angle_deg) <= DISAGREE_DEG:
            return replace(_both(own, drawn, high - low), offset_mm=offset)
        return Chosen(own.axis, "outline", own_u, offset, angle_deg, (_disagreement(offset, angle_deg, "outline"),))
    off = abs(offset) > UNEVEN_DISAGREE_MM or abs(angle_deg) > UNEVEN_DISAGREE_DEG
    doubted = off and own.symmetric_part >= TRUSTED_PART
    doubts = (_disagreement(offset, angle_deg, "drawn centerline"),) if doubted else ()
    return Chosen(
        _moved(own.axis, drawn.offset_mm, drawn.turn_rad),
        "drawn centerline",
        _mean_u(drawn.offset_u_mm, drawn.turn_u_rad, high - low),
        offset,
        angle_deg,
        doubts,
    )


def told_axis(told: SheetLine, xy: FloatArray, lines: Sequence[SheetLine], own: OwnAxis | None = None) -> Chosen:
    """Return the axis that the person gave: the drawn line that was pointed at, else the line between the places.

    Args:
        told: from one end of the centerline to the other, with what a click is good for.
        xy: (N, 2) outline in sheet mm.
        lines: straight lines drawn on the sheet.
        own: the outline's own axis, where it has one; how far the told one is from it is told.
    """
    axis = Axis(told.start, line_angle(told))
    low, high = _reach(axis, xy)
    middle = (low + high) / 2.0

    def off(one: _Drawn) -> float:
        return abs(one.offset_mm + middle * float(np.tan(one.turn_rad)))

    seen = [_seen(line, axis, low, high) for line in lines]
    near = [
        one
        for one in seen
        if one.span >= LEAST_SPAN and off(one) <= TOLD_NEAR_MM and abs(np.degrees(one.turn_rad)) <= TOLD_NEAR_DEG
    ]
    chosen = _by_line(min(near, key=off, default=_seen(told, axis, low, high)), xy)
    known = _line_of_ends(xy) if own is None else own.axis
    from_own = _seen(SheetLine(*_ends(chosen.axis, xy), 1.0, 0.0, 0.0), known, *_reach(known, xy))
    offset_mm = from_own.offset_mm + sum(_reach(known, xy)) / 2.0 * float(np.tan(from_own.turn_rad))
    angle_deg = float(np.degrees(from_own.turn_rad))
    most_mm, most_deg = (HALF_END_MM, NEAR_DEG) if own is None else (UNEVEN_DISAGREE_MM, UNEVEN_DISAGREE_DEG)
    off_it = abs(offset_mm) > most_mm or abs(angle_deg) > most_deg
    doubted = off_it and (own is None or own.symmetric_part >= TRUSTED_PART)
    doubts = (_disagreement(offset_mm, angle_deg, "as told"),) if doubted else ()
    return replace(chosen, source="as told", offset_mm=offset_mm, angle_deg=angle_deg, doubts=doubts)


def _line_of_ends(xy: FloatArray) -> Axis:
    """Return the line through both ends of a half outline, at their middle."""
    middle = (xy[0] + xy[-1]) / 2.0
    return Axis((float(middle[0]), float(middle[1])), float(np.arctan2(*(xy[-1] - xy[0])[::-1])))


def _ends(axis: Axis, xy: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where an axis enters and leaves a body's reach."""
    first, last = (np.array(axis.at) + far * axis.along for far in _reach(axis, xy))
    return (float(first[0]), float(first[1])), (float(last[0]), float(last[1]))


def _by_line(drawn: _Drawn, xy: FloatArray) -> Chosen:
    """Return the axis that a drawn line gives, at mid body."""
    axis = Axis(drawn.line.start, line_angle(drawn.line))
    low, high = _reach(axis, xy)
    at = np.array(axis.at) + (low + high) / 2.0 * axis.along
    u_mm = _mean_u(drawn.line.offset_sigma_mm + DRAWN_FLOOR_MM, drawn.turn_u_rad, high - low)
    return Chosen(Axis((float(at[0]), float(at[1])), axis.angle_rad), "drawn centerline", u_mm, 0.0, 0.0)


def half_axis(xy: FloatArray, lines: Sequence[SheetLine]) -> Chosen:
    """Return x = 0 of a half outline: the drawn line through both its ends, else the ends' own line.

    Args:
        xy: (N, 2) open outline in sheet mm, from one end of the centerline to the other.
        lines: straight lines drawn on the sheet.
    """
    first, last = xy[0], xy[-1]
    length = float(np.hypot(*(last - first)))
    ends = _line_of_ends(xy)
    reach = max(HALF_END_MM, HALF_END_SHARE * length)
    fit: list[tuple[float, _Drawn]] = []
    for line in lines:
        one = _seen(line, ends, -length / 2, length / 2)
        worst = abs(one.offset_mm) + abs(np.tan(one.turn_rad)) * length / 2
        if one.span >= LEAST_SPAN and worst <= reach:
            fit.append((worst, one))
    if not fit:
        return Chosen(ends, "outline", HALF_END_U_MM, 0.0, 0.0, (doubt("no-centerline"),))
    drawn = min(fit, key=lambda pair: pair[0])[1]
    u_mm = _mean_u(drawn.offset_u_mm, drawn.turn_u_rad, length)
    return Chosen(
        _moved(ends, drawn.offset_mm, drawn.turn_rad),
        "drawn centerline",
        u_mm,
        drawn.offset_mm,
        float(np.degrees(drawn.turn_rad)),
    )

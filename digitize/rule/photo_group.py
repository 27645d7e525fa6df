"""Which graduated edges of a photo belong to one body, what their graduations are worth, and what the body is."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from calibration.frames import FloatArray
from digitize.rule.photo_beside import facing, in_line, lies_beside, pitch_ratio, same_edge
from digitize.rule.photo_body import SURE_LINE, SURE_STEP, Body, end_of_body, look_at_body, outline
from digitize.rule.photo_edge import GraduatedEdge
from digitize.rule.photo_unit import EDGES_AGREE, Sight, alone, by_scale, contradicts, options, together
from digitize.rule.photo_view import View, view_of
from digitize.rule.strip import Grey
from digitize.rule.unit import Decision, Worth

if TYPE_CHECKING:
    from digitize.settings import RuleHint

Role = Literal["drawn", "laid"]
WIDEST_MM = 62.0  # body with two graduated edges
NEAR_HINT_PX = 60.0
INNER_MM = 2.0  # from the edges of a body, clear of their shadows
MOST_GAP_MM = 150.0
SAME_FACE = 0.5  # a face's tone is nearer to another's, by this, than to that of the paper
# The largest ratio of scales at two places of one photo, beyond what their own graduations show of the view, where no
# other value would bring them nearer: a lens bends what they show.
STEEPEST = 2.0


@dataclass(frozen=True, eq=False)
class Found:
    """A graduated edge with all that is decided of it."""

    edge: GraduatedEdge
    sight: Sight
    decision: Decision
    hint: RuleHint | None
    body: int

    @property
    def worth(self) -> Worth:
        """Value of a graduation where it is certain, else the most natural one."""
        if self.decision.worth is not None:
            return self.decision.worth
        return self.decision.candidates[0] if self.decision.candidates else Worth("mm", 1.0, "1 mm")

    @property
    def px_per_mm(self) -> float:
        """Scale that the value implies."""
        return self.edge.course.pitch_px / self.worth.pitch_mm


def hint_for(edge: GraduatedEdge, hints: Sequence[RuleHint]) -> RuleHint | None:
    """Return the hint that points at a rule; one without a place is meant for every rule."""
    middle = edge.course.px(edge.at, np.full(len(edge.at), 0.5 * (edge.base_row + edge.tip_row)))
    reach = NEAR_HINT_PX + abs(edge.tip_row - edge.base_row)
    for hint in hints:
        if hint.near is not None and np.hypot(*(middle - np.asarray(hint.near)).T).min() < reach:
            return hint
    return next((hint for hint in hints if hint.near is None), None)


def looked_at(edge: GraduatedEdge, long_px: float, hints: Sequence[RuleHint], body: int) -> Found:
    """Return an edge with the value that it shows by itself."""
    hint = hint_for(edge, hints)
    told = hint.unit if hint else None
    sight = Sight(edge.pattern, edge.course.pitch_px, edge.tall, edge.second_tall, edge.finer, long_px, told)
    return Found(edge, sight, alone(sight), hint, body)


def _one_body(first: Found, second: Found) -> bool:
    """Tell whether two edges belong to one body: they face one another, or go on from one another."""
    widest_px = WIDEST_MM * max(first.px_per_mm, second.px_per_mm)
    if facing(first.edge, second.edge, widest_px) or same_edge(first.edge, second.edge):
        return True
    gaps = in_line(first.edge, second.edge), in_line(second.edge, first.edge)
    return any(gap is not None and gap * first.worth.pitch_mm < MOST_GAP_MM for gap in gaps)


def in_bodies(found: list[Found]) -> list[Found]:
    """Give the edges of one body its number, and decide their units together."""
    out = list(found)
    for a in range(len(out)):
        for b in range(a + 1, len(out)):
            if not _one_body(out[a], out[b]):
                continue
            number = out[a].body
            out = [replace(one, body=number) if one.body == out[b].body else one for one in out]
            ratio = pitch_ratio(out[a].edge, out[b].edge)
            both = together(out[a].sight, out[b].sight, ratio) if ratio is not None else None
            if both is not None:
                out[a], out[b] = replace(out[a], decision=both[0]), replace(out[b], decision=both[1])
    return out


def _conflict(one: Found, other: Found, view: Callable[[], View]) -> bool:
    """Tell whether two values contradict each other: no view explains such scales, or other values far better."""
    if not contradicts(one.sight, one.worth, other.px_per_mm):
        return False
    explained = math.log(view().size(one.edge) / view().size(other.edge))

    def beyond(ratio: float) -> float:
        """How far a ratio of scales is from all that lies between level and the view as the edges show it."""
        seen = math.log(ratio)
        return abs(seen - min(max(seen, min(0.0, explained)), max(0.0, explained)))

    ratio = one.px_per_mm / other.px_per_mm
    if beyond(ratio) >= math.log(STEEPEST):
        return True
    others = [ratio * one.worth.pitch_mm / value.pitch_mm for value in options(one.sight)]
    others += [ratio * value.pitch_mm / other.worth.pitch_mm for value in options(other.sight)]
    return min(beyond(each) for each in others) < beyond(ratio) - 1e-9


def _agreeing(certain: list[Found], view: Callable[[], View]) -> list[Found]:
    """Return the edges whose values make one scale, if they are most of those that seemed certain, else none.

    Where two contradict each other, one is wrong, however sure it looked; what the person told counts first.
    """
    told = [one for one in certain if one.sight.told is not None]
    groups = [
        [other for other in certain if not _conflict(one, other, view)] for one in told or certain
    ]
    most = max(groups, key=len, default=[])
    return most if told or 2 * len(most) > len(certain) else []


def decided(found: list[Found]) -> list[Found]:
    """Decide by the certain edges what is still open, the own body's first, and take back what they contradict."""
    view = cache(lambda: view_of([one.edge for one in found], found[0].sight.long_px))
    certain = _agreeing([one for one in found if one.decision.worth is not None], view)
    found = [one if one in certain else replace(one, decision=replace(one.decision, worth=None)) for one in found]
    if not certain:
        return found
    best = max(certain, key=lambda one: len(one.edge.index))
    out = []
    for one in found:
        if one in certain:
            out.append(one)
            continue
        own = [other for other in certain if other.body == one.body]
        ratio = pitch_ratio(own[0].edge, one.edge) if own else None
        if ratio is not None:
            scale = one.edge.course.pitch_px * ratio / own[0].worth.pitch_mm
            out.append(replace(one, decision=by_scale(one.sight, scale, "the other edge", 1 + EDGES_AGREE)))
        else:
            out.append(replace(one, decision=by_scale(one.sight, best.px_per_mm, "the other rule in the photo")))
    return out


@dataclass(frozen=True, eq=False)
class Looks:
    """What a body looks like."""

    role: Role
    sure: float
    why: str


def look(grey: Grey, one: Found) -> Body:
    """Return what the surroundings of one edge say."""
    edge = one.edge
    contrast = float(np.median(np.abs(edge.marks.contrast[edge.used])))
    return look_at_body(grey, edge.course, *edge.ends, edge.side(one.worth.pitch_mm), contrast)


def role_of(members: list[Found], seen: list[Body]) -> Looks:
    """Return the role of a body: what the person says, else what its edges show; a hidden foot shows nothing."""
    for one in members:
        if one.hint is not None and "role" in one.hint.model_fields_set:
            return Looks(one.hint.role, 1.0, "the plan file says so")
    known = [body for one, body in zip(members, seen, strict=True) if not one.edge.finer] or seen
    best = max(known, key=lambda body: (body.sure, body.laid))
    if not best.laid and any(one.edge.finer for one in members) and all(one.edge.finer for one in members):
        return Looks("laid", 0.6, "finer graduations than can be told stand at its edge")
    return Looks("laid" if best.laid else "drawn", best.sure, best.why)


def parted(members: list[Found], seen: list[Body]) -> list[list[int]]:
    """Return the members' numbers by what they are: a drawn rule beside a laid one looks like an edge of its body."""
    laid = [body for body in seen if body.laid and body.sure >= SURE_STEP]
    drawn = [
        n for n, (one, body) in enumerate(zip(members, seen, strict=True))
        if laid and not body.laid and body.sure >= SURE_LINE and not one.edge.finer and not _same_face(body, laid)
    ]  # fmt: skip
    return [part for part in ([n for n in range(len(members)) if n not in drawn], drawn) if part]


def _same_face(body: Body, laid: Sequence[Body]) -> bool:
    """Tell whether an edge has the face of a laid one rather than what lies beside that: its wall may look drawn."""
    return any(abs(body.face - one.face) < SAME_FACE * abs(body.face - one.beside) for one in laid)


def _far(one: Found, members: list[Found], body: Body) -> Body:
    """Return a body with the far edge where another graduated edge of it stands."""
    for other in members:
        beside = lies_beside(one.edge, other.edge) if other is not one else None
        if beside is None or float(np.median(beside.across_px)) < 4.0 or len(beside.index) < 3:
            continue
        low, high = one.edge.ends
        along = 2.0 * (beside.index - low) / (high - low) - 1.0
        slope, far = np.polyfit(along, beside.rows, 1)
        side = one.edge
        return replace(body, far=side.base_row + side.way * float(far), slope=side.way * float(slope))
    return body


def polygon_of(grey: Grey, one: Found, members: list[Found], body: Body) -> FloatArray:
    """Return (N, 2) px round the body that an edge belongs to, as far as this edge runs."""
    edge, side = one.edge, one.edge.side(one.worth.pitch_mm)
    body = _far(one, members, body)
    rows = np.sort([side.row(INNER_MM), body.far - side.way * INNER_MM * side.rows_per_mm])
    inner = np.arange(rows[0], rows[1] + 1) if rows[1] > rows[0] else np.array([side.row(INNER_MM)])
    per_mm, (low, high) = 1.0 / one.worth.pitch_mm, edge.ends
    ends = tuple(end_of_body(grey, edge.course, end, way, inner, per_mm) for end, way in ((low, -1), (high, 1)))
    return outline(edge.course, edge.ends, (ends[0], ends[1]), side, body)
